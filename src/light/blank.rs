//! The blank: frames of the bare panel, averaged into the light that each photosite would see without a plate.
//!
//! In: one or more [`Frame`]s of one camera, size and layout. Out: a [`FlatField`], linear light of each channel, lit where the
//! panel is seen (a black mask that lay there during the blanks stays dark). Frames are brought to one level first, so that a
//! panel that drifts does not widen the spread; of three or more, samples that stand apart are left out.
//! Fails when a frame is clipped or too dim to divide by.

use super::average::average;
use super::calm::POOLED;
use crate::density::uncertainty::{Part, of_one_more};
use crate::error::{Fault, Warning};
use crate::frame::{Frame, Layout, Settings};
use crate::image::{Image, Size};
use crate::units::Linear;
use rayon::prelude::*;

/// Share of clipped samples in any channel above which a blank cannot be divided by: dead photosites are far fewer.
const CLIPPED_SHARE: f64 = 1e-3;
/// Light, as a share of saturation, that the bright part of a blank must reach; below it, codes and noise are too coarse.
const LEAST_LIGHT: f32 = 0.03;
/// Share of the blank's light above which a dark frame's lens was not capped: dark current and a raised black stay well below.
const MOST_DARK: f32 = 0.02;
/// Every how many rows and columns the comparison of whole frames looks: a frame of 640 × 480 still has 1200 such places.
const STRIDE: usize = 16;

/// Share of the blank's light from which on what a dark shows is worth a warning: as much as density 3 lets through.
const ROOM: f64 = 0.001;

/// The bare panel's light, channel by channel.
#[derive(Debug, Clone)]
pub struct FlatField {
    /// One for each channel (a mosaic has one).
    pub planes: Vec<Image<Linear>>,
    pub layout: Layout,
    /// Settings of the first blank, at whose exposure the planes stand.
    pub settings: Settings,
    /// When each blank was taken and its level, the mean of all being 1 once their settings are allowed for.
    pub levels: Vec<Level>,
    /// Standard deviation of noise in a pixel of the planes before it was calmed, as a share of their mean light; the noisiest channel's.
    pub noise: f64,
}

/// The level of one blank.
#[derive(Debug, Clone, PartialEq)]
pub struct Level {
    pub taken: Option<String>,
    pub level: f64,
}

impl FlatField {
    /// Averages blanks. `dark` is what the sensor shows with the lens capped. Frames must be of one size and layout, and have
    /// passed [`check`].
    pub fn from_frames(frames: &[&Frame], dark: Option<&Dark>) -> FlatField {
        let first = frames[0];
        let by_settings: Vec<f64> =
            frames.iter().map(|f| f.settings.exposure_ratio(&first.settings).unwrap_or(1.0)).collect();
        let seen = levels(frames, &by_settings);
        let mean = seen.iter().sum::<f64>() / seen.len() as f64;
        let scales: Vec<f32> = seen.iter().zip(&by_settings).map(|(l, e)| (mean / (l * e)) as f32).collect();
        let (planes, noise): (Vec<_>, Vec<f64>) =
            (0..first.channels()).map(|c| average(frames, &scales, c, dark)).unzip();
        let noise = noise.into_iter().fold(0.0, f64::max);
        let levels =
            frames.iter().zip(&seen).map(|(f, l)| Level { taken: f.settings.taken.clone(), level: l / mean }).collect();
        FlatField { planes, layout: first.layout, settings: first.settings.clone(), levels, noise }
    }

    pub fn size(&self) -> Size {
        self.planes[0].size()
    }

    /// What noise is left in the smooth part, density; what is left in single pixels shows in the scatter of a patch.
    pub fn noise_left(&self) -> Part {
        let sd = self.noise / POOLED.sqrt() / std::f64::consts::LN_10;
        Part::known(sd, format!("noise of {} blanks", self.levels.len()))
    }

    /// How far a capture's exposure may be off what its settings and its time say, density: as far as the blanks' own are.
    pub fn steadiness(&self, capture: &Settings) -> Part {
        const ALIKE: f64 = 0.005;
        let Some(ratio) = capture.exposure_ratio(&self.settings) else {
            return Part::lacking(
                "the captures do not say how they were exposed, and no bare panel is seen beside the plate",
            );
        };
        if (ratio - 1.0).abs() > ALIKE {
            return Part::lacking(format!(
                "the capture was exposed {ratio:.3} times as much as its blank by their settings alone, and no bare panel is seen beside the plate"
            ));
        }
        let levels: Vec<f64> = self.levels.iter().map(|l| l.level.log10()).collect();
        match of_one_more(&levels) {
            Some(sd) => Part::known(sd, format!("the levels of {} blanks", levels.len())),
            None => Part::lacking("one blank does not tell how steady the light is; take three or more"),
        }
    }

    /// How unevenly the panel lights the frame: standard deviation of the light's logarithm (base 10) where it is lit.
    pub fn unevenness(&self) -> f64 {
        const LIT: f32 = 0.1;
        let plane = &self.planes[self.planes.len() / 2];
        let seen = || plane.pixels().iter().step_by(97).map(|v| v.0);
        let lit = LIT * seen().fold(0.0, f32::max);
        let logs: Vec<f64> = seen().filter(|v| *v > lit).map(|v| (v as f64).log10()).collect();
        let mean = logs.iter().sum::<f64>() / logs.len().max(1) as f64;
        (logs.iter().map(|l| (l - mean).powi(2)).sum::<f64>() / logs.len().max(1) as f64).sqrt()
    }

    /// The panel's level at the time of a capture relative to the blanks' mean: interpolated between the blanks by time, the
    /// nearest one's outside their span, 1 where times are not known.
    pub fn level_at(&self, taken: Option<&str>) -> f64 {
        let Some(t) = taken.and_then(seconds) else { return 1.0 };
        let mut known: Vec<(f64, f64)> =
            self.levels.iter().filter_map(|l| Some((seconds(l.taken.as_deref()?)?, l.level))).collect();
        if known.len() < self.levels.len() || known.len() < 2 {
            return 1.0;
        }
        known.sort_by(|a, b| a.0.total_cmp(&b.0));
        let before = known.iter().rev().find(|k| k.0 <= t);
        let after = known.iter().find(|k| k.0 > t);
        match (before, after) {
            (Some(a), Some(b)) => a.1 + (b.1 - a.1) * (t - a.0) / (b.0 - a.0),
            (Some(k), None) | (None, Some(k)) => k.1,
            (None, None) => 1.0,
        }
    }
}

/// Seconds on some scale of a camera's local time.
fn seconds(taken: &str) -> Option<f64> {
    let time: jiff::civil::DateTime = taken.parse().ok()?;
    let since = time.duration_since(jiff::civil::DateTime::constant(2000, 1, 1, 0, 0, 0, 0));
    Some(since.as_secs_f64())
}

/// Says whether one frame can serve as a blank.
pub fn check(frame: &Frame) -> Result<(), Fault> {
    let clipped = (0..frame.channels()).map(|c| frame.clipped_share(c)).fold(0.0, f64::max);
    if clipped > CLIPPED_SHARE {
        return Err(Fault::new(
            format!("the blank is clipped: {:.1} % of its samples are at full scale", 100.0 * clipped),
            "retake it with a shorter exposure, its brightest part well below full scale",
        ));
    }
    let bright = (0..frame.channels()).map(|c| bright_part(frame, c)).fold(0.0, f32::max);
    if bright < LEAST_LIGHT {
        return Err(Fault::new(
            format!(
                "the blank is too dim: its bright part reaches {:.1} % of full scale ({:.2} % clipped)",
                100.0 * bright,
                100.0 * clipped
            ),
            "retake it with the panel lit and a longer exposure",
        ));
    }
    Ok(())
}

/// Says whether one frame can serve as the dark of a blank.
pub fn check_dark(frame: &Frame, blank: &Frame) -> Result<(), Fault> {
    let of = |frame: &Frame| (0..frame.channels()).map(|c| bright_part(frame, c)).fold(0.0, f32::max);
    let share = of(frame) / of(blank).max(f32::MIN_POSITIVE);
    if share > MOST_DARK {
        return Err(Fault::new(
            format!("the dark frame is not dark: it shows {:.0} % of the blank's light", 100.0 * share),
            "retake it with the lens capped, or take it out of the notes",
        ));
    }
    Ok(())
}

/// Says when darks show so much light that it is the room's, or a cap's that leaks. It is taken off, but what comes and goes between frames is not.
pub fn room(darks: &[&Frame], blank: &Frame) -> Option<Warning> {
    let channel = blank.channels() / 2;
    let light = darks.iter().map(|dark| reached(dark, channel, 0.5)).fold(0.0, f32::max);
    let share = f64::from(light / reached(blank, channel, 0.5).max(1e-9));
    (share > ROOM).then(|| {
        Warning::new(
            "dark-lit",
            format!(
                "the dark frames show {:.2} % of the panel's light, as much as a density of {:.1} lets through: it is taken off as far as it stays the \
                 same; darken the room, hang a black cloth over camera and plate, or cap the lens better",
                100.0 * share,
                -share.log10()
            ),
        )
    })
}

/// Light that a twentieth of the frame reaches.
fn bright_part(frame: &Frame, channel: usize) -> f32 {
    reached(frame, channel, 0.05)
}

/// Light that a share of the frame reaches.
pub fn reached(frame: &Frame, channel: usize, share: f64) -> f32 {
    let mut seen: Vec<f32> = grid(frame.size).map(|(r, c)| frame.linear(r, c, channel).0).collect();
    let at = ((seen.len() - 1) as f64 * (1.0 - share)) as usize;
    *seen.select_nth_unstable_by(at, f32::total_cmp).1
}

pub(super) fn grid(size: Size) -> impl Iterator<Item = (usize, usize)> {
    (0..size.rows).step_by(STRIDE).flat_map(move |r| (0..size.columns).step_by(STRIDE).map(move |c| (r, c)))
}

/// Each frame's level against the first, settings allowed for: the median ratio over places that are lit.
fn levels(frames: &[&Frame], by_settings: &[f64]) -> Vec<f64> {
    let light = |frame: &Frame, r, c| (0..frame.channels()).map(|ch| frame.linear(r, c, ch).0).sum::<f32>();
    let reference: Vec<_> = grid(frames[0].size).map(|(r, c)| (r, c, light(frames[0], r, c))).collect();
    let lit = 0.1 * reference.iter().map(|p| p.2).fold(0.0, f32::max);
    let ratio = |frame: &Frame| {
        let mut ratios: Vec<f32> =
            reference.iter().filter(|p| p.2 > lit).map(|&(r, c, v)| light(frame, r, c) / v).collect();
        let middle = ratios.len() / 2;
        *ratios.select_nth_unstable_by(middle, f32::total_cmp).1 as f64
    };
    frames.par_iter().zip(by_settings).map(|(frame, e)| (ratio(frame) / e).max(1e-6)).collect()
}

/// What the sensor shows without light.
#[derive(Debug, Clone)]
pub struct Dark {
    planes: Vec<Image<Linear>>,
    pub settings: Settings,
}

impl Dark {
    /// Averages frames taken with the lens capped.
    pub fn from_frames(frames: &[&Frame]) -> Dark {
        let scales = vec![1.0; frames.len()];
        let planes = (0..frames[0].channels()).map(|c| average(frames, &scales, c, None).0).collect();
        Dark { planes, settings: frames[0].settings.clone() }
    }

    pub fn size(&self) -> Size {
        self.planes[0].size()
    }

    pub fn at(&self, row: usize, column: usize, channel: usize) -> Linear {
        self.planes[channel].at(row, column)
    }

    /// Takes the dark off one row of one channel.
    pub fn subtract(&self, row: usize, channel: usize, line: &mut [Linear]) {
        line.iter_mut().zip(self.planes[channel].row(row)).for_each(|(v, d)| v.0 -= d.0);
    }
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;
    use crate::frame::Samples;

    /// A 16-bit gray frame from linear light (0 to 1).
    pub(crate) fn frame(light: &Image<f32>) -> Frame {
        let codes = light.pixels().iter().map(|v| (v.clamp(0.0, 1.0) * 65535.0).round() as u16).collect();
        Frame {
            size: light.size(),
            layout: Layout::Gray,
            samples: Samples::U16(codes),
            tables: vec![(0..65536).map(|c| c as f32 / 65535.0).collect()],
            saturation: vec![0.999],
            noise: None,
            settings: Settings::default(),
            format: "made".into(),
            raw: None,
            warnings: Vec::new(),
        }
    }

    #[test]
    fn a_clipped_and_a_dim_blank_are_refused_with_their_share() {
        let mut light = Image::filled(Size::new(100, 100), 0.7f32);
        for row in 0..20 {
            light.row_mut(row).fill(1.0);
        }
        let told = check(&frame(&light)).unwrap_err().to_string();
        assert!(told.contains("20.0 %"), "{told}");
        let told = check(&frame(&Image::filled(Size::new(100, 100), 0.01))).unwrap_err().to_string();
        assert!(told.contains("too dim"), "{told}");
        assert!(check(&frame(&Image::filled(Size::new(100, 100), 0.6))).is_ok());
    }

    #[test]
    fn a_room_that_shines_into_the_darks_is_said() {
        let of = |light: f32| frame(&Image::filled(Size::new(100, 100), light));
        assert_eq!(room(&[&of(0.0002)], &of(0.6)), None);
        let told = room(&[&of(0.0002), &of(0.003)], &of(0.6)).unwrap();
        assert!(told.message.contains("0.50 % of the panel's light, as much as a density of 2.3"), "{}", told.message);
    }

    #[test]
    fn a_dark_that_saw_light_is_refused() {
        let of = |light| frame(&Image::filled(Size::new(100, 100), light));
        assert!(check_dark(&of(0.002), &of(0.6)).is_ok());
        let told = check_dark(&of(0.3), &of(0.6)).unwrap_err().to_string();
        assert!(told.contains("50 %"), "{told}");
    }

    #[test]
    fn a_passing_shadow_on_one_of_three_blanks_is_left_out() {
        let even = Image::filled(Size::new(64, 64), 0.6f32);
        let mut shadowed = even.clone();
        (10..30).for_each(|row| shadowed.row_mut(row)[10..30].fill(0.4));
        let frames = [frame(&even), frame(&shadowed), frame(&even)];
        let flat = FlatField::from_frames(&frames.iter().collect::<Vec<_>>(), None);
        let worst = flat.planes[0].pixels().iter().map(|v| (v.0 - 0.6).abs()).fold(0.0, f32::max);
        assert!(worst < 1e-3, "off by {worst}");
    }

    #[test]
    fn blanks_of_different_exposure_agree_once_settings_are_allowed_for() {
        let mut short = frame(&Image::filled(Size::new(64, 64), 0.2f32));
        let mut long = frame(&Image::filled(Size::new(64, 64), 0.4f32));
        short.settings.exposure_s = Some(0.1);
        long.settings.exposure_s = Some(0.2);
        let flat = FlatField::from_frames(&[&short, &long], None);
        assert!(flat.levels.iter().all(|l| (l.level - 1.0).abs() < 1e-3));
        assert!((flat.planes[0].at(5, 5).0 - 0.2).abs() < 1e-3);
    }

    #[test]
    fn the_panels_level_is_interpolated_by_time() {
        let level = |taken: &str, level| Level { taken: Some(taken.into()), level };
        let flat = FlatField {
            planes: vec![Image::filled(Size::new(2, 2), Linear(0.5))],
            layout: Layout::Gray,
            settings: Settings::default(),
            levels: vec![level("2026-03-14T10:00:00", 0.99), level("2026-03-14T11:00:00", 1.01)],
            noise: 0.0,
        };
        assert!((flat.level_at(Some("2026-03-14T10:30:00")) - 1.0).abs() < 1e-9);
        assert_eq!(flat.level_at(Some("2026-03-14T12:00:00")), 1.01);
        assert_eq!(flat.level_at(None), 1.0);
    }
}
