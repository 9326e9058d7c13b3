//! The record of one plate: what went in, what was done, what came out. It lies beside the results as ID-record.json and,
//! whole, inside both TIFFs.

use crate::density::uncertainty::Base;
use crate::density::{Deepest, Uncertainty};
use crate::error::Warning;
use crate::frame::Settings;
use crate::geometry::Point;
use crate::notes::{About, Development, Emulsion, Exposure};
use serde::{Deserialize, Serialize};

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PlateRecord {
    pub plate: String,
    pub session: About,
    /// The nominal size's name in the notes.
    pub size_name: String,
    /// Width and height as the result lies.
    pub size_mm: [f64; 2],
    pub pixels: [usize; 2],
    pub ppi: f64,
    pub mm_per_px: f64,
    pub notes: Option<String>,
    pub exposure: Exposure,
    pub development: Development,
    pub copy: CopyRecord,
    pub base: BaseRecord,
    pub density: DensityRecord,
    /// What a density's uncertainty is made of beyond the pixels' chance, as standard uncertainties.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub uncertainty: Option<Uncertainty>,
    pub edges: EdgesRecord,
    pub tiles: Vec<TileRecord>,
    pub stitch: Option<StitchRecord>,
    pub positive: PositiveRecord,
    pub warnings: Vec<Warning>,
    pub inputs: Vec<FileDigest>,
    /// The results except the record itself and, inside a TIFF, the TIFFs.
    pub outputs: Vec<FileDigest>,
    pub software: Software,
    pub steps: Vec<Step>,
}

/// How the plate was copied.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CopyRecord {
    /// Settings of the plate's first capture.
    pub camera: Settings,
    /// Names of the blanks, relative to the session.
    pub blanks: Vec<String>,
    /// Exposure of the plate's capture over the blank's.
    pub exposure_ratio: f64,
    pub emulsion: Emulsion,
    pub rotate: u16,
    pub profile: String,
    pub format: String,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct BaseRecord {
    /// Base plus fog as read on this plate; what it stands on where it has no reading of its own.
    pub density: f64,
    /// Base plus fog that the positive and the densities above base stand on: the batch's or the plate's own, as the notes say.
    pub stands_on: f64,
    /// "rebate", "patch", "notes", or "batch" where the plate has no reading of its own.
    pub from: String,
    /// Standard deviation of the plate's own reading over its stretches.
    pub spread: f64,
    /// The plate's own reading.
    pub plate_density: Option<f64>,
    pub batch_density: f64,
    /// Half of the 95 % interval of `density`, where the plate has a reading of its own.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub uncertainty: Option<f64>,
}

impl BaseRecord {
    /// What densities above base are counted from.
    pub fn stood(&self) -> Base {
        let read = self.from == "rebate" || self.from == "patch";
        Base { density: self.stands_on, spread: self.spread, own: read && self.plate_density == Some(self.stands_on) }
    }
}

/// Percentiles of density above base over the plate.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct DensityRecord {
    pub p01: f64,
    pub p05: f64,
    pub p50: f64,
    pub p95: f64,
    pub p99: f64,
    /// The highest density above base that the capture can still tell from a denser one.
    pub deepest: Option<f64>,
    /// The same by codes, by noise and by glare, of which it is the least.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub deepest_by: Option<Deepest>,
    /// Half of the 95 % interval of each, from all that `uncertainty` of the record knows.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub uncertainty: Option<DensityUncertainty>,
}

impl DensityRecord {
    /// Up to where codes and noise let steps be told: two plates of one set-up are veiled alike.
    pub fn steps_told(&self) -> Option<f64> {
        self.deepest_by.map_or(self.deepest, |by| by.steps())
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct DensityUncertainty {
    pub p01: f64,
    pub p05: f64,
    pub p50: f64,
    pub p95: f64,
    pub p99: f64,
    pub deepest: Option<f64>,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct EdgesRecord {
    /// In the capture, in the order of the result's corners: top-left, top-right, bottom-right, bottom-left. Single frames only.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub corners_px: Option<[Point; 4]>,
    /// 0 to 1.
    pub confidence: f64,
    /// Rise from 10 to 90 % across each side in pixels of the capture, in the order top, right, bottom, left as the sensor saw the plate.
    /// Single frames only, where all four sides could be measured.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub spread_px: Option<[f64; 4]>,
    /// Angle between the lens's axis and the plate's normal in degrees. Single frames only.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub tilt_deg: Option<f64>,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TileRecord {
    pub capture: String,
    pub residual_px: f64,
    pub gain: f64,
    /// Whether it is no part of the result.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub left_out: bool,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct StitchRecord {
    pub rms_px: f64,
    pub ties: usize,
    /// Half, and all but a twentieth, of the ties are off by less; and the worst.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub p50_px: Option<f64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub p95_px: Option<f64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub worst_px: Option<f64>,
    /// What no tile shows, as the result lies: x, y, width, height.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub gaps_mm: Vec<[f64; 4]>,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PositiveRecord {
    pub tone: String,
    /// Density above base that prints as the paper's speed point.
    pub printing_density: f64,
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct FileDigest {
    /// Relative to the session (inputs) or to the plate's out folder (outputs), with '/'.
    pub file: String,
    /// Lower-case hexadecimal.
    pub sha256: String,
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Software {
    pub name: String,
    pub version: String,
}

impl Software {
    pub fn this() -> Self {
        Software { name: env!("CARGO_PKG_NAME").into(), version: env!("CARGO_PKG_VERSION").into() }
    }
}

/// One thing that was done, with its numbers.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Step {
    pub step: String,
    #[serde(flatten)]
    pub figures: serde_json::Map<String, serde_json::Value>,
}

impl Step {
    /// Several copy exposures made one: `against_the_next_shorter` has a pair of ratios for each but the shortest.
    pub const MERGE_EXPOSURES: &str = "merge-exposures";

    /// `figures` must be a JSON object.
    pub fn new(step: &str, figures: serde_json::Value) -> Self {
        let figures = match figures {
            serde_json::Value::Object(map) => map,
            other => serde_json::Map::from_iter([("value".to_string(), other)]),
        };
        Step { step: step.to_string(), figures }
    }
}
