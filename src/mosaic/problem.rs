//! The adjustment's equations: from a list of numbers to residuals, their derivatives and their normal equations.
//!
//! In: a [`Model`], ties, points on the plate's sides. Out: cost, normal matrix, gradient at any list of numbers; a [`Fit`] at the
//! last. Nothing here fails. Derivatives are central differences: a tie costs microseconds, and no formula can be wrong.
//! Sums run in the order of the ties, so that threads change nothing.

use super::adjust::{Fit, Freedom, Rectangle, SidePoint, Tie};
use super::model::{Camera, Model, Pose};
use crate::geometry::{Homography, Point, View};
use nalgebra::{DMatrix, DVector};
use rayon::prelude::*;

/// Numbers of the shared camera.
const SHARED: usize = 9;
/// What no patch can beat: the lens model's own truth and the slight bend of a plate, in pixels.
const FLOOR_PX: f64 = 0.04;
/// Residuals beyond this many standard deviations pull with constant force (Huber's customary figure).
const HUBER: f64 = 1.345;
/// Prior standard deviations. Stretch: a tilt of 4° at most; tilt: 10° under a normal lens; lens terms: relative displacement
/// in the corner; centre: share of the half diagonal by which lenses sit off their sensors.
const PRIOR_STRETCH: f64 = 0.003;
const PRIOR_TILT: f64 = 0.06;
const PRIOR_K: [f64; 2] = [0.15, 0.1];
const PRIOR_CENTRE: f64 = 0.015;
/// The same for a hand-held tile against the shared camera: scale, stretch (two), tilt (two).
const PRIOR_OWN: [f64; 5] = [0.03, 0.0015, 0.0015, 0.03, 0.03];

/// Numbers of the shared camera, in the order of the solution: scale, stretch, tilt, k1, k2, centre.
fn shared_of(c: &Camera) -> [f64; SHARED] {
    let l = &c.lens;
    let centre = (l.centre - c.middle) * (1.0 / l.radius);
    [c.scale.ln(), c.stretch[0], c.stretch[1], c.tilt[0], c.tilt[1], l.k1, l.k2, centre.x, centre.y]
}

fn with_shared(c: &Camera, v: &[f64]) -> Camera {
    let mut new = *c;
    new.scale = v[0].exp();
    new.stretch = [v[1], v[2]];
    new.tilt = [v[3], v[4]];
    (new.lens.k1, new.lens.k2) = (v[5], v[6]);
    new.lens.centre = c.middle + Point::new(v[7], v[8]) * c.lens.radius;
    new
}

/// Numbers of a pose in the order of the solution; shifts count in half frames so that all have like size.
fn pose_of(p: &Pose, unit: f64) -> [f64; 8] {
    let o = p.own;
    [p.shift.x / unit, p.shift.y / unit, p.turn, o[0], o[1], o[2], o[3], o[4]]
}

fn with_pose(v: &[f64], unit: f64) -> Pose {
    let mut own = [0.0; 5];
    own[..v.len() - 3].copy_from_slice(&v[3..]);
    Pose { shift: Point::new(v[0], v[1]) * unit, turn: v[2], own }
}

/// A view with its way back at hand.
#[derive(Clone, Copy)]
struct Seen {
    view: View,
    back: Homography,
}

impl Seen {
    fn new(view: View) -> Seen {
        Seen { view, back: view.plane.inverse() }
    }

    fn to_plate(self, px: Point) -> Point {
        self.back.apply(self.view.lens.undistort(px))
    }
}

/// Everything needed to turn a list of numbers into residuals.
pub struct Problem<'a> {
    start: &'a Model,
    ties: &'a [Tie],
    rectangle: Option<Rectangle<'a>>,
    /// Numbers for each tile.
    block: usize,
    /// Place of each tile's block, for tiles that take part.
    places: Vec<Option<usize>>,
    shared_at: usize,
    unit: f64,
    /// Square roots of ties' information with the floor: rows of a 2 × 2 upper triangle.
    whiteners: Vec<[f64; 3]>,
    priors: Vec<(f64, f64)>,
}

impl<'a> Problem<'a> {
    pub fn new(start: &'a Model, ties: &'a [Tie], rectangle: Option<Rectangle<'a>>, free: Freedom) -> Problem<'a> {
        let block = if free.hand_held { 8 } else { 3 };
        let mut count = 0;
        let places = start.poses.iter().map(|p| p.map(|_| (count, count += block).0)).collect();
        let unit = start.camera.lens.radius / start.camera.scale;
        let whiteners = ties.iter().map(|t| whitener(t.information)).collect();
        let mut problem =
            Problem { start, ties, rectangle, block, places, shared_at: count, unit, whiteners, priors: vec![] };
        problem.priors = problem.priors_of(free);
        problem
    }

    pub fn numbers(&self, model: &Model) -> Vec<f64> {
        let mut numbers = Vec::with_capacity(self.shared_at + SHARED);
        for pose in model.poses.iter().flatten() {
            numbers.extend_from_slice(&pose_of(pose, self.unit)[..self.block]);
        }
        numbers.extend(shared_of(&model.camera));
        numbers
    }

    /// Mean and standard deviation of each number before anything was seen.
    fn priors_of(&self, free: Freedom) -> Vec<(f64, f64)> {
        const FREE: f64 = 1e3;
        const FIXED: f64 = 1e-9;
        let now = self.numbers(self.start);
        let known = self.rectangle.is_some();
        let mut priors = Vec::with_capacity(now.len());
        for tile in 0..self.shared_at / self.block {
            // Without the plate's sides nothing says where the plate begins: the first tile holds still.
            let hold = if tile == 0 && !known { FIXED } else { FREE };
            let at = tile * self.block;
            priors.extend(now[at..at + 3].iter().map(|v| (*v, hold)));
            priors.extend(PRIOR_OWN.iter().take(self.block - 3).map(|s| (0.0, *s)));
        }
        let shared = shared_of(&self.start.camera);
        let lens = |k: usize, sigma: f64| if free.lens { (0.0, sigma) } else { (shared[k], FIXED) };
        priors.push((shared[0], if known { FREE } else { FIXED }));
        priors.extend([(0.0, PRIOR_STRETCH), (0.0, PRIOR_STRETCH), (0.0, PRIOR_TILT), (0.0, PRIOR_TILT)]);
        priors.extend([lens(5, PRIOR_K[0]), lens(6, PRIOR_K[1]), lens(7, PRIOR_CENTRE), lens(8, PRIOR_CENTRE)]);
        priors
    }

    fn model(&self, numbers: &[f64]) -> Model {
        let mut model = self.start.clone();
        model.camera = with_shared(&model.camera, &numbers[self.shared_at..]);
        for (pose, at) in model.poses.iter_mut().zip(&self.places) {
            if let (Some(pose), Some(at)) = (pose.as_mut(), at) {
                *pose = with_pose(&numbers[*at..*at + self.block], self.unit);
            }
        }
        model
    }

    fn seen(&self, numbers: &[f64]) -> Vec<Option<Seen>> {
        self.model(numbers).views().into_iter().map(|v| v.map(Seen::new)).collect()
    }

    /// A tie's residual, whitened.
    fn tie(&self, k: usize, a: Seen, b: Seen) -> [f64; 2] {
        let (tie, w) = (&self.ties[k], &self.whiteners[k]);
        let r = a.view.to_capture(b.to_plate(tie.at_b)) - tie.at_a;
        [w[0] * r.x + w[1] * r.y, w[2] * r.y]
    }

    /// A side point's distance from its side, positive inwards, in pixels.
    fn side_px(&self, point: &SidePoint, seen: Seen, scale: f64) -> f64 {
        let Some(rectangle) = self.rectangle else { return 0.0 };
        let p = seen.to_plate(point.at);
        let inside = match point.side {
            0 => p.y,
            1 => rectangle.width - p.x,
            2 => rectangle.height - p.y,
            _ => p.x,
        };
        inside * scale
    }

    /// Half the sum of Huber's losses and priors.
    pub fn cost(&self, numbers: &[f64]) -> f64 {
        let seen = self.seen(numbers);
        let scale = numbers[self.shared_at].exp();
        let both = |t: &Tie| Some((seen[t.a]?, seen[t.b]?));
        let one = |k: usize| both(&self.ties[k]).map_or(0.0, |(a, b)| huber(length(self.tie(k, a, b))).0);
        let ties: Vec<f64> = (0..self.ties.len()).into_par_iter().map(one).collect();
        let sides = self.rectangle.map_or(&[][..], |r| r.points).iter().map(|p| {
            let r = seen[p.tile].map_or(0.0, |s| self.side_px(p, s, scale) / p.sigma);
            huber(r.abs()).0
        });
        let priors = numbers.iter().zip(&self.priors).map(|(n, (mean, sigma))| 0.5 * ((n - mean) / sigma).powi(2));
        ties.iter().sum::<f64>() + sides.sum::<f64>() + priors.sum::<f64>()
    }

    /// Cost, normal matrix and gradient at these numbers.
    pub fn linearised(&self, numbers: &[f64]) -> Linear {
        let seen = self.seen(numbers);
        let nudged = self.nudged(numbers);
        let scale = numbers[self.shared_at].exp();
        let points = self.rectangle.map_or(&[][..], |r| r.points);
        let ties = (0..self.ties.len()).into_par_iter().filter_map(|k| self.tie_rows(k, &seen, &nudged));
        let sides = points.par_iter().filter_map(|p| self.side_row(p, &seen, &nudged, scale));
        let rows: Vec<Row> = ties.collect::<Vec<_>>().into_iter().flatten().chain(sides.collect::<Vec<_>>()).collect();
        let n = numbers.len();
        let (mut normal, mut gradient) = (DMatrix::zeros(n, n), DVector::zeros(n));
        for row in &rows {
            for &(i, di) in &row.slopes {
                gradient[i] += row.weight * di * row.residual;
                for &(j, dj) in &row.slopes {
                    normal[(i, j)] += row.weight * di * dj;
                }
            }
        }
        for (k, (mean, sigma)) in self.priors.iter().enumerate() {
            normal[(k, k)] += sigma.powi(-2);
            gradient[k] += (numbers[k] - mean) * sigma.powi(-2);
        }
        Linear { cost: self.cost(numbers), normal, gradient }
    }

    /// Each tile's view with each number that it depends on a little more and a little less: its own, then the shared.
    fn nudged(&self, numbers: &[f64]) -> Vec<Vec<(usize, Seen, Seen)>> {
        let tiles = self.places.par_iter().map(|at| {
            let Some(at) = at else { return Vec::new() };
            let own = *at..*at + self.block;
            let shared = self.shared_at..self.shared_at + SHARED;
            own.chain(shared)
                .map(|k| {
                    let with = |step: f64| {
                        let mut n = numbers.to_vec();
                        n[k] += step;
                        let camera = with_shared(&self.start.camera, &n[self.shared_at..]);
                        Seen::new(camera.view(&with_pose(&n[*at..*at + self.block], self.unit)))
                    };
                    (k, with(NUDGE), with(-NUDGE))
                })
                .collect()
        });
        tiles.collect()
    }

    fn tie_rows(&self, k: usize, seen: &[Option<Seen>], nudged: &[Vec<(usize, Seen, Seen)>]) -> Option<[Row; 2]> {
        let (a, b) = (self.ties[k].a, self.ties[k].b);
        let (seen_a, seen_b) = (seen[a]?, seen[b]?);
        let r = self.tie(k, seen_a, seen_b);
        let weight = huber(length(r)).1;
        let mut rows = r.map(|residual| Row { residual, weight, slopes: Vec::with_capacity(2 * self.block + SHARED) });
        let mut slope = |at: usize, more: [f64; 2], less: [f64; 2]| {
            for (row, (m, l)) in rows.iter_mut().zip(more.into_iter().zip(less)) {
                row.slopes.push((at, (m - l) / (2.0 * NUDGE)));
            }
        };
        for (at, more, less) in &nudged[a][..self.block] {
            slope(*at, self.tie(k, *more, seen_b), self.tie(k, *less, seen_b));
        }
        for (at, more, less) in &nudged[b][..self.block] {
            slope(*at, self.tie(k, seen_a, *more), self.tie(k, seen_a, *less));
        }
        for (of_a, of_b) in nudged[a][self.block..].iter().zip(&nudged[b][self.block..]) {
            slope(of_a.0, self.tie(k, of_a.1, of_b.1), self.tie(k, of_a.2, of_b.2));
        }
        Some(rows)
    }

    fn side_row(
        &self,
        point: &SidePoint,
        seen: &[Option<Seen>],
        nudged: &[Vec<(usize, Seen, Seen)>],
        scale: f64,
    ) -> Option<Row> {
        let residual = self.side_px(point, seen[point.tile]?, scale) / point.sigma;
        let slopes = nudged[point.tile].iter().map(|(at, more, less)| {
            let step = if *at == self.shared_at { NUDGE } else { 0.0 };
            let more = self.side_px(point, *more, scale * step.exp());
            let less = self.side_px(point, *less, scale * (-step).exp());
            (*at, (more - less) / (2.0 * NUDGE * point.sigma))
        });
        Some(Row { residual, weight: huber(residual.abs()).1, slopes: slopes.collect() })
    }

    /// What came out.
    pub fn fit(&self, numbers: &[f64]) -> Fit {
        let seen = self.seen(numbers);
        let scale = numbers[self.shared_at].exp();
        let residual = |t: &Tie| match (seen[t.a], seen[t.b]) {
            (Some(a), Some(b)) => a.view.to_capture(b.to_plate(t.at_b)) - t.at_a,
            _ => Point::default(),
        };
        let strain = |k: usize| match (seen[self.ties[k].a], seen[self.ties[k].b]) {
            (Some(a), Some(b)) => length(self.tie(k, a, b)),
            _ => 0.0,
        };
        let points = self.rectangle.map_or(&[][..], |r| r.points);
        Fit {
            model: self.model(numbers),
            ties: self.ties.iter().map(residual).collect(),
            strain: (0..self.ties.len()).map(strain).collect(),
            sides: points.iter().map(|p| seen[p.tile].map_or(0.0, |s| self.side_px(p, s, scale))).collect(),
        }
    }
}

/// Normal equations at one list of numbers.
pub struct Linear {
    pub cost: f64,
    pub normal: DMatrix<f64>,
    pub gradient: DVector<f64>,
}

/// One whitened residual with its derivatives.
struct Row {
    residual: f64,
    weight: f64,
    slopes: Vec<(usize, f64)>,
}

/// Step of the central differences; all numbers are of the order of one or below.
const NUDGE: f64 = 1e-6;

fn length(r: [f64; 2]) -> f64 {
    r[0].hypot(r[1])
}

/// Huber's loss and weight of a residual in standard deviations.
fn huber(r: f64) -> (f64, f64) {
    if r <= HUBER { (0.5 * r * r, 1.0) } else { (HUBER * (r - 0.5 * HUBER), HUBER / r) }
}

/// The upper triangle W with WᵀW = (information⁻¹ + floor²)⁻¹, where directions without information stay without.
fn whitener([xx, xy, yy]: [f64; 3]) -> [f64; 3] {
    let f = FLOOR_PX * FLOOR_PX;
    // (I⁻¹ + f)⁻¹ = I (1 + f I)⁻¹, which holds for a singular I too.
    let (a, b, d) = (1.0 + f * xx, f * xy, 1.0 + f * yy);
    let det = a * d - b * b;
    let (xx, xy, yy) = ((xx * d - xy * b) / det, (xy * a - xx * b) / det, (yy * a - xy * b) / det);
    if xx > 1e-12 {
        let w0 = xx.sqrt();
        let w1 = xy / w0;
        [w0, w1, (yy - w1 * w1).max(0.0).sqrt()]
    } else {
        [0.0, 0.0, yy.max(0.0).sqrt()]
    }
}
