//! The light panel as each camera of a session saw it: blanks and darks, read once and kept for all plates.
//!
//! In: the session's notes. Out: a [`Panel`] of one [`Group`] for each camera, picture size and file kind. A blank that cannot serve is an
//! error that names it; the others go on without it.

use crate::error::{Error, Fault, InFile, Warning};
use crate::frame::{self, CaptureProfile, Frame, Layout, Settings};
use crate::image::Size;
use crate::light::blank::{self, Dark, FlatField};
use crate::light::{Veil, steady};
use crate::notes::Session;
use rayon::prelude::*;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// Blanks of all cameras.
#[derive(Default)]
pub struct Panel {
    pub groups: Vec<Group>,
    /// Share of veiling glare, where an opaque patch or the capture profile tells it.
    pub veil: Option<Veil>,
    /// What concerns no single camera.
    pub warnings: Vec<Warning>,
}

/// Blanks of one camera at one size in one kind of file.
pub struct Group {
    pub flat: FlatField,
    pub dark: Option<Dark>,
    pub blanks: Vec<PathBuf>,
    pub darks: Vec<PathBuf>,
    pub warnings: Vec<Warning>,
}

impl Panel {
    /// Reads all blanks and darks, and the opaque patch. `say` is told each group's first file.
    pub fn load(session: &Session, profile: &CaptureProfile, say: &(dyn Fn(&Path) + Sync)) -> (Panel, Vec<Error>) {
        let mut errors = Vec::new();
        let mut groups = Vec::new();
        let blanks = sorted(&session.copy.blanks, &mut errors);
        let mut darks = sorted(&session.copy.darks, &mut errors);
        for (key, paths) in blanks {
            say(&paths[0]);
            let darks = darks.remove(&key).unwrap_or_default();
            groups.extend(group(paths, darks, profile, &mut errors));
        }
        let mut panel = Panel { groups, veil: Veil::of_profile(profile), warnings: Vec::new() };
        if profile.correction.as_ref().is_some_and(|c| c.with_glare) {
            // Glare is corrected with the densities: taken off before, it would be taken off twice.
            panel.veil = None;
            if session.copy.opaque.is_some() {
                panel.warnings.push(Warning::new(
                    "glare-in-correction",
                    format!(
                        "the opaque patch is not used: the density correction of `{}` holds the glare of its tablet's frame; calibrate \
                         the tablet with --opaque to keep the two apart",
                        profile.name
                    ),
                ));
            }
        } else if let Some(opaque) = &session.copy.opaque {
            let veil = frame::read(&opaque.capture, profile)
                .and_then(|f| Veil::from_opaque(&f, panel.dark_for(&f), opaque.rect_px))
                .in_file(&opaque.capture);
            match veil {
                Ok(veil) => panel.veil = Some(veil),
                Err(error) => errors.push(error),
            }
        }
        (panel, errors)
    }

    /// The blanks of a capture's own camera.
    pub fn group_for(&self, frame: &Frame) -> Result<&Group, Fault> {
        let fits = |g: &&Group| g.flat.size() == frame.size && same_kind(g.flat.layout, frame.layout);
        let mut candidates: Vec<&Group> = self.groups.iter().filter(fits).collect();
        candidates.sort_by_key(|g| g.flat.settings.model != frame.settings.model);
        candidates.first().copied().ok_or_else(|| {
            let sizes: Vec<String> = self.groups.iter().map(|g| g.flat.size().to_string()).collect();
            let have = match sizes.len() {
                0 => "no blank could be used".to_string(),
                _ => format!("the blanks are {} pixels", sizes.join(", ")),
            };
            Fault::new(
                format!("no blank fits this {} capture of {} pixels: {have}", frame.format, frame.size),
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

/// Camera, picture size and file kind: frames that agree in all three may share a blank.
type Key = (Option<String>, usize, usize, String);

fn sorted(paths: &[PathBuf], errors: &mut Vec<Error>) -> BTreeMap<Key, Vec<PathBuf>> {
    let mut groups: BTreeMap<Key, Vec<PathBuf>> = BTreeMap::new();
    for path in paths {
        let size = frame::dimensions(path).in_file(path);
        let settings = frame::settings(path).in_file(path);
        match (size, settings) {
            (Ok(size), Ok(settings)) => {
                let kind = path.extension().map(|e| e.to_string_lossy().to_lowercase()).unwrap_or_default();
                groups.entry((settings.model, size.rows, size.columns, kind)).or_default().push(path.clone());
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
    let dark_frames = read(&darks, &|_| Ok(()));
    let mut blank_frames = read(&blanks, &blank::check);
    in_order_of_time(&mut blank_frames);
    let (first_path, first) = blank_frames.first()?;
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
        warnings.extend(dark_time(&settings, &dark.settings));
    }
    let used: Vec<&(PathBuf, Frame)> = blank_frames.iter().filter(|f| alike(&f.1)).collect();
    let refs: Vec<&Frame> = used.iter().map(|f| &f.1).collect();
    let flat = FlatField::from_frames(&refs, dark.as_ref());
    warnings.extend(steady::drift(&flat));
    if let [first, .., last] = refs[..] {
        warnings.extend(steady::bands(first, last));
    }
    warnings.dedup();
    let blanks = used.iter().map(|f| f.0.clone()).collect();
    Some(Group { flat, dark, blanks, darks, warnings })
}

/// By the camera's clock where every frame has it, else by name.
fn in_order_of_time(frames: &mut [(PathBuf, Frame)]) {
    if frames.iter().all(|f| f.1.settings.taken.is_some()) {
        frames.sort_by(|a, b| (&a.1.settings.taken, &a.0).cmp(&(&b.1.settings.taken, &b.0)));
    }
}

fn dark_time(blank: &Settings, dark: &Settings) -> Option<Warning> {
    let (b, d) = (blank.exposure_s?, dark.exposure_s?);
    ((b / d - 1.0).abs() > 0.05).then(|| {
        Warning::new(
            "dark-exposure",
            format!("the dark frames were exposed for {d} s and the blanks for {b} s; take darks at the blanks' exposure time"),
        )
    })
}

/// A file's bare name, for messages.
pub fn name(path: &Path) -> String {
    path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default()
}

/// The size of a group, for messages and records.
impl Group {
    pub fn size(&self) -> Size {
        self.flat.size()
    }
}
