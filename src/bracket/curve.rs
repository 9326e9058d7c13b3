//! The characteristic curve that a bracket has measured.
//!
//! In: local densities of the same places in two plates or more, and how much more light each plate got than the first. Out: a
//! [`Recovered`] curve, density above base against log10 of exposure, over the exposures that the plates span between them. None, with
//! the reason, where exposures are too alike or too few densities are seen.
//!
//! P. E. Debevec and J. Malik (*Recovering high dynamic range radiance maps from photographs*, SIGGRAPH 1997) find a response and the
//! exposures of all places at once by least squares with a smooth response. Here the residuals are those of density, where
//! the plates' noise is, rather than of log exposure, which toe and shoulder stretch without end; the smoothness is that of a curve
//! whose slope wanders (Wahba, *Spline Models for Observational Data*, 1990, ch. 1); and the curve is held to
//! rise and to stay above the base. What a bracket leaves open is told, not hidden: a ripple with the period of the step
//! between exposures would change nothing in the data, and only smoothness speaks against it; the zero of log exposure
//! is not in the data at all; and every error of the noted step stretches the whole scale.

use nalgebra::{DMatrix, DVector};

/// Distance between knots, log10 H.
const STEP: f64 = 0.04;
/// How far the slope wanders over one unit of log10 H, one standard deviation: a toe goes from 0 to 0.8 within half a unit.
const WANDER: f64 = 1.0;
/// Width of the classes of mean density that are each reduced to one place.
const CLASS: f64 = 0.03;
/// Error that many places share and their number does not lessen: base, glare, misplacing.
const COMMON_ERROR: f64 = 0.003;
/// Scatter of one local mean, and how many of them count as one.
const SCATTER: f64 = 0.02;
const ALIKE: f64 = 4.0;
/// Below this density in every plate a place says nothing about its exposure.
const LEAST_DENSITY: f64 = 0.03;
/// Least step between exposures, log10 H: a sixth of a stop. Below it, the notes' own error is as large.
pub const LEAST_STEP: f64 = 0.05;
/// Places that a class must have.
const LEAST_WEIGHT: f64 = 6.0;
const FEWEST_CLASSES: usize = 8;
const ROUNDS: usize = 40;
/// Speed point: density above base plus fog (ISO 6).
pub const SPEED_POINT: f64 = 0.10;
/// Span of log10 H from the speed point over which a mean gradient is taken (ISO 6).
const GRADIENT_SPAN: f64 = 1.30;

/// The same place in all plates.
#[derive(Debug, Clone)]
pub struct Place {
    pub densities: Vec<f64>,
    pub weight: f64,
}

/// Density above base against log10 of exposure. Zero lies at the speed point where the curve reaches it, else at its lowest point.
#[derive(Debug, Clone)]
pub struct Recovered {
    first: f64,
    values: Vec<f64>,
    /// Whether the curve reaches down to the speed point.
    pub reaches_speed_point: bool,
    /// Root mean square of the classes' densities about the curve.
    pub rms: f64,
}

impl Recovered {
    pub fn points(&self) -> Vec<[f64; 2]> {
        self.values.iter().enumerate().map(|(i, d)| [self.first + STEP * i as f64, *d]).collect()
    }

    /// log10 H over which plates have recorded something.
    pub fn range(&self) -> (f64, f64) {
        (self.first, self.first + STEP * (self.values.len() - 1) as f64)
    }

    /// None outside the range.
    pub fn density(&self, log_h: f64) -> Option<f64> {
        let t = (log_h - self.first) / STEP;
        let last = self.values.len() - 1;
        if t < -1e-9 || t > last as f64 + 1e-9 {
            return None;
        }
        let i = (t.floor().max(0.0) as usize).min(last - 1);
        Some(self.values[i] + (t - i as f64) * (self.values[i + 1] - self.values[i]))
    }

    /// log10 H at which the curve reaches a density; none outside its range.
    pub fn log_h(&self, density: f64) -> Option<f64> {
        let i = self.values.windows(2).position(|w| w[0] <= density && density <= w[1] && w[1] > w[0])?;
        let t = (density - self.values[i]) / (self.values[i + 1] - self.values[i]);
        Some(self.first + STEP * (i as f64 + t))
    }

    /// Gradient over the two knots about log10 H, clamped to the range.
    pub fn slope(&self, log_h: f64) -> f64 {
        let i = (((log_h - self.first) / STEP).max(0.0) as usize).min(self.values.len() - 2);
        (self.values[i + 1] - self.values[i]) / STEP
    }

    /// Mean gradient from the speed point over 1.30 of log10 H, or over what of that the curve spans, and that span.
    pub fn mean_gradient(&self) -> (f64, [f64; 2]) {
        let (low, high) = self.range();
        let from = if self.reaches_speed_point { 0.0f64.max(low) } else { low };
        let to = (from + GRADIENT_SPAN).min(high);
        let rise = self.density(to).unwrap_or(0.0) - self.density(from).unwrap_or(0.0);
        (rise / (to - from), [from, to])
    }

    /// Density from which on the slope is less than half of its greatest; none if the curve does not come so far.
    pub fn shoulder(&self) -> Option<f64> {
        // Over four knots, so that noise makes no shoulder.
        let slope = |i: usize| (self.values[i + 4] - self.values[i]) / (4.0 * STEP);
        let slopes: Vec<f64> = (0..self.values.len().saturating_sub(4)).map(slope).collect();
        let steepest = (0..slopes.len()).max_by(|i, j| slopes[*i].total_cmp(&slopes[*j]))?;
        (steepest..slopes.len()).find(|i| slopes[*i] < 0.5 * slopes[steepest]).map(|i| self.values[i + 2])
    }
}

/// `steps`: log10 of each plate's exposure over the first's, so that `steps[0]` is 0.
pub fn recover(places: &[Place], steps: &[f64]) -> Result<Recovered, String> {
    let widest =
        steps.iter().copied().fold(f64::NEG_INFINITY, f64::max) - steps.iter().copied().fold(f64::INFINITY, f64::min);
    if widest < LEAST_STEP {
        return Err("the exposures differ by less than a sixth of a stop".into());
    }
    let classes = classes(places);
    if classes.len() < FEWEST_CLASSES {
        return Err("too few densities are seen on both plates".into());
    }
    let mut fit = Fit::start(classes, steps.to_vec(), widest);
    fit.settle().ok_or("the densities do not go together as one curve")?;
    Ok(fit.recovered())
}

/// Places of like density made one: robust means.
struct Class {
    densities: Vec<f64>,
    sd: f64,
}

fn classes(places: &[Place]) -> Vec<Class> {
    let mean = |p: &Place| p.densities.iter().sum::<f64>() / p.densities.len() as f64;
    let mut sorted: Vec<(f64, &Place)> = places.iter().map(|p| (mean(p), p)).collect();
    sorted.sort_by(|p, q| p.0.total_cmp(&q.0));
    sorted
        .chunk_by(|p, q| (p.0 / CLASS).floor() == (q.0 / CLASS).floor())
        .filter_map(|group| {
            let plates = group[0].1.densities.len();
            let weight: f64 = group.iter().map(|(_, p)| p.weight).sum();
            let densities: Vec<f64> = (0..plates).map(|j| centre(group, j)).collect();
            let seen = densities.iter().copied().fold(0.0, f64::max) > LEAST_DENSITY;
            let sd = (COMMON_ERROR.powi(2) + SCATTER.powi(2) * ALIKE / weight.max(1.0)).sqrt();
            (seen && weight >= LEAST_WEIGHT).then_some(Class { densities, sd })
        })
        .collect()
}

/// Weighted mean about the weighted median, without what lies more than three scatters off.
fn centre(group: &[(f64, &Place)], plate: usize) -> f64 {
    let mut values: Vec<(f64, f64)> = group.iter().map(|(_, p)| (p.densities[plate], p.weight)).collect();
    values.sort_by(|p, q| p.0.total_cmp(&q.0));
    let half = values.iter().map(|v| v.1).sum::<f64>() / 2.0;
    let mut sum = 0.0;
    let median = values
        .iter()
        .find(|v| {
            sum += v.1;
            sum >= half
        })
        .map_or(0.0, |v| v.0);
    let near = values.iter().filter(|v| (v.0 - median).abs() < 3.0 * SCATTER);
    let (total, weight) = near.fold((0.0, 0.0), |(t, w), v| (t + v.0 * v.1, w + v.1));
    if weight > 0.0 { total / weight } else { median }
}

/// The curve's knots and the places' exposures, on their way.
struct Fit {
    classes: Vec<Class>,
    steps: Vec<f64>,
    exposures: Vec<f64>,
    first: f64,
    values: Vec<f64>,
}

impl Fit {
    /// Starts from slopes: the difference between two plates over the step between them is the curve's slope near their mean.
    fn start(classes: Vec<Class>, steps: Vec<f64>, widest: f64) -> Fit {
        let extreme = |most: bool| {
            let better = |i: usize, j: usize| if most { steps[i] > steps[j] } else { steps[i] < steps[j] };
            (1..steps.len()).fold(0, |best, i| if better(i, best) { i } else { best })
        };
        let (least, most) = (extreme(false), extreme(true));
        let mean = |c: &Class| c.densities.iter().sum::<f64>() / c.densities.len() as f64;
        let mut exposures = vec![0.0; classes.len()];
        for k in 1..classes.len() {
            let slope = |c: &Class| ((c.densities[most] - c.densities[least]) / widest).max(0.08);
            let between = (slope(&classes[k]) + slope(&classes[k - 1])) / 2.0;
            exposures[k] = exposures[k - 1] + (mean(&classes[k]) - mean(&classes[k - 1])).max(0.0) / between;
        }
        let low = steps.iter().copied().fold(f64::INFINITY, f64::min) - 0.4;
        let high = exposures[classes.len() - 1] + steps.iter().copied().fold(f64::NEG_INFINITY, f64::max) + 0.4;
        let count = ((high - low) / STEP).ceil() as usize + 1;
        Fit { classes, steps, exposures, first: low, values: vec![0.0; count] }
    }

    fn place(&self, log_h: f64) -> (usize, f64) {
        let t = ((log_h - self.first) / STEP).clamp(0.0, self.values.len() as f64 - 1.000_001);
        (t.floor() as usize, t - t.floor())
    }

    fn at(&self, log_h: f64) -> f64 {
        let (i, t) = self.place(log_h);
        self.values[i] + t * (self.values[i + 1] - self.values[i])
    }

    /// Gauss–Newton on knots and exposures together; the first round sets the knots alone.
    fn settle(&mut self) -> Option<()> {
        self.round(true, 0.0)?;
        let mut cost = self.cost();
        let mut damping = 1e-3;
        for _ in 0..ROUNDS {
            let before = (self.values.clone(), self.exposures.clone());
            self.round(false, damping)?;
            let now = self.cost();
            if now > cost {
                (self.values, self.exposures) = before;
                damping *= 10.0;
                if damping > 1e6 {
                    break;
                }
                continue;
            }
            let gained = (cost - now) / cost.max(1e-12);
            (cost, damping) = (now, (damping * 0.2).max(1e-9));
            if gained < 1e-7 {
                break;
            }
        }
        Some(())
    }

    fn wander_weight() -> f64 {
        1.0 / (WANDER * WANDER * STEP.powi(3))
    }

    /// What speaks against a curve that falls, or lies below the base.
    fn bound_weight() -> f64 {
        1.0 / (COMMON_ERROR * 0.3f64).powi(2)
    }

    fn cost(&self) -> f64 {
        let mut sum = 0.0;
        for (class, e) in self.classes.iter().zip(&self.exposures) {
            for (d, step) in class.densities.iter().zip(&self.steps) {
                sum += ((d - self.at(e + step)) / class.sd).powi(2);
            }
        }
        for w in self.values.windows(3) {
            sum += Self::wander_weight() * (w[0] - 2.0 * w[1] + w[2]).powi(2);
        }
        for w in self.values.windows(2) {
            sum += Self::bound_weight() * (w[0] - w[1]).max(0.0).powi(2);
        }
        sum + self.values.iter().map(|v| Self::bound_weight() * v.min(0.0).powi(2)).sum::<f64>()
    }

    fn round(&mut self, knots_alone: bool, damping: f64) -> Option<()> {
        let (n, k) = (self.values.len(), self.classes.len());
        let size = if knots_alone { n } else { n + k };
        let mut normal = DMatrix::<f64>::zeros(size, size);
        let mut right = DVector::<f64>::zeros(size);
        let mut row = |entries: &[(usize, f64)], residual: f64, weight: f64| {
            for (i, p) in entries {
                right[*i] += weight * p * residual;
                for (j, q) in entries {
                    normal[(*i, *j)] += weight * p * q;
                }
            }
        };
        for (c, class) in self.classes.iter().enumerate() {
            for (d, step) in class.densities.iter().zip(&self.steps) {
                let (i, t) = self.place(self.exposures[c] + step);
                let slope = (self.values[i + 1] - self.values[i]) / STEP;
                let residual = d - self.at(self.exposures[c] + step);
                let entries = [(i, 1.0 - t), (i + 1, t), (n + c, slope)];
                row(&entries[..if knots_alone { 2 } else { 3 }], residual, class.sd.powi(-2));
            }
        }
        for i in 1..n - 1 {
            let bend = self.values[i - 1] - 2.0 * self.values[i] + self.values[i + 1];
            row(&[(i - 1, 1.0), (i, -2.0), (i + 1, 1.0)], -bend, Self::wander_weight());
        }
        for i in 0..n {
            if self.values[i] < 0.0 {
                row(&[(i, 1.0)], -self.values[i], Self::bound_weight());
            }
            if i + 1 < n && self.values[i + 1] < self.values[i] {
                row(&[(i, -1.0), (i + 1, 1.0)], self.values[i] - self.values[i + 1], Self::bound_weight());
            }
        }
        // Only differences of log exposure are in the data: the middle place stays where it is. A whisper holds places on the flat ends.
        for c in 0..if knots_alone { 0 } else { k } {
            row(&[(n + c, 1.0)], 0.0, if c == k / 2 { 1e8 } else { 1.0 });
        }
        for i in 0..size {
            normal[(i, i)] *= 1.0 + damping;
            normal[(i, i)] += 1e-9;
        }
        let step = normal.cholesky()?.solve(&right);
        self.values.iter_mut().enumerate().for_each(|(i, v)| *v += step[i]);
        if !knots_alone {
            // No further than a stop at a time.
            self.exposures.iter_mut().enumerate().for_each(|(c, e)| *e += step[n + c].clamp(-0.3, 0.3));
        }
        step.iter().all(|v| v.is_finite()).then_some(())
    }

    fn recovered(&self) -> Recovered {
        let seen: Vec<f64> =
            self.classes.iter().zip(&self.exposures).flat_map(|(_, e)| self.steps.iter().map(move |s| e + s)).collect();
        let low = seen.iter().copied().fold(f64::INFINITY, f64::min).max(self.first);
        let high = seen.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let from = ((low - self.first) / STEP).floor().max(0.0) as usize;
        let to = (((high - self.first) / STEP).ceil() as usize).min(self.values.len() - 1);
        let values: Vec<f64> = self.values[from..=to].to_vec();
        let mut squares = (0.0, 0.0);
        for (class, e) in self.classes.iter().zip(&self.exposures) {
            for (d, step) in class.densities.iter().zip(&self.steps) {
                squares = (squares.0 + (d - self.at(e + step)).powi(2), squares.1 + 1.0);
            }
        }
        let mut curve = Recovered {
            first: self.first + STEP * from as f64,
            values,
            reaches_speed_point: false,
            rms: (squares.0 / f64::max(squares.1, 1.0)).sqrt(),
        };
        let zero = curve.log_h(SPEED_POINT);
        curve.reaches_speed_point = zero.is_some();
        let zero = zero.unwrap_or(curve.first);
        curve.first -= zero;
        curve
    }
}

#[cfg(test)]
mod tests {
    use super::super::scene::Curve;
    use super::*;
    use rand::{Rng, SeedableRng};
    use rand_distr::{Distribution, Normal};

    /// Places with exposures over 2.2 of log10 H on a known curve, each density off by 0.015.
    fn places(curve: &Curve, steps: &[f64], least: f64) -> Vec<Place> {
        let mut rng = rand_pcg::Pcg64::seed_from_u64(21);
        let noise = Normal::new(0.0, 0.015).unwrap();
        (0..8000)
            .map(|_| {
                let e = least + 2.2 * rng.random::<f64>();
                let densities = steps.iter().map(|s| curve.density(e + s) + noise.sample(&mut rng)).collect();
                Place { densities, weight: 1.0 }
            })
            .collect()
    }

    /// Root mean square distance from the known curve, the two laid on one another where they fit best (log10 H has no zero of its own).
    fn distance(found: &Recovered, truth: &Curve) -> f64 {
        let points = found.points();
        (-400..400)
            .map(|i| {
                let shift = i as f64 * 0.005;
                (points.iter().map(|[h, d]| (truth.density(h + shift) - d).powi(2)).sum::<f64>() / points.len() as f64)
                    .sqrt()
            })
            .fold(f64::INFINITY, f64::min)
    }

    /// Known truth: half of the 0.05 that is asked of whole plates.
    #[test]
    fn known_curves_come_back() {
        let soft = Curve { gamma: 0.6, toe: (0.0, 0.25), top: (1.7, 0.3) };
        let steep = Curve { gamma: 1.4, toe: (0.1, 0.1), top: (3.2, 0.2) };
        for (name, curve) in [("plain", Curve::PLAIN), ("soft", soft), ("steep", steep)] {
            for steps in [&[0.0, 0.2007][..], &[0.0, 0.4014], &[0.0, 0.301, 0.602], &[0.0, -0.301]] {
                let found = recover(&places(&curve, steps, -0.35), steps).unwrap();
                let rms = distance(&found, &curve);
                eprintln!(
                    "{name} {steps:?}: rms {rms:.4}, fit {:.4}, range {:?}, gradient {:?}",
                    found.rms,
                    found.range(),
                    found.mean_gradient()
                );
                assert!(rms < 0.025, "{name} {steps:?}: rms {rms:.4}");
                // The speed point of the known curve against its own place on the found one.
                assert!(found.reaches_speed_point);
            }
        }
    }

    #[test]
    fn equal_exposures_give_no_curve() {
        let told = recover(&places(&Curve::PLAIN, &[0.0, 0.0], 0.0), &[0.0, 0.01]).unwrap_err();
        assert!(told.contains("sixth of a stop"), "{told}");
    }
}
