//! What each tile shows beside the plate: black mask, by which glare is told, and bare panel, which brings glare.
//!
//! In: the [`Store`] and the tiles as they are placed. Out: one [`Beside`] for each tile. Nothing here fails.

use super::placement::Placement;
use super::store::{Level, Store};
use crate::geometry::Point;
use crate::image::Image;
use rayon::prelude::*;

/// One tile's surroundings of the plate.
#[derive(Debug, Clone, Default)]
pub struct Beside {
    /// Full-size pixels (row, column) well inside a black mask, a few thousand at most.
    pub mask: Vec<(usize, usize)>,
    /// Share of the tile that is bare panel.
    pub bare_share: f64,
}

/// Transmittance below which it is mask: no plate is looked for here, and glare is a few per cent at most.
const DARK: f32 = 0.04;
/// And from which it is bare panel.
const BRIGHT: f32 = 0.9;
/// Millimetres from the plate within which its edge may still show.
const CLEAR_MM: f64 = 1.0;
/// Reduced pixels round a place that are mask, too.
const MARGIN: usize = 4;
const MOST: usize = 4000;

/// What lies beside the plate in each tile.
pub fn beside(store: &Store, placement: &Placement) -> Vec<Beside> {
    let views = placement.views();
    (0..store.len())
        .into_par_iter()
        .map(|k| {
            views[k].map_or_else(Beside::default, |view| {
                let reduced = store.reduced(k);
                let scale = store.scale(Level::Reduced);
                let [width, height] = placement.size_mm;
                let back = view.plane.inverse();
                let outside = |row: usize, column: usize| {
                    let p = Point::new(column as f64 + 0.5, row as f64 + 0.5) * scale;
                    let p = back.apply(view.lens.undistort(p));
                    (-p.x).max(-p.y).max(p.x - width).max(p.y - height) > CLEAR_MM
                };
                let light = |row: usize, column: usize| {
                    let root = reduced.at(row, column);
                    root * root.abs()
                };
                let (rows, columns) = (reduced.rows(), reduced.columns());
                let masked = Image::from_rows(reduced.size(), false, |row, out| {
                    let dark = |column| light(row, column) < DARK && outside(row, column);
                    out.iter_mut().enumerate().for_each(|(column, masked)| *masked = dark(column));
                });
                let inside = |row: usize, column: usize| {
                    let near = |at: usize| (at - MARGIN..=at + MARGIN).step_by(MARGIN);
                    near(row).all(|r| near(column).all(|c| masked.at(r, c)))
                };
                let all: Vec<(usize, usize)> = (MARGIN..rows.saturating_sub(MARGIN))
                    .flat_map(|r| (MARGIN..columns.saturating_sub(MARGIN)).map(move |c| (r, c)))
                    .filter(|(r, c)| inside(*r, *c))
                    .collect();
                let full = |at: usize| ((at as f64 + 0.5) * scale) as usize;
                let mask = all.iter().step_by(all.len() / MOST + 1).map(|(r, c)| (full(*r), full(*c))).collect();
                let bare = (0..rows)
                    .flat_map(|r| (0..columns).map(move |c| (r, c)))
                    .filter(|(r, c)| light(*r, *c) > BRIGHT && outside(*r, *c));
                Beside { mask, bare_share: bare.count() as f64 / (rows * columns).max(1) as f64 }
            })
        })
        .collect()
}
