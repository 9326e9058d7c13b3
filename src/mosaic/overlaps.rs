//! Ties over all overlaps: which patches are asked, and what they answer.
//!
//! In: the [`Store`], a [`Model`] that places the tiles to within a search radius. Out: [`Tie`]s in full-size pixels, and for
//! each pair of tiles that overlap by the model how many patches were asked and answered. A pair whose patches are silent
//! (sky) has no ties; that is for others to judge. Fails only if a tile cannot be read back.

use super::adjust::Tie;
use super::features::Features;
use super::model::{Model, shown};
use super::store::{Level, Store};
use super::ties::{Between, MARGIN, SIDE, Shift, measure};
use crate::error::Fault;
use crate::geometry::resample::Kernel;
use crate::geometry::{Point, View};
use crate::image::{Size, Window};
use rayon::prelude::*;

/// How patches are chosen and searched for.
#[derive(Debug, Clone, Copy)]
pub struct Asking {
    pub level: Level,
    /// Whole pixels of the level by which the model may be off.
    pub search: usize,
    /// Reduced pixels along a side of the cells of a tile; each asks one patch where its texture is best.
    pub cell: usize,
}

/// Two tiles that overlap by the model.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Overlap {
    pub a: usize,
    pub b: usize,
    /// Share of the tile that both see.
    pub share: f64,
    pub asked: usize,
    pub answered: usize,
}

/// From the middle of a patch to where the template ends, in pixels of the level.
const HALF: f64 = (SIDE / 2 + MARGIN) as f64;
/// Fewer answers than these leave it to the matched corners to hold two tiles together.
const FEWEST: usize = 4;
/// Taps of the kernel on either side, and room for the shift to move.
const ROOM: f64 = 8.0;

impl Overlap {
    fn is_between(&self, tie: &Tie) -> bool {
        (self.a, self.b) == (tie.a, tie.b)
    }

    /// Whether most patches were silent: the overlap shows an even sky, or the model was off by more than was searched.
    fn is_silent(&self) -> bool {
        2 * self.answered < self.asked
    }
}

/// The matched corners where hardly a patch answered, since the overlap is too narrow for one or the model was too far off.
pub fn corners_instead<'a>(corners: &'a [Tie], overlaps: &'a [Overlap]) -> impl Iterator<Item = Tie> + 'a {
    let told = |tie: &&Tie| overlaps.iter().any(|o| o.is_between(tie) && o.answered >= FEWEST);
    corners.iter().filter(move |tie| !told(tie)).copied()
}

/// Asks silent overlaps once more, from a better model. `found` are all ties so far, `kept` those of them that agree; both, and the
/// overlaps, come back with the new answers.
pub fn ask_again(
    (store, features, model, asking): (&Store, &[Features], &Model, Asking),
    [found, kept]: [Vec<Tie>; 2],
    mut overlaps: Vec<Overlap>,
) -> Result<([Vec<Tie>; 2], Vec<Overlap>), Fault> {
    let silent: Vec<(usize, usize)> = overlaps.iter().filter(|o| o.is_silent()).map(|o| (o.a, o.b)).collect();
    let (new, anew) = ties(store, features, model, &silent, asking)?;
    let more: Vec<Overlap> = anew
        .into_iter()
        .filter(|n| overlaps.iter().any(|o| (o.a, o.b) == (n.a, n.b) && n.answered > o.answered))
        .collect();
    let with_more = |tie: &Tie| more.iter().any(|o| o.is_between(tie));
    let both = [found, kept].map(|of| {
        let others = of.into_iter().filter(|tie| !with_more(tie));
        others.chain(new.iter().filter(|tie| with_more(tie)).copied()).collect()
    });
    for overlap in &mut overlaps {
        *overlap = more.iter().find(|n| (n.a, n.b) == (overlap.a, overlap.b)).copied().unwrap_or(*overlap);
    }
    Ok((both, overlaps))
}

/// Asks patches wherever two tiles of `pairs` overlap.
pub fn ties(
    store: &Store,
    features: &[Features],
    model: &Model,
    pairs: &[(usize, usize)],
    asking: Asking,
) -> Result<(Vec<Tie>, Vec<Overlap>), Fault> {
    let views = model.views();
    let kernel = Kernel::new(1.0);
    let places = |&(a, b): &(usize, usize)| {
        let (va, vb) = (views[a].as_ref()?, views[b].as_ref()?);
        let (places, share) = places(store, &features[a], va, vb, asking);
        (!places.is_empty()).then_some(((a, va), (b, vb), places, share))
    };
    let touching: Vec<_> = pairs.par_iter().filter_map(places).collect();
    // All patches at once: pair by pair, one thread would wait for the other at each pair's end.
    let found: Vec<Vec<Option<Tie>>> = touching
        .par_iter()
        .map(|(a, b, places, _)| places.par_iter().map(|at| ask(store, &kernel, *a, *b, *at, asking)).collect())
        .collect::<Result<_, Fault>>()?;
    let overlaps = touching.iter().zip(&found).map(|((a, b, places, share), found)| {
        let answered = found.iter().flatten().count();
        Overlap { a: a.0, b: b.0, share: *share, asked: places.len(), answered }
    });
    let overlaps = overlaps.collect();
    let ties = found.into_iter().flatten().flatten().collect();
    Ok((ties, overlaps))
}

/// One place for each cell of `a` that `b` sees too: where `a` has most texture among those whose patch fits into both, in full-size
/// pixels. And the share of `a` that `b` sees.
fn places(store: &Store, features: &Features, a: &View, b: &View, asking: Asking) -> (Vec<Point>, f64) {
    let size = store.size(Level::Reduced);
    let scale = store.scale(Level::Reduced);
    let full = store.size(Level::Full);
    let back = a.plane.inverse();
    let inside =
        |p: Point, margin: f64| p.x.min(p.y).min(full.columns as f64 - p.x).min(full.rows as f64 - p.y) >= margin;
    let lands =
        |p: Point, margin: f64| shown(b, back.apply(a.lens.undistort(p)), full).is_some_and(|q| inside(q, margin));
    let asked = store.scale(asking.level);
    let (ours, theirs) = (asked * HALF, asked * (HALF + asking.search as f64 + ROOM));
    let centre = |r: usize, c: usize| Point::new(c as f64 + 0.5, r as f64 + 0.5) * scale;
    let (mut places, mut cells, mut hits) = (Vec::new(), 0, 0);
    for top in (0..size.rows).step_by(asking.cell) {
        for left in (0..size.columns).step_by(asking.cell) {
            let (bottom, right) = ((top + asking.cell).min(size.rows), (left + asking.cell).min(size.columns));
            cells += 1;
            let is_seen = |&(r, c): &(usize, usize)| lands(centre(r, c), 0.0);
            let is_middle_seen = is_seen(&((top + bottom) / 2, (left + right) / 2));
            hits += usize::from(is_middle_seen);
            // Most cells of most pairs are far from the other tile: none of their places need be looked at.
            let corners = [(top, left), (top, right), (bottom, right), (bottom, left)];
            if !is_middle_seen && !corners.iter().any(is_seen) {
                continue;
            }
            let texture = |&(r, c): &(usize, usize)| features.texture.at(r, c);
            let inner = (top..bottom).flat_map(|r| (left..right).map(move |c| (r, c)));
            let mut inner: Vec<(usize, usize)> = inner.filter(|&(r, c)| r % 3 == 1 && c % 3 == 1).collect();
            inner.sort_by(|p, q| texture(p).total_cmp(&texture(q)));
            let fits = |&(r, c): &(usize, usize)| inside(centre(r, c), ours) && lands(centre(r, c), theirs);
            let best = inner.into_iter().rev().find(fits);
            places.extend(best.map(|(r, c)| centre(r, c)));
        }
    }
    (places, hits as f64 / cells.max(1) as f64)
}

/// Asks one patch around `at`, a full-size place in `a`.
fn ask(
    store: &Store,
    kernel: &Kernel,
    a: (usize, &View),
    b: (usize, &View),
    at: Point,
    asking: Asking,
) -> Result<Option<Tie>, Fault> {
    let scale = store.scale(asking.level);
    let size = store.size(asking.level);
    // Whole pixels of `a`, so that its patch needs no interpolation.
    let half = HALF;
    let corner = Point::new((at.x / scale - half).floor(), (at.y / scale - half).floor());
    let middle = corner + Point::new(half, half);
    let Some(window) = window(corner, corner + Point::new(2.0 * half, 2.0 * half), size) else { return Ok(None) };
    let template = store.roots(a.0, asking.level, window)?;
    let map = Bend::new(a.1, b.1, middle, scale, half);
    let reach = half + asking.search as f64;
    let corners = [(-1.0, -1.0), (1.0, -1.0), (1.0, 1.0), (-1.0, 1.0)].map(|(x, y)| map.at(Point::new(x, y) * reach));
    let least = corners.iter().fold(Point::new(f64::MAX, f64::MAX), |m, p| Point::new(m.x.min(p.x), m.y.min(p.y)));
    let most = corners.iter().fold(Point::new(f64::MIN, f64::MIN), |m, p| Point::new(m.x.max(p.x), m.y.max(p.y)));
    let room = Point::new(ROOM, ROOM);
    let (from, to) = (least - room, most + room);
    let from = Point::new(from.x.floor(), from.y.floor());
    let Some(seen) = self::window(from, to, size) else { return Ok(None) };
    let source = store.roots(b.0, asking.level, seen)?;
    let other = |shift: Point, reach: usize, between: Between| {
        let side = SIDE + 2 * (MARGIN + reach);
        let first = Point::new(0.5 - side as f64 / 2.0, 0.5 - side as f64 / 2.0) + shift;
        between.lay(&source, kernel, side, |column, row| map.at(first + Point::new(column as f64, row as f64)) - from)
    };
    let Some(Shift { by, information }) = measure(&template, other, asking.search) else { return Ok(None) };
    if information == [0.0; 3] {
        return Ok(None);
    }
    // The template's middle in `a` shows what lies at the middle plus the shift under the map to `b`.
    Ok(Some(Tie {
        a: a.0,
        b: b.0,
        at_a: middle * scale,
        at_b: map.at(by) * scale,
        information: information.map(|v| v / (scale * scale)),
    }))
}

/// Whole pixels between two corners; none if they leave the tile.
fn window(from: Point, to: Point, size: Size) -> Option<Window> {
    let (column, row) = (from.x.floor(), from.y.floor());
    let (right, bottom) = (to.x.ceil(), to.y.ceil());
    let inside = column >= 0.0 && row >= 0.0 && right <= size.columns as f64 && bottom <= size.rows as f64;
    inside.then(|| Window {
        row: row as usize,
        column: column as usize,
        size: Size::new((bottom - row) as usize, (right - column) as usize),
    })
}

/// From offsets in one tile to places in another, to second order about a point: over a patch the lens's third order is
/// far below a hundredth of a pixel.
struct Bend {
    /// Value, slopes along x and y, half second derivatives xx, xy, yy.
    terms: [Point; 6],
}

impl Bend {
    /// About `middle`, in pixels of a level with `scale` full-size pixels each; exact at 9 points `half` away.
    fn new(a: &View, b: &View, middle: Point, scale: f64, half: f64) -> Bend {
        let back = a.plane.inverse();
        let to = |x: f64, y: f64| {
            let p = (middle + Point::new(x, y) * half) * scale;
            b.to_capture(back.apply(a.lens.undistort(p))) * (1.0 / scale)
        };
        let (o, l, r, u, d) = (to(0.0, 0.0), to(-1.0, 0.0), to(1.0, 0.0), to(0.0, -1.0), to(0.0, 1.0));
        let mixed = (to(1.0, 1.0) - to(1.0, -1.0) - to(-1.0, 1.0) + to(-1.0, -1.0)) * (0.25 / (half * half));
        let first = 0.5 / half;
        let second = 0.5 / (half * half);
        let (xx, yy) = ((l + r - o * 2.0) * second, (u + d - o * 2.0) * second);
        Bend { terms: [o, (r - l) * first, (d - u) * first, xx, mixed, yy] }
    }

    fn at(&self, d: Point) -> Point {
        let [o, x, y, xx, xy, yy] = self.terms;
        o + x * d.x + y * d.y + xx * (d.x * d.x) + xy * (d.x * d.y) + yy * (d.y * d.y)
    }
}
