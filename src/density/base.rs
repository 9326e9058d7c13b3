//! The base reading of a batch.
//!
//! In: each plate's own reading. Out: the density that each plate's tones stand on, the median of the batch or the plate's own as the notes
//! say, with warnings for a plate far off and for a base clearer than glass can be.

use crate::error::{Fault, Warning};
use crate::notes::BaseScope;
use serde::{Deserialize, Serialize};

/// Density of uncoated glass against bare light: ((n − 1) ÷ (n + 1))² reflected at either surface (Fresnel), n = 1.52, all orders.
pub const CLEAR_GLASS: f64 = 0.0370;
/// A plate whose base lies this far from the batch's median is named: half of the step from base to the speed point (ISO 6).
pub const OUTLIER: f64 = 0.05;
/// A spread along the rebate above which it is fogged, stained or not a rebate.
const UNEVEN: f64 = 0.05;

/// One plate's own reading of its base.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Reading {
    pub density: f64,
    pub spread: f64,
    pub from: Source,
}

/// Where a base reading comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Source {
    Rebate,
    Patch,
    Notes,
    /// The batch's, where a plate has no reading of its own.
    Batch,
}

impl Source {
    /// As records name it.
    pub fn name(self) -> &'static str {
        match self {
            Source::Rebate => "rebate",
            Source::Patch => "patch",
            Source::Notes => "notes",
            Source::Batch => "batch",
        }
    }
}

/// What a batch of readings says.
#[derive(Debug, Clone, PartialEq)]
pub struct Batch {
    /// Median of all readings.
    pub density: f64,
    pub scope: BaseScope,
}

/// The base that one plate stands on.
#[derive(Debug, Clone, PartialEq)]
pub struct Standing {
    pub density: f64,
    pub from: Source,
    pub spread: f64,
    pub warnings: Vec<Warning>,
}

impl Batch {
    /// Fails when no plate could be read.
    pub fn new(readings: &[Option<Reading>], scope: BaseScope) -> Result<Batch, Fault> {
        let mut all: Vec<f64> = readings.iter().flatten().map(|r| r.density).collect();
        if all.is_empty() {
            return Err(Fault::new(
                "no plate shows a clear even margin to read base plus fog from",
                "name a clear patch in the notes ([base] rect_mm = [x, y, w, h], plate = \"ID\") or a density ([base] density = 0.14)",
            ));
        }
        all.sort_unstable_by(f64::total_cmp);
        let middle = all.len() / 2;
        let density = if all.len().is_multiple_of(2) { (all[middle - 1] + all[middle]) / 2.0 } else { all[middle] };
        Ok(Batch { density, scope })
    }

    /// What a plate with this reading stands on.
    pub fn standing(&self, own: Option<&Reading>) -> Standing {
        let mut warnings = Vec::new();
        let Some(own) = own else {
            warnings.push(Warning::new(
                "no-rebate",
                format!(
                    "no clear even margin is seen on this plate: it stands on the batch's base of {:.3}; name a clear patch or a \
                     density in the notes if the plates were not developed alike",
                    self.density
                ),
            ));
            return Standing { density: self.density, from: Source::Batch, spread: 0.0, warnings };
        };
        let off = own.density - self.density;
        if off.abs() > OUTLIER {
            warnings.push(Warning::new(
                "base-outlier",
                format!(
                    "this plate's base reads {:.3}, {:+.3} from the batch's {:.3}: fogged, stained, or developed apart; with scope = \
                     \"plate\" it stands on its own reading",
                    own.density, off, self.density
                ),
            ));
        }
        if own.density < CLEAR_GLASS {
            warnings.push(Warning::new(
                "base-too-clear",
                format!(
                    "base reads {:.3}, clearer than bare glass ({CLEAR_GLASS:.3}): the exposures of blank and plate do not agree, or the \
                     panel changed",
                    own.density
                ),
            ));
        }
        if own.spread > UNEVEN {
            warnings.push(Warning::new(
                "base-uneven",
                format!("the margin's density varies by {:.3}: look for fog or stain along the sides", own.spread),
            ));
        }
        let density = match self.scope {
            BaseScope::Batch => self.density,
            BaseScope::Plate => own.density,
        };
        Standing { density, from: own.from, spread: own.spread, warnings }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn rebate(density: f64) -> Reading {
        Reading { density, spread: 0.002, from: Source::Rebate }
    }

    /// Fresnel's formula at normal incidence, both surfaces, all inner reflections: T = (1 − R) ÷ (1 + R).
    #[test]
    fn clear_glass_is_as_fresnel_says() {
        let n: f64 = 1.52;
        let r = ((n - 1.0) / (n + 1.0)).powi(2);
        assert!((-((1.0 - r) / (1.0 + r)).log10() - CLEAR_GLASS).abs() < 5e-5);
    }

    #[test]
    fn the_batch_takes_the_median_and_names_the_plate_that_is_off() {
        let readings = [0.15, 0.16, 0.155, 0.31].map(|d| Some(rebate(d)));
        let batch = Batch::new(&readings, BaseScope::Batch).unwrap();
        assert!((batch.density - 0.1575).abs() < 1e-12);
        let fine = batch.standing(readings[0].as_ref());
        assert!(fine.warnings.is_empty());
        let off = batch.standing(readings[3].as_ref());
        assert_eq!(off.warnings[0].code, "base-outlier");
        assert!(off.warnings[0].message.contains("+0.15"), "{}", off.warnings[0].message);
        assert_eq!(off.density, batch.density);
        let own = Batch { scope: BaseScope::Plate, ..batch }.standing(readings[3].as_ref());
        assert_eq!(own.density, 0.31);
    }

    #[test]
    fn nothing_clearer_than_glass_passes_unsaid() {
        let batch = Batch::new(&[Some(rebate(0.02))], BaseScope::Batch).unwrap();
        assert!(batch.standing(Some(&rebate(0.02))).warnings.iter().any(|w| w.code == "base-too-clear"));
    }

    #[test]
    fn a_batch_without_a_reading_says_what_to_write() {
        let told = Batch::new(&[None, None], BaseScope::Batch).unwrap_err().to_string();
        assert!(told.contains("rect_mm"), "{told}");
        let batch = Batch::new(&[Some(rebate(0.15)), None], BaseScope::Batch).unwrap();
        assert_eq!(batch.standing(None).from, Source::Batch);
    }
}
