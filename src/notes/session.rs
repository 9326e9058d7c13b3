//! What session.toml says, once it has been checked.

use crate::geometry::Point;
use serde::{Deserialize, Serialize};
use std::path::{Path, PathBuf};

/// All of the notes. Paths are absolute, globs are resolved and sorted; every list of captures holds at least one file.
#[derive(Debug, Clone, PartialEq)]
pub struct Session {
    /// The notes file.
    pub file: PathBuf,
    /// Its folder: no path in the notes leaves it.
    pub folder: PathBuf,
    pub about: About,
    pub copy: Copying,
    pub base: BaseNotes,
    pub positive: PositiveNotes,
    pub plates: Vec<Plate>,
    pub brackets: Vec<Bracket>,
}

impl Session {
    /// The file of a capture or tone profile, if `name` is the path of one (it holds a '/' or ends in ".toml"); none if it is a name, or no
    /// such file lies in the session's folder.
    pub fn profile_path(&self, name: &str) -> Option<PathBuf> {
        if is_path(name) { super::paths::resolve_one(&self.folder, name).ok() } else { None }
    }

    pub fn plate(&self, id: &str) -> Option<&Plate> {
        self.plates.iter().find(|plate| plate.id == id)
    }

    /// A file as the notes name it: relative to the session, with '/' on every system.
    pub fn relative(&self, file: &Path) -> String {
        super::paths::relative(&self.folder, file)
    }

    /// Files as the notes name them.
    pub fn names(&self, files: &[PathBuf]) -> Vec<String> {
        files.iter().map(|file| self.relative(file)).collect()
    }
}

/// Whether a profile is given by its path and not by its name.
pub(super) fn is_path(name: &str) -> bool {
    name.contains(['/', '\\']) || name.ends_with(".toml")
}

#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct About {
    pub title: String,
    /// Local date, ISO 8601.
    pub date: Option<String>,
    pub place: Option<String>,
    pub photographer: Option<String>,
    pub rights: Option<String>,
}

/// How the plates were copied.
#[derive(Debug, Clone, PartialEq)]
pub struct Copying {
    pub blanks: Vec<PathBuf>,
    pub darks: Vec<PathBuf>,
    /// Name of a capture profile, or the path of one as written (see [`Session::profile_path`]).
    pub profile: String,
    pub emulsion: Emulsion,
    /// Whether the notes say so; what they leave open is taken for toward the camera, with a warning.
    pub emulsion_stated: bool,
    pub opaque: Option<Opaque>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Emulsion {
    /// The capture is mirrored left to right; the result turns it back.
    TowardCamera,
    /// The capture reads right as it is.
    AwayFromCamera,
}

/// A patch of one capture that no light passes.
#[derive(Debug, Clone, PartialEq)]
pub struct Opaque {
    pub capture: PathBuf,
    /// x, y, width, height in sensor pixels.
    pub rect_px: [f64; 4],
}

/// Where base plus fog is read.
#[derive(Debug, Clone, PartialEq)]
pub struct BaseNotes {
    pub from: BaseFrom,
    pub scope: BaseScope,
}

#[derive(Debug, Clone, PartialEq)]
pub enum BaseFrom {
    /// Found in each plate's unexposed margin.
    Rebate,
    /// x, y, width, height in mm on one plate as the result lies.
    Patch { plate: String, rect_mm: [f64; 4] },
    /// Stated.
    Density(f64),
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum BaseScope {
    Batch,
    Plate,
}

#[derive(Debug, Clone, PartialEq)]
pub struct PositiveNotes {
    /// Name of a tone profile, or the path of one as written (see [`Session::profile_path`]).
    pub tone: String,
    /// Samples an inch of the result; none keeps the captures' own.
    pub ppi: Option<f64>,
}

#[derive(Debug, Clone, PartialEq)]
pub struct Plate {
    pub id: String,
    /// Line of the notes at which the plate begins, for messages.
    pub line: usize,
    pub size: PlateSize,
    /// Tiles; each holds one or more copy exposures of the same view.
    pub captures: Vec<Vec<PathBuf>>,
    pub corners_px: Option<[Point; 4]>,
    /// Quarter turns clockwise, after mirroring: 0, 90, 180, 270.
    pub rotate: u16,
    pub notes: Option<String>,
    pub exposure: Exposure,
    pub development: Development,
}

/// Nominal size of a plate, as the notes put it and in millimetres; which side is the longer one's is found on the plate.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PlateSize {
    pub name: String,
    pub short_mm: f64,
    pub long_mm: f64,
}

/// The exposure of the plate in the field. Everything optional, everything kept.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Exposure {
    /// The meter's setting.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub ei: Option<f64>,
    /// As written ("1/4", "3").
    #[serde(skip_serializing_if = "Option::is_none")]
    pub shutter: Option<String>,
    /// The same in seconds.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub shutter_s: Option<f64>,
    /// f-number as marked.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub aperture: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub focal_length_mm: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub lens: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub filter: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub filter_stops: Option<f64>,
    /// Lens to plate.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub bellows_mm: Option<f64>,
    /// RFC 3339 with the local offset, as written; local time without one is allowed.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub time: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub latitude: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub longitude: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub holder: Option<String>,
}

/// How the plate was developed. Everything optional, everything kept.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Development {
    #[serde(skip_serializing_if = "Option::is_none")]
    pub developer: Option<String>,
    /// "A+B": parts of stock and of water.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub dilution: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub temperature_c: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub minutes: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub agitation: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub fixer_dilution: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub fix_minutes: Option<f64>,
}

/// Plates of one scene, to be compared.
#[derive(Debug, Clone, PartialEq)]
pub struct Bracket {
    pub line: usize,
    pub plates: Vec<String>,
    pub matching: Matching,
}

/// What is held equal when plates are laid side by side.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Matching {
    Base,
    Highlights,
    Shadows,
}
