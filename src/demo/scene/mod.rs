//! A made-up place: a lime kiln at the edge of a salt marsh, a creek at half tide before it, hills across the estuary.
//!
//! In: a [`View`], the picture's size in millimetres at the plate and its sampling. Out: luminance, `Image<f32>`, upright and
//! right-reading, in the units of [`light`]. Never fails. Everything is computed from the place itself, so that two views of it
//! agree as two photographs of one place do. The ground is drawn column by column from front to back (what is nearer hides what
//! is farther); walls, drums and bushes are met by rays.

pub mod ground;
pub mod growth;
pub mod kiln;
pub mod light;
pub mod masonry;
pub mod vector;

use crate::image::{Image, Size};
use rayon::prelude::*;
use vector::{Vector, vector};

/// How the camera stands and what it is set to. It is level, so uprights stay upright; the front rises instead.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct View {
    /// Metres east, above the marsh, north.
    pub eye: [f64; 3],
    /// Degrees east of north.
    pub bearing: f64,
    /// Lens to plate, in millimetres.
    pub focal_mm: f64,
    /// How far the front is raised: the horizon lies this far below the picture's middle, in millimetres.
    pub rise_mm: f64,
    /// Seconds since the first exposure: clouds and water have moved.
    pub moment: f64,
}

/// Nothing beyond this is drawn as ground; water and hills stand for it.
const FARTHEST: f64 = 420.0;

/// One column of the picture while it is drawn.
struct Column<'a> {
    view: &'a View,
    eye: Vector,
    /// Direction that is one unit deep along the camera's axis, at the horizon.
    ahead: Vector,
    /// Pixels of picture for one metre, one metre away.
    scale: f64,
    /// Row of the horizon.
    horizon: f64,
}

/// Draws the place. `width_mm` × `height_mm` at `px_per_mm`.
pub fn render(view: &View, width_mm: f64, height_mm: f64, px_per_mm: f64) -> Image<f32> {
    let columns = (width_mm * px_per_mm).round() as usize;
    let rows = (height_mm * px_per_mm).round() as usize;
    let (sin, cos) = view.bearing.to_radians().sin_cos();
    let mut upended = Image::filled(Size::new(columns, rows), 0f32);
    upended.pixels_mut().par_chunks_mut(rows).enumerate().for_each(|(c, out)| {
        let side = ((c as f64 + 0.5) / px_per_mm - width_mm / 2.0) / view.focal_mm;
        let column = Column {
            view,
            eye: vector(view.eye[0], view.eye[1], view.eye[2]),
            ahead: vector(sin + side * cos, 0.0, cos - side * sin),
            scale: view.focal_mm * px_per_mm,
            horizon: (height_mm / 2.0 + view.rise_mm) * px_per_mm,
        };
        column.draw(out);
    });
    Image::from_rows(Size::new(rows, columns), 0f32, |r, out| {
        for (c, pixel) in out.iter_mut().enumerate() {
            *pixel = upended.at(c, r);
        }
    })
}

impl Column<'_> {
    fn draw(&self, out: &mut [f32]) {
        let mut depth = vec![f64::INFINITY; out.len()];
        self.draw_ground(out, &mut depth);
        let fine = 1.0 / self.scale;
        let toward = |row: f64| self.ahead + vector(0.0, (self.horizon - row) / self.scale, 0.0);
        // Clouds are soft: the sky is worked out in every few rows, and straight between them.
        const SKY_ROWS: usize = 4;
        let sky = |knot: usize| light::sky(toward((knot * SKY_ROWS) as f64).unit(), self.view.moment, fine);
        let mut between: Option<(usize, f64, f64)> = None;
        for (row, (pixel, depth)) in out.iter_mut().zip(&depth).enumerate() {
            let along = toward(row as f64 + 0.5);
            let seen = standing(self.eye, along, fine, *depth);
            if let Some(luminance) = seen {
                *pixel = luminance as f32;
            } else if depth.is_infinite() {
                let far = light::far_shore(along.unit(), self.view.moment, fine);
                *pixel = far.unwrap_or_else(|| {
                    let knot = row / SKY_ROWS;
                    let (_, above, below) = match between {
                        Some(known) if known.0 == knot => known,
                        Some((last, _, below)) if last + 1 == knot => (knot, below, sky(knot + 1)),
                        _ => (knot, sky(knot), sky(knot + 1)),
                    };
                    between = Some((knot, above, below));
                    above + (below - above) * ((row as f64 + 0.5) / SKY_ROWS as f64 - knot as f64)
                }) as f32;
            }
        }
    }

    /// From the camera's feet outward; `depth` gets how far off the ground is that each row shows.
    fn draw_ground(&self, out: &mut [f32], depth: &mut [f64]) {
        let row_of = |height: f64, away: f64| self.horizon + self.scale * (self.eye.y - height) / away;
        let mut lowest = out.len();
        let mut away = 0.8 * self.scale * (self.eye.y - 0.5) / (out.len() as f64 - self.horizon).max(1.0);
        while away < FARTHEST && lowest > 0 {
            let place = self.eye + self.ahead * away;
            let fine = away / self.scale;
            let g = ground::ground(place.x, place.z, fine);
            let wet = g.height < ground::WATER;
            let height = if wet { ground::WATER } else { g.height };
            let row = row_of(height, away);
            if row + 0.5 < lowest as f64 {
                let top = (row + 0.5).max(0.0) as usize;
                let at = vector(place.x, height, place.z);
                let luminance = if wet { self.water(at, fine) } else { self.land(&g, at, fine) };
                let seen = light::through_air(luminance, away) as f32;
                let (span, soil) = ((lowest - top) as f32, row_of(g.soil, away));
                for (i, r) in (top..lowest).enumerate() {
                    out[r] = seen;
                    depth[r] = away;
                    if g.turf > 0.0 {
                        // Blades are darker towards their roots; under them, where the span is tall, is a cut bank.
                        out[r] *= 1.0 - 0.5 * (i as f32 / span.max(12.0));
                        if r as f64 > soil + 2.0 {
                            let up = self.eye.y - (r as f64 + 0.5 - self.horizon) * away / self.scale;
                            out[r] = light::through_air(ground::bank_face(place, up, g.soil - up, fine), away) as f32;
                        }
                    }
                }
                lowest = top;
            }
            away += (0.75 * away * away / (self.scale * self.eye.y)).max(0.0015);
        }
    }

    fn land(&self, g: &ground::Ground, at: Vector, fine: f64) -> f64 {
        ground::land(g, at.x, at.z, fine, sunlit(at + vector(0.0, 0.05, 0.0)))
    }

    fn water(&self, at: Vector, fine: f64) -> f64 {
        let toward = (at - self.eye).unit();
        ground::water(at, toward, self.view.moment, fine, |from, back| {
            standing(from, back, 3.0 / self.scale, f64::INFINITY)
        })
    }
}

/// Luminance of whatever stands on the ground and is met before `depth`.
fn standing(from: Vector, along: Vector, fine: f64, depth: f64) -> Option<f64> {
    let kiln = kiln::hit(from, along);
    let growth = growth::hit(from, along, fine);
    let unit = along.length();
    let (away, luminance) = match (kiln, growth) {
        (Some(k), g) if g.is_none_or(|g| k.away < g.away) => {
            if k.away > depth {
                return None;
            }
            (k.away, kiln::luminance(&k, fine * k.away * unit, sunlit))
        }
        (_, Some(g)) => {
            if g.away > depth {
                return None;
            }
            let at = from + along * g.away;
            let lit = if kiln::shades(at) { 0.0 } else { 1.0 };
            (g.away, growth::luminance(&g, fine * g.away * unit, lit))
        }
        _ => return None,
    };
    Some(light::through_air(luminance, away * unit))
}

/// Share of the sun that reaches a place past kiln and leaves.
fn sunlit(place: Vector) -> f64 {
    // The sun is a disc: its shadow's edge is soft. A place-bound jitter stands for that.
    let wobble = crate::demo::noise::hash((place.x * 700.0) as i32, ((place.z + place.y) * 700.0) as i32, 701) - 0.5;
    let place = place + vector(0.0, 0.03 * wobble, 0.0);
    if kiln::shades(place) { 0.0 } else { growth::lets_through(place) }
}
