//! `--quiet` leaves out what a command tells of its work; what was asked for, `--json` and errors stay. A session that is not named is the
//! current folder's; nothing is coloured where `NO_COLOR` (no-color.org) says so.

mod small;

use small::{Run, Session};
use std::process::Command;

#[test]
fn only_summaries_are_left_out() {
    let session = Session::new(2);
    let bracket = "\n[[bracket]]\nplates = [\"K-01\", \"K-02\"]\n";
    session.write("session.toml", (session.notes() + bracket).as_bytes());
    let path = |name: &str| session.path(name).to_string_lossy().into_owned();
    let (folder, bag, www) = (path(""), path("../bag"), path("../www"));
    let words = |line: &str, last: &[&str]| {
        line.split(' ').chain(last.iter().copied()).map(String::from).collect::<Vec<String>>()
    };
    let run = |line: &[String], more: &[&str]| {
        Run::of(Command::new(env!("CARGO_BIN_EXE_hyaline")).args(line).args(more).output().unwrap())
    };

    // What is done again does the same, so that each command is run three ways in one folder.
    let summarized = [
        words("digitize", &[&folder]),
        words("compare", &[&folder]),
        words("publish --url https://example.org/kiln --to", &[&www, &folder]),
        words("archive --to", &[&bag, &folder]),
        words("verify", &[&bag]),
        words("manual", &[&path("../man")]),
    ];
    for line in &summarized {
        let quiet = run(line, &["--quiet"]);
        assert_eq!((quiet.status, quiet.out.as_str(), quiet.err.as_str()), (Some(0), "", ""), "{line:?}");
        let loud = run(line, &[]);
        assert!(loud.status == Some(0) && !loud.out.is_empty(), "{line:?}: {}", loud.err);
        let json = run(line, &["--quiet", "--json"]);
        assert!(serde_json::from_str::<serde_json::Value>(&json.out).is_ok(), "{line:?}: {}", json.out);
    }

    let negative = path("out/K-01/K-01-negative.tif");
    for line in [
        words("digitize --timings", &[&folder]),
        words("record", &[&negative]),
        words("measure --patch 40,30,3,3", &[&negative]),
        words("plan --plate 8x10in --pixels 4032x3024", &[]),
        words("completions bash", &[]),
    ] {
        let quiet = run(&line, &["--quiet"]);
        assert!(quiet.status == Some(0) && !quiet.out.is_empty(), "{line:?}: {}", quiet.err);
    }

    // The manual is whole: each page that another leads to is there, and options of all commands are told.
    let pages = small::files(&session.path("../man"));
    let mut led_to = 0;
    for page in &pages {
        let text = std::fs::read_to_string(page).unwrap().replace('\\', "");
        for name in text.split("(1)").filter_map(|before| before.rsplit([' ', '\n']).next()) {
            if name.starts_with("hyaline-") {
                led_to += 1;
                assert!(pages.iter().any(|p| p.ends_with(format!("{name}.1"))), "{name} of {}", page.display());
            }
        }
        assert!(text.contains("--quiet") && text.contains("--jobs"), "{}", page.display());
    }
    assert!(led_to > 15 && pages.iter().any(|p| p.ends_with("hyaline-calibrate-tablet.1")), "{pages:?}");

    std::fs::remove_file(session.path("captures/k02.jpg")).unwrap();
    let failed = run(&summarized[0], &["--quiet"]);
    assert_eq!((failed.status, failed.out.as_str()), (Some(1), ""));
    assert!(failed.err.contains("k02.jpg"), "{}", failed.err);
}

#[test]
fn a_session_that_is_not_named_is_the_current_folders() {
    let session = Session::new(1);
    let here = |arguments: &[&str]| {
        let mut run = Command::new(env!("CARGO_BIN_EXE_hyaline"));
        Run::of(run.current_dir(session.path("")).args(arguments).output().unwrap())
    };
    for command in ["check", "digitize"] {
        let run = here(&[command]);
        assert_eq!(run.status, Some(0), "{command}: {}", run.err);
    }
    assert!(session.path("out/K-01/K-01-positive.tif").exists());
    std::fs::remove_file(session.path("session.toml")).unwrap();
    let run = here(&["digitize"]);
    assert!(run.status == Some(1) && run.err.contains("session.toml"), "{}", run.err);
}

#[test]
fn no_color_takes_the_colours_away() {
    let help = |no_color: bool| {
        let mut run = Command::new(env!("CARGO_BIN_EXE_hyaline"));
        run.arg("--help").env("CLICOLOR_FORCE", "1").env_remove("NO_COLOR");
        if no_color {
            run.env("NO_COLOR", "1");
        }
        Run::of(run.output().unwrap()).out
    };
    assert!(help(false).contains("\x1b["));
    assert!(!help(true).contains('\x1b'));
}
