//! The plate to a few pixels: what is neither bare panel nor black mask.
//!
//! In: transmittance in the sensor's coordinates. Out: a [`Region`] with the surround's levels, and one gently bent line a side. The frame's
//! border is taken for surround and flooded inwards through everything as bright as the bare panel or as dark as the mask; what the
//! flood does not reach is the plate, whatever its densities. Fails when nothing plate-like is left.

use super::card;
use crate::density::uncertainty::of_one_more;
use crate::error::Fault;
use crate::geometry::Point;
use crate::image::{Image, Size, reduced};
use crate::units::Transmittance;
use rand::{Rng, SeedableRng};
use rayon::prelude::*;

/// Long side in pixels to which the capture is reduced: half a pixel is then a third of a millimetre of a half plate.
const COARSE: usize = 720;
/// Glass alone passes 0.918 of bare light (Fresnel, n = 1.52): what passes more than this share is no plate.
pub const BARE: f32 = 0.955;
/// Share of the frame's border that a kind of surround must cover to be believed.
const BORDER_SHARE: f64 = 0.03;
/// Least share of the frame that a plate covers.
const LEAST_AREA: f64 = 0.04;
/// How far, as a share of a side's length, its points may lie from a straight line: lenses bend sides by up to a few per cent.
const BOW: f64 = 0.012;

/// The four sides in the order in which they are kept everywhere: top, right, bottom, left as the sensor saw them.
pub const SIDES: [&str; 4] = ["top", "right", "bottom", "left"];

/// What lies round the plate, and roughly where the plate is.
#[derive(Debug, Clone)]
pub struct Region {
    /// Transmittance of the bare panel where it is seen at the frame's border: 1 but for errors of exposure.
    pub bare: Option<f32>,
    /// Standard uncertainty of `bare` as a share of it, by how it differs between parts of the frame; none where too little of it is seen.
    pub bare_sd: Option<f64>,
    /// Cells (row, column) that lie inside the bare panel, in reading order.
    panel: Vec<(usize, usize)>,
    /// Transmittance of a black mask where one is seen: 0 but for glare.
    pub opaque: Option<f32>,
    /// Pixels of the capture (row, column) that lie well inside the mask, some ten thousands at most.
    pub mask: Vec<(usize, usize)>,
    /// Share of the frame that is bare panel.
    pub bare_share: f64,
    /// Whether it is as black as card all along its sides: the plate may lie in a window of it.
    pub is_card: bool,
    pub sides: [Side; 4],
    /// Pixels of the capture per pixel here.
    pub scale: f64,
}

impl Region {
    /// Reads the bare panel's level anew, where glare has been taken off since: the blank's was another.
    pub fn read_bare_again(&mut self, seen: &Image<Transmittance>) {
        let side = self.scale as usize;
        let cell = |(row, column): &(usize, usize)| {
            let rows = row * side..(row + 1) * side;
            let sum: f32 =
                rows.map(|r| seen.row(r)[column * side..(column + 1) * side].iter().map(|t| t.0).sum::<f32>()).sum();
            sum / (side * side) as f32
        };
        if let Some((bare, sd)) = level(self.panel.par_iter().map(cell).collect()) {
            (self.bare, self.bare_sd) = (Some(bare), sd);
        }
    }
}

/// One side as a parabola over the axis that it runs along: x = a + b·t + c·t² for upright sides, y for level ones; in capture pixels.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Side {
    pub upright: bool,
    pub coefficients: [f64; 3],
    /// Range of t over which points were seen.
    pub from: f64,
    pub to: f64,
}

impl Side {
    /// The point at position t, and the unit normal that points to greater x (upright) or y (level).
    pub fn at(&self, t: f64) -> (Point, Point) {
        let [a, b, c] = self.coefficients;
        let value = a + t * (b + t * c);
        let slope = b + 2.0 * c * t;
        let length = slope.hypot(1.0);
        if self.upright {
            (Point::new(value, t), Point::new(1.0 / length, -slope / length))
        } else {
            (Point::new(t, value), Point::new(-slope / length, 1.0 / length))
        }
    }

    /// Where two sides cross, by going to and fro between them.
    fn meet(level: &Side, upright: &Side) -> Point {
        let mut x = upright.coefficients[0];
        let mut y = 0.0;
        for _ in 0..20 {
            y = level.at(x).0.y;
            x = upright.at(y).0.x;
        }
        Point::new(x, y)
    }
}

impl Region {
    /// Corners to a few pixels, top-left first, clockwise.
    pub fn corners(&self) -> [Point; 4] {
        let [top, right, bottom, left] = &self.sides;
        [Side::meet(top, left), Side::meet(top, right), Side::meet(bottom, right), Side::meet(bottom, left)]
    }
}

/// Finds the plate coarsely. In a mask without bare panel at the frame's border there may be two ways to see it: what is bright along the
/// mask is the plate's own rebate, or a strip of bare panel between mask and plate. Levels alone do not tell, since the exposure may not
/// be known; both are given, the strip last. So are a card that ends inside the frame and what lies in its window.
pub fn find(seen: &Image<Transmittance>) -> Result<Vec<Region>, Fault> {
    let factor = (seen.rows().max(seen.columns()) / COARSE).max(1);
    let small = reduced(seen, factor).map(|t| t.0);
    let around = surround(&small);
    match around {
        Surround { bare: None, opaque: None } => Err(Fault::new(
            "no surround is seen along the frame's border, neither bare panel nor black mask",
            "step back so that all four sides of the plate lie well inside the frame, or give corners_px",
        )),
        Surround { bare: Some(bare), .. } => on_the_panel(&small, factor, around, bare),
        Surround { bare: None, opaque: Some(opaque) } => {
            let strip = along_the_mask(&small, dark(opaque));
            let (rebate, strip) = rayon::join(
                || within(&small, factor, around, f32::INFINITY),
                || within(&small, factor, around, BARE * strip),
            );
            match (rebate, strip) {
                (Err(_), Err(fault)) => Err(fault),
                (rebate, strip) => Ok([rebate, strip].into_iter().flatten().collect()),
            }
        }
    }
}

/// What is darker is mask.
pub(super) fn dark(opaque: f32) -> f32 {
    (2.0 * opaque).max(opaque + 0.002)
}

/// The brightness of the brightest part along the mask's inner edge; a quarter of it may be along one side alone.
fn along_the_mask(small: &Image<f32>, dark: f32) -> f32 {
    const SHARE: f64 = 0.85;
    let mask = flood(small, dark, f32::INFINITY, &[]);
    let mut ring: Vec<f32> = rim(&mask).into_iter().map(|(r, c)| small.at(r, c)).collect();
    let at = (ring.len() as f64 * SHARE) as usize;
    if ring.is_empty() { 1.0 } else { *ring.select_nth_unstable_by(at, f32::total_cmp).1 }
}

/// Cells (row, column) just inside what is dry, past those that blur has mixed with what is flooded.
pub(super) fn rim(flooded: &Image<bool>) -> Vec<(usize, usize)> {
    const INSIDE: usize = 3;
    let wet = |r: usize, c: usize| flooded.at(r.min(flooded.rows() - 1), c.min(flooded.columns() - 1));
    let near = |r: usize, c: usize| {
        let apart = |d: usize| [(r.saturating_sub(d), c), (r + d, c), (r, c.saturating_sub(d)), (r, c + d)];
        !wet(r, c) && apart(INSIDE).iter().any(|p| wet(p.0, p.1)) && apart(INSIDE - 1).iter().all(|p| !wet(p.0, p.1))
    };
    (0..flooded.rows())
        .flat_map(|r| (0..flooded.columns()).map(move |c| (r, c)))
        .filter(|(r, c)| near(*r, *c))
        .collect()
}

/// The plate on bare panel of level `bare`; where what lies there is as black as card all along, that first, then what it has in its window.
fn on_the_panel(small: &Image<f32>, factor: usize, around: Surround, bare: f32) -> Result<Vec<Region>, Fault> {
    let bright = BARE * bare;
    let flooded = flood(small, around.dark(), bright, &[]);
    let part = largest_part(&flooded)?;
    let Some(level) = card::level(small, &part, bare) else {
        return Ok(vec![region(small, factor, around, bright, &flooded, &part)?]);
    };
    let opaque = around.opaque.map_or(level, |border| border.max(level));
    let inside = Surround { opaque: Some(opaque), ..around };
    let (card, inside) = rayon::join(
        || region(small, factor, around, bright, &flooded, &part),
        || {
            let flooded = flood(small, inside.dark(), bright, &rim(&flooded));
            region(small, factor, inside, bright, &flooded, &largest_part(&flooded)?)
        },
    );
    let inside = inside.map_err(|_| card::fault())?;
    // A card of no straight sides is taken for no plate.
    Ok(card.ok().map(|card| Region { is_card: true, ..card }).into_iter().chain([inside]).collect())
}

/// The plate where what is brighter than `bright` and lies beside it is bare panel.
fn within(small: &Image<f32>, factor: usize, around: Surround, bright: f32) -> Result<Region, Fault> {
    let flooded = flood(small, around.dark(), bright, &[]);
    region(small, factor, around, bright, &flooded, &largest_part(&flooded)?)
}

/// What lies round a part that the flood left dry, and the part's sides.
fn region(
    small: &Image<f32>,
    factor: usize,
    around: Surround,
    bright: f32,
    flooded: &Image<bool>,
    part: &Image<bool>,
) -> Result<Region, Fault> {
    let dark = around.dark();
    let panel = flooded.pixels().iter().zip(small.pixels()).map(|(f, t)| *f && *t > bright).collect();
    let panel = Image::from_vec(small.size(), panel);
    let bare_share = panel.pixels().iter().filter(|p| **p).count() as f64 / small.size().area() as f64;
    let dark_part = flooded.pixels().iter().zip(small.pixels()).map(|(f, t)| *f && *t < dark).collect();
    let dark_part = Image::from_vec(small.size(), dark_part);
    let (sides, (mask, panel)) =
        rayon::join(|| sides(part, factor as f64), || (places_within(&dark_part, factor), cells_within(&panel)));
    let sides = sides?;
    let (level, bare_sd) = level(panel.iter().map(|(r, c)| small.at(*r, *c)).collect()).unzip();
    Ok(Region {
        bare: level.or(around.bare),
        bare_sd: bare_sd.flatten(),
        panel,
        opaque: around.opaque,
        mask,
        bare_share,
        is_card: false,
        sides,
        scale: factor as f64,
    })
}

/// Capture pixels at the middles of cells that lie in a part with a margin, evenly thinned.
fn places_within(part: &Image<bool>, factor: usize) -> Vec<(usize, usize)> {
    const MARGIN: usize = 6;
    const MOST: usize = 40_000;
    if part.rows() <= 2 * MARGIN || part.columns() <= 2 * MARGIN {
        return Vec::new();
    }
    let inside = |r: usize, c: usize| {
        (r - MARGIN..=r + MARGIN).step_by(3).all(|r| (c - MARGIN..=c + MARGIN).step_by(3).all(|c| part.at(r, c)))
    };
    let all: Vec<(usize, usize)> = (MARGIN..part.rows() - MARGIN)
        .flat_map(|r| (MARGIN..part.columns() - MARGIN).map(move |c| (r, c)))
        .filter(|(r, c)| inside(*r, *c))
        .collect();
    let step = all.len() / MOST + 1;
    all.into_iter().step_by(step).map(|(r, c)| (r * factor + factor / 2, c * factor + factor / 2)).collect()
}

/// Cells of a part's inside, where no pixel is mixed with what lies beyond.
fn cells_within(part: &Image<bool>) -> Vec<(usize, usize)> {
    let inside = |r: usize, c: usize| (r - 1..=r + 1).all(|r| (c - 1..=c + 1).all(|c| part.at(r, c)));
    (1..part.rows().saturating_sub(1))
        .flat_map(|r| (1..part.columns().saturating_sub(1)).map(move |c| (r, c)))
        .filter(|(r, c)| inside(*r, *c))
        .collect()
}

/// The median of cells, and how far, as a share, the medians of their eighths in reading order say that it may be off; none of hardly any cells.
fn level(mut seen: Vec<f32>) -> Option<(f32, Option<f64>)> {
    const LEAST: usize = 100;
    const PARTS: usize = 8;
    if seen.len() < LEAST {
        return None;
    }
    let median = |seen: &mut [f32]| {
        let middle = seen.len() / 2;
        *seen.select_nth_unstable_by(middle, f32::total_cmp).1
    };
    let part = seen.len().div_ceil(PARTS);
    let parts: Vec<f64> = seen.chunks_mut(part).map(|part| median(part) as f64).collect();
    let level = median(&mut seen);
    Some((level, of_one_more(&parts).map(|sd| sd / level as f64)))
}

/// The levels of bare panel and mask along the frame's border, where they are there.
#[derive(Debug, Clone, Copy)]
struct Surround {
    bare: Option<f32>,
    opaque: Option<f32>,
}

impl Surround {
    /// What is darker is mask; below every light where there is none.
    fn dark(&self) -> f32 {
        self.opaque.map_or(-1.0, dark)
    }
}

fn surround(small: &Image<f32>) -> Surround {
    let Size { rows, columns } = small.size();
    let depth = (rows.min(columns) / 100).max(2);
    let mut border = Vec::new();
    for row in 0..rows {
        for column in 0..columns {
            if row < depth || column < depth || row >= rows - depth || column >= columns - depth {
                border.push(small.at(row, column));
            }
        }
    }
    let mut all: Vec<f32> = small.pixels().to_vec();
    let at = all.len() * 99 / 100;
    let bright = *all.select_nth_unstable_by(at, f32::total_cmp).1;
    let least = (border.len() as f64 * BORDER_SHARE) as usize;
    let level = |mut part: Vec<f32>| {
        (part.len() > least).then(|| {
            let middle = part.len() / 2;
            *part.select_nth_unstable_by(middle, f32::total_cmp).1
        })
    };
    let near_bright: Vec<f32> = border.iter().copied().filter(|t| *t > 0.85 * bright).collect();
    let near_dark: Vec<f32> = border.iter().copied().filter(|t| *t < 0.04 * bright).collect();
    Surround { bare: level(near_bright), opaque: level(near_dark) }
}

/// True where the border's flood, and that of other `sources`, came: through what is darker than `dark` or brighter than `bright`. From a
/// mask it leaps the few mixed pixels along the mask's edge to a strip of bare panel between mask and plate.
fn flood(small: &Image<f32>, dark: f32, bright: f32, sources: &[(usize, usize)]) -> Image<bool> {
    const LEAP: usize = 3;
    let Size { rows, columns } = small.size();
    let mut flooded = Image::filled(small.size(), false);
    let mut stack: Vec<(usize, usize)> = sources.to_vec();
    stack.extend((0..columns).flat_map(|c| [(0, c), (rows - 1, c)]));
    stack.extend((0..rows).flat_map(|r| [(r, 0), (r, columns - 1)]));
    while let Some((row, column)) = stack.pop() {
        let here = small.at(row, column);
        if flooded.at(row, column) || !(here > bright || here < dark) {
            continue;
        }
        flooded.set(row, column, true);
        for distance in 1..=if here < dark { LEAP } else { 1 } {
            let near = [
                (row.wrapping_sub(distance), column),
                (row, column.wrapping_sub(distance)),
                (row + distance, column),
                (row, column + distance),
            ];
            let reached = near.into_iter().filter(|&(r, c)| {
                r < rows && c < columns && !flooded.at(r, c) && (distance == 1 || small.at(r, c) > bright)
            });
            stack.extend(reached);
        }
    }
    flooded
}

/// The largest connected part that the flood left dry: rulers, labels and hands beside the plate are smaller.
fn largest_part(flooded: &Image<bool>) -> Result<Image<bool>, Fault> {
    let Size { rows, columns } = flooded.size();
    let mut label = Image::filled(flooded.size(), 0u32);
    let (mut best, mut best_area, mut next) = (0, 0, 0);
    for start in 0..rows * columns {
        let (row, column) = (start / columns, start % columns);
        if flooded.at(row, column) || label.at(row, column) != 0 {
            continue;
        }
        next += 1;
        let mut area = 0;
        let mut stack = vec![(row, column)];
        label.set(row, column, next);
        while let Some((r, c)) = stack.pop() {
            area += 1;
            let mut visit = |r: usize, c: usize| {
                if r < rows && c < columns && !flooded.at(r, c) && label.at(r, c) == 0 {
                    label.set(r, c, next);
                    stack.push((r, c));
                }
            };
            visit(r.wrapping_sub(1), c);
            visit(r, c.wrapping_sub(1));
            visit(r + 1, c);
            visit(r, c + 1);
        }
        if area > best_area {
            (best, best_area) = (next, area);
        }
    }
    if (best_area as f64) < LEAST_AREA * flooded.size().area() as f64 {
        return Err(Fault::new(
            "no plate is seen: nothing large differs from the bare panel or the mask",
            "check that the capture shows the plate, or give corners_px",
        ));
    }
    Ok(label.map(|l| l == best))
}

/// The four sides of a part, from the outermost pixels of each row and column.
fn sides(plate: &Image<bool>, factor: f64) -> Result<[Side; 4], Fault> {
    let Size { rows, columns } = plate.size();
    let (mut left, mut right, mut top, mut bottom) = (vec![], vec![], vec![], vec![]);
    // Edges lie between pixels: before the first, after the last.
    for row in 0..rows {
        let line = plate.row(row);
        if let (Some(a), Some(b)) = (line.iter().position(|p| *p), line.iter().rposition(|p| *p)) {
            left.push((row as f64 + 0.5, a as f64));
            right.push((row as f64 + 0.5, b as f64 + 1.0));
        }
    }
    for column in 0..columns {
        let mut lit = (0..rows).filter(|r| plate.at(*r, column));
        if let Some(a) = lit.next() {
            let b = lit.next_back().unwrap_or(a);
            top.push((column as f64 + 0.5, a as f64));
            bottom.push((column as f64 + 0.5, b as f64 + 1.0));
        }
    }
    let fit = |points: &[(f64, f64)], upright, extent: usize| {
        // A side along the frame's own border is where the frame ends, not the plate.
        let inside: Vec<_> = points.iter().copied().filter(|p| p.1 > 0.5 && p.1 < extent as f64 - 0.5).collect();
        side(&inside, upright, factor)
    };
    let found: Vec<Option<Side>> =
        [(&top, false, rows), (&right, true, columns), (&bottom, false, rows), (&left, true, columns)]
            .into_par_iter()
            .map(|(points, upright, extent)| fit(points, upright, extent))
            .collect();
    let mut missing = Vec::new();
    let sides: Vec<Side> = found
        .into_iter()
        .zip(SIDES)
        .filter_map(|(side, name)| {
            if side.is_none() {
                missing.push(name);
            }
            side
        })
        .collect();
    sides.try_into().map_err(|_| {
        Fault::new(
            format!("the plate's {} side is not seen as a straight edge inside the frame", missing.join(" and ")),
            "step back so that all four sides lie well inside the frame, on bare panel or black mask, or give corners_px",
        )
    })
}

/// The bent line that most points (t, value) lie on: RANSAC (Fischler & Bolles 1981) for a straight one, seeded, then a parabola by least
/// squares over what agrees.
fn side(points: &[(f64, f64)], upright: bool, factor: f64) -> Option<Side> {
    const TRIES: usize = 400;
    const STEEPEST: f64 = 0.6;
    if points.len() < 20 {
        return None;
    }
    let span = points[points.len() - 1].0 - points[0].0;
    let reach = (BOW * span).max(1.5);
    let mut rng = rand_pcg::Pcg64::seed_from_u64(0x91a7e);
    let mut best: Option<(usize, f64, f64)> = None;
    for _ in 0..TRIES {
        let (p, q) = (points[rng.random_range(0..points.len())], points[rng.random_range(0..points.len())]);
        if (p.0 - q.0).abs() < 0.1 * span {
            continue;
        }
        let slope = (q.1 - p.1) / (q.0 - p.0);
        if slope.abs() > STEEPEST {
            continue;
        }
        let offset = p.1 - slope * p.0;
        let count = points.iter().filter(|p| (p.1 - offset - slope * p.0).abs() < reach).count();
        if best.is_none_or(|b| count > b.0) {
            best = Some((count, offset, slope));
        }
    }
    let (count, offset, slope) = best?;
    if (count as f64) < 0.25 * span {
        return None;
    }
    let mut fit = [offset, slope, 0.0];
    let mut kept: Vec<(f64, f64)> = Vec::new();
    for reach in [reach, 3.0, 1.5] {
        let near = |p: &&(f64, f64)| (p.1 - fit[0] - p.0 * (fit[1] + p.0 * fit[2])).abs() < reach;
        kept = points.iter().filter(near).copied().collect();
        fit = parabola(&kept)?;
    }
    let (from, to) = (kept.first()?.0, kept.last()?.0);
    // To capture pixels: value and t both times the factor.
    let coefficients = [fit[0] * factor, fit[1], fit[2] / factor];
    Some(Side { upright, coefficients, from: from * factor, to: to * factor })
}

/// Least-squares parabola.
fn parabola(points: &[(f64, f64)]) -> Option<[f64; 3]> {
    if points.len() < 6 {
        return None;
    }
    let middle = points.iter().map(|p| p.0).sum::<f64>() / points.len() as f64;
    let (mut normal, mut right) = (nalgebra::Matrix3::<f64>::zeros(), nalgebra::Vector3::<f64>::zeros());
    for (t, v) in points {
        let t = t - middle;
        let row = nalgebra::Vector3::new(1.0, t, t * t);
        normal += row * row.transpose();
        right += row * *v;
    }
    let s = normal.cholesky()?.solve(&right);
    Some([s[0] - s[1] * middle + s[2] * middle * middle, s[1] - 2.0 * s[2] * middle, s[2]])
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A plate turned by `turn` radians on a surround of transmittance `around`, a strip of bare panel `gap` pixels wide between.
    fn framed(around: f32, turn: f64, gap: f64) -> Image<Transmittance> {
        let (s, c) = turn.sin_cos();
        Image::from_rows(Size::new(600, 800), Transmittance(0.0), |row, out| {
            for (column, t) in out.iter_mut().enumerate() {
                let (x, y) = (column as f64 + 0.5 - 410.0, row as f64 + 0.5 - 290.0);
                let (u, v) = (c * x + s * y, -s * x + c * y);
                let inside = u.abs() < 250.0 && v.abs() < 180.0;
                // Dense above, thin below, clear margin.
                let margin = u.abs() > 240.0 || v.abs() > 170.0;
                let strip = u.abs() < 250.0 + gap && v.abs() < 180.0 + gap;
                *t = Transmittance(match (inside, margin) {
                    (false, _) if strip => 1.0,
                    (false, _) => around,
                    (true, true) => 0.75,
                    (true, false) if v < 0.0 => 0.002,
                    _ => 0.5,
                });
            }
        })
    }

    #[test]
    fn a_plate_is_found_on_bare_panel_and_in_a_mask() {
        for (around, gap) in [(1.0, 0.0), (0.0, 0.0), (0.0, 9.0)] {
            for turn in [0.0, 0.17f64, -0.1] {
                let ways = find(&framed(around, turn, gap)).unwrap();
                assert_eq!(ways.len(), if around > 0.5 { 1 } else { 2 });
                let region = &ways[usize::from(gap > 0.0)];
                let (s, c) = turn.sin_cos();
                let truth = [(-250.0, -180.0), (250.0, -180.0), (250.0, 180.0), (-250.0, 180.0)]
                    .map(|(u, v)| Point::new(410.0 + c * u - s * v, 290.0 + s * u + c * v));
                for (corner, truth) in region.corners().iter().zip(truth) {
                    assert!(corner.distance(truth) < 3.0, "{around} {turn}: {corner:?} for {truth:?}");
                }
                assert_eq!(region.bare.is_some(), around > 0.5 || gap > 0.0);
            }
        }
    }

    #[test]
    fn the_bare_panel_is_read_again_under_other_light() {
        let seen = framed(0.0, 0.05, 15.0);
        let mut region = find(&seen).unwrap().remove(1);
        assert_eq!(region.bare, Some(1.0));
        region.read_bare_again(&seen.map(|t| Transmittance(1.013 * t.0)));
        assert!((region.bare.unwrap() - 1.013).abs() < 1e-6 && region.bare_sd.unwrap() < 1e-6, "{region:?}");
    }

    #[test]
    fn an_empty_panel_and_a_plate_beyond_the_frame_are_told_apart() {
        let empty = Image::filled(Size::new(600, 800), Transmittance(1.0));
        assert!(find(&empty).unwrap_err().to_string().contains("no plate"));
        let whole = Image::filled(Size::new(600, 800), Transmittance(0.4));
        assert!(find(&whole).is_err());
    }
}
