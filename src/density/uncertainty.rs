//! How sure a density of a plate is, beyond the chance of the pixels that it is the mean of.
//!
//! In: what blanks, exposure, glare and response say of themselves ([`Uncertainty`], kept in the plate's record). Out: for a density, how far
//! each may have moved it ([`Shares`]), as standard uncertainties. A part that nothing is known of is named and not guessed. Never fails.
//!
//! Method: the law of propagation of uncertainty (JCGM 100:2008, 5.1.2), parts independent of one another; what comes from few values
//! is widened as Student's t asks (ibid., G.3). An interval of 95 % is [`K`] standard uncertainties either way.

use serde::{Deserialize, Serialize};
use std::f64::consts::{LN_10, SQRT_2};

/// Standard uncertainties in half a 95 % interval: the normal distribution's.
pub const K: f64 = 1.96;
/// Student's t, two-sided 95 %, for 1 to 9 degrees of freedom (any table).
const STUDENT: [f64; 9] = [12.706, 4.303, 3.182, 2.776, 2.571, 2.447, 2.365, 2.306, 2.262];

/// What moves many of a plate's pixels together, and how far.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Uncertainty {
    /// Noise that is left in the blank, density.
    pub blank: Part,
    /// The capture's exposure over the blank's, the panel's steadiness included, density.
    pub exposure: Part,
    /// The ratios between copy exposures, density: they move dense parts against clear ones.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub ratio: Option<Part>,
    /// The light that was taken off as glare, as a share of the frame's mean light.
    pub glare: Part,
    /// Mean light of the capture as a share of the bare panel's: by this much glare grows.
    pub mean_light: f64,
    /// How codes stand for light, density.
    pub response: Part,
    /// The same by density, where it was measured so: [density, standard uncertainty], straight between.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub response_at: Vec<[f64; 2]>,
}

/// One part: its standard uncertainty, none where nothing tells, and what it is from or why it is lacking.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Part {
    pub sd: Option<f64>,
    pub from: String,
}

impl Part {
    pub fn known(sd: f64, from: impl Into<String>) -> Part {
        Part { sd: Some(sd), from: from.into() }
    }

    pub fn lacking(why: impl Into<String>) -> Part {
        Part { sd: None, from: why.into() }
    }

    /// The less sure of two; what is lacking is less sure than anything.
    fn or_worse(self, other: Part) -> Part {
        if other.sd.unwrap_or(f64::INFINITY) > self.sd.unwrap_or(f64::INFINITY) { other } else { self }
    }
}

/// Base plus fog that densities are counted from.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Base {
    pub density: f64,
    /// Standard deviation of its reading.
    pub spread: f64,
    /// Whether it was read on the same plate: what moved both then cancels.
    pub own: bool,
}

/// Standard uncertainties of one density, part by part; none where nothing is known.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Shares {
    pub blank: Option<f64>,
    pub exposure: Option<f64>,
    pub glare: Option<f64>,
    pub response: Option<f64>,
    /// Of the base's reading, where the density is one above base.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub base: Option<f64>,
}

impl Shares {
    /// All that is known together.
    pub fn sd(&self) -> f64 {
        let squares = [self.blank, self.exposure, self.glare, self.response, self.base].into_iter().flatten();
        squares.map(|sd| sd * sd).sum::<f64>().sqrt()
    }

    /// Each part so many times.
    pub fn times(&self, k: f64) -> Shares {
        let times = |sd: Option<f64>| sd.map(|sd| k * sd);
        Shares {
            blank: times(self.blank),
            exposure: times(self.exposure),
            glare: times(self.glare),
            response: times(self.response),
            base: times(self.base),
        }
    }
}

impl Uncertainty {
    /// Of a density against bare light.
    pub fn of(&self, density: f64) -> Shares {
        Shares {
            blank: self.blank.sd,
            exposure: self.exposure.sd.map(|sd| sd.hypot(self.ratio_sd())),
            glare: self.glare.sd.map(|sd| sd * self.per_glare(density).abs()),
            response: self.response(density),
            base: None,
        }
    }

    /// Of a density's difference from a base.
    pub fn above(&self, density: f64, base: &Base) -> Shares {
        let all = self.of(density);
        if !base.own {
            return Shares { base: Some(base.spread), ..all };
        }
        let both = self.response(base.density);
        Shares {
            // The blank's noise differs from place to place; the exposure is one and the same.
            blank: all.blank.map(|sd| SQRT_2 * sd),
            exposure: all.exposure.map(|_| self.ratio_sd()),
            glare: self.glare.sd.map(|sd| sd * (self.per_glare(density) - self.per_glare(base.density)).abs()),
            response: all.response.zip(both).map(|(a, b)| a.hypot(b)),
            base: Some(base.spread),
        }
    }

    fn ratio_sd(&self) -> f64 {
        self.ratio.as_ref().and_then(|part| part.sd).unwrap_or(0.0)
    }

    /// How density answers the share of glare that is taken off: from T = (seen − g m) ÷ (1 − g), g small.
    fn per_glare(&self, density: f64) -> f64 {
        (self.mean_light * 10f64.powf(density) - 1.0) / LN_10
    }

    /// None where nothing tells. Beyond the densities that it was measured at it is no less than at the last, which [`Uncertainty::lacking`] says.
    fn response(&self, density: f64) -> Option<f64> {
        if self.response_at.is_empty() {
            return self.response.sd;
        }
        let after = self.response_at.partition_point(|[d, _]| *d <= density);
        if after == 0 || after == self.response_at.len() {
            return Some(self.response_at[after.saturating_sub(1)][1]);
        }
        let ([a, from], [b, to]) = (self.response_at[after - 1], self.response_at[after]);
        Some(from + (to - from) * (density - a) / (b - a))
    }

    /// To the places that a record keeps.
    pub fn rounded(&self) -> Uncertainty {
        let places = |v: f64| (v * 1e6).round() / 1e6;
        let part = |p: &Part| Part { sd: p.sd.map(places), from: p.from.clone() };
        Uncertainty {
            blank: part(&self.blank),
            exposure: part(&self.exposure),
            ratio: self.ratio.as_ref().map(part),
            glare: part(&self.glare),
            mean_light: self.mean_light,
            response: part(&self.response),
            response_at: self.response_at.iter().map(|at| at.map(places)).collect(),
        }
    }

    /// The parts that nothing is known of, with why.
    pub fn lacking(&self) -> Vec<String> {
        let mut lacking: Vec<String> = [
            ("blank", &self.blank),
            ("exposure", &self.exposure),
            ("glare", &self.glare),
            ("response", &self.response),
        ]
        .into_iter()
        .chain(self.ratio.as_ref().map(|part| ("exposure ratio", part)))
        .filter(|(_, part)| part.sd.is_none())
        .map(|(name, part)| format!("{name}: {}", part.from))
        .collect();
        if let (Some(_), Some([densest, _])) = (self.response.sd, self.response_at.last()) {
            lacking.push(format!(
                "response, of densities above {densest:.2}, more than at that one: {} went no further",
                self.response.from
            ));
        }
        lacking
    }

    /// Of a plate that is made of several captures: of each part the least sure.
    pub fn or_worse(self, other: Uncertainty) -> Uncertainty {
        Uncertainty {
            blank: self.blank.or_worse(other.blank),
            exposure: self.exposure.or_worse(other.exposure),
            ratio: match (self.ratio, other.ratio) {
                (Some(a), Some(b)) => Some(a.or_worse(b)),
                (a, b) => a.or(b),
            },
            glare: self.glare.or_worse(other.glare),
            mean_light: self.mean_light.max(other.mean_light),
            response: self.response.or_worse(other.response),
            response_at: self.response_at,
        }
    }
}

/// Standard uncertainty of one value more, where some alike are known: their standard deviation, widened for the mean's own error and for
/// how few they are. None for fewer than two.
pub fn of_one_more(values: &[f64]) -> Option<f64> {
    let n = values.len();
    if n < 2 {
        return None;
    }
    let mean = values.iter().sum::<f64>() / n as f64;
    let variance = values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / (n - 1) as f64;
    // Beyond the table t falls to the normal distribution's as 2.6 ÷ degrees of freedom, to 0.01.
    let student = STUDENT.get(n - 2).copied().unwrap_or(K + 2.6 / (n - 1) as f64);
    Some((variance * (1.0 + 1.0 / n as f64)).sqrt() * student / K)
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::SeedableRng;
    use rand_distr::{Distribution, StandardNormal};

    fn known() -> Uncertainty {
        Uncertainty {
            blank: Part::known(0.001, "3 blanks"),
            exposure: Part::known(0.002, "3 blanks"),
            ratio: None,
            glare: Part::known(0.001, "a patch"),
            mean_light: 0.3,
            response: Part::known(0.004, "a tablet"),
            response_at: vec![[0.0, 0.0], [2.0, 0.004]],
        }
    }

    /// Against the model itself, seen = (T + g m) ÷ (1 + g): the glare's share is what a change of g by its uncertainty changes.
    #[test]
    fn glare_moves_a_density_as_the_model_says() {
        let u = known();
        for density in [0.1, 1.0, 2.0] {
            let t = 10f64.powf(-density);
            let read = |g: f64| -((t + g * 0.3) / (1.0 + g)).log10();
            let change = (read(0.0005) - read(-0.0005)).abs();
            let told = u.of(density).glare.unwrap();
            assert!((told / change - 1.0).abs() < 0.01, "{density}: {told} for {change}");
        }
    }

    /// By hand: squares add, 0.001² + 0.002² + 0² + 0.002² at density 1 with a frame as dark as the plate, where glare changes nothing.
    #[test]
    fn parts_add_in_squares_and_what_moves_both_cancels() {
        let u = Uncertainty { mean_light: 0.1, ..known() };
        assert!((u.of(1.0).sd() - 0.003).abs() < 1e-12, "{}", u.of(1.0).sd());
        let base = Base { density: 0.0, spread: 0.003, own: true };
        let net = u.above(1.0, &base);
        assert_eq!((net.exposure, net.base), (Some(0.0), Some(0.003)));
        assert!((net.glare.unwrap() - 0.001 * 0.9 / LN_10).abs() < 1e-12);
        assert_eq!(u.above(1.0, &Base { own: false, ..base }).exposure, Some(0.002));
    }

    /// By hand, 0.002² + 0.0015² = 0.0025²: the ratio between copy exposures adds to the exposure's own, and stays where that cancels.
    #[test]
    fn the_ratio_between_exposures_adds_in_squares_and_does_not_cancel() {
        let u = Uncertainty { ratio: Some(Part::known(0.0015, "2 exposures")), ..known() };
        assert!((u.of(1.0).exposure.unwrap() - 0.0025).abs() < 1e-12);
        assert_eq!(u.above(1.0, &Base { density: 0.1, spread: 0.0, own: true }).exposure, Some(0.0015));
        let unfitted = Uncertainty { ratio: Some(Part::lacking("too little is seen by both")), ..known() };
        assert!(unfitted.lacking()[0].starts_with("exposure ratio"), "{:?}", unfitted.lacking());
    }

    #[test]
    fn what_is_lacking_is_named_and_what_lies_beyond_the_tablet_is_said() {
        let u = known();
        assert_eq!(u.of(2.1).response, Some(0.004));
        assert!(u.lacking()[0].contains("above 2.00"), "{:?}", u.lacking());
        let less = Uncertainty { glare: Part::lacking("not measured"), ..known() };
        let worst = known().or_worse(less);
        assert_eq!((worst.of(1.0).glare, worst.of(1.0).blank), (None, Some(0.001)));
        assert!(worst.lacking().contains(&"glare: not measured".to_string()));
    }

    /// A prediction interval of 95 % holds the next value 95 times of 100, however few came before; of 4000 trials ± 4 × 0.34 %.
    #[test]
    fn the_next_of_a_few_lies_within_what_they_say() {
        let mut rng = rand_pcg::Pcg64::seed_from_u64(5);
        for n in [2, 3, 5, 12] {
            let mut draw = || -> f64 { StandardNormal.sample(&mut rng) };
            let held = (0..4000).filter(|_| {
                let values: Vec<f64> = (0..n).map(|_| draw()).collect();
                let mean = values.iter().sum::<f64>() / n as f64;
                (draw() - mean).abs() <= K * of_one_more(&values).unwrap()
            });
            let share = held.count() as f64 / 4000.0;
            assert!((share - 0.95).abs() < 0.014, "{n}: {share}");
        }
        assert_eq!(of_one_more(&[1.0]), None);
    }
}
