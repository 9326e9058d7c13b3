//! Tests: whole folders of frames into notes that read as they should.

use super::*;
use crate::demo::encode::{self, Shot as Made};
use crate::demo::noise::hash;
use crate::image::{Image, Size};
use crate::notes::good_input::{FILES, folder_with};
use crate::notes::print::tests::{laid_into, sessions, without_lines};
use proptest::prelude::*;

/// Light at places from (0, 0) to (1, 1).
pub(super) fn picture(rows: usize, columns: usize, light: impl Fn(f64, f64) -> f64 + Sync) -> Image<f32> {
    Image::from_rows(Size::new(rows, columns), 0f32, |r, out| {
        for (c, v) in out.iter_mut().enumerate() {
            *v = light(c as f64 / columns as f64, r as f64 / rows as f64) as f32;
        }
    })
}

/// A part of an endless plate, from the corner at x, y (in frames): blocks of densities from 0.2 to 1.4.
pub(super) fn scene(x: f64, y: f64, exposure: f64) -> Image<f32> {
    picture(600, 800, move |u, v| {
        let block = |n: f64, seed: u32| hash(((u + x) * n).floor() as i32, ((v + y) * n).floor() as i32, seed);
        (exposure * 10f64.powf(-0.2 - 0.7 * block(11.0, 5) - 0.5 * block(29.0, 6))).min(1.0)
    })
}

fn panel() -> Image<f32> {
    picture(600, 800, |u, v| 0.75 - 0.2 * ((u - 0.5).powi(2) + (v - 0.5).powi(2)))
}

/// Writes a frame as a phone would, at some minute and second of the day.
fn put(folder: &Path, name: &str, light: &Image<f32>, time_s: f64, at: (usize, usize)) {
    let shot = Made {
        model: "Pocket 12".into(),
        lens: "fixed".into(),
        time_s,
        f_number: 1.9,
        iso: 32,
        focal_mm: 5.6,
        focal_35mm: 27,
        taken: format!("2026:05:09 19:{:02}:{:02}", at.0, at.1),
        orientation: 1,
    };
    let samples: Vec<f32> = light.pixels().iter().flat_map(|v| [*v; 3]).collect();
    let path = folder.join(name);
    std::fs::create_dir_all(path.parent().unwrap()).unwrap();
    std::fs::write(path, encode::jpeg(&samples, light.size(), &shot).unwrap()).unwrap();
}

fn wishes() -> Wishes {
    Wishes { size: Some(sizes::parse("4.75x6.5in").unwrap()), ..Wishes::default() }
}

fn drafted(dir: &tempfile::TempDir, wishes: &Wishes, rows: Option<&[Row]>) -> Draft {
    let file = dir.path().canonicalize().unwrap().join(FILE_NAME);
    draft(&file, wishes, rows).unwrap_or_else(|errors| panic!("{errors:#?}"))
}

fn read_back(draft: &Draft) -> Session {
    let text = text(draft);
    std::fs::write(&draft.session.file, &text).unwrap();
    load(&draft.session.file).unwrap_or_else(|errors| panic!("{errors:#?}\n{text}"))
}

/// Id and tiles with their exposures, by bare names.
fn plates(session: &Session) -> Vec<(String, Vec<Vec<String>>)> {
    let tile = |tile: &Vec<PathBuf>| tile.iter().map(|file| crate::panel::name(file)).collect();
    session.plates.iter().map(|p| (p.id.clone(), p.captures.iter().map(tile).collect())).collect()
}

fn expected(plates: &[(&str, &[&[&str]])]) -> Vec<(String, Vec<Vec<String>>)> {
    let tile = |tile: &&[&str]| tile.iter().map(|name| name.to_string()).collect();
    plates.iter().map(|(id, tiles)| (id.to_string(), tiles.iter().map(tile).collect())).collect()
}

/// The demo's notes were written by hand: what is drafted for its frames must group them in the same way.
#[test]
fn the_demos_captures_are_grouped_as_its_own_notes_group_them() {
    let dir = tempfile::tempdir().unwrap();
    crate::demo::write(dir.path(), &crate::demo::Options { detail: 0.12, blanks: 2, tiles: true }, &|_| {}).unwrap();
    // The profile that its notes name is made from its frames, which are too small here; how captures are grouped does not hang on it.
    let profile = dir.path().join(crate::demo::session::PROFILE);
    std::fs::create_dir(profile.parent().unwrap()).unwrap();
    std::fs::write(&profile, include_str!("../../../profiles/srgb.toml")).unwrap();
    let own = load(dir.path()).unwrap();
    std::fs::remove_file(&own.file).unwrap();
    let draft = drafted(&dir, &wishes(), None);
    assert!(draft.errors.is_empty() && draft.missing().is_empty(), "{:?} {:?}", draft.errors, draft.missing());
    assert!(draft.plates.iter().all(|plate| plate.blanks == 2 && !plate.guess), "{:#?}", draft.plates);
    let again = read_back(&draft);
    assert_eq!((&again.copy.blanks, &again.copy.darks), (&own.copy.blanks, &own.copy.darks));
    assert_eq!(plates(&again), plates(&own));
    assert!(text(&draft).contains("captures = [\"captures/k05-*.jpg\"]"), "{}", text(&draft));
}

fn phone() -> tempfile::TempDir {
    let dir = tempfile::tempdir().unwrap();
    let put = |number: usize, light: &Image<f32>, time_s: f64, at| {
        put(dir.path(), &format!("captures/IMG_{number:04}.JPG"), light, time_s, at);
    };
    put(11, &panel(), 0.1, (0, 0));
    put(12, &scene(0.0, 0.0, 0.8), 0.1, (1, 0));
    put(13, &scene(0.6, 0.02, 0.8), 0.1, (1, 20));
    put(14, &picture(600, 800, |_, _| 0.2), 0.1, (1, 40));
    put(15, &scene(0.61, 0.6, 0.8), 0.1, (1, 59));
    put(16, &scene(90.0, 3.0, 0.2), 0.1, (3, 0));
    put(17, &scene(90.0, 3.0, 0.8), 0.4, (3, 5));
    put(18, &scene(50.0, 60.0, 0.8), 0.1, (5, 0));
    put(19, &picture(600, 800, |_, _| 0.0), 0.1, (6, 0));
    put(20, &panel(), 0.1, (7, 0));
    dir
}

/// Two blanks, a dark, a plate of four tiles (one of even sky), a plate copied at two exposures, a plate in one frame.
#[test]
fn frames_as_a_phone_names_them_are_grouped_by_what_they_show() {
    let dir = phone();
    let draft = drafted(&dir, &wishes(), None);
    let names = |files: &[PathBuf]| files.iter().map(|file| crate::panel::name(file)).collect::<Vec<_>>();
    assert_eq!(names(&draft.session.copy.blanks), ["IMG_0011.JPG", "IMG_0020.JPG"]);
    assert_eq!(names(&draft.session.copy.darks), ["IMG_0019.JPG"]);
    let tiles: &[&[&str]] = &[&["IMG_0012.JPG"], &["IMG_0013.JPG"], &["IMG_0014.JPG"], &["IMG_0015.JPG"]];
    let found: [(&str, &[&[&str]]); 3] =
        [("P-01", tiles), ("P-02", &[&["IMG_0016.JPG", "IMG_0017.JPG"]]), ("P-03", &[&["IMG_0018.JPG"]])];
    assert_eq!(plates(&read_back(&draft)), expected(&found));
    assert_eq!(draft.plates.iter().map(|plate| plate.guess).collect::<Vec<_>>(), [true, true, false]);
    assert!(text(&draft).contains("# A guess: these frames overlap"), "{}", text(&draft));
}

/// A folder lists its files in whatever order; copying them anew, last first, must change nothing.
#[test]
fn the_order_in_the_folder_does_not_matter() {
    let (one, other) = (phone(), tempfile::tempdir().unwrap());
    let session = other.path().join("captures");
    std::fs::create_dir(&session).unwrap();
    for number in (11..=20).rev() {
        let name = format!("IMG_{number:04}.JPG");
        std::fs::copy(one.path().join("captures").join(&name), session.join(&name)).unwrap();
    }
    let wishes = Wishes { title: Some("T".into()), ..wishes() };
    assert_eq!(text(&drafted(&one, &wishes, None)), text(&drafted(&other, &wishes, None)));
}

#[test]
fn named_copy_exposures_are_found_by_their_words_or_by_what_they_show() {
    let dir = tempfile::tempdir().unwrap();
    for (name, exposure) in
        [("k01-a-short.jpg", 0.2), ("k01-a-long.jpg", 0.8), ("k01-b-short.jpg", 0.2), ("k01-b-long.jpg", 0.8)]
    {
        put(dir.path(), name, &scene(if name.contains("-a-") { 0.0 } else { 0.6 }, 0.0, exposure), exposure, (1, 0));
    }
    for (name, x, exposure) in
        [("k02-1.jpg", 9.0, 0.2), ("k02-2.jpg", 9.0, 0.8), ("k02-3.jpg", 9.6, 0.2), ("k02-4.jpg", 9.6, 0.8)]
    {
        put(dir.path(), name, &scene(x, 0.0, exposure), exposure, (2, 0));
    }
    put(dir.path(), "blank-1.jpg", &panel(), 0.2, (0, 0));
    let found: [(&str, &[&[&str]]); 2] = [
        ("K-01", &[&["k01-a-long.jpg", "k01-a-short.jpg"], &["k01-b-long.jpg", "k01-b-short.jpg"]]),
        ("K-02", &[&["k02-1.jpg", "k02-2.jpg"], &["k02-3.jpg", "k02-4.jpg"]]),
    ];
    assert_eq!(plates(&read_back(&drafted(&dir, &wishes(), None))), expected(&found));
}

/// "march-14-01", "march-14-02" …: the same words before every number are no plate's name unless the frames overlap.
#[test]
fn a_name_that_all_frames_share_is_tried_against_what_they_show() {
    let dir = tempfile::tempdir().unwrap();
    for (name, x) in [("march-14-01.jpg", 0.0), ("march-14-02.jpg", 30.0), ("march-14-03.jpg", 60.0)] {
        put(dir.path(), name, &scene(x, 0.0, 0.8), 0.1, (1, 0));
    }
    let draft = drafted(&dir, &wishes(), None);
    let ids: Vec<&str> = draft.session.plates.iter().map(|plate| plate.id.as_str()).collect();
    assert_eq!(ids, ["march-14-01", "march-14-02", "march-14-03"]);
    assert_eq!(draft.missing().len(), 1, "the blank: {:?}", draft.missing());
}

fn rows(csv: &str) -> (tempfile::TempDir, Vec<Row>) {
    let dir = tempfile::tempdir().unwrap();
    std::fs::write(dir.path().join("field.csv"), csv).unwrap();
    let rows = field::read(&dir.path().join("field.csv")).unwrap_or_else(|errors| panic!("{errors:#?}"));
    (dir, rows)
}

#[test]
fn field_notes_name_plates_and_tell_what_is_left_over() {
    let dir = tempfile::tempdir().unwrap();
    for name in ["k01.jpg", "IMG_0007.jpg", "IMG_0008.jpg", "k9.jpg", "blank-1.jpg"] {
        put(dir.path(), name, &scene(1.0, 0.0, 0.8), 0.1, (1, 0));
    }
    let csv = "id,captures,size,rotate,ei,shutter,time\n\
               Kiln-A,img_0007.JPG IMG_0008 IMG_0099.jpg,half plate (UK),180,2,1/4,2026-03-14T15:40:00+00:00\n\
               K-1,,,,4,3,2026-03-14T16:00:00+00:00\nK-3,,,,4,3,\n";
    let (_csv, rows) = rows(csv);
    let draft = drafted(&dir, &wishes(), Some(&rows));
    let session = read_back(&draft);
    let tiles: &[&[&str]] = &[&["IMG_0007.jpg"], &["IMG_0008.jpg"]];
    let found: [(&str, &[&[&str]]); 3] = [("K-1", &[&["k01.jpg"]]), ("K-9", &[&["k9.jpg"]]), ("Kiln-A", tiles)];
    assert_eq!(plates(&session), expected(&found));
    let kiln = session.plate("Kiln-A").unwrap();
    assert_eq!((kiln.size.name.as_str(), kiln.rotate, kiln.exposure.ei), ("half plate (UK)", 180, Some(2.0)));
    assert_eq!(session.plate("K-1").unwrap().size.name, "4.75x6.5in");
    assert_eq!(session.about.date.as_deref(), Some("2026-03-14"));
    assert_eq!(draft.without_frames, [("K-3".to_string(), 4)]);
    assert_eq!(draft.without_record, ["K-9"]);
    assert!(draft.warnings.len() == 1 && draft.warnings[0].message.contains("IMG_0099.jpg"), "{:?}", draft.warnings);
}

#[test]
fn a_frame_that_cannot_be_decoded_is_told_and_the_others_are_grouped() {
    let dir = tempfile::tempdir().unwrap();
    put(dir.path(), "IMG_0001.jpg", &scene(0.0, 0.0, 0.8), 0.1, (1, 0));
    put(dir.path(), "IMG_0002.jpg", &scene(30.0, 0.0, 0.8), 0.1, (2, 0));
    let whole = std::fs::read(dir.path().join("IMG_0002.jpg")).unwrap();
    std::fs::write(dir.path().join("IMG_0002.jpg"), &whole[..whole.len() / 3]).unwrap();
    std::fs::write(dir.path().join("IMG_0003.jpg"), b"").unwrap();
    std::fs::write(dir.path().join("letter.txt"), b"mine").unwrap();
    let draft = drafted(&dir, &wishes(), None);
    assert_eq!(plates(&draft.session), expected(&[("P-01", &[&["IMG_0001.jpg"]])]));
    let errors: String = draft.errors.iter().map(|error| format!("{error}\n")).collect();
    assert!(draft.errors.len() == 2 && errors.contains("IMG_0002.jpg") && errors.contains("IMG_0003.jpg"), "{errors}");
    assert_eq!(draft.aside, [Aside { file: "letter.txt".into(), why: "no frame".into() }]);
}

/// Without a size the notes are no session yet, and the check says which key is missing.
#[test]
fn what_is_missing_is_said_by_the_draft_and_by_the_check() {
    let dir = tempfile::tempdir().unwrap();
    put(dir.path(), "captures/k01.jpg", &scene(0.0, 0.0, 0.8), 0.1, (1, 0));
    let draft = drafted(&dir, &Wishes::default(), None);
    assert!(
        draft.missing()[0].contains("blank") && draft.missing()[1].contains("size of K-01"),
        "{:?}",
        draft.missing()
    );
    std::fs::write(&draft.session.file, text(&draft)).unwrap();
    let errors: Vec<String> = load(dir.path()).unwrap_err().iter().map(ToString::to_string).collect();
    assert!(errors.len() == 2, "{errors:#?}");
    assert!(
        errors[0].contains("`copy.blank` is missing") && errors[1].contains("`plate.size` is missing"),
        "{errors:#?}"
    );
    let filled = text(&draft).replace("# size = \"\"", "size = \"4x5in\"").replace("# blank = ", "blank = ");
    put(dir.path(), "captures/blank-1.jpg", &panel(), 0.1, (0, 0));
    std::fs::write(&draft.session.file, filled).unwrap();
    assert_eq!(plates(&load(dir.path()).unwrap()), expected(&[("K-01", &[&["k01.jpg"]])]));
}

#[test]
fn folders_without_plates_are_errors() {
    let dir = tempfile::tempdir().unwrap();
    let file = dir.path().canonicalize().unwrap().join(FILE_NAME);
    let said = || draft(&file, &wishes(), None).unwrap_err().iter().map(ToString::to_string).collect::<String>();
    assert!(said().contains("holds no frame that can be read"), "{}", said());
    put(dir.path(), "blank-1.jpg", &panel(), 0.1, (0, 0));
    assert!(said().contains("none is of a plate"), "{}", said());
}

/// Names of one plate, as entries of its list.
fn entries_of(names: &[&str], others: &[&str]) -> String {
    let dir = folder_with(&[names, others].concat(), "");
    let folder = dir.path().canonicalize().unwrap();
    let session = Session { folder: folder.clone(), ..some_session() };
    let files: Vec<PathBuf> = names.iter().map(|name| folder.join(name)).collect();
    write::entries(&session, &files).join(", ")
}

fn some_session() -> Session {
    let dir = folder_with(&FILES, crate::notes::good_input::WHOLE);
    load(dir.path()).unwrap()
}

#[test]
fn a_glob_stands_only_for_exactly_the_files_that_are_meant() {
    assert_eq!(
        entries_of(&["captures/k01-1.jpg", "captures/k01-2.jpg"], &["captures/k02.jpg"]),
        "\"captures/k01-*.jpg\""
    );
    assert_eq!(entries_of(&["c/k1a.jpg", "c/k1b.jpg"], &["c/k1c.png", "c/.k1d.jpg"]), "\"c/k1*.jpg\"");
    // Another file would match, numbers would be cut, nothing in common, one alone, brackets in the name.
    assert_eq!(entries_of(&["c/k1-1.jpg", "c/k1-2.jpg"], &["c/k1-x.jpg"]), "\"c/k1-1.jpg\", \"c/k1-2.jpg\"");
    assert_eq!(entries_of(&["c/IMG_10.jpg", "c/IMG_11.jpg"], &["c/IMG_20.jpg"]), "\"c/IMG_10.jpg\", \"c/IMG_11.jpg\"");
    assert_eq!(entries_of(&["captures/a.jpg", "captures/b.jpg"], &[]), "\"captures/a.jpg\", \"captures/b.jpg\"");
    assert_eq!(entries_of(&["c/k1.jpg"], &[]), "\"c/k1.jpg\"");
    assert_eq!(entries_of(&["c/k[1]a.jpg", "c/k[1]b.jpg"], &[]), "\"c/k[1]a.jpg\", \"c/k[1]b.jpg\"");
    assert_eq!(entries_of(&["c/K-1/a.jpg", "c/K-1/b.jpg", "c/x.dng"], &[]), "\"c/K-1/*.jpg\", \"c/x.dng\"");
}

/// Quotes and letters of all alphabets in names; a session of them reads back.
#[cfg(unix)]
#[test]
fn names_are_written_so_that_they_read_back() {
    let dir = tempfile::tempdir().unwrap();
    for name in [
        "captures/k'1\"-ü.jpg",
        "captures/kalk\\ofen 7.jpg",
        "captures/窯.jpg",
        "captures/#3 = [copy].jpg",
        "captures/blank.jpg",
    ] {
        put(dir.path(), name, &scene(0.0, 0.0, 0.8), 0.1, (1, 0));
    }
    let title = Some("\"Ebb\"\n[copy] # 窯".to_string());
    let draft = drafted(&dir, &Wishes { title: title.clone(), ..wishes() }, None);
    let again = read_back(&draft);
    assert_eq!(without_lines(again.clone()), draft.session);
    assert_eq!(Some(again.about.title), title);
}

/// A session as a draft can hold one.
fn drafts() -> impl Strategy<Value = Session> {
    sessions().prop_map(|mut session| {
        session.about = About { title: session.about.title, date: session.about.date, ..About::default() };
        session.copy.opaque = None;
        session.copy.emulsion =
            if session.copy.emulsion_stated { session.copy.emulsion } else { Emulsion::TowardCamera };
        session.base = BaseNotes { from: BaseFrom::Rebate, scope: BaseScope::Batch };
        session.positive.ppi = None;
        session.plates.iter_mut().for_each(|plate| plate.corners_px = None);
        session.brackets.clear();
        session
    })
}

proptest! {
    #[test]
    fn any_draft_written_and_read_is_the_same(session in drafts(), why in any::<String>()) {
        let dir = folder_with(&FILES, "");
        let session = laid_into(&dir.path().canonicalize().unwrap(), session);
        let reasons = Reasons { why: vec![why.clone(), why], guess: true, blanks: 0 };
        let draft = Draft {
            blanks: vec![By::Name; session.copy.blanks.len()],
            darks: vec![By::Content; session.copy.darks.len()],
            plates: vec![reasons; session.plates.len()],
            session,
            aside: vec![],
            without_frames: vec![("K-77".into(), 3)],
            without_record: vec![],
            warnings: vec![],
            errors: vec![],
        };
        prop_assert_eq!(without_lines(read_back(&draft)), draft.session);
    }
}
