//! `hyaline new`: notes for a folder of frames, from outside.

use assert_cmd::Command;
use hyaline::demo::encode::{self, Shot};
use hyaline::image::{Image, Size};
use predicates::prelude::*;
use std::path::Path;

fn hyaline(args: &[&str], folder: &Path) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_hyaline"));
    command.arg(args[0]).arg(folder).args(&args[1..]);
    command
}

/// A small frame of something, named so that nobody has to look at it.
fn put(folder: &Path, name: &str) {
    let light = Image::filled(Size::new(48, 64), 0.5f32);
    let shot = Shot {
        model: "Pocket 12".into(),
        lens: "fixed".into(),
        time_s: 0.1,
        f_number: 1.9,
        iso: 32,
        focal_mm: 5.6,
        focal_35mm: 27,
        taken: "2026:05:09 19:00:00".into(),
        orientation: 1,
    };
    let samples: Vec<f32> = light.pixels().iter().flat_map(|v| [*v; 3]).collect();
    let path = folder.join(name);
    std::fs::create_dir_all(path.parent().unwrap()).unwrap();
    std::fs::write(path, encode::jpeg(&samples, light.size(), &shot).unwrap()).unwrap();
}

fn session() -> tempfile::TempDir {
    let dir = tempfile::tempdir().unwrap();
    for name in ["blank-1.jpg", "blank-2.jpg", "k01-1.jpg", "k01-2.jpg", "k02.jpg"] {
        put(dir.path(), &format!("captures/{name}"));
    }
    std::fs::write(dir.path().join("captures/letter.txt"), "mine").unwrap();
    dir
}

#[test]
fn notes_are_written_and_never_written_over() {
    let dir = session();
    let new = ["new", "--size", "half plate (UK)", "--emulsion", "toward-camera", "--title", "Kiln"];
    let table = predicate::str::contains("K-01        2      2          1       2")
        .and(predicate::str::contains("left aside: captures/letter.txt (no frame)"));
    hyaline(&new, dir.path()).assert().success().stdout(table);
    let notes = dir.path().join("session.toml");
    let text = std::fs::read_to_string(&notes).unwrap();
    assert!(
        text.contains("blank = [\"captures/blank-*.jpg\"]") && text.contains("captures = [\"captures/k01-*.jpg\"]"),
        "{text}"
    );
    let loaded = hyaline::notes::load(dir.path()).unwrap();
    assert_eq!((loaded.plates.len(), loaded.about.title.as_str()), (2, "Kiln"));

    std::fs::write(&notes, "# mine\n").unwrap();
    hyaline(&new, dir.path()).assert().code(1).stderr(predicate::str::contains("session.toml: is there already"));
    assert_eq!(std::fs::read_to_string(&notes).unwrap(), "# mine\n");
    let beside = [&new[..], &["--to", "session-new.toml"]].concat();
    hyaline(&beside, dir.path()).assert().success();
    assert_eq!(std::fs::read_to_string(dir.path().join("session-new.toml")).unwrap(), text);
    hyaline(&beside, dir.path()).assert().code(1);
    hyaline(&["new", "--to", "../elsewhere.toml"], dir.path())
        .assert()
        .code(1)
        .stderr(predicate::str::contains("folder"));
}

#[test]
fn a_dry_run_prints_the_notes_and_writes_nothing() {
    let dir = session();
    let printed = predicate::str::contains("[[plate]]\nid = \"K-01\"\n# Must be filled in")
        .and(predicate::str::contains("# plate"));
    let dry = hyaline(&["new", "--dry-run"], dir.path()).assert().success().stdout(printed);
    let text = String::from_utf8(dry.get_output().stdout.clone()).unwrap();
    assert!(toml::from_str::<toml::Table>(&text).is_ok(), "{text}");
    assert!(!dir.path().join("session.toml").exists());
}

#[test]
fn json_tells_what_was_grouped_and_why() {
    let dir = session();
    std::fs::write(dir.path().join("field.csv"), "id,ei\nK-1,2\nK-7,4\n").unwrap();
    let field = dir.path().join("field.csv");
    let out = hyaline(&["new", "--json", "--field-notes", field.to_str().unwrap()], dir.path()).assert().success();
    let told: serde_json::Value = serde_json::from_slice(&out.get_output().stdout).unwrap();
    assert_eq!(told["plates"][0]["id"], "K-1");
    assert_eq!(told["plates"][0]["tiles"], serde_json::json!([["captures/k01-1.jpg"], ["captures/k01-2.jpg"]]));
    assert!(told["plates"][0]["why"][0].as_str().unwrap().contains("field notes"));
    assert_eq!(told["field_notes_without_frames"], serde_json::json!(["K-7"]));
    assert_eq!(told["frames_without_field_notes"], serde_json::json!(["K-02"]));
    assert_eq!(told["blanks"][0], serde_json::json!({ "file": "captures/blank-1.jpg", "by": "name" }));
    assert!(told["to_fill_in"][0].as_str().unwrap().contains("size of K-1, K-02"), "{told}");
    // What is still to be filled in stops the check, which says where.
    hyaline(&["check"], dir.path()).assert().code(1).stderr(predicate::str::contains("`plate.size` is missing"));
}

#[test]
fn what_cannot_be_done_is_said() {
    let dir = tempfile::tempdir().unwrap();
    hyaline(&["new"], dir.path()).assert().code(1).stderr(predicate::str::contains("holds no frame"));
    hyaline(&["new"], &dir.path().join("none")).assert().code(1);
    hyaline(&["new", "--size", "half plate"], dir.path())
        .assert()
        .code(2)
        .stderr(predicate::str::contains("half plate (UK)"));
    let session = session();
    std::fs::write(session.path().join("captures/k03.jpg"), b"\xff\xd8\xff").unwrap();
    let told = predicate::str::contains("k03.jpg: ");
    hyaline(&["new"], session.path()).assert().code(1).stderr(told);
    assert!(session.path().join("session.toml").exists(), "the others are grouped");
    hyaline(&["new", "--profile", "sgrb", "--dry-run"], session.path())
        .assert()
        .code(1)
        .stderr(predicate::str::contains("`srgb`"));
}
