//! A plate's record names every file that the plate was made of, profiles too; packages hold them and are checked against them.

mod small;

use hyaline::archive::digest::sha256;
use serde_json::Value;
use small::{Run, Session};
use std::process::Command;

const CAPTURE: &[u8] = include_bytes!("../profiles/srgb.toml");
const TONE: &[u8] = include_bytes!("../profiles/tone/long.toml");

/// Names and digests of the profiles among a plate's inputs.
fn profiles(session: &Session) -> Vec<(String, String)> {
    let record: Value =
        serde_json::from_slice(&std::fs::read(session.path("out/K-01/K-01-record.json")).unwrap()).unwrap();
    let text = |value: &Value| value.as_str().unwrap().to_string();
    let inputs =
        record["inputs"].as_array().unwrap().iter().map(|input| (text(&input["file"]), text(&input["sha256"])));
    inputs.filter(|(file, _)| file.ends_with(".toml")).collect()
}

#[test]
fn profiles_are_inputs_where_they_are_files() {
    let session = Session::new(1);
    let digitize = || assert_eq!(session.run(&["digitize"]).status, Some(0));
    digitize();
    assert_eq!(profiles(&session), []);

    session.write("profiles/panel.toml", CAPTURE);
    session.write("tones/mine.toml", TONE);
    let named =
        || ["profiles/panel.toml", "tones/mine.toml"].map(|f| (f.to_string(), sha256(&session.path(f)).unwrap()));
    session.edit("profile = \"srgb\"", "profile = \"panel\"");
    session.edit("\n[[plate]]", "\n[positive]\ntone = \"./captures/../tones/mine.toml\"\n\n[[plate]]");
    digitize();
    assert_eq!(profiles(&session), named());
    session.edit("profile = \"panel\"", "profile = \"profiles/panel.toml\"");
    // Other bytes, though they say the same.
    session.write("profiles/panel.toml", &[CAPTURE, b"# as bought\n"].concat());
    digitize();
    assert_eq!(profiles(&session), named());

    let bag = session.path("../bag");
    let run = |arguments: &[&str]| {
        Run::of(Command::new(env!("CARGO_BIN_EXE_hyaline")).args(arguments).arg(&bag).output().unwrap())
    };
    let packed = session.run(&["archive", "--to", bag.to_str().unwrap()]);
    assert_eq!((packed.status, packed.err.as_str()), (Some(0), ""), "{}", packed.out);
    for (file, digest) in named() {
        assert_eq!(sha256(&bag.join("data").join(file)).unwrap(), digest);
    }
    let verified = run(&["verify"]);
    assert_eq!(verified.status, Some(0), "{}{}", verified.out, verified.err);

    // A profile that is no longer what the plate was made with is told of.
    session.write("tones/mine.toml", &[TONE, b"# changed\n"].concat());
    let packed = session.run(&["archive", "--to", session.path("../second").to_str().unwrap()]);
    assert!(packed.status != Some(0) && packed.err.contains("tones/mine.toml"), "{}{}", packed.out, packed.err);
}
