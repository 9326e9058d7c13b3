//! One plate's scene laid on another's.
//!
//! In: two [`Plane`]s of what should be one scene. Out: an [`Alignment`]: the homography from B to A, what it rests on, the bend of
//! another lens or focus, and a smooth field of what both leave, where ties support them. Framing may be shifted by a quarter, turned by twelve degrees (and by whole
//! quarter turns), scaled by a tenth and tilted; exposure and contrast may differ, parts be blank in either, a good third of
//! the scene have moved, and one plate may have been copied from the wrong side. Fails when the two do not show one scene.
//!
//! From coarse to fine: [`super::coarse`] guesses, [`super::search`] finds places again at finer and finer samplings, and
//! [`super::fit`] keeps the map that most of them agree on.

use super::bend::{self, Bend};
use super::coarse::{self, Guess};
use super::field::Field;
use super::fit::{self, Tie};
use super::outline::Outline;
use super::plane::{Plane, blur};
use super::search::{self, HALF, Match};
use crate::error::Fault;
use crate::geometry::resample::{Kernel, resample};
use crate::geometry::{Homography, Point};
use crate::image::{Image, Size};
use rand::SeedableRng;
use rand_pcg::Pcg64;

/// Guesses followed up.
const GUESSES: usize = 8;
/// Longest sides of the levels, in pixels, with the whole pixels searched at each and how far a right tie may lie from a
/// similarity. The last is followed by the planes' own sampling.
const LEVELS: [(usize, isize, f64); 3] = [(256, 7, 6.0), (512, 5, 5.0), (1024, 5, 5.0)];
/// Steps at each.
const PASSES: usize = 2;
/// How far from a firm map its ties lie, in a level's pixels.
const FIRM: f64 = 1.25;
/// Passes at the planes' own sampling.
const LAST: [(isize, f64); 3] = [(5, 6.0), (2, 3.0), (2, 3.0)];
/// Cells of the grid of places along the longer side.
const ACROSS: usize = 40;
/// Least share of the places with structure that must agree on one map, at [`JUDGED`] pixels. Unlike scenes reach 0.05 to 0.12
/// by chance, as a search of five pixels either way lets one wrong match in ten fall near any map; plates of one scene of which a
/// third moved reach more than half.
const LEAST_SUPPORT: f64 = 0.25;
const JUDGED: usize = 512;
const FEWEST_TIES: usize = 16;
/// Least share of A's scene that B must show, too.
const LEAST_OVERLAP: f64 = 0.2;
/// A place that lies further than this from where the map puts it has moved, in working pixels.
const MOVED_PX: f64 = 1.5;
/// Blur before the last passes, in pixels: it takes two thirds of the grain and none of what places a patch.
const GRAIN: f32 = 1.0;

/// How B lies on A, in pixels of the two planes.
#[derive(Debug, Clone)]
pub struct Alignment {
    pub b_to_a: Homography,
    pub bend: Option<Bend>,
    pub field: Option<Field>,
    /// Root mean square distance of the ties from homography, bend and field, in A's pixels.
    pub rms: f64,
    /// Root mean square of the shifts that bend and field make where ties lie, in A's pixels.
    pub rms_bent: f64,
    /// Ties that agree.
    pub ties: usize,
    /// Share of the places with structure in both that agree.
    pub support: f64,
    /// Share of A's scene that B shows, too.
    pub overlap: f64,
    pub mirrored: bool,
    /// Whole quarter turns clockwise that B must be given, after mirroring.
    pub quarters: usize,
    /// Places in A that were found again where the map puts them, and places whose like in B lies elsewhere or nowhere.
    pub held: Vec<Point>,
    pub moved: Vec<Point>,
}

impl Alignment {
    /// A plate on itself.
    pub fn identity() -> Alignment {
        Alignment {
            b_to_a: Homography::identity(),
            bend: None,
            field: None,
            rms: 0.0,
            rms_bent: 0.0,
            ties: 0,
            support: 1.0,
            overlap: 1.0,
            mirrored: false,
            quarters: 0,
            held: Vec::new(),
            moved: Vec::new(),
        }
    }

    /// Where a place of A lies in B.
    pub fn in_b(&self, p: Point) -> Point {
        self.b_to_a.inverse().apply(p + self.bent(p))
    }

    /// What a place of A is shifted by, in A's pixels, before the homography carries it back to B.
    fn bent(&self, p: Point) -> Point {
        let of_lens = self.bend.as_ref().map_or(Point::default(), |bend| bend.at(p));
        of_lens + self.field.as_ref().map_or(Point::default(), |field| field.at(p))
    }

    /// B's density as it lies on A, at A's sampling.
    pub fn lay(&self, a: &Plane, b: &Plane) -> Image<f32> {
        let back = self.b_to_a.inverse();
        let reduction = 1.0 / self.b_to_a.area_scale(back.apply(middle(a.size()))).sqrt();
        resample(&b.density, a.size(), &Kernel::new(reduction), |p| back.apply(p + self.bent(p)))
    }
}

fn middle(size: Size) -> Point {
    Point::new(size.columns as f64 / 2.0, size.rows as f64 / 2.0)
}

pub fn align(a: &Plane, b: &Plane) -> Result<Alignment, Fault> {
    let long = |p: &Plane| p.size().rows.max(p.size().columns) as f64 * p.mm_per_px;
    let coarse_mm = long(a).max(long(b)) / coarse::LONG as f64;
    let mut best: Option<(f64, Step, Guess)> = None;
    let first = Level::of(a, LEVELS[0].0);
    for guess in guesses(a, b, coarse_mm) {
        let scale = |p: &Plane| Homography::similarity(p.mm_per_px / coarse_mm, 0.0, Point::default());
        let start = scale(a).inverse().after(&guess.b_to_a).after(&scale(b));
        let Some(step) = first.step(a, b, &Warp::straight(start), LEVELS[0].1, LEVELS[0].2) else { continue };
        if best.as_ref().is_none_or(|(most, ..)| step.weight() > *most) {
            best = Some((step.weight(), step, guess));
        }
    }
    let (_, step, guess) = best.ok_or_else(unlike)?;
    let (coarse, fine) = LEVELS.split_at(LEVELS.partition_point(|level| level.0 <= JUDGED));
    let maps = std::iter::once(step.warp).chain(first.rivals(&step, LEVELS[0].2)).collect();
    let step = likeliest(a, b, maps, coarse).ok_or_else(unlike)?;
    let (support, mut warp) = (step.support, step.warp);
    for &(pixels, radius, tolerance) in fine {
        let level = Level::of(a, pixels);
        for _ in 0..PASSES {
            warp = level.step(a, b, &warp, radius, tolerance).ok_or_else(unlike)?.warp;
        }
    }
    let overlap = overlap(&a.outline, &b.outline.through(&warp.b_to_a));
    if support < LEAST_SUPPORT {
        return Err(unlike());
    }
    if overlap < LEAST_OVERLAP {
        return Err(Fault::new(
            format!("the plates share only {:.0} % of their scene", 100.0 * overlap),
            "compare plates that were framed alike",
        ));
    }
    finish(a, b, warp, guess, support, overlap)
}

/// The map that most of the scene holds. What moved as a whole and what stayed both hold one, and coarse levels cannot tell the two apart:
/// each step's rivals are followed beside it.
fn likeliest(a: &Plane, b: &Plane, mut maps: Vec<Warp>, levels: &[(usize, isize, f64)]) -> Option<Step> {
    let mut steps = Vec::new();
    for &(pixels, radius, tolerance) in levels {
        let level = Level::of(a, pixels);
        for _ in 0..PASSES {
            let step = |warp: &Warp| level.step(a, b, warp, radius, tolerance);
            steps = level.apart(maps).iter().filter_map(step).collect::<Vec<Step>>();
            let firm = FIRM / level.scale;
            steps.sort_by(|p, q| q.hold(firm).total_cmp(&p.hold(firm)));
            let rivals = steps.iter().flat_map(|step| level.rivals(step, tolerance));
            maps = steps.iter().map(|step| step.warp).chain(rivals).collect();
        }
    }
    steps.into_iter().next()
}

/// The last passes, at the planes' own sampling.
fn finish(a: &Plane, b: &Plane, mut warp: Warp, guess: Guess, support: f64, overlap: f64) -> Result<Alignment, Fault> {
    let own = Level::of(a, usize::MAX);
    let mut last = None;
    for (radius, tolerance) in LAST {
        // A plane that is all grain at its own sampling keeps what the coarser ones gave.
        let Some(step) = own.step(a, b, &warp, radius, tolerance) else { break };
        last = Some((step.warp, std::mem::replace(&mut warp, step.warp), step));
    }
    let (warp, laid_by, step) = last.ok_or_else(unlike)?;
    let right = || step.found.iter().zip(&step.agrees).filter(|(_, agrees)| **agrees).map(|(t, _)| t);
    let seen: Vec<(Point, Point)> = right().map(|t| (t.a, warp.left(t))).collect();
    if seen.len() < FEWEST_TIES {
        return Err(unlike());
    }
    let mut found = Alignment {
        b_to_a: warp.b_to_a,
        bend: warp.bend,
        field: Field::fit(a.size(), &seen),
        ties: seen.len(),
        support,
        overlap,
        mirrored: warp.mirrored(),
        quarters: guess.quarters,
        ..Alignment::identity()
    };
    let rms = |of: &dyn Fn(&Tie) -> Point| {
        (right().map(|t| of(t).distance(Point::default()).powi(2)).sum::<f64>() / seen.len() as f64).sqrt()
    };
    found.rms = rms(&|t| warp.b_to_a.apply(t.b) - t.a - found.bent(t.a));
    found.rms_bent = rms(&|t| found.bent(t.a));
    let in_place = |m: &&Match| {
        // Where the place's like in B lies, and where the map says that it does.
        let off = found.b_to_a.apply(laid_by.in_b(m.a + m.shift)) - m.a - found.bent(m.a);
        m.likeness >= search::LEAST_LIKENESS && (m.sd.is_infinite() || off.distance(Point::default()) <= MOVED_PX)
    };
    let (held, moved): (Vec<&Match>, Vec<&Match>) = step.all.iter().partition(in_place);
    let places = |of: Vec<&Match>| of.into_iter().map(|m| m.a).collect();
    (found.held, found.moved) = (places(held), places(moved));
    Ok(found)
}

/// A map from A to B on the way to an [`Alignment`].
#[derive(Clone, Copy)]
struct Warp {
    b_to_a: Homography,
    bend: Option<Bend>,
}

impl Warp {
    fn straight(b_to_a: Homography) -> Warp {
        Warp { b_to_a, bend: None }
    }

    fn bent(&self, p: Point) -> Point {
        self.bend.as_ref().map_or(Point::default(), |bend| bend.at(p))
    }

    fn in_b(&self, p: Point) -> Point {
        self.b_to_a.inverse().apply(p + self.bent(p))
    }

    /// Shift from where the map lays a tie to where A has it, seen from A.
    fn left(&self, tie: &Tie) -> Point {
        self.b_to_a.apply(tie.b) - tie.a - self.bent(tie.a)
    }

    fn mirrored(&self) -> bool {
        let m = &self.b_to_a.0;
        m[(0, 0)] * m[(1, 1)] - m[(0, 1)] * m[(1, 0)] < 0.0
    }
}

fn guesses(a: &Plane, b: &Plane, mm: f64) -> Vec<Guess> {
    let small = |p: &Plane| {
        let ratio = mm / p.mm_per_px;
        let size = scaled(p.size(), 1.0 / ratio);
        let back = Homography::similarity(ratio, 0.0, Point::default());
        // The kernel widens to sixteen pixels at the most; what is coarser still is blurred by the search itself.
        (p.view(size, ratio, |q| back.apply(q)), p.outline.scaled(1.0 / ratio))
    };
    let ((image_a, outline_a), (image_b, outline_b)) = (small(a), small(b));
    coarse::guesses((&image_a, &outline_a), (&image_b, &outline_b), GUESSES)
}

fn scaled(size: Size, by: f64) -> Size {
    let side = |n: usize| ((n as f64 * by).round() as usize).max(1);
    Size::new(side(size.rows), side(size.columns))
}

/// A at one sampling.
struct Level {
    image: Image<f32>,
    /// Level's pixels in one of A's.
    scale: f64,
}

/// One search and fit.
struct Step {
    warp: Warp,
    /// What the fit was given, in A's pixels, and which of it agrees.
    found: Vec<Tie>,
    agrees: Vec<bool>,
    /// All places with structure in both, found or not, in A's pixels.
    all: Vec<Match>,
    support: f64,
    ties: f64,
}

impl Step {
    /// By which guesses are chosen: a share alone would let a few places that happen to agree pass for many.
    fn weight(&self) -> f64 {
        self.support * self.ties.sqrt()
    }

    /// By which rivals are: what stayed lies all over the picture, what moved is a part of it, and a compromise between the two holds its ties
    /// less well. Ties count by how near they lie, nothing from `firm` pixels on (as MSAC does it: Torr & Zisserman, Comput. Vis. Image Underst.
    /// 78, 138 (2000)), times the root of the area that they spread over.
    fn hold(&self, firm: f64) -> f64 {
        let near = |tie: &Tie| (1.0 - (self.warp.left(tie).distance(Point::default()) / firm).powi(2)).max(0.0);
        let held: Vec<(Point, f64)> = self.found.iter().map(|tie| (tie.a, near(tie))).collect();
        let count: f64 = held.iter().map(|(_, near)| near).sum();
        let mean = |of: &dyn Fn(Point) -> Point| {
            held.iter().fold(Point::default(), |sum, (p, near)| sum + of(*p) * *near) * (1.0 / count.max(1.0))
        };
        let middle = mean(&|p| p);
        let spread = mean(&|p| Point::new((p.x - middle.x).powi(2), (p.y - middle.y).powi(2)));
        count * (spread.x * spread.y).powf(0.25)
    }
}

impl Level {
    fn of(a: &Plane, long: usize) -> Level {
        let own = a.size().rows.max(a.size().columns);
        if own <= long {
            return Level { image: blur(&a.density, GRAIN), scale: 1.0 };
        }
        let scale = long as f64 / own as f64;
        Level { image: a.view(scaled(a.size(), scale), 1.0 / scale, |p| p * (1.0 / scale)), scale }
    }

    /// Lays B on A by `warp`, finds places again within `radius` of this level's pixels, and fits anew. None where too few agree.
    fn step(&self, a: &Plane, b: &Plane, warp: &Warp, radius: isize, tolerance: f64) -> Option<Step> {
        let lay = Homography::similarity(self.scale, 0.0, Point::default()).after(&warp.b_to_a);
        let back = warp.b_to_a.inverse();
        let coarser = 1.0 / lay.area_scale(back.apply(middle(a.size()))).sqrt();
        if !coarser.is_finite() || coarser > 64.0 {
            return None;
        }
        let in_a = 1.0 / self.scale;
        let mut laid = b.view(self.image.size(), coarser, |p| back.apply(p * in_a + warp.bent(p * in_a)));
        if self.scale == 1.0 {
            laid = blur(&laid, GRAIN);
        }
        let (of_a, of_b) = (a.outline.scaled(self.scale), b.outline.through(&lay));
        let room = (HALF + 1) as f64;
        let corners = [(-room, -room), (room, -room), (room, room), (-room, room)].map(|(x, y)| Point::new(x, y));
        let allowed = |p: Point| corners.iter().all(|c| of_a.contains(p + *c) && of_b.contains(p + *c));
        let spots = search::spots(&self.image, ACROSS, allowed);
        let all: Vec<Match> =
            search::matches(&self.image, &laid, &spots, radius).into_iter().flatten().map(|m| self.in_a(m)).collect();
        let found: Vec<Tie> = all
            .iter()
            .filter(|m| m.sd.is_finite())
            .map(|m| Tie { b: warp.in_b(m.a + m.shift), a: m.a, sd: m.sd })
            .collect();
        let (warp, agrees) = self.fit(&found, warp, tolerance)?;
        // What a fit agrees on must lie close, too, or chance would pass for a scene.
        let close = MOVED_PX / self.scale;
        let near = |t: &Tie| warp.left(t).distance(Point::default()) < close;
        let agreeing = found.iter().zip(&agrees).filter(|(t, agrees)| **agrees && near(t)).count();
        let support = agreeing as f64 / all.len().max(1) as f64;
        Some(Step { warp, found, agrees, all, support, ties: agreeing as f64 })
    }

    /// Whether two maps lay B on A alike, to a few pixels of the level.
    fn are_alike(&self, p: &Warp, q: &Warp) -> bool {
        const ALIKE: f64 = 3.0;
        let (w, h) = (self.image.columns() as f64 / self.scale, self.image.rows() as f64 / self.scale);
        let corners = [(0.0, 0.0), (w, 0.0), (w, h), (0.0, h)].map(|(x, y)| Point::new(x, y));
        corners.iter().all(|corner| p.b_to_a.apply(q.in_b(*corner)).distance(*corner) < ALIKE / self.scale)
    }

    /// The first few of the maps that are not alike.
    fn apart(&self, maps: Vec<Warp>) -> Vec<Warp> {
        const FOLLOWED: usize = 4;
        let mut apart: Vec<Warp> = Vec::new();
        for warp in maps {
            if apart.len() < FOLLOWED && !apart.iter().any(|known| self.are_alike(known, &warp)) {
                apart.push(warp);
            }
        }
        apart
    }

    /// Maps that other ties may agree on than the step's own: what does not agree on it, and, where it is a compromise between what moved
    /// and what stayed, what agrees firmly.
    fn rivals(&self, step: &Step, tolerance: f64) -> Vec<Warp> {
        let before = Warp::straight(step.warp.b_to_a);
        let beside = |agrees: &[bool], ties: &[Tie]| -> Vec<Tie> {
            ties.iter().zip(agrees).filter(|(_, agrees)| !**agrees).map(|(tie, _)| *tie).collect()
        };
        let other = self.fit(&beside(&step.agrees, &step.found), &before, tolerance);
        let firm = self.fit(&step.found, &before, FIRM);
        let rest = firm.as_ref().and_then(|(_, agrees)| self.fit(&beside(agrees, &step.found), &before, FIRM));
        [firm, rest, other].into_iter().flatten().map(|(warp, _)| warp).collect()
    }

    /// The map that most ties agree on, and which those are. What a fine level found bent before lets the homography see all of the
    /// picture; whether it is bent is asked anew.
    fn fit(&self, ties: &[Tie], before: &Warp, tolerance: f64) -> Option<(Warp, Vec<bool>)> {
        // A literal seed: the same plates give the same map.
        let robust = |ties: &[Tie]| fit::robust(ties, tolerance / self.scale, &mut Pcg64::seed_from_u64(0x9e37_79b9));
        let flat: Vec<Tie> = ties.iter().map(|t| Tie { a: t.a + before.bent(t.a), ..*t }).collect();
        let straight = robust(&flat)?;
        if self.image.rows().max(self.image.columns()) > JUDGED
            && let Some(bent) = bend::fit(ties, &straight)
        {
            return Some((Warp { b_to_a: bent.b_to_a, bend: Some(bent.bend) }, bent.agrees));
        }
        let straight = if before.bend.is_some() { robust(ties)? } else { straight };
        Some((Warp::straight(straight.b_to_a), straight.agrees))
    }

    fn in_a(&self, m: Match) -> Match {
        let s = 1.0 / self.scale;
        Match { a: m.a * s, shift: m.shift * s, sd: m.sd * s, ..m }
    }
}

/// Share of A's outline that B's, laid on it, covers; on a grid of 200 × 200 places.
fn overlap(a: &Outline, b: &Outline) -> f64 {
    let xs = a.corners.map(|p| p.x);
    let ys = a.corners.map(|p| p.y);
    let span = |v: [f64; 4]| (v.iter().copied().fold(f64::INFINITY, f64::min), v.iter().copied().fold(0.0, f64::max));
    let ((left, right), (top, bottom)) = (span(xs), span(ys));
    let (mut inside, mut both) = (0usize, 0usize);
    for i in 0..200 * 200 {
        let (u, v) = ((i % 200) as f64 / 199.0, (i / 200) as f64 / 199.0);
        let p = Point::new(left + u * (right - left), top + v * (bottom - top));
        if a.contains(p) {
            inside += 1;
            both += usize::from(b.contains(p));
        }
    }
    both as f64 / inside.max(1) as f64
}

fn unlike() -> Fault {
    Fault::new(
        "the plates do not show one scene: too few places of the one are found again in the other",
        "check that the bracket names plates of one scene, framed alike to within a quarter of the picture",
    )
}

#[cfg(test)]
mod tests {
    use super::super::scene::{Curve, Shot};
    use super::*;

    fn plane(shot: &Shot) -> Plane {
        Plane::new(&shot.plate(), shot.mm_per_px, 1.0)
    }

    /// Root mean square and worst error of the found map over A's scene where B shows it, in A's pixels.
    fn error(a: &Shot, b: &Shot, found: &Alignment) -> (f64, f64) {
        let (mut square, mut worst, mut count) = (0.0, 0.0f64, 0.0);
        for i in 0..400 {
            let p = Point::new(
                (0.03 + 0.94 * (i % 20) as f64 / 19.0) * a.size.columns as f64,
                (0.03 + 0.94 * (i / 20) as f64 / 19.0) * a.size.rows as f64,
            );
            let q = Shot::in_b(a, b, p);
            if q.x < 0.0 || q.y < 0.0 || q.x > b.size.columns as f64 || q.y > b.size.rows as f64 {
                continue;
            }
            // Back to A, near enough to scale the error to A's pixels.
            let off = found.b_to_a.apply(q).distance(found.b_to_a.apply(found.in_b(p)));
            square += off * off;
            worst = worst.max(off);
            count += 1.0;
        }
        ((square / count).sqrt(), worst)
    }

    fn framed(shift_x: f64, shift_y: f64, degrees: f64, scale: f64, tilt: f64) -> Homography {
        let turn = Homography::similarity(scale, degrees.to_radians(), Point::new(shift_x, shift_y));
        let mut h = turn;
        h.0[(2, 0)] = tilt;
        h.0[(2, 1)] = -0.5 * tilt;
        h
    }

    /// Known truth of the forward model: half a pixel rms, twice as fine as is asked of the whole.
    #[track_caller]
    fn aligned(name: &str, a: &Shot, b: &Shot) -> Alignment {
        let found = align(&plane(a), &plane(b)).unwrap_or_else(|f| panic!("{name}: {f}"));
        let (rms, worst) = error(a, b, &found);
        eprintln!(
            "{name}: rms {rms:.3} worst {worst:.2} px, said {:.3}, ties {}, support {:.2}, overlap {:.2}, moved {}, bent {} {:.2}, field {:?}",
            found.rms,
            found.ties,
            found.support,
            found.overlap,
            found.moved.len(),
            found.bend.is_some(),
            found.rms_bent,
            found.field.as_ref().map(|f| f.rms)
        );
        assert!(rms < 0.5 && worst < 1.5, "{name}: rms {rms:.3}, worst {worst:.2} px");
        found
    }

    #[test]
    fn framing_exposure_and_weather_may_differ() {
        let a = Shot::default();
        let b = Shot { grain_seed: 2, ..a.clone() };
        aligned("same", &a, &b);
        let shifted = Shot { framing: framed(6.3, -4.1, 1.0, 1.0, 0.0), log_exposure: 1.2, ..b.clone() };
        aligned("shifted by 5 % and turned by 1°", &a, &shifted);
        let blown = Shot { wind: 3, ..shifted.clone() };
        aligned("trees, clouds and water moved", &a, &blown);
        let pushed = Curve { gamma: 1.2, toe: (0.1, 0.2), top: (2.9, 0.3) };
        let thin = Shot { log_exposure: 0.1, ..a.clone() };
        aligned("thin against pushed", &thin, &Shot { curve: pushed, ..blown.clone() });
        aligned("tilted, closer, turned", &a, &Shot { framing: framed(-8.0, 5.0, -5.0, 1.05, 4e-4), ..b.clone() });
        let finer =
            Shot { size: Size::new(1190, 1482), mm_per_px: 127.0 / 1482.0, framing: shifted.framing, ..b.clone() };
        aligned("another sampling", &a, &finer);
    }

    /// Two fifths of the scene went aside as a whole, by so little that coarse levels see one map between it and the rest.
    #[test]
    fn what_moved_a_little_and_what_stayed_are_told_apart() {
        let shot = Shot::default();
        let a = plane(&shot);
        for (right, down) in [(12, 5), (18, 8), (24, 11)] {
            let mut b = plane(&Shot { grain_seed: 2, log_exposure: 0.8, ..shot.clone() });
            let Size { rows, columns } = b.size();
            let still = b.density.clone();
            for row in 0..rows {
                for column in 0..2 * columns / 5 {
                    b.density.set(row, column, still.at((row + down).min(rows - 1), column + right));
                }
            }
            let found = align(&a, &b).unwrap();
            let (w, h) = (columns as f64, rows as f64);
            for corner in [(0.0, 0.0), (w, 0.0), (w, h), (0.0, h)].map(|(x, y)| Point::new(x, y)) {
                let off = found.b_to_a.apply(corner).distance(corner);
                assert!(off < 1.5, "moved by {right}, {down}: {corner:?} off by {off:.2}");
            }
        }
    }

    #[test]
    fn another_lens_bends_the_scene() {
        let a = Shot::default();
        for lens in [-0.012, -0.004, 0.004, 0.012] {
            let framing = framed(6.3, -4.1, 1.0, 1.0, 0.0);
            let b = Shot { lens, framing, log_exposure: 1.3, wind: 3, grain_seed: 2, ..a.clone() };
            let found = aligned(&format!("bent by {:.1} px at the corners", lens * 652.0), &a, &b);
            assert!(found.bend.is_some(), "no bend found");
        }
        let finer = Size::new(1632, 2032);
        let a = Shot { size: finer, mm_per_px: 0.0625, ..a };
        let b = Shot { lens: 0.012, framing: framed(6.3, -4.1, 1.0, 1.0, 0.0), wind: 3, grain_seed: 2, ..a.clone() };
        assert!(aligned("bent by 16 px at the corners", &a, &b).bend.is_some());
    }

    #[test]
    fn a_plate_copied_from_the_wrong_side_is_found_and_told() {
        let a = Shot::default();
        let mut mirror = Homography::identity();
        mirror.0[(0, 0)] = -1.0;
        mirror.0[(0, 2)] = 127.0;
        let framing = mirror.after(&framed(3.0, 2.0, 0.7, 1.0, 0.0));
        let found = aligned("mirrored", &a, &Shot { framing, log_exposure: 1.3, grain_seed: 3, ..a.clone() });
        assert!(found.mirrored);
        let around = Homography::similarity(1.0, std::f64::consts::PI, Point::new(127.0, 102.0));
        let found = aligned("upside down", &a, &Shot { framing: around, grain_seed: 3, ..a.clone() });
        assert!(!found.mirrored && found.quarters == 2);
    }

    #[test]
    fn plates_of_other_scenes_are_refused() {
        let a = plane(&Shot::default());
        for seed in 2..8 {
            let b = plane(&Shot { seed, grain_seed: seed, ..Shot::default() });
            let told = align(&a, &b).map(|f| (f.support, f.ties)).expect_err("these are other scenes");
            assert!(told.what().contains("do not show one scene"), "{told}");
        }
    }
}
