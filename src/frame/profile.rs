//! Capture profiles: what is known of a camera beforehand, from how its codes stand for light to how its lens bends lines.
//!
//! In: the name of a built-in profile ("srgb", "linear"), or a TOML file in the session's folder. Out: a [`CaptureProfile`].
//! Fails on unknown keys, on curves that do not rise, and on paths that leave the folder, naming the key and the line.

use super::transfer::{Curve, Embedded, Transfer};
use super::{Frame, Layout, Settings};
use crate::density::correction::Correction;
use crate::error::{Fault, Warning, io_fault};
use crate::geometry::{Lens, Point};
use crate::image::Size;
use serde::{Deserialize, Serialize};
use std::borrow::Cow;
use std::path::{Path, PathBuf};

/// Profiles that the program carries.
const BUILT_IN: [(&str, &str); 2] =
    [("srgb", include_str!("../../profiles/srgb.toml")), ("linear", include_str!("../../profiles/linear.toml"))];

/// What is known of how a camera sees.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CaptureProfile {
    pub name: String,
    /// One or two sentences: what it is for.
    pub purpose: String,
    /// The day it was made.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub date: Option<jiff::civil::Date>,
    /// Veiling glare: light spread evenly over the frame, as a share of the frame's mean.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub glare: Option<f64>,
    /// A built-in profile by which captures of other cameras are read; without it they are read by this one, and warned of.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub others: Option<String>,
    pub transfer: Transfer,
    /// The camera it was made for.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub camera: Option<Camera>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub lens: Option<Distortion>,
    /// Densities as a step tablet corrects them, once the blank is divided out.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub correction: Option<Correction>,
    /// How well it fitted what it was made from.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub fit: Option<Fit>,
}

/// A camera as its Exif names it. What is not stated fits every camera.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Camera {
    #[serde(skip_serializing_if = "Option::is_none")]
    pub make: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub model: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub lens: Option<String>,
}

/// Radial distortion, free of the frame's size.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Distortion {
    pub k1: f64,
    #[serde(default)]
    pub k2: f64,
    /// Where the lens's axis meets the frame: [x, y] from the frame's centre, in halves of its diagonal.
    #[serde(default)]
    pub centre: [f64; 2],
}

/// What was left over when the profile was made, and how sure its numbers are. All optional.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Fit {
    /// What it was made from, in words.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub from: Option<String>,
    /// Densities that were seen: [least, greatest].
    #[serde(skip_serializing_if = "Option::is_none")]
    pub density_range: Option<[f64; 2]>,
    /// Density left over: root mean square, and worst.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub density_rms: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub density_worst: Option<f64>,
    /// Largest standard uncertainty of the tablet's correction within that range, density.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub density_sd: Option<f64>,
    /// Left over of a response ladder, root mean square in density (log10 of light), the worst channel.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub response_rms_density: Option<f64>,
    /// Standard uncertainty of the density between two codes of the response, from chance alone, the worst channel.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub response_sd_density: Option<f64>,
    /// Codes that the ladder covered, as shares of full scale: [least, greatest]; beyond them the response is drawn on.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub response_codes: Option<[f64; 2]>,
    /// Exposures of the ladder's frames, in stops over the first.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub response_stops: Option<Vec<f64>>,
    /// By how many stops each was found to be off what was stated, where that was asked for and is taken into account.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub response_refined_stops: Option<Vec<f64>>,
    /// Left over of lines or points, root mean square in pixels.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub lens_rms_px: Option<f64>,
    /// Standard uncertainties of k1, k2 and of the glare share.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub lens_sd: Option<[f64; 2]>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub glare_sd: Option<f64>,
    /// How the frames of the step tablet, and those of the grid, were taken: correction and lens hold for captures taken alike.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub tablet_frames: Option<Taking>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub lens_frames: Option<Taking>,
}

/// How frames were taken; what their files do not say is none.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Taking {
    #[serde(skip_serializing_if = "Option::is_none")]
    pub exposure_s: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub iso: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub f_number: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub focal_length_mm: Option<f64>,
    /// Columns and rows.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub frame_px: Option<[usize; 2]>,
}

/// Stops that a capture may be exposed otherwise than the tablet before its correction is doubted.
const STOPS: f64 = 1.0 / 3.0;
/// Share by which focal length and the frame's shape may differ from the grid's: Exif rounds them, and a zoom does not come back exactly.
const ZOOM: f64 = 0.01;

impl Taking {
    pub fn of(settings: &Settings, size: Size) -> Taking {
        Taking {
            exposure_s: settings.exposure_s,
            iso: settings.iso,
            f_number: settings.f_number,
            focal_length_mm: settings.focal_length_mm,
            frame_px: Some([size.columns, size.rows]),
        }
    }

    /// By how many stops a capture was exposed more; none where nothing tells.
    fn stops(&self, settings: &Settings) -> Option<f64> {
        let own =
            Settings { exposure_s: self.exposure_s, iso: self.iso, f_number: self.f_number, ..Settings::default() };
        settings.exposure_ratio(&own).map(f64::log2)
    }
}

impl CaptureProfile {
    /// Values as IEC 61966-2-1 encodes them.
    pub fn srgb() -> CaptureProfile {
        CaptureProfile::parse(BUILT_IN[0].1).expect("built-in profiles are sound: a test reads them")
    }

    /// Values proportional to light.
    pub fn linear() -> CaptureProfile {
        CaptureProfile::parse(BUILT_IN[1].1).expect("built-in profiles are sound: a test reads them")
    }

    /// The file in the session's folder that [`CaptureProfile::load`] reads; a built-in profile has none.
    pub fn file(name_or_path: &str, folder: &Path) -> Option<PathBuf> {
        let built_in = BUILT_IN.iter().any(|(name, _)| *name == name_or_path);
        let choices = [folder.join(name_or_path), folder.join("profiles").join(format!("{name_or_path}.toml"))];
        choices.into_iter().find(|path| !built_in && path.is_file())
    }

    /// A built-in profile by its name, a profile in the session's folder by its path, or by its name in `profiles/` there.
    pub fn load(name_or_path: &str, folder: &Path) -> Result<CaptureProfile, Fault> {
        if let Some((_, text)) = BUILT_IN.iter().find(|(name, _)| *name == name_or_path) {
            return CaptureProfile::parse(text);
        }
        let Some(path) = &CaptureProfile::file(name_or_path, folder) else {
            let names: Vec<&str> = BUILT_IN.iter().map(|(name, _)| *name).collect();
            let near = names.iter().find(|name| strsim::damerau_levenshtein(name, name_or_path) <= 2);
            let mend = match near {
                Some(name) => format!("did you mean `{name}`?"),
                None => format!("name {} or a file in the session's folder", names.join(", ")),
            };
            return Err(Fault::new(format!("there is no capture profile `{name_or_path}`"), mend));
        };
        let inside = |path: &Path| path.canonicalize().map_err(|e| io_fault(&e));
        if !inside(path)?.starts_with(inside(folder)?) {
            return Err(Fault::new(
                format!("the capture profile `{name_or_path}` lies outside the session's folder"),
                "copy it into the folder",
            ));
        }
        let name = path.strip_prefix(folder).unwrap_or(path).display();
        let text = std::fs::read_to_string(path).map_err(|e| io_fault(&e));
        text.and_then(|text| CaptureProfile::parse(&text))
            .map_err(|fault| Fault::new(format!("{name}: {}", fault.what()), fault.mend()))
    }

    /// A built-in profile by its name, or any file by its path: for commands that know no session.
    pub fn open(name_or_path: &str) -> Result<CaptureProfile, Fault> {
        let path = Path::new(name_or_path);
        if BUILT_IN.iter().any(|(name, _)| *name == name_or_path) || !path.is_file() {
            return CaptureProfile::load(name_or_path, Path::new("."));
        }
        CaptureProfile::parse(&std::fs::read_to_string(path).map_err(|e| io_fault(&e))?)
    }

    /// Reads a profile's TOML.
    pub fn parse(text: &str) -> Result<CaptureProfile, Fault> {
        let profile: CaptureProfile = toml::from_str(text).map_err(|e| {
            let line = e.span().map_or(1, |span| 1 + text[..span.start].matches('\n').count());
            let what = e.message().lines().next().unwrap_or_default().to_string();
            Fault::new(format!("line {line} of the capture profile: {what}"), "mend that line")
        })?;
        let sound = |ok: bool, key: &str, must: &str| {
            if ok { Ok(()) } else { Err(Fault::new(format!("`{key}` of the capture profile must {must}"), "mend it")) }
        };
        sound(!profile.name.trim().is_empty(), "name", "not be empty")?;
        sound(profile.glare.is_none_or(|g| (0.0..0.5).contains(&g)), "glare", "be a share from 0 to 0.5")?;
        let built_in = |name: &String| BUILT_IN.iter().any(|(known, _)| known == name);
        sound(profile.others.as_ref().is_none_or(built_in), "others", "be \"srgb\" or \"linear\"")?;
        if let Some(lens) = &profile.lens {
            let numbers = [lens.k1, lens.k2, lens.centre[0], lens.centre[1]];
            sound(numbers.iter().all(|n| n.abs() < 0.5), "lens", "hold numbers between -0.5 and 0.5")?;
        }
        if let Some(correction) = &profile.correction {
            correction.check().map_err(|what| {
                Fault::new(format!("`correction` of the capture profile: {what}"), "calibrate the tablet again")
            })?;
        }
        Ok(profile)
    }

    /// The profile as TOML; [`CaptureProfile::parse`] gives it back.
    pub fn to_toml(&self) -> String {
        toml::to_string(self).expect("a profile is plain data")
    }

    /// The lens for a frame of a size. None where the profile knows none.
    pub fn lens(&self, size: Size) -> Option<Lens> {
        let known = self.lens?;
        let straight = Lens::straight(size.columns, size.rows);
        let [x, y] = known.centre;
        let centre = straight.centre + Point::new(x, y) * straight.radius;
        Some(Lens { centre, k1: known.k1, k2: known.k2, ..straight })
    }

    /// The profile by which a capture with these settings is read: this one, or its `others` where it was made for another camera.
    pub fn for_camera(&self, settings: &Settings) -> Cow<'_, CaptureProfile> {
        let built_in = self.others.as_ref().and_then(|name| BUILT_IN.iter().find(|(known, _)| known == name));
        match built_in {
            Some((_, text)) if self.mismatch(settings).is_some() => {
                Cow::Owned(CaptureProfile::parse(text).expect("built-in profiles are sound: a test reads them"))
            }
            _ => Cow::Borrowed(self),
        }
    }

    /// Whether the response can be applied to a frame at all: one that was measured for each colour tells nothing of a gray frame's codes.
    pub fn admits(&self, frame: &Frame) -> Result<(), Fault> {
        match &self.transfer {
            Transfer::Table(curve) if curve.light.len() > 1 && frame.layout == Layout::Gray && frame.raw.is_none() => {
                Err(Fault::new(
                    format!("it is a gray frame, and the capture profile `{}` was made from colour frames", self.name),
                    "calibrate the response from frames of the same kind, or name another profile",
                ))
            }
            _ => Ok(()),
        }
    }

    /// A warning where a capture's Exif names another camera or lens than the one that the profile was made for.
    pub fn mismatch(&self, settings: &Settings) -> Option<Warning> {
        let camera = self.camera.as_ref()?;
        let pairs = [
            ("make", &camera.make, &settings.make),
            ("model", &camera.model, &settings.model),
            ("lens", &camera.lens, &settings.lens_model),
        ];
        let same = |a: &str, b: &str| a.trim().eq_ignore_ascii_case(b.trim());
        let (what, made_for, seen) = pairs.into_iter().find_map(|(what, a, b)| match (a, b) {
            (Some(a), Some(b)) if !same(a, b) => Some((what, a, b)),
            _ => None,
        })?;
        Some(Warning::new(
            "profile-camera",
            format!(
                "the capture profile `{}` was made for {what} \"{made_for}\", the capture says \"{seen}\"; name a profile \
                 made for this camera, or calibrate one",
                self.name
            ),
        ))
    }

    /// Warnings where a capture was taken otherwise than the frames that the correction or the lens was measured on.
    pub fn strays(&self, settings: &Settings, size: Size) -> Vec<Warning> {
        let Some(fit) = &self.fit else { return Vec::new() };
        let name = &self.name;
        let tablet = fit.tablet_frames.as_ref().filter(|_| self.correction.is_some());
        let stops = tablet.and_then(|taken| taken.stops(settings)).filter(|stops| stops.abs() > STOPS + 1e-6);
        let exposure = stops.map(|stops| {
            let message = format!(
                "the density correction of `{name}` was measured on frames exposed {:.1} stops {} than the capture: it may not hold; \
                 calibrate the tablet at the captures' exposure",
                stops.abs(),
                if stops > 0.0 { "less" } else { "more" }
            );
            Warning::new("profile-exposure", message)
        });
        let grid = fit.lens_frames.as_ref().filter(|_| self.lens.is_some());
        let differ = |a: f64, b: f64| (a / b - 1.0).abs() > ZOOM;
        let lens = grid.and_then(|taken| {
            let focal = taken.focal_length_mm.zip(settings.focal_length_mm).filter(|(a, b)| differ(*a, *b));
            let shape =
                taken.frame_px.filter(|[w, h]| differ(*w as f64 / *h as f64, size.columns as f64 / size.rows as f64));
            match (focal, shape) {
                (Some((made, seen)), _) => Some(format!("at {made} mm, and the capture was taken at {seen} mm")),
                (None, Some([w, h])) => {
                    Some(format!("on frames of {w}×{h} pixels, and the capture's are of another shape, {size}"))
                }
                (None, None) => None,
            }
        });
        let lens = lens.map(|how| {
            let message = format!(
                "the lens of `{name}` was measured {how}: it may not hold; calibrate the lens as the captures are taken"
            );
            Warning::new("profile-lens", message)
        });
        exposure.into_iter().chain(lens).collect()
    }

    /// How the codes of one file stand for light. An embedded profile that says the data is linear overrides a presumed sRGB
    /// curve, not a measured one; any other disagreement is said.
    pub(super) fn transfer_for(&self, embedded: Option<Embedded>) -> (Transfer, Vec<Warning>) {
        let disagree = |says: &str| {
            let message = format!(
                "the embedded colour profile says {says}, the capture profile `{}` is used; name the profile that is right",
                self.name
            );
            vec![Warning::new("embedded-curve", message)]
        };
        match (&self.transfer, embedded) {
            (Transfer::Srgb, Some(Embedded::Linear)) => (Transfer::Linear, Vec::new()),
            (Transfer::Srgb, Some(Embedded::Other { half })) => {
                let says = format!("that half the full code is {:.1} % of the light (sRGB has 21.4 %)", 100.0 * half);
                (Transfer::Srgb, disagree(&says))
            }
            (Transfer::Linear, Some(Embedded::Srgb | Embedded::Other { .. })) => {
                (Transfer::Linear, disagree("that the values are not linear"))
            }
            (transfer, _) => (transfer.clone(), Vec::new()),
        }
    }
}

/// In TOML a transfer is "srgb", "linear", or a table of `codes` and `light`.
#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Points {
    codes: Vec<f64>,
    light: Vec<Vec<f64>>,
}

impl Serialize for Transfer {
    fn serialize<S: serde::Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
        match self {
            Transfer::Srgb => to.serialize_str("srgb"),
            Transfer::Linear => to.serialize_str("linear"),
            Transfer::Table(c) => Points { codes: c.codes.clone(), light: c.light.clone() }.serialize(to),
        }
    }
}

impl<'de> Deserialize<'de> for Transfer {
    fn deserialize<D: serde::Deserializer<'de>>(from: D) -> Result<Self, D::Error> {
        struct Visitor;
        impl<'de> serde::de::Visitor<'de> for Visitor {
            type Value = Transfer;

            fn expecting(&self, f: &mut std::fmt::Formatter) -> std::fmt::Result {
                f.write_str("\"srgb\", \"linear\", or a table of `codes` and `light`")
            }

            fn visit_str<E: serde::de::Error>(self, word: &str) -> Result<Transfer, E> {
                match word {
                    "srgb" => Ok(Transfer::Srgb),
                    "linear" => Ok(Transfer::Linear),
                    _ => Err(E::invalid_value(serde::de::Unexpected::Str(word), &self)),
                }
            }

            fn visit_map<M: serde::de::MapAccess<'de>>(self, map: M) -> Result<Transfer, M::Error> {
                let points = Points::deserialize(serde::de::value::MapAccessDeserializer::new(map))?;
                let curve = Curve { codes: points.codes, light: points.light };
                curve.check().map_err(serde::de::Error::custom)?;
                Ok(Transfer::Table(curve))
            }
        }
        from.deserialize_any(Visitor)
    }
}

impl Curve {
    /// Whether it can be a response: rising from code 0 to code 1, and to light 1.
    pub fn check(&self) -> Result<(), String> {
        let (codes, light) = (&self.codes, &self.light);
        let ends = (codes.first() == Some(&0.0)) && codes.last() == Some(&1.0);
        if codes.len() < 2 || !ends || !codes.windows(2).all(|p| p[0] < p[1]) {
            return Err("`codes` must rise from 0 to 1".into());
        }
        if !matches!(light.len(), 1 | 3) {
            return Err(format!("`light` must hold one list for all channels or three, not {}", light.len()));
        }
        for list in light {
            if list.len() != codes.len() {
                return Err(format!("`light` has {} values for {} codes", list.len(), codes.len()));
            }
            let tops = list.last().is_some_and(|top| (top - 1.0).abs() < 1e-9);
            if !tops || !list.windows(2).all(|p| p[0] <= p[1]) || list.iter().any(|l| !l.is_finite()) {
                return Err("`light` must never fall, and must end at 1".into());
            }
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn built_in_profiles_are_sound() {
        let nowhere = Path::new(".");
        assert_eq!(CaptureProfile::load("srgb", nowhere).unwrap().transfer, Transfer::Srgb);
        assert_eq!(CaptureProfile::load("linear", nowhere).unwrap().transfer, Transfer::Linear);
        let fault = CaptureProfile::load("sgrb", nowhere).unwrap_err().to_string();
        assert!(fault.contains("did you mean `srgb`"), "{fault}");
    }

    #[test]
    fn a_profile_comes_back_from_its_toml() {
        let profile = CaptureProfile {
            date: Some(jiff::civil::date(2026, 3, 14)),
            glare: Some(0.012),
            others: Some("srgb".into()),
            transfer: Transfer::Table(Curve { codes: vec![0.0, 0.5, 1.0], light: vec![vec![0.0, 0.2, 1.0]] }),
            camera: Some(Camera { model: Some("One".into()), ..Camera::default() }),
            lens: Some(Distortion { k1: -0.03, k2: 0.004, centre: [0.01, -0.002] }),
            correction: Some(Correction {
                read: vec![0.0, 3.0],
                density: vec![0.0, 3.1],
                sd: vec![0.0, 0.01],
                with_glare: true,
            }),
            fit: Some(Fit {
                density_rms: Some(0.004),
                tablet_frames: Some(Taking { exposure_s: Some(0.05), frame_px: Some([400, 300]), ..Taking::default() }),
                ..Fit::default()
            }),
            ..CaptureProfile::srgb()
        };
        let text = profile.to_toml();
        assert_eq!(CaptureProfile::parse(&text), Ok(profile), "{text}");
    }

    #[test]
    fn what_is_wrong_is_named_with_its_line() {
        let fault = |text: &str| CaptureProfile::parse(text).unwrap_err().to_string();
        let head = "name = \"a\"\npurpose = \"b\"\n";
        let text = fault(&format!("{head}transfer = \"srgb\"\nglair = 0.01\n"));
        assert!(text.contains("line 4") && text.contains("glair"), "{text}");
        assert!(fault(&format!("{head}transfer = \"rec709\"\n")).contains("rec709"));
        assert!(fault(&format!("{head}[transfer]\ncodes = [0.0, 1.0]\nlight = [[0.5, 0.2]]\n")).contains("never fall"));
        let correction = "transfer = \"srgb\"\n[correction]\nread = [0.0, 1.0]\ndensity = [0.0, -1.0]\n";
        assert!(fault(&format!("{head}{correction}")).contains("correction"));
        assert!(fault(&format!("{head}glare = 3.0\ntransfer = \"srgb\"\n")).contains("glare"));
    }

    #[test]
    fn a_lens_scales_with_the_frame() {
        let profile = CaptureProfile {
            lens: Some(Distortion { k1: -0.05, k2: 0.0, centre: [0.1, 0.0] }),
            ..CaptureProfile::srgb()
        };
        let lens = profile.lens(Size::new(300, 400)).unwrap();
        assert_eq!((lens.centre, lens.radius, lens.k1), (Point::new(225.0, 150.0), 250.0, -0.05));
    }

    /// A response for each colour says nothing of gray codes; one for all channels, and the exact curves, do.
    #[test]
    fn a_response_that_cannot_apply_is_refused() {
        let gray = crate::light::blank::tests::frame(&crate::image::Image::filled(Size::new(2, 2), 0.5));
        let profile = |light: Vec<Vec<f64>>| CaptureProfile {
            transfer: Transfer::Table(Curve { codes: vec![0.0, 1.0], light }),
            ..CaptureProfile::srgb()
        };
        assert!(profile(vec![vec![0.0, 1.0]; 3]).admits(&gray).unwrap_err().what().contains("gray"));
        assert!(profile(vec![vec![0.0, 1.0]]).admits(&gray).is_ok() && CaptureProfile::srgb().admits(&gray).is_ok());
    }

    #[test]
    fn another_camera_is_said() {
        let camera = Camera { make: Some("Maker".into()), model: Some("One".into()), lens: None };
        let profile = CaptureProfile { camera: Some(camera), ..CaptureProfile::srgb() };
        let seen =
            |model: &str| Settings { make: Some("MAKER".into()), model: Some(model.into()), ..Settings::default() };
        assert_eq!(profile.mismatch(&seen("One")), None);
        assert_eq!(profile.mismatch(&seen("Two")).unwrap().code, "profile-camera");
        assert_eq!(profile.mismatch(&Settings::default()), None);
        // With `others` named, another camera's captures are read by that instead.
        assert_eq!(profile.for_camera(&seen("Two")).name, profile.name);
        let named = CaptureProfile { name: "one".into(), others: Some("linear".into()), ..profile };
        assert_eq!(["One", "Two"].map(|model| named.for_camera(&seen(model)).name.clone()), ["one", "linear"]);
    }

    /// A correction holds at its exposure, to a third of a stop; a lens at its focal length and for frames of its shape, at any sampling. What
    /// nothing tells, and a profile from before this was kept, is not doubted.
    #[test]
    fn captures_taken_otherwise_than_the_calibration_are_said() {
        let taken = |seconds: f64, focal: f64| Settings {
            exposure_s: Some(seconds),
            iso: Some(100.0),
            focal_length_mm: Some(focal),
            ..Settings::default()
        };
        let size = Size::new(300, 400);
        let frames = Some(Taking::of(&taken(0.1, 50.0), size));
        let correction = Correction { read: vec![0.0, 3.0], density: vec![0.0, 3.1], sd: vec![], with_glare: false };
        let profile = CaptureProfile {
            lens: Some(Distortion { k1: -0.03, k2: 0.0, centre: [0.0; 2] }),
            correction: Some(correction),
            fit: Some(Fit { tablet_frames: frames.clone(), lens_frames: frames, ..Fit::default() }),
            ..CaptureProfile::srgb()
        };
        let codes = |profile: &CaptureProfile, settings: &Settings, size: Size| {
            profile.strays(settings, size).into_iter().map(|w| w.code).collect::<Vec<_>>()
        };
        assert!(codes(&profile, &taken(0.1, 50.0), Size::new(600, 800)).is_empty());
        assert!(codes(&profile, &taken(0.125, 50.2), size).is_empty());
        assert!(codes(&profile, &Settings::default(), size).is_empty());
        assert_eq!(codes(&profile, &taken(0.15, 50.0), size), ["profile-exposure"]);
        assert_eq!(codes(&profile, &taken(0.1, 35.0), size), ["profile-lens"]);
        assert_eq!(codes(&profile, &taken(0.1, 50.0), Size::new(300, 450)), ["profile-lens"]);
        let old = CaptureProfile { fit: Some(Fit::default()), ..profile };
        assert!(codes(&old, &taken(2.0, 35.0), Size::new(300, 450)).is_empty());
    }
}
