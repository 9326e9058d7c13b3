//! The session's page: what stands in it, and how a browser takes it.

mod made_up;

use std::path::{Path, PathBuf};
use std::process::Command;

/// Each part that the page promises is there, and the same page comes each time.
#[test]
fn the_page_shows_every_plate_with_its_record() {
    let session = made_up::session();
    let page = hyaline::report::page(&session);
    assert_eq!(page, hyaline::report::page(&session));
    for promised in [
        "Lime kiln at the ebb",
        "14 March 2026",
        "3 s, f/22, metered at EI 2",
        "1.15 times the light",
        "metol-hydroquinone 1+15, 7.5 min, 20 °C (68.0 °F)",
        "speed point 0.10",
        "deepest trusted 2.41",
        "base-outlier",
        "corners_px",
        "K-01/K-01-positive.tif",
        "compare/K-01-K-02/index.html",
        "0.15 pixel rms at 90 ties",
        "left over: 0.5 pixel",
        "× 1.0012",
        "class=\"cuts\"",
    ] {
        assert!(page.contains(promised), "{promised} is missing");
    }
    for at in 1..=5 {
        assert!(page.contains(&format!("id=\"plate-{at}\"")) && page.contains(&format!("href=\"#plate-{at}\"")));
    }
}

/// Text of the notes is text, wherever it stands: no element, attribute or address comes of it, and its direction stays its own.
#[test]
fn hostile_text_is_only_text() {
    let plain = hyaline::report::page(&made_up::session());
    let page = hyaline::report::page(&made_up::hostile());
    assert_eq!(page.matches("<script>").count(), 1, "our own");
    assert_eq!(plain.matches("</style>").count(), page.matches("</style>").count());
    assert!(!page.contains("<img src=x") && !page.contains("onerror=alert(1)>\""));
    assert!(!page.contains("href=\"javascript:"));
    // Reordering marks stay only inside elements that isolate them.
    let inside = |at: usize| page[..at].rfind("<bdi>") > page[..at].rfind("</bdi>");
    for (at, _) in page.match_indices('\u{202e}') {
        assert!(
            inside(at) || page[..at].ends_with("</title>") || titled(&page, at),
            "{}",
            &page[at.saturating_sub(160)..at]
        );
    }
}

/// Whether a place lies in the document's own title or an attribute's value, neither of which has neighbours to turn.
fn titled(page: &str, at: usize) -> bool {
    let before = &page[..at];
    let in_title = before.rfind("<title>") > before.rfind("</title>");
    let in_tag = before.rfind('<') > before.rfind('>');
    in_title || in_tag
}

/// Nothing in the page names another host: no address but data, relative files and names within the page.
#[test]
fn the_page_asks_for_nothing() {
    let page = hyaline::report::page(&made_up::session());
    let mut seen = 0;
    for mark in ["src=\"", "href=\""] {
        for (at, _) in page.match_indices(mark) {
            let address: String = page[at + mark.len()..].chars().take_while(|c| *c != '"').take(40).collect();
            let own = address.starts_with("data:") || address.starts_with('#') || !address.contains(':');
            assert!(own, "{address}");
            seen += 1;
        }
    }
    assert!(seen > 20, "only {seen} addresses were looked at");
    assert!(!page.contains("url(") && !page.contains("@import") && !page.contains("<link rel=\"stylesheet"));
}

#[test]
fn the_summary_names_each_plate_and_what_became_of_it() {
    let summary = serde_json::to_value(hyaline::report::summary(&made_up::session())).unwrap();
    let plates = summary["plates"].as_array().unwrap();
    assert_eq!(plates.len(), 5);
    assert_eq!(plates[0]["record"], "K-01/K-01-record.json");
    assert_eq!((&plates[0]["status"], &plates[3]["status"]), (&"done".into(), &"failed".into()));
    assert_eq!(summary["base_density"], 0.121);
    assert_eq!(plates[0]["base_off"], 0.0);
    assert_eq!(plates[1]["warnings"][0]["code"], "base-outlier");
}

/// A browser opens both pages from the disk: no error on its console, no request, and the keys do what the page says.
#[test]
#[ignore = "needs a browser: use tests/run"]
fn a_browser_takes_the_page() {
    let folder = PathBuf::from(env!("CARGO_TARGET_TMPDIR")).join("report-page");
    std::fs::create_dir_all(&folder).unwrap();
    for (name, session) in [("page", made_up::session()), ("hostile", made_up::hostile())] {
        let file = folder.join(format!("{name}.html"));
        std::fs::write(&file, hyaline::report::page(&session)).unwrap();
        let here = Path::new(env!("CARGO_MANIFEST_DIR"));
        let run = Command::new("node")
            .arg(here.join("tests/browser/page.mjs"))
            .args([&file, &folder])
            .output()
            .expect("node runs");
        let said = String::from_utf8_lossy(&run.stdout).into_owned() + &String::from_utf8_lossy(&run.stderr);
        assert!(run.status.success(), "{name}: {said}");
        print!("{said}");
    }
}
