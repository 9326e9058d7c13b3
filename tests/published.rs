//! A folder that plates are published in holds what its manifest leads to, and what others have put there; nothing of earlier runs.

mod small;

use serde_json::Value;
use small::{Run, Session, files};
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::process::Command;

const URL: &str = "https://example.org/kiln";

fn json(path: &Path) -> Value {
    serde_json::from_slice(&std::fs::read(path).unwrap()).unwrap()
}

/// Ids of the plates that the manifest leads to, in its order.
fn plates(www: &Path) -> Vec<String> {
    let manifest = json(&www.join("manifest.json"));
    let canvases = manifest["items"].as_array().unwrap();
    canvases.iter().map(|canvas| canvas["label"]["none"][0].as_str().unwrap().to_string()).collect()
}

/// Pictures that an info.json promises: IIIF Image API 3.0, 5.3 (sizes) and 5.4 (tiles, whose places its Implementation Notes, 3, give), by
/// their canonical paths (4.8), and the largest view that level 0 must have (Compliance, 3.2).
fn promised(folder: &Path) -> BTreeSet<PathBuf> {
    let info = json(&folder.join("info.json"));
    let number = |value: &Value| value.as_u64().unwrap() as usize;
    let (columns, rows) = (number(&info["width"]), number(&info["height"]));
    let mut paths = BTreeSet::from(["full/max/0/default.jpg".to_string()]);
    for size in info["sizes"].as_array().unwrap() {
        paths.insert(format!("full/{},{}/0/default.jpg", size["width"], size["height"]));
    }
    let side = number(&info["tiles"][0]["width"]);
    for scale in info["tiles"][0]["scaleFactors"].as_array().unwrap().iter().map(number) {
        for x in (0..columns).step_by(side * scale) {
            for y in (0..rows).step_by(side * scale) {
                let (w, h) = ((side * scale).min(columns - x), (side * scale).min(rows - y));
                paths.insert(format!("{x},{y},{w},{h}/{},{}/0/default.jpg", w.div_ceil(scale), h.div_ceil(scale)));
            }
        }
    }
    paths.iter().map(|path| folder.join(path)).collect()
}

/// What the manifest leads to, with the manifest itself and the list of what was published.
fn led_to(www: &Path) -> BTreeSet<PathBuf> {
    let pictures = plates(www).into_iter().flat_map(|id| {
        let folder = www.join(id);
        promised(&folder).into_iter().chain([folder.join("info.json")])
    });
    pictures.chain(["manifest.json", "report.html", "published.sha256"].map(|file| www.join(file))).collect()
}

fn there(www: &Path) -> BTreeSet<PathBuf> {
    files(www).into_iter().collect()
}

#[test]
fn nothing_is_left_of_earlier_publications_and_nothing_else_is_lost() {
    let session = Session::new(3);
    let www = session.path("../www");
    let publish = |url: &str, more: &[&str]| {
        let mut command = Command::new(env!("CARGO_BIN_EXE_hyaline"));
        Run::of(
            command
                .arg("publish")
                .arg(session.path(""))
                .args(["--url", url, "--to"])
                .arg(&www)
                .args(more)
                .output()
                .unwrap(),
        )
    };
    let done = |run: Run| assert_eq!((run.status, run.err.as_str()), (Some(0), ""), "{}", run.out);
    let digitize = || done(session.run(&["digitize"]));
    let ppi = |from: &str, to: &str| {
        session.edit(from, to);
        digitize();
    };
    session.edit("\n[[plate]]", "\n[positive]\nppi = 270\n\n[[plate]]");
    digitize();

    // One plate after the other: each joins those that are there, in the order of the notes.
    done(publish(URL, &["--plate", "K-02"]));
    assert_eq!(plates(&www), ["K-02"]);
    done(publish(URL, &["--plate", "K-01"]));
    assert_eq!(plates(&www), ["K-01", "K-02"]);
    done(publish(URL, &[]));
    assert_eq!(plates(&www), ["K-01", "K-02", "K-03"]);
    assert_eq!(there(&www), led_to(&www));

    // At another sampling, all and one alone; the others stay as they were.
    let of_others = ["index.html", "K-01/mine.txt", "K-01/full/mine.txt"].map(|file| www.join(file));
    of_others.iter().for_each(|file| std::fs::write(file, "of another hand").unwrap());
    let with_others = |led_to: BTreeSet<PathBuf>| led_to.into_iter().chain(of_others.clone()).collect::<BTreeSet<_>>();
    ppi("ppi = 270", "ppi = 150");
    let before = json(&www.join("K-02/info.json"));
    done(publish(URL, &["--plate", "K-01"]));
    assert_eq!(plates(&www), ["K-01", "K-02", "K-03"]);
    assert_eq!(json(&www.join("K-02/info.json")), before);
    assert_ne!(json(&www.join("K-01/info.json"))["width"], before["width"]);
    assert_eq!(there(&www), with_others(led_to(&www)));
    done(publish(URL, &[]));
    assert_ne!(json(&www.join("K-02/info.json"))["width"], before["width"]);
    assert_eq!(there(&www), with_others(led_to(&www)));

    // Another address: one plate alone would leave the others with the old one.
    let refused = publish("https://example.org/moved", &["--plate", "K-01"]);
    assert_eq!(refused.status, Some(1));
    assert!(refused.err.contains("manifest.json") && refused.err.contains("--plate"), "{}", refused.err);
    assert_eq!(plates(&www).len(), 3);

    // A plate whose results are gone stays published; one that the notes no longer have does not.
    let notes = session.notes();
    std::fs::remove_dir_all(session.path("out/K-02")).unwrap();
    session.write("session.toml", &notes.as_bytes()[..notes.rfind("\n[[plate]]").unwrap()]);
    let run = publish(URL, &[]);
    assert!(run.status == Some(1) && run.err.contains("digitize plate K-02"), "{}", run.err);
    assert_eq!(plates(&www), ["K-01", "K-02"]);
    assert!(!www.join("K-03").exists());
    assert_eq!(there(&www), with_others(led_to(&www)));
}
