//! Edge, blur and rim of all sides, fitted to the places along them.
//!
//! In: [`Place`]s. Out: [`Edges`], and by them where the glass begins at any station. Method: variable projection over the levels
//! ([`Shape::left`]), Levenberg & Marquardt over the rest, weights that fall with what a place leaves over.

use super::super::profile::STEP;
use super::SPAN;
use super::place::{Place, cut_off};
use super::shape::Shape;
use crate::median::median;
use nalgebra::{DMatrix, DVector, SMatrix, SVector};
use rayon::prelude::*;

/// Furthest that an edge may lie from its line, in pixels.
const FURTHEST: f64 = 4.0;
/// Widths of rim to start from, in pixels.
const WIDTHS: [f64; 3] = [1.2, 3.0, 6.0];
/// Times that sides are tried from where other starts have them.
const ROUNDS: usize = 2;

/// Parameters that all sides share, and that each has for itself.
const SHARED: usize = 4;
const OWN: usize = 6;
/// Of one place.
pub const LOCAL: usize = SHARED + OWN;

/// Blur and rim of all sides, as numbers that may take any value within [`LEAST_OF`] and [`MOST_OF`]: logarithms of blur, of the rim's width
/// and of the softness of its inner bound (pixels), logit of the share of light that the rim passes; for each side the edge's distance from
/// its line (constant, linear, square along it), how far behind it the picture begins, logarithm of that bound's softness, and how much further
/// behind it lies at the side's end than in its middle: a rail need not lie along the glass.
#[derive(Clone)]
pub struct Edges {
    shared: SVector<f64, SHARED>,
    own: Vec<SVector<f64, OWN>>,
    pub has_rim: bool,
    /// How far all places are from the model, in their deviations, as [`cost`] counts it, when it last settled.
    pub cost: f64,
}

const LEAST_OF: [f64; LOCAL] = [-0.92, -2.3, -3.0, -2.0, -FURTHEST, -2.0, -1.0, 0.0, -3.0, -4.0];
const MOST_OF: [f64; LOCAL] = [0.88, 2.4, 1.1, 2.0, FURTHEST, 2.0, 1.0, 14.0, 1.6, 4.0];
/// Looseness of what is known without seeing: a rim passes a half of the light, give or take (in logit), an edge's line and bend, and a
/// rail's line, are off by a pixel or so, and a rail's shadow is soft by about a pixel and a half (in logarithm).
const PRIOR_PASSES: f64 = 1.0;
const PRIOR_BEND: f64 = 1.0;
const PRIOR_SOFT: (f64, f64) = (0.4, 3.0);

/// Where a start of a rim's fit has the edge: so much of the rim's width outwards of the step that a fit without a rim finds, or of the side's
/// line. Without a mask the share makes no difference.
#[derive(Clone, Copy)]
enum Start {
    Step(f64),
    Line(f64),
}

impl Edges {
    /// A usual blur on the lines themselves, without a rim.
    fn start(pictures: &[f64]) -> Edges {
        let own = |picture: &f64| SVector::from([0.0, 0.0, 0.0, picture.clamp(0.5, 12.0), PRIOR_SOFT.0, 0.0]);
        let shared = SVector::from([-0.25, 0.0, -0.9, 0.0]);
        Edges { shared, own: pictures.iter().map(own).collect(), has_rim: false, cost: f64::INFINITY }
    }

    /// Without a rim; none where there are too few places to tell.
    pub fn fit(places: &[Place], pictures: &[f64]) -> Option<Edges> {
        const FEWEST: usize = 4;
        if places.len() < FEWEST {
            return None;
        }
        let mut edges = Edges::start(pictures);
        edges.settle(places, 15);
        Some(edges)
    }

    /// The same with each side looked for anew, if that fits better: a dense picture behind a narrow rebate looks like the glass's own edge where
    /// the rebate is narrowest.
    pub fn anew(&self, places: &[Place]) -> Edges {
        let mut next = self.with_sides_of(&[], places);
        next.settle(places, 15);
        if next.cost < self.cost { next } else { self.clone() }
    }

    /// The best of several widths of rim, each tried for a few steps; pictures as [`places`] gave them.
    pub fn with_a_rim(&self, places: &[Place], pictures: &[f64]) -> Edges {
        // In a mask the step found is the middle of both flanks, nearer the inner one where that is higher, or the outer one alone; beside bare
        // panel it is the outer one and its dip.
        let is_dark = |side: usize| {
            let of_side = places.iter().filter(|p| p.side == side);
            of_side.map(|p| if p.is_dark { 1 } else { -1 }).sum::<i32>() > 0
        };
        let dark: Vec<bool> = (0..self.own.len()).map(is_dark).collect();
        let start = |(width, from): (f64, Start)| {
            let mut edges = Edges { has_rim: true, ..Edges::start(pictures) };
            edges.shared[1] = width.ln();
            for (side, (own, clean)) in edges.own.iter_mut().zip(&self.own).enumerate() {
                own[0] = match from {
                    Start::Step(behind) if dark[side] => clean[0] - behind * width,
                    Start::Step(_) => clean[0] + 0.3,
                    Start::Line(behind) if dark[side] => -behind * width,
                    Start::Line(_) => 0.0,
                };
                own[3] = (pictures[side] - own[0]).clamp(0.5, 13.0);
            }
            edges.settle(places, 6);
            edges
        };
        use Start::{Line, Step};
        let from: &[Start] = if dark.contains(&true) {
            &[Step(0.5), Step(0.8), Line(0.0), Line(0.5), Line(0.8)]
        } else {
            &[Step(0.5), Line(0.0)]
        };
        let starts: Vec<_> = WIDTHS.iter().flat_map(|width| from.iter().map(|from| (*width, *from))).collect();
        let mut tried: Vec<Edges> = starts.into_par_iter().map(start).collect();
        tried.sort_by(|a, b| a.cost.total_cmp(&b.cost));
        let mut edges = tried[0].clone();
        edges.settle(places, 30);
        tried.push(self.clone());
        for _ in 0..ROUNDS {
            let mut next = edges.with_sides_of(&tried, places);
            next.settle(places, 30);
            if next.cost < edges.cost {
                edges = next;
            }
        }
        edges
    }

    /// Each side from where it lies best under this blur and rim: what one start found need not be the best for all sides.
    fn with_sides_of(&self, others: &[Edges], places: &[Place]) -> Edges {
        /// Where else a side's edge and its picture's may lie, in pixels: a picture brighter than its rebate looks like one, and steps lead astray.
        const EDGES: [f64; 7] = [-3.0, -2.0, -1.0, 0.0, 1.0, 2.0, 3.0];
        const PICTURES: [f64; 3] = [0.5, 4.0, 11.0];
        let mut edges = self.clone();
        for side in 0..edges.own.len() {
            let cost_of = |own: &SVector<f64, OWN>| -> f64 {
                let mut moved = edges.clone();
                moved.own[side] = *own;
                places.iter().filter(|p| p.side == side).map(|p| cost(&moved.left(p, &moved.of(side)))).sum()
            };
            let own = edges.own[side];
            let elsewhere = EDGES.iter().flat_map(|at| {
                PICTURES.map(|picture| SVector::from([*at, own[1], own[2], picture, PRIOR_SOFT.0, own[5]]))
            });
            let tried = others.iter().map(|other| other.own[side]).chain([own]).chain(elsewhere);
            let costs: Vec<_> = tried.map(|own| (own, cost_of(&own))).collect();
            let best = costs.into_iter().min_by(|a, b| a.1.total_cmp(&b.1));
            edges.own[side] = best.expect("its own place is among them").0;
        }
        edges
    }

    /// Damped Gauss-Newton steps.
    fn settle(&mut self, places: &[Place], steps: usize) {
        let mut slopes;
        (self.cost, slopes) = self.sloped(places);
        let mut damping = 1e-3;
        for _ in 0..steps {
            let (mut normal, right) = slopes.clone();
            for k in 0..normal.nrows() {
                normal[(k, k)] += damping * normal[(k, k)] + 1e-9;
            }
            let Some(step) = normal.cholesky().map(|n| n.solve(&right)) else { break };
            let mut next = self.moved(&step);
            let next_slopes;
            (next.cost, next_slopes) = next.sloped(places);
            if next.cost < self.cost {
                let settled = self.cost - next.cost < 1e-6 * self.cost;
                (*self, slopes) = (next, next_slopes);
                damping *= 0.3;
                if settled {
                    break;
                }
            } else {
                damping *= 10.0;
                if damping > 1e5 {
                    break;
                }
            }
        }
    }

    fn moved(&self, step: &DVector<f64>) -> Edges {
        let mut next = self.clone();
        let bound = |value: f64, k: usize| value.clamp(LEAST_OF[k], MOST_OF[k]);
        for k in 0..SHARED {
            next.shared[k] = bound(next.shared[k] - step[k], k);
        }
        for (side, own) in next.own.iter_mut().enumerate() {
            for k in 0..OWN {
                own[k] = bound(own[k] - step[SHARED + OWN * side + k], SHARED + k);
            }
        }
        next
    }

    /// How far behind the edge the rim's inner bound lies, in pixels.
    pub fn width(&self) -> f64 {
        self.shared[1].exp()
    }

    /// Standard deviation of the blur, in pixels.
    pub fn blur(&self) -> f64 {
        self.shared[0].exp()
    }

    /// Cost, and the normal equations: matrix and right side.
    fn sloped(&self, places: &[Place]) -> (f64, (DMatrix<f64>, DVector<f64>)) {
        type Local = (f64, SMatrix<f64, LOCAL, LOCAL>, SVector<f64, LOCAL>);
        let local = |place: &Place| -> Local {
            const NUDGE: f64 = 1e-4;
            let here = self.left(place, &self.of(place.side));
            let mut normal = SMatrix::zeros();
            let mut right = SVector::zeros();
            let beside: Vec<Option<Vec<f64>>> = (0..LOCAL)
                .map(|k| {
                    let mut numbers = self.of(place.side);
                    numbers[k] += NUDGE;
                    let is_free = self.has_rim || k == 0 || k >= SHARED;
                    is_free.then(|| self.left(place, &numbers))
                })
                .collect();
            // As a soft absolute value does it: a place twice its deviation off counts less and less.
            let weight = 1.0 / (1.0 + here.iter().map(|r| r * r).sum::<f64>() / 4.0).sqrt();
            for (i, r) in here.iter().enumerate() {
                let row = SVector::<f64, LOCAL>::from_fn(|k, _| beside[k].as_ref().map_or(0.0, |b| (b[i] - r) / NUDGE));
                normal += row * row.transpose() * weight;
                right += row * (r * weight);
            }
            (cost(&here), normal, right)
        };
        let locals: Vec<Local> = places.par_iter().map(local).collect();
        let size = SHARED + OWN * self.own.len();
        let (mut cost, mut normal, mut right) = (0.0, DMatrix::zeros(size, size), DVector::zeros(size));
        for (place, (c, n, r)) in places.iter().zip(&locals) {
            let index = |k: usize| if k < SHARED { k } else { SHARED + OWN * place.side + k - SHARED };
            cost += c;
            for i in 0..LOCAL {
                right[index(i)] += r[i];
                for j in 0..LOCAL {
                    normal[(index(i), index(j))] += n[(i, j)];
                }
            }
        }
        let mut prior = |k: usize, off: f64, looseness: f64| {
            cost += (off / looseness).powi(2);
            normal[(k, k)] += looseness.powi(-2);
            right[k] += off / looseness.powi(2);
        };
        prior(3, self.shared[3], PRIOR_PASSES);
        for (side, own) in self.own.iter().enumerate() {
            prior(SHARED + OWN * side + 1, own[1], PRIOR_BEND);
            prior(SHARED + OWN * side + 2, own[2], PRIOR_BEND);
            prior(SHARED + OWN * side + 4, own[4] - PRIOR_SOFT.0, PRIOR_SOFT.1);
            prior(SHARED + OWN * side + 5, own[5], PRIOR_BEND);
        }
        (cost, (normal, right))
    }

    /// The numbers that tell one side.
    fn of(&self, side: usize) -> [f64; LOCAL] {
        std::array::from_fn(|k| if k < SHARED { self.shared[k] } else { self.own[side][k - SHARED] })
    }

    /// What the best levels leave over of a place, in its deviations and divided by the root of their count.
    fn left(&self, place: &Place, numbers: &[f64; LOCAL]) -> Vec<f64> {
        let shape = Shape::new(numbers, place.along, self.has_rim);
        let unit = place.deviation * (place.profile.len() as f64).sqrt();
        let mut left = shape.left(&place.profile);
        left.iter_mut().for_each(|r| *r /= unit);
        left
    }

    /// Root mean square of what is left over of the height in the same way at all places: no noise, but another shape.
    pub fn bias(&self, places: &[Place]) -> f64 {
        let lefts: Vec<Vec<f64>> = places
            .iter()
            .map(|place| {
                let shape = Shape::new(&self.of(place.side), place.along, self.has_rim);
                // From the inner end, which all have.
                shape.left(&place.profile).into_iter().rev().map(|r| r / place.height).collect()
            })
            .collect();
        let longest = lefts.iter().map(Vec::len).max().unwrap_or(0);
        let shared: Vec<f64> =
            (0..longest).filter_map(|i| median(lefts.iter().filter_map(|l| l.get(i).copied()).collect())).collect();
        (shared.iter().map(|r| r * r).sum::<f64>() / shared.len().max(1) as f64).sqrt()
    }

    /// Where the glass begins at one station of a side, by the shape that all share.
    pub fn read(&self, side: usize, along: f64, profile: &[f64]) -> Option<f64> {
        let mut shape = Shape::new(&self.of(side), along, self.has_rim);
        let expected = shape.at;
        // What lies further in tells nothing more of the edge, and a picture's own change there pulls.
        let inner =
            if self.has_rim { expected + shape.width + 3.0 * shape.inner_blur } else { expected + 3.0 * shape.blur };
        let cut = cut_off(profile);
        let known = profile.iter().enumerate().filter(|(i, _)| !cut.contains(i));
        let samples = known.map(|(i, t)| (i as f64 * STEP - SPAN.0, *t));
        let samples: Vec<(f64, f64)> = samples.filter(|(x, _)| *x <= inner + 1.0).collect();
        const NUDGE: f64 = 1e-3;
        /// A step, in pixels, whose next would be of no account: each is a small share of the one before, since slopes hardly change so near.
        const LAST: f64 = 0.01;
        let mut here = shape.left(&samples);
        let beside = shape.moved(NUDGE).left(&samples);
        let slopes: Vec<f64> = beside.iter().zip(&here).map(|(b, h)| (b - h) / NUDGE).collect();
        let power = 1e-12 + slopes.iter().map(|s| s * s).sum::<f64>();
        for _ in 0..4 {
            let right: f64 = slopes.iter().zip(&here).map(|(s, h)| s * h).sum();
            let step = (right / power).clamp(-1.0, 1.0);
            shape.at -= step;
            if (shape.at - expected).abs() > FURTHEST {
                return None;
            }
            if step.abs() < LAST {
                break;
            }
            here = shape.left(&samples);
        }
        Some(shape.at)
    }
}

/// Of a place's residuals in its deviations: a soft absolute value of their size.
fn cost(left: &[f64]) -> f64 {
    8.0 * ((1.0 + left.iter().map(|r| r * r).sum::<f64>() / 4.0).sqrt() - 1.0)
}
