//! What a camera's densities must be corrected by, as a step tablet showed.
//!
//! In: transmittance as it was read. Out: transmittance whose densities agree with the tablet's. The bare panel stays bare (density 0), and
//! beyond the tablet's densest usable step the difference at that step goes on. Never fails; a table that does not rise is refused
//! when its profile is read.
//!
//! The correction holds for frames exposed as the tablet's was: an error of the response depends on the code, and so on the exposure.

use crate::image::Image;
use crate::units::Transmittance;
use rayon::prelude::*;
use serde::{Deserialize, Serialize};
use std::f64::consts::SQRT_2;

/// Densities as read and as they are, straight between.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Correction {
    /// Rising from 0.
    pub read: Vec<f64>,
    /// The density that is really there, at each; never falling, from 0.
    pub density: Vec<f64>,
    /// Standard uncertainty of the density at each; none in profiles that do not tell.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub sd: Vec<f64>,
    /// Whether the glare of the tablet's own frame is in the table; no other glare is then taken off.
    #[serde(default)]
    pub with_glare: bool,
}

impl Correction {
    pub fn check(&self) -> Result<(), String> {
        let (read, density) = (&self.read, &self.density);
        if read.len() < 2 || read.len() != density.len() {
            return Err("`read` and `density` must hold as many values, two or more".into());
        }
        let starts = read[0] == 0.0 && density[0] == 0.0;
        let finite = read.iter().chain(density).all(|d| d.is_finite());
        if !starts || !finite || !read.windows(2).all(|p| p[0] < p[1]) || !density.windows(2).all(|p| p[0] <= p[1]) {
            return Err("`read` must rise from 0, and `density` must never fall from 0".into());
        }
        let sound = self.sd.iter().all(|sd| sd.is_finite() && *sd >= 0.0);
        if !sound || !matches!(self.sd.len(), n if n == 0 || n == read.len()) {
            return Err("`sd` must hold as many values as `read`, none below 0".into());
        }
        Ok(())
    }

    /// The density that is there where `read` was read.
    pub fn at(&self, read: f64) -> f64 {
        if read <= 0.0 {
            return read;
        }
        let after = self.read.partition_point(|d| *d <= read).max(1);
        let last = self.read.len() - 1;
        if after > last {
            return read + self.density[last] - self.read[last];
        }
        let share = (read - self.read[after - 1]) / (self.read[after] - self.read[after - 1]);
        self.density[after - 1] + (self.density[after] - self.density[after - 1]) * share
    }

    /// The densest that the tablet showed, as read.
    pub fn reach(&self) -> f64 {
        self.read.last().copied().unwrap_or_default()
    }

    /// Standard uncertainty at densities up to the densest that the tablet showed, for a frame whose panel's light scatters by `uneven` (density): an
    /// error of the response depends on the code, so that it grows with how much steeper the correction is than where it starts. The tablet's steps
    /// lay under light that scattered as much, and both count.
    pub fn uncertainty(&self, uneven: f64) -> Vec<[f64; 2]> {
        const PITCH: usize = 8;
        let (last, sd) = (self.read.len() - 1, &self.sd);
        let steepness = |k: usize| {
            let (from, to) = (k.saturating_sub(PITCH / 2), (k + PITCH / 2).min(last));
            (self.density[to] - self.density[from]) / (self.read[to] - self.read[from])
        };
        let at = |k: usize| [self.density[k], sd[k].hypot((steepness(k) - steepness(0)) * SQRT_2 * uneven)];
        if sd.is_empty() { Vec::new() } else { (0..last).step_by(PITCH).chain([last]).map(at).collect() }
    }

    /// Corrects an image. Light at or below none keeps its sign, so that noise about black stays noise about black.
    pub fn apply(&self, image: &mut Image<Transmittance>) {
        let last = self.read.len() - 1;
        let deepest = 10f64.powf(-self.read[last]) as f32;
        let beyond = 10f64.powf(self.read[last] - self.density[last]) as f32;
        image.pixels_mut().par_iter_mut().for_each(|t| {
            t.0 = match t.0 {
                t if t >= 1.0 => t,
                t if t <= deepest => t * beyond,
                t => 10f64.powf(-self.at(-(t as f64).log10())) as f32,
            }
        });
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::image::Size;

    /// By hand: read 1.0 stands for 1.1 and 2.0 for 2.4, so that 1.5 stands for 1.75 and 3.0 for 3.4; nothing becomes of 0.
    #[test]
    fn densities_follow_the_table_and_go_on_beyond_it() {
        let c =
            Correction { read: vec![0.0, 1.0, 2.0], density: vec![0.0, 1.1, 2.4], sd: Vec::new(), with_glare: false };
        assert_eq!(c.check(), Ok(()));
        let read = [-0.01, 0.0, 0.5, 1.5, 3.0];
        let there = [-0.01, 0.0, 0.55, 1.75, 3.4];
        let mut image =
            Image::from_vec(Size::new(1, 5), read.map(|d: f64| Transmittance(10f64.powf(-d) as f32)).to_vec());
        c.apply(&mut image);
        for ((t, read), there) in image.pixels().iter().zip(read).zip(there) {
            assert!((c.at(read) - there).abs() < 1e-12);
            assert!((-(t.0 as f64).log10() - there).abs() < 1e-5, "{read}");
        }
        let mut black = Image::filled(Size::new(1, 1), Transmittance(-1e-4));
        c.apply(&mut black);
        assert!((black.at(0, 0).0 + 1e-4 * 10f32.powf(-0.4)).abs() < 1e-9);
    }

    #[test]
    fn tables_that_fall_or_do_not_start_at_nothing_are_refused() {
        let of = |read: &[f64], density: &[f64]| Correction {
            read: read.into(),
            density: density.into(),
            sd: Vec::new(),
            with_glare: false,
        };
        for bad in [
            of(&[0.0], &[0.0]),
            of(&[0.0, 1.0], &[0.1, 1.0]),
            of(&[0.0, 1.0, 0.5], &[0.0, 1.0, 2.0]),
            of(&[0.0, 1.0, 2.0], &[0.0, 1.0, 0.9]),
        ] {
            assert!(bad.check().is_err(), "{bad:?}");
        }
    }
}
