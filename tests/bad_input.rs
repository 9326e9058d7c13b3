//! Whatever is wrong with what comes in: exit status 1 (2 for the command line), the file and the key named, no panic, other plates
//! still done, nothing half-written.

mod small;

use small::{Run, Session, blank_frame, files, jpeg, plate_frame, sized};
use std::fs;
use std::process::Command;

/// Fails as users are promised: `named` in the message, K-02 done all the same, nothing of K-01 under a final name.
fn only_k01_fails(session: &Session, named: &[&str]) {
    let run = session.run(&["digitize"]);
    fails(&run, named);
    assert!(session.path("out/K-02/K-02-negative.tif").exists(), "K-02 was not done: {}", run.err);
    assert!(!session.path("out/K-01/K-01-negative.tif").exists());
    nothing_half_written(session);
}

fn fails(run: &Run, named: &[&str]) {
    assert_eq!(run.status, Some(1), "{}{}", run.out, run.err);
    for name in named {
        assert!(run.err.contains(name), "`{name}` is not named in: {}", run.err);
    }
    assert!(!run.err.contains("panicked"), "{}", run.err);
}

/// Nothing is begun.
fn whole_session_fails(session: &Session, named: &[&str]) {
    fails(&session.run(&["digitize"]), named);
    fails(&session.run(&["check"]), named);
    assert!(files(&session.path("out")).iter().all(|f| f.extension().is_none_or(|e| e != "tif")));
}

fn nothing_half_written(session: &Session) {
    // The hidden folder holds the program's own notes of what is done.
    let own = session.path("out/.hyaline");
    let known = ["tif", "jpg", "json", "html", "sha256"];
    for file in files(&session.path("out")).iter().filter(|f| !f.starts_with(&own)) {
        let end = file.extension().and_then(|e| e.to_str()).unwrap_or_default();
        assert!(known.contains(&end), "left behind: {}", file.display());
    }
}

#[test]
fn a_sound_session_is_done() {
    let session = Session::new(1);
    let run = session.run(&["digitize"]);
    assert_eq!(run.status, Some(0), "{}{}", run.out, run.err);
    assert!(session.path("out/K-01/K-01-positive.tif").exists());
    nothing_half_written(&session);
}

#[test]
fn frames_that_are_no_pictures() {
    let whole = plate_frame(1);
    let monster = {
        // The size in the frame header, set to 65 535 each way.
        let mut bytes = whole.clone();
        let at = bytes.windows(2).position(|w| w == [0xff, 0xc0]).expect("a baseline header");
        bytes[at + 5..at + 9].copy_from_slice(&[0xff; 4]);
        bytes
    };
    let raw = fs::read(concat!(env!("CARGO_MANIFEST_DIR"), "/tests/fuzz/corpus/frame/raw-blocks.mrw")).unwrap();
    let cases: [(&str, &[u8]); 6] = [
        ("cut short", &whole[..whole.len() / 2]),
        ("cut in its header", &whole[..40]),
        ("empty", b""),
        ("text", b"this is a letter, not a picture\n"),
        ("monstrous", &monster),
        // Its samples are unpacked by all threads together.
        ("raw, cut short", &raw[..raw.len() - 300]),
    ];
    for (name, bytes) in cases {
        let session = Session::new(2);
        session.write("captures/k01.jpg", bytes);
        println!("{name}");
        only_k01_fails(&session, &["k01.jpg"]);
    }
}

#[test]
fn files_that_are_not_there() {
    let session = Session::new(2);
    fs::remove_file(session.path("captures/k01.jpg")).unwrap();
    whole_session_fails(&session, &["session.toml", "captures/k01.jpg"]);

    let session = Session::new(2);
    session.edit("captures/k01.jpg", "captures/nothing-*.jpg");
    whole_session_fails(&session, &["session.toml", "captures/nothing-*.jpg"]);
}

#[test]
fn notes_that_contradict_themselves() {
    let session = Session::new(2);
    session.edit("photographer", "photographre");
    whole_session_fails(&session, &["session.toml:4", "photographre", "photographer"]);

    let session = Session::new(2);
    session.edit("K-02", "K-01");
    whole_session_fails(&session, &["session.toml", "K-01"]);

    let session = Session::new(1);
    let mut notes = session.notes().into_bytes();
    notes.extend([b'#', 0xff, 0xfe, b'\n']);
    session.write("session.toml", &notes);
    whole_session_fails(&session, &["session.toml", "UTF-8"]);
}

#[test]
fn paths_that_leave_the_session() {
    let session = Session::new(2);
    let outside = session.folder.path().join("elsewhere.jpg");
    fs::write(&outside, plate_frame(1)).unwrap();
    session.edit("captures/k01.jpg", "../elsewhere.jpg");
    whole_session_fails(&session, &["session.toml", "../elsewhere.jpg"]);

    #[cfg(unix)]
    {
        let session = Session::new(2);
        fs::write(session.folder.path().join("elsewhere.jpg"), plate_frame(1)).unwrap();
        fs::remove_file(session.path("captures/k01.jpg")).unwrap();
        std::os::unix::fs::symlink("../../elsewhere.jpg", session.path("captures/k01.jpg")).unwrap();
        whole_session_fails(&session, &["session.toml", "k01.jpg"]);
    }
}

#[test]
fn blanks_that_cannot_serve() {
    let session = Session::new(2);
    session.write("captures/k01.jpg", &sized(900, 675, |x, _| 0.3 + 0.2 * (x / 900.0)));
    only_k01_fails(&session, &["k01.jpg", "900×675", "1200×900"]);

    let session = Session::new(1);
    for n in 1..=2 {
        session.write(&format!("captures/blank-{n}.jpg"), &jpeg(|_, _| 1.0));
    }
    let run = session.run(&["digitize"]);
    fails(&run, &["blank-1.jpg", "clipped", "100.0 %"]);

    let session = Session::new(1);
    for n in 1..=2 {
        session.write(&format!("captures/blank-{n}.jpg"), &jpeg(|_, _| 0.002));
    }
    fails(&session.run(&["digitize"]), &["blank-1.jpg", "dim"]);
}

#[test]
fn a_frame_without_a_plate() {
    let session = Session::new(2);
    session.write("captures/k01.jpg", &blank_frame());
    only_k01_fails(&session, &["k01.jpg", "corners_px"]);
}

/// Root writes where it likes, so the folder is barred by a file that lies in its place.
#[test]
fn results_that_cannot_be_written() {
    let session = Session::new(1);
    session.write("out", b"a file, not a folder");
    fails(&session.run(&["digitize"]), &["out"]);

    let session = Session::new(2);
    session.write("out/K-01", b"a file, not a folder");
    fails(&session.run(&["digitize"]), &["K-01"]);
    assert!(session.path("out/K-02/K-02-negative.tif").exists());
}

/// A device that is always full stands for a full disk.
#[cfg(target_os = "linux")]
#[test]
fn a_full_folder() {
    use std::io::Write as _;
    let session = Session::new(1);
    // A file system of 1 MB needs root; without it there is nothing to try.
    let out = session.path("out");
    fs::create_dir_all(&out).unwrap();
    let mounted = Command::new("mount").args(["-t", "tmpfs", "-o", "size=1m", "tmpfs"]).arg(&out).status();
    if !mounted.is_ok_and(|status| status.success()) {
        // Past the test's own capture of what it prints: a test that passes untried must be seen.
        let _ = writeln!(std::io::stderr(), "a_full_folder: NOT TRIED, no small file system can be mounted here");
        return;
    }
    let run = session.run(&["digitize"]);
    let left = files(&out);
    assert!(Command::new("umount").arg(&out).status().unwrap().success());
    fails(&run, &["out", "no space left"]);
    assert!(left.iter().all(|f| f.extension().is_none_or(|e| e != "tif")), "{left:?}");
}

/// A limit on the size of files (POSIX, ulimit -f, in units of 512 bytes; from memory) stops a write in its middle on any machine, mounts or not.
#[cfg(target_os = "linux")]
#[test]
fn a_file_that_may_not_grow() {
    let session = Session::new(1);
    let limited = "trap '' XFSZ; ulimit -f 100; exec \"$0\" digitize \"$1\"";
    let command = ["-c", limited, env!("CARGO_BIN_EXE_hyaline")];
    let run = Run::of(Command::new("sh").args(command).arg(session.path("session.toml")).output().unwrap());
    fails(&run, &["out", "file too large"]);
    let left = files(&session.path("out"));
    assert!(left.iter().all(|f| f.extension().is_none_or(|e| e != "tif")), "{left:?}");
}

#[test]
fn a_wrong_command_line() {
    let run =
        |arguments: &[&str]| Run::of(Command::new(env!("CARGO_BIN_EXE_hyaline")).args(arguments).output().unwrap());
    for arguments in [&["digitise"][..], &["digitize", "--nothing"], &["check", "a", "b"], &["digitize", "--jobs", "0"]]
    {
        let run = run(arguments);
        assert_eq!(run.status, Some(2), "{arguments:?}: {}", run.err);
    }
    let nowhere = run(&["check", "no-such-folder"]);
    fails(&nowhere, &["no-such-folder"]);
    let session = Session::new(1);
    fails(&session.run(&["digitize", "--plate", "K-99"]), &["K-99", "K-01"]);
}
