//! A run goes on where the last one stopped: only what changed is done again, whatever ends a run leaves nothing half-written, and the
//! bytes are the same whichever way they came about.

mod small;

use hyaline::archive::digest::sha256;
use small::{Session, files, jpeg, panel, plate_frame, transmittance};
use std::collections::BTreeMap;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

/// Every result with its digest; hidden files are the program's own, and whatever a killed run was at stands under hidden names.
fn results(session: &Session) -> BTreeMap<String, String> {
    let out = session.path("out");
    let name = |f: &std::path::PathBuf| f.strip_prefix(&out).unwrap().to_string_lossy().into_owned();
    files(&out)
        .iter()
        .filter(|f| !name(f).starts_with('.') && !name(f).contains("/."))
        .map(|f| (name(f), sha256(f).unwrap()))
        .collect()
}

fn kept(session: &Session, arguments: &[&str]) -> Vec<String> {
    let run = session.run(&[&["digitize", "--json"], arguments].concat());
    assert_eq!(run.status, Some(0), "{}", run.err);
    let told: serde_json::Value = serde_json::from_str(&run.out).unwrap();
    told["kept"].as_array().unwrap().iter().map(|id| id.as_str().unwrap().to_string()).collect()
}

#[test]
fn only_what_changed_is_done_again() {
    let session = Session::new(2);
    assert!(kept(&session, &[]).is_empty());
    let first = results(&session);
    assert_eq!(kept(&session, &[]), ["K-01", "K-02"]);
    assert_eq!(results(&session), first);
    assert!(kept(&session, &["--fresh"]).is_empty());
    assert_eq!(results(&session), first);

    // A result that was damaged or lost is made again.
    std::fs::write(session.path("out/K-02/K-02-preview.jpg"), "spoilt").unwrap();
    assert_eq!(kept(&session, &[]), ["K-01"]);
    std::fs::remove_file(session.path("out/K-01/K-01-negative.tif")).unwrap();
    assert_eq!(kept(&session, &[]), ["K-02"]);
    assert_eq!(results(&session), first);

    // A plate's own notes concern it alone; the lines that follow may move.
    session.edit("id = \"K-01\"", "id = \"K-01\"\nnotes = \"tide half out\"");
    assert_eq!(kept(&session, &[]), ["K-02"]);
    // A capture of its own; the batch's base stays where it was only if the reading is the same.
    session.write("captures/k02.jpg", &plate_frame(2)[..]);
    assert_eq!(kept(&session, &[]), ["K-01", "K-02"]);
    // The tone profile concerns all.
    session.edit("[[plate]]", "[positive]\ntone = \"long\"\n\n[[plate]]");
    assert!(kept(&session, &[]).is_empty());
}

#[test]
fn threads_and_order_change_nothing() {
    let session = Session::new(2);
    kept(&session, &["--jobs", "1"]);
    let one = results(&session);
    kept(&session, &["--jobs", "2", "--fresh"]);
    assert_eq!(results(&session), one);
    assert!(one.len() >= 8, "{one:?}");
    session.edit("[\"captures/blank-*.jpg\"]", "[\"captures/blank-2.jpg\", \"captures/blank-1.jpg\"]");
    kept(&session, &["--fresh"]);
    let pictures = |all: &BTreeMap<String, String>| -> Vec<_> {
        all.clone().into_iter().filter(|(name, _)| name.ends_with("-preview.jpg")).collect()
    };
    assert_eq!(pictures(&results(&session)), pictures(&one));
}

/// What a run did for each plate, beside writing it.
fn stages(session: &Session, arguments: &[&str]) -> Vec<String> {
    let run = session.run(&[&["digitize", "--json", "--timings"], arguments].concat());
    assert_eq!(run.status, Some(0), "{}", run.err);
    let told: serde_json::Value = serde_json::from_str(&run.out).unwrap();
    let of = |timing: &serde_json::Value| {
        format!("{} {}", timing["of"].as_str().unwrap(), timing["stage"].as_str().unwrap())
    };
    told["timings"].as_array().unwrap().iter().map(of).filter(|stage| !stage.ends_with(" writing")).collect()
}

/// A second plate, of another base, moves what the batch stands on: the first is printed anew, and not worked out anew.
#[test]
fn another_base_costs_no_more_than_another_print() {
    let session = Session::new(2);
    session.write("captures/k02.jpg", &jpeg(|x, y| panel(x, y) * transmittance(x, y, 2).powf(1.1)));
    kept(&session, &["--plate", "K-01"]);
    let before = results(&session);
    let done = stages(&session, &[]);
    let anew: Vec<&String> = done.iter().filter(|stage| stage.starts_with("K-01")).collect();
    assert_eq!(anew, ["K-01 reading the negative"], "{done:?}");
    let all = results(&session);
    assert_ne!(before["K-01/K-01-positive.tif"], all["K-01/K-01-positive.tif"]);
    kept(&session, &["--fresh"]);
    assert_eq!(results(&session), all);
}

/// Each plate by a run of its own, all at once, one of them killed: the run for the session prints what they left, and the same.
#[test]
fn plates_worked_on_ahead_come_out_the_same() {
    let session = Session::new(3);
    kept(&session, &[]);
    let whole = results(&session);
    std::fs::remove_dir_all(session.path("out")).unwrap();
    let ahead = |id: &str| {
        let mut run = Command::new(env!("CARGO_BIN_EXE_hyaline"));
        run.args(["digitize", "--ahead", "--plate", id]).arg(session.path("")).stdout(Stdio::null());
        run.spawn().unwrap()
    };
    let mut runs = ["K-01", "K-02", "K-03"].map(ahead);
    runs[2].kill().unwrap();
    let [first, second, _] = runs.each_mut().map(|run| run.wait().unwrap());
    assert!(first.success() && second.success());
    assert!(results(&session).is_empty(), "nothing is to be seen of plates that are not printed");
    let again = session.run(&["digitize", "--ahead", "--json", "--plate", "K-01"]);
    assert!(again.out.contains("kept"), "{}", again.out);

    let done = stages(&session, &[]);
    let worked_out: Vec<&String> = done.iter().filter(|stage| stage.ends_with("finding the plate")).collect();
    assert_eq!(worked_out, ["K-03 finding the plate"], "{done:?}");
    assert_eq!(results(&session), whole);
    let left = files(&session.path("out/.hyaline"));
    assert!(left.iter().all(|file| !file.to_string_lossy().contains("ahead-K-01.")), "{left:?}");
}

/// The report and session.json tell of the whole session, whichever plates a run was for.
#[test]
fn one_plate_anew_leaves_the_report_whole() {
    let session = Session::new(3);
    kept(&session, &[]);
    let first = results(&session);
    assert_eq!(kept(&session, &["--plate", "K-02", "--fresh"]), ["K-01", "K-03"]);
    assert_eq!(results(&session), first);
    assert_eq!(kept(&session, &["--plate", "K-03"]), ["K-03", "K-01", "K-02"]);
    assert_eq!(results(&session), first);

    // What is not there is not told of.
    let other = session.path("other").to_string_lossy().into_owned();
    assert!(kept(&session, &["--plate", "K-02", "--out", &other]).is_empty());
    let told: serde_json::Value =
        serde_json::from_slice(&std::fs::read(session.path("other/session.json")).unwrap()).unwrap();
    assert_eq!(told["plates"].as_array().unwrap().len(), 1);
}

/// A package for keeping holds no results that its notes contradict, and tells of what is missing or too much.
#[test]
fn results_that_are_not_those_of_the_notes_are_not_packed() {
    let session = Session::new(3);
    kept(&session, &["--plate", "K-01", "--plate", "K-02"]);
    let bag = session.path("../bag");
    let archive = || session.run(&["archive", "--json", "--to", bag.to_str().unwrap()]);
    let as_it_was = session.notes();
    session.edit("id = \"K-02\"", "id = \"K-02\"\nnotes = \"tide half out\"");
    let refused = archive();
    assert_eq!(refused.status, Some(1));
    assert!(refused.err.contains("K-02") && refused.err.contains("another note"), "{}", refused.err);
    assert!(!bag.exists());

    let end = as_it_was.rfind("\n[[plate]]").unwrap();
    let without = as_it_was[..end].replace("K-02", "K-04");
    session.write("session.toml", without.as_bytes());
    let done = archive();
    assert_eq!(done.status, Some(0), "{}", done.err);
    let told: serde_json::Value = serde_json::from_str(&done.out).unwrap();
    assert_eq!((&told["without_results"][0], &told["not_in_notes"][0]), (&"K-04".into(), &"K-02".into()));
    let run = session.run(&["digitize"]);
    assert!(run.out.contains("results-left") && run.out.contains("K-02"), "{}", run.out);

    let held = std::fs::File::create(session.path("out/.hyaline/held")).unwrap();
    held.lock().unwrap();
    let busy = archive();
    assert!(busy.status == Some(1) && busy.err.contains("is working on it"), "{}", busy.err);
}

/// Killed at moments spread over a run, again and again, with no chance to tidy up; HYALINE_KILLS sets how often.
#[test]
fn killed_at_any_moment_nothing_is_half_written_and_the_next_run_completes() {
    let kills: u32 = std::env::var("HYALINE_KILLS").ok().and_then(|n| n.parse().ok()).unwrap_or(12);
    let session = Session::new(2);
    let began = Instant::now();
    kept(&session, &[]);
    let whole = began.elapsed();
    let clean = results(&session);
    let record_of = |name: &str| session.path("out").join(name);
    for kill in 0..kills {
        if kill % 3 == 0 {
            std::fs::remove_dir_all(session.path("out")).unwrap();
        }
        let mut run = Command::new(env!("CARGO_BIN_EXE_hyaline"))
            .arg("digitize")
            .arg(session.path(""))
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        // Golden-ratio steps cover the run evenly whatever their number.
        let share = (f64::from(kill) * 0.618_034).fract();
        std::thread::sleep(Duration::from_secs_f64(whole.as_secs_f64() * share));
        run.kill().unwrap();
        run.wait().unwrap();
        for (name, digest) in results(&session) {
            let whole = clean.get(&name).is_some_and(|known| *known == digest);
            // Lists and pages of the whole session are whole of their own moment.
            let of_moment = ["digests.sha256", "session.json", "report.html"].contains(&name.as_str());
            assert!(whole || of_moment, "{} is half-written after kill {kill}", record_of(&name).display());
        }
    }
    kept(&session, &[]);
    assert_eq!(results(&session), clean);
    println!("survived {kills} kills");
}

#[test]
fn a_second_run_is_told_who_is_at_work() {
    let session = Session::new(1);
    kept(&session, &[]);
    let held = hyaline::kept::Kept::open(&session.path("out"), false).unwrap();
    let run = session.run(&["digitize"]);
    assert_eq!(run.status, Some(1));
    assert!(run.err.contains(&format!("process {}", std::process::id())), "{}", run.err);
    drop(held);
    assert_eq!(kept(&session, &[]), ["K-01"]);
}

/// Every result stands in the list of digests, and nothing else does.
#[test]
fn the_list_of_digests_is_whole() {
    let session = Session::new(2);
    session.write("captures/k02.jpg", &plate_frame(1));
    session.edit("[[plate]]", "[[bracket]]\nplates = [\"K-01\", \"K-02\"]\n\n[[plate]]");
    assert!(kept(&session, &[]).is_empty());
    assert_eq!(kept(&session, &[]), ["K-01", "K-02", "K-01-K-02"]);
    // As a run leaves it that is killed between comparing and listing.
    let list = session.path("out/digests.sha256");
    let whole = std::fs::read_to_string(&list).unwrap();
    let without: String =
        whole.lines().filter(|line| !line.contains("compare")).map(|line| format!("{line}\n")).collect();
    assert_ne!(without, whole);
    std::fs::write(&list, without).unwrap();
    kept(&session, &[]);
    assert_eq!(std::fs::read_to_string(&list).unwrap(), whole);
    let verified = Command::new(env!("CARGO_BIN_EXE_hyaline")).arg("verify").arg(session.path("out")).output().unwrap();
    assert!(verified.status.success(), "{}", String::from_utf8_lossy(&verified.stderr));
}
