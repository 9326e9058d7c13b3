//! From a tablet's readings to a correction of densities.
//!
//! In: densities read and known, with how far each may be off. Out: a [`Fitted`] correction: the smoothest course that agrees with them,
//! nothing at density 0, rising; what is left over, and its uncertainty. Fails with fewer than four steps, and where no rising course agrees.
//!
//! Model: known = read × (1 + a + b·read + c·read²); as many terms as lessen the error with which each step is foretold by the others
//! (leave-one-out cross-validation; Allen 1974). Where only the tablet's pitch is known, the density of its clear base is one unknown more.

use crate::density::correction::Correction;
use crate::error::Fault;
use nalgebra::{DMatrix, DVector};

/// Most terms of the course.
const TERMS: usize = 3;
/// A further term must lessen the foretelling error by this much, or it is noise.
const WORTH: f64 = 0.93;
/// Step of the table that comes out, in density: the course bends by less than 0.0001 within it.
const TABLE: f64 = 0.05;
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
}

/// Fits the correction. `free_base`: only the differences between the known densities are known.
pub fn fit(readings: &[Reading], free_base: bool, with_glare: bool) -> Result<Fitted, Fault> {
    if readings.len() < STEPS {
        return Err(Fault::new(
            format!("only {} steps of the tablet can be used", readings.len()),
            "expose so that the bare panel is just below clipping, and keep glare off with a black mask",
        ));
    }
    let mut best: Option<(f64, Fitted)> = None;
    for terms in 1..=TERMS.min(readings.len() - 2) {
        let Some((foretelling, fitted)) = with_terms(readings, terms, free_base, with_glare) else { continue };
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

/// The fit with so many terms and the root mean square error of foretelling each step by the others; none where it does not rise.
fn with_terms(readings: &[Reading], terms: usize, free_base: bool, with_glare: bool) -> Option<(f64, Fitted)> {
    let n = readings.len();
    let columns = terms + usize::from(free_base);
    let row = |d: f64| -> Vec<f64> {
        let mut row: Vec<f64> = (0..terms).map(|k| d.powi(k as i32 + 1)).collect();
        if free_base {
            row.push(-1.0);
        }
        row
    };
    let a = DMatrix::from_fn(n, columns, |i, j| row(readings[i].read)[j] / readings[i].sd);
    let b = DVector::from_fn(n, |i, _| (readings[i].known - readings[i].read) / readings[i].sd);
    let inverse = (a.transpose() * &a).try_inverse()?;
    let x = &inverse * a.transpose() * &b;
    let residual = &b - &a * &x;
    let hat = &a * &inverse * a.transpose();
    let foretold: f64 = (0..n).map(|i| (residual[i] / (1.0 - hat[(i, i)]).max(1e-6)).powi(2)).sum::<f64>() / n as f64;
    let difference = |d: f64| (0..terms).map(|k| x[k] * d.powi(k as i32 + 1)).sum::<f64>();
    let reach = readings.iter().map(|r| r.read).fold(0.0, f64::max);
    let count = (reach / TABLE).ceil().max(1.0) as usize;
    let read: Vec<f64> = (0..=count).map(|k| reach * k as f64 / count as f64).collect();
    let density: Vec<f64> = read.iter().map(|d| d + difference(*d)).collect();
    if !density.windows(2).all(|p| p[1] > p[0]) {
        return None;
    }
    let left: Vec<f64> = residual.iter().zip(readings).map(|(r, reading)| -r * reading.sd).collect();
    // Where the stated uncertainties are too small for what is left, the result's grow with it.
    let excess = (residual.norm_squared() / (n - columns).max(1) as f64).max(1.0);
    let sd = readings
        .iter()
        .map(|r| {
            let mut v = DVector::from_vec(row(r.read));
            if free_base {
                v[terms] = 0.0;
            }
            ((v.transpose() * &inverse * &v)[0] * excess).max(0.0).sqrt()
        })
        .fold(0.0, f64::max);
    let fitted = Fitted {
        correction: Correction { read, density, with_glare },
        base: if free_base { x[terms] } else { 0.0 },
        rms: (left.iter().map(|l| l * l).sum::<f64>() / n as f64).sqrt(),
        worst: left.iter().map(|l| l.abs()).fold(0.0, f64::max),
        left,
        sd,
        terms,
    };
    Some((foretold.sqrt(), fitted))
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
