//! Veiling glare: light that the lens and the glass scatter over the whole frame.
//!
//! Model: the frame shows each place's own light plus a veil, the same everywhere, in proportion to the frame's mean light:
//! seen = light + g · mean(light), so that mean(seen) = (1 + g) · mean(light) and veil = g ÷ (1 + g) · mean(seen). An opaque patch
//! shows the veil alone, which gives g. Glare is a constant share of the scene's light whatever the exposure, so one patch in one
//! capture serves all captures of that set-up. What is full in a long exposure does not show its light: its mean is then that of a shorter
//! exposure of the same view ([`super::scene`]).

use super::level::level;
use super::scene::{mean, mean_light};
use super::{FlatField, blank::Dark};
use crate::density::uncertainty::of_one_more;
use crate::error::Fault;
use crate::frame::{CaptureProfile, Frame};
use crate::image::Image;
use crate::units::Linear;

/// Glare of a clean lens, where nothing tells it: common practice, between a good lens's 0.5 % and a phone's 2 %.
pub const USUAL_GLARE: f64 = 0.01;
/// A patch brighter than this share of the frame's mean is not opaque: no usable lens scatters as much.
const MOST: f64 = 0.25;
/// A mask's place shows no more than this share of the blank's mean light if the mask lay there, too.
const MOST_IN_BLANK: f64 = 0.05;
/// Share of the blank's light that the plate must take off for the difference of two veils to be worth more than either.
const LEAST_FEWER: f64 = 0.3;
/// Most of the panel's light that a mask is believed to let through, density 3.5. A veil that falls off towards the corners as the panel's
/// light does looks like light that passes, and this is what that can do harm.
const MOST_THROUGH: f64 = 3e-4;
/// Parts, from dim to bright in the blank, by which what a mask lets through is told from the veil.
const LEVELS: usize = 16;
/// Parts, in reading order, by whose differences the veil's evenness is judged.
const PARTS: usize = 8;
/// Share of the places that may lie at black: of the rest [`level`] still tells where the middle is.
const CUT: f64 = 0.5;

/// Share of a frame's mean light that lies over all of it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Veil {
    pub share: f64,
    /// Standard uncertainty of the share, where anything tells of it.
    pub sd: Option<f64>,
    /// What it is from, in words.
    pub from: &'static str,
}

/// The veils to take off a frame and its blank, light of each channel.
#[derive(Debug, Clone, PartialEq)]
pub struct Veils {
    pub frame: Vec<f32>,
    pub blank: Vec<f32>,
}

impl Veil {
    /// From a patch that no light passes: x, y, width, height in sensor pixels. `mean`: mean light of each channel ([`mean_light`]).
    pub fn from_opaque(frame: &Frame, dark: Option<&Dark>, rect_px: [f64; 4], mean: &[f64]) -> Result<Veil, Fault> {
        let [x, y, w, h] = rect_px;
        let (left, top) = (x.round() as usize, y.round() as usize);
        let (right, bottom) = ((x + w).round() as usize, (y + h).round() as usize);
        if w < 3.0 || h < 3.0 || x < 0.0 || y < 0.0 || right > frame.size.columns || bottom > frame.size.rows {
            return Err(Fault::new(
                format!("the opaque patch {rect_px:?} does not lie in the capture's {} pixels", frame.size),
                "give rect_px = [x, y, width, height] inside the capture, at least 3 pixels each way",
            ));
        }
        let places: Vec<_> = (top..bottom).flat_map(|row| (left..right).map(move |column| (row, column))).collect();
        let whole = mean.iter().sum::<f64>().max(1e-12);
        let veil = Veil::of_parts("an opaque patch", &places, |part| patch(frame, dark, part) / whole)?;
        Ok(veil.coded(frame, &places, whole))
    }

    /// As a capture profile knows it.
    pub fn of_profile(profile: &CaptureProfile) -> Option<Veil> {
        let sd = profile.fit.as_ref().and_then(|fit| fit.glare_sd);
        profile.glare.map(|share| Veil { share, sd, from: "the capture profile" })
    }

    /// From places under a black mask that lies in the capture and, where the blanks were taken with it, in the blank. What light the mask
    /// lets through is the same in both and the veil is not, since the plate takes light off the whole: the difference is the veil's alone.
    /// Where the blanks were taken without it, light that passes is told by its falling off as the panel's own does ([`through`]).
    pub fn from_mask(
        frame: &Frame,
        flat: &FlatField,
        dark: Option<&Dark>,
        places: &[(usize, usize)],
    ) -> Result<Veil, Fault> {
        const FROM: &str = "the mask about the plate";
        let whole: f64 = mean_light(frame, dark).iter().sum();
        let exposure = frame.settings.exposure_ratio(&flat.settings).unwrap_or(1.0);
        let blank_whole: f64 = flat.planes.iter().map(|plane| exposure * mean(plane)).sum();
        let blank_patch = |part: &[(usize, usize)]| -> f64 {
            let light = |plane: &Image<Linear>| part.iter().map(|&(r, c)| plane.at(r, c).0).collect::<Vec<f32>>();
            flat.planes.iter().map(|plane| exposure * level(&mut light(plane))).sum()
        };
        let fewer = blank_whole - whole;
        let bare = blank_patch(places);
        if bare > MOST_IN_BLANK * blank_whole || fewer < LEAST_FEWER * blank_whole {
            let lit = |&(r, c): &(usize, usize)| {
                let bare: f64 = flat.planes.iter().map(|plane| exposure * f64::from(plane.at(r, c).0)).sum();
                (bare, (r, c))
            };
            let passes = through(places.iter().map(lit).collect(), |part| patch(frame, dark, part));
            let veiled = |part: &[(usize, usize)]| patch(frame, dark, part) - passes.share * blank_patch(part);
            let veil = Veil::of_parts(FROM, places, |part| veiled(part) / whole.max(1e-12))?;
            let unsure = passes.sd * bare / whole.max(1e-12);
            let veil = Veil { sd: veil.sd.map(|sd| sd.hypot(unsure)), ..veil };
            return Ok(veil.coded(frame, places, whole));
        }
        let veil = Veil::of_parts(FROM, places, |part| (blank_patch(part) - patch(frame, dark, part)) / fewer)?;
        Ok(veil.coded(frame, places, fewer))
    }

    /// What the file's codes add to the uncertainty: they come in steps, which lossy files do not even out among pixels, and of a dark patch
    /// that lies mostly at black no one knows how dark it is. `of`: the light that the share is of.
    fn coded(self, frame: &Frame, places: &[(usize, usize)], of: f64) -> Veil {
        let channels = 0..frame.channels();
        let dark = |channel: usize| places.iter().filter(|(r, c)| frame.linear(*r, *c, channel).0 <= 0.0).count();
        let cut = channels.clone().map(dark).max().unwrap_or(0) as f64 > CUT * places.len() as f64;
        let step: f64 = channels.map(|channel| frame.step(channel, self.share * of / frame.channels() as f64)).sum();
        // Standard deviation of an even distribution over one step.
        let coded = step / of / 12f64.sqrt();
        if cut {
            return Veil { sd: None, from: "a dark patch that is cut off at black", ..self };
        }
        Veil { sd: self.sd.map(|sd| sd.hypot(coded)), ..self }
    }

    /// `seen`: the veil at some places as a share of the mean light that the frame shows. How it differs between parts of the places tells how
    /// sure it is at any other.
    fn of_parts(
        from: &'static str,
        places: &[(usize, usize)],
        seen: impl Fn(&[(usize, usize)]) -> f64,
    ) -> Result<Veil, Fault> {
        let part = seen(places);
        if part > MOST {
            return Err(Fault::new(
                format!("the opaque patch shows {:.0} % of the frame's mean light: light passes it", 100.0 * part),
                "name a patch of black card that covers the panel wholly",
            ));
        }
        let parts: Vec<f64> = places.chunks(places.len().div_ceil(PARTS)).map(seen).collect();
        let part = part.max(0.0);
        Ok(Veil { share: part / (1.0 - part), sd: of_one_more(&parts), from })
    }

    /// In a frame whose channels have these mean lights, and in its blank.
    pub fn over(&self, mean_light: &[f64], flat: &FlatField) -> Veils {
        Veils {
            frame: mean_light.iter().map(|light| self.of_mean(*light)).collect(),
            blank: flat.planes.iter().map(|plane| self.of_mean(mean(plane))).collect(),
        }
    }

    fn of_mean(&self, mean: f64) -> f32 {
        (mean * self.share / (1.0 + self.share)) as f32
    }
}

/// What a mask lets through of the panel's light.
struct Through {
    share: f64,
    sd: f64,
}

/// From places under the mask, each with the blank's light there, and the light seen at some of them. What passes falls off as the blank does
/// and a veil lies evenly, so that a straight line through both has the one for its slope and the other for its height. Nothing where the slope
/// is not sure.
fn through(mut places: Vec<(f64, (usize, usize))>, seen: impl Fn(&[(usize, usize)]) -> f64) -> Through {
    const SURE: f64 = 3.0;
    places.sort_unstable_by(|a, b| a.0.total_cmp(&b.0));
    let of_part = |part: &[(f64, (usize, usize))]| {
        let bare = part.iter().map(|p| p.0).sum::<f64>() / part.len() as f64;
        (bare, seen(&part.iter().map(|p| p.1).collect::<Vec<_>>()))
    };
    let levels: Vec<(f64, f64)> = places.chunks(places.len().div_ceil(LEVELS).max(1)).map(of_part).collect();
    let count = levels.len() as f64;
    let mean = |of: fn(&(f64, f64)) -> f64| levels.iter().map(of).sum::<f64>() / count;
    let (bare, seen) = (mean(|l| l.0), mean(|l| l.1));
    let spread: f64 = levels.iter().map(|l| (l.0 - bare).powi(2)).sum();
    let slope = levels.iter().map(|l| (l.0 - bare) * (l.1 - seen)).sum::<f64>() / spread.max(1e-12);
    let left: f64 = levels.iter().map(|l| (l.1 - seen - slope * (l.0 - bare)).powi(2)).sum();
    let sd = (left / (count - 2.0).max(1.0) / spread.max(1e-12)).sqrt();
    if levels.len() < LEVELS / 2 || slope < SURE * sd {
        return Through { share: 0.0, sd: 0.0 };
    }
    let share = slope.min(MOST_THROUGH);
    // What is cut off may be the veil's own fall-off or more light through the mask: no one knows which.
    Through { share, sd: sd.hypot(slope - share) }
}

/// Light at some places less the dark frame's, all channels together.
fn patch(frame: &Frame, dark: Option<&Dark>, places: &[(usize, usize)]) -> f64 {
    let of_channel = |channel| {
        let of = |light: &dyn Fn(usize, usize) -> Linear| {
            level(&mut places.iter().map(|&(row, column)| light(row, column).0).collect::<Vec<f32>>())
        };
        // Each by itself: a difference of codes is none.
        let unlit = dark.map_or(0.0, |dark| of(&|row, column| dark.at(row, column, channel)));
        of(&|row, column| frame.linear(row, column, channel)) - unlit
    };
    (0..frame.channels()).map(of_channel).sum()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::image::Size;
    use crate::light::blank::tests::frame;
    use crate::light::divide;
    use std::f64::consts::LN_10;

    fn opaque(frame: &Frame, rect_px: [f64; 4]) -> Result<Veil, Fault> {
        Veil::from_opaque(frame, None, rect_px, &mean_light(frame, None))
    }

    /// Closed form: known light, 2 % of its mean added everywhere; the patch must give 2 % back and the division the true T.
    #[test]
    fn two_per_cent_of_glare_is_measured_and_removed() {
        let size = Size::new(200, 200);
        let light = Image::from_rows(size, 0f32, |row, out| {
            out.iter_mut().enumerate().for_each(|(c, v)| {
                *v = match (row, c) {
                    (0..40, 0..40) => 0.0,
                    (_, 40..100) => 0.7 * 0.005,
                    _ => 0.7 * 0.6,
                }
            })
        });
        let veiled = |image: &Image<f32>| {
            let mean = image.pixels().iter().sum::<f32>() / size.area() as f32;
            frame(&image.map(|v| v + 0.02 * mean))
        };
        let capture = veiled(&light);
        let flat = FlatField::from_frames(&[&veiled(&Image::filled(size, 0.7))], None);
        let veil = opaque(&capture, [2.0, 2.0, 36.0, 36.0]).unwrap();
        assert!((veil.share - 0.02).abs() < 2e-4, "{}", veil.share);
        let seen = divide(&capture, &flat, None, Some(&veil.over(&mean_light(&capture, None), &flat))).unwrap();
        assert!((seen.transmittance.at(100, 70).0 / 0.005 - 1.0).abs() < 0.01);
        assert!((seen.transmittance.at(100, 150).0 / 0.6 - 1.0).abs() < 0.001);
    }

    /// The usual table of flare, D' = −log10((T + g) ÷ (1 + g)), whose values follow from the formula: what the copy shows of a small dense
    /// patch on bare panel, and what is left of the error once the veil is measured on card and taken off.
    #[test]
    fn densities_read_as_the_table_of_flare_has_them_and_come_right() {
        let table =
            [(0.001, 2.0, 1.959), (0.001, 3.0, 2.699), (0.01, 1.0, 0.963), (0.01, 2.0, 1.703), (0.0001, 3.0, 2.959)];
        let size = Size::new(200, 200);
        for (veil, density, shown) in table {
            let seen = |row: usize, column: usize| match (row, column) {
                (0..40, 0..40) => 0.0,
                (90..110, 90..110) => 10f64.powf(-density),
                _ => 1.0,
            };
            let light = |of: &(dyn Fn(usize, usize) -> f64 + Sync)| {
                frame(&Image::from_rows(size, 0f32, |row, out| {
                    out.iter_mut().enumerate().for_each(|(c, v)| *v = (0.7 * (of(row, c) + veil)) as f32)
                }))
            };
            let (capture, blank) = (light(&seen), light(&|_, _| 1.0));
            let flat = FlatField::from_frames(&[&blank], None);
            let at = |veils: Option<&Veils>| {
                let divided = divide(&capture, &flat, None, veils).unwrap();
                -f64::from(divided.transmittance.at(100, 100).0).log10()
            };
            // The table has three decimals, and light comes in steps of a code of 16 bits.
            let rounded = |light: f64, codes: f64| 0.0005 + codes / (65535.0 * 0.7 * light) / LN_10;
            let transmittance = 10f64.powf(-density);
            assert!((at(None) - shown).abs() < rounded(transmittance + veil, 0.5), "{} for {shown}", at(None));
            let measured = opaque(&capture, [2.0, 2.0, 36.0, 36.0]).unwrap();
            let right = at(Some(&measured.over(&mean_light(&capture, None), &flat)));
            assert!(
                (right - density).abs() < rounded(transmittance, 1.0),
                "{right} for {density} under a veil of {veil}"
            );
        }
    }

    /// A mask that lets 0.05 % through in blank and capture: the veil comes out right all the same.
    #[test]
    fn light_that_the_mask_lets_through_is_not_taken_for_glare() {
        let size = Size::new(200, 500);
        let veiled = |t: f32| {
            let light = Image::from_rows(size, 0f32, |_, out| {
                out.iter_mut().enumerate().for_each(|(c, v)| *v = 0.7 * if c < 150 { 0.0005 } else { t });
            });
            let mean = light.pixels().iter().sum::<f32>() / size.area() as f32;
            frame(&light.map(|v| v + 0.003 * mean))
        };
        let flat = FlatField::from_frames(&[&veiled(1.0)], None);
        let places: Vec<_> = (10..190).flat_map(|row| (5..90).map(move |column| (row, column))).collect();
        let veil = Veil::from_mask(&veiled(0.2), &flat, None, &places).unwrap();
        assert!((veil.share - 0.003).abs() < 1e-4, "{}", veil.share);
    }

    /// The blank was taken without the mask, and the panel falls off by a third: both parts come out, and an even veil alone stays what it is.
    #[test]
    fn light_that_passes_is_told_from_the_veil_by_its_falling_off() {
        let size = Size::new(200, 500);
        let panel = |c: usize| 0.8 - 0.25 * c as f32 / 500.0;
        for (passed, glare) in [(2e-4, 0.002), (2e-4, 0.0), (0.0, 0.004)] {
            let light = Image::from_rows(size, 0f32, |row, out| {
                out.iter_mut().enumerate().for_each(|(c, v)| {
                    let is_mask = !(40..160).contains(&row) || !(60..440).contains(&c);
                    *v = panel(c) * if is_mask { passed } else { 0.3 };
                });
            });
            let mean = light.pixels().iter().sum::<f32>() / size.area() as f32;
            let bare =
                Image::from_rows(size, 0f32, |_, out| out.iter_mut().enumerate().for_each(|(c, v)| *v = panel(c)));
            let flat = FlatField::from_frames(&[&frame(&bare)], None);
            let places: Vec<_> = (5..30).flat_map(|row| (5..495).map(move |column| (row, column))).collect();
            let seen = frame(&light.map(|v| v + glare as f32 * mean));
            let veil = Veil::from_mask(&seen, &flat, None, &places).unwrap();
            assert!((veil.share - glare).abs() < 1e-4, "{} for {glare} with {passed}", veil.share);
        }
    }

    #[test]
    fn a_patch_that_light_passes_is_refused() {
        let even = frame(&Image::filled(Size::new(64, 64), 0.5));
        assert!(opaque(&even, [4.0, 4.0, 20.0, 20.0]).is_err());
        assert!(opaque(&even, [60.0, 4.0, 20.0, 20.0]).is_err());
    }
}
