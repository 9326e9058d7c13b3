//! The light panel as each camera of a session saw it: blanks and darks, read once and kept for all plates.
//!
//! In: the session's notes. Out: a [`Panel`] of one [`Group`] for each camera, picture size and file kind. A blank that cannot serve is an
//! error that names it; the others go on without it.

use crate::error::{Error, Fault, InFile, Warning};
use crate::frame::{self, CaptureProfile, Frame, GainMap, Layout, Settings};
use crate::image::Size;
use crate::light::blank::{self, Dark, FlatField};
use crate::light::{Veil, scene, screen, shaded, steady, tint};
use crate::notes::{Opaque, Session};
use rayon::prelude::*;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// Blanks of all cameras.
#[derive(Default)]
pub struct Panel {
    pub groups: Vec<Group>,
    /// Share of veiling glare that the opaque patch tells.
    pub(crate) opaque: Option<Measured>,
    /// What concerns no single camera.
    pub warnings: Vec<Warning>,
}

/// Glare that was measured, and the camera that it is the glare of.
pub(crate) struct Measured {
    veil: Veil,
    camera: Settings,
}

/// Blanks of one camera at one size in one kind of file.
pub struct Group {
    pub flat: FlatField,
    pub dark: Option<Dark>,
    pub blanks: Vec<PathBuf>,
    pub darks: Vec<PathBuf>,
    /// The first blank's.
    pub gain_maps: Vec<GainMap>,
    pub warnings: Vec<Warning>,
}

impl Panel {
    /// Reads all blanks and darks, and the opaque patch. `say` is told each group's first file.
    pub fn load(session: &Session, profile: &CaptureProfile, say: &(dyn Fn(&Path) + Sync)) -> (Panel, Vec<Error>) {
        let mut errors = Vec::new();
        let mut groups = Vec::new();
        let blanks = of_captures(sorted(&session.copy.blanks, &mut errors), session, &mut errors);
        let darks = sorted(&session.copy.darks, &mut errors);
        let strange = darks.iter().filter(|(key, _)| !blanks.keys().any(|blank| blank.same_kind(key)));
        errors.extend(strange.flat_map(|(key, paths)| unfit("dark frame", "blank", key, paths, blanks.keys())));
        for (key, paths) in blanks {
            say(&paths[0]);
            let darks = darks.iter().filter(|(dark, _)| key.same_kind(dark)).flat_map(|(_, paths)| paths.clone());
            groups.extend(group(paths, darks.collect(), profile, &mut errors));
        }
        let mut panel = Panel { groups, ..Panel::default() };
        if let Some(opaque) = &session.copy.opaque {
            match panel.measure(session, opaque, profile) {
                Ok(found) => panel.opaque = found,
                Err(error) => errors.push(error),
            }
        }
        (panel, errors)
    }

    /// The glare that the opaque patch shows; none, with a warning, where densities are corrected by a tablet that was veiled itself.
    fn measure(
        &mut self,
        session: &Session,
        opaque: &Opaque,
        profile: &CaptureProfile,
    ) -> Result<Option<Measured>, Error> {
        let file = &opaque.capture;
        let view = session.plates.iter().flat_map(|p| &p.captures).find(|view| view.contains(file));
        let files = view.map_or(std::slice::from_ref(file), |view| view.as_slice());
        let frames = files.iter().map(|f| frame::read(f, profile).in_file(f)).collect::<Result<Vec<_>, Error>>()?;
        let order = scene::by_exposure(&frames.iter().collect::<Vec<_>>());
        let frames: Vec<(&PathBuf, &Frame)> = order.into_iter().map(|k| (&files[k], &frames[k])).collect();
        let Some(named) = frames.iter().position(|(f, _)| *f == file) else { return Ok(None) };
        let frame = frames[named].1;
        let camera = frame.settings.clone();
        let own = profile.for_camera(&camera);
        if own.correction.as_ref().is_some_and(|c| c.with_glare) {
            // Glare is corrected with the densities: taken off before, it would be taken off twice.
            self.warnings.push(Warning::new(
                "glare-in-correction",
                format!(
                    "the opaque patch is not used: the density correction of `{}` holds the glare of its tablet's frame; calibrate \
                     the tablet with --opaque to keep the two apart",
                    own.name
                ),
            ));
            return Ok(None);
        }
        let dark = self.dark_for(frame);
        let means = scene::mean_lights(&frames.iter().map(|f| f.1).collect::<Vec<_>>(), dark);
        let veil = Veil::from_opaque(frame, dark, opaque.rect_px, &means[named]).in_file(file)?;
        self.warnings.extend(own.glare.and_then(|known| greasy(veil.share, known)));
        Ok(Some(Measured { veil, camera }))
    }

    /// Glare of the camera that a capture is from: by the opaque patch if that camera took it, else as the capture profile knows it. Where
    /// neither tells, why.
    pub fn veil_for(&self, camera: &Settings, profile: &CaptureProfile) -> Result<Veil, &'static str> {
        let own = profile.for_camera(camera);
        if own.correction.as_ref().is_some_and(|c| c.with_glare) {
            return Err(
                "the density correction holds that of its tablet's frame; how much that of the plate's differs is not known",
            );
        }
        let measured = self.opaque.as_ref().filter(|m| m.camera.same_camera(camera)).map(|m| m.veil);
        measured.or_else(|| Veil::of_profile(&own)).ok_or(match self.opaque {
            Some(_) => "the opaque patch was copied with another camera or lens; copy in a black mask",
            None => "not measured: name an opaque patch in the notes, or copy in a black mask",
        })
    }

    /// The blanks of a capture's own camera.
    pub fn group_for(&self, frame: &Frame) -> Result<&Group, Fault> {
        let fits = |g: &&Group| g.flat.size() == frame.size && same_kind(g.flat.layout, frame.layout);
        let mut candidates: Vec<&Group> = self.groups.iter().filter(fits).collect();
        let differs = |g: &&Group| {
            let (blank, own) = (&g.flat.settings, &frame.settings);
            (blank.model != own.model, blank.lens_model != own.lens_model)
        };
        candidates.sort_by_key(differs);
        candidates.first().copied().ok_or_else(|| {
            let kinds: Vec<String> =
                self.groups.iter().map(|g| format!("{} in {}", g.flat.size(), g.flat.layout.words())).collect();
            let have = match kinds.len() {
                0 => "no blank could be used".to_string(),
                _ => format!("the blanks are {}", kinds.join(", ")),
            };
            let own = format!("{} in {}", frame.size, frame.layout.words());
            Fault::new(
                format!("no blank fits this {} capture of {own}: {have}", frame.format),
                "copy the bare panel with the same camera at the same picture size and in the same file format",
            )
        })
    }

    fn dark_for(&self, frame: &Frame) -> Option<&Dark> {
        self.group_for(frame).ok().and_then(|g| g.dark.as_ref())
    }
}

fn same_kind(a: Layout, b: Layout) -> bool {
    std::mem::discriminant(&a) == std::mem::discriminant(&b)
}

/// What frames must agree in to be averaged.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
struct Key {
    camera: Option<String>,
    size: [usize; 2],
    extension: String,
    lens: Option<String>,
}

impl Key {
    /// Whether they agree but for the lens, which a capped one does not tell of.
    fn same_kind(&self, other: &Key) -> bool {
        (&self.camera, self.size, &self.extension) == (&other.camera, other.size, &other.extension)
    }
}

impl std::fmt::Display for Key {
    fn fmt(&self, f: &mut std::fmt::Formatter) -> std::fmt::Result {
        let [rows, columns] = self.size;
        write!(f, "{} {} pixels", self.extension.to_uppercase(), Size::new(rows, columns))?;
        [&self.camera, &self.lens].into_iter().flatten().try_for_each(|name| write!(f, ", {name}"))
    }
}

/// The blanks that some capture may be divided by; the others are said.
fn of_captures(
    mut blanks: BTreeMap<Key, Vec<PathBuf>>,
    session: &Session,
    errors: &mut Vec<Error>,
) -> BTreeMap<Key, Vec<PathBuf>> {
    if blanks.len() < 2 {
        return blanks;
    }
    // What is wrong with a capture is said where it is read.
    let views: Vec<PathBuf> = session.plates.iter().flat_map(|p| p.captures.iter().flatten().cloned()).collect();
    let captures: Vec<Key> = sorted(&views, &mut Vec::new()).into_keys().collect();
    let exact = |capture: &&Key| blanks.contains_key(*capture);
    let others: Vec<[usize; 2]> = captures.iter().filter(|c| !exact(c)).map(|c| c.size).collect();
    let used = |blank: &Key| captures.contains(blank) || others.contains(&blank.size);
    let strange: Vec<Key> = blanks.keys().filter(|blank| !used(blank)).cloned().collect();
    if strange.len() == blanks.len() {
        return blanks;
    }
    for key in strange {
        let paths = blanks.remove(&key).unwrap_or_default();
        errors.extend(unfit("blank", "capture", &key, &paths, captures.iter()));
    }
    blanks
}

/// Says of each frame that nothing is of its camera and kind.
fn unfit<'a>(what: &str, of: &str, key: &Key, paths: &[PathBuf], others: impl Iterator<Item = &'a Key>) -> Vec<Error> {
    let others: Vec<String> = others.map(Key::to_string).collect();
    let fault = Fault::new(
        format!(
            "no {of} is of this {what}'s camera, lens and kind of file: it is {key}; theirs: {}",
            others.join("; ")
        ),
        "take it with the same camera, lens and picture size, or take it out of the notes",
    );
    paths.iter().map(|path| Error::new(path, fault.clone())).collect()
}

fn sorted(paths: &[PathBuf], errors: &mut Vec<Error>) -> BTreeMap<Key, Vec<PathBuf>> {
    let mut groups: BTreeMap<Key, Vec<PathBuf>> = BTreeMap::new();
    for path in paths {
        let size = frame::dimensions(path).in_file(path);
        let settings = frame::settings(path).in_file(path);
        match (size, settings) {
            (Ok(size), Ok(settings)) => {
                let extension = path.extension().map(|e| e.to_string_lossy().to_lowercase()).unwrap_or_default();
                let key = Key {
                    camera: settings.model,
                    size: [size.rows, size.columns],
                    extension,
                    lens: settings.lens_model,
                };
                groups.entry(key).or_default().push(path.clone());
            }
            (Err(error), _) | (_, Err(error)) => errors.push(error),
        }
    }
    groups
}

/// Reads and averages one camera's frames. None where no blank of it can be used.
fn group(
    blanks: Vec<PathBuf>,
    darks: Vec<PathBuf>,
    profile: &CaptureProfile,
    errors: &mut Vec<Error>,
) -> Option<Group> {
    let mut read = |paths: &[PathBuf], check: &(dyn Fn(&Frame) -> Result<(), Fault> + Sync)| {
        let results: Vec<_> = paths
            .par_iter()
            .map(|path| {
                let frame = frame::read(path, profile).and_then(|f| check(&f).map(|_| f)).in_file(path)?;
                Ok((path.clone(), frame))
            })
            .collect();
        let (good, bad) = crate::error::all(results);
        errors.extend(bad);
        good
    };
    let mut blank_frames = read(&blanks, &blank::check);
    in_order_of_time(&mut blank_frames);
    let (first_path, first) = blank_frames.first()?;
    let dark_frames = read(&darks, &|dark| blank::check_dark(dark, first));
    let (size, layout, settings) = (first.size, first.layout, first.settings.clone());
    let alike = |f: &Frame| f.size == size && same_kind(f.layout, layout);
    let mut warnings = Vec::new();
    for (path, frame) in &blank_frames {
        warnings.extend(steady::settings(&name(first_path), &settings, &name(path), &frame.settings));
        warnings.extend(frame.warnings.iter().cloned());
    }
    warnings.extend(profile.for_camera(&settings).mismatch(&settings));
    let dark_refs: Vec<&Frame> = dark_frames.iter().map(|f| &f.1).filter(|f| alike(f)).collect();
    let dark = (!dark_refs.is_empty()).then(|| Dark::from_frames(&dark_refs));
    if let Some(dark) = &dark {
        warnings.extend(dark_exposure(&settings, &dark.settings));
        warnings.extend(blank::room(&dark_refs, first));
    }
    let used: Vec<&(PathBuf, Frame)> = blank_frames.iter().filter(|f| alike(&f.1)).collect();
    let refs: Vec<&Frame> = used.iter().map(|f| &f.1).collect();
    let flat = FlatField::from_frames(&refs, dark.as_ref());
    warnings.extend(steady::drift(&flat));
    warnings.extend(steady::bands(&refs));
    warnings.extend(used.iter().filter_map(|(path, frame)| steady::odd(&name(path), frame, &flat)));
    warnings.extend(shaded::uneven(&flat));
    warnings.extend(screen::grid(&name(first_path), first));
    warnings.extend(tint::uneven(&name(first_path), first));
    warnings.dedup();
    let blanks = used.iter().map(|f| f.0.clone()).collect();
    let gain_maps = first.raw.as_ref().map_or(Vec::new(), |raw| raw.gain_maps.clone());
    Some(Group { flat, dark, blanks, darks, gain_maps, warnings })
}

/// By the camera's clock where every frame has it, else by name.
fn in_order_of_time(frames: &mut [(PathBuf, Frame)]) {
    if frames.iter().all(|f| f.1.settings.taken.is_some()) {
        frames.sort_by(|a, b| (&a.1.settings.taken, &a.0).cmp(&(&b.1.settings.taken, &b.0)));
    }
}

fn dark_exposure(blank: &Settings, dark: &Settings) -> Option<Warning> {
    let differs = |(a, b): &(f64, f64)| (a / b - 1.0).abs() > 0.05;
    let time = blank.exposure_s.zip(dark.exposure_s).filter(differs);
    let iso = blank.iso.zip(dark.iso).filter(differs);
    let told = match (time, iso) {
        (Some((b, d)), _) => format!("for {d} s and the blanks for {b} s"),
        (None, Some((b, d))) => format!("at ISO {d} and the blanks at ISO {b}"),
        (None, None) => return None,
    };
    let mend = "take darks at the blanks' exposure time and ISO";
    Some(Warning::new("dark-exposure", format!("the dark frames were exposed {told}; {mend}")))
}

/// A file's bare name, for messages.
pub fn name(path: &Path) -> String {
    path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default()
}

/// Says that glare has grown since the profile was made: common practice takes twice as much for a greasy lens.
fn greasy(share: f64, known: f64) -> Option<Warning> {
    (known > 0.0 && share > 2.0 * known).then(|| {
        Warning::new(
            "glare-grown",
            format!(
                "the opaque patch shows {:.1} % of glare where the capture profile knows {:.1} %: clean the lens, or the phone's cover glass, and \
                 shade it from the room",
                100.0 * share,
                100.0 * known
            ),
        )
    })
}

/// The size of a group, for messages and records.
impl Group {
    pub fn size(&self) -> Size {
        self.flat.size()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_lens_that_scatters_twice_as_much_as_its_profile_knows_is_to_be_cleaned() {
        assert!(
            greasy(0.025, 0.01).unwrap().message.contains("shows 2.5 % of glare where the capture profile knows 1.0 %")
        );
        assert_eq!((greasy(0.019, 0.01), greasy(0.019, 0.0)), (None, None));
    }

    #[test]
    fn glare_is_that_of_the_camera_that_saw_the_opaque_patch() {
        let camera = |model: &str, lens: &str| Settings {
            model: Some(model.into()),
            lens_model: Some(lens.into()),
            ..Settings::default()
        };
        let veil = Veil { share: 0.02, sd: Some(1e-4), from: "an opaque patch" };
        let opaque = Some(Measured { veil, camera: camera("One", "long") });
        let panel = Panel { opaque, ..Panel::default() };
        let plain = CaptureProfile::srgb();
        assert_eq!(panel.veil_for(&camera("One", "long"), &plain), Ok(veil));
        for other in [camera("Two", "long"), camera("One", "short")] {
            assert!(panel.veil_for(&other, &plain).unwrap_err().contains("another camera"));
        }
        // What the profile knows stands where the patch is of another camera.
        let known = CaptureProfile { glare: Some(0.01), ..plain };
        assert_eq!(panel.veil_for(&camera("Two", "long"), &known).unwrap().share, 0.01);
    }
}
