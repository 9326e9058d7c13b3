//! Points on the plate's sides, placed in the outer tiles' own pixels.
//!
//! In: the [`Store`], views in millimetres that have the sides to within `reach` pixels. Out: [`SidePoint`]s, none where no
//! tile sees the side with room on both sides of it. Where the model has the sides to a few pixels, a ground edge is seen through
//! ([`ground`]), all tiles together. Fails only if a tile cannot be read back.

use super::adjust::SidePoint;
use super::model::shown;
use super::store::{Level, Store};
use crate::error::Fault;
use crate::geometry::{Point, View};
use crate::image::{Image, Size, Window};
use crate::median::median;
use crate::plate::{ground, profile, region};
use crate::units::Transmittance;
use rayon::prelude::*;
use std::collections::BTreeMap;

/// Places looked at along each side.
pub const STATIONS: usize = 160;
/// Share of a side left out at either end, where corners are chipped.
const CORNER: f64 = 0.015;
/// Standard deviation of one point: ground glass is straight to a few hundredths of a millimetre over some millimetres.
const SIGMA_PX: f64 = 0.2;

/// Looks for the four sides (top, right, bottom, left) of a plate of width and height. `bare[tile]`: transmittance of the bare panel
/// as each tile has it.
pub fn find(
    store: &Store,
    views: &[Option<View>],
    [width, height]: [f64; 2],
    bare: &[f64],
    reach: f64,
) -> Result<Vec<SidePoint>, Fault> {
    let corners = [Point::new(0.0, 0.0), Point::new(width, 0.0), Point::new(width, height), Point::new(0.0, height)];
    let stations: Vec<(usize, Point, Point)> = (0..4)
        .flat_map(|side| {
            let (from, to) = (corners[side], corners[(side + 1) % 4]);
            let along = (to - from) * (1.0 / from.distance(to));
            // Clockwise on screen, inwards lies to the right of the way.
            let inward = Point::new(-along.y, along.x);
            (0..STATIONS).map(move |k| {
                let t = CORNER + (1.0 - 2.0 * CORNER) * (k as f64 + 0.5) / STATIONS as f64;
                (side, from + (to - from) * t, inward)
            })
        })
        .collect();
    let found: Vec<Vec<Seen>> = stations
        .par_iter()
        .map(|(side, mm, inward)| {
            let mut points = Vec::new();
            for (tile, view) in views.iter().enumerate() {
                let Some(view) = view else { continue };
                points.extend(look(store, (tile, view), (*side, *mm, *inward), reach, bare[tile])?);
            }
            Ok(points)
        })
        .collect::<Result<_, Fault>>()?;
    let mut stretches: BTreeMap<(usize, usize), Vec<Seen>> = BTreeMap::new();
    found.into_iter().flatten().for_each(|seen| stretches.entry((seen.side, seen.tile)).or_default().push(seen));
    let mut stretches: Vec<Vec<Seen>> = stretches.into_values().collect();
    under_the_rim(&mut stretches);
    let point = |s: Seen| SidePoint { tile: s.tile, at: s.at + s.inward * s.begins, side: s.side, sigma: SIGMA_PX };
    Ok(stretches.into_iter().flatten().map(point).collect())
}

/// One place of a side as one tile shows it.
struct Seen {
    tile: usize,
    side: usize,
    /// Where the model has the side, and the unit vector into the plate, in the tile's pixels.
    at: Point,
    inward: Point,
    /// How far inwards of it the glass begins.
    begins: f64,
    /// Transmittance across it over [`ground::SPAN`], where the tile reaches so far.
    profile: Option<Vec<f64>>,
    /// Whether a ground edge was seen through here.
    is_moved: bool,
}

/// Moves what was found to where the glass begins under a ground edge, if one is seen. Each stretch of a side in one tile has a line of its
/// own, since tiles may not agree yet; blur and rim are those of all. What cannot be told so moves as the rest does.
fn under_the_rim(stretches: &mut [Vec<Seen>]) {
    /// The line must be so near, nearly all along, for profiles about it to hold the edge, in pixels.
    const NEAR: f64 = 3.0;
    const FEWEST: usize = STATIONS / 5;
    let is_told = |stretch: &&mut Vec<Seen>| {
        let whole = stretch.iter().filter(|s| s.profile.is_some()).count();
        let near = stretch.iter().filter(|s| s.begins.abs() < NEAR).count();
        whole >= FEWEST && 10 * near >= 9 * stretch.len()
    };
    let mut told: Vec<&mut Vec<Seen>> = stretches.iter_mut().filter(is_told).collect();
    let profiles = |stretch: &&mut Vec<Seen>| {
        let along = |k: usize| 2.0 * (k as f64 + 0.5) / stretch.len() as f64 - 1.0;
        let whole = stretch.iter().enumerate().filter_map(|(k, s)| Some((along(k), s.profile.clone()?)));
        let (along, profiles) = whole.unzip();
        ground::Side { along, profiles }
    };
    let Some(glass) = ground::glass_begins(&told.iter().map(profiles).collect::<Vec<_>>()) else { return };
    if glass.rim_blur.is_none() {
        return;
    }
    let mut shifts = Vec::new();
    for (stretch, begins) in told.iter_mut().zip(glass.begins) {
        let whole = stretch.iter_mut().filter(|s| s.profile.is_some());
        for (seen, begins) in whole.zip(begins) {
            if let Some(begins) = begins {
                shifts.push(begins - seen.begins);
                (seen.begins, seen.is_moved) = (begins, true);
            }
        }
    }
    let shift = median(shifts).unwrap_or(0.0);
    stretches.iter_mut().flatten().filter(|s| !s.is_moved).for_each(|s| s.begins += shift);
}

/// One tile's view of one place on a side.
fn look(
    store: &Store,
    (tile, view): (usize, &View),
    (side, mm, inward): (usize, Point, Point),
    reach: f64,
    bare: f64,
) -> Result<Option<Seen>, Fault> {
    /// Pixels beside the line that the profile averages over.
    const ROOM: f64 = 8.0;
    /// The profile reads levels over some pixels on either side of a step.
    const LEAST: f64 = 9.0;
    let size = store.size(Level::Full);
    let Some(at) = shown(view, mm, size) else { return Ok(None) };
    // Where little lies beyond the plate, it is looked for as far as the tile reaches.
    let border = at.x.min(at.y).min(size.columns as f64 - at.x).min(size.rows as f64 - at.y);
    let reach = reach.min(border - ROOM);
    if reach < LEAST {
        return Ok(None);
    }
    let deep = reach.max(ground::SPAN.1.min(border - ROOM));
    let wide = deep + ROOM;
    let ahead = view.to_capture(mm + inward * 0.1) - view.to_capture(mm - inward * 0.1);
    let inward = ahead * (1.0 / ahead.x.hypot(ahead.y));
    let (column, row) = ((at.x - wide).floor() as usize, (at.y - wide).floor() as usize);
    let across = 2 * wide.ceil() as usize;
    let window =
        Window { row, column, size: Size::new(across.min(size.rows - row), across.min(size.columns - column)) };
    let light = store.light(tile, window)?;
    let seen = Image::from_vec(light.size(), light.into_vec().into_iter().map(Transmittance).collect());
    let offset = Point::new(column as f64, row as f64);
    let Some(begins) = profile::edge(&seen, at - offset, inward, reach, region::BARE * bare as f32) else {
        return Ok(None);
    };
    let reaches = deep >= ground::SPAN.1;
    let profile = reaches.then(|| profile::across(&seen, at - offset, inward, ground::SPAN).map(|(_, t)| t).collect());
    Ok(Some(Seen { tile, side, at, inward, begins, profile, is_moved: false }))
}

/// Points that lie with their side: those within a robust spread of the side's own median distance.
pub fn in_line(points: &[SidePoint], distances: &[f64]) -> Vec<SidePoint> {
    let mut kept = Vec::new();
    for side in 0..4 {
        let of_side: Vec<(SidePoint, f64)> =
            points.iter().zip(distances).filter(|(p, _)| p.side == side).map(|(p, d)| (*p, *d)).collect();
        let Some(middle) = median(of_side.iter().map(|p| p.1).collect()) else { continue };
        let spread = 1.4826 * median(of_side.iter().map(|p| (p.1 - middle).abs()).collect()).unwrap_or(0.0);
        let limit = (4.0 * spread).max(3.0 * SIGMA_PX);
        kept.extend(of_side.into_iter().filter(|p| (p.1 - middle).abs() <= limit).map(|p| p.0));
    }
    kept
}
