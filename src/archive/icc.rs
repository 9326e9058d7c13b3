//! Gray ICC profiles: what a value of a result means in light.
//!
//! In: a curve. Out: the bytes of a display profile after ISO 15076-1 (ICC.1, version 4): gray, PCS XYZ, white at D50, one curve
//! in grayTRC. The same bytes every time: the profile's date is fixed. Fails never.

use moxcms::{
    ColorDateTime, ColorProfile, DataColorSpace, LocalizableString, ProfileClass, ProfileText, ToneReprCurve, Xyzd,
};
use serde::{Deserialize, Serialize};

/// How values from 0 to 1 follow from linear light.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Curve {
    /// The value is the light.
    Linear,
    /// The curve of IEC 61966-2-1.
    Srgb,
    /// light = value^2.2
    #[serde(rename = "gamma-2.2")]
    Gamma22,
}

impl Curve {
    /// For people: stands in the profile's description.
    pub fn name(self) -> &'static str {
        match self {
            Curve::Linear => "linear light",
            Curve::Srgb => "sRGB curve",
            Curve::Gamma22 => "gamma 2.2",
        }
    }

    /// Linear light of a value, both from 0 to 1.
    pub fn light(self, value: f64) -> f64 {
        match self {
            Curve::Linear => value,
            Curve::Srgb if value <= 0.04045 => value / 12.92,
            Curve::Srgb => ((value + 0.055) / 1.055).powf(2.4),
            Curve::Gamma22 => value.powf(2.2),
        }
    }

    /// The curve as ISO 15076-1 writes it: an empty `curv` is the identity, `para` holds g, a, b, c, d.
    fn trc(self) -> ToneReprCurve {
        match self {
            Curve::Linear => ToneReprCurve::Lut(Vec::new()),
            Curve::Srgb => ToneReprCurve::Parametric(vec![2.4, 1.0 / 1.055, 0.055 / 1.055, 1.0 / 12.92, 0.04045]),
            Curve::Gamma22 => ToneReprCurve::Parametric(vec![2.2]),
        }
    }
}

/// White of the profile connection space, D50 (ISO 15076-1).
const D50: Xyzd = Xyzd { x: 0.9642, y: 1.0, z: 0.8249 };

/// Any fixed date does; the profiles were drawn up in this year.
const DATE: ColorDateTime =
    ColorDateTime { year: 2026, month: 1, day_of_the_month: 1, hours: 0, minutes: 0, seconds: 0 };

/// The profile's bytes.
pub fn gray_profile(curve: Curve) -> Vec<u8> {
    let text = |value: String| {
        let (language, country) = ("en".to_string(), "US".to_string());
        Some(ProfileText::Localizable(vec![LocalizableString { language, country, value }]))
    };
    let mut profile = ColorProfile::default();
    profile.profile_class = ProfileClass::DisplayDevice;
    profile.color_space = DataColorSpace::Gray;
    profile.pcs = DataColorSpace::Xyz;
    profile.gray_trc = Some(curve.trc());
    profile.white_point = D50;
    profile.media_white_point = Some(D50);
    profile.description = text(format!("hyaline gray, {}", curve.name()));
    profile.copyright = text("No copyright, use freely".to_string());
    profile.creation_date_time = DATE;
    profile.encode().expect("a profile of one curve can always be written")
}

#[cfg(test)]
mod tests {
    use super::*;

    const ALL: [Curve; 3] = [Curve::Linear, Curve::Srgb, Curve::Gamma22];

    #[test]
    fn a_profile_reads_back_as_the_curve_it_was_made_of() {
        for curve in ALL {
            let bytes = gray_profile(curve);
            assert_eq!(bytes, gray_profile(curve), "the same bytes every time");
            let profile = ColorProfile::new_from_slice(&bytes).unwrap();
            assert_eq!(profile.color_space, DataColorSpace::Gray);
            let trc = profile.gray_trc.unwrap();
            match (curve.trc(), trc) {
                (ToneReprCurve::Lut(ours), ToneReprCurve::Lut(read)) => assert_eq!(ours, read),
                // Parameters are stored as s15Fixed16: steps of 1/65536.
                (ToneReprCurve::Parametric(ours), ToneReprCurve::Parametric(read)) => {
                    assert!(ours.iter().zip(&read).all(|(a, b)| (a - b).abs() <= 0.5 / 65536.0 + f32::EPSILON));
                    assert_eq!(ours.len(), read.len());
                }
                other => panic!("{other:?}"),
            }
        }
    }

    /// ISO 15076-1: the four tags that a monochrome display profile must have, and the header's size, class and signature.
    #[test]
    fn a_profile_has_the_tags_that_iso_15076_1_requires() {
        for curve in ALL {
            let bytes = gray_profile(curve);
            let word = |at: usize| u32::from_be_bytes(bytes[at..at + 4].try_into().unwrap());
            assert_eq!(word(0) as usize, bytes.len());
            assert_eq!((&bytes[12..16], &bytes[16..20], &bytes[36..40]), (&b"mntr"[..], &b"GRAY"[..], &b"acsp"[..]));
            let tags: Vec<&[u8]> = (0..word(128) as usize).map(|i| &bytes[132 + 12 * i..][..4]).collect();
            for tag in [b"desc", b"cprt", b"wtpt", b"kTRC"] {
                assert!(tags.contains(&&tag[..]), "{curve:?} lacks {tag:?}");
            }
        }
    }

    /// IEC 61966-2-1:1999: value 0.5 is light 0.214041, and the two branches join at 0.04045.
    #[test]
    fn srgb_light_is_as_iec_61966_2_1_has_it() {
        assert!((Curve::Srgb.light(0.5) - 0.214041).abs() < 5e-7);
        assert!((Curve::Srgb.light(0.04045) - 0.0031308).abs() < 5e-8);
    }
}
