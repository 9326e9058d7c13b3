//! A photographic paper: what density a log exposure makes on it.
//!
//! In: the paper's deepest black, its log exposure range by ISO 6846, and how soft its toe and shoulder are. Out: its characteristic
//! curve, reflection density above the paper's white against log10 exposure, rising all the way. Fails where no curve with such a
//! toe and shoulder is as short as the range asked for.
//!
//! The slope is that of the straight part, times a rise at the toe and a fall at the shoulder, both logistic in log exposure: far out
//! in the toe density grows in proportion to a power of the exposure, as it does on real papers, and it nears black in the same
//! manner. The curve is the integral of the slope; the length of the straight part is solved for from the range. This shape is our
//! own choice; the range is measured on it as the standard says: from 0.04 above white to 90 % of the deepest black
//! (ISO 6846:1992).

use crate::error::Fault;

/// ISO 6846: the light end of the useful range, density above the paper's white.
pub const LIGHT_END: f64 = 0.04;
/// ISO 6846: the dark end, as a share of the deepest black.
pub const DARK_END: f64 = 0.90;

/// Log exposure between entries of the table.
const STEP: f64 = 1.0 / 1024.0;
/// How far the table runs beyond toe and shoulder, in their widths: what is left out there is e^−18 of the black, 3e-8 D.
const TAIL: f64 = 18.0;

/// A paper's characteristic curve.
#[derive(Debug, Clone)]
pub struct Paper {
    /// Density of the deepest black above white.
    black: f64,
    /// Log exposure of the table's first entry; 0 is the light end of the useful range.
    from: f64,
    densities: Vec<f64>,
    toe: f64,
    shoulder: f64,
}

impl Paper {
    /// `black`: 0.5 to 3; `range`: log exposure from the light to the dark end; `toe` and `shoulder`: log exposure over which the
    /// distance from white and from black falls by a factor of e far outside the straight part.
    pub fn new(black: f64, range: f64, toe: f64, shoulder: f64) -> Result<Paper, Fault> {
        let useful = |span: f64| {
            let (from, densities) = integrate(black, span, toe, shoulder);
            let light = crossing(&densities, LIGHT_END) * STEP;
            let dark = crossing(&densities, DARK_END * black) * STEP;
            (dark - light, from + light)
        };
        // Beyond one toe and shoulder inwards the two cross, and the curve grows no shorter.
        let (mut low, mut high) = (-(toe + shoulder) * 4.0, range * 1.5 + 1.0);
        if useful(low).0 > range {
            let least = useful(low).0;
            return Err(Fault::new(
                format!(
                    "a range of {range:.2} is too short for a toe of {toe:.2} and a shoulder of {shoulder:.2}: these alone take {least:.2}"
                ),
                "make toe and shoulder smaller, or range larger",
            ));
        }
        for _ in 0..36 {
            let middle = (low + high) / 2.0;
            if useful(middle).0 < range { low = middle } else { high = middle }
        }
        let span = (low + high) / 2.0;
        let light = useful(span).1;
        let (from, densities) = integrate(black, span, toe, shoulder);
        Ok(Paper { black, from: from - light, densities, toe, shoulder })
    }

    /// Density of the deepest black above white.
    pub fn black(&self) -> f64 {
        self.black
    }

    /// Reflection density above white that a log exposure makes; log exposure 0 makes 0.04.
    pub fn density(&self, log_exposure: f64) -> f64 {
        let at = (log_exposure - self.from) / STEP;
        let last = self.densities.len() - 1;
        if at <= 0.0 {
            return self.densities[0] * (at * STEP / self.toe).exp();
        }
        if at >= last as f64 {
            let beyond = (at - last as f64) * STEP;
            return self.black - (self.black - self.densities[last]) * (-beyond / self.shoulder).exp();
        }
        let (whole, part) = (at as usize, at.fract());
        self.densities[whole] + part * (self.densities[whole + 1] - self.densities[whole])
    }

    /// Log exposure that makes a reflection density; a density outside white to black is told as the nearest that is made.
    pub fn log_exposure(&self, density: f64) -> f64 {
        self.from + crossing(&self.densities, density) * STEP
    }
}

/// The curve with its straight part `span` long: log exposure of the first entry, toe corner at 0, and densities at every step.
fn integrate(black: f64, span: f64, toe: f64, shoulder: f64) -> (f64, Vec<f64>) {
    let logistic = |x: f64| 1.0 / (1.0 + (-x).exp());
    let slope = |x: f64| logistic(x / toe) * logistic((span - x) / shoulder);
    let from = -TAIL * toe;
    let count = ((span.max(0.0) + TAIL * shoulder - from) / STEP).ceil() as usize;
    let mut densities = Vec::with_capacity(count + 1);
    // Below the first entry the slope is an exponential, whose integral is its value times the toe.
    let mut sum = slope(from) * toe;
    let mut before = slope(from);
    densities.push(sum);
    for k in 1..=count {
        let now = slope(from + k as f64 * STEP);
        sum += (before + now) / 2.0 * STEP;
        before = now;
        densities.push(sum);
    }
    let all = sum + before * shoulder;
    densities.iter_mut().for_each(|d| *d *= black / all);
    (from, densities)
}

/// Where a rising table passes a value, in entries and parts of one.
fn crossing(rising: &[f64], value: f64) -> f64 {
    let above = rising.partition_point(|d| *d < value);
    if above == 0 {
        return 0.0;
    }
    if above == rising.len() {
        return (rising.len() - 1) as f64;
    }
    let (low, high) = (rising[above - 1], rising[above]);
    above as f64 - 1.0 + if high > low { (value - low) / (high - low) } else { 0.0 }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// LER read off the curve by stepping along it, as from a print of a step tablet, and not by the code under test.
    fn ler(paper: &Paper) -> f64 {
        let place =
            |density: f64| (-40000..40000).map(|k| k as f64 * 1e-4).find(|x| paper.density(*x) >= density).unwrap();
        place(0.90 * paper.black()) - place(0.04)
    }

    /// ISO 6846:1992: the useful range runs from 0.04 above base plus fog to 90 % of the deepest black. The steps are 1e-4.
    #[test]
    fn the_range_is_that_of_iso_6846() {
        for (black, range, toe, shoulder) in
            [(2.1, 1.05, 0.2, 0.09), (1.6, 1.9, 0.22, 0.12), (2.1, 0.7, 0.09, 0.05), (2.0, 0.55, 0.05, 0.05)]
        {
            let paper = Paper::new(black, range, toe, shoulder).unwrap();
            assert!((ler(&paper) - range).abs() < 3e-4, "{range}: {}", ler(&paper));
            assert!((paper.density(0.0) - 0.04).abs() < 1e-4);
            assert!((paper.density(9.0) - black).abs() < 1e-6 && paper.density(-20.0) < 1e-6);
        }
    }

    #[test]
    fn a_toe_too_long_for_the_range_is_refused() {
        let fault = Paper::new(2.0, 0.6, 0.5, 0.5).unwrap_err();
        assert!(fault.what().contains("0.60"), "{fault}");
    }

    /// With hardly any toe and shoulder the curve is a straight line, and 0.04 to 90 % of black lie on it where they must.
    #[test]
    fn without_toe_and_shoulder_the_curve_is_straight() {
        let paper = Paper::new(2.0, 1.0, 0.01, 0.01).unwrap();
        let slope = (0.9 * 2.0 - 0.04) / 1.0;
        assert!((paper.density(0.5) - (0.04 + 0.5 * slope)).abs() < 0.01);
    }

    proptest! {
        #[test]
        fn more_light_never_makes_less_density(
            black in 0.5..3.0f64, range in 1.2..3.0f64, toe in 0.02..0.12f64, shoulder in 0.02..0.12f64, at in -8.0..8.0f64, step in 0.0..0.5f64,
        ) {
            let paper = Paper::new(black, range, toe, shoulder).unwrap();
            let (less, more) = (paper.density(at), paper.density(at + step));
            prop_assert!(less <= more && less >= 0.0 && more <= black, "{less} {more}");
        }

        #[test]
        fn exposure_and_density_undo_each_other(density in 0.001..2.09f64) {
            let paper = Paper::new(2.1, 1.05, 0.14, 0.08).unwrap();
            prop_assert!((paper.density(paper.log_exposure(density)) - density).abs() < 1e-9);
        }
    }
}
