//! What the densities of a plate are counted from in a comparison: the base plus fog that it stands on, or its own.
//!
//! In: the base as a plate's record has it. Out: a [`PlateBase`]. Nothing fails.
//!
//! A batch stands on one base reading, which is the surest where all plates were developed alike. A plate that was developed longer has
//! fog of its own, and on it the speed point lies 0.10 above that (ISO 6): where a plate's own reading differs from the batch's by more than
//! the reading's own uncertainty, its densities are counted from its own.

use crate::density::uncertainty::K;
use crate::error::Warning;
use crate::record::BaseRecord;

/// Half the 95 % interval of a reading that says nothing of its own: what is asked of a base reading.
const ACCURACY: f64 = 0.01;
/// A difference from the batch's reading that is worth a word: a tenth of the way to the speed point.
const TOLD: f64 = 0.01;

/// Base plus fog of one plate, densities against bare light.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PlateBase {
    /// What densities are counted from.
    pub counted: f64,
    /// What the plate's results stand on elsewhere.
    pub stands_on: f64,
    /// The plate's own reading.
    pub own: Option<f64>,
    /// Standard uncertainty of the own reading, or of the batch's for this plate.
    pub sd: f64,
}

impl PlateBase {
    pub fn of(record: &BaseRecord) -> PlateBase {
        let half = record.uncertainty.unwrap_or(ACCURACY);
        let differs = |own: &f64| (own - record.stands_on).abs() > half;
        PlateBase {
            counted: record.plate_density.filter(differs).unwrap_or(record.stands_on),
            stands_on: record.stands_on,
            own: record.plate_density,
            sd: half / K,
        }
    }

    /// Base plus fog of this plate as far as it is known.
    pub fn read(&self) -> f64 {
        self.own.unwrap_or(self.stands_on)
    }

    /// Says so where the plate is counted from another base than its results stand on.
    pub fn told(&self, id: &str) -> Option<Warning> {
        let off = self.counted - self.stands_on;
        (off.abs() >= TOLD).then(|| {
            let message = format!(
                "the base plus fog of {id} reads {:.3}, {:.3} {} than the {:.3} that the batch stands on: here its densities, its gains and its \
                 share under the speed point are counted from its own",
                self.counted,
                off.abs(),
                if off > 0.0 { "denser" } else { "thinner" },
                self.stands_on
            );
            Warning::new("own-base", message)
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(own: Option<f64>, uncertainty: Option<f64>) -> PlateBase {
        PlateBase::of(&BaseRecord {
            density: own.unwrap_or(0.14),
            stands_on: 0.14,
            from: "rebate".into(),
            spread: 0.001,
            plate_density: own,
            batch_density: 0.14,
            uncertainty,
        })
    }

    #[test]
    fn fog_of_its_own_is_counted_from_and_told() {
        let pushed = read(Some(0.25), Some(0.006));
        assert_eq!((pushed.counted, pushed.read()), (0.25, 0.25));
        let told = pushed.told("K-02").unwrap();
        assert!(told.message.contains("0.110 denser than the 0.140"), "{}", told.message);
        let alike = read(Some(0.144), Some(0.006));
        assert_eq!((alike.counted, alike.read()), (0.14, 0.144));
        assert!(alike.told("K-02").is_none());
        // Sure of a small difference: counted, and no word of it.
        let sure = read(Some(0.144), Some(0.001));
        assert!(sure.counted == 0.144 && sure.told("K-02").is_none());
        assert_eq!(read(Some(0.149), None).counted, 0.14);
        assert_eq!(read(None, None).counted, 0.14);
    }
}
