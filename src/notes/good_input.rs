//! Tests: notes that are right are read to the last key.

use super::*;
use crate::geometry::Point;

/// A session's folder with these captures, all of them empty files: notes never open them.
pub(super) fn folder_with(files: &[&str], notes: impl AsRef<[u8]>) -> tempfile::TempDir {
    let dir = tempfile::tempdir().unwrap();
    for file in files {
        let path = dir.path().join(file);
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        std::fs::write(path, "").unwrap();
    }
    std::fs::write(dir.path().join("session.toml"), notes).unwrap();
    dir
}

pub(super) const FILES: [&str; 10] = [
    "captures/blank-1.jpg",
    "captures/blank-2.jpg",
    "captures/dark-1.jpg",
    "captures/k01-1.jpg",
    "captures/k01-2.jpg",
    "captures/k01-10.jpg",
    "captures/k02-a-long.jpg",
    "captures/k02-a-short.jpg",
    "captures/k02-b.jpg",
    "captures/k03.jpg",
];

/// Every key once.
pub(super) const WHOLE: &str = r#"
[session]
title        = "Lime kiln at the ebb"
date         = 2026-03-14
place        = "North bank, salt marsh"
photographer = "A. Nobody"
rights       = "CC BY 4.0"

[copy]
blank    = ["captures/blank-*.jpg"]
dark     = ["captures/dark-*.jpg"]
profile  = "linear"
emulsion = "away-from-camera"
opaque   = { capture = "captures/k03.jpg", rect_px = [20, 20, 300, 200] }

[base]
rect_mm = [2.0, 30, 1.5, 40]
plate = "K-03"
scope = "plate"

[positive]
tone = "straight"
ppi  = 1200

[[plate]]
id       = "K-01"
size     = "4¾×6½in"
captures = ["captures/k01-*.jpg"]
rotate   = 180
notes    = "tide half out, wind from the west"

[plate.exposure]
ei = 2.0
shutter = "1/4"
aperture = 22
focal_length_mm = 210.0
lens = "rapid rectilinear"
filter = "yellow"
filter_stops = 1.5
bellows_mm = 225.0
time = 2026-03-14T15:40:00+00:00
latitude = 54.1
longitude = -2.8
holder = "7 left"

[plate.development]
developer = "metol-hydroquinone"
dilution = "1+15"
temperature_c = 20.0
minutes = 7.5
agitation = "continuous tray"
fixer_dilution = "1+4"
fix_minutes = 8

[[plate]]
id       = "K-02"
size     = "half plate (UK)"
captures = [["captures/k02-a-*.jpg"], ["captures/k02-b.jpg"]]
exposure = { shutter = 0.25, time = 2026-03-14 15:40 }

[[plate]]
id       = "K-03"
size     = "101x126mm"
captures = ["captures/k03.jpg"]
corners_px = [[10, 12.5], [1000, 9], [1003, 800], [8, 802]]

[[bracket]]
plates = ["K-01", "K-02"]
match  = "shadows"
"#;

#[test]
fn every_key_arrives_in_its_place() {
    let dir = folder_with(&FILES, WHOLE);
    let session = load(dir.path()).unwrap();
    assert_eq!(session, load(&dir.path().join("session.toml")).unwrap());
    assert_eq!(session.file, session.folder.join("session.toml"));

    let about = About {
        title: "Lime kiln at the ebb".into(),
        date: Some("2026-03-14".into()),
        place: Some("North bank, salt marsh".into()),
        photographer: Some("A. Nobody".into()),
        rights: Some("CC BY 4.0".into()),
    };
    assert_eq!(session.about, about);

    let file = |name: &str| session.folder.join("captures").join(name);
    let copy = Copying {
        blanks: vec![file("blank-1.jpg"), file("blank-2.jpg")],
        darks: vec![file("dark-1.jpg")],
        profile: "linear".into(),
        emulsion: Emulsion::AwayFromCamera,
        emulsion_stated: true,
        opaque: Some(Opaque { capture: file("k03.jpg"), rect_px: [20.0, 20.0, 300.0, 200.0] }),
    };
    assert_eq!(session.copy, copy);
    let patch = BaseFrom::Patch { plate: "K-03".into(), rect_mm: [2.0, 30.0, 1.5, 40.0] };
    assert_eq!(session.base, BaseNotes { from: patch, scope: BaseScope::Plate });
    assert_eq!(session.positive, PositiveNotes { tone: "straight".into(), ppi: Some(1200.0) });

    let [first, second, third] = session.plates.as_slice() else { panic!() };
    assert_eq!((first.id.as_str(), first.line, first.rotate), ("K-01", 25, 180));
    assert_eq!(first.captures, ["k01-1.jpg", "k01-2.jpg", "k01-10.jpg"].map(|name| vec![file(name)]));
    assert_eq!(first.size, PlateSize { name: "4¾×6½in".into(), short_mm: 120.65, long_mm: 165.1 });
    assert_eq!(first.notes.as_deref(), Some("tide half out, wind from the west"));
    let exposure = Exposure {
        ei: Some(2.0),
        shutter: Some("1/4".into()),
        shutter_s: Some(0.25),
        aperture: Some(22.0),
        focal_length_mm: Some(210.0),
        lens: Some("rapid rectilinear".into()),
        filter: Some("yellow".into()),
        filter_stops: Some(1.5),
        bellows_mm: Some(225.0),
        time: Some("2026-03-14T15:40:00+00:00".into()),
        latitude: Some(54.1),
        longitude: Some(-2.8),
        holder: Some("7 left".into()),
    };
    assert_eq!(first.exposure, exposure);
    let development = Development {
        developer: Some("metol-hydroquinone".into()),
        dilution: Some("1+15".into()),
        temperature_c: Some(20.0),
        minutes: Some(7.5),
        agitation: Some("continuous tray".into()),
        fixer_dilution: Some("1+4".into()),
        fix_minutes: Some(8.0),
    };
    assert_eq!(first.development, development);

    assert_eq!(second.captures, [vec![file("k02-a-long.jpg"), file("k02-a-short.jpg")], vec![file("k02-b.jpg")]]);
    let exposure = Exposure {
        shutter: Some("0.25".into()),
        shutter_s: Some(0.25),
        time: Some("2026-03-14T15:40:00".into()),
        ..Default::default()
    };
    assert_eq!(second.exposure, exposure);
    assert_eq!(second.development, Development::default());
    assert_eq!((third.size.short_mm, third.size.long_mm), (101.0, 126.0));
    let corners = [[10.0, 12.5], [1000.0, 9.0], [1003.0, 800.0], [8.0, 802.0]].map(Point::from);
    assert_eq!(third.corners_px, Some(corners));
    let bracket = Bracket { line: 67, plates: vec!["K-01".into(), "K-02".into()], matching: Matching::Shadows };
    assert_eq!(session.brackets, [bracket]);
}

#[test]
fn what_may_be_left_out_has_its_default() {
    let notes = "[copy]\nblank = [\"captures/blank-1.jpg\"]\n[[plate]]\nid = \"K\"\nsize = \"4x5in\"\ncaptures = [\"captures/k03.jpg\"]\n";
    let dir = folder_with(&FILES, notes);
    let session = load(dir.path()).unwrap();
    assert_eq!(session.about.title, dir.path().file_name().unwrap().to_str().unwrap());
    assert_eq!((session.copy.profile.as_str(), session.copy.emulsion), ("srgb", Emulsion::TowardCamera));
    assert!(!session.copy.emulsion_stated && session.copy.opaque.is_none() && session.brackets.is_empty());
    assert_eq!(session.base, BaseNotes { from: BaseFrom::Rebate, scope: BaseScope::Batch });
    assert_eq!(session.positive, PositiveNotes { tone: "paper".into(), ppi: None });
    assert_eq!(session.plates[0].exposure, Exposure::default());
}

/// Editors of other systems put a mark at the start and two characters at each line's end.
#[test]
fn notes_of_other_systems_read_the_same() {
    let dir = folder_with(&FILES, WHOLE);
    let plain = load(dir.path()).unwrap();
    std::fs::write(dir.path().join("session.toml"), format!("\u{FEFF}{}", WHOLE.replace('\n', "\r\n"))).unwrap();
    assert_eq!(load(dir.path()).unwrap(), plain);
}

/// Two small plates may lie in one frame, if each marks its own corners.
#[test]
fn plates_with_their_own_corners_may_share_a_frame() {
    let shared =
        WHOLE.replace("[\"captures/k01-*.jpg\"]", "[\"captures/k03.jpg\"]\ncorners_px = [[0,0],[9,0],[9,9],[0,9]]");
    assert!(load(folder_with(&FILES, shared).path()).is_ok());
}

/// Tiles come in the same order however the notes list them.
#[test]
fn the_order_of_captures_does_not_matter() {
    let listed = WHOLE.replace(
        "[\"captures/k01-*.jpg\"]",
        "[\"captures/k01-10.jpg\", \"captures/k01-2.jpg\", \"captures/k01-1.jpg\"]",
    );
    let (one, two) = (folder_with(&FILES, WHOLE), folder_with(&FILES, listed));
    let names = |session: Session| {
        let tiles = session.plates[0].captures.concat();
        tiles.iter().map(|file| session.relative(file)).collect::<Vec<_>>()
    };
    assert_eq!(names(load(one.path()).unwrap()), names(load(two.path()).unwrap()));
}
