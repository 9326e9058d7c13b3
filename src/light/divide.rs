//! A capture divided by its blank.
//!
//! In: a [`Frame`] and the [`FlatField`] of the same sensor, photosite upon photosite. Out: [`Transmittance`], 1 where the panel is
//! bare. Silver is neutral over an even light, so the channels say the same thing: the light of all, weighted, over
//! the blank's light of all; and under a colour filter array every photosite counts by itself.
//! Fails when the sizes or layouts differ.

use super::filters::{self, Pattern};
use super::lateral::{self, Lateral};
use super::{FlatField, blank::Dark, glare::Veils, shaded::Shaded};
use crate::error::Fault;
use crate::frame::transfer::LUMA;
use crate::frame::{Frame, Layout};
use crate::image::Image;
use crate::units::{Linear, Transmittance};

/// Where the blank is darker than this share of its brightest, a mask lay on the panel: nothing shines there.
const MASKED: f32 = 0.02;

/// A capture divided by its blank.
#[derive(Debug, Clone)]
pub struct Seen {
    pub transmittance: Image<Transmittance>,
    /// Exposure of the capture over the blank's, by settings and by the panel's level.
    pub exposure_ratio: f64,
    /// Share of samples at full scale.
    pub clipped: f64,
    /// For mosaics: what the filter places showed of the plate's colour.
    pub pattern: Option<Pattern>,
    /// For colours that each came with their own detail: how far the lens drew them apart.
    pub lateral: Option<Lateral>,
}

/// Divides `frame` by `flat`. `veils` is the glare to take off both first.
pub fn divide(frame: &Frame, flat: &FlatField, dark: Option<&Dark>, veils: Option<&Veils>) -> Result<Seen, Fault> {
    if frame.size != flat.size() {
        return Err(Fault::new(
            format!("the capture is {} and its blank {} pixels", frame.size, flat.size()),
            "copy blank and plate with one camera at one picture size",
        ));
    }
    if frame.channels() != flat.planes.len() {
        return Err(Fault::new(
            "the capture and its blank differ in kind (colour, gray or raw)",
            "copy blank and plate with one camera in one file format",
        ));
    }
    let by_settings = frame.settings.exposure_ratio(&flat.settings).unwrap_or(1.0);
    let exposure_ratio = by_settings * flat.level_at(frame.settings.taken.as_deref());
    let lateral = if frame.coarse_colour() { None } else { lateral::measure(frame) };
    let weights = weights(frame, lateral.as_ref());
    let brightest = brightest(flat);
    // The filter places of a mosaic differ too much for cells; its blank stays as it is.
    let shaded = match flat.layout {
        Layout::Mosaic(_) => None,
        _ => {
            let veil = veils.map_or(0.0, |v| v.blank.iter().zip(&weights).map(|(b, w)| b * w).sum());
            Shaded::find(&flat.planes, &weights, veil)
        }
    };

    let transmittance = Image::from_rows(frame.size, Transmittance(0.0), |row, out| {
        let mut light = vec![Linear(0.0); frame.size.columns];
        let mut blank = vec![0f32; frame.size.columns];
        let mut full = vec![0u8; frame.size.columns];
        for (channel, weight) in weights.iter().enumerate() {
            frame.linear_row(row, channel, &mut light);
            let clip = frame.saturation[channel.min(frame.saturation.len() - 1)];
            full.iter_mut().zip(&light).for_each(|(full, v)| *full += (v.0 >= clip) as u8);
            if let Some(dark) = dark {
                dark.subtract(row, channel, &mut light);
            }
            let (veil_seen, veil_blank) = veils.map_or((0.0, 0.0), |v| (v.frame[channel], v.blank[channel]));
            for (((t, b), l), lit) in out.iter_mut().zip(&mut blank).zip(&light).zip(flat.planes[channel].row(row)) {
                t.0 += weight * (l.0 - veil_seen);
                *b += weight * (lit.0 - veil_blank);
            }
        }
        if let Some(shaded) = &shaded {
            blank.iter_mut().enumerate().for_each(|(column, b)| *b = shaded.light(row, column, *b));
        }
        let ratio = 1.0 / exposure_ratio as f32;
        let channels = weights.len() as u8;
        for ((t, b), full) in out.iter_mut().zip(&blank).zip(&full) {
            t.0 = if *b < MASKED * brightest { 0.0 } else { t.0 / b * ratio };
            // A photosite that is full saw at least this much: only the bare panel does that in a sound exposure.
            if *full == channels {
                t.0 = t.0.max(Transmittance::FULL.0);
            }
        }
    });
    let clipped = (0..frame.channels()).map(|c| frame.clipped_share(c)).fold(0.0, f64::max);
    let mut transmittance = transmittance;
    let pattern = match frame.layout {
        Layout::Mosaic(places) => {
            if let Some(lateral) = lateral.as_ref().filter(|l| l.off()) {
                lateral::undo(&mut transmittance, &places, lateral);
            }
            filters::balance(&mut transmittance)
        }
        _ => None,
    };
    Ok(Seen { transmittance, exposure_ratio, clipped, pattern, lateral })
}

/// How much each channel counts. A lossy file keeps luma sharp and blurs what colour is left, so its channels count as luma
/// does; elsewhere light counts as light, unless the lens drew colours apart: then green alone.
fn weights(frame: &Frame, lateral: Option<&Lateral>) -> Vec<f32> {
    match frame.channels() {
        3 if frame.coarse_colour() => LUMA.map(|share| share as f32).to_vec(),
        3 if lateral.is_some_and(Lateral::off) => vec![0.0, 1.0, 0.0],
        n => vec![1.0 / n as f32; n],
    }
}

/// The blank's bright part: what a hundredth of a sparse grid exceeds.
fn brightest(flat: &FlatField) -> f32 {
    let plane = &flat.planes[flat.planes.len() / 2];
    let mut seen: Vec<f32> = plane.pixels().iter().step_by(97).map(|v| v.0).collect();
    let at = seen.len() * 99 / 100;
    *seen.select_nth_unstable_by(at, f32::total_cmp).1
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::image::Size;
    use crate::light::blank::tests::frame;
    use proptest::prelude::*;

    fn panel(size: Size) -> Image<f32> {
        Image::from_rows(size, 0.0, |row, out| {
            for (column, v) in out.iter_mut().enumerate() {
                let (x, y) = (column as f32 / size.columns as f32 - 0.5, row as f32 / size.rows as f32 - 0.5);
                *v = 0.85 - 0.4 * (x * x + y * y);
            }
        })
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(12))]
        /// The law of the flat field: T times the blank gives the capture back. The tolerance is one 16-bit code of the capture over
        /// the blank's least light, and the calming of an exact blank.
        #[test]
        fn transmittance_times_the_blank_is_the_capture(t in 0.02f32..1.0, ratio in 0.25f64..1.1) {
            let light = panel(Size::new(480, 640));
            let mut blank = frame(&light);
            blank.settings.exposure_s = Some(1.0);
            let mut capture = frame(&light.map(|v| v * t * ratio as f32));
            capture.settings.exposure_s = Some(ratio);
            let flat = FlatField::from_frames(&[&blank], None);
            let seen = divide(&capture, &flat, None, None).unwrap();
            for v in seen.transmittance.pixels() {
                prop_assert!((v.0 - t).abs() < 3e-5 / ratio as f32 + 1e-3 * t, "{} for {}", v.0, t);
            }
        }
    }

    #[test]
    fn a_blank_of_another_size_is_a_fault() {
        let flat = FlatField::from_frames(&[&frame(&panel(Size::new(64, 64)))], None);
        let told = divide(&frame(&panel(Size::new(64, 80))), &flat, None, None).unwrap_err().to_string();
        assert!(told.contains("80×64") && told.contains("64×64"), "{told}");
    }

    #[test]
    fn a_full_photosite_is_at_least_bare() {
        let size = Size::new(64, 64);
        let flat = FlatField::from_frames(&[&frame(&Image::filled(size, 0.5))], None);
        let mut capture = frame(&Image::filled(size, 1.0));
        capture.settings.exposure_s = Some(4.0);
        let mut flat_at_one = flat.clone();
        flat_at_one.settings.exposure_s = Some(1.0);
        let seen = divide(&capture, &flat_at_one, None, None).unwrap();
        assert!(seen.transmittance.pixels().iter().all(|t| *t == Transmittance::FULL));
    }
}
