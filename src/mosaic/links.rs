//! Links: which tiles show the same part of the plate, and roughly how one lies on the other.
//!
//! In: the [`Features`] of two reduced tiles. Out: a [`Link`] with its matched corners, accepted or not; the number of matches is
//! kept either way, so that a message can say what was seen. Nothing here fails.
//! Method: nearest surroundings, each the other's best and clearly better than the second (Lowe 2004); a similarity by RANSAC
//! (Fischler & Bolles 1981) with a fixed seed; accepted by Brown & Lowe's count (2007), inliers > 8 + 0.3 × matches in the overlap.
//!
//! What is fixed to the sensor (dust that the blank did not take out) lies at the same place in every tile: matches with no
//! shift and no turn are set aside before anything is fitted. Only where nearly everything matches in that way are two tiles the
//! same one copied twice.

use super::features::{Features, turn_between};
use crate::geometry::Point;
use crate::image::Size;
use nalgebra::DMatrix;
use rand::{Rng, SeedableRng};
use rand_pcg::Pcg64Mcg;

/// Two tiles that may touch.
#[derive(Debug, Clone)]
pub struct Link {
    pub a: usize,
    pub b: usize,
    /// Matched corners that agree with one similarity, in reduced pixels of `a` and of `b`.
    pub pairs: Vec<(Point, Point)>,
    /// From reduced pixels of `a` to those of `b`.
    pub map: Similarity,
    /// Matches before the similarity was asked for.
    pub matches: usize,
    /// Share of the tile that both see.
    pub overlap: f64,
    pub accepted: bool,
}

/// Turn, scale and shift: (x, y) to (a x − b y + x0, b x + a y + y0).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Similarity {
    pub a: f64,
    pub b: f64,
    pub shift: Point,
}

impl Similarity {
    pub fn apply(&self, p: Point) -> Point {
        Point::new(self.a * p.x - self.b * p.y, self.b * p.x + self.a * p.y) + self.shift
    }

    pub fn scale(&self) -> f64 {
        self.a.hypot(self.b)
    }

    pub fn turn(&self) -> f64 {
        self.b.atan2(self.a)
    }

    /// Least squares over two or more pairs; none if they coincide.
    pub fn fit<'p>(pairs: impl Iterator<Item = &'p (Point, Point)> + Clone) -> Option<Similarity> {
        let n = pairs.clone().count() as f64;
        let sum = pairs.clone().fold((Point::default(), Point::default()), |s, p| (s.0 + p.0, s.1 + p.1));
        let (from, to) = (sum.0 * (1.0 / n), sum.1 * (1.0 / n));
        let (mut dot, mut cross, mut norm) = (0.0, 0.0, 0.0);
        for (p, q) in pairs {
            let (p, q) = (*p - from, *q - to);
            dot += p.x * q.x + p.y * q.y;
            cross += p.x * q.y - p.y * q.x;
            norm += p.x * p.x + p.y * p.y;
        }
        if norm < 1e-9 || !norm.is_finite() {
            return None;
        }
        let turned = Similarity { a: dot / norm, b: cross / norm, shift: Point::default() };
        Some(Similarity { shift: to - turned.apply(from), ..turned })
    }
}

/// A match counts if the second best is farther than the best by this factor (as distances between unit vectors).
const CLEARLY_BETTER: f32 = 0.88;
/// Share of the diagonal within which a match agrees with a similarity: a lens that bends by a tenth in its corners makes up
/// to this much between two neighbours.
const AGREES: f64 = 0.02;
/// Scales that tiles of one plate may differ by, hand-held.
const SCALES: std::ops::Range<f64> = 0.85..1.18;
/// Radians by which a corner's own direction may differ from the similarity's.
const TURN_AGREES: f64 = 0.45;
/// Most and fewest trials, and how likely all of them may miss.
const TRIALS: usize = 1500;
const LEAST_TRIALS: usize = 60;
const MISSED: f64 = 1e-6;
/// Share of the diagonal below which a shift is none.
const STANDS_STILL: f64 = 0.006;

/// Words of one tile that are compared with all of another at once.
const AT_ONCE: usize = 48;

/// Looks for the second tile in the first.
pub fn link(a: (usize, &Features), b: (usize, &Features), size: Size) -> Link {
    let diagonal = (size.rows as f64).hypot(size.columns as f64);
    let (fa, fb) = (a.1, b.1);
    let none = Similarity { a: 1.0, b: 0.0, shift: Point::default() };
    let mut link = Link { a: a.0, b: b.0, pairs: vec![], map: none, matches: 0, overlap: 0.0, accepted: false };
    let all = alike((&fa.places, &fa.words), (&fb.places, &fb.words));
    let still = |m: &(usize, usize)| {
        fa.places[m.0].distance(fb.places[m.1]) < STANDS_STILL * diagonal
            && turn_between(fa.turns[m.0], fb.turns[m.1]).abs() < 0.2
    };
    let moving: Vec<(usize, usize)> = all.iter().copied().filter(|m| !still(m)).collect();
    // A copy made twice matches at no shift nearly everywhere; dust does so at a few places.
    let standing = all.len() - moving.len();
    let twice = standing >= 40 && standing * 2 > all.len() && standing * 5 > fa.places.len().min(fb.places.len());
    let matches = if twice { all } else { moving };
    link.matches = matches.len();
    let tolerance = AGREES * diagonal;
    let Some((map, inliers)) = ransac(fa, fb, &matches, tolerance) else { return link };
    link.map = map;
    link.pairs = inliers.iter().map(|m| (fa.places[m.0], fb.places[m.1])).collect();
    link.overlap = overlap(&map, size);
    let inside = |p: Point| p.x > 0.0 && p.y > 0.0 && p.x < size.columns as f64 && p.y < size.rows as f64;
    let expected = matches.iter().filter(|m| inside(map.apply(fa.places[m.0]))).count();
    link.accepted = link.pairs.len() as f64 > 8.0 + 0.3 * expected as f64;
    link
}

/// Corners (places and words) that are each other's best match.
pub fn alike(a: (&[Point], &DMatrix<f32>), b: (&[Point], &DMatrix<f32>)) -> Vec<(usize, usize)> {
    let ((a, a_words), (b, b_words)) = (a, b);
    if a.is_empty() || b.is_empty() {
        return Vec::new();
    }
    let mut best_of_b = vec![(f32::MIN, usize::MAX); b.len()];
    let mut best_of_a = Vec::with_capacity(a.len());
    // Cosines of the angles between words: rows for b, columns for a; some columns at a time, so that they stay in the cache.
    let b_words = b_words.transpose();
    for from in (0..a.len()).step_by(AT_ONCE) {
        let cosines = &b_words * a_words.columns(from, AT_ONCE.min(a.len() - from));
        for (i, column) in (from..).zip(cosines.as_slice().chunks_exact(b.len())) {
            for (best, v) in best_of_b.iter_mut().zip(column) {
                *best = if *v > best.0 { (*v, i) } else { *best };
            }
            let first = greatest(column);
            let at = column.iter().position(|v| *v == first).unwrap_or(0);
            // The same corner with another direction is not a rival; its words lie side by side.
            let same = |j: &usize| b[*j] == b[at];
            let before = (0..at).rev().take_while(same).count();
            let after = (at + 1..column.len()).take_while(same).count();
            let second = greatest(&column[..at - before]).max(greatest(&column[at + 1 + after..]));
            best_of_a.push((first, second, at));
        }
    }
    let distance = |cosine: f32| (2.0 - 2.0 * cosine.min(1.0)).sqrt();
    let mut pairs: Vec<(usize, usize)> = Vec::new();
    for (i, (first, second, j)) in best_of_a.into_iter().enumerate() {
        let mutual = best_of_b[j].1 == i;
        let clear = distance(first) < CLEARLY_BETTER * distance(second.max(-1.0));
        let known = pairs.last().is_some_and(|l| a[l.0] == a[i] && b[l.1] == b[j]);
        if mutual && clear && !known {
            pairs.push((i, j));
        }
    }
    pairs
}

/// By lanes, as a processor compares them.
fn greatest(values: &[f32]) -> f32 {
    let (chunks, rest) = values.as_chunks::<16>();
    let mut lanes = [f32::MIN; 16];
    for chunk in chunks {
        for (lane, v) in lanes.iter_mut().zip(chunk) {
            *lane = if *v > *lane { *v } else { *lane };
        }
    }
    lanes.iter().chain(rest).copied().fold(f32::MIN, f32::max)
}

type Matches = Vec<(usize, usize)>;

fn ransac(fa: &Features, fb: &Features, matches: &Matches, tolerance: f64) -> Option<(Similarity, Matches)> {
    if matches.len() < 4 {
        return None;
    }
    let agreeing = |map: &Similarity, within: f64| -> Matches {
        let turn = map.turn();
        let agrees = |m: &&(usize, usize)| {
            map.apply(fa.places[m.0]).distance(fb.places[m.1]) < within
                && turn_between(turn, turn_between(fa.turns[m.0], fb.turns[m.1])).abs() < TURN_AGREES
        };
        matches.iter().filter(agrees).copied().collect()
    };
    let place = |m: &(usize, usize)| (fa.places[m.0], fb.places[m.1]);
    let mut random = Pcg64Mcg::seed_from_u64(0x71_1e5);
    let mut best: Matches = Vec::new();
    let mut trials = TRIALS;
    let mut tried = 0;
    while tried < trials {
        tried += 1;
        let (i, j) = (random.random_range(0..matches.len()), random.random_range(0..matches.len()));
        let two = [place(&matches[i]), place(&matches[j])];
        if i == j || two[0].0.distance(two[1].0) < 2.0 * tolerance {
            continue;
        }
        let Some(map) = Similarity::fit(two.iter()).filter(|m| SCALES.contains(&m.scale())) else { continue };
        let found = agreeing(&map, tolerance);
        if found.len() > best.len() {
            // As many as find a pair of true matches with this certainty (Fischler & Bolles 1981).
            let share = found.len() as f64 / matches.len() as f64;
            let needed = MISSED.ln() / (1.0 - share * share).max(1e-12).ln();
            trials = trials.min(needed.ceil() as usize).max(LEAST_TRIALS);
            best = found;
        }
    }
    for _ in 0..3 {
        let pairs: Vec<_> = best.iter().map(place).collect();
        let map = Similarity::fit(pairs.iter()).filter(|m| SCALES.contains(&m.scale()))?;
        let found = agreeing(&map, tolerance);
        if found.len() < 4 {
            return None;
        }
        if found == best {
            break;
        }
        best = found;
    }
    let pairs: Vec<_> = best.iter().map(place).collect();
    Some((Similarity::fit(pairs.iter())?, best))
}

/// Share of a tile whose places fall into the other, on a lattice of 40 × 40.
fn overlap(map: &Similarity, size: Size) -> f64 {
    const N: usize = 40;
    let (w, h) = (size.columns as f64, size.rows as f64);
    let hits = (0..N * N)
        .filter(|k| {
            let p = Point::new((k % N) as f64 + 0.5, (k / N) as f64 + 0.5) * (1.0 / N as f64);
            let q = map.apply(Point::new(p.x * w, p.y * h));
            q.x > 0.0 && q.y > 0.0 && q.x < w && q.y < h
        })
        .count();
    hits as f64 / (N * N) as f64
}
