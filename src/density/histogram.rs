//! How often each transmittance occurs on a plate, kept by 16-bit codes so that percentiles are exact.

/// Full scale of a master's codes: T = code ÷ 65535.
pub const FULL: f64 = 65535.0;

/// Counts of the 65536 codes of linear transmittance.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Histogram {
    counts: Vec<u64>,
}

impl Default for Histogram {
    fn default() -> Self {
        Histogram { counts: vec![0; 65536] }
    }
}

impl Histogram {
    pub fn add(&mut self, codes: &[u16]) {
        codes.iter().for_each(|c| self.counts[*c as usize] += 1);
    }

    /// Takes out what has no density because nothing was seen there: code 0.
    pub fn forget_black(&mut self) {
        self.counts[0] = 0;
    }

    pub fn total(&self) -> u64 {
        self.counts.iter().sum()
    }

    /// Density against bare light below which `share` of the plate lies. Black (code 0) counts as half a code.
    pub fn percentile(&self, share: f64) -> f64 {
        let from_bright = (share * self.total() as f64) as u64;
        let mut sum = 0;
        for (code, count) in self.counts.iter().enumerate().rev() {
            sum += count;
            if sum > from_bright {
                return density(code);
            }
        }
        density(0)
    }

    /// How many pixels have each code.
    pub fn counts(&self) -> &[u64] {
        &self.counts
    }
}

/// Density of a code.
pub fn density(code: usize) -> f64 {
    -((code as f64).max(0.5) / FULL).log10()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn percentiles_run_from_clear_to_dense() {
        let mut histogram = Histogram::default();
        histogram.add(&[65535; 50]);
        histogram.add(&[6554; 40]);
        histogram.add(&[700; 10]);
        assert!(histogram.percentile(0.05).abs() < 1e-9);
        assert!((histogram.percentile(0.7) - 1.0).abs() < 1e-4);
        assert!((histogram.percentile(0.95) - 1.9714).abs() < 1e-3);
    }
}
