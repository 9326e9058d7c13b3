//! Codes to light: the exact sRGB curve, straight lines, measured tables, and what an embedded ICC profile says.
//!
//! In: a code as a share of the full code, 0 to 1. Out: light as a share of what saturates, 0 to 1. Never fails.
//!
//! sRGB: IEC 61966-2-1:1999, 5.2. ICC: ISO 15076-1, curveType and parametricCurveType, read by `moxcms`.

use moxcms::{ColorProfile, ToneReprCurve};

/// Share of red, green and blue in luma (ITU-T T.871, clause 7; Rec. 601).
pub const LUMA: [f64; 3] = [0.299, 0.587, 0.114];

/// How codes stand for light.
#[derive(Debug, Clone, PartialEq)]
pub enum Transfer {
    /// As IEC 61966-2-1 encodes it.
    Srgb,
    /// Proportional.
    Linear,
    /// As measured: one curve for all channels, or one each for red, green and blue.
    Table(Curve),
}

/// A rising curve through points, straight between them.
#[derive(Debug, Clone, PartialEq)]
pub struct Curve {
    /// Codes as shares of the full code, strictly rising from 0 to 1.
    pub codes: Vec<f64>,
    /// Light at each of them, never falling, 1 at the end; one list, or three.
    pub light: Vec<Vec<f64>>,
}

/// Light of an sRGB-encoded value, both 0 to 1.
pub fn srgb_to_linear(value: f64) -> f64 {
    if value <= 0.04045 { value / 12.92 } else { ((value + 0.055) / 1.055).powf(2.4) }
}

/// The sRGB-encoded value of light, both 0 to 1.
pub fn linear_to_srgb(light: f64) -> f64 {
    if light <= 0.003_130_8 { light * 12.92 } else { 1.055 * light.powf(1.0 / 2.4) - 0.055 }
}

impl Transfer {
    /// Light of a code in one channel (0 red or gray, 1 green, 2 blue).
    pub fn light(&self, code: f64, channel: usize) -> f64 {
        match self {
            Transfer::Srgb => srgb_to_linear(code),
            Transfer::Linear => code,
            Transfer::Table(curve) => curve.at(code, channel),
        }
    }

    /// Whether luma, the weighted mean of a pixel's codes, tells its light by the same curve.
    pub fn is_kept_by_luma(&self) -> bool {
        match self {
            Transfer::Srgb => true,
            Transfer::Linear => false,
            Transfer::Table(curve) => curve.light.len() == 1,
        }
    }

    /// A table of `entries` codes for one channel; `full` is the code that means 1, and codes above it mean no more.
    pub fn table(&self, channel: usize, full: u32, entries: usize) -> Vec<f32> {
        (0..entries as u32)
            .map(|code| self.light((f64::from(code) / f64::from(full)).min(1.0), channel) as f32)
            .collect()
    }

    /// Tables for a gray (1) or colour (3) frame.
    pub fn tables(&self, channels: usize, full: u32, entries: usize) -> Vec<Vec<f32>> {
        let first = self.table(0, full, entries);
        let differ = matches!(self, Transfer::Table(curve) if curve.light.len() > 1);
        (0..channels).map(|c| if c > 0 && differ { self.table(c, full, entries) } else { first.clone() }).collect()
    }
}

impl Curve {
    fn at(&self, code: f64, channel: usize) -> f64 {
        let light = &self.light[channel.min(self.light.len() - 1)];
        let after = self.codes.partition_point(|c| *c <= code).clamp(1, self.codes.len() - 1);
        let (c0, c1) = (self.codes[after - 1], self.codes[after]);
        let (l0, l1) = (light[after - 1], light[after]);
        l0 + (l1 - l0) * ((code - c0) / (c1 - c0)).clamp(0.0, 1.0)
    }
}

/// What an embedded profile says of how codes stand for light.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Embedded {
    /// Proportional to light: this overrides the session's own profile.
    Linear,
    /// The sRGB curve, to within a code of 8 bits.
    Srgb,
    /// Another curve; the light it gives half the full code.
    Other { half: f64 },
}

/// A curve this close to another, as a share of full light, is the same: half an 8-bit code where codes are proportional.
const SAME_CURVE: f64 = 1.0 / 512.0;

/// Reads an ICC profile's tone curves. None where there are none to read, or they differ between channels.
pub fn embedded(profile: &[u8]) -> Option<Embedded> {
    let profile = ColorProfile::new_from_slice(profile).ok()?;
    let curves: Vec<&ToneReprCurve> = match &profile.gray_trc {
        Some(gray) => vec![gray],
        None => [&profile.red_trc, &profile.green_trc, &profile.blue_trc].into_iter().flatten().collect(),
    };
    let kinds: Vec<Embedded> = curves.iter().filter_map(|curve| kind(curve)).collect();
    let first = *kinds.first()?;
    let same = |k: &Embedded| std::mem::discriminant(k) == std::mem::discriminant(&first);
    (kinds.len() == curves.len() && kinds.iter().all(same)).then_some(first)
}

fn kind(curve: &ToneReprCurve) -> Option<Embedded> {
    let evaluator = curve.make_linear_evaluator().ok()?;
    let at = |x: f64| f64::from(evaluator.evaluate_value(x as f32));
    let near =
        |f: fn(f64) -> f64| (0..=64).all(|i| (at(f64::from(i) / 64.0) - f(f64::from(i) / 64.0)).abs() < SAME_CURVE);
    Some(if near(|x| x) {
        Embedded::Linear
    } else if near(srgb_to_linear) {
        Embedded::Srgb
    } else {
        Embedded::Other { half: at(0.5) }
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// IEC 61966-2-1:1999 (figures from memory) joins its two branches at 0.04045 and 0.0031308; half a unit of the last
    /// digit printed. The other values follow from its formula: 0.5 gives 0.214041, code 128 of 255 gives 0.215861, and
    /// light 0.18 is encoded as 0.461356.
    #[test]
    fn srgb_is_as_iec_61966_2_1_has_it() {
        assert!((srgb_to_linear(0.04045) - 0.003_130_8).abs() <= 5e-8);
        assert!((srgb_to_linear(0.5) - 0.214_041).abs() <= 5e-7);
        assert!((linear_to_srgb(0.18) - 0.461_356).abs() <= 5e-7);
        let table = Transfer::Srgb.table(0, 255, 256);
        assert!((table[128] - 0.215_861).abs() <= 5e-7);
        assert_eq!((table[0], table[255]), (0.0, 1.0));
    }

    #[test]
    fn sixteen_bits_hold_the_eight_bit_table() {
        let (small, large) = (Transfer::Srgb.table(0, 255, 256), Transfer::Srgb.table(0, 65535, 65536));
        assert!((0..256).all(|code| (small[code] - large[code * 257]).abs() < 1e-7));
        assert!(large.windows(2).all(|pair| pair[0] < pair[1]));
    }

    #[test]
    fn ten_bits_end_at_their_own_full_code() {
        let table = Transfer::Linear.table(0, 1023, 65536);
        assert_eq!((table[1023], table[65535]), (1.0, 1.0));
        assert!((table[512] - 0.500_489).abs() < 1e-6);
    }

    #[test]
    fn a_measured_curve_goes_through_its_points_channel_by_channel() {
        let curve = Curve {
            codes: vec![0.0, 0.5, 1.0],
            light: vec![vec![0.0, 0.2, 1.0], vec![0.1, 0.3, 1.0], vec![0.0, 0.5, 1.0]],
        };
        let transfer = Transfer::Table(curve);
        assert_eq!(transfer.light(0.5, 0), 0.2);
        assert!((transfer.light(0.25, 1) - 0.2).abs() < 1e-12);
        assert_eq!(transfer.tables(3, 255, 256)[2][255], 1.0);
    }

    /// Profiles made by the library itself: gray of gamma 1, sRGB, and gray of gamma 2.2.
    #[test]
    fn embedded_curves_are_told_apart() {
        let gray = |gamma: f32| ColorProfile::new_gray_with_gamma(gamma).encode().unwrap();
        assert_eq!(embedded(&gray(1.0)), Some(Embedded::Linear));
        assert_eq!(embedded(&ColorProfile::new_srgb().encode().unwrap()), Some(Embedded::Srgb));
        let Some(Embedded::Other { half }) = embedded(&gray(2.2)) else { panic!("gamma 2.2 is neither") };
        assert!((half - 0.5f64.powf(2.2)).abs() < 1e-3);
        assert_eq!(embedded(b"no profile"), None);
    }
}
