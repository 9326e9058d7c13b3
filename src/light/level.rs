//! The mean of dark light that a file tells in a few codes.
//!
//! In: values of one even patch, as the file's codes give them. Out: their mean before they were rounded to codes and cut off at black. Where
//! many codes are seen that is their own mean, without the tenths at either end: dust and hot photosites. Where two or three are, rounding moves
//! it by up to half a code, and the shares below each bound between codes tell more: the line of their logits over the bounds crosses 0 at
//! the middle. (Grouped data, by the logistic distribution: Berkson, *J. Am. Stat. Assoc.* 39, 357 (1944), from memory. A Gaussian's middle comes out
//! within a sixteenth of a code.)

/// Codes between the tenths at either end from which on their mean is taken.
const MANY: usize = 5;
/// Share of the values that may lie beyond a bound and still tell something.
const TAIL: f64 = 5e-4;

/// Mean of values, of which there must be one; they come back sorted.
pub fn level(values: &mut [f32]) -> f64 {
    values.sort_unstable_by(f32::total_cmp);
    let cut = values.len() / 10;
    let kept = &values[cut..values.len() - cut];
    let steps = kept.windows(2).map(|pair| f64::from(pair[1] - pair[0])).filter(|step| *step > 0.0);
    if steps.count() >= MANY {
        return kept.iter().map(|v| f64::from(*v)).sum::<f64>() / kept.len() as f64;
    }
    middle(values)
}

fn middle(sorted: &[f32]) -> f64 {
    // Each code seen, and the share of values up to it.
    let mut codes: Vec<(f64, f64)> = Vec::new();
    for (count, value) in sorted.iter().enumerate() {
        let share = (count + 1) as f64 / sorted.len() as f64;
        match codes.last_mut() {
            Some(last) if last.0 == f64::from(*value) => last.1 = share,
            _ => codes.push((f64::from(*value), share)),
        }
    }
    let Some(step) = codes.windows(2).map(|pair| pair[1].0 - pair[0].0).min_by(f64::total_cmp) else {
        return codes[0].0;
    };
    // Bounds above each code that leave something on both sides.
    let bound = |(code, share): (f64, f64)| (code + step / 2.0, share);
    let told: Vec<(f64, f64)> = codes.into_iter().map(bound).filter(|b| (TAIL..=1.0 - TAIL).contains(&b.1)).collect();
    let (Some(first), Some(last)) = (told.first(), told.last()) else { return f64::from(sorted[sorted.len() / 2]) };
    // One alone tells no spread: next to nothing lies beyond its neighbours.
    let beyond = [(first.0 - step, TAIL), (last.0 + step, 1.0 - TAIL)];
    let used: Vec<(f64, f64)> = if told.len() > 1 { told } else { told.iter().copied().chain(beyond).collect() };
    let weight = |share: f64| share * (1.0 - share);
    let logit = |share: f64| (share / (1.0 - share)).ln();
    let all: f64 = used.iter().map(|b| weight(b.1)).sum();
    let mean = |of: &dyn Fn(&(f64, f64)) -> f64| used.iter().map(|b| weight(b.1) * of(b)).sum::<f64>() / all;
    let (at, log) = (mean(&|b| b.0), mean(&|b| logit(b.1)));
    let slope = mean(&|b| (b.0 - at) * (logit(b.1) - log)) / mean(&|b| (b.0 - at).powi(2));
    at - log / slope
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::demo::noise::hash;

    /// Gaussian noise, as a sum of twelve even ones, rounded and cut off at black.
    fn coded(mean: f64, sd: f64) -> Vec<f32> {
        let noise = |k: i32| (0..12).map(|i| hash(k, i, 1)).sum::<f64>() - 6.0;
        (0..20_000).map(|k| (mean + sd * noise(k)).round().max(0.0) as f32).collect()
    }

    /// A sixteenth of a code is the difference between a Gaussian's and the logistic distribution's tails.
    #[test]
    fn rounding_and_black_take_nothing_off_the_mean() {
        for sd in [0.25, 0.35, 0.5, 0.8, 1.5] {
            for mean in [0.35, 0.6, 0.75, 1.0, 1.3, 2.5, 4.8] {
                // Where all of the noise lies within one code nothing tells more than the code.
                let near =
                    if coded(mean, sd).iter().all(|v| f64::from(*v) == mean.round()) { 0.5 } else { 0.0625 + 0.02 };
                let found = level(&mut coded(mean, sd));
                assert!((found - mean).abs() < near, "{found} for {mean} ± {sd}");
            }
        }
    }

    #[test]
    fn hot_photosites_and_dust_do_not_count() {
        let mut values = coded(0.8, 0.3);
        for k in 0..8 {
            values[k * 100] = 40.0;
        }
        assert!((level(&mut values) - 0.8).abs() < 0.08, "{}", level(&mut values));
        let mut fine: Vec<f32> = (0..1000).map(|k| 10.0 + (k % 50) as f32 / 10.0).collect();
        fine[17] = 900.0;
        assert!((level(&mut fine) - 12.45).abs() < 0.05);
        assert_eq!(level(&mut [3.0]), 3.0);
        assert_eq!(level(&mut [0.0; 40]), 0.0);
    }
}
