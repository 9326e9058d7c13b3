//! How a plate's densities are spread.
//!
//! In: densities above base, one at a time, or how often each code of a master occurs. Out: counts in bins of 0.02. Never fails:
//! what lies beyond the ends is counted in the end bins, what is not a number is left out.

use crate::units::{Density, NetDensity};

/// Width of a bin, in density: about the step that an eye tells apart on a print's middle tones.
pub const STEP: f64 = 0.02;
const FROM: f64 = -0.30;
const BINS: usize = 240;

/// Counts of pixels by density above base.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct Histogram {
    counts: Vec<u64>,
}

impl Default for Histogram {
    fn default() -> Self {
        Histogram { counts: vec![0; BINS] }
    }
}

impl Histogram {
    pub fn new() -> Self {
        Self::default()
    }

    /// Counts one pixel.
    pub fn add(&mut self, density: NetDensity) {
        self.add_many(density.0 as f64, 1);
    }

    /// From the number of pixels of each code of a master (T = code / 65535), and the density of base plus fog.
    pub fn of_codes(counts: &[u64], base: Density) -> Self {
        let mut histogram = Histogram::new();
        for (code, count) in counts.iter().enumerate().filter(|(_, count)| **count > 0) {
            let density = -((code as f64).max(0.5) / 65535.0).log10() - base.0 as f64;
            histogram.add_many(density, *count);
        }
        histogram
    }

    fn add_many(&mut self, density: f64, count: u64) {
        if !density.is_nan() {
            let bin = ((density - FROM) / STEP).floor().clamp(0.0, (BINS - 1) as f64);
            self.counts[bin as usize] += count;
        }
    }

    /// Adds another's counts; the order in which parts are added does not matter.
    pub fn merge(&mut self, other: &Histogram) {
        self.counts.iter_mut().zip(&other.counts).for_each(|(sum, more)| *sum += more);
    }

    /// Bins between two densities: their edges (one more than bins), and the share of all pixels in each, in percent.
    pub fn shares(&self, from: f64, to: f64) -> (Vec<f64>, Vec<f64>) {
        let all = self.counts.iter().sum::<u64>().max(1) as f64;
        let bin = |density: f64| (((density - FROM) / STEP).round().max(0.0) as usize).min(BINS);
        let (first, last) = (bin(from), bin(to).max(bin(from)));
        let edges = (first..=last).map(|k| FROM + k as f64 * STEP).collect();
        let shares = self.counts[first..last].iter().map(|count| 100.0 * *count as f64 / all).collect();
        (edges, shares)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn shares_add_up_and_lie_where_they_belong() {
        let mut histogram = Histogram::new();
        for density in [0.011, 0.012, 1.001, 9.0, f32::NAN] {
            histogram.add(NetDensity(density));
        }
        let (edges, shares) = histogram.shares(-0.3, 4.5);
        assert_eq!((edges.len(), shares.len()), (BINS + 1, BINS));
        assert!((shares.iter().sum::<f64>() - 100.0).abs() < 1e-9);
        let at = |density: f64| edges.windows(2).position(|e| e[0] <= density && density < e[1]).unwrap();
        assert_eq!((shares[at(0.011)], shares[at(1.001)]), (50.0, 25.0));
    }

    /// T 0.0025 over a base of T 0.25 is 2.00 above it.
    #[test]
    fn codes_count_as_their_densities() {
        let mut counts = vec![0; 65536];
        counts[(0.0025 * 65535.0f64) as usize] = 7;
        let histogram = Histogram::of_codes(&counts, Density(0.60206));
        assert_eq!(histogram.shares(1.98, 2.02).1.iter().sum::<f64>(), 100.0);
    }
}
