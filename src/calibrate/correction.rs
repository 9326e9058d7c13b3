//! From a tablet's readings to a correction of densities.
//!
//! In: densities read and known, with how far each may be off. Out: a [`Fitted`] correction: the smoothest course that agrees with them,
//! nothing at density 0, rising; what is left over, and its uncertainty. Fails with fewer than four steps, and where no rising course agrees.
//!
//! Model: a veil of glare v is taken off, u = −log10((10^−read − v) ÷ (1 − v)), and known = u × (1 + a + b·u + c·u² + …); as many terms, and the
//! veil only where it is needed, as lessen the error with which each step is foretold by the others
//! (leave-one-out cross-validation; Allen 1974). Where only the tablet's pitch is known, the density of its clear base is one unknown more.

use crate::density::correction::Correction;
use crate::error::Fault;
use nalgebra::{DMatrix, DVector};

/// Most terms of the course: what an S-shaped response needs. And the fewest readings for each.
const TERMS: usize = 6;
const FOR_EACH: usize = 3;
/// Density that counts as 1 in the powers, so that none outgrows the others.
const UNIT: f64 = 3.0;
/// A further term must lessen the foretelling error by this much, or it is noise.
const WORTH: f64 = 0.93;
/// Step of the table that comes out, in density: the course bends by less than 0.001 within it.
const TABLE: f64 = 0.02;
/// The veil may take this share of the light of the densest step.
const VEIL: f64 = 0.9;
/// Left over beyond this, root mean square, no response explains: the worst step of uncalibrated tablets is off by as much.
const UNLIKE: f64 = 0.10;
/// Fewest steps that a course can be judged by.
const STEPS: usize = 4;

/// What one step says.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reading {
    pub read: f64,
    pub known: f64,
    /// Standard uncertainty of the two together.
    pub sd: f64,
}

/// A correction and how well it fits.
#[derive(Debug, Clone, PartialEq)]
pub struct Fitted {
    pub correction: Correction,
    /// Density of the tablet's base over what was stated, where it was free.
    pub base: f64,
    /// Left over at each step, density.
    pub left: Vec<f64>,
    pub rms: f64,
    pub worst: f64,
    /// The largest standard uncertainty of the correction within the readings.
    pub sd: f64,
    pub terms: usize,
    /// Share of the bare panel's light that was taken off as glare.
    pub veil: Option<f64>,
}

/// Fits the correction. `free_base`: only the differences between the known densities are known.
pub fn fit(readings: &[Reading], free_base: bool, with_glare: bool) -> Result<Fitted, Fault> {
    if readings.len() < STEPS {
        return Err(Fault::new(
            format!("only {} steps of the tablet can be used", readings.len()),
            "expose so that the bare panel is just below clipping, and keep glare off with a black mask",
        ));
    }
    let most = TERMS.min(readings.len() / FOR_EACH).max(1);
    // From the plainest on: lines and curves, then the same behind a veil.
    let plain = (1..=most).map(|terms| (terms, false));
    let veiled = (1..most).map(|terms| (terms, true));
    let mut best: Option<(f64, Fitted)> = None;
    for (terms, veiled) in plain.chain(veiled) {
        let veil = if veiled { least_veil(readings, terms, free_base) } else { 0.0 };
        let model = Model { terms, veil: veiled.then_some(veil), free_base };
        let Some((foretelling, fitted)) = model.fit(readings, with_glare) else { continue };
        if best.as_ref().is_none_or(|(least, _)| foretelling < WORTH * least) {
            best = Some((foretelling, fitted));
        }
    }
    best.map(|(_, fitted)| fitted).filter(|fitted| fitted.rms < UNLIKE).ok_or_else(|| {
        Fault::new(
            "no smooth rising course carries the densities read to the tablet's",
            "check the tablet's densities and that its clear end is stated first",
        )
    })
}

/// The veil with which so many terms leave the least: by golden section.
fn least_veil(readings: &[Reading], terms: usize, free_base: bool) -> f64 {
    let darkest = readings.iter().map(|r| 10f64.powf(-r.read)).fold(1.0, f64::min);
    let left = |veil: f64| {
        let model = Model { terms, veil: Some(veil), free_base };
        model.solve(readings, false).map_or(f64::INFINITY, |s| s.residual.norm_squared())
    };
    let golden = (5f64.sqrt() - 1.0) / 2.0;
    let (mut low, mut high) = (0.0, VEIL * darkest);
    for _ in 0..60 {
        let (a, b) = (high - golden * (high - low), low + golden * (high - low));
        if left(a) < left(b) { high = b } else { low = a }
    }
    (low + high) / 2.0
}

/// What the course is made of.
struct Model {
    terms: usize,
    veil: Option<f64>,
    free_base: bool,
}

/// A least-squares solution, in units of each reading's uncertainty.
struct Solved {
    a: DMatrix<f64>,
    inverse: DMatrix<f64>,
    x: DVector<f64>,
    residual: DVector<f64>,
}

impl Model {
    /// Density with the veil taken off.
    fn unveiled(&self, read: f64) -> f64 {
        self.veil.map_or(read, |v| -((10f64.powf(-read) - v).max(1e-9) / (1.0 - v)).log10())
    }

    fn columns(&self, with_veil: bool) -> usize {
        self.terms + usize::from(self.free_base) + usize::from(with_veil)
    }

    /// What each unknown adds to the known density at a read one: terms, the base, and the veil where it is asked for.
    fn row(&self, read: f64, with_veil: bool) -> Vec<f64> {
        let u = self.unveiled(read);
        let mut row: Vec<f64> = (0..self.terms).map(|k| (u / UNIT).powi(k as i32 + 1)).collect();
        if self.free_base {
            row.push(-1.0);
        }
        if with_veil {
            let v = self.veil.unwrap_or_default();
            row.push((1.0 / (10f64.powf(-read) - v).max(1e-9) - 1.0 / (1.0 - v)) / std::f64::consts::LN_10);
        }
        row
    }

    fn solve(&self, readings: &[Reading], with_veil: bool) -> Option<Solved> {
        let rows: Vec<Vec<f64>> = readings.iter().map(|r| self.row(r.read, with_veil)).collect();
        let a = DMatrix::from_fn(rows.len(), self.columns(with_veil), |i, j| rows[i][j] / readings[i].sd);
        let b =
            DVector::from_fn(rows.len(), |i, _| (readings[i].known - self.unveiled(readings[i].read)) / readings[i].sd);
        let inverse = (a.transpose() * &a).try_inverse()?;
        let x = &inverse * a.transpose() * &b;
        let residual = &b - &a * &x;
        Some(Solved { a, inverse, x, residual })
    }

    /// The fit and the root mean square error of foretelling each step by the others; none where it does not rise.
    fn fit(&self, readings: &[Reading], with_glare: bool) -> Option<(f64, Fitted)> {
        let (n, veiled) = (readings.len(), self.veil.is_some());
        let Solved { x, residual, .. } = self.solve(readings, false)?;
        // The veil is one unknown more, for what one reading moves and for the uncertainty.
        let Solved { a, inverse, .. } = self.solve(readings, veiled)?;
        let hat = &a * &inverse * a.transpose();
        let foretold: f64 =
            (0..n).map(|i| (residual[i] / (1.0 - hat[(i, i)]).max(1e-6)).powi(2)).sum::<f64>() / n as f64;
        let course = |read: f64| {
            let u = self.unveiled(read);
            u + (0..self.terms).map(|k| x[k] * (u / UNIT).powi(k as i32 + 1)).sum::<f64>()
        };
        let reach = readings.iter().map(|r| r.read).fold(0.0, f64::max);
        let count = (reach / TABLE).ceil().max(1.0) as usize;
        let read: Vec<f64> = (0..=count).map(|k| reach * k as f64 / count as f64).collect();
        let mut density: Vec<f64> = read.iter().map(|d| course(*d)).collect();
        density[0] = 0.0;
        if !density.windows(2).all(|p| p[1] > p[0]) {
            return None;
        }
        let left: Vec<f64> = residual.iter().zip(readings).map(|(r, reading)| -r * reading.sd).collect();
        // Where the stated uncertainties are too small for how far each step lies from what the others foretell, the result's grow with it: what is left
        // over would not count where the course only bends to the steps.
        let excess = foretold.max(1.0);
        let sd_at = |read: f64| {
            let mut v = DVector::from_vec(self.row(read, veiled));
            if self.free_base {
                v[self.terms] = 0.0;
            }
            ((v.transpose() * &inverse * &v)[0] * excess).max(0.0).sqrt()
        };
        let sd: Vec<f64> = read.iter().map(|read| sd_at(*read)).collect();
        let fitted = Fitted {
            correction: Correction { read, density, sd, with_glare },
            base: if self.free_base { x[self.terms] } else { 0.0 },
            rms: (left.iter().map(|l| l * l).sum::<f64>() / n as f64).sqrt(),
            worst: left.iter().map(|l| l.abs()).fold(0.0, f64::max),
            left,
            sd: readings.iter().map(|r| sd_at(r.read)).fold(0.0, f64::max),
            terms: self.terms,
            veil: self.veil,
        };
        Some((foretold.sqrt(), fitted))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn readings(course: impl Fn(f64) -> f64, base: f64) -> Vec<Reading> {
        (0..21)
            .map(|k| {
                let known = 0.05 + 0.15 * k as f64;
                // The read density whose course is the known one, by halving.
                let (mut low, mut high) = (0.0, 5.0);
                for _ in 0..60 {
                    let middle = (low + high) / 2.0;
                    if course(middle) < known + base { low = middle } else { high = middle }
                }
                Reading { read: low, known, sd: 0.005 }
            })
            .collect()
    }

    /// The course is of the model's own form, so that it comes back but for rounding and the straight pieces of the table.
    #[test]
    fn a_course_of_the_models_form_comes_back() {
        let course = |d: f64| d * (1.03 + 0.02 * d);
        let fitted = fit(&readings(course, 0.0), false, false).unwrap();
        assert_eq!(fitted.terms, 2);
        assert!(fitted.rms < 1e-9, "{}", fitted.rms);
        for d in [0.1, 0.77, 1.5, 2.6] {
            assert!((fitted.correction.at(d) - course(d)).abs() < 1e-4);
        }
        assert_eq!(fitted.correction.check(), Ok(()));
        let free = fit(&readings(course, 0.04), true, false).unwrap();
        assert!((free.base - 0.04).abs() < 1e-6, "{}", free.base);
        assert!((free.correction.at(1.5) - course(1.5)).abs() < 1e-4);
    }

    /// The closed form of a veil: read = −log10((10^−known + v) ÷ (1 + v)), of 0.002, on top of a response's error of 2 %.
    #[test]
    fn a_veil_is_told_from_a_response() {
        let readings: Vec<Reading> = (0..21)
            .map(|k| {
                let known = 0.05 + 0.15 * k as f64;
                Reading { read: -((10f64.powf(-known * 1.02) + 0.002) / 1.002).log10(), known, sd: 0.005 }
            })
            .collect();
        let fitted = fit(&readings, false, true).unwrap();
        assert!(fitted.rms < 1e-3 && (fitted.veil.unwrap() / 0.002 - 1.0).abs() < 0.02, "{fitted:?}");
        for r in readings {
            assert!((fitted.correction.at(r.read) - r.known).abs() < 0.003, "{r:?}");
        }
    }

    #[test]
    fn a_tablet_that_is_read_rightly_needs_next_to_no_correction() {
        let fitted = fit(&readings(|d| d, 0.0), false, true).unwrap();
        assert!((fitted.correction.at(2.0) - 2.0).abs() < 1e-9 && fitted.correction.with_glare);
    }

    #[test]
    fn too_few_steps_and_courses_that_fall_are_refused() {
        assert!(fit(&readings(|d| d, 0.0)[..3], false, false).unwrap_err().what().contains("only 3"));
        let falling: Vec<Reading> =
            (0..9).map(|k| Reading { read: 0.1 + 0.3 * k as f64, known: 2.7 - 0.3 * k as f64, sd: 0.01 }).collect();
        assert!(fit(&falling, false, false).is_err());
    }
}
