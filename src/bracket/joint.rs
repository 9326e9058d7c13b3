//! How the densities of two plates go together, and the figures that follow from it.
//!
//! In: [`Pair`]s of local means, of which some have moved. Out: a [`Relation`], D_B for each D_A; the slope in the mid densities; each with
//! a standard error. Fails when too few pairs are left to say anything.
//!
//! The relation is a line between knots, smooth because curves of plates are, fitted by least squares that let go of what lies far off (Tukey's biweight),
//! starting from the map that carries the one histogram into the other: leaves that change places leave histograms
//! as they are. Where so much of a range of densities moved that its pairs crowd round no one value (a sky whose clouds drifted), that map is
//! all there is, and the relation keeps to it. Standard errors come from drawing whole blocks of the scene again (bootstrap), as
//! neighbouring squares are not independent.

use super::cells::Pair;
use super::curve::SPEED_POINT;
use crate::error::Fault;
use nalgebra::{DMatrix, DVector};
use rand::{Rng, SeedableRng};
use rand_pcg::Pcg64;
use std::collections::{BTreeMap, BTreeSet};

/// Distance between knots, in density.
const STEP: f64 = 0.05;
/// What the relation's slope is believed to change by over one unit of density: from 1.5 in the toe to 0.5 on the shoulder
/// within half a unit. Beyond it smoothness yields to the data.
const BEND: f64 = 2.0;
/// Local means are not independent of their neighbours; this many count as one.
const ALIKE: f64 = 4.0;
/// First and least cut, in density: the first holds histograms that moved parts have upset, the least is twice the noise of a local mean.
const CUTS: (f64, f64) = (0.35, 0.02);
const TUKEY: f64 = 4.685;
/// Share of a block's pairs that may lie off the relation before the whole block counts as moved.
const UPSET: f64 = 0.5;
/// Width of the classes of D_A in which pairs are judged to crowd round one value or not.
const CLASS: f64 = 0.1;
/// Pairs crowd where, of those within eight scatters of the relation, more than this share lies within two: an even spread has a
/// quarter there, a normal scatter 95 %.
const CROWDED: f64 = 0.5;
/// How far histograms are trusted, one standard deviation in density: what drifts in and out of the picture.
const HISTOGRAM: f64 = 0.03;
const FEWEST: usize = 60;
/// Draws of the bootstrap: the standard error itself is then known to 6 %.
const DRAWS: usize = 150;

/// D_B as a function of D_A.
#[derive(Debug, Clone)]
pub struct Relation {
    first: f64,
    values: Vec<f64>,
    /// Standard error at each knot.
    errors: Vec<f64>,
    /// Share of the pairs near each knot.
    shares: Vec<f64>,
    /// Standard deviation of pairs about the relation.
    pub scatter: f64,
}

/// A figure and its standard error.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Figure {
    pub value: f64,
    pub error: f64,
}

impl Figure {
    /// With another error, independent of its own.
    pub fn with(self, error: f64) -> Figure {
        Figure { error: self.error.hypot(error), ..self }
    }
}

impl Relation {
    /// Densities of A that the relation was fitted over.
    pub fn range(&self) -> (f64, f64) {
        (self.first, self.first + STEP * (self.values.len() - 1) as f64)
    }

    /// Beyond the range it goes on straight.
    pub fn at(&self, a: f64) -> f64 {
        along(self.first, &self.values, a)
    }

    pub fn figure(&self, a: f64) -> Figure {
        Figure { value: self.at(a), error: along(self.first, &self.errors, a).abs() }
    }

    /// D_A, D_B, standard error of D_B, share of the pairs near.
    pub fn table(&self) -> Vec<[f64; 4]> {
        (0..self.values.len())
            .map(|i| [self.first + STEP * i as f64, self.values[i], self.errors[i], self.shares[i]])
            .collect()
    }
}

fn along(first: f64, values: &[f64], x: f64) -> f64 {
    let t = (x - first) / STEP;
    let i = t.floor().clamp(0.0, values.len() as f64 - 2.0);
    let (low, high) = (values[i as usize], values[i as usize + 1]);
    low + (t - i) * (high - low)
}

/// What pairs say, and which of them say it.
pub struct Joint {
    pub relation: Relation,
    /// Pairs that lie on the relation.
    pub used: Vec<Pair>,
    /// Share of the pairs that do not: moved, or spoilt.
    pub moved: f64,
    draws: Vec<Draw>,
    /// Pairs below A's speed point, of blocks that stayed in place: there A is blank or nearly so, and one D_A goes with many D_B.
    blank: Vec<Pair>,
}

/// One drawing of blocks: how often each block came up.
type Draw = BTreeMap<usize, f64>;

/// `carry`: the map that carries the histogram of A over the whole common area into B's.
pub fn joint(pairs: &[Pair], carry: impl Fn(f64) -> f64) -> Result<Joint, Fault> {
    if pairs.len() < FEWEST {
        return Err(too_few(pairs.len()));
    }
    let knots = Knots::over(pairs);
    let carried: Vec<f64> = (0..knots.count).map(|i| carry(knots.first + STEP * i as f64)).collect();
    let mut values = carried.clone();
    let mut cut = CUTS.0;
    let mut weights = vec![0.0; pairs.len()];
    let mut classes = Classes::default();
    let mut off = vec![0.0; pairs.len()];
    for _ in 0..25 {
        off = pairs.iter().map(|p| p.b - along(knots.first, &values, p.a)).collect();
        for ((w, p), off) in weights.iter_mut().zip(pairs).zip(&off) {
            *w = p.weight * (1.0 - (off / cut).powi(2)).max(0.0).powi(2);
        }
        let upset = upset(pairs.iter().zip(&off), cut);
        classes = Classes::of(pairs.iter().zip(&off).filter(|(p, _)| !upset.contains(&p.block)));
        let scatter = classes.scatter();
        let lost = |p: &Pair| upset.contains(&p.block) || !classes.crowded(p, scatter);
        weights.iter_mut().zip(pairs).filter(|(_, p)| lost(p)).for_each(|(w, _)| *w = 0.0);
        let next = (TUKEY * scatter).max(CUTS.1).max(0.7 * cut);
        let settled = (next - cut).abs() < 0.01 * cut;
        cut = next.min(CUTS.0);
        let mut sums = Sums::of(pairs, &weights, &knots);
        sums.lean(&carried, (cut / TUKEY).powi(2));
        values = sums.solve((cut / TUKEY).powi(2)).ok_or_else(|| too_few(pairs.len()))?;
        if settled {
            break;
        }
    }
    let told = |p: &Pair| p.a >= SPEED_POINT;
    let upset = upset(pairs.iter().zip(&off).filter(|(p, _)| told(p)), cut);
    let blank = pairs.iter().filter(|p| !told(p) && !upset.contains(&p.block)).copied().collect();
    let used: Vec<Pair> =
        pairs.iter().zip(weights).filter(|(_, w)| *w > 0.0).map(|(p, w)| Pair { weight: w, ..*p }).collect();
    if used.len() < FEWEST {
        return Err(too_few(used.len()));
    }
    let moved = 1.0 - used.len() as f64 / pairs.len() as f64;
    Ok(Joint { moved, ..finish(used, blank, &knots, values, &carried, &classes, cut / TUKEY) })
}

/// Sizes of the residuals of the pairs by classes of D_A.
#[derive(Default)]
struct Classes(BTreeMap<i32, Vec<f64>>);

impl Classes {
    fn name(a: f64) -> i32 {
        (a / CLASS).floor() as i32
    }

    fn of<'a>(pairs: impl Iterator<Item = (&'a Pair, &'a f64)>) -> Classes {
        let mut classes = BTreeMap::<i32, Vec<f64>>::new();
        pairs.for_each(|(p, off)| classes.entry(Self::name(p.a)).or_default().push(off.abs()));
        classes.values_mut().for_each(|v| v.sort_by(f64::total_cmp));
        Classes(classes)
    }

    /// Scatter of the pairs of one class, moved or not.
    fn spread(&self, a: f64) -> f64 {
        self.0.get(&Self::name(a)).map_or(0.0, |v| 1.4826 * v[v.len() / 2])
    }

    /// Scatter of pairs that stayed in place: that of the quieter classes, down to which a quarter of all pairs lie.
    fn scatter(&self) -> f64 {
        let mut each: Vec<(f64, usize)> = self.0.values().map(|v| (1.4826 * v[v.len() / 2], v.len())).collect();
        each.sort_by(|p, q| p.0.total_cmp(&q.0));
        let all: usize = each.iter().map(|e| e.1).sum();
        let mut seen = 0;
        each.iter()
            .find(|e| {
                seen += e.1;
                4 * seen >= all
            })
            .map_or(0.0, |e| e.0)
    }

    fn crowded(&self, pair: &Pair, scatter: f64) -> bool {
        let Some(sizes) = self.0.get(&Self::name(pair.a)) else { return false };
        // Four times the quiet scatter at the least, since shadows with leaves in them scatter more than a wall.
        let scatter = (2.0 * scatter).max(CUTS.1 / 4.0);
        let within = |d: f64| sizes.partition_point(|s| *s < d) as f64;
        within(2.0 * scatter) > CROWDED * within(8.0 * scatter).max(0.5 * sizes.len() as f64)
    }
}

fn finish(
    used: Vec<Pair>,
    blank: Vec<Pair>,
    knots: &Knots,
    mut values: Vec<f64>,
    carried: &[f64],
    classes: &Classes,
    scatter: f64,
) -> Joint {
    // More light never gives less density: a dip is noise.
    for i in 1..values.len() {
        values[i] = values[i].max(values[i - 1]);
    }
    let mut blocks: BTreeMap<usize, Sums> = BTreeMap::new();
    for pair in &used {
        blocks.entry(pair.block).or_insert_with(|| Sums::none(knots)).add(pair, pair.weight, knots);
    }
    let names: BTreeSet<usize> = blocks.keys().copied().chain(blank.iter().map(|p| p.block)).collect();
    let draws = draws(&names.into_iter().collect::<Vec<_>>());
    let mut squares = vec![0.0; values.len()];
    for draw in &draws {
        let mut sums = Sums::none(knots);
        draw.iter().filter_map(|(name, n)| Some((blocks.get(name)?, n))).for_each(|(block, n)| sums.join(block, *n));
        sums.lean(carried, scatter * scatter);
        if let Some(drawn) = sums.solve(scatter * scatter) {
            squares.iter_mut().zip(drawn.iter().zip(&values)).for_each(|(s, (d, v))| *s += (d - v).powi(2));
        }
    }
    let mut errors: Vec<f64> = squares.iter().map(|s| (s / draws.len() as f64).sqrt()).collect();
    let mut shares = vec![0.0; values.len()];
    let total: f64 = used.iter().map(|p| p.weight).sum();
    let nearest = |a: f64| (((a - knots.first) / STEP).round().max(0.0) as usize).min(knots.count - 1);
    used.iter().for_each(|p| shares[nearest(p.a)] += p.weight / total);
    // Knots that no pair stands for are no better known than histograms are, and those worse where much has changed.
    for (i, error) in errors.iter_mut().enumerate().filter(|(i, _)| shares[*i] == 0.0) {
        *error = error.max(HISTOGRAM).max(classes.spread(knots.first + STEP * i as f64) / 2.0);
    }
    Joint { relation: Relation { first: knots.first, values, errors, shares, scatter }, used, moved: 0.0, draws, blank }
}

impl Joint {
    /// Pairs that tell how two densities go together: on the relation above A's speed point, and below it all that stayed in place.
    pub fn told(&self) -> impl Iterator<Item = &Pair> {
        self.used.iter().filter(|p| p.a >= SPEED_POINT).chain(&self.blank)
    }

    /// Slope of D_B against D_A by least squares of the distances from the line (both scatter alike), over A's densities `from` to `to`.
    /// A pair lies where its foot on the relation lies: choosing by the scattered D_A itself would cut off its scatter
    /// and leave D_B's. None where fewer than thirty pairs lie there.
    pub fn slope(&self, from: f64, to: f64) -> Option<Figure> {
        let mut blocks: BTreeMap<usize, Moments> = BTreeMap::new();
        let mut count = 0;
        let foot = |p: &Pair| {
            let steep = (self.relation.at(p.a + STEP) - self.relation.at(p.a - STEP)) / (2.0 * STEP);
            p.a + (p.b - self.relation.at(p.a)) * steep / (1.0 + steep * steep)
        };
        for pair in self.used.iter().filter(|p| (from..=to).contains(&foot(p))) {
            blocks.entry(pair.block).or_default().add(pair.a, pair.b, pair.weight);
            count += 1;
        }
        if count < FEWEST / 2 {
            return None;
        }
        let slope = |times: &dyn Fn(usize) -> f64| {
            let mut sum = Moments::default();
            blocks.iter().for_each(|(name, m)| sum.join(m, times(*name)));
            sum.slope()
        };
        let value = slope(&|_| 1.0)?;
        let drawn: Vec<f64> =
            self.draws.iter().filter_map(|d| slope(&|name| d.get(&name).copied().unwrap_or(0.0))).collect();
        Some(Figure { value, error: deviation(&drawn, value) })
    }

    /// The drawings of blocks behind every standard error: what is [`Joint::told`] again, each pair as often as its block came up.
    pub fn drawn(&self, draw: usize) -> Vec<Pair> {
        let times = |p: &Pair| self.draws[draw % DRAWS].get(&p.block).copied().unwrap_or(0.0);
        self.told().map(|p| Pair { weight: p.weight * times(p), ..*p }).filter(|p| p.weight > 0.0).collect()
    }
}

fn deviation(drawn: &[f64], about: f64) -> f64 {
    (drawn.iter().map(|v| (v - about).powi(2)).sum::<f64>() / drawn.len().max(1) as f64).sqrt()
}

fn too_few(pairs: usize) -> Fault {
    Fault::new(
        format!("only {pairs} places of the common scene are even enough, in place and free of faults"),
        "compare plates that share more of the scene, or copy them sharper and cleaner",
    )
}

struct Knots {
    first: f64,
    count: usize,
}

impl Knots {
    /// From the least to the greatest D_A of the pairs, without a two-thousandth at either end.
    fn over(pairs: &[Pair]) -> Knots {
        let mut a: Vec<f64> = pairs.iter().map(|p| p.a).collect();
        a.sort_by(f64::total_cmp);
        let at = |share: f64| a[((a.len() - 1) as f64 * share).round() as usize];
        let first = (at(0.0005) / STEP).floor() * STEP;
        let count = (((at(0.9995) - first) / STEP).ceil() as usize).max(1) + 1;
        Knots { first, count }
    }

    /// The knot below a density and how far beyond it the density lies, in steps.
    fn place(&self, a: f64) -> Option<(usize, f64)> {
        let t = (a - self.first) / STEP;
        let i = t.floor();
        (i >= 0.0 && (i as usize) + 1 < self.count).then_some((i as usize, t - i))
    }
}

/// Blocks of which most pairs lie off the relation.
fn upset<'a>(pairs: impl Iterator<Item = (&'a Pair, &'a f64)>, cut: f64) -> BTreeSet<usize> {
    let mut counts: BTreeMap<usize, (f64, f64)> = BTreeMap::new();
    for (p, off) in pairs {
        let entry = counts.entry(p.block).or_default();
        entry.0 += 1.0;
        entry.1 += f64::from(u8::from(off.abs() > cut));
    }
    counts.into_iter().filter(|(_, (all, off))| off / all > UPSET).map(|(block, _)| block).collect()
}

/// Normal equations of a line between knots.
struct Sums {
    diagonal: Vec<f64>,
    beside: Vec<f64>,
    right: Vec<f64>,
}

impl Sums {
    fn none(knots: &Knots) -> Sums {
        Sums { diagonal: vec![0.0; knots.count], beside: vec![0.0; knots.count], right: vec![0.0; knots.count] }
    }

    fn of(pairs: &[Pair], weights: &[f64], knots: &Knots) -> Sums {
        let mut sums = Sums::none(knots);
        pairs.iter().zip(weights).for_each(|(p, w)| sums.add(p, *w, knots));
        sums
    }

    fn add(&mut self, pair: &Pair, weight: f64, knots: &Knots) {
        let Some((i, t)) = knots.place(pair.a) else { return };
        self.diagonal[i] += weight * (1.0 - t) * (1.0 - t);
        self.diagonal[i + 1] += weight * t * t;
        self.beside[i] += weight * t * (1.0 - t);
        self.right[i] += weight * (1.0 - t) * pair.b;
        self.right[i + 1] += weight * t * pair.b;
    }

    fn join(&mut self, other: &Sums, times: f64) {
        let add = |to: &mut Vec<f64>, from: &Vec<f64>| to.iter_mut().zip(from).for_each(|(t, f)| *t += times * f);
        add(&mut self.diagonal, &other.diagonal);
        add(&mut self.beside, &other.beside);
        add(&mut self.right, &other.right);
    }

    /// Leans every knot on the histograms' map, by as much as that is trusted; a few pairs already outweigh it.
    fn lean(&mut self, carried: &[f64], variance: f64) {
        let weight = variance * ALIKE / (HISTOGRAM * HISTOGRAM);
        self.diagonal.iter_mut().for_each(|d| *d += weight);
        self.right.iter_mut().zip(carried).for_each(|(r, v)| *r += weight * v);
    }

    /// Values at the knots; `variance` of one pair.
    fn solve(&self, variance: f64) -> Option<Vec<f64>> {
        let n = self.diagonal.len();
        let scale = 1.0 / (variance * ALIKE);
        let mut matrix = DMatrix::<f64>::zeros(n, n);
        for i in 0..n {
            matrix[(i, i)] += scale * self.diagonal[i];
            if i + 1 < n {
                matrix[(i, i + 1)] += scale * self.beside[i];
                matrix[(i + 1, i)] += scale * self.beside[i];
            }
        }
        // Second differences are believed to be BEND × STEP², one standard deviation.
        let belief = 1.0 / (BEND * STEP * STEP).powi(2);
        for i in 1..n.saturating_sub(1) {
            for (j, p) in [(i - 1, 1.0), (i, -2.0), (i + 1, 1.0)] {
                for (k, q) in [(i - 1, 1.0), (i, -2.0), (i + 1, 1.0)] {
                    matrix[(j, k)] += belief * p * q;
                }
            }
        }
        let right = DVector::from_iterator(n, self.right.iter().map(|v| v * scale));
        Some(matrix.cholesky()?.solve(&right).iter().copied().collect())
    }
}

/// Sums of a block's pairs up to the second order.
#[derive(Default)]
struct Moments {
    weight: f64,
    a: f64,
    b: f64,
    aa: f64,
    ab: f64,
    bb: f64,
}

impl Moments {
    fn add(&mut self, a: f64, b: f64, w: f64) {
        self.weight += w;
        self.a += w * a;
        self.b += w * b;
        self.aa += w * a * a;
        self.ab += w * a * b;
        self.bb += w * b * b;
    }

    fn join(&mut self, o: &Moments, times: f64) {
        self.weight += times * o.weight;
        self.a += times * o.a;
        self.b += times * o.b;
        self.aa += times * o.aa;
        self.ab += times * o.ab;
        self.bb += times * o.bb;
    }

    /// Slope of the principal axis.
    fn slope(&self) -> Option<f64> {
        let (w, ma, mb) = (self.weight, self.a / self.weight, self.b / self.weight);
        let (aa, ab, bb) = (self.aa / w - ma * ma, self.ab / w - ma * mb, self.bb / w - mb * mb);
        let slope = (bb - aa + ((bb - aa).powi(2) + 4.0 * ab * ab).sqrt()) / (2.0 * ab);
        slope.is_finite().then_some(slope)
    }
}

/// Blocks drawn with replacement, from a literal seed.
fn draws(names: &[usize]) -> Vec<Draw> {
    let mut rng = Pcg64::seed_from_u64(0x51ed_270b);
    (0..DRAWS)
        .map(|_| {
            let mut draw = Draw::new();
            names.iter().for_each(|_| *draw.entry(names[rng.random_range(0..names.len())]).or_default() += 1.0);
            draw
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand_distr::{Distribution, Normal};

    /// Pairs on a known relation with equal scatter in both; a share of them moved.
    fn made(relation: fn(f64) -> f64, moved: f64) -> Vec<Pair> {
        let mut rng = Pcg64::seed_from_u64(12);
        let noise = Normal::new(0.0, 0.012).unwrap();
        (0..12000)
            .map(|i| {
                let block = i / 60;
                // Whole blocks move, as trees do.
                let away = (block as f64 * 0.618).fract() < moved;
                let a: f64 = rng.random_range(0.02..1.9);
                let of: f64 = if away { rng.random_range(0.02..1.9) } else { a };
                let (x, y) = (noise.sample(&mut rng), noise.sample(&mut rng));
                Pair { a: a + x, b: relation(of) + y, weight: 1.0, row: 0, column: i, block }
            })
            .collect()
    }

    /// Moved squares hold densities of the same scene, so the histograms' map is the relation itself; here it starts a little off.
    fn carry(relation: fn(f64) -> f64) -> impl Fn(f64) -> f64 {
        move |a| relation(a) + 0.02
    }

    /// A closed form: the relation and its orthogonal slope are those put in, though two fifths of the scene moved.
    #[test]
    fn the_relation_comes_back_though_two_fifths_moved() {
        let relation = |a: f64| 0.08 + 1.25 * a - 0.1 * a * a;
        for moved in [0.0, 0.4] {
            let joint = joint(&made(relation, moved), carry(relation)).unwrap();
            for i in 1..18 {
                let a = i as f64 * 0.1;
                let got = joint.relation.figure(a);
                assert!((got.value - relation(a)).abs() < 0.006, "at {a}: {got:?}, wanted {}", relation(a));
                assert!(got.error < 0.006, "at {a}: {got:?}");
            }
            assert!((joint.moved - moved).abs() < 0.06, "moved {:.2}", joint.moved);
            // Mean slope of the relation over 0.5 to 1.5 is that of its chord for an even spread: 1.25 - 0.2.
            let slope = joint.slope(0.5, 1.5).unwrap();
            assert!((slope.value - 1.05).abs() < 0.01 && slope.error < 0.01, "{slope:?}");
        }
    }

    /// Scatter in both plates flattens an ordinary regression; the orthogonal one keeps the slope of 1, to four standard errors.
    #[test]
    fn scatter_does_not_flatten_the_slope() {
        let slope = joint(&made(|a| a, 0.0), carry(|a| a)).unwrap().slope(0.3, 0.9).unwrap();
        assert!((slope.value - 1.0).abs() < 4.0 * slope.error && slope.error < 0.002, "{slope:?}");
    }

    #[test]
    fn too_few_pairs_are_a_fault() {
        assert!(joint(&made(|a| a, 0.0)[..30], |a| a).is_err());
    }
}
