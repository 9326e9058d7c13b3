//! Corners of a reduced tile and what surrounds them, so that the same corner is known again in another tile, however turned.
//!
//! In: a reduced tile (roots of transmittance). Out: [`Features`]: places, turns, and one unit vector of 128 numbers each.
//! An even sky gives few or none; that is no error. Corners: the smaller eigenvalue of the structure tensor of *density*
//! (Shi & Tomasi 1994), the best in each cell of a grid so that they cover the tile; surroundings: histograms of the slopes'
//! directions relative to the corner's own (Lowe 2004, at one scale, since the tiles of a plate share theirs). Density and unit
//! length make both blind to how a tile was exposed.

use super::smooth::{gaussian, slopes};
use crate::geometry::Point;
use crate::image::Image;
use nalgebra::DMatrix;
use rayon::prelude::*;
use std::f64::consts::{PI, TAU};
use wide::f32x8;

/// Corners of one tile.
pub struct Features {
    /// In pixels of the reduced tile.
    pub places: Vec<Point>,
    /// Direction of the surroundings, radians from x towards y.
    pub turns: Vec<f64>,
    /// One column of unit length for each corner.
    pub words: DMatrix<f32>,
    /// How well each place of the tile can be told in both directions: the smaller eigenvalue of the structure tensor.
    pub texture: Image<f32>,
}

/// Roots of transmittance below this (density 3.4) count as it: noise rules there.
const DARKEST_ROOT: f32 = 0.02;
/// Pixels along a side of the cells that corners are shared out over.
const CELL: usize = 26;
/// Corners a cell may give.
const PER_CELL: usize = 2;
/// Pixels from a corner that its surroundings reach to: the corners of a square of side 20 when turned.
const REACH: f64 = 14.2;
/// Squares along a side of the surroundings, and directions in each.
const SQUARES: usize = 4;
const DIRECTIONS: usize = 8;
/// Pixels along a side of one square.
const SQUARE: f64 = 5.0;
const WORD: usize = SQUARES * SQUARES * DIRECTIONS;
/// A second direction of a corner counts as well if its share is at least this much of the first's (Lowe's figure).
const SECOND_DIRECTION: f64 = 0.8;

/// Finds the corners of one reduced tile.
pub fn find(roots: &Image<f32>) -> Features {
    let density = roots.map(|r| -2.0 * r.max(DARKEST_ROOT).log10());
    let (dx, dy) = slopes(&gaussian(&density, 1.0));
    let texture = smaller_eigenvalue(&dx, &dy);
    let corners = best_of_cells(&texture);
    let slopes = polar(&dx, &dy);
    let described: Vec<Vec<(Point, f64, Vec<f32>)>> = corners
        .par_iter()
        .map(|&p| directions(&slopes, p).into_iter().map(|turn| (p, turn, word(&slopes, p, turn))).collect())
        .collect();
    let all: Vec<_> = described.into_iter().flatten().collect();
    let words = DMatrix::from_iterator(WORD, all.len(), all.iter().flat_map(|(_, _, w)| w.iter().copied()));
    Features { places: all.iter().map(|f| f.0).collect(), turns: all.iter().map(|f| f.1).collect(), words, texture }
}

fn smaller_eigenvalue(dx: &Image<f32>, dy: &Image<f32>) -> Image<f32> {
    let product = |a: &Image<f32>, b: &Image<f32>| {
        let pixels = a.pixels().iter().zip(b.pixels()).map(|(a, b)| a * b).collect();
        gaussian(&Image::from_vec(a.size(), pixels), 2.0)
    };
    let (xx, xy, yy) = (product(dx, dx), product(dx, dy), product(dy, dy));
    Image::from_rows(dx.size(), 0f32, |row, out| {
        for (c, o) in out.iter_mut().enumerate() {
            let (a, b, d) = (xx.at(row, c), xy.at(row, c), yy.at(row, c));
            *o = 0.5 * (a + d - ((a - d) * (a - d) + 4.0 * b * b).sqrt());
        }
    })
}

/// Local maxima of the texture, the strongest of each cell, away from the border.
fn best_of_cells(texture: &Image<f32>) -> Vec<Point> {
    let margin = REACH as usize + 2;
    let (rows, columns) = (texture.rows(), texture.columns());
    if rows <= 2 * margin || columns <= 2 * margin {
        return Vec::new();
    }
    let cells: Vec<(usize, usize)> = (margin..rows - margin)
        .step_by(CELL)
        .flat_map(|r| (margin..columns - margin).step_by(CELL).map(move |c| (r, c)))
        .collect();
    let found: Vec<Vec<Point>> = cells
        .par_iter()
        .map(|&(top, left)| {
            let mut best: Vec<(f32, usize, usize)> = Vec::new();
            for r in top..(top + CELL).min(rows - margin) {
                for c in left..(left + CELL).min(columns - margin) {
                    let v = texture.at(r, c);
                    let around = (r - 1..=r + 1).flat_map(|y| (c - 1..=c + 1).map(move |x| (y, x)));
                    if v > 0.0 && around.into_iter().all(|(y, x)| (y, x) == (r, c) || texture.at(y, x) < v) {
                        best.push((v, r, c));
                    }
                }
            }
            best.sort_by(|a, b| b.0.total_cmp(&a.0));
            best.iter().take(PER_CELL).map(|&(_, r, c)| between_pixels(texture, r, c)).collect()
        })
        .collect();
    found.into_iter().flatten().collect()
}

/// The top of a parabola through a maximum and its neighbours.
fn between_pixels(texture: &Image<f32>, r: usize, c: usize) -> Point {
    let top = |before: f32, at: f32, after: f32| {
        let bend = before - 2.0 * at + after;
        if bend < 0.0 { (0.5 * (before - after) / bend).clamp(-0.5, 0.5) as f64 } else { 0.0 }
    };
    let v = texture.at(r, c);
    let x = top(texture.at(r, c - 1), v, texture.at(r, c + 1));
    let y = top(texture.at(r - 1, c), v, texture.at(r + 1, c));
    Point::new(c as f64 + 0.5 + x, r as f64 + 0.5 + y)
}

/// Height and direction (0 to 2π, from x towards y) of each slope.
fn polar(dx: &Image<f32>, dy: &Image<f32>) -> Image<[f32; 2]> {
    const LANES: usize = 8;
    let lanes = |values: &[f32]| {
        let mut held = [0f32; LANES];
        held[..values.len()].copy_from_slice(values);
        f32x8::from(held)
    };
    Image::from_rows(dx.size(), [0f32; 2], |row, out| {
        let slopes = dx.row(row).chunks(LANES).zip(dy.row(row).chunks(LANES));
        for (out, (x, y)) in out.chunks_mut(LANES).zip(slopes) {
            let (x, y) = (lanes(x), lanes(y));
            let (heights, directions) = ((x * x + y * y).sqrt().to_array(), y.atan2(x).to_array());
            for (out, (height, direction)) in out.iter_mut().zip(heights.into_iter().zip(directions)) {
                *out = [height, if direction < 0.0 { direction + TAU as f32 } else { direction }];
            }
        }
    })
}

/// The `N` pixels about a place on one axis: number, distance of the middle, and weight by a Gaussian of `sigma` about the place. Along
/// both axes the weights' product is that of a round one.
fn pixels_about<const N: usize>(place: f64, sigma: f64) -> [(isize, f64, f64); N] {
    std::array::from_fn(|k| {
        let pixel = place as isize + k as isize - (N / 2) as isize;
        let off = pixel as f64 + 0.5 - place;
        (pixel, off, (-off * off / (2.0 * sigma * sigma)).exp())
    })
}

/// The direction, or two, that the slopes around a corner mostly have.
fn directions(slopes: &Image<[f32; 2]>, p: Point) -> Vec<f64> {
    const BINS: usize = 36;
    let mut histogram = [0f64; BINS];
    const SIGMA: f64 = 4.5;
    let (down, along) = (pixels_about::<19>(p.y, SIGMA), pixels_about::<19>(p.x, SIGMA));
    for (r, _, wr) in down {
        for (c, _, wc) in along {
            let [height, direction] = slopes.at_clamped(r, c).map(f64::from);
            let bin = direction / TAU * BINS as f64;
            let weight = height * wr * wc;
            let (low, share) = (bin.floor(), bin.fract());
            histogram[low as usize % BINS] += weight * (1.0 - share);
            histogram[(low as usize + 1) % BINS] += weight * share;
        }
    }
    for _ in 0..3 {
        let old = histogram;
        for (k, h) in histogram.iter_mut().enumerate() {
            *h = 0.25 * old[(k + BINS - 1) % BINS] + 0.5 * old[k] + 0.25 * old[(k + 1) % BINS];
        }
    }
    let highest = histogram.iter().copied().fold(0.0, f64::max);
    let mut peaks: Vec<(f64, f64)> = (0..BINS)
        .filter_map(|k| {
            let (l, v, r) = (histogram[(k + BINS - 1) % BINS], histogram[k], histogram[(k + 1) % BINS]);
            let peak = v > l && v >= r && v >= SECOND_DIRECTION * highest && v > 0.0;
            peak.then(|| (v, (k as f64 + 0.5 * (l - r) / (l - 2.0 * v + r)) / BINS as f64 * TAU))
        })
        .collect();
    peaks.sort_by(|a, b| b.0.total_cmp(&a.0));
    peaks.iter().take(2).map(|p| p.1).collect()
}

/// The surroundings of a corner, seen along its direction.
fn word(slopes: &Image<[f32; 2]>, p: Point, turn: f64) -> Vec<f32> {
    // With a rim of squares that count for nothing, and the first direction once more after the last.
    let mut sums = [[[0f32; DIRECTIONS + 1]; SQUARES + 2]; SQUARES + 2];
    const ACROSS: usize = 2 * REACH.ceil() as usize + 1;
    /// Of the weights, in pixels: what lies further out tells less of the corner.
    const SIGMA: f64 = 10.0;
    let (down, along) = (pixels_about::<ACROSS>(p.y, SIGMA), pixels_about::<ACROSS>(p.x, SIGMA));
    let (sin, cos) = turn.sin_cos();
    let inside = 0.0..(SQUARES + 1) as f64;
    for (r, oy, wr) in down {
        for (c, ox, wc) in along {
            // Along and across the corner's direction, in squares from the middle of the rim's first.
            let u = (cos * ox + sin * oy) / SQUARE + (SQUARES + 1) as f64 / 2.0;
            let v = (cos * oy - sin * ox) / SQUARE + (SQUARES + 1) as f64 / 2.0;
            if !inside.contains(&u) || !inside.contains(&v) {
                continue;
            }
            let [height, direction] = slopes.at_clamped(r, c);
            let height = height * (wr * wc) as f32;
            let turned = (f64::from(direction) - turn) / TAU;
            let bin = (turned - turned.floor()) * DIRECTIONS as f64;
            let ((u0, fu), (v0, fv), (b0, fb)) = (parts(u), parts(v), parts(bin));
            // A hair below a whole turn rounds to one.
            let b0 = b0 % DIRECTIONS;
            for (row, wv) in [(v0, 1.0 - fv), (v0 + 1, fv)] {
                for (column, wu) in [(u0, 1.0 - fu), (u0 + 1, fu)] {
                    let share = height * wu * wv;
                    sums[row][column][b0] += share * (1.0 - fb);
                    sums[row][column][b0 + 1] += share * fb;
                }
            }
        }
    }
    let mut word = Vec::with_capacity(WORD);
    for square in sums[1..=SQUARES].iter().flat_map(|row| &row[1..=SQUARES]) {
        word.push(square[0] + square[DIRECTIONS]);
        word.extend_from_slice(&square[1..DIRECTIONS]);
    }
    // Lowe's cut at 0.2 keeps one strong edge from ruling the whole.
    for _ in 0..2 {
        let length = word.iter().map(|w| w * w).sum::<f32>().sqrt().max(1e-12);
        word.iter_mut().for_each(|w| *w = (*w / length).min(0.2));
    }
    let length = word.iter().map(|w| w * w).sum::<f32>().sqrt().max(1e-12);
    word.iter_mut().for_each(|w| *w /= length);
    word
}

/// The whole number at or below a positive one, and the rest.
fn parts(v: f64) -> (usize, f32) {
    let whole = v as usize;
    (whole, (v - whole as f64) as f32)
}

/// The difference of two turns, in (−π, π].
pub fn turn_between(from: f64, to: f64) -> f64 {
    let d = (to - from).rem_euclid(TAU);
    if d > PI { d - TAU } else { d }
}
