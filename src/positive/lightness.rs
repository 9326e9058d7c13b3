//! Luminance as the positive's file holds it, and as the eye takes it.
//!
//! In and out: numbers from 0 (black) to 1 (white), or 0 to 100 for L*. Beyond the ends they are held to them. Never fails.
//! The positive is encoded by the curve of IEC 61966-2-1 (sRGB): a program that ignores the embedded profile still shows it right.

use std::sync::LazyLock;

/// Value, 0 to 1, that stands for a luminance, by the sRGB curve.
pub fn encode(luminance: f64) -> f64 {
    let y = luminance.clamp(0.0, 1.0);
    if y <= 0.0031308 { 12.92 * y } else { 1.055 * y.powf(1.0 / 2.4) - 0.055 }
}

/// Luminance that a value stands for.
pub fn decode(value: f64) -> f64 {
    let v = value.clamp(0.0, 1.0);
    if v <= 0.04045 { v / 12.92 } else { ((v + 0.055) / 1.055).powf(2.4) }
}

/// The luminance's code in 16 bits.
pub fn code(luminance: f64) -> u16 {
    (encode(luminance) * 65535.0).round() as u16
}

/// The luminance's code in 8 bits, looked up by the nearest of 65536 luminances: for pictures of millions of pixels.
pub fn byte(luminance: f32) -> u8 {
    static OF: LazyLock<Vec<u8>> =
        LazyLock::new(|| (0..=65535u32).map(|k| (encode(f64::from(k) / 65535.0) * 255.0).round() as u8).collect());
    OF[(luminance.clamp(0.0, 1.0) * 65535.0 + 0.5) as usize]
}

/// Luminance of every 16-bit code.
pub static OF_CODE: LazyLock<Vec<f32>> =
    LazyLock::new(|| (0..=65535u32).map(|code| decode(f64::from(code) / 65535.0) as f32).collect());

/// CIE 1976 lightness L*, 0 to 100, of a luminance relative to white.
pub fn lstar(luminance: f64) -> f64 {
    let y = luminance.clamp(0.0, 1.0);
    if y > 216.0 / 24389.0 { 116.0 * y.cbrt() - 16.0 } else { 24389.0 / 27.0 * y }
}

/// Luminance relative to white of a lightness L*.
pub fn luminance(lstar: f64) -> f64 {
    let l = lstar.clamp(0.0, 100.0);
    if l > 8.0 { ((l + 16.0) / 116.0).powi(3) } else { l * 27.0 / 24389.0 }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// IEC 61966-2-1:1999: linear 0.18 is 0.461356, value 0.5 is linear 0.214041 and 128/255 is 0.215861 (computed from the
    /// standard's formula); the tolerance is half a unit of the last digit.
    #[test]
    fn the_curve_is_that_of_iec_61966_2_1() {
        assert!((encode(0.18) - 0.461356).abs() < 5e-7);
        assert!((decode(0.5) - 0.214041).abs() < 5e-7);
        assert!((decode(128.0 / 255.0) - 0.215861).abs() < 5e-7);
        assert_eq!((code(0.0), code(1.0), code(2.0), code(-1.0)), (0, 65535, 65535, 0));
    }

    /// The curve is nowhere steeper than 12.92: half a step of the table is at most 12.92 × 255 ÷ 131070 of a code.
    #[test]
    fn a_byte_is_the_nearest_code() {
        for k in 0..=100_000 {
            let luminance = k as f32 / 100_000.0;
            let exact = encode(luminance as f64) * 255.0;
            assert!((f64::from(byte(luminance)) - exact).abs() <= 0.5 + 0.0252, "{luminance}");
        }
        assert_eq!((byte(-1.0), byte(2.0), byte(f32::NAN)), (0, 255, 0));
    }

    /// The standard's two branches meet only to about 1e-8 of light at 0.0031308, and the inverse there to the same.
    #[test]
    fn decoding_undoes_encoding() {
        for k in 0..=10000 {
            let y = k as f64 / 10000.0;
            assert!((decode(encode(y)) - y).abs() < 1e-7, "{y}");
            assert!((luminance(lstar(y)) - y).abs() < 1e-12, "{y}");
        }
    }

    /// CIE 15: L* of Y 0.184, 0.18 and 0.01 are 49.978, 49.496 and 8.991; L* 50 is Y 0.184187.
    #[test]
    fn lightness_is_as_the_cie_defines_it() {
        for (y, l) in [(0.184, 49.978), (0.18, 49.496), (0.01, 8.991), (1.0, 100.0), (0.0, 0.0)] {
            assert!((lstar(y) - l).abs() < 5e-4, "Y {y}");
        }
        assert!((luminance(50.0) - 0.184187).abs() < 5e-7);
    }
}
