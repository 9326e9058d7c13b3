//! Rendering: every pixel through one table.
//!
//! In: density above base, M rows by N columns, or the 16-bit codes of a master. Out: the positive's 16-bit codes, encoded as
//! [`super::lightness::encode`] says, the same size. Never fails: what is not a number comes out black.
//! A table is some twenty times as fast as the arithmetic it holds.

use super::{Tone, lightness};
use crate::image::Image;
use crate::units::{Density, NetDensity};
use rayon::prelude::*;

/// Densities above base that the table spans; what lies beyond is as black or as white as its end.
const FROM: f32 = -1.0;
const TO: f32 = 6.0;
/// Entries a unit of density. Between entries the codes are straight: even at a corner of the scale that costs less than a code.
const PER_DENSITY: f32 = 8192.0;

/// Positive codes against density, not yet rounded.
#[derive(Clone)]
pub(super) struct Table(Vec<f32>);

/// What it was made from says more than its numbers.
impl std::fmt::Debug for Table {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Table")
    }
}

impl Table {
    /// From luminance against density.
    pub(super) fn new(luminance: impl Fn(f64) -> f64 + Sync) -> Table {
        let count = ((TO - FROM) * PER_DENSITY) as usize;
        let code = |k: usize| {
            let density = FROM as f64 + k as f64 / PER_DENSITY as f64;
            (lightness::encode(luminance(density)) * 65535.0) as f32
        };
        Table((0..=count).into_par_iter().map(code).collect())
    }

    fn code(&self, density: f32) -> u16 {
        let last = self.0.len() - 1;
        let at = ((density - FROM) * PER_DENSITY).clamp(0.0, last as f32);
        let whole = (at as usize).min(last - 1);
        let part = at - whole as f32;
        (self.0[whole] + part * (self.0[whole + 1] - self.0[whole]) + 0.5) as u16
    }
}

impl Tone {
    /// The positive. `shift` is added printing exposure, in density: a density d prints as d − `shift` does without it, so +0.30 is a
    /// stop more light and a darker print. It is 0 except where plates are matched on purpose.
    pub fn render(&self, densities: &Image<NetDensity>, shift: f32) -> Image<u16> {
        densities.map(|density| self.table.code(density.0 - shift))
    }

    /// Positive code for every code of a master (transmittance T = code / 65535 against bare light), given the density of base plus
    /// fog: 65536 entries, never rising.
    pub fn table_for(&self, base: Density, shift: f32) -> Vec<u16> {
        let off = base.0 + shift;
        // Code 0 stands for less than half a code of light.
        (0..=65535u32)
            .into_par_iter()
            .map(|code| self.table.code(-((code as f32).max(0.5) / 65535.0).log10() - off))
            .collect()
    }
}

#[cfg(test)]
mod tests {
    use super::super::profile::BUILT_IN;
    use super::*;
    use crate::image::Size;
    use crate::units::Transmittance;
    use proptest::prelude::*;
    use std::path::Path;
    use std::sync::LazyLock;

    fn tone(name: &str) -> Tone {
        static ALL: LazyLock<Vec<Tone>> =
            LazyLock::new(|| BUILT_IN.iter().map(|(name, _)| Tone::load(name, Path::new(".")).unwrap()).collect());
        ALL.iter().find(|tone| tone.name == name).unwrap().clone()
    }

    /// The table against the arithmetic that it stands for. One code is what rounding a straight piece may cost.
    #[test]
    fn the_table_holds_what_the_arithmetic_gives() {
        for name in ["paper", "long", "thin", "study"] {
            let tone = tone(name);
            for k in -9000..40000 {
                let density = k as f32 * 1e-4;
                let exact = lightness::encode(tone.value(NetDensity(density))) * 65535.0;
                let got = tone.table.code(density) as f64;
                assert!((got - exact).abs() <= 1.0, "{name} at {density}: {got} for {exact}");
            }
        }
    }

    /// The way by a master's codes ends where the way by densities ends, to the master's own step.
    #[test]
    fn both_ways_lead_to_the_same_print() {
        let tone = tone("paper");
        let base = Density(0.14);
        let table = tone.table_for(base, 0.1);
        for code in [1u16, 7, 100, 3000, 20000, 47500, 65535] {
            let density = Transmittance(code as f32 / 65535.0).density(Transmittance(1e-9)).above(base);
            let image = Image::filled(Size::new(1, 1), density);
            assert!(table[code as usize].abs_diff(tone.render(&image, 0.1).at(0, 0)) <= 1);
        }
    }

    /// A stop more of printing light makes a density print as one 0.30103 thinner did.
    #[test]
    fn a_shift_is_a_change_of_printing_exposure() {
        let tone = tone("paper");
        let stop = std::f32::consts::LOG10_2;
        let (before, after) =
            (Image::filled(Size::new(1, 1), NetDensity(0.5)), Image::filled(Size::new(1, 1), NetDensity(0.5 + stop)));
        assert_eq!(tone.render(&before, 0.0), tone.render(&after, stop));
        assert!(tone.render(&before, stop).at(0, 0) < tone.render(&before, 0.0).at(0, 0));
    }

    #[test]
    fn odd_numbers_do_no_harm() {
        let tone = tone("paper");
        let odd = [f32::NAN, f32::INFINITY, f32::NEG_INFINITY, 1e30, -1e30].map(NetDensity).to_vec();
        let codes = tone.render(&Image::from_vec(Size::new(1, 5), odd), 0.0);
        assert_eq!((codes.at(0, 1), codes.at(0, 3)), (65535, 65535));
        assert_eq!((codes.at(0, 2), codes.at(0, 4)), (0, 0));
    }

    proptest! {
        /// Denser on glass is never darker on the print.
        #[test]
        fn tones_rise_with_density(low in -1.5..6.5f32, step in 0.0..1.0f32, which in 0usize..4) {
            let tone = tone(["paper", "long", "thin", "study"][which]);
            prop_assert!(tone.table.code(low) <= tone.table.code(low + step));
            prop_assert!(tone.value(NetDensity(low)) <= tone.value(NetDensity(low + step)));
        }

        #[test]
        fn more_light_through_the_plate_is_never_lighter_on_the_print(base in 0.0..1.0f32, shift in -0.5..0.5f32) {
            let table = tone("paper").table_for(Density(base), shift);
            prop_assert!(table.windows(2).all(|pair| pair[0] >= pair[1]));
        }
    }
}
