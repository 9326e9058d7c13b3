//! What a capture's Exif says of the camera and of how the copy was exposed.

use serde::{Deserialize, Serialize};

/// The camera's settings for one frame. What the file does not say is none.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Settings {
    pub make: Option<String>,
    pub model: Option<String>,
    pub lens_model: Option<String>,
    pub software: Option<String>,
    pub exposure_s: Option<f64>,
    pub f_number: Option<f64>,
    pub iso: Option<f64>,
    pub focal_length_mm: Option<f64>,
    pub focal_length_35mm: Option<f64>,
    pub digital_zoom: Option<f64>,
    pub subject_distance_m: Option<f64>,
    /// "automatic" or "set by hand".
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub white_balance: Option<String>,
    /// What the camera did to the picture beyond developing it: "custom", "merged from several frames".
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub processing: Option<String>,
    /// "2026-03-15T10:02:11", camera's local time.
    pub taken: Option<String>,
    /// "+01:00"
    pub taken_offset: Option<String>,
    /// Exif Orientation as stored; it turns nothing.
    pub orientation: Option<u16>,
}

impl Settings {
    /// Light that the settings let through, as seconds × ISO ÷ f-number²; what both frames lack cancels, so the caller compares
    /// only frames that state the same fields. None without a shutter time.
    pub fn exposure(&self) -> Option<f64> {
        let aperture = self.f_number.filter(|n| *n > 0.0).unwrap_or(1.0);
        let iso = self.iso.filter(|s| *s > 0.0).unwrap_or(1.0);
        self.exposure_s.filter(|t| *t > 0.0).map(|t| t * iso / (aperture * aperture))
    }

    /// Light that fell on the sensor, as seconds ÷ f-number²: what its noise goes by. ISO only multiplies what was gathered. None without
    /// a shutter time.
    pub fn gathered(&self) -> Option<f64> {
        Settings { iso: None, ..self.clone() }.exposure()
    }

    /// Whether another frame may be from the same camera and lens: what both name is the same.
    pub fn same_camera(&self, other: &Settings) -> bool {
        let alike = |a: &Option<String>, b: &Option<String>| match (a, b) {
            (Some(a), Some(b)) => a.trim().eq_ignore_ascii_case(b.trim()),
            _ => true,
        };
        alike(&self.make, &other.make) && alike(&self.model, &other.model) && alike(&self.lens_model, &other.lens_model)
    }

    /// This frame's exposure divided by another's, from the fields that both state. None where either lacks the time.
    pub fn exposure_ratio(&self, other: &Settings) -> Option<f64> {
        let ratio = |a: Option<f64>, b: Option<f64>| match (a, b) {
            (Some(a), Some(b)) if a > 0.0 && b > 0.0 => a / b,
            _ => 1.0,
        };
        let time = self.exposure_s.filter(|t| *t > 0.0)? / other.exposure_s.filter(|t| *t > 0.0)?;
        Some(time * ratio(self.iso, other.iso) / ratio(self.f_number, other.f_number).powi(2))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn exposures_compare_by_the_fields_that_both_state() {
        let one = Settings { exposure_s: Some(0.25), iso: Some(50.0), f_number: Some(4.0), ..Default::default() };
        let two = Settings { exposure_s: Some(0.5), iso: Some(100.0), f_number: Some(8.0), ..Default::default() };
        assert_eq!(one.exposure_ratio(&two), Some(1.0));
        assert_eq!(one.exposure_ratio(&Settings { f_number: None, ..two.clone() }), Some(0.25));
        assert_eq!(one.exposure_ratio(&Settings::default()), None);
    }

    /// A quarter of a second at ISO 64 gathers sixteen times what a sixty-fourth does at ISO 1024, though both look alike.
    #[test]
    fn sensitivity_gathers_no_light() {
        let slow = Settings { exposure_s: Some(0.25), iso: Some(64.0), f_number: Some(4.0), ..Default::default() };
        let fast = Settings { exposure_s: Some(1.0 / 64.0), iso: Some(1024.0), ..slow.clone() };
        assert_eq!(slow.exposure(), fast.exposure());
        assert_eq!(slow.gathered().unwrap() / fast.gathered().unwrap(), 16.0);
        assert_eq!(Settings::default().gathered(), None);
    }
}
