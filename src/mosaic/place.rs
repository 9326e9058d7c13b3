//! From loaded tiles to a [`Placement`]: coarse to fine, each step a call.
//!
//! In: the [`Store`], the plate's nominal size, the lens where a profile knows it. Out: the [`Placement`].
//! Fails where no two tiles touch, or where the plate's sides are not seen; the fault names the tiles or the side.

use super::adjust::{Fit, Freedom, Rectangle, SidePoint, Tie, adjust};
use super::cover::{Beyond, Footprint, Grid, MOST_CELLS, coarse, extended, footprints, gaps};
use super::features::{self, Features};
use super::layout::lay_out;
use super::links::Link;
use super::model::Model;
use super::overlaps::{Asking, Overlap, ask_again, corners_instead, ties};
use super::placement::{Placed, Placement, Residual, SIDES, SideFit};
use super::store::{Level, Store};
use super::{gains, likely, says, sides};
use crate::error::Fault;
use crate::geometry::{Lens, Point, View};
use crate::image::Image;
use crate::median::median;
use crate::notes::PlateSize;
use crate::plate::{self, CONFIDENT};
use crate::units::Transmittance;
use rayon::prelude::*;

/// Cells of the coarse whole that mostly suffice to see how the plate lies.
const FEW_CELLS: f64 = 4e5;

/// Places the tiles. `lens`: where given, it is taken as it is.
pub fn place(store: &Store, size: &PlateSize, lens: Option<Lens>) -> Result<Placement, Fault> {
    let features: Vec<Features> = (0..store.len()).into_par_iter().map(|k| features::find(store.reduced(k))).collect();
    let mut links = likely::links(store, &features);
    let mut layout = lay_out(store, &links, lens)?;
    if !layout.struck.is_empty() {
        // A false link may have kept true ones from being looked for.
        links = likely::all_links(store, &features);
        layout = lay_out(store, &links, lens)?;
    }
    let mut free = Freedom { hand_held: false, lens: lens.is_none() };

    let all = likely::pairs(store.len());
    let asking = Asking { level: Level::Reduced, search: 8, cell: 50 };
    let (mut found, overlaps) = ties(store, &features, &layout.model, &all, asking)?;
    found.extend(corners_instead(&layout.corners, &overlaps));
    let fit = settle(&layout.model, found, None, &mut free)?.0;

    let upright = upright(&fit.model, store);
    let Lying { model, size_mm, bare, cell, .. } = lying(store, &upright, size)?;
    let asking = Asking { level: Level::Full, search: 4, cell: 40 };
    let (found, overlaps) = ties(store, &features, &model, &all, asking)?;
    let held: Vec<Tie> = found.iter().copied().chain(corners_instead(&layout.corners, &overlaps)).collect();
    let points = sides::find(store, &model.views(), size_mm, &bare, (2.5 * cell).max(12.0))?;
    let (fit, kept, _) = with_sides(&model, &held, points, size_mm, &mut free)?;
    // Once more from where all now agree: silent overlaps are asked again, sides are looked for within a few pixels, and the plate's size
    // is judged.
    let ([found, kept], overlaps) = ask_again((store, &features, &fit.model, asking), [found, kept], overlaps)?;
    let asked = ties_of_each(&found, store.len());
    let size_mm = measured_size(&fit.model, size_mm);
    let points = sides::find(store, &fit.model.views(), size_mm, &bare, 12.0)?;
    let (mut fit, found, points) = with_sides(&fit.model, &kept, points, size_mm, &mut free)?;
    let kept = ties_of_each(&found, store.len());
    // Where no tie of a tile agrees with the rest, nothing tells where it lies.
    for k in (0..store.len()).filter(|k| asked[*k] > 0 && kept[*k] == 0) {
        fit.model.poses[k] = None;
    }
    Report {
        asked,
        store,
        links: &links,
        struck: &layout.struck,
        fit: &fit,
        ties: &found,
        overlaps,
        points: &points,
        size_mm,
        size,
        free,
    }
    .placement()
}

/// Adjusts, sets aside the ties that contradict the rest, and adjusts again; gives each tile its own camera where one camera
/// for all leaves the ties strained and own ones do not.
fn settle(
    start: &Model,
    mut ties: Vec<Tie>,
    rectangle: Option<Rectangle>,
    free: &mut Freedom,
) -> Result<(Fit, Vec<Tie>), Fault> {
    /// Median strain from which one camera for all is doubted. In line with their covariances, ties have 1.2.
    const STRAINED: f64 = 2.0;
    /// Share of the strain that own cameras must leave at most to be believed.
    const RELIEVED: f64 = 0.6;
    let mut fit = adjust(start, &ties, rectangle, *free)?;
    if !free.hand_held && (typical(&fit.strain) > STRAINED || stands_apart(&ties, &fit)) {
        let own = Freedom { hand_held: true, ..*free };
        let each = adjust(&fit.model, &ties, rectangle, own)?;
        if typical(&each.strain) < RELIEVED * typical(&fit.strain) || 2 * contradicting(&each) < contradicting(&fit) {
            *free = own;
            fit = each;
        }
    }
    for _ in 0..2 {
        let limit = contradicts(&fit);
        let before = ties.len();
        let kept: Vec<Tie> = ties.iter().zip(&fit.strain).filter(|(_, s)| **s <= limit).map(|(t, _)| *t).collect();
        ties = kept;
        if ties.len() == before {
            break;
        }
        fit = adjust(&fit.model, &ties, rectangle, *free)?;
    }
    fit.model.hand_held = free.hand_held;
    Ok((fit, ties))
}

/// Strain, in standard deviations, from which a tie contradicts the rest.
fn contradicts(fit: &Fit) -> f64 {
    const CONTRADICTS: f64 = 7.0;
    CONTRADICTS * (typical(&fit.strain) / 1.2).max(1.0)
}

fn contradicting(fit: &Fit) -> usize {
    let limit = contradicts(fit);
    fit.strain.iter().filter(|strain| **strain > limit).count()
}

/// Whether more than half of some tile's ties contradict the rest: its focus or its distance has changed.
fn stands_apart(ties: &[Tie], fit: &Fit) -> bool {
    let limit = contradicts(fit);
    let against: Vec<Tie> = ties.iter().zip(&fit.strain).filter(|(_, s)| **s > limit).map(|(t, _)| *t).collect();
    let tiles = fit.model.poses.len();
    ties_of_each(&against, tiles).iter().zip(ties_of_each(ties, tiles)).any(|(against, all)| 2 * against > all)
}

fn ties_of_each(ties: &[Tie], tiles: usize) -> Vec<usize> {
    let mut each = vec![0; tiles];
    ties.iter().for_each(|tie| [tie.a, tie.b].iter().for_each(|k| each[*k] += 1));
    each
}

/// The same with the plate's sides, where points out of line are set aside too.
fn with_sides(
    model: &Model,
    ties: &[Tie],
    points: Vec<SidePoint>,
    [width, height]: [f64; 2],
    free: &mut Freedom,
) -> Result<(Fit, Vec<Tie>, Vec<SidePoint>), Fault> {
    let first = settle(model, ties.to_vec(), Some(Rectangle { width, height, points: &points }), free)?;
    let points = sides::in_line(&points, &first.0.sides);
    let (fit, ties) = settle(&first.0.model, first.1, Some(Rectangle { width, height, points: &points }), free)?;
    Ok((fit, ties, points))
}

/// The middle value; 0 of none.
fn typical(values: &[f64]) -> f64 {
    median(values.to_vec()).unwrap_or(0.0)
}

/// The plate's frame turned by quarters so that most tiles lie upright in it: results lie as the sensor saw the plate. Of equal
/// numbers, the first name's turn counts.
fn upright(model: &Model, store: &Store) -> Model {
    let quarter = std::f64::consts::FRAC_PI_2;
    let of = |turn: f64| ((turn / quarter).round() as i64).rem_euclid(4) as usize;
    let mut votes = [0usize; 4];
    model.poses.iter().flatten().for_each(|p| votes[of(p.turn)] += 1);
    let most = votes.iter().max().copied().unwrap_or(0);
    let mut named: Vec<(&str, usize)> =
        model.poses.iter().enumerate().filter_map(|(k, p)| Some((store.name(k), of(p.as_ref()?.turn)))).collect();
    named.sort();
    let chosen = named.iter().find(|(_, q)| votes[*q] == most).map_or(0, |n| n.1);
    model.reframed(1.0, -(chosen as f64) * quarter, Point::default())
}

/// How the plate lies, by the coarse whole.
struct Lying {
    /// In the plate's millimetres.
    model: Model,
    size_mm: [f64; 2],
    /// The bare panel's transmittance as each tile has it.
    bare: Vec<f64>,
    /// Of the outline.
    confidence: f64,
    /// Full-size pixels along the side of a cell.
    cell: f64,
}

/// How the plate lies, looked for in more and more expensive ways until one is sure of it; else by the surest.
fn lying(store: &Store, model: &Model, size: &PlateSize) -> Result<Lying, Fault> {
    // Too few cells of bare panel beside a side hide it; so does a plate that reaches the end of what the tiles cover.
    let confidence = |found: &Result<Lying, Fault>| found.as_ref().map_or(-1.0, |lying| lying.confidence);
    let mut best = onto_the_plate(store, model, size, FEW_CELLS, Beyond::RunsOn);
    for beyond in [Beyond::RunsOn, Beyond::Even] {
        if confidence(&best) >= CONFIDENT {
            break;
        }
        let found = onto_the_plate(store, model, size, MOST_CELLS, beyond);
        if best.is_err() || confidence(&found) > confidence(&best) {
            best = found;
        }
    }
    best
}

/// Finds the plate on a coarse whole of so many cells at most.
fn onto_the_plate(store: &Store, model: &Model, size: &PlateSize, cells: f64, beyond: Beyond) -> Result<Lying, Fault> {
    let grid = Grid::over(store, &model.views(), cells);
    let prints = footprints(store, &model.views(), &grid);
    let gains = gains::solve(store.len(), &prints, |k| store.exposure(k).is_some());
    let seen = coarse(&grid, &prints, &gains);
    drop(prints);
    let seen = extended(seen, beyond);
    let seen = Image::from_vec(seen.size(), seen.into_vec().into_iter().map(Transmittance).collect());
    let outline = plate::find_in_cells(&seen, size)?;
    // A plate cut short of its nominal size is told from one by the sides on the tiles; the coarse whole only tells how it lies.
    let [seen_width, seen_height] = outline.size_mm;
    let [width, height] =
        if seen_width >= seen_height { [size.long_mm, size.short_mm] } else { [size.short_mm, size.long_mm] };
    // The similarity nearest to the outline's homography: what tilt is left is for the adjustment.
    let corners = [(0.0, 0.0), (1.0, 0.0), (1.0, 1.0), (0.0, 1.0)];
    let pairs = corners.map(|(x, y)| {
        let seen = outline.view.to_capture(Point::new(x * seen_width, y * seen_height));
        (Point::new(x * width, y * height), grid.origin + seen * grid.step)
    });
    let fit = super::links::Similarity::fit(pairs.iter())
        .ok_or_else(|| Fault::new("the plate's corners coincide", "check the plate's size in the notes"))?;
    let bare = outline.region.and_then(|r| r.bare).unwrap_or(1.0) as f64;
    Ok(Lying {
        model: model.reframed(fit.scale(), fit.turn(), fit.shift),
        size_mm: [width, height],
        bare: gains.iter().map(|g| bare / g).collect(),
        confidence: outline.confidence,
        cell: grid.step,
    })
}

/// The plate's size by its sides' ratio as measured, where that contradicts the nominal one by more than it can err: plates
/// are cut short of their nominal size, never over it.
fn measured_size(model: &Model, [width, height]: [f64; 2]) -> [f64; 2] {
    /// What the ratio may err by, and what plates are cut short by at most (Clerc, § 239).
    const ERROR: f64 = 0.002;
    const CUT: f64 = 0.012;
    let camera = &model.camera;
    // A tilt shortens its own direction by its cosine. With a focal length of about the frame's diagonal, the tangent of the
    // tilt is twice the change of scale over half a diagonal.
    let shortened = |tilt: f64| 1.0 - 2.0 * tilt * tilt;
    let [sx, sy] = camera.tilt.map(shortened);
    let ratio = (1.0 + camera.stretch[0]) / (1.0 - camera.stretch[0]) * sy / sx;
    // A stretch over 1 says that a millimetre of the stated width holds more pixels than one of the height: it is wider.
    if (ratio - 1.0).abs() <= ERROR || (ratio - 1.0).abs() > CUT {
        [width, height]
    } else if ratio > 1.0 {
        [width, height / ratio]
    } else {
        [width * ratio, height]
    }
}

/// Millimetres of bare panel beside the plate that are looked at.
const BESIDE_MM: f64 = 5.0;

/// The bare panel's transmittance beside the plate, 1 where too little of it is seen. A black mask is not bare panel.
fn bare_beside(seen: &Image<f32>, grid: &Grid, [width, height]: [f64; 2]) -> f64 {
    const LEAST_CELLS: usize = 100;
    let mut cells: Vec<f32> = Vec::new();
    for row in 0..seen.rows() {
        for column in 0..seen.columns() {
            let p = grid.middle(row, column);
            let outside = (-p.x).max(-p.y).max(p.x - width).max(p.y - height);
            let t = seen.at(row, column);
            if outside > 0.8 && t > 0.5 {
                cells.push(t);
            }
        }
    }
    if cells.len() < LEAST_CELLS {
        return 1.0;
    }
    let middle = cells.len() / 2;
    *cells.select_nth_unstable_by(middle, f32::total_cmp).1 as f64
}

/// What the placed tiles show of the plate and beside it, and the gains that make them agree.
struct Lit {
    grid: Grid,
    seen: Vec<Footprint>,
    gains: Vec<f64>,
    /// The bare panel's transmittance under these gains.
    bare: f64,
}

fn lit(store: &Store, views: &[Option<View>], size_mm: [f64; 2], sampling: f64) -> Lit {
    let beside = Point::new(BESIDE_MM, BESIDE_MM);
    let (least, most) = (Point::default() - beside, Point::new(size_mm[0], size_mm[1]) + beside);
    let grid = Grid::covering(least, most, store.scale(Level::Reduced) / sampling);
    let seen = footprints(store, views, &grid);
    let gains = gains::solve(store.len(), &seen, |k| store.exposure(k).is_some());
    let bare = bare_beside(&coarse(&grid, &seen, &gains), &grid, size_mm);
    Lit { grid, seen, gains, bare }
}

/// The same placement of tiles whose light has been read anew: places stay, gains are solved again.
pub fn relit(store: &Store, mut placement: Placement) -> Placement {
    let Lit { gains, bare, .. } = lit(store, &placement.views(), placement.size_mm, placement.sampling);
    placement.bare = bare;
    placement.tiles.iter_mut().zip(gains).for_each(|(tile, gain)| tile.gain = gain / bare);
    placement
}

/// All that the placement tells.
struct Report<'a> {
    /// Ties of each tile before any was set aside.
    asked: Vec<usize>,
    store: &'a Store,
    links: &'a [Link],
    struck: &'a [Link],
    fit: &'a Fit,
    ties: &'a [Tie],
    overlaps: Vec<Overlap>,
    points: &'a [SidePoint],
    size_mm: [f64; 2],
    size: &'a PlateSize,
    free: Freedom,
}

impl Report<'_> {
    fn placement(self) -> Result<Placement, Fault> {
        let (store, model) = (self.store, &self.fit.model);
        let [width, height] = self.size_mm;
        let views = model.views();
        let sampling = typical(&self.samplings());
        let Lit { grid, seen, gains, bare } = lit(store, &views, self.size_mm, sampling);
        let sides = self.side_fits();
        for (side, name) in sides.iter().zip(SIDES) {
            if side.support < 0.05 {
                let out: Vec<&str> = (0..store.len()).filter(|k| views[*k].is_none()).map(|k| store.name(k)).collect();
                let apart = if out.is_empty() {
                    String::new()
                } else {
                    format!(" ({} could not be connected)", out.join(", "))
                };
                return Err(Fault::new(
                    format!("the plate's {name} side, as the captures see it, is in no tile{apart}"),
                    "let the outer tiles show some millimetres beyond every side of the plate",
                ));
            }
        }
        let residuals = self.residuals();
        let rms = |mut of: Box<dyn FnMut(&Residual) -> bool + '_>| {
            let off: Vec<f64> =
                residuals.iter().filter(|r| of(r)).map(|r| r.off.x * r.off.x + r.off.y * r.off.y).collect();
            ((off.iter().sum::<f64>() / off.len().max(1) as f64).sqrt(), off.len())
        };
        let kept = ties_of_each(self.ties, store.len());
        let tiles: Vec<Placed> = (0..store.len())
            .map(|k| {
                let (residual_px, ties) = rms(Box::new(move |r| r.a == k || r.b == k));
                let turn_deg = model.poses[k].map_or(0.0, |p| p.turn.to_degrees());
                let name = store.name(k).to_string();
                let set_aside = self.asked[k].saturating_sub(kept[k]);
                Placed { name, view: views[k], gain: gains[k] / bare, residual_px, ties, set_aside, turn_deg }
            })
            .collect();
        let least = sides.iter().map(|s| s.support).fold(1.0, f64::min);
        let mut placement = Placement {
            size_mm: self.size_mm,
            tiles,
            lens: model.camera.lens,
            hand_held: self.free.hand_held,
            sampling,
            bare,
            rms_px: rms(Box::new(|_| true)).0,
            ties: residuals.clone(),
            overlaps: self.overlaps.clone(),
            sides,
            // Half a side in line to a fraction of a pixel cannot be chance.
            confidence: (least / 0.5).min(1.0),
            gaps: gaps(&grid, &seen, width, height),
            warnings: Vec::new(),
        };
        placement.warnings = says::warnings(store, self.links, self.struck, &placement, self.size);
        Ok(placement)
    }

    /// Pixels per millimetre of each placed tile in its middle.
    fn samplings(&self) -> Vec<f64> {
        let size = self.store.size(Level::Full);
        let middle = Point::new(size.columns as f64 / 2.0, size.rows as f64 / 2.0);
        self.fit.model.views().iter().flatten().map(|v| v.sampling(v.to_plate(middle))).collect()
    }

    fn side_fits(&self) -> [SideFit; 4] {
        std::array::from_fn(|side| {
            let off: Vec<f64> =
                self.points.iter().zip(&self.fit.sides).filter(|(p, _)| p.side == side).map(|(_, d)| *d).collect();
            let rms_px = (off.iter().map(|d| d * d).sum::<f64>() / off.len().max(1) as f64).sqrt();
            SideFit { support: (off.len() as f64 / sides::STATIONS as f64).min(1.0), rms_px }
        })
    }

    /// Residuals on the plate, along the directions that each tie's texture tells to a fifth of a pixel; ties that tell none are left out.
    fn residuals(&self) -> Vec<Residual> {
        const TOLD: f64 = 25.0;
        let views = self.fit.model.views();
        let one = |(tie, off): (&Tie, &Point)| {
            let view = views[tie.a]?;
            let [xx, xy, yy] = tie.information;
            let eigen = nalgebra::SymmetricEigen::new(nalgebra::Matrix2::new(xx, xy, xy, yy));
            let mut told = Point::default();
            let axes = || (0..2).filter(|k| eigen.eigenvalues[*k] > TOLD);
            axes().next()?;
            for k in axes() {
                let axis = Point::new(eigen.eigenvectors[(0, k)], eigen.eigenvectors[(1, k)]);
                told = told + axis * (axis.x * off.x + axis.y * off.y);
            }
            let at = view.to_plate(tie.at_a);
            let moved = (view.to_plate(tie.at_a + told) - at) * view.sampling(at);
            Some(Residual { a: tie.a, b: tie.b, at, off: moved })
        };
        self.ties.iter().zip(&self.fit.ties).filter_map(one).collect()
    }
}
