//! What each plate recorded of the scene that all of them show, and how two go together from zone to zone.
//!
//! In: densities of all plates on A's grid. Out: [`PlateFigures`] and [`Zone`]s. Nothing here fails.

use super::area::Area;
use super::curve::{Recovered, SPEED_POINT};
use super::joint::{Figure, Joint};
use serde::Serialize;

/// One plate, over the area that all plates share.
#[derive(Debug, Clone, Default, Serialize)]
pub struct PlateFigures {
    pub plate: String,
    /// 1st, 5th, 50th, 95th and 99th percentile of density above base.
    pub density: [f64; 5],
    /// From the 1st to the 99th percentile.
    pub density_range: f64,
    /// Share under 0.10 above base plus fog (ISO 6).
    pub below_speed_point: f64,
    /// Share under 0.02 above base plus fog.
    pub blank: f64,
    /// Share where the curve is less than half as steep as at its steepest; only where the bracket gave a curve that comes so far.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub on_shoulder: Option<f64>,
    /// Why there is no share on the shoulder.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub no_shoulder: Option<&'static str>,
    /// Median standard deviation of density within small windows, in the quarter of the scene with the least density on A, the middle half
    /// and the quarter with the most.
    pub local_contrast: [Option<f64>; 3],
}

/// Under this density nothing was recorded that development could bring out: twice the accuracy of a base reading.
pub const BLANK: f64 = 0.02;

/// `curve`: the plate's own, or why there is none.
pub fn figures(id: &str, area: &Area, plate: usize, curve: Result<&Recovered, &'static str>) -> PlateFigures {
    let density = [0.01, 0.05, 0.50, 0.95, 0.99].map(|share| area.quantile(plate, share));
    let [low, high] = [0.25, 0.75].map(|share| area.quantile(0, share));
    let shoulder = curve.and_then(|c| c.shoulder().ok_or("the curve does not come as far as a shoulder"));
    PlateFigures {
        plate: id.into(),
        density,
        density_range: density[4] - density[0],
        below_speed_point: area.share_below(plate, SPEED_POINT),
        blank: area.share_below(plate, BLANK),
        on_shoulder: shoulder.ok().map(|d| 1.0 - area.share_below(plate, d)),
        no_shoulder: shoulder.err(),
        local_contrast: [(f64::NEG_INFINITY, low), (low, high), (high, f64::INFINITY)]
            .map(|(from, to)| area.contrast(plate, from, to)),
    }
}

/// What B has over A at a density of A: by the relation, or below A's speed point by ranks.
pub fn gain(area: &Area, joint: &Joint, density: f64) -> Figure {
    if density < SPEED_POINT {
        return area.gain(1, density, joint.moved);
    }
    let on = joint.relation.figure(density);
    Figure { value: on.value - density, ..on }
}

/// One range of A's densities, darkest parts of the scene first.
#[derive(Debug, Clone, Serialize)]
pub struct Zone {
    /// Percentiles of A's density that bound it.
    pub percentiles: [f64; 2],
    /// The same as density above base on A.
    pub density: [f64; 2],
    /// B minus A in its middle, and the standard error.
    pub gain_density: f64,
    pub gain_uncertainty: f64,
    /// Slope of D_B against D_A within it.
    pub relative_contrast: Option<f64>,
    pub relative_contrast_uncertainty: Option<f64>,
}

const ZONES: [[f64; 2]; 5] = [[1.0, 10.0], [10.0, 30.0], [30.0, 70.0], [70.0, 90.0], [90.0, 99.0]];

/// `gain` at a density of A, and `slope` between two.
pub fn zones(area: &Area, gain: impl Fn(f64) -> Figure, slope: impl Fn(f64, f64) -> Option<Figure>) -> Vec<Zone> {
    ZONES
        .iter()
        .map(|percentiles| {
            let [from, to] = percentiles.map(|p| area.quantile(0, p / 100.0));
            let middle = area.quantile(0, (percentiles[0] + percentiles[1]) / 200.0);
            let gain = gain(middle);
            // A zone of little range has no slope of its own.
            let slope = (to - from > 0.08).then(|| slope(from, to)).flatten();
            Zone {
                percentiles: *percentiles,
                density: [from, to],
                gain_density: gain.value,
                gain_uncertainty: gain.error,
                relative_contrast: slope.map(|s| s.value),
                relative_contrast_uncertainty: slope.map(|s| s.error),
            }
        })
        .collect()
}
