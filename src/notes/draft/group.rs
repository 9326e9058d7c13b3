//! Frames grouped into blanks, darks, and the tiles and copy exposures of plates.
//!
//! In: the frames, rows of field notes if there are any, and [`Looks`] to look at those whose names leave it open. Out: [`Grouped`], with a
//! reason for everything. What is known by words comes first: frames that the field notes name, then names; then what the
//! frames show, with the camera's clock. Frames that cannot be decoded are left out. The order of the frames does not matter.

use super::look::{Lie, Looks, Shows};
use super::names::{self, Clue, Named};
use super::shots::Shot;
use crate::notes::field::Row;
use crate::notes::paths::natural;
use crate::notes::plates;
use std::collections::BTreeMap;
use std::path::Path;

/// Why a frame counts as a blank or a dark.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum By {
    Name,
    Content,
}

/// The frames of one plate; numbers count the shots.
#[derive(Debug, Clone, PartialEq)]
pub struct Plate {
    pub id: String,
    /// Tiles, each with its copy exposures.
    pub tiles: Vec<Vec<usize>>,
    /// The row of the field notes.
    pub row: Option<usize>,
    /// How it was put together, a sentence each.
    pub why: Vec<String>,
    /// Whether a person should look it over.
    pub guess: bool,
}

#[derive(Debug, Default)]
pub struct Grouped {
    pub blanks: Vec<(usize, By)>,
    pub darks: Vec<(usize, By)>,
    pub plates: Vec<Plate>,
}

/// Frames further apart than this in time are not taken for tiles of one plate, seconds: nobody leaves a plate so long between two.
const LONGEST_PAUSE: f64 = 1200.0;
/// How many frames after a frame are compared with it: more than the longest row of tiles and its copy exposures.
const REACH: usize = 24;
/// Least light of a blank against the brightest even frame of its camera at the same exposure. Less is a part of a plate without
/// a picture in it.
const BLANK_LIGHT: f64 = 0.6;
/// Exposures are one and the same within this factor.
const SAME_EXPOSURE: f64 = 1.1;

/// A frame of a plate, with what its name says beyond the plate's own.
#[derive(Debug, Clone)]
struct Part {
    shot: usize,
    named: Named,
}

/// Parts that likely belong to one plate.
#[derive(Debug, Default)]
struct Heap {
    parts: Vec<Part>,
    row: Option<usize>,
    why: String,
}

pub fn group(shots: &[Shot], rows: &[Row], looks: &mut Looks) -> Grouped {
    let mut grouped = Grouped::default();
    // Keyed by folder and base, so that two cameras' folders stay apart.
    let mut sure: BTreeMap<(String, String), Heap> = BTreeMap::new();
    let mut open: BTreeMap<(String, String), Vec<Part>> = BTreeMap::new();
    for (shot, of) in shots.iter().enumerate() {
        let clue = names::clue(&of.name);
        let folder = of.name.rsplit_once('/').map_or("", |(folder, _)| folder).to_string();
        if let Some((row, why)) = row_of(&of.name, rows) {
            let named = match clue {
                Clue::Plate(named) => named,
                _ => Named::default(),
            };
            let heap = sure.entry((String::new(), format!("row {row:06}"))).or_default();
            heap.parts.push(Part { shot, named });
            (heap.row, heap.why) = (Some(row), why);
            continue;
        }
        match clue {
            Clue::Blank => grouped.blanks.push((shot, By::Name)),
            Clue::Dark => grouped.darks.push((shot, By::Name)),
            Clue::Plate(named) if named.sure => {
                let heap = sure.entry((folder, named.base.to_lowercase())).or_default();
                heap.why = format!("by name: {}", named.base);
                heap.parts.push(Part { shot, named });
            }
            Clue::Plate(named) => {
                open.entry((folder, named.base.to_lowercase())).or_default().push(Part { shot, named });
            }
            Clue::Nothing => {
                open.entry((folder, String::new())).or_default().push(Part { shot, named: Named::default() });
            }
        }
    }
    let lone = lone_base(&mut sure, &mut open);
    let open: Vec<Vec<Part>> = open.into_values().map(|parts| by_content(shots, parts, looks, &mut grouped)).collect();
    let mut plates: Vec<Draft> = sure.into_values().map(|heap| by_name(shots, rows, heap, looks)).collect();
    for parts in open {
        let found = by_overlap(shots, parts, looks);
        plates.extend(if lone { together(found) } else { found });
    }
    plates.retain(|plate| !plate.tiles.is_empty());
    grouped.plates = with_ids(shots, plates);
    for list in [&mut grouped.blanks, &mut grouped.darks] {
        list.sort_by(|a, b| natural(&shots[a.0].file, &shots[b.0].file));
    }
    grouped
}

/// The row of the field notes that a frame belongs to: it names the frame, or its id begins the frame's name or is its folder's.
fn row_of(name: &str, rows: &[Row]) -> Option<(usize, String)> {
    if let Some(row) = rows.iter().position(|row| row.captures.iter().any(|capture| is_called(name, capture))) {
        return Some((row, format!("named in line {} of the field notes", rows[row].line)));
    }
    let own = |row: &Row| {
        let folder = names::folders(name).any(|folder| {
            names::tokens(folder).len() == names::tokens(&row.id).len() && names::begins_with(folder, &row.id)
        });
        row.captures.is_empty() && (names::begins_with(names::stem(name), &row.id) || folder)
    };
    // "K-1-2" comes before "K-1".
    let longest = |row: &usize| (names::tokens(&rows[*row].id).len(), usize::MAX - row);
    let row = (0..rows.len()).filter(|row| own(&rows[*row])).max_by_key(longest)?;
    Some((row, format!("by name: it is that of {} in the field notes", rows[row].id)))
}

/// Whether a capture that the field notes name is this frame: by its path, its name, or its name without the ending.
fn is_called(name: &str, capture: &str) -> bool {
    let plain = |text: &str| text.replace('\\', "/").to_lowercase();
    let (full, capture) = (plain(name), plain(capture));
    full == capture || full.rsplit('/').next() == Some(&capture) || names::stem(&full) == capture
}

/// Whether a frame is there that the field notes name.
pub fn is_there(capture: &str, shots: &[Shot]) -> bool {
    shots.iter().any(|shot| is_called(&shot.name, capture))
}

/// A base that all frames share says nothing of which belong together: "march-14-01" to "march-14-60" are plates. What they show
/// is asked then, and whether that is so is returned.
fn lone_base(sure: &mut BTreeMap<(String, String), Heap>, open: &mut BTreeMap<(String, String), Vec<Part>>) -> bool {
    if sure.len() != 1 || !open.is_empty() {
        return false;
    }
    let indexed = |part: &Part| part.named.index.is_some() && part.named.exposure.is_none();
    let lone = |heap: &Heap| heap.row.is_none() && heap.parts.len() > 1 && heap.parts.iter().all(indexed);
    if !sure.values().all(lone) {
        return false;
    }
    open.extend(std::mem::take(sure).into_iter().map(|(key, heap)| (key, heap.parts)));
    true
}

/// Frames of one base of which some overlap are tiles of one plate, with those that overlap none.
fn together(mut plates: Vec<Draft>) -> Vec<Draft> {
    let Some(tiled) = plates.iter().position(|plate| plate.tiles.len() > 1) else { return plates };
    let mut whole = plates.swap_remove(tiled);
    if !plates.is_empty() {
        whole.why.push("by name: so are those that overlap none".into());
    }
    whole.tiles.extend(plates.into_iter().flat_map(|plate| plate.tiles));
    vec![whole]
}

/// A plate before it has its id.
#[derive(Debug)]
struct Draft {
    /// What it would be called.
    name: Option<String>,
    id: Option<String>,
    tiles: Vec<Vec<usize>>,
    row: Option<usize>,
    why: Vec<String>,
    guess: bool,
}

/// A plate whose frames are known; its copy exposures may not be.
fn by_name(shots: &[Shot], rows: &[Row], heap: Heap, looks: &mut Looks) -> Draft {
    let name = heap.parts.first().map(|part| part.named.base.clone());
    let mut why = vec![heap.why];
    let mut tiles: Vec<Vec<usize>> = Vec::new();
    if heap.parts.iter().any(|part| part.named.exposure.is_some()) {
        let mut by_index: BTreeMap<Option<&String>, Vec<usize>> = BTreeMap::new();
        heap.parts.iter().for_each(|part| by_index.entry(part.named.index.as_ref()).or_default().push(part.shot));
        tiles.extend(by_index.into_values());
        why.push("copy exposures by the words in their names".into());
    } else {
        tiles.extend(heap.parts.iter().map(|part| vec![part.shot]));
    }
    let mut guess = false;
    let first: Vec<usize> = tiles.iter().map(|tile| tile[0]).collect();
    if differ(shots, &first) {
        looks.need(&first);
        tiles.retain(|tile| !looks.failed(tile[0]));
        let before = tiles.len();
        tiles = views(shots, tiles, looks, true);
        if tiles.len() < before {
            guess = true;
            why.push("copy exposures: the same view at other exposure times".into());
        }
    }
    Draft { name, id: heap.row.map(|row| rows[row].id.clone()), tiles, row: heap.row, why, guess }
}

/// Whether any two frames of one camera were exposed differently, by their Exif.
fn differ(shots: &[Shot], some: &[usize]) -> bool {
    some.iter().enumerate().any(|(i, a)| some[..i].iter().any(|b| exposed_apart(&shots[*a], &shots[*b]) == Some(true)))
}

fn exposed_apart(a: &Shot, b: &Shot) -> Option<bool> {
    let ratio = a.settings.exposure_ratio(&b.settings)?;
    Some(a.same_camera(b) && !(1.0 / SAME_EXPOSURE..=SAME_EXPOSURE).contains(&ratio))
}

/// Joins tiles that show the same view. With `apart`, only those that were exposed differently.
fn views(shots: &[Shot], tiles: Vec<Vec<usize>>, looks: &Looks, apart: bool) -> Vec<Vec<usize>> {
    let mut views: Vec<Vec<usize>> = Vec::new();
    for tile in tiles {
        let fits = |view: &&mut Vec<usize>| {
            let (a, b) = (view[0], tile[0]);
            let new = view.iter().all(|one| exposed_apart(&shots[*one], &shots[b]) == Some(true));
            (!apart || new) && near(&shots[a], &shots[b]) && looks.lie(a, b) == Lie::Same
        };
        match views.iter_mut().find(fits) {
            Some(view) => view.extend(tile),
            None => views.push(tile),
        }
    }
    views
}

/// Whether so little time passed between two frames that they may be of one plate.
fn near(a: &Shot, b: &Shot) -> bool {
    a.seconds_to(b).is_none_or(|seconds| seconds <= LONGEST_PAUSE)
}

/// Takes blanks and darks out of frames whose names say nothing; frames that cannot be decoded go, too.
fn by_content(shots: &[Shot], parts: Vec<Part>, looks: &mut Looks, grouped: &mut Grouped) -> Vec<Part> {
    looks.need(&parts.iter().map(|part| part.shot).collect::<Vec<_>>());
    // Named blanks tell how bright the panel is.
    let named: Vec<usize> = grouped.blanks.iter().filter(|blank| blank.1 == By::Name).map(|blank| blank.0).collect();
    let any_even = parts.iter().any(|p| matches!(looks.at(p.shot).map(|l| l.shows), Some(Shows::Even { .. })));
    let mut cameras: Vec<usize> = Vec::new();
    for blank in named.into_iter().filter(|_| any_even) {
        if !cameras.iter().any(|known| shots[*known].same_camera(&shots[blank])) {
            cameras.push(blank);
        }
    }
    looks.need(&cameras);
    let light = |shot: usize| match looks.at(shot)?.shows {
        Shows::Even { level } => Some(level / shots[shot].settings.exposure().unwrap_or(1.0)),
        _ => None,
    };
    let all: Vec<usize> = parts.iter().map(|part| part.shot).chain(cameras).collect();
    let brightest = |shot: usize| {
        let same = all.iter().filter(|other| shots[**other].same_camera(&shots[shot]));
        same.filter_map(|other| light(*other)).fold(0.0, f64::max)
    };
    let mut left = Vec::new();
    for part in parts {
        let shot = part.shot;
        match looks.at(shot).map(|look| look.shows) {
            None => {}
            Some(Shows::Black) => grouped.darks.push((shot, By::Content)),
            Some(Shows::Even { .. }) if light(shot) >= Some(BLANK_LIGHT * brightest(shot)) => {
                grouped.blanks.push((shot, By::Content));
            }
            Some(_) => left.push(part),
        }
    }
    left
}

/// Plates out of frames whose names leave open what belongs together.
fn by_overlap(shots: &[Shot], mut parts: Vec<Part>, looks: &Looks) -> Vec<Draft> {
    parts.sort_by(|a, b| {
        let (a, b) = (&shots[a.shot], &shots[b.shot]);
        a.settings.taken.cmp(&b.settings.taken).then_with(|| natural(&a.file, &b.file))
    });
    let views = views(shots, parts.iter().map(|part| vec![part.shot]).collect(), looks, false);
    // Each view points to an earlier one of its plate, or to itself.
    let mut plate_of: Vec<usize> = (0..views.len()).collect();
    let mut scenes: Vec<(usize, usize)> = Vec::new();
    for b in 0..views.len() {
        for a in b.saturating_sub(REACH)..b {
            if !near(&shots[views[a][0]], &shots[views[b][0]]) {
                continue;
            }
            match looks.lie(views[a][0], views[b][0]) {
                Lie::Overlap => join(&mut plate_of, a, b),
                Lie::Scene => scenes.push((a, b)),
                Lie::Same | Lie::Apart => {}
            }
        }
    }
    let between = between(shots, &views, &mut plate_of, looks);
    let mut heaps: BTreeMap<usize, Vec<usize>> = BTreeMap::new();
    (0..views.len()).for_each(|view| heaps.entry(plate_of[view]).or_default().push(view));
    let named = |shot: usize| parts.iter().find(|part| part.shot == shot).map(|part| &part.named);
    let heap = |(plate, members): (usize, Vec<usize>)| {
        let tiles: Vec<Vec<usize>> = members.iter().map(|view| views[*view].clone()).collect();
        let frames: usize = tiles.iter().map(Vec::len).sum();
        let named = named(tiles[0][0]).cloned().unwrap_or_default();
        let name = if frames > 1 && !named.base.is_empty() { named.base } else { named.whole };
        let mut why = vec!["its name leaves it open which frames belong to it".to_string()];
        if tiles.len() > 1 {
            why.push("a guess: these frames overlap, so they are taken for tiles of one plate".into());
        }
        if members.iter().any(|view| between.contains(view)) {
            why.push("a guess: a frame that overlaps none was taken between two of this plate".into());
        }
        if tiles.iter().any(|tile| tile.len() > 1) {
            why.push("a guess: frames of the same view are taken for its copy exposures".into());
        }
        for (a, b) in &scenes {
            let other = if plate_of[*a] == plate { b } else { a };
            if (plate_of[*a] == plate) != (plate_of[*b] == plate) {
                let file = crate::notes::tree::shown(&shots[views[*other][0]].name);
                let what = format!("the scene is that of {file}: another plate (a bracket?), or this one laid anew");
                if !why.contains(&what) {
                    why.push(what);
                }
            }
        }
        Draft { name: (!name.is_empty()).then_some(name), id: None, guess: frames > 1, tiles, row: None, why }
    };
    heaps.into_iter().map(heap).collect()
}

/// Makes two views' plates one, under the earlier one's number.
fn join(plate_of: &mut [usize], a: usize, b: usize) {
    let (first, second) = (plate_of[a].min(plate_of[b]), plate_of[a].max(plate_of[b]));
    plate_of.iter_mut().filter(|plate| **plate == second).for_each(|plate| *plate = first);
}

/// A view that overlaps none (a tile of even sky), taken between two views of one plate, is a part of it.
fn between(shots: &[Shot], views: &[Vec<usize>], plate_of: &mut [usize], looks: &Looks) -> Vec<usize> {
    let alone =
        |plate_of: &[usize], view: usize| plate_of.iter().filter(|plate| **plate == plate_of[view]).count() == 1;
    let lone: Vec<usize> = (0..views.len()).filter(|view| alone(plate_of, *view)).collect();
    let mut taken = Vec::new();
    for view in lone {
        let shot = views[view][0];
        let (before, after) = (plate_of[..view].last().copied(), plate_of.get(view + 1).copied());
        let timed = shots[shot].settings.taken.is_some();
        // Even all over, it shows no borders of a plate either.
        let part = looks.at(shot).is_some_and(|look| !look.whole || look.shows != Shows::Structure);
        if let (Some(plate), true, true) = (before, timed, part)
            && after == before
            && shots[views[plate][0]].same_camera(&shots[shot])
        {
            plate_of[view] = plate;
            taken.push(view);
        }
    }
    taken
}

/// Ids of all plates, each once; tiles and plates in the order in which people count.
fn with_ids(shots: &[Shot], mut drafts: Vec<Draft>) -> Vec<Plate> {
    for tile in drafts.iter_mut().flat_map(|draft| &mut draft.tiles) {
        tile.sort_by(|a, b| natural(&shots[*a].file, &shots[*b].file));
    }
    for draft in &mut drafts {
        draft.tiles.sort_by(|a, b| natural(&shots[a[0]].file, &shots[b[0]].file));
    }
    // Rows keep their ids whatever others are called.
    drafts.sort_by(|a, b| {
        let first = |draft: &Draft| (draft.row.is_none(), draft.row);
        first(a).cmp(&first(b)).then_with(|| natural(&shots[a.tiles[0][0]].file, &shots[b.tiles[0][0]].file))
    });
    let mut plates: Vec<Plate> = Vec::new();
    let mut number = 0;
    for draft in drafts {
        let free = |id: &String| !plates.iter().any(|plate: &Plate| plate.id.eq_ignore_ascii_case(id));
        let mut why = draft.why;
        let id = match draft.id.or_else(|| draft.name.as_deref().and_then(id_of)) {
            Some(id) if free(&id) => id,
            Some(id) => {
                let other = (2..).map(|n| format!("{}-{n}", &id[..id.len().min(50)])).find(free).unwrap_or(id);
                why.push("another plate has frames of the same name: is it this one?".into());
                other
            }
            None => {
                let numbered = (number + 1..).map(|n| (n, format!("P-{n:02}"))).find(|(_, id)| free(id));
                let (n, id) = numbered.unwrap_or((number, "P".into()));
                number = n;
                id
            }
        };
        plates.push(Plate { id, tiles: draft.tiles, row: draft.row, why, guess: draft.guess });
    }
    plates.sort_by(|a, b| natural(Path::new(&a.id), Path::new(&b.id)));
    plates
}

/// An id out of a name: "k01" is plate K-01; signs that no id may hold become '-'. None where nothing is left.
fn id_of(name: &str) -> Option<String> {
    let tokens = names::tokens(name);
    let text = match tokens.as_slice() {
        [letters, number]
            if letters.text.len() <= 3
                && letters.text.bytes().all(|b| b.is_ascii_alphabetic())
                && number.text.bytes().all(|b| b.is_ascii_digit()) =>
        {
            format!("{}-{}", letters.text.to_uppercase(), number.text)
        }
        _ => name.to_string(),
    };
    let mut id = String::new();
    for c in text.chars() {
        match c {
            c if c.is_ascii_alphanumeric() || c == '_' => id.push(c),
            _ if id.is_empty() || id.ends_with('-') => {}
            _ => id.push('-'),
        }
    }
    id.truncate(50);
    let id = id.trim_end_matches('-').to_string();
    (!id.is_empty() && plates::bad_id(&id).is_none()).then_some(id)
}
