//! A tone profile at work: from density above base to the luminance of the print.
//!
//! In: density above base plus fog. Out: luminance from the paper's deepest black (0) to its white (1), never falling as density
//! grows. Nothing here looks at a picture: the printing exposure is fixed by the profile, and changes for a plate only by the `shift`
//! that the caller states. Fails only while a profile is loaded.
//!
//! Density D lets 10^−D of the printing light through, so the paper's log exposure is a constant less D; the paper's curve makes
//! reflection density R of it, and R is luminance 10^−R. Black and white of the paper become black and white of the file by
//! scaling luminance, as black point compensation does (ISO 18619).

use super::paper::{DARK_END, LIGHT_END, Paper};
use super::profile::{self, Profile};
use super::{lightness, render::Table};
use crate::error::{Fault, Warning};
use crate::units::NetDensity;
use rayon::prelude::*;
use std::path::Path;
use std::sync::LazyLock;

/// ISO 6846: a paper's speed is read where it reaches this density above white (from memory).
const SPEED_POINT: f64 = 0.60;

/// One mapping from density above base to luminance, for a whole batch.
#[derive(Debug, Clone)]
pub struct Tone {
    pub name: String,
    /// What the profile is for, one sentence.
    pub about: String,
    scale: Scale,
    pub(super) table: Table,
}

#[derive(Debug, Clone)]
enum Scale {
    /// A paper, and the log exposure that clear base gives it.
    Paper { paper: Paper, exposure: f64 },
    /// Densities that come out at L* 0 and 100.
    Straight { black: f64, white: f64 },
}

impl Tone {
    /// A built-in profile by name, or one of the user's by its path inside the session's `folder`.
    pub fn load(name_or_path: &str, folder: &Path) -> Result<Tone, Fault> {
        let (name, profile) = profile::find(name_or_path, folder)?;
        let scale = Scale::new(&profile)
            .map_err(|fault| Fault::new(format!("tone profile `{name}`: {}", fault.what()), fault.mend()))?;
        let table = Table::new(|density| scale.luminance(density));
        Ok(Tone { name, about: profile.about, scale, table })
    }

    /// Built-in profiles in the order in which they are proposed, each with the densest above base that it tells apart.
    fn proposed() -> &'static [(&'static str, f64)] {
        static REACH: LazyLock<Vec<(&str, f64)>> = LazyLock::new(|| {
            let reach = |name| Some((name, Scale::new(&profile::find(name, Path::new(".")).ok()?.1).ok()?.useful()[1]));
            ["paper", "long", "study"].into_par_iter().filter_map(reach).collect()
        });
        &REACH
    }

    /// Luminance of the print, 0 to 1.
    pub fn value(&self, density: NetDensity) -> f64 {
        self.scale.luminance(density.0 as f64)
    }

    /// Reflection density above the paper's white; for a straight scale that of its luminance, at most 4.
    pub fn reflection(&self, density: NetDensity) -> f64 {
        match &self.scale {
            Scale::Paper { paper, exposure } => paper.density(exposure - density.0 as f64),
            Scale::Straight { .. } => -self.value(density).max(1e-4).log10(),
        }
    }

    /// Densities above base that the profile tells apart well: those which print between 90 % of the deepest black and 0.04 above
    /// white (ISO 6846), or the ends of a straight scale.
    pub fn useful(&self) -> [NetDensity; 2] {
        self.scale.useful().map(|density| NetDensity(density as f32))
    }

    /// Density above base that prints as the paper's speed point, 0.60 above white; on a straight scale, as the same luminance.
    pub fn printing_density(&self) -> NetDensity {
        NetDensity(match &self.scale {
            Scale::Paper { paper, exposure } => exposure - paper.log_exposure(SPEED_POINT),
            Scale::Straight { black, white } => {
                black + (white - black) * lightness::lstar(10f64.powf(-SPEED_POINT)) / 100.0
            }
        } as f32)
    }

    /// A warning where a good part of a plate lies beyond what the profile tells apart, with a profile that would hold it.
    /// `p50`, `p95`: densities above base that half of the plate, and all but a twentieth, stay below.
    pub fn doubt(&self, p50: f64, p95: f64) -> Option<Warning> {
        let high = self.useful()[1].0 as f64;
        let share = match () {
            _ if p50 > high => "more than half",
            _ if p95 > high => "more than a twentieth",
            _ => return None,
        };
        let holds = |(name, reach): &&(&str, f64)| *name != self.name && *reach >= p95;
        let mend = match Tone::proposed().iter().find(holds) {
            Some((name, _)) => format!("tone = \"{name}\" holds it"),
            None => "print it from the negative's file by hand".to_string(),
        };
        let name = &self.name;
        Some(Warning::new(
            "tone-range",
            format!(
                "{share} of the plate lies over {high:.2} above base and prints as good as white with tone `{name}`; {mend}"
            ),
        ))
    }
}

impl Scale {
    fn new(profile: &Profile) -> Result<Scale, Fault> {
        if let (Some(keys), Some(printing)) = (&profile.paper, &profile.printing) {
            let paper = Paper::new(keys.black, keys.range, keys.toe, keys.shoulder)?;
            let exposure = paper.log_exposure(printing.prints_as * keys.black) + printing.density;
            return Ok(Scale::Paper { paper, exposure });
        }
        match &profile.straight {
            Some(keys) => Ok(Scale::Straight { black: keys.black, white: keys.white }),
            None => Err(Fault::new("it states no scale", "give [paper] and [printing], or [straight]")),
        }
    }

    fn useful(&self) -> [f64; 2] {
        match self {
            Scale::Paper { paper, exposure } => {
                [exposure - paper.log_exposure(DARK_END * paper.black()), exposure - paper.log_exposure(LIGHT_END)]
            }
            Scale::Straight { black, white } => [*black, *white],
        }
    }

    fn luminance(&self, density: f64) -> f64 {
        match self {
            Scale::Paper { paper, exposure } => {
                let darkest = 10f64.powf(-paper.black());
                let seen = 10f64.powf(-paper.density(exposure - density));
                ((seen - darkest) / (1.0 - darkest)).clamp(0.0, 1.0)
            }
            Scale::Straight { black, white } => lightness::luminance(100.0 * (density - black) / (white - black)),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn tone(name: &str) -> Tone {
        Tone::load(name, Path::new(".")).unwrap()
    }

    /// The LER of each built-in paper, read off the rendered densities by the definition of ISO 6846:1992 (0.04 above white to 90 %
    /// of the deepest black), is what its file claims, and lies within its grade (ANSI PH2.2-1966). Steps of 1e-3.
    #[test]
    fn papers_have_the_range_that_they_claim() {
        for (name, claim, grade) in [("paper", 1.05, 0.95..1.15), ("long", 1.90, 1.6..2.4), ("thin", 0.70, 0.65..0.80)]
        {
            let tone = tone(name);
            let reflection = |k: i32| tone.reflection(NetDensity(k as f32 * 1e-3));
            let black = reflection(-3000);
            let last_dark = (-1000..4000).rev().find(|k| reflection(*k) >= 0.90 * black).unwrap();
            let last_off_white = (-1000..4000).rev().find(|k| reflection(*k) >= 0.04).unwrap();
            let ler = (last_off_white - last_dark) as f64 * 1e-3;
            assert!((ler - claim).abs() <= 2e-3 && grade.contains(&ler), "{name}: {ler}");
        }
    }

    /// Base plus fog prints as the deepest useful black by ISO 6846, and the range above it ends where the profile says.
    #[test]
    fn the_base_prints_as_the_deepest_useful_black() {
        for (name, end) in [("paper", 1.05), ("long", 1.90), ("thin", 0.70)] {
            let [low, high] = tone(name).useful();
            assert!(low.0.abs() < 1e-4 && (high.0 - end).abs() < 2e-3, "{name}: {low:?} {high:?}");
        }
    }

    /// L* by the CIE's formula: a stop, 0.30, is 10 of L* at any density.
    #[test]
    fn the_straight_scale_is_straight_in_lightness() {
        let tone = tone("study");
        for (density, lstar) in [(-0.1, 0.0), (0.2, 10.0), (1.4, 50.0), (2.9, 100.0), (3.5, 100.0)] {
            assert!((lightness::lstar(tone.value(NetDensity(density))) - lstar).abs() < 1e-4, "{density}");
        }
    }

    /// Beyond its useful range a paper still bends gently into white: neighbours 0.05 apart differ in a 16-bit file up to 2.0 above
    /// base on `paper`, and up to 2.9 on the profiles that are for dense plates.
    #[test]
    fn white_is_neared_gently() {
        for (name, steps) in [("paper", 40), ("long", 58), ("study", 58)] {
            let tone = tone(name);
            let codes: Vec<u16> =
                (0..=steps).map(|k| lightness::code(tone.value(NetDensity(k as f32 * 0.05)))).collect();
            assert!(codes.windows(2).all(|pair| pair[0] < pair[1]), "{name}: {codes:?}");
        }
    }

    #[test]
    fn a_plate_too_dense_for_the_paper_is_told_of() {
        let said = tone("paper").doubt(0.9, 1.7).unwrap();
        assert!(said.code == "tone-range" && said.message.contains("\"long\""), "{said:?}");
        assert_eq!(tone("long").doubt(0.9, 1.7), None);
    }
}
