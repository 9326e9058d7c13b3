//! OUT/session.json: the session in one document for programs.
//!
//! In: a [`SessionReport`]. Out: a [`Summary`] that `serde` writes; numbers are rounded to the digits that they are good for, so that
//! equal sessions give equal files. Never fails.

use super::input::{BracketReport, PlateReport, SessionReport};
use crate::error::Warning;
use crate::notes::About;
use crate::record::{DensityRecord, Software};
use serde::Serialize;

#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Summary {
    pub session: About,
    /// Name of the tone profile.
    pub tone: String,
    /// Density above base that prints as the paper's speed point.
    pub printing_density: f64,
    /// Base plus fog of the batch; none where no plate was done.
    pub base_density: Option<f64>,
    pub plates: Vec<PlateSummary>,
    pub brackets: Vec<BracketSummary>,
    pub warnings: Vec<Warning>,
    pub software: Software,
}

#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(tag = "status", rename_all = "kebab-case")]
pub enum PlateSummary {
    Done {
        plate: String,
        /// From OUT, with '/'.
        record: String,
        size_mm: [f64; 2],
        pixels: [usize; 2],
        ppi: f64,
        base_density: f64,
        /// Half of the 95 % interval of the plate's own reading.
        base_uncertainty: Option<f64>,
        /// The plate's own reading less the batch's.
        base_off: Option<f64>,
        density: Box<DensityRecord>,
        edges_confidence: f64,
        warnings: Vec<Warning>,
    },
    Failed {
        plate: String,
        message: String,
    },
}

#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct BracketSummary {
    pub plates: Vec<String>,
    /// From OUT, with '/'.
    pub page: String,
    pub warnings: Vec<Warning>,
    pub advice: Vec<String>,
}

impl From<&BracketReport> for BracketSummary {
    fn from(bracket: &BracketReport) -> BracketSummary {
        let BracketReport { plates, page, warnings, advice, .. } = bracket.clone();
        BracketSummary { plates, page, warnings, advice }
    }
}

/// The session's summary.
pub fn summary(session: &SessionReport) -> Summary {
    let batch = session.plates.iter().find_map(|plate| match plate {
        PlateReport::Done(plate) => Some(round(plate.record.base.batch_density)),
        PlateReport::Failed(_) => None,
    });
    Summary {
        session: session.about.clone(),
        tone: session.tone.name.clone(),
        printing_density: round(session.tone.printing_density().0 as f64),
        base_density: batch,
        plates: session.plates.iter().map(plate).collect(),
        brackets: session.brackets.iter().map(BracketSummary::from).collect(),
        warnings: session.warnings.clone(),
        software: session.software.clone(),
    }
}

fn plate(report: &PlateReport) -> PlateSummary {
    match report {
        PlateReport::Failed(plate) => PlateSummary::Failed { plate: plate.id.clone(), message: plate.message.clone() },
        PlateReport::Done(plate) => {
            let r = &plate.record;
            let d = &r.density;
            PlateSummary::Done {
                plate: r.plate.clone(),
                record: format!("{0}/{0}-record.json", r.plate),
                size_mm: r.size_mm.map(round),
                pixels: r.pixels,
                ppi: round(r.ppi),
                base_density: round(r.base.density),
                base_uncertainty: r.base.uncertainty,
                base_off: r.base.plate_density.map(|own| round(own - r.base.batch_density)),
                density: Box::new(DensityRecord {
                    p01: round(d.p01),
                    p05: round(d.p05),
                    p50: round(d.p50),
                    p95: round(d.p95),
                    p99: round(d.p99),
                    deepest: d.deepest.map(round),
                    deepest_by: d.deepest_by.map(|by| by.map(round)),
                    uncertainty: d.uncertainty,
                }),
                edges_confidence: round(r.edges.confidence),
                warnings: r.warnings.clone(),
            }
        }
    }
}

/// To four decimals: a ten-thousandth of density, of a millimetre or of a sample an inch is beyond any of them.
fn round(value: f64) -> f64 {
    let rounded = (value * 1e4).round() / 1e4;
    if rounded == 0.0 { 0.0 } else { rounded }
}
