//! The first guess of how one plate's scene lies on another: turned, scaled, shifted, perhaps mirrored.
//!
//! In: two small density images at one sampling (mm a pixel), each with the outline of its scene. Out: the best few
//! [`Guess`]es, best first. Nothing fails here: a wrong guess finds no support when ties are looked for.
//!
//! Directions of the density gradient are correlated (Fitch, Kadyrov, Christmas, Kittler, *Orientation correlation*, BMVC 2002): they do
//! not care how much a plate was exposed or developed, only where density rises. All eight ways of laying a plate are tried, over
//! turns and scales in steps that the blur bridges.

use super::outline::Outline;
use super::plane::blur;
use crate::geometry::resample::linear;
use crate::geometry::{Homography, Point};
use crate::image::{Image, Size};
use nalgebra::{Complex, Matrix3};
use rayon::prelude::*;
use rustfft::{Fft, FftPlanner};
use std::sync::Arc;

/// Longest side of the images compared here, in pixels.
pub const LONG: usize = 128;
/// Side of the square that both are laid in: shifts up to a quarter of the long side do not wrap round.
const SQUARE: usize = 192;
/// Degrees of turn either way, and their step: 2° moves a corner of a 128-pixel image by 2.8 px, bridged from both sides.
const TURNS: (i32, f64) = (6, 2.0);
/// Steps of scale either way, and their size.
const SCALES: (i32, f64) = (3, 0.04);
/// Blur before the gradient, in pixels.
const SOFT: f32 = 1.0;

/// How B may lie on A.
#[derive(Debug, Clone, Copy)]
pub struct Guess {
    /// B's pixels to A's, both at the coarse sampling.
    pub b_to_a: Homography,
    /// Quarter turns clockwise, after mirroring.
    pub quarters: usize,
    /// Correlation, 0 to 1.
    pub score: f64,
}

/// The `count` best guesses that differ from each other.
pub fn guesses(a: (&Image<f32>, &Outline), b: (&Image<f32>, &Outline), count: usize) -> Vec<Guess> {
    let mut planner = FftPlanner::new();
    let plans = (planner.plan_fft_forward(SQUARE), planner.plan_fft_inverse(SQUARE));
    let field_a = Directions::of(a.0, a.1);
    let field_b = Directions::of(b.0, b.1);
    let centre = Point::new(SQUARE as f64 / 2.0, SQUARE as f64 / 2.0);
    let middle = |size: Size| Point::new(size.columns as f64 / 2.0, size.rows as f64 / 2.0);
    let lay_a = Homography::similarity(1.0, 0.0, centre - middle(a.0.size()));
    let (spectrum_a, energy_a) = field_a.laid(&lay_a, &plans.0);

    let mut tries = Vec::new();
    for mirrored in [false, true] {
        for quarters in 0..4 {
            for turn in -TURNS.0..=TURNS.0 {
                for step in -SCALES.0..=SCALES.0 {
                    tries.push((mirrored, quarters, turn, step));
                }
            }
        }
    }
    let mut found: Vec<Guess> = tries
        .par_iter()
        .map(|&(mirrored, quarters, turn, step)| {
            let radians = (quarters as f64 * 90.0 + turn as f64 * TURNS.1).to_radians();
            let scale = 1.0 + step as f64 * SCALES.1;
            let sign = if mirrored { -1.0 } else { 1.0 };
            let flip = Homography(Matrix3::new(sign, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 1.0));
            let home = Homography::similarity(1.0, 0.0, middle(b.0.size()) * -1.0);
            let lay_b = Homography::similarity(scale, radians, centre).after(&flip).after(&home);
            let (spectrum_b, energy_b) = field_b.laid(&lay_b, &plans.0);
            let (shift, peak) = correlate(&spectrum_a, spectrum_b, &plans.1);
            let b_to_a = lay_a.inverse().after(&Homography::similarity(1.0, 0.0, shift)).after(&lay_b);
            Guess { b_to_a, quarters, score: peak / (energy_a * energy_b).sqrt().max(1e-9) }
        })
        .collect();
    // A stable sort: equal scores stay in the order of the tries, whatever the number of threads.
    found.sort_by(|p, q| q.score.total_cmp(&p.score));
    let mut kept: Vec<Guess> = Vec::new();
    let far = [Point::new(0.0, 0.0), Point::new(b.0.columns() as f64, b.0.rows() as f64)];
    for guess in found {
        let differs = |k: &Guess| far.iter().any(|p| k.b_to_a.apply(*p).distance(guess.b_to_a.apply(*p)) > 8.0);
        if kept.iter().all(differs) {
            kept.push(guess);
        }
        if kept.len() == count {
            break;
        }
    }
    kept
}

/// Gradient directions, softly weighted by how far the gradient stands above the common run of them.
struct Directions {
    x: Image<f32>,
    y: Image<f32>,
}

impl Directions {
    fn of(density: &Image<f32>, outline: &Outline) -> Directions {
        let soft = blur(density, SOFT);
        let size = density.size();
        let gradient = |row: usize, column: usize| {
            let (r, c) = (row as isize, column as isize);
            let x = soft.at_clamped(r, c + 1) - soft.at_clamped(r, c - 1);
            let y = soft.at_clamped(r + 1, c) - soft.at_clamped(r - 1, c);
            (x, y)
        };
        let inside = |row: usize, column: usize| {
            let p = Point::new(column as f64 + 0.5, row as f64 + 0.5);
            // Two pixels further in, so that the outline's own edge gives no direction.
            [(-2.0, 0.0), (2.0, 0.0), (0.0, -2.0), (0.0, 2.0)]
                .iter()
                .all(|(dx, dy)| outline.contains(p + Point::new(*dx, *dy)))
        };
        let mut lengths: Vec<f32> = (0..size.area())
            .map(|i| (i / size.columns, i % size.columns))
            .filter(|(r, c)| inside(*r, *c))
            .map(|(r, c)| gradient(r, c).0.hypot(gradient(r, c).1))
            .collect();
        let middle = lengths.len() / 2;
        let common = if lengths.is_empty() { 0.0 } else { *lengths.select_nth_unstable_by(middle, f32::total_cmp).1 };
        let floor = common.max(1e-4);
        let part = |which: fn((f32, f32)) -> f32| {
            Image::from_rows(size, 0f32, |row, out| {
                for (column, v) in out.iter_mut().enumerate() {
                    if inside(row, column) {
                        let g = gradient(row, column);
                        *v = which(g) / (g.0.hypot(g.1) + floor);
                    }
                }
            })
        };
        Directions { x: part(|g| g.0), y: part(|g| g.1) }
    }

    /// Spectrum of the field as it lies in the square after `lay`, and its energy there.
    fn laid(&self, lay: &Homography, plan: &Arc<dyn Fft<f64>>) -> (Vec<Complex<f64>>, f64) {
        let back = lay.inverse();
        // Directions turn with the image: the linear part of `lay`, without its scale.
        let m = lay.0;
        let scale = (m[(0, 0)] * m[(1, 1)] - m[(0, 1)] * m[(1, 0)]).abs().sqrt();
        let (w, h) = (self.x.columns() as f64, self.x.rows() as f64);
        let mut field = vec![Complex::new(0.0, 0.0); SQUARE * SQUARE];
        let mut energy = 0.0;
        for (i, out) in field.iter_mut().enumerate() {
            let p = back.apply(Point::new((i % SQUARE) as f64 + 0.5, (i / SQUARE) as f64 + 0.5));
            if p.x < 0.0 || p.y < 0.0 || p.x >= w || p.y >= h {
                continue;
            }
            let (gx, gy) = (linear(&self.x, p), linear(&self.y, p));
            *out = Complex::new((m[(0, 0)] * gx + m[(0, 1)] * gy) / scale, (m[(1, 0)] * gx + m[(1, 1)] * gy) / scale);
            energy += out.norm_sqr();
        }
        both_ways(&mut field, plan);
        (field, energy)
    }
}

/// Transforms rows, then columns; the result lies transposed, which every use here shares.
fn both_ways(field: &mut [Complex<f64>], plan: &Arc<dyn Fft<f64>>) {
    plan.process(field);
    for row in 0..SQUARE {
        for column in row + 1..SQUARE {
            field.swap(row * SQUARE + column, column * SQUARE + row);
        }
    }
    plan.process(field);
}

/// The shift of B that meets A best, and the correlation there.
fn correlate(a: &[Complex<f64>], mut b: Vec<Complex<f64>>, back: &Arc<dyn Fft<f64>>) -> (Point, f64) {
    b.iter_mut().zip(a).for_each(|(b, a)| *b = a * b.conj());
    both_ways(&mut b, back);
    // Transposing twice leaves rows and columns in their places.
    let (mut best, mut place) = (f64::NEG_INFINITY, 0);
    for (i, v) in b.iter().enumerate() {
        if v.re > best {
            (best, place) = (v.re, i);
        }
    }
    let signed = |i: usize| if i > SQUARE / 2 { i as f64 - SQUARE as f64 } else { i as f64 };
    (Point::new(signed(place % SQUARE), signed(place / SQUARE)), best / (SQUARE * SQUARE) as f64)
}
