//! An exposure ladder: the bare panel at several exposures, looked at in many places.
//!
//! In: frames decoded with codes as they are (the profile "linear"), and log10 of each exposure. Out: for every channel the mean code of each
//! place in each frame, left out where it touches black or full scale. The panel's fall-off makes every frame show a range of
//! light, so that few exposures cover many codes.
//! Fails on frames that differ in size, kind, camera or stop, on a ladder without differing exposures, and on too few usable places.

use crate::error::Fault;
use crate::frame::{Frame, Layout, Settings};
use crate::geometry::Point;
use crate::image::Size;
use rayon::prelude::*;

/// Places along the frame's long and short side.
const ALONG: usize = 48;
const ACROSS: usize = 32;
/// Side of a place in pixels: its mean is sure to a tenth of a code's noise.
const SIDE: usize = 16;
/// A place that any sample of touches this code, as a share of full scale, is black: two codes of eight bits.
const BLACK: f64 = 1.5 / 255.0;
/// Spread of codes within a place above which something other than the even panel is seen there: edges, dust.
const TEXTURE: f64 = 0.03;
/// The least difference between the longest and the shortest exposure, log10: a quarter of a stop.
const LEAST_RANGE: f64 = 0.075;
/// Fewest places that two or more frames show unclipped.
const PLACES: usize = 60;
/// Least share of full scale that the usable codes must span.
const SPAN: f64 = 0.25;

/// What one frame shows in each place: for every channel the mean code, none where it is of no use.
#[derive(Debug, Clone)]
pub struct Rung {
    pub size: Size,
    pub layout: Layout,
    pub settings: Settings,
    /// Whether colour is stored coarsely beside luma.
    pub has_coarse_colour: bool,
    /// Channel by channel, place by place.
    codes: Vec<Vec<Option<f64>>>,
}

/// A place's code in one frame.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sample {
    pub place: usize,
    pub rung: usize,
    /// Share of full scale.
    pub code: f64,
}

/// The samples of one channel.
#[derive(Debug, Clone, PartialEq)]
pub struct Ladder {
    pub samples: Vec<Sample>,
    /// log10 of each rung's exposure.
    pub exposures: Vec<f64>,
    /// Where each place lies, from -1 to 1 each way.
    pub places: Vec<Point>,
}

impl Rung {
    /// Looks at one frame, so that the next can be read into the same memory.
    pub fn new(frame: &Frame) -> Result<Rung, Fault> {
        if let Layout::Mosaic(_) = frame.layout {
            return Err(Fault::new(
                "it is a raw file, whose codes are proportional to light already",
                "give the camera's JPEG, HEIC or PNG frames, or use raw files without a profile",
            ));
        }
        let codes = (0..frame.channels())
            .map(|channel| grid(frame.size).into_par_iter().map(|at| code(frame, channel, at)).collect())
            .collect();
        let has_coarse_colour = frame.coarse_colour();
        Ok(Rung { size: frame.size, layout: frame.layout, settings: frame.settings.clone(), has_coarse_colour, codes })
    }
}

/// Top left pixels (row, column) of the places.
fn grid(size: Size) -> Vec<(usize, usize)> {
    let (down, right) = if size.rows > size.columns { (ALONG, ACROSS) } else { (ACROSS, ALONG) };
    let at = |k: usize, n: usize, whole: usize| whole.saturating_sub(SIDE) * (2 * k + 1) / (2 * n);
    (0..down).flat_map(|r| (0..right).map(move |c| (at(r, down, size.rows), at(c, right, size.columns)))).collect()
}

/// Mean code of one place; none where it is black, clipped or not even.
fn code(frame: &Frame, channel: usize, (top, left): (usize, usize)) -> Option<f64> {
    let full = frame.saturation[channel.min(frame.saturation.len() - 1)] as f64;
    let (mut sum, mut squares, mut count) = (0.0, 0.0, 0.0);
    for row in top..(top + SIDE).min(frame.size.rows) {
        for column in left..(left + SIDE).min(frame.size.columns) {
            let code = frame.linear(row, column, channel).0 as f64;
            if code <= BLACK || code >= full {
                return None;
            }
            sum += code;
            squares += code * code;
            count += 1.0;
        }
    }
    let mean = sum / count;
    let spread = (squares / count - mean * mean).max(0.0).sqrt();
    (spread < TEXTURE).then_some(mean)
}

/// Fails where frames do not belong to one ladder. Each fault comes with the number of the frame that it is of.
pub fn check(rungs: &[Rung], by_settings: bool) -> Result<(), (usize, Fault)> {
    let Some(first) = rungs.first() else { return Ok(()) };
    for (k, rung) in rungs.iter().enumerate() {
        let (a, b) = (&first.settings, &rung.settings);
        let fault = if rung.size != first.size {
            Fault::new(
                format!("the frame is {} pixels and the first {}", rung.size, first.size),
                "take all frames of a ladder with one camera at one picture size",
            )
        } else if rung.codes.len() != first.codes.len() {
            Fault::new("one frame is gray and another colour", "take all frames of a ladder in one file format")
        } else if a.model != b.model || a.make != b.make || differ(&a.lens_model, &b.lens_model) {
            let name = |s: &Settings| s.model.clone().unwrap_or_else(|| "no camera".into());
            Fault::new(
                format!("the frame was taken with {} and the first with {}", name(b), name(a)),
                "calibrate each camera and lens by itself",
            )
        } else if by_settings && (differ(&a.f_number, &b.f_number) || differ(&a.iso, &b.iso)) {
            Fault::new(
                "stop or sensitivity differ from the first frame's, and neither keeps to its mark",
                "change the exposure time alone, or dim the panel in known steps and give --stops",
            )
        } else {
            continue;
        };
        return Err((k, fault));
    }
    Ok(())
}

fn differ<T: PartialEq>(a: &Option<T>, b: &Option<T>) -> bool {
    matches!((a, b), (Some(a), Some(b)) if a != b)
}

/// The ladder of each channel. `exposures`: log10 of each rung's, on any common scale.
pub fn ladders(rungs: &[Rung], exposures: &[f64]) -> Result<Vec<Ladder>, Fault> {
    let low = exposures.iter().copied().fold(f64::INFINITY, f64::min);
    let high = exposures.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    if rungs.len() < 2 || high - low < LEAST_RANGE {
        return Err(Fault::new(
            "the frames' exposures do not differ",
            "take the bare panel at five or more exposure times, a stop apart, from nearly black to just clipping",
        ));
    }
    let size = rungs[0].size;
    let centre = |at: usize, whole: usize| 2.0 * (at as f64 + SIDE as f64 / 2.0) / whole as f64 - 1.0;
    let places: Vec<Point> =
        grid(size).iter().map(|(r, c)| Point::new(centre(*c, size.columns), centre(*r, size.rows))).collect();
    (0..rungs[0].codes.len())
        .map(|channel| {
            let mut samples = Vec::new();
            for place in 0..places.len() {
                let seen: Vec<Sample> = rungs
                    .iter()
                    .enumerate()
                    .filter_map(|(rung, r)| Some(Sample { place, rung, code: r.codes[channel][place]? }))
                    .collect();
                // A place that one frame alone shows says nothing of a ratio.
                if seen.len() > 1 {
                    samples.extend(seen);
                }
            }
            let ladder = Ladder { samples, exposures: exposures.to_vec(), places: places.clone() };
            ladder.suffices().map(|()| ladder)
        })
        .collect()
}

impl Ladder {
    fn suffices(&self) -> Result<(), Fault> {
        let mut places: Vec<usize> = self.samples.iter().map(|s| s.place).collect();
        places.dedup();
        let [low, high] = self.covered();
        if places.len() < PLACES || high - low < SPAN {
            return Err(Fault::new(
                format!(
                    "only {} places are neither black nor clipped in two or more frames, and they cover {:.0} % of the codes",
                    places.len(),
                    100.0 * (high - low).max(0.0)
                ),
                "take more exposures between nearly black and just clipping, the panel filling the frame, nothing lying on it",
            ));
        }
        Ok(())
    }

    /// Whether codes are near those of another channel at the same places, as under a panel that is nearly neutral.
    pub fn is_near(&self, other: &Ladder) -> bool {
        const NEAR: f64 = 0.1;
        let mean =
            |ladder: &Ladder| ladder.samples.iter().map(|s| s.code).sum::<f64>() / ladder.samples.len().max(1) as f64;
        (mean(self) / mean(other) - 1.0).abs() < NEAR
    }

    /// The least and the greatest code that was seen.
    pub fn covered(&self) -> [f64; 2] {
        let codes = self.samples.iter().map(|s| s.code);
        [codes.clone().fold(f64::INFINITY, f64::min), codes.fold(f64::NEG_INFINITY, f64::max)]
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::calibrate::simulate::{frame, panel, srgb};

    fn rung(rows: usize, change: impl FnOnce(&mut Settings)) -> Rung {
        let mut made = frame(&panel(Size::new(rows, 320), 0.3).map(|v| 0.4 * v), [srgb; 3], 1e-5, 1);
        change(&mut made.settings);
        Rung::new(&made).unwrap()
    }

    #[test]
    fn frames_that_are_not_of_one_ladder_are_named() {
        let plain = || rung(240, |s| (s.model, s.f_number, s.iso) = (Some("One".into()), Some(4.0), Some(50.0)));
        let told = |other: Rung| {
            let (frame, fault) = check(&[plain(), plain(), other], true).unwrap_err();
            assert_eq!(frame, 2);
            fault.to_string()
        };
        assert!(check(&[plain(), plain()], true).is_ok());
        assert!(told(rung(200, |_| ())).contains("320×200"));
        let two = |s: &mut Settings| (s.model, s.f_number) = (Some("Two".into()), Some(4.0));
        assert!(told(rung(240, two)).contains("taken with Two"));
        let stopped = |s: &mut Settings| (s.model, s.f_number) = (Some("One".into()), Some(5.6));
        assert!(told(rung(240, stopped)).contains("stop or sensitivity"));
        assert!(check(&[plain(), rung(240, stopped)], false).is_ok(), "stated exposures need no Exif");
    }

    #[test]
    fn a_raw_frame_needs_no_response() {
        use crate::frame::Filter::{Blue, Green, Red};
        let mut made = frame(&panel(Size::new(240, 320), 0.3), [srgb; 3], 0.0, 1);
        made.layout = Layout::Mosaic([Red, Green, Green, Blue]);
        assert!(Rung::new(&made).unwrap_err().what().contains("raw"));
    }

    /// A dark spot with a sharp edge lies in a known place: that place is left out, and no other.
    #[test]
    fn places_that_are_not_even_are_left_out() {
        let mut light = panel(Size::new(960, 1440), 0.3).map(|v| 0.4 * v);
        let whole = Rung::new(&frame(&light, [srgb; 3], 1e-5, 1)).unwrap();
        let (top, left) = grid(light.size())[100];
        (top..top + 8).for_each(|row| light.row_mut(row)[left..left + SIDE].fill(0.1));
        let spotted = Rung::new(&frame(&light, [srgb; 3], 1e-5, 1)).unwrap();
        let lost = |r: &Rung| r.codes[1].iter().filter(|c| c.is_none()).count();
        assert_eq!((lost(&whole), lost(&spotted)), (0, 1));
    }
}
