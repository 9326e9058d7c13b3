//! How a copy stands against published quality levels.
//!
//! In: figures that were measured. Out: for each the best level of each scheme whose limit it keeps. Never fails.
//!
//! The levels were written for prints and books on paper. No published limit for glass negatives was found: these are borrowed as a
//! yardstick. Sources, all secondary: FADGI, Technical Guidelines for Digitizing Cultural Heritage Materials, 3rd edition (2023),
//! the rows on uniformity from the edition of 2010; ISO 19264-1:2021. SFR50 and sharpening are known for the best level alone.

use serde::Serialize;

pub const CAUTION: &str = "These levels were written for prints on paper. No published limit for glass negatives was found, so they \
are borrowed as a yardstick and bind nothing.";

/// One figure against the schemes.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Standing {
    pub what: &'static str,
    /// In the unit that `what` names.
    pub value: f64,
    /// "4 of 4 stars"; none below the lowest level.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub fadgi: Option<&'static str>,
    /// "A", "B", "C".
    #[serde(skip_serializing_if = "Option::is_none")]
    pub iso_19264: Option<&'static str>,
    /// The limits that it was held against, best level first.
    pub limits: &'static str,
}

const STARS: [&str; 4] = ["4 stars", "3 stars", "2 stars", "1 star"];
const LETTERS: [&str; 3] = ["A", "B", "C"];
/// What arithmetic may add to a figure that stands just at its limit.
const ROUNDING: f64 = 1e-9;
const BELOW: &str = "below all";

/// Noise, σ of L*.
pub fn noise(sigma_lstar: f64) -> Standing {
    Standing {
        what: "noise, σ of L*",
        value: sigma_lstar,
        fadgi: Some(first(&STARS, [1.0, 2.0, 3.0, 4.0].map(|most| sigma_lstar < most))),
        iso_19264: Some(first(&LETTERS, [1.6, 2.0, 2.2].map(|most| sigma_lstar <= most))),
        limits: "below 1, 2, 3, 4; ISO at most 1.6, 2, 2.2",
    }
}

/// Lightness along a field, (greatest − least) ÷ mean, in percent.
pub fn unevenness(percent: f64) -> Standing {
    Standing {
        what: "unevenness of L*, %",
        value: percent,
        fadgi: Some(first(&STARS, [percent < 1.0, percent < 3.0, percent < 5.0, true])),
        iso_19264: None,
        limits: "below 1, 3, 5, and above",
    }
}

/// Sampling efficiency: the frequency of SFR10 as a share of half sampling, in percent.
pub fn efficiency(percent: f64) -> Standing {
    Standing {
        what: "sampling efficiency (SFR10), % of half sampling",
        value: percent,
        fadgi: Some(first(&STARS, [90.0, 80.0, 70.0, 60.0].map(|least| percent > least))),
        iso_19264: Some(first(&LETTERS, [85.0, 80.0, 70.0].map(|least| percent >= least))),
        limits: "above 90, 80, 70, 60; ISO at least 85, 80, 70",
    }
}

/// SFR50 as a share of half sampling, in percent; only the best level's limits are known.
pub fn sfr50(percent: f64) -> Standing {
    Standing {
        what: "SFR50, % of half sampling",
        value: percent,
        fadgi: (percent > 45.0 && percent < 65.0).then_some(STARS[0]),
        iso_19264: None,
        limits: "between 45 and 65",
    }
}

/// Greatest modulation; only the best level's limit is known.
pub fn sharpening(peak: f64) -> Standing {
    Standing {
        what: "greatest modulation (sharpening)",
        value: peak,
        fadgi: (peak < 1.02).then_some(STARS[0]),
        iso_19264: None,
        limits: "below 1.02",
    }
}

/// Samples an inch that are really there, less those stated, in percent of those stated.
pub fn sampling(percent: f64) -> Standing {
    Standing {
        what: "sampling against what is stated, %",
        value: percent,
        fadgi: Some(first(&STARS, [1.0, 2.0, 3.0, 5.0].map(|most| percent.abs() <= most + ROUNDING))),
        iso_19264: None,
        limits: "within 1, 2, 3, 5",
    }
}

/// Lightness of a patch less the lightness that its known density has.
pub fn tone(delta_lstar: f64) -> Standing {
    let off = delta_lstar.abs();
    Standing {
        what: "tone, L* off a patch of known density",
        value: delta_lstar,
        fadgi: Some(first(&STARS, [1.5, 3.0, 4.5, 6.0].map(|most| off < most))),
        iso_19264: Some(first(&LETTERS, [2.0, 3.0, 4.0].map(|most| off <= most))),
        limits: "within 1.5, 3, 4.5, 6; ISO within 2, 3, 4",
    }
}

/// The name of the first level that is kept.
fn first<const N: usize>(names: &[&'static str; N], kept: [bool; N]) -> &'static str {
    kept.iter().position(|kept| *kept).map_or(BELOW, |at| names[at])
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Just inside and just outside each limit, as the secondary sources print them.
    #[test]
    fn levels_are_as_published() {
        assert_eq!((noise(0.99).fadgi, noise(1.0).fadgi), (Some("4 stars"), Some("3 stars")));
        assert_eq!((noise(1.6).iso_19264, noise(2.3).iso_19264), (Some("A"), Some("below all")));
        assert_eq!((efficiency(90.1).fadgi, efficiency(60.0).fadgi), (Some("4 stars"), Some("below all")));
        assert_eq!((efficiency(85.0).iso_19264, efficiency(84.9).iso_19264), (Some("A"), Some("B")));
        assert_eq!((sfr50(50.0).fadgi, sfr50(70.0).fadgi), (Some("4 stars"), None));
        assert_eq!((sharpening(1.01).fadgi, sharpening(1.03).fadgi), (Some("4 stars"), None));
        assert_eq!((unevenness(0.9).fadgi, unevenness(8.0).fadgi), (Some("4 stars"), Some("1 star")));
        // 396 of 400, 294 of 300, 242.5 of 250 and 190 of 200 samples an inch.
        for (real, stated, stars) in [(396.0, 400.0, 0), (294.0, 300.0, 1), (242.5, 250.0, 2), (190.0, 200.0, 3)] {
            assert_eq!(sampling(100.0 * (real / stated - 1.0)).fadgi, Some(STARS[stars]));
        }
        assert_eq!((tone(-1.4).fadgi, tone(3.5).iso_19264), (Some("4 stars"), Some("C")));
    }
}
