//! What the session's page is made of: figures, words, and pictures already small.
//!
//! The pipeline fills these as plates are done. A plate takes a few hundred kilobytes: its preview, two or three JPEGs of
//! about 800 pixels, and its record.

use super::histogram::Histogram;
use crate::error::Warning;
use crate::geometry::Point;
use crate::image::Size;
use crate::notes::{About, Development, Exposure};
use crate::positive::Tone;
use crate::record::{PlateRecord, Software};
use serde::{Deserialize, Serialize};

/// A whole session, in the order of its notes.
#[derive(Debug, Clone)]
pub struct SessionReport {
    pub about: About,
    pub tone: Tone,
    pub plates: Vec<PlateReport>,
    pub brackets: Vec<BracketReport>,
    /// What concerns no single plate.
    pub warnings: Vec<Warning>,
    pub blank: Option<BlankReport>,
    pub software: Software,
}

#[derive(Debug, Clone)]
pub enum PlateReport {
    Done(Box<DonePlate>),
    Failed(Box<FailedPlate>),
}

/// A plate with its results.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct DonePlate {
    pub record: PlateRecord,
    /// The positive, at most 2048 pixels a side; the same bytes as in ID-preview.jpg will do.
    #[serde(with = "picture")]
    pub preview_jpeg: Vec<u8>,
    pub histogram: Histogram,
    /// Added printing exposure, 0 unless the plate was matched on purpose.
    pub shift: f32,
    /// The capture and where the plate was found in it; single frames.
    pub seen: Option<Seen>,
    pub light: Option<LightPictures>,
    /// Where the tiles lie; several frames.
    pub tiles: Option<Tiles>,
}

/// A plate that could not be done.
#[derive(Debug, Clone)]
pub struct FailedPlate {
    pub id: String,
    /// What went wrong and how to mend it.
    pub message: String,
    pub notes: Option<String>,
    pub exposure: Exposure,
    pub development: Development,
    /// The capture, with what was taken for the plate where there was something.
    pub seen: Option<Seen>,
}

/// A capture with the plate's outline.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct Seen {
    /// The capture as the sensor saw it, made small.
    #[serde(with = "picture")]
    pub jpeg: Vec<u8>,
    /// Of the capture itself: outline and corners count its pixels.
    pub size: Size,
    /// A closed line, bent where the lens bends it; may be empty.
    pub outline: Vec<Point>,
    /// In the order of the result's corners: top-left, top-right, bottom-right, bottom-left.
    pub corners: Option<[Point; 4]>,
    /// 0 to 1.
    pub confidence: f64,
}

/// The same frame before and after its blank was divided out, both small.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct LightPictures {
    #[serde(with = "picture")]
    pub before_jpeg: Vec<u8>,
    #[serde(with = "picture")]
    pub after_jpeg: Vec<u8>,
}

/// How a plate was put together from its tiles, in millimetres on the result (x to the right, y down).
#[derive(Debug, Clone, Default, Serialize, Deserialize)]
pub struct Tiles {
    /// In the order of the record's tiles.
    pub tiles: Vec<LaidTile>,
    /// Ties between tiles: where, and by how many result pixels the two tiles still disagree there.
    pub ties: Vec<(Point, Point)>,
    pub joints: Vec<Joint>,
    /// Straight pieces of the lines along which tiles were cut.
    pub cuts: Vec<[Point; 2]>,
    /// What no tile shows: x, y, width, height.
    #[serde(default)]
    pub gaps: Vec<[f64; 4]>,
}

#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct LaidTile {
    pub name: String,
    /// None for a tile that was left out.
    pub corners: Option<[Point; 4]>,
}

/// Two tiles that show the same part of the plate.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct Joint {
    /// Places in the list of tiles.
    pub tiles: [usize; 2],
    /// Share of the first tile that the second shows too.
    pub share: f64,
    /// Patches that were compared, and those of them that hold the tiles together.
    pub asked: usize,
    pub ties: usize,
    /// Root mean square of what is left at the ties; none without ties.
    pub rms_px: Option<f64>,
}

impl Tiles {
    pub fn left_out(&self, tile: usize) -> bool {
        self.tiles.get(tile).is_some_and(|tile| tile.corners.is_none())
    }
}

/// The averaged blank.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct BlankReport {
    #[serde(with = "picture")]
    pub jpeg: Vec<u8>,
    /// What was found, as name and value: "frames", "3"; "darkest corner", "61 % of the middle".
    pub facts: Vec<(String, String)>,
}

/// A comparison of plates that stands on a page of its own.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct BracketReport {
    pub plates: Vec<String>,
    /// From OUT, with '/': "compare/K-01-K-02/index.html".
    pub page: String,
    /// Findings in plain words, one sentence each.
    pub findings: Vec<String>,
    pub warnings: Vec<Warning>,
    /// What to expose and develop next time, one sentence each.
    pub advice: Vec<String>,
}

impl BracketReport {
    /// All of it, line by line, for a terminal.
    pub fn lines(&self) -> impl Iterator<Item = String> {
        let warnings = self.warnings.iter().map(|w| format!("{}: {}", w.code, w.message));
        self.findings.iter().cloned().chain(warnings).chain(self.advice.iter().cloned())
    }
}

impl PlateReport {
    pub fn id(&self) -> &str {
        match self {
            PlateReport::Done(plate) => &plate.record.plate,
            PlateReport::Failed(plate) => &plate.id,
        }
    }
}

/// A picture's bytes as text (RFC 4648, base 64).
mod picture {
    use base64::{Engine, engine::general_purpose::STANDARD};
    use serde::{Deserialize, Deserializer, Serializer, de::Error};

    pub fn serialize<S: Serializer>(bytes: &[u8], to: S) -> Result<S::Ok, S::Error> {
        to.serialize_str(&STANDARD.encode(bytes))
    }

    pub fn deserialize<'de, D: Deserializer<'de>>(from: D) -> Result<Vec<u8>, D::Error> {
        STANDARD.decode(String::deserialize(from)?).map_err(D::Error::custom)
    }
}
