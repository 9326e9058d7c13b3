//! What a frame shows, seen in a small copy of it: bare panel, nothing, or a plate; and how two frames lie to each other.
//!
//! In: frames. Out: a [`Look`] for each, or the fault of the decoder. The measures: a blank is bright and even once the slow fall of
//! light towards the corners is taken out (a quadratic surface through the logarithms); a dark is black all over; what has
//! structure is a plate. Two frames show the same view if their densities differ by a constant where both are well exposed, and
//! parts of one plate if corners of one are found again in the other, shifted (the way in which tiles are placed later).

use super::shots::Shot;
use crate::error::{Fault, InFile};
use crate::frame::{self, CaptureProfile};
use crate::image::{Image, Size, reduced};
use crate::mosaic::{Features, find, link};
use nalgebra::{DMatrix, DVector};
use rayon::prelude::*;
use std::collections::BTreeMap;
use std::sync::OnceLock;

/// Long side of the small copy: that of the copies by which tiles are placed.
const LONG_SIDE: usize = 800;
/// Side of a cell in the small copy, over which noise and grain are averaged.
const CELL: usize = 16;
/// Share of full scale that a dark stays below: an eighth stop above an 8-bit file's first codes.
const BLACK: f32 = 0.01;
/// Share of its bright part's light that black card stays below.
const CARD: f32 = 0.03;
/// Share of its bright part's light that bare panel stays above, corners and all: two stops of fall-off.
const LIT: f32 = 0.25;
/// Share of full scale that a blank's bright part reaches.
const BRIGHT: f32 = 0.12;
/// Density by which a panel's cells may stand apart from the smooth surface, as root mean square: panels have bands and dust of a
/// percent or two, pictures differ by tenths.
const EVEN: f64 = 0.02;
/// Frames in memory at once: large ones take some hundred megabytes while they are made small.
const AT_ONCE: usize = 4;

/// What a frame alone says.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Shows {
    /// Even light; `level` as a share of full scale.
    Even {
        level: f64,
    },
    Black,
    Structure,
}

/// A frame made small.
pub struct Look {
    pub shows: Shows,
    /// Light as a share of full scale.
    light: Image<f32>,
    /// Whether all four borders are even: then the whole plate is in the frame.
    pub whole: bool,
    features: OnceLock<Features>,
}

/// How two frames of plates lie to each other.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Lie {
    /// The same view, nothing moved.
    Same,
    /// Parts of one plate that overlap.
    Overlap,
    /// The same scene on what seem to be two plates.
    Scene,
    Apart,
}

/// Frames as they have been looked at so far.
pub struct Looks<'a> {
    shots: &'a [Shot],
    profile: &'a CaptureProfile,
    seen: BTreeMap<usize, Result<Look, Fault>>,
}

impl<'a> Looks<'a> {
    pub fn new(shots: &'a [Shot], profile: &'a CaptureProfile) -> Self {
        Looks { shots, profile, seen: BTreeMap::new() }
    }

    /// Looks at frames that have not been looked at.
    pub fn need(&mut self, shots: &[usize]) {
        let new: Vec<usize> = shots.iter().copied().filter(|shot| !self.seen.contains_key(shot)).collect();
        for some in new.chunks(AT_ONCE) {
            let looks: Vec<_> = some.par_iter().map(|shot| (*shot, look(&self.shots[*shot], self.profile))).collect();
            self.seen.extend(looks);
        }
    }

    /// None where a frame could not be decoded, or was not needed so far.
    pub fn at(&self, shot: usize) -> Option<&Look> {
        self.seen.get(&shot)?.as_ref().ok()
    }

    /// Whether a frame was looked at in vain.
    pub fn failed(&self, shot: usize) -> bool {
        self.seen.get(&shot).is_some_and(Result::is_err)
    }

    pub fn errors(&self) -> Vec<crate::error::Error> {
        let failed = |(shot, look): (&usize, &Result<Look, Fault>)| {
            look.as_ref().map(|_| ()).map_err(Clone::clone).in_file(&self.shots[*shot].file).err()
        };
        self.seen.iter().filter_map(failed).collect()
    }

    pub fn lie(&self, a: usize, b: usize) -> Lie {
        match (self.at(a), self.at(b)) {
            (Some(one), Some(other)) if self.shots[a].same_camera(&self.shots[b]) => lie(one, other),
            _ => Lie::Apart,
        }
    }
}

fn look(shot: &Shot, profile: &CaptureProfile) -> Result<Look, Fault> {
    Ok(Look::of(small(&frame::read(&shot.file, profile)?)))
}

/// Light of the middle channel as a share of full scale, in cells of a whole number of colour-filter squares.
fn small(frame: &frame::Frame) -> Image<f32> {
    let long = frame.size.rows.max(frame.size.columns);
    let square = if matches!(frame.layout, frame::Layout::Mosaic(_)) { 2 } else { 1 };
    let step = long.div_ceil(LONG_SIDE).next_multiple_of(square);
    let size = Size::new(frame.size.rows / step, frame.size.columns / step);
    let channel = frame.channels() / 2;
    let full = frame.saturation.iter().copied().fold(f32::INFINITY, f32::min).max(f32::MIN_POSITIVE);
    let scale = 1.0 / ((step * step) as f32 * full);
    let line = vec![crate::units::Linear(0.0); frame.size.columns];
    Image::from_rows(size, 0f32, |row, out| {
        let mut line = line.clone();
        for inner in row * step..(row + 1) * step {
            frame.linear_row(inner, channel, &mut line);
            for (sum, cell) in out.iter_mut().zip(line.chunks_exact(step)) {
                *sum += cell.iter().map(|light| light.0).sum::<f32>();
            }
        }
        out.iter_mut().for_each(|sum| *sum *= scale);
    })
}

impl Look {
    /// `light` as a share of full scale.
    pub fn of(light: Image<f32>) -> Look {
        let cell = CELL.min(light.rows().min(light.columns()) / 8).max(1);
        let cells = reduced(&light, cell);
        Look { shows: shows(&cells), whole: whole(&cells), light, features: OnceLock::new() }
    }

    /// Corners, as the placing of tiles knows them; full light counts as bare panel.
    fn features(&self) -> &Features {
        self.features.get_or_init(|| {
            let bright = quantile(self.light.pixels(), 0.995).max(1e-6);
            find(&self.light.map(|v| (v / bright).max(0.0).sqrt()))
        })
    }
}

fn quantile(values: &[f32], share: f64) -> f32 {
    let mut values = values.to_vec();
    if values.is_empty() {
        return 0.0;
    }
    let at = ((values.len() - 1) as f64 * share) as usize;
    *values.select_nth_unstable_by(at, f32::total_cmp).1
}

fn shows(cells: &Image<f32>) -> Shows {
    let bright = quantile(cells.pixels(), 0.95);
    if bright < BLACK {
        return Shows::Black;
    }
    let count = |is: &dyn Fn(f32) -> bool| {
        cells.pixels().iter().filter(|v| is(**v)).count() as f64 / cells.pixels().len().max(1) as f64
    };
    let lit = count(&|v| v >= LIT * bright);
    let between = count(&|v| v < LIT * bright && v > CARD * bright);
    // Cells that the card's edge cuts: a ring, not more.
    let even = bright >= BRIGHT && lit >= 0.3 && between <= 0.08 && unevenness(cells, LIT * bright) <= EVEN;
    if even { Shows::Even { level: bright as f64 } } else { Shows::Structure }
}

/// Root mean square of the cells' densities about a quadratic surface through them; of cells whose neighbours are lit, too.
fn unevenness(cells: &Image<f32>, lit: f32) -> f64 {
    let (rows, columns) = (cells.rows() as isize, cells.columns() as isize);
    let inside = |r: isize, c: isize| (r - 1..=r + 1).all(|r| (c - 1..=c + 1).all(|c| cells.at_clamped(r, c) >= lit));
    let points: Vec<([f64; 6], f64)> = (0..rows)
        .flat_map(|r| (0..columns).map(move |c| (r, c)))
        .filter(|(r, c)| inside(*r, *c))
        .map(|(r, c)| {
            let (x, y) = (2.0 * c as f64 / columns as f64 - 1.0, 2.0 * r as f64 / rows as f64 - 1.0);
            ([1.0, x, y, x * x, x * y, y * y], -f64::from(cells.at(r as usize, c as usize)).log10())
        })
        .collect();
    if points.len() < 12 {
        return f64::INFINITY;
    }
    let surface = DMatrix::from_fn(points.len(), 6, |i, k| points[i].0[k]);
    let density = DVector::from_iterator(points.len(), points.iter().map(|p| p.1));
    match surface.clone().svd(true, true).solve(&density, 1e-12) {
        Ok(fit) => ((surface * fit - density).norm_squared() / points.len() as f64).sqrt(),
        Err(_) => f64::INFINITY,
    }
}

/// Whether along each of the four borders light is even: panel or card, no picture.
fn whole(cells: &Image<f32>) -> bool {
    const SPREAD: f64 = 0.15;
    let (rows, columns) = (cells.rows(), cells.columns());
    if rows < 3 || columns < 3 {
        return false;
    }
    let floor = CARD * quantile(cells.pixels(), 0.95).max(1e-6);
    let even = |line: Vec<f32>| {
        let line: Vec<f32> = line.into_iter().map(|v| v.max(floor)).collect();
        f64::from(quantile(&line, 0.95) / quantile(&line, 0.05)).log10() < SPREAD
    };
    let column = |c: usize| (0..rows).map(|r| cells.at(r, c)).collect::<Vec<f32>>();
    even(cells.row(0).to_vec()) && even(cells.row(rows - 1).to_vec()) && even(column(0)) && even(column(columns - 1))
}

fn lie(a: &Look, b: &Look) -> Lie {
    if same(&a.light, &b.light) {
        return Lie::Same;
    }
    /// Scale and turn within which a plate slid under a camera stays.
    const SCALES: std::ops::Range<f64> = 0.93..1.07;
    const TURN: f64 = 0.3;
    /// Tiles share no more than this of each other; more is the same view, laid anew.
    const MOST: f64 = 0.9;
    let link = link((0, a.features()), (1, b.features()), a.light.size());
    if !link.accepted {
        return Lie::Apart;
    }
    let slid = SCALES.contains(&link.map.scale()) && link.map.turn().abs() < TURN && link.overlap < MOST;
    if slid && !(a.whole && b.whole) { Lie::Overlap } else { Lie::Scene }
}

/// Whether densities differ by a constant wherever both frames are well exposed, and there is something to be seen there.
fn same(a: &Image<f32>, b: &Image<f32>) -> bool {
    /// Light between noise and full scale.
    const SOUND: std::ops::Range<f32> = 0.004..0.8;
    /// Least share of the frame to judge by.
    const SHARE: f64 = 0.05;
    /// Density: cameras that render JPEGs bend their curves by a little with the exposure.
    const SPREAD: f64 = 0.02;
    let (a, b) = (reduced(a, 4), reduced(b, 4));
    let both = || a.pixels().iter().zip(b.pixels()).filter(|(a, b)| SOUND.contains(*a) && SOUND.contains(*b));
    let differences: Vec<f32> = both().map(|(a, b)| (a / b).log10()).collect();
    if (differences.len() as f64) < SHARE * a.pixels().len() as f64 || differences.len() < 16 {
        return false;
    }
    // Medians, so that edges that moved by a pixel and dust that settled do not count.
    let spread = |values: &[f32]| f64::from(quantile(values, 0.84) - quantile(values, 0.16)) / 2.0;
    let densities: Vec<f32> = both().map(|(a, _)| -a.log10()).collect();
    spread(&differences) <= SPREAD && spread(&densities) >= 4.0 * spread(&differences)
}

#[cfg(test)]
mod tests {
    use super::super::tests::{picture, scene};
    use super::*;

    fn shown(light: Image<f32>) -> Shows {
        Look::of(light).shows
    }

    /// cos⁴ of 25° is a fall of 0.17 in density: a wide lens over an even panel.
    #[test]
    fn an_even_panel_is_a_blank_also_with_a_card_on_it() {
        let panel = |u: f64, v: f64| {
            let angle = (((u - 0.5).powi(2) + (v - 0.5).powi(2)).sqrt() / 0.7 * 25f64.to_radians().tan()).atan();
            0.7 * angle.cos().powi(4)
        };
        assert!(matches!(shown(picture(600, 800, panel)), Shows::Even { .. }));
        let carded =
            |u: f64, v: f64| if (0.15..0.85).contains(&u) && (0.1..0.9).contains(&v) { panel(u, v) } else { 0.003 };
        assert!(matches!(shown(picture(600, 800, carded)), Shows::Even { .. }));
        assert_eq!(shown(scene(0.0, 0.0, 0.8)), Shows::Structure);
        assert_eq!(shown(picture(600, 800, |_, _| 0.002)), Shows::Black);
    }

    /// A plate that is dark all over between bright panel and its own clear margin is no blank.
    #[test]
    fn a_plate_on_a_bright_panel_is_none() {
        let plate = |u: f64, v: f64| {
            let inside = (0.2..0.8).contains(&u) && (0.2..0.8).contains(&v);
            if inside { 0.8 * 10f64.powf(-1.0 - 0.3 * (u - v)) } else { 0.8 }
        };
        assert_eq!(shown(picture(600, 800, plate)), Shows::Structure);
        assert!(Look::of(picture(600, 800, plate)).whole);
        assert!(!Look::of(scene(0.0, 0.0, 0.8)).whole);
    }

    #[test]
    fn frames_lie_the_same_or_overlap_or_are_strangers() {
        let seen = |x, y, exposure| Look::of(scene(x, y, exposure));
        assert_eq!(lie(&seen(0.0, 0.0, 0.8), &seen(0.0, 0.0, 0.2)), Lie::Same);
        assert_eq!(lie(&seen(0.0, 0.0, 0.8), &seen(0.6, 0.05, 0.8)), Lie::Overlap);
        assert_eq!(lie(&seen(0.0, 0.0, 0.8), &seen(0.02, 0.01, 0.8)), Lie::Scene);
        assert_eq!(lie(&seen(0.0, 0.0, 0.8), &seen(40.0, 50.0, 0.8)), Lie::Apart);
    }
}
