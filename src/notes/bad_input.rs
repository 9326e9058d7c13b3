//! Tests: every kind of bad notes gets a message with the file, the line, the key and the mend.

use super::good_input::{FILES, WHOLE, folder_with};
use super::*;

/// Errors as people read them, the folder's name left out.
fn errors_of(notes: impl AsRef<[u8]>) -> Vec<String> {
    let dir = folder_with(&FILES, notes);
    match load(dir.path()) {
        Ok(_) => Vec::new(),
        Err(errors) => errors
            .iter()
            .map(|error| {
                assert!(error.file.starts_with(dir.path()), "{error}");
                error.to_string().replace(&format!("{}/", dir.path().display()), "")
            })
            .collect(),
    }
}

/// The whole notes with one piece exchanged, and the line the piece stands on.
fn with(old: &str, new: &str) -> (String, usize) {
    let at = WHOLE.find(old).unwrap_or_else(|| panic!("{old}"));
    (WHOLE.replacen(old, new, 1), WHOLE[..at].matches('\n').count() + 1)
}

/// One slip, one error, with these words in it.
#[track_caller]
fn slip(old: &str, new: &str, parts: &[&str]) {
    let (notes, line) = with(old, new);
    let errors = errors_of(notes);
    let [error] = errors.as_slice() else { panic!("{new}: {errors:#?}") };
    for part in parts.iter().copied().chain([format!("session.toml:{line}: ").as_str()]) {
        assert!(error.contains(part), "{new}: {part:?} is not in {error:?}");
    }
}

#[test]
fn unknown_keys_name_the_nearest() {
    slip(
        "blank    =",
        "blnak = [\"captures/k03.jpg\"]\nblank    =",
        &["unknown key `copy.blnak`", "did you mean `blank`?"],
    );
    slip("place        =", "placce        =", &["unknown key `session.placce`", "`place`"]);
    slip("aperture =", "aperature =", &["unknown key `plate.exposure.aperature`", "`aperture`"]);
    slip("minutes = 7.5", "time_min = 7.5", &["unknown key `plate.development.time_min`", "`minutes`", "`developer`"]);
    slip("[positive]", "[postive]", &["unknown key `postive`", "did you mean `positive`?"]);
    slip("[[bracket]]", "[[brackets]]", &["unknown key `brackets`", "`bracket`"]);
}

#[test]
fn a_plate_key_below_a_sub_table_is_sent_home() {
    slip("holder = \"7 left\"", "rotate = 90", &["unknown key `plate.exposure.rotate`", "write it under [[plate]]"]);
}

#[test]
fn values_out_of_range_say_the_range() {
    slip("ei = 2.0", "ei = -2", &["`plate.exposure.ei` is -2", "0.001"]);
    slip("ei = 2.0", "ei = nan", &["`plate.exposure.ei`", "give a number"]);
    slip("ei = 2.0", "ei = 99999999999999999999", &["`plate.exposure.ei`", "give a number"]);
    slip("latitude = 54.1", "latitude = 154.1", &["`plate.exposure.latitude` is 154.1", "-90 to 90"]);
    slip("longitude = -2.8", "longitude = 200", &["`plate.exposure.longitude`", "-180 to 180"]);
    slip(
        "temperature_c = 20.0",
        "temperature_c = 68",
        &["`plate.development.temperature_c` is 68", "68 °F are 20.0 °C"],
    );
    slip("temperature_c = 20.0", "temperature_c = -3", &["`plate.development.temperature_c` is -3", "0 to 50"]);
    slip("minutes = 7.5", "minutes = 0", &["`plate.development.minutes` is 0"]);
    slip("filter_stops = 1.5", "filter_stops = -1", &["`plate.exposure.filter_stops` is -1"]);
    slip("ppi  = 1200", "ppi = 0", &["`positive.ppi` is 0"]);
    slip("rotate   = 180", "rotate = 45", &["`plate.rotate` is 45", "0, 90, 180 or 270"]);
    slip("rotate   = 180", "rotate = -90", &["`plate.rotate` is -90", "clockwise"]);
}

#[test]
fn values_of_another_kind_say_what_is_wanted() {
    slip("ei = 2.0", "ei = \"2\"", &["`plate.exposure.ei` is the text \"2\"", "ei = 2"]);
    slip("aperture = 22", "aperture = \"f/22\"", &["`plate.exposure.aperture`", "aperture = 22"]);
    slip("lens = \"rapid rectilinear\"", "lens = 210", &["`plate.exposure.lens` is the number 210", "in quotes"]);
    slip("title        = \"Lime kiln at the ebb\"", "title = [\"a\"]", &["`session.title` is a list"]);
    slip(
        "[\"captures/blank-*.jpg\"]",
        "\"captures/blank-*.jpg\"",
        &["`copy.blank` is the text", "[\"captures/blank-*.jpg\"]"],
    );
    slip("[20, 20, 300, 200]", "[20, 20, 300]", &["`copy.opaque.rect_px`", "[x, y, width, height]"]);
    slip("[20, 20, 300, 200]", "[20, 20, 0, 200]", &["`copy.opaque.rect_px`", "[x, y, width, height]"]);
    slip("dilution = \"1+15\"", "dilution = 15", &["`plate.development.dilution` is the number 15"]);
    slip("\"away-from-camera\"", "\"away from camera\"", &["`copy.emulsion`", "did you mean \"away-from-camera\"?"]);
    slip("\"away-from-camera\"", "\"down\"", &["`copy.emulsion` is \"down\"", "`toward-camera`, `away-from-camera`"]);
    slip("\"shadows\"", "\"shadow\"", &["`bracket.match` is \"shadow\"", "did you mean \"shadows\"?"]);
    slip("\"plate\"\n", "\"session\"\n", &["`base.scope` is \"session\"", "`batch`, `plate`"]);
}

#[test]
fn tables_in_the_wrong_brackets_are_told() {
    slip("[positive]", "[[positive]]", &["`positive` is a list", "single brackets"]);
    let errors = errors_of("session = 3\n");
    assert!(
        errors.iter().any(|e| e.contains(":1: `session` is the number 3; write [session] on a line")),
        "{errors:#?}"
    );
}

#[test]
fn exposures_take_the_agreed_forms_only() {
    for wrong in ["\"1/2s\"", "\"B\"", "\"1/0\"", "0", "-1", "\"0,5\"", "[1, 4]", "true"] {
        let (notes, line) = with("shutter = \"1/4\"", &format!("shutter = {wrong}"));
        let errors = errors_of(notes);
        assert_eq!(errors.len(), 1, "{errors:#?}");
        assert!(errors[0].starts_with(&format!("session.toml:{line}: `plate.exposure.shutter`")), "{errors:#?}");
    }
}

#[test]
fn an_ambiguous_dilution_or_size_is_spelled_out() {
    slip(
        "dilution = \"1+15\"",
        "dilution = \"1:15\"",
        &["`plate.development.dilution` is \"1:15\"", "\"1+15\"", "\"1+14\""],
    );
    slip("\"1+4\"", "\"1:4\"", &["`plate.development.fixer_dilution` is \"1:4\"", "\"1+4\"", "\"1+3\""]);
    slip(
        "\"half plate (UK)\"",
        "\"half plate\"",
        &["`plate.size` is \"half plate\"", "half plate (UK)", "half plate (US)"],
    );
    slip("\"101x126mm\"", "\"101x126\"", &["`plate.size` is \"101x126\"", "unit"]);
    slip("\"101x126mm\"", "\"qarter plate\"", &["`plate.size`", "did you mean \"quarter plate\"?"]);
}

#[test]
fn dates_and_times_are_whole() {
    slip("2026-03-14\n", "2026-03-14T10:00:00\n", &["`session.date`", "date alone"]);
    slip("2026-03-14\n", "\"14.3.2026\"\n", &["`session.date` is the text \"14.3.2026\"", "2026-03-14"]);
    slip("2026-03-14T15:40:00+00:00", "2026-03-14", &["`plate.exposure.time`", "time of day"]);
    slip("2026-03-14T15:40:00+00:00", "15:40:00", &["`plate.exposure.time`", "2026-03-14T15:40:00+00:00"]);
    slip("2026-03-14T15:40:00+00:00", "2026-02-30T15:40:00", &["not TOML", "day"]);
    slip("2026-03-14T15:40:00+00:00", "2026-03-14T15:40:00+99:00", &[]);
}

#[test]
fn text_that_no_file_can_carry_is_refused() {
    slip("\"A. Nobody\"", "\"A.\\u0000Nobody\"", &["`session.photographer`", "U+0000", "take it out"]);
    slip("\"tide half out", "\"tide\\u001b[31m out", &["`plate.notes`", "U+001B"]);
    slip("\"CC BY 4.0\"", "\"\\uFFFF\"", &["`session.rights`", "U+FFFF"]);
}

#[test]
fn captures_that_are_not_there_name_key_and_pattern() {
    slip("captures/blank-*.jpg", "captures/empty-*.jpg", &["`copy.blank` \"captures/empty-*.jpg\" matches no file"]);
    slip("captures/dark-*.jpg", "captures/dark-3.jpg", &["`copy.dark` \"captures/dark-3.jpg\"", "did you mean"]);
    slip(
        "\"captures/k03.jpg\"]",
        "\"captures/k03.jpeg\"]",
        &["`plate.captures` \"captures/k03.jpeg\" names no file", "k03.jpg"],
    );
    slip("\"captures/k03.jpg\"]", "\"captures\"]", &["`plate.captures` \"captures\" is a folder"]);
    slip("[\"captures/k03.jpg\"]", "[]", &["`plate.captures` is an empty list"]);
    slip("[\"captures/k03.jpg\"]", "[[]]", &["`plate.captures` holds an empty list"]);
    slip("[\"captures/k03.jpg\"]", "[3]", &["`plate.captures` is the number 3"]);
    slip("[\"captures/k03.jpg\"]", "[\"\"]", &["`plate.captures` \"\" is an empty path"]);
    slip(
        "capture = \"captures/k03.jpg\"",
        "capture = \"captures/k0*.jpg\"",
        &["`copy.opaque.capture`", "matches 7 files"],
    );
    slip("[\"captures/k02-b.jpg\"]]", "\"captures/k02-b.jpg\"]", &["`plate.captures` mixes"]);
    slip("tone = \"straight\"", "tone = \"my/tone.toml\"", &["`positive.tone` \"my/tone.toml\" names no file"]);
}

#[test]
fn no_path_leaves_the_folder() {
    for path in ["../*.jpg", "/etc/passwd", "captures/../../x.jpg", "../../../../../../etc/passwd"] {
        for (key, old) in [
            ("copy.blank", "\"captures/blank-*.jpg\""),
            ("plate.captures", "\"captures/k01-*.jpg\""),
            ("copy.opaque.capture", "\"captures/k03.jpg\""),
        ] {
            slip(
                old,
                &format!("\"{path}\""),
                &[&format!("`{key}` \"{path}\""), "leaves the session's folder", "copy the file into"],
            );
        }
    }
    slip("\"linear\"", "\"../camera.toml\"", &["`copy.profile`", "leaves the session's folder"]);
}

#[test]
fn a_capture_serves_one_purpose() {
    slip(
        "\"captures/dark-*.jpg\"",
        "\"captures/blank-1.jpg\"",
        &["captures/blank-1.jpg is a dark and also a blank (line 10)"],
    );
    slip(
        "captures/k03.jpg\"]",
        "captures/blank-2.jpg\"]",
        &["captures/blank-2.jpg is plate K-03 and also a blank (line 10)"],
    );
    slip("captures/k03.jpg\"]", "captures/k01-2.jpg\"]", &["captures/k01-2.jpg is plate K-03 and also plate K-01"]);
    slip("[\"captures/dark-*.jpg\"]", "[\"captures/dark-1.jpg\", \"captures/d*.jpg\"]", &["stands twice in a dark"]);
}

#[cfg(unix)]
#[test]
fn one_file_under_two_names_is_one_file() {
    let dir = folder_with(&FILES, with("captures/k03.jpg\"]", "captures/again.jpg\"]").0);
    std::os::unix::fs::symlink("blank-1.jpg", dir.path().join("captures/again.jpg")).unwrap();
    let errors = load(dir.path()).unwrap_err();
    assert!(errors[0].to_string().contains("is plate K-03 and also a blank"), "{errors:?}");
}

#[test]
fn ids_are_one_each_and_fit_for_folders() {
    for id in ["", "K 1", "K/1", "..", "kiln-é", "compare", "NUL", "com1"] {
        let (notes, line) = with("id       = \"K-02\"", &format!("id = \"{id}\""));
        let errors = errors_of(notes);
        let what = if id.is_empty() { "empty".to_string() } else { format!("\"{id}\"") };
        let first = format!("session.toml:{line}: `plate.id` is {what}");
        assert!(errors.iter().any(|e| e.starts_with(&first)), "{errors:#?}");
    }
}

#[test]
fn ids_that_differ_by_capitals_alone_are_one_folder() {
    let errors = errors_of(WHOLE.replace("\"K-02\"", "\"k-01\""));
    assert!(errors[0].contains("`plate.id` is \"k-01\", which the plate of line 26 is called, too"), "{errors:#?}");
    assert!(errors[0].contains("capitals alone"), "{errors:#?}");
}

#[test]
fn brackets_name_plates_that_there_are() {
    slip(
        "[\"K-01\", \"K-02\"]",
        "[\"K-01\", \"K-20\"]",
        &["`bracket.plates` names plate \"K-20\"", "did you mean \"K-02\"?"],
    );
    slip("[\"K-01\", \"K-02\"]", "[\"K-01\", \"somewhere\"]", &["\"somewhere\"", "`K-01`, `K-02`, `K-03`"]);
    slip("[\"K-01\", \"K-02\"]", "[\"K-01\"]", &["`bracket.plates` names 1 plate"]);
    slip("[\"K-01\", \"K-02\"]", "[\"K-01\", \"K-01\"]", &["names \"K-01\" twice"]);
    slip("plate = \"K-03\"", "plate = \"K-3\"", &["`base.plate` names plate \"K-3\"", "did you mean \"K-03\"?"]);
    let twice = format!("{WHOLE}\n[[bracket]]\nplates = [\"K-01\", \"K-02\"]\n");
    assert!(errors_of(twice)[0].contains("same name to its results as the bracket of line 67"));
}

#[test]
fn the_base_is_read_in_one_way() {
    let patch = "rect_mm = [2.0, 30, 1.5, 40]\nplate = \"K-03\"";
    let (both, line) = with(patch, &format!("{patch}\ndensity = 0.1"));
    let errors = errors_of(both);
    assert!(errors[0].starts_with(&format!("session.toml:{}: `base.density` says in 2 ways", line + 2)), "{errors:#?}");
    assert!(errors[0].ends_with("keep one of `rect_mm`, `density`"), "{errors:#?}");
    assert!(errors_of(with("plate = \"K-03\"\n", "").0)[0].contains("`base.plate` is missing; give rect_mm = [x, y"));
    slip(patch, "density = 7", &["`base.density` is 7", "0 to 3"]);
    slip(patch, "from = \"clear glass\"", &["`base.from`", "`rebate`"]);
}

#[test]
fn corners_make_a_four_sided_plate() {
    let old = "[[10, 12.5], [1000, 9], [1003, 800], [8, 802]]";
    for (new, part) in [
        ("[[10, 12], [1003, 800], [1000, 9], [8, 802]]", "sides cross"),
        ("[[10, 12], [1000, 9], [200, 100], [8, 802]]", "points inwards"),
        ("[[10, 12], [10, 12], [10, 12], [10, 12]]", "no four-sided plate"),
        ("[[10, 12], [1000, 9], [1003, 800]]", "not four points"),
        ("[[10, 12], [1000, 9], [1003, 800], [8]]", "not four points"),
        ("[[10, 12], [1000, 9], [1003, 800], [8, inf]]", "not four points"),
        ("3", "the number 3"),
    ] {
        slip(old, new, &["`plate.corners_px`", part, "[[x, y], [x, y], [x, y], [x, y]]"]);
    }
    slip(
        "rotate   = 180",
        "corners_px = [[0,0],[9,0],[9,9],[0,9]]",
        &["`plate.corners_px` stands on a plate of 3 tiles"],
    );
}

#[test]
fn what_must_be_there_is_asked_for() {
    let errors = errors_of("[[plate]]\n");
    let parts =
        ["`copy` is missing", "`plate.id` is missing", "`plate.size` is missing", "`plate.captures` is missing"];
    for part in parts {
        assert!(errors.iter().any(|error| error.contains(part)), "{part}: {errors:#?}");
    }
    assert_eq!(errors.len(), parts.len(), "{errors:#?}");
    assert!(errors_of("[copy]\nprofile = \"srgb\"\n[[plate]]\n")[0].contains(":1: `copy.blank` is missing"));
    assert!(errors_of("plate = 3\n")[0].contains("double brackets"));
}

/// One run tells all, in the order of the lines.
#[test]
fn all_errors_come_at_once() {
    let notes = WHOLE
        .replace("photographer =", "photograper =")
        .replace("\"linear\"", "3")
        .replace("ppi  = 1200", "ppi = -1")
        .replace("ei = 2.0", "ei = 0")
        .replace("dilution = \"1+15\"", "dilution = \"1:15\"")
        .replace("captures/k03.jpg\"]", "captures/k04.jpg\"]")
        .replace("\"shadows\"", "\"x\"");
    let errors = errors_of(notes);
    let keys = ["photograper", "profile", "ppi", "ei", "dilution", "captures", "match"];
    assert_eq!(errors.len(), keys.len(), "{errors:#?}");
    for (error, key) in errors.iter().zip(keys) {
        assert!(error.contains(key), "{key}: {error}");
    }
}

#[test]
fn what_is_no_toml_names_its_lines() {
    let errors = errors_of("[session]\ntitle = Lime kiln\n[copy]\nblank = [\"a\"\n");
    assert!(errors[0].starts_with("session.toml:2: not TOML: "), "{errors:#?}");
    assert!(errors.iter().all(|error| error.contains("mend the line")), "{errors:#?}");
    let twice = errors_of("[session]\ntitle = \"a\"\ntitle = \"b\"\n");
    assert!(twice[0].starts_with("session.toml:3: not TOML: duplicate key"), "{twice:#?}");
    let slashes = errors_of("[copy]\nblank = [\"captures\\k01.jpg\"]\n");
    assert!(slashes[0].starts_with("session.toml:2: ") && slashes[0].contains("'/'"), "{slashes:#?}");
    assert!(!errors_of(format!("a = {}", "[".repeat(100_000))).is_empty());
}

#[test]
fn what_is_no_text_is_told() {
    let latin = b"[session]\ntitle = \"L\xE4mekiln\"\n";
    assert_eq!(errors_of(latin), ["session.toml:2: byte 0xE4 is not UTF-8 text; save the notes as UTF-8"]);
    assert!(errors_of(b"\xFF\xFE[\0s\0")[0].contains("UTF-16"));
    for empty in ["", " \n\n", "\u{FEFF}"] {
        assert!(errors_of(empty)[0].starts_with("session.toml: is empty"), "{empty:?}");
    }
}

#[test]
fn notes_that_are_not_there_are_missed() {
    let dir = tempfile::tempdir().unwrap();
    for path in [dir.path().to_path_buf(), dir.path().join("other.toml"), dir.path().join("no/where")] {
        let error = load(&path).unwrap_err().remove(0).to_string();
        assert!(error.contains("there are no notes") && error.contains("hyaline new"), "{error}");
    }
    std::fs::create_dir(dir.path().join("session.toml")).unwrap();
    assert!(load(dir.path()).unwrap_err()[0].to_string().contains("no plain file"));
    #[cfg(unix)]
    assert!(load("/dev/zero".as_ref()).unwrap_err()[0].to_string().contains("no plain file"));
}
