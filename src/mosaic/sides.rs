//! Points on the plate's sides, placed in the outer tiles' own pixels.
//!
//! In: the [`Store`], a [`Model`] in millimetres that has the sides to within `reach` pixels. Out: [`SidePoint`]s, none where no
//! tile sees the side with room on both sides of it. Fails only if a tile cannot be read back.

use super::adjust::SidePoint;
use super::model::{Model, shown};
use super::store::{Level, Store};
use crate::error::Fault;
use crate::geometry::{Point, View};
use crate::image::{Image, Size, Window};
use crate::plate::{profile, region};
use crate::units::Transmittance;
use rayon::prelude::*;

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
    model: &Model,
    [width, height]: [f64; 2],
    bare: &[f64],
    reach: f64,
) -> Result<Vec<SidePoint>, Fault> {
    let corners = [Point::new(0.0, 0.0), Point::new(width, 0.0), Point::new(width, height), Point::new(0.0, height)];
    let views = model.views();
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
    let found: Vec<Vec<SidePoint>> = stations
        .par_iter()
        .map(|(side, mm, inward)| {
            let mut points = Vec::new();
            for (tile, view) in views.iter().enumerate() {
                let Some(view) = view else { continue };
                if let Some(at) = look(store, (tile, view), *mm, *inward, reach, bare[tile])? {
                    points.push(SidePoint { tile, at, side: *side, sigma: SIGMA_PX });
                }
            }
            Ok(points)
        })
        .collect::<Result<_, Fault>>()?;
    Ok(found.into_iter().flatten().collect())
}

/// One tile's view of one place on a side.
fn look(
    store: &Store,
    (tile, view): (usize, &View),
    mm: Point,
    inward: Point,
    reach: f64,
    bare: f64,
) -> Result<Option<Point>, Fault> {
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
    let wide = reach + ROOM;
    let ahead = view.to_capture(mm + inward * 0.1) - view.to_capture(mm - inward * 0.1);
    let inward = ahead * (1.0 / ahead.x.hypot(ahead.y));
    let (column, row) = ((at.x - wide).floor() as usize, (at.y - wide).floor() as usize);
    let side = 2 * wide.ceil() as usize;
    let window = Window { row, column, size: Size::new(side.min(size.rows - row), side.min(size.columns - column)) };
    let light = store.light(tile, window)?;
    let seen = Image::from_vec(light.size(), light.into_vec().into_iter().map(Transmittance).collect());
    let offset = Point::new(column as f64, row as f64);
    Ok(profile::edge(&seen, at - offset, inward, reach, region::BARE * bare as f32).map(|d| at + inward * d))
}

/// Points that lie with their side: those within a robust spread of the side's own median distance.
pub fn in_line(points: &[SidePoint], distances: &[f64]) -> Vec<SidePoint> {
    let mut kept = Vec::new();
    for side in 0..4 {
        let of_side: Vec<(SidePoint, f64)> =
            points.iter().zip(distances).filter(|(p, _)| p.side == side).map(|(p, d)| (*p, *d)).collect();
        if of_side.is_empty() {
            continue;
        }
        let median = |mut v: Vec<f64>| {
            let half = v.len() / 2;
            *v.select_nth_unstable_by(half, f64::total_cmp).1
        };
        let middle = median(of_side.iter().map(|p| p.1).collect());
        let spread = 1.4826 * median(of_side.iter().map(|p| (p.1 - middle).abs()).collect());
        let limit = (4.0 * spread).max(3.0 * SIGMA_PX);
        kept.extend(of_side.into_iter().filter(|p| (p.1 - middle).abs() <= limit).map(|p| p.0));
    }
    kept
}
