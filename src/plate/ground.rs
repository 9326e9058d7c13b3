//! Where the glass begins under a ground edge, from the profiles across all four sides at once.
//!
//! In: samples of transmittance along the inward normals at stations of each side, about a line near the edge ([`Side`]). Out: how far
//! inwards of that line the glass begins, station by station. A cutter's stone leaves a rim a few pixels wide that passes less light; where
//! blur melts it into the step, the step alone is pulled by up to two pixels. One lens blurs all sides and one stone ground them, so blur
//! and rim are found together: a side with a clear rebate tells them, a side where the picture runs to the edge is placed by them.
//! Model, under a Gaussian blur and the pixels' own: the surround; from the edge on the rim, whose inner bound is soft; the rebate; the picture, with a slope.
//! Levels are free at every place (linear least squares), the edge is a parabola along its side, the rest is shared. Method: variable
//! projection, Levenberg-Marquardt, weights that fall with what a place leaves over.

use super::profile::STEP;
use nalgebra::{DMatrix, DVector, Matrix4, SMatrix, SVector, Vector4};
use rayon::prelude::*;

/// Distances from the line over which profiles are fitted, in pixels: outside and inside.
pub const SPAN: (f64, f64) = (7.0, 11.0);
/// Places along a side; the stations of each give one mean profile.
const PLACES: usize = 10;
/// Least height of a place's profile, in transmittance: less is no edge.
const LEAST: f64 = 0.004;
/// What the model is trusted to, as a share of a profile's height: blurs are not quite Gaussian.
const MODEL: f64 = 0.002;
/// A rim is looked for where levels and blur alone leave so much of the height, on the average over all places. A lens's or a slight
/// defocus's blur leaves up to 0.0009, a rim of 1.5 pixels from 0.0009 to 0.0025 (worked out by sums).
const NO_GAUSSIAN: f64 = 0.0008;
/// It is believed where it leaves half of that at the most, and less than this or than an eighth. Of a capture out of focus by six pixels and
/// more, or moved, it would leave more.
const WELL_TOLD: f64 = 0.001;
/// Furthest that an edge may lie from its line, in pixels.
const FURTHEST: f64 = 4.0;
/// Widths of rim to start from, in pixels.
const WIDTHS: [f64; 3] = [1.2, 3.0, 6.0];

/// Times that sides are tried from where other starts have them.
const ROUNDS: usize = 2;

/// Profiles across one side.
pub struct Side {
    /// Where each station lies along the side, -1 to 1.
    pub along: Vec<f64>,
    /// Transmittance every [`STEP`] pixels over [`SPAN`], a row for each station.
    pub profiles: Vec<Vec<f64>>,
}

/// What the sides show together.
pub struct Glass {
    /// For each station of each side the signed distance, positive inwards, from the line to where the glass begins; none where the
    /// station's own profile shows no edge near the side's.
    pub begins: Vec<Vec<Option<f64>>>,
    /// Standard deviation of the blur under a rim, in pixels; none where no rim is seen.
    pub rim_blur: Option<f64>,
}

/// None where too little of the sides is seen.
pub fn glass_begins(sides: &[Side]) -> Option<Glass> {
    let (places, pictures) = places(sides);
    let clean = Edges::fit(&places, &pictures)?;
    let left = clean.bias(&places);
    let rim = (left > NO_GAUSSIAN).then(|| clean.with_a_rim(&places, &pictures));
    let is_told = |rim: &Edges| {
        let is_nearer = rim.sloped(&places).0 < clean.sloped(&places).0;
        is_nearer && rim.bias(&places) < WELL_TOLD.max(left / 8.0).min(left / 2.0)
    };
    let edges = rim.filter(is_told).unwrap_or_else(|| clean.clone());
    let begins = |(index, side): (usize, &Side)| {
        let station = |(t, profile): (&f64, &Vec<f64>)| edges.read(index, *t, profile);
        side.along.iter().zip(&side.profiles).map(station).collect()
    };
    let rim_blur = edges.has_rim.then(|| edges.shared[0].exp());
    Some(Glass { begins: sides.par_iter().enumerate().map(begins).collect(), rim_blur })
}

/// The mean profile of some stations that lie together.
struct Place {
    side: usize,
    /// -1 to 1 along the side.
    along: f64,
    /// (distance, transmittance), from where the surround is even.
    profile: Vec<(f64, f64)>,
    height: f64,
    /// Standard deviation of a sample, the model's own errors among it.
    deviation: f64,
    /// Whether the surround is darker than the glass.
    is_dark: bool,
}

/// Places of all sides, and for each side where its picture may begin.
fn places(sides: &[Side]) -> (Vec<Place>, Vec<f64>) {
    let of = |(index, side): (usize, &Side)| {
        let place = side.along.len().div_ceil(PLACES).max(1);
        let stations = side.along.chunks(place).zip(side.profiles.chunks(place));
        let seen: Vec<(Place, f64)> =
            stations.filter_map(|(along, profiles)| Place::new(index, along, profiles)).collect();
        let picture = median(seen.iter().map(|(_, picture)| *picture).collect()).unwrap_or(SPAN.1);
        (seen.into_iter().map(|(place, _)| place).collect::<Vec<_>>(), picture)
    };
    let (places, starts): (Vec<_>, Vec<_>) = sides.par_iter().enumerate().map(of).unzip();
    (places.into_iter().flatten().collect(), starts)
}

impl Place {
    /// None where no edge is seen; with it where the picture may begin behind a rebate, at the profile's end if nowhere.
    fn new(side: usize, along: &[f64], profiles: &[Vec<f64>]) -> Option<(Place, f64)> {
        let (middle, noise) = mean(profiles)?;
        let index = |distance: f64| ((distance + SPAN.0) / STEP) as usize;
        let slope = |i: usize| (middle[i + 1] - middle[i - 1]) / (2.0 * STEP);
        let near = index(-3.5).max(1)..=index(3.5);
        let steepest = near.max_by(|&a, &b| slope(a).abs().total_cmp(&slope(b).abs()))?;
        let is_dark = slope(steepest) > 0.0;
        // Outwards until the step is over, and on while the surround is even.
        let outer = (1..steepest).rev().find(|&i| slope(i).abs() < 0.1 * slope(steepest).abs()).unwrap_or(0);
        let even = 0.04 * (middle[(steepest + 3).min(middle.len() - 1)] - middle[outer]).abs();
        let is_even = |i: &usize| (middle[*i] - middle[outer]).abs() < even.max(0.02 * middle[outer]);
        let from = (0..=outer).rev().take_while(is_even).last().unwrap_or(outer);
        // Inwards up the rebate's level, until it falls again.
        let mut inner = steepest;
        while !is_dark && inner + 1 < middle.len() && middle[inner + 1] < middle[inner] {
            inner += 1;
        }
        let mut most = middle[inner];
        let falls = (inner..middle.len()).find(|&i| {
            most = most.max(middle[i]);
            middle[i] < 0.97 * most
        });
        let distance = |i: usize| i as f64 * STEP - SPAN.0;
        let profile: Vec<(f64, f64)> = (from..middle.len()).map(|i| (distance(i), middle[i])).collect();
        let (least, most) = profile.iter().fold((f64::INFINITY, 0.0f64), |(a, b), p| (a.min(p.1), b.max(p.1)));
        let height = most - least;
        let along = along.iter().sum::<f64>() / along.len() as f64;
        let picture = falls.map_or(SPAN.1, distance);
        let place = Place { side, along, profile, height, deviation: MODEL * height + noise, is_dark };
        (height >= LEAST).then_some((place, picture))
    }
}

/// Mean of profiles and the standard deviation of its samples. A mean, not a median: a picture that runs to the edge is brighter at one
/// station than at the next, and only sums of like shapes are of that shape. Stations of another shape, at a chip, are left out.
fn mean(profiles: &[Vec<f64>]) -> Option<(Vec<f64>, f64)> {
    let of = |kept: &[&Vec<f64>]| -> Vec<f64> {
        (0..profiles[0].len()).map(|i| kept.iter().map(|p| p[i]).sum::<f64>() / kept.len() as f64).collect()
    };
    let mut kept: Vec<&Vec<f64>> = profiles.iter().collect();
    kept.first()?;
    let mut middle = of(&kept);
    let mut deviation = 0.0;
    for _ in 0..3 {
        let power: f64 = middle.iter().map(|m| m * m).sum();
        let off = |profile: &&Vec<f64>| {
            let share = profile.iter().zip(&middle).map(|(p, m)| p * m).sum::<f64>() / power.max(1e-12);
            let size: f64 = profile.iter().zip(&middle).map(|(p, m)| (p - share * m).powi(2)).sum();
            (size / middle.len() as f64).sqrt()
        };
        let offs: Vec<f64> = kept.iter().map(off).collect();
        deviation = median(offs.clone())?;
        let most = 4.0 * deviation + 1e-9;
        let next: Vec<&Vec<f64>> = kept.iter().zip(&offs).filter(|(_, off)| **off <= most).map(|(p, _)| *p).collect();
        if next.len() == kept.len() {
            break;
        }
        kept = next;
        middle = of(&kept);
    }
    Some((middle, deviation / (kept.len() as f64).sqrt()))
}

/// Parameters that all sides share, and that each has for itself.
const SHARED: usize = 4;
const OWN: usize = 5;
/// Of one place.
const LOCAL: usize = SHARED + OWN;

/// Blur and rim of all sides, as numbers that may take any value within [`LEAST_OF`] and [`MOST_OF`]: logarithms of blur, of the rim's width
/// and of the softness of its inner bound (pixels), logit of the share of light that the rim passes; for each side the edge's distance from
/// its line (constant, linear, square along it), how far behind it the picture begins, logarithm of that bound's softness.
#[derive(Clone)]
struct Edges {
    shared: SVector<f64, SHARED>,
    own: Vec<SVector<f64, OWN>>,
    has_rim: bool,
}

const LEAST_OF: [f64; LOCAL] = [-0.92, -2.3, -3.0, -2.0, -FURTHEST, -2.0, -1.0, 0.0, -1.2];
const MOST_OF: [f64; LOCAL] = [0.88, 2.4, 1.1, 2.0, FURTHEST, 2.0, 1.0, 14.0, 1.6];
/// Looseness of what is known without seeing: a rim passes a half of the light, give or take (in logit), an edge's line and bend are off by a
/// pixel or so, and a rail's shadow is soft by about a pixel and a half (in logarithm).
const PRIOR_PASSES: f64 = 1.0;
const PRIOR_BEND: f64 = 1.0;
const PRIOR_SOFT: (f64, f64) = (0.4, 3.0);

impl Edges {
    /// A usual blur on the lines themselves, without a rim.
    fn start(pictures: &[f64]) -> Edges {
        let own = |picture: &f64| SVector::from([0.0, 0.0, 0.0, picture.clamp(0.5, 12.0), PRIOR_SOFT.0]);
        let shared = SVector::from([-0.25, 0.0, -0.9, 0.0]);
        Edges { shared, own: pictures.iter().map(own).collect(), has_rim: false }
    }

    /// Without a rim; none where there are too few places to tell.
    fn fit(places: &[Place], pictures: &[f64]) -> Option<Edges> {
        const FEWEST: usize = 4;
        if places.len() < FEWEST {
            return None;
        }
        let mut edges = Edges::start(pictures);
        edges.settle(places, 15);
        Some(edges)
    }

    /// The best of several widths of rim, each tried for a few steps; pictures as [`places`] gave them.
    fn with_a_rim(&self, places: &[Place], pictures: &[f64]) -> Edges {
        // In a mask the step found is the middle of both flanks, or the outer one alone; beside bare panel it is the outer one and its dip.
        let is_dark = |side: usize| {
            let of_side = places.iter().filter(|p| p.side == side);
            of_side.map(|p| if p.is_dark { 1 } else { -1 }).sum::<i32>() > 0
        };
        let start = |(width, from_the_middle): (f64, bool)| {
            let mut edges = Edges { has_rim: true, ..Edges::start(pictures) };
            edges.shared[1] = width.ln();
            for (side, (own, clean)) in edges.own.iter_mut().zip(&self.own).enumerate() {
                own[0] = match (from_the_middle, is_dark(side)) {
                    (true, true) => clean[0] - 0.5 * width,
                    (true, false) => clean[0] + 0.3,
                    (false, _) => 0.0,
                };
            }
            let cost = edges.settle(places, 6);
            (edges, cost)
        };
        let starts: Vec<(f64, bool)> = WIDTHS.iter().flat_map(|width| [(*width, true), (*width, false)]).collect();
        let mut tried: Vec<(Edges, f64)> = starts.into_par_iter().map(start).collect();
        tried.sort_by(|a, b| a.1.total_cmp(&b.1));
        let mut edges = tried[0].0.clone();
        let mut best = edges.settle(places, 30);
        let others: Vec<&Edges> = tried.iter().map(|(edges, _)| edges).chain([self]).collect();
        for _ in 0..ROUNDS {
            let mut next = edges.with_sides_of(&others, places);
            let cost = next.settle(places, 30);
            if cost < best {
                (edges, best) = (next, cost);
            }
        }
        edges
    }

    /// Each side from where it lies best under this blur and rim: what one start found need not be the best for all sides.
    fn with_sides_of(&self, others: &[&Edges], places: &[Place]) -> Edges {
        let mut edges = self.clone();
        for side in 0..edges.own.len() {
            let cost_of = |own: &SVector<f64, OWN>| -> f64 {
                let mut moved = edges.clone();
                moved.own[side] = *own;
                places.iter().filter(|p| p.side == side).map(|p| cost(&moved.left(p, &moved.of(side)))).sum()
            };
            let tried = others.iter().map(|other| other.own[side]).chain([edges.own[side]]);
            let costs: Vec<_> = tried.map(|own| (own, cost_of(&own))).collect();
            let best = costs.into_iter().min_by(|a, b| a.1.total_cmp(&b.1));
            edges.own[side] = best.expect("its own place is among them").0;
        }
        edges
    }

    /// Damped Gauss-Newton steps; gives the cost reached.
    fn settle(&mut self, places: &[Place], steps: usize) -> f64 {
        let (mut cost, mut slopes) = self.sloped(places);
        let mut damping = 1e-3;
        for _ in 0..steps {
            let (mut normal, right) = slopes.clone();
            for k in 0..normal.nrows() {
                normal[(k, k)] += damping * normal[(k, k)] + 1e-9;
            }
            let Some(step) = normal.cholesky().map(|n| n.solve(&right)) else { break };
            let next = self.moved(&step);
            let (next_cost, next_slopes) = next.sloped(places);
            if next_cost < cost {
                let settled = cost - next_cost < 1e-4 * cost;
                *self = next;
                (cost, slopes) = (next_cost, next_slopes);
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
        cost
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

    /// Cost, and the normal equations: matrix and right side.
    fn sloped(&self, places: &[Place]) -> (f64, (DMatrix<f64>, DVector<f64>)) {
        type Local = (f64, SMatrix<f64, LOCAL, LOCAL>, SVector<f64, LOCAL>);
        let local = |place: &Place| -> Local {
            const STEP: f64 = 1e-4;
            let here = self.left(place, &self.of(place.side));
            let mut normal = SMatrix::zeros();
            let mut right = SVector::zeros();
            let beside: Vec<Option<Vec<f64>>> = (0..LOCAL)
                .map(|k| {
                    let mut numbers = self.of(place.side);
                    numbers[k] += STEP;
                    let is_free = self.has_rim || k == 0 || k >= SHARED;
                    is_free.then(|| self.left(place, &numbers))
                })
                .collect();
            // As a soft absolute value does it: a place twice its deviation off counts less and less.
            let weight = 1.0 / (1.0 + here.iter().map(|r| r * r).sum::<f64>() / 4.0).sqrt();
            for (i, r) in here.iter().enumerate() {
                let row = SVector::<f64, LOCAL>::from_fn(|k, _| beside[k].as_ref().map_or(0.0, |b| (b[i] - r) / STEP));
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
        shape.left(&place.profile).into_iter().map(|r| r / unit).collect()
    }

    /// Root mean square of what is left over of the height in the same way at all places: no noise, but another shape.
    fn bias(&self, places: &[Place]) -> f64 {
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
    fn read(&self, side: usize, along: f64, profile: &[f64]) -> Option<f64> {
        let mut shape = Shape::new(&self.of(side), along, self.has_rim);
        let expected = shape.at;
        // What lies further in tells nothing more of the edge, and a picture's own change there pulls.
        let inner =
            if self.has_rim { expected + shape.width + 3.0 * shape.inner_blur } else { expected + 3.0 * shape.blur };
        let samples = profile.iter().enumerate().map(|(i, t)| (i as f64 * STEP - SPAN.0, *t));
        let samples: Vec<(f64, f64)> = samples.filter(|(x, _)| *x <= inner + 1.0).collect();
        for _ in 0..4 {
            let here = shape.left(&samples);
            let beside = Shape { at: shape.at + 1e-3, ..shape }.left(&samples);
            let (mut slopes, mut right) = (1e-12, 0.0);
            for (b, h) in beside.iter().zip(&here) {
                let slope = (b - h) / 1e-3;
                slopes += slope * slope;
                right += slope * h;
            }
            let step = (right / slopes).clamp(-1.0, 1.0);
            shape.at -= step;
            if (shape.at - expected).abs() > FURTHEST {
                return None;
            }
            if step.abs() < 1e-3 {
                break;
            }
        }
        Some(shape.at)
    }
}

/// Of a place's residuals in its deviations: a soft absolute value of their size.
fn cost(left: &[f64]) -> f64 {
    8.0 * ((1.0 + left.iter().map(|r| r * r).sum::<f64>() / 4.0).sqrt() - 1.0)
}

/// A profile but for its levels.
#[derive(Clone, Copy)]
struct Shape {
    at: f64,
    blur: f64,
    /// Where the rim's inner bound lies behind the edge, its blur, and the share of light that the rim passes.
    width: f64,
    inner_blur: f64,
    passes: f64,
    /// Where the picture begins behind the edge, and that bound's blur.
    picture: f64,
    picture_blur: f64,
}

impl Shape {
    fn new(numbers: &[f64; LOCAL], along: f64, has_rim: bool) -> Shape {
        let [blur, width, soft, passes, constant, linear, square, picture, picture_soft] = *numbers;
        let blur = blur.exp();
        Shape {
            at: constant + along * (linear + along * square),
            blur,
            width: width.exp(),
            inner_blur: blur.hypot(soft.exp()),
            passes: if has_rim { 1.0 / (1.0 + (-passes).exp()) } else { 1.0 },
            picture,
            picture_blur: blur.hypot(picture_soft.exp()),
        }
    }

    /// Shares of surround, rebate and picture at a distance, and the picture's slope.
    fn parts(&self, x: f64) -> Vector4<f64> {
        let d = x - self.at;
        let glass = step(d, self.blur);
        let light = if self.passes < 1.0 {
            self.passes * glass + (1.0 - self.passes) * step(d - self.width, self.inner_blur)
        } else {
            glass
        };
        let behind = d - self.picture;
        let picture = light * step(behind, self.picture_blur);
        Vector4::new(1.0 - glass, light - picture, picture, picture * behind)
    }

    /// What the best levels leave over, sample by sample: model less profile. A picture that would pass more than its rebate is none.
    fn left(&self, profile: &[(f64, f64)]) -> Vec<f64> {
        let rows: Vec<Vector4<f64>> = profile.iter().map(|(x, _)| self.parts(*x)).collect();
        let solve = |fold: fn(&Vector4<f64>) -> Vector4<f64>| {
            let (mut normal, mut right) = (Matrix4::identity() * 1e-6, Vector4::zeros());
            for (row, (_, t)) in rows.iter().zip(profile) {
                let row = fold(row);
                normal += row * row.transpose();
                right += row * *t;
            }
            let levels = normal.cholesky().map_or_else(Vector4::zeros, |n| n.solve(&right));
            let left = rows.iter().zip(profile).map(|(row, (_, t))| fold(row).dot(&levels) - t).collect();
            (levels, left)
        };
        let (levels, left) = solve(|row| *row);
        if levels[2] <= levels[1] { left } else { solve(|row| Vector4::new(row[0], row[1] + row[2], 0.0, 0.0)).1 }
    }
}

/// A step under a blur of this standard deviation, at a distance from it. The blur is a lens's Gaussian and what sampling adds on the average
/// over a slanted side: the pixel's box and the tent of linear interpolation, together three boxes, whose fourth cumulant is -3/120. By
/// Edgeworth's series to that cumulant (Kendall & Stuart, *The Advanced Theory of Statistics* 1, § 6.18, from memory).
fn step(distance: f64, blur: f64) -> f64 {
    const SAMPLING: f64 = 0.5;
    let z = distance / blur;
    let excess = -0.025 / blur.max(SAMPLING).powi(4);
    let bell = 0.398_942_280_4 * (-0.5 * z * z).exp();
    normal(z) - excess / 24.0 * (z * z * z - 3.0 * z) * bell
}

/// The normal distribution's integral, by the logistic approximation of Page, Applied Statistics 26, 75 (1977) (from memory): within 2e-4.
fn normal(z: f64) -> f64 {
    1.0 / (1.0 + (-2.0 * 0.797_884_560_8 * z * (1.0 + 0.044_715 * z * z)).exp())
}

fn median(mut values: Vec<f64>) -> Option<f64> {
    let half = values.len() / 2;
    (!values.is_empty()).then(|| *values.select_nth_unstable_by(half, f64::total_cmp).1)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The mean of `level` at every sample under a lens's blur (a Gaussian of 0.5 pixels), a disc of so many pixels' radius, as a lens out
    /// of focus adds it, the pixel's own box and the tent of linear interpolation; worked out by sums.
    fn profile(level: impl Fn(f64) -> f64, disc: f64) -> Vec<f64> {
        blurred(level, Some(0.5), disc)
    }

    fn blurred(level: impl Fn(f64) -> f64, lens: Option<f64>, disc: f64) -> Vec<f64> {
        const FINE: usize = 20;
        let mut fine: Vec<f64> = {
            let reach = 10.0;
            let count = ((SPAN.0 + SPAN.1 + 2.0 * reach) * FINE as f64) as usize;
            // Between the places where a level may change.
            (0..=count).map(|i| level((i as f64 + 0.5) / FINE as f64 - SPAN.0 - reach)).collect()
        };
        let mut blurred = |kernel: &dyn Fn(f64) -> f64| {
            let half = 5 * FINE;
            let weights: Vec<f64> = (0..=2 * half).map(|k| kernel((k as f64 - half as f64) / FINE as f64)).collect();
            let all: f64 = weights.iter().sum();
            let at = |i: usize| {
                let sample = |k: usize| fine[(i + k).saturating_sub(half).min(fine.len() - 1)];
                weights.iter().enumerate().map(|(k, w)| w * sample(k)).sum::<f64>() / all
            };
            fine = (0..fine.len()).map(at).collect();
        };
        if let Some(deviation) = lens {
            blurred(&|x| (-0.5 * (x / deviation).powi(2)).exp());
        }
        blurred(&|x| if x.abs() < 0.51 { 1.0 } else { 0.0 });
        blurred(&|x| (1.0 - x.abs()).max(0.0));
        if disc > 0.0 {
            blurred(&|x| (disc * disc - x * x).max(0.0).sqrt());
        }
        let step = (STEP * FINE as f64) as usize;
        let at = |i: usize| (fine[10 * FINE + i * step - 1] + fine[10 * FINE + i * step]) / 2.0;
        (0..=((SPAN.0 + SPAN.1) / STEP) as usize).map(at).collect()
    }

    /// A side of 80 stations, from what each shows.
    fn side(station: impl Fn(usize) -> Vec<f64>) -> Side {
        Side { along: (0..80).map(|k| k as f64 / 40.0 - 0.9875).collect(), profiles: (0..80).map(station).collect() }
    }

    fn rim(rim: f64, width: f64, around: f64, at: f64) -> impl Fn(f64) -> f64 {
        move |x| match x - at {
            d if d < 0.0 => around,
            d if d < width => rim,
            _ => 0.74,
        }
    }

    /// The middle of what is found at a side's stations.
    fn found(sides: &[Side], index: usize) -> f64 {
        median(glass_begins(sides).unwrap().begins[index].iter().flatten().copied().collect()).unwrap()
    }

    #[test]
    fn a_rim_melted_into_the_step_is_told_from_it() {
        for (light, width, around) in [
            (0.56, 2.5, 1.0),
            (0.5, 1.5, 1.0),
            (0.6, 4.0, 1.0),
            (0.35, 2.5, 0.02),
            (0.35, 2.5, 0.0002),
            (0.35, 6.0, 1.0),
            (0.35, 7.5, 1.0),
            (0.4, 9.0, 1.0),
        ] {
            for at in [-0.4, 0.0, 0.6] {
                let one = profile(rim(light, width, around, at), 0.0);
                let found = found(&[side(|_| one.clone()), side(|_| one.clone())], 0);
                assert!((found - at).abs() < 0.12, "rim {light} of {width} px in {around}: {found} for {at}");
            }
        }
    }

    #[test]
    fn a_clean_step_is_left_where_it_is_whatever_the_blur() {
        for around in [1.0, 0.0002] {
            // Far out of focus a disc is no Gaussian, and what is found may be off by a tenth of it.
            for (disc, near) in [(0.0, 0.03), (1.0, 0.03), (4.0, 0.4)] {
                let one = profile(rim(0.74, 2.0, around, 0.2), disc);
                let found = found(&[side(|_| one.clone()), side(|_| one.clone())], 1);
                assert!((found - 0.2).abs() < near, "in {around}, disc {disc}: {found}");
            }
        }
    }

    /// As areas are averaged into pixels, with no lens at all.
    #[test]
    fn a_clean_step_that_only_sampling_blurs_is_left_where_it_is() {
        for around in [1.0, 0.0002] {
            let one = blurred(rim(0.74, 2.0, around, 0.2), None, 0.0);
            let found = found(&[side(|_| one.clone()), side(|_| one.clone())], 1);
            assert!((found - 0.2).abs() < 0.03, "in {around}: {found}");
        }
    }

    /// Where the picture runs to the edge, or begins five pixels behind it, its own rim can hardly be told; the stone was the same.
    #[test]
    fn a_side_without_a_rebate_is_placed_by_the_rim_of_the_others() {
        let around = 0.0002;
        let clear = profile(rim(0.33, 2.5, around, 0.0), 0.0);
        let level = |k: usize| 0.02 * (1.5 + (k as f64 * 0.7).sin());
        let dense = |k: usize| {
            let t = level(k);
            move |x: f64| if x < 0.3 { around } else { t * if x < 2.8 { 0.45 } else { 1.0 } }
        };
        let narrow = |k: usize| {
            let t = level(k);
            move |x: f64| match x - 0.3 {
                d if d < 0.0 => around,
                d if d < 2.5 => 0.33,
                d if d < 5.0 => 0.74,
                _ => t,
            }
        };
        for (name, picture) in
            [("dense", side(|k| profile(dense(k), 0.0))), ("narrow rebate", side(|k| profile(narrow(k), 0.0)))]
        {
            let sides = [side(|_| clear.clone()), picture, side(|_| clear.clone())];
            let (found, others) = (found(&sides, 1), found(&sides, 0));
            assert!((found - 0.3).abs() < 0.15, "{name}: {found}");
            assert!(others.abs() < 0.12, "{name}: others {others}");
        }
    }

    #[test]
    fn stations_at_a_chip_do_no_harm() {
        let clear = profile(rim(0.5, 1.5, 1.0, 0.0), 0.0);
        let chip = profile(rim(0.5, 1.5, 1.0, 3.5), 0.0);
        let sides =
            [side(|k| if (20..30).contains(&k) { chip.clone() } else { clear.clone() }), side(|_| clear.clone())];
        assert!(found(&sides, 0).abs() < 0.1, "{}", found(&sides, 0));
    }
}
