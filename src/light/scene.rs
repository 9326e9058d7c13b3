//! The light of a scene as frames of it show it, the longer ones clipped.
//!
//! In: frames of one view, shortest exposure first. Out: the mean light of each channel as each frame would show it were nothing in it full:
//! the shortest one's, times how much more the other was exposed. Never fails; where the shortest is clipped its mean is too low.

use super::blank::{Dark, grid};
use crate::frame::Frame;
use crate::image::Image;
use crate::units::Linear;

/// Every how many rows the mean of a frame looks.
const STRIDE: usize = 8;
/// Light of the longer frame, as a share of saturation, between which places tell how much more it was exposed: above noise, below full.
const TELLS: [f32; 2] = [0.2, 0.8];
/// Fewest such places.
const LEAST: usize = 200;

/// Places of frames in order of exposure, shortest first: by their settings where all state them, else by how bright they are.
pub fn by_exposure(frames: &[&Frame]) -> Vec<usize> {
    let stated: Option<Vec<f64>> = frames.iter().map(|f| f.settings.exposure_ratio(&frames[0].settings)).collect();
    let exposures = stated.unwrap_or_else(|| frames.iter().map(|f| mean_light(f, None).iter().sum()).collect());
    let mut order: Vec<usize> = (0..frames.len()).collect();
    order.sort_by(|a, b| exposures[*a].total_cmp(&exposures[*b]));
    order
}

/// Mean light of each channel for each frame; the first is the shortest exposure.
pub fn mean_lights(frames: &[&Frame], dark: Option<&Dark>) -> Vec<Vec<f64>> {
    let Some((short, longer)) = frames.split_first() else { return Vec::new() };
    let of_short = mean_light(short, dark);
    let times = |ratio: f64| of_short.iter().map(|light| light * ratio).collect();
    std::iter::once(of_short.clone()).chain(longer.iter().map(|long| times(ratio(short, long, dark)))).collect()
}

/// Mean light of each channel as the frame shows it.
pub fn mean_light(frame: &Frame, dark: Option<&Dark>) -> Vec<f64> {
    let mut line = vec![Linear(0.0); frame.size.columns];
    let mut of_channel = |channel: usize| {
        let (mut sum, mut count) = (0.0, 0);
        for row in (0..frame.size.rows).step_by(STRIDE) {
            frame.linear_row(row, channel, &mut line);
            if let Some(dark) = dark {
                dark.subtract(row, channel, &mut line);
            }
            sum += line.iter().map(|v| v.0 as f64).sum::<f64>();
            count += line.len();
        }
        sum / count.max(1) as f64
    };
    (0..frame.channels()).map(&mut of_channel).collect()
}

pub(super) fn mean(plane: &Image<Linear>) -> f64 {
    plane.pixels().iter().map(|v| v.0 as f64).sum::<f64>() / plane.size().area() as f64
}

/// How much more `long` was exposed than `short`: the median over places that are sure in the long one, chosen by it alone so that noise
/// does not choose; as their settings say where such places are few.
fn ratio(short: &Frame, long: &Frame, dark: Option<&Dark>) -> f64 {
    let channel = long.channels() / 2;
    let light = |frame: &Frame, r, c| frame.linear(r, c, channel).0 - dark.map_or(0.0, |dark| dark.at(r, c, channel).0);
    let full = long.saturation.iter().copied().fold(f32::INFINITY, f32::min);
    let sure = |(r, c)| {
        let seen = light(long, r, c);
        let tells = seen > TELLS[0] * full && seen < TELLS[1] * full;
        tells.then(|| (light(short, r, c) / seen) as f64)
    };
    let mut shares: Vec<f64> =
        if short.size == long.size { grid(long.size).filter_map(sure).collect() } else { Vec::new() };
    if shares.len() < LEAST {
        return long.settings.exposure_ratio(&short.settings).unwrap_or(1.0);
    }
    let middle = shares.len() / 2;
    let share = *shares.select_nth_unstable_by(middle, f64::total_cmp).1;
    1.0 / share.max(1e-6)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::image::Size;
    use crate::light::blank::tests::frame;
    use crate::light::{FlatField, Veil, divide};

    /// Light of the scene at the short exposure: black card, a dense and a middling part, and a clear one that eight times as much fills.
    fn scene() -> Image<f32> {
        Image::from_rows(Size::new(320, 480), 0f32, |row, out| {
            out.iter_mut().enumerate().for_each(|(c, v)| {
                *v = match (row, c) {
                    (0..60, 0..60) => 0.0,
                    (_, ..160) => 0.7 * 0.0032,
                    (_, ..320) => 0.7 * 0.08,
                    _ => 0.7 * 0.6,
                }
            })
        })
    }

    fn exposed(times: f32, seconds: f64) -> Frame {
        let light = scene();
        let mean = light.pixels().iter().sum::<f32>() / light.size().area() as f32;
        let mut made = frame(&light.map(|v| ((v + 0.02 * mean) * times).min(1.0)));
        made.settings.exposure_s = Some(seconds);
        made
    }

    /// Closed form: 2 % of the scene's mean light lies over both exposures, the longer of which is full in its clear third and was exposed
    /// 8.3 times as much where its Exif says 8. The opaque patch gives 2 % in either, and density 2.5 comes back from either to 0.01.
    #[test]
    fn a_clipped_exposure_is_freed_of_the_whole_veil() {
        let (short, long) = (exposed(1.0, 0.1), exposed(8.3, 0.8));
        let means = mean_lights(&[&short, &long], None);
        assert!((means[1][0] / means[0][0] - 8.3).abs() < 0.02, "{means:?}");
        let mut blank = frame(&Image::filled(Size::new(320, 480), 0.7 * 1.02));
        blank.settings.exposure_s = Some(0.1);
        let flat = FlatField::from_frames(&[&blank], None);
        for (frame, mean, off) in [(&short, &means[0], 1.0), (&long, &means[1], 8.3 / 8.0)] {
            let veil = Veil::from_opaque(frame, None, [5.0, 5.0, 50.0, 50.0], mean).unwrap();
            assert!((veil.share - 0.02).abs() < 2e-4, "{}", veil.share);
            let seen = divide(frame, &flat, None, Some(&veil.over(mean, &flat))).unwrap();
            let density = -(seen.transmittance.at(200, 100).0 / off).log10();
            assert!((density + 0.0032f32.log10()).abs() < 0.01, "{density}");
        }
    }

    #[test]
    fn exposures_are_put_in_order_by_settings_or_by_light() {
        let (short, long) = (exposed(1.0, 0.1), exposed(8.0, 0.8));
        assert_eq!(by_exposure(&[&long, &short]), [1, 0]);
        let untold = |mut frame: Frame| {
            frame.settings.exposure_s = None;
            frame
        };
        assert_eq!(by_exposure(&[&untold(long), &untold(short)]), [1, 0]);
    }
}
