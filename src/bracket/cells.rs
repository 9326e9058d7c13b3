//! Means over small squares of plates laid on one another, and which of them can be trusted.
//!
//! In: densities of all plates on A's grid. Out: [`Cells`], means of the same squares in every plate, and [`pairs`], those squares in
//! which two plates can be compared: seen in both, on no steep edge (where a shift too small to find would pass for a change of density), free
//! of dust and scratches, and still in their places. Nothing here fails; there may be few.
//!
//! A single pixel of a grainy plate scatters too much: a scatter in D_A alone flattens every slope that is fitted to it.

use super::align::Alignment;
use super::outline::Outline;
use crate::geometry::Point;
use crate::image::{Image, Size};

/// Side of a square on the plate, in mm: what the eye tells apart on a plate without a glass.
const CELL_MM: f64 = 0.5;
/// Fewest and most pixels along a side.
const CELL_PX: (usize, usize) = (4, 24);
/// Squares along the side of a block; blocks are what a bootstrap draws, since neighbours are alike.
pub const BLOCK: usize = 16;
/// Width of the classes of density in which scatter and steepness are judged.
const CLASS: f32 = 0.1;
/// Misplacing counted with beside the alignment's own rms, in pixels: what a smooth map cannot follow.
const UNSEEN_PX: f64 = 0.3;
/// Most density that a misplacing may feign in a square that is used.
const STEEPEST: f64 = 0.03;
/// In each class of density the less steep share that is used even where all of it is steeper than [`GENTLE`].
const GENTLE_SHARE: f64 = 0.4;
const GENTLE: f64 = 0.008;
/// Scatter within a square beyond this many times the class's common one, or beyond so much density: dust, a scratch, an edge.
const ROUGH: f32 = 2.2;
const ROUGHEST: f32 = 0.12;

/// One square of one plate.
#[derive(Debug, Clone, Copy, Default)]
pub struct Cell {
    pub mean: f32,
    /// Density a pixel, along the steepest way.
    pub slope: f32,
    /// Standard deviation about the plane through the square.
    pub rough: f32,
    /// Lies within the scene.
    pub seen: bool,
}

pub struct Cells {
    /// One image of squares for each plate, all of one size.
    pub plates: Vec<Image<Cell>>,
    /// Pixels along a square's side.
    pub side: usize,
}

impl Cells {
    /// `laid`: density of each plate on A's grid and the outline of its scene there.
    pub fn new(laid: &[(&Image<f32>, Outline)], mm_per_px: f64) -> Cells {
        let side = ((CELL_MM / mm_per_px).round() as usize).clamp(CELL_PX.0, CELL_PX.1);
        Cells { plates: laid.iter().map(|(image, outline)| squares(image, outline, side)).collect(), side }
    }

    pub fn size(&self) -> Size {
        self.plates[0].size()
    }
}

fn squares(image: &Image<f32>, outline: &Outline, side: usize) -> Image<Cell> {
    let size = Size::new(image.rows() / side, image.columns() / side);
    let mid = (side as f32 - 1.0) / 2.0;
    // Sum of squared offsets along one axis over the square.
    let moment: f32 = (0..side).map(|i| (i as f32 - mid).powi(2)).sum::<f32>() * side as f32;
    let count = (side * side) as f32;
    Image::from_rows(size, Cell::default(), |row, out| {
        for (column, cell) in out.iter_mut().enumerate() {
            let (x0, y0) = ((column * side) as f64, (row * side) as f64);
            let s = side as f64;
            let seen = [(0.0, 0.0), (s, 0.0), (s, s), (0.0, s)]
                .iter()
                .all(|(dx, dy)| outline.contains(Point::new(x0 + dx, y0 + dy)));
            if !seen {
                continue;
            }
            // Counted from the first pixel, so that squares of nearly equal numbers are not subtracted.
            let from = image.at(row * side, column * side);
            let (mut sum, mut square, mut along_x, mut along_y) = (0f32, 0f32, 0f32, 0f32);
            for dy in 0..side {
                for (dx, v) in image.row(row * side + dy)[column * side..][..side].iter().enumerate() {
                    let v = v - from;
                    sum += v;
                    square += v * v;
                    along_x += v * (dx as f32 - mid);
                    along_y += v * (dy as f32 - mid);
                }
            }
            let mean = sum / count;
            let explained = (along_x * along_x + along_y * along_y) / moment;
            let rough = ((square - count * mean * mean - explained) / (count - 3.0)).max(0.0).sqrt();
            *cell = Cell { mean: from + mean, slope: along_x.hypot(along_y) / moment, rough, seen };
        }
    })
}

/// One square in which two plates can be compared.
#[derive(Debug, Clone, Copy)]
pub struct Pair {
    pub a: f64,
    pub b: f64,
    /// How many squares of its density it stands for, so that what was left out does not shift the balance.
    pub weight: f64,
    pub row: usize,
    pub column: usize,
    pub block: usize,
}

/// Squares of plates A and `other` that can be compared. `limits`: density above base from which on each plate is no longer trusted.
pub fn pairs(cells: &Cells, other: usize, alignment: &Alignment, limits: (f64, f64)) -> Vec<Pair> {
    let (a, b) = (&cells.plates[0], &cells.plates[other]);
    let size = a.size();
    let both: Vec<(usize, usize)> = (0..size.area())
        .map(|i| (i / size.columns, i % size.columns))
        .filter(|&(r, c)| {
            let (p, q) = (a.at(r, c), b.at(r, c));
            p.seen && q.seen && f64::from(p.mean) < limits.0 && f64::from(q.mean) < limits.1
        })
        .collect();
    let class = |d: f32| (d / CLASS).floor().clamp(-5.0, 60.0) as i32;
    let still = still(cells, alignment);
    let common_a = Common::of(both.iter().map(|&(r, c)| (class(a.at(r, c).mean), a.at(r, c).rough)));
    let common_b = Common::of(both.iter().map(|&(r, c)| (class(b.at(r, c).mean), b.at(r, c).rough)));
    let misplaced = (alignment.rms.powi(2) + UNSEEN_PX.powi(2)).sqrt();
    let feigned = |r: usize, c: usize| misplaced * f64::from(a.at(r, c).slope.max(b.at(r, c).slope));
    let steep = Common::of(both.iter().map(|&(r, c)| (class(a.at(r, c).mean), feigned(r, c) as f32)));
    let columns = size.columns.div_ceil(BLOCK);
    let mut kept: Vec<Pair> = both
        .iter()
        .filter(|&&(r, c)| {
            let (p, q) = (a.at(r, c), b.at(r, c));
            let smooth = p.rough <= (ROUGH * common_a.quantile(class(p.mean), 0.4)).min(ROUGHEST)
                && q.rough <= (ROUGH * common_b.quantile(class(q.mean), 0.4)).min(ROUGHEST);
            let limit = f64::from(steep.quantile(class(p.mean), GENTLE_SHARE)).clamp(GENTLE, STEEPEST);
            still.at(r, c) && smooth && feigned(r, c) <= limit
        })
        .map(|&(row, column)| Pair {
            a: f64::from(a.at(row, column).mean),
            b: f64::from(b.at(row, column).mean),
            weight: 1.0,
            row,
            column,
            block: (row / BLOCK) * columns + column / BLOCK,
        })
        .collect();
    // Each class weighs as much as the whole of its area does, within reason.
    let count = |of: &mut dyn Iterator<Item = f32>| {
        let mut counts = std::collections::BTreeMap::<i32, f64>::new();
        of.for_each(|d| *counts.entry(class(d)).or_default() += 1.0);
        counts
    };
    let all = count(&mut both.iter().map(|&(r, c)| a.at(r, c).mean));
    let used = count(&mut kept.iter().map(|p| p.a as f32));
    for pair in &mut kept {
        let class = class(pair.a as f32);
        pair.weight = (all[&class] / used[&class]).min(20.0);
    }
    kept
}

/// Squares round which more ties hold than have moved; where there are neither, nothing speaks against them.
fn still(cells: &Cells, alignment: &Alignment) -> Image<bool> {
    let size = cells.size();
    // Ties lie a fortieth of the long side apart: this reaches the nearest few.
    let reach = (size.rows.max(size.columns) as f64 / 40.0 * 1.2).max(1.0);
    let mut votes = Image::filled(size, 0i32);
    let mut vote = |p: &Point, by: i32| {
        let (row, column) = (p.y / cells.side as f64, p.x / cells.side as f64);
        let span = |v: f64, n: usize| {
            ((v - reach).floor().max(0.0) as usize).min(n)..((v + reach).ceil().max(0.0) as usize + 1).min(n)
        };
        for r in span(row, size.rows) {
            for c in span(column, size.columns) {
                if (r as f64 + 0.5 - row).hypot(c as f64 + 0.5 - column) <= reach {
                    votes.set(r, c, votes.at(r, c) + by);
                }
            }
        }
    };
    alignment.held.iter().for_each(|p| vote(p, 1));
    alignment.moved.iter().for_each(|p| vote(p, -1));
    votes.map(|v| v >= 0)
}

/// Quantiles of a figure within each class of density.
struct Common(std::collections::BTreeMap<i32, Vec<f32>>);

impl Common {
    fn of(values: impl Iterator<Item = (i32, f32)>) -> Common {
        let mut classes = std::collections::BTreeMap::<i32, Vec<f32>>::new();
        values.for_each(|(class, value)| classes.entry(class).or_default().push(value));
        classes.values_mut().for_each(|v| v.sort_by(f32::total_cmp));
        Common(classes)
    }

    fn quantile(&self, class: i32, share: f64) -> f32 {
        let sorted = &self.0[&class];
        sorted[((sorted.len() - 1) as f64 * share).round() as usize]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn whole(w: f64, h: f64) -> Outline {
        Outline { corners: [Point::new(0.0, 0.0), Point::new(w, 0.0), Point::new(w, h), Point::new(0.0, h)] }
    }

    #[test]
    fn a_plane_has_its_slope_and_no_roughness() {
        let image = Image::from_rows(Size::new(40, 50), 0f32, |row, out| {
            out.iter_mut().enumerate().for_each(|(c, v)| *v = 0.3 + 0.004 * c as f32 - 0.003 * row as f32)
        });
        let cells = Cells::new(&[(&image, whole(50.0, 40.0))], 0.1);
        let cell = cells.plates[0].at(3, 4);
        assert_eq!(cells.side, 5);
        assert!((cell.slope - 0.005).abs() < 1e-5 && cell.rough < 1e-4, "{cell:?}");
        assert!((cell.mean - (0.3 + 0.004 * 22.0 - 0.003 * 17.0)).abs() < 1e-5);
    }

    #[test]
    fn dust_and_edges_are_left_out_and_the_balance_is_kept() {
        // Left half thin, right half dense, an edge between, one scratch.
        let image = Image::from_rows(Size::new(200, 200), 0f32, |row, out| {
            for (c, v) in out.iter_mut().enumerate() {
                let grain = ((row * 31 + c * 17) % 13) as f32 / 13.0 * 0.01;
                *v = grain + if c < 102 { 0.3 } else { 1.2 } - if c == 33 { 0.5 } else { 0.0 };
            }
        });
        let outline = whole(200.0, 200.0);
        let cells = Cells::new(&[(&image, outline), (&image, outline)], 0.1);
        let pairs = pairs(&cells, 1, &Alignment::identity(), (9.0, 9.0));
        assert!(pairs.iter().all(|p| p.column != 6 && p.column != 20), "the scratch and the edge are used");
        let thin: f64 = pairs.iter().filter(|p| p.a < 0.8).map(|p| p.weight).sum();
        let all: f64 = pairs.iter().map(|p| p.weight).sum();
        assert!((thin / all - 0.5).abs() < 0.02, "the thin half counts for {:.3}", thin / all);
    }
}
