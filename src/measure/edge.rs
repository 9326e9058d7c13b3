//! Sharpness by a slanted edge: the spatial frequency response across it.
//!
//! In: the light (linear, not encoded) of a region that one straight edge crosses, a few degrees off the rows or columns of pixels.
//! Out: modulation against frequency along the edge's normal, in cycles a pixel, with SFR50 and SFR10. Fails where there is no edge,
//! where it runs along the pixels so that they all meet it alike, and where it leaves the region too soon.
//!
//! Method: ISO 12233, slanted-edge analysis: the edge's place in each row, a line through those places, all pixels laid along the
//! line's normal in bins of a quarter pixel, the derivative, a window, the modulus of its Fourier transform. The window is Tukey's,
//! flat over its middle half, as the edition of 2023 has it (from memory): it leaves the edge's own spread untouched. What the bins
//! and the central difference take from the modulation is given back exactly: sinc(f/4) and sin(2πf/4) ÷ (2πf/4).

use crate::error::Fault;
use crate::image::Image;
use serde::Serialize;
use std::f64::consts::PI;

/// Width of a bin along the normal, in pixels.
const BIN: f64 = 0.25;
/// Modulation is given up to this frequency, cycles a pixel, in steps of [`STEP`].
const HIGHEST: f64 = 1.0;
const STEP: f64 = 0.005;
/// Least and greatest distance from the edge that is looked at, pixels along the normal.
const REACH: [f64; 2] = [6.0, 32.0];
/// Fewest rows that must meet the edge.
const FEWEST_ROWS: usize = 16;
/// Edges of less contrast than this many times the noise of a row's ends place nothing.
const LEAST_CONTRAST: f64 = 4.0;

/// The response across an edge.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Sharpness {
    /// Angle between the edge and the nearer of the pixels' two directions, degrees.
    pub angle: f64,
    /// Whether the edge lies nearer to the rows: the response is then that from top to bottom.
    pub along_rows: bool,
    /// Frequency at which modulation falls to a half, cycles a pixel; none where it does not by 1.
    pub sfr50: Option<f64>,
    /// To a tenth.
    pub sfr10: Option<f64>,
    /// Standard error of SFR50, from quarters of the edge; none where it is too short for that.
    pub sfr50_error: Option<f64>,
    /// Greatest modulation up to half sampling: above 1 the picture has been sharpened.
    pub peak: f64,
    /// Light on either side of the edge, the darker first.
    pub sides: [f64; 2],
    /// (cycles a pixel, modulation).
    #[serde(skip)]
    pub curve: Vec<[f64; 2]>,
}

/// Measures the one edge in a region.
pub fn measure(light: &Image<f32>) -> Result<Sharpness, Fault> {
    if light.rows() < FEWEST_ROWS || light.columns() < FEWEST_ROWS {
        return Err(Fault::new(
            format!("a region of {} pixels is too small for an edge", light.size()),
            "take in at least 16 pixels each way, better 100",
        ));
    }
    let turned = lies_along_rows(light);
    let upright = if turned { transposed(light) } else { light.clone() };
    let rising = rising(upright);
    let edge = Line::find(&rising)?;
    let reach = edge.reach(rising.columns())?;
    let rows = edge.rows_within(&rising, reach);
    if rows.len() < FEWEST_ROWS {
        return Err(Fault::new(
            "the edge leaves the region too soon",
            "choose a region that the edge crosses near its middle",
        ));
    }
    let across = spread(&rising, &edge, reach, &rows)?;
    let curve = response(&across, reach)?;
    let quarters: Vec<f64> = rows
        .chunks(rows.len().div_ceil(4))
        .filter_map(|rows| {
            let across = spread(&rising, &edge, reach, rows).ok()?;
            falls_to(&response(&across, reach).ok()?, 0.5)
        })
        .collect();
    let sfr50_error = (quarters.len() == 4).then(|| {
        let mean = quarters.iter().sum::<f64>() / 4.0;
        (quarters.iter().map(|q| (q - mean).powi(2)).sum::<f64>() / 3.0 / 4.0).sqrt()
    });
    Ok(Sharpness {
        angle: edge.slope.atan().abs().to_degrees(),
        along_rows: turned,
        sfr50: falls_to(&curve, 0.5),
        sfr10: falls_to(&curve, 0.1),
        sfr50_error,
        peak: curve.iter().filter(|[f, _]| *f <= 0.5).map(|[_, m]| *m).fold(0.0, f64::max),
        sides: sides(&across),
        curve,
    })
}

/// Means of the first and last quarter of the columns.
fn ends(light: &Image<f32>) -> [f64; 2] {
    let quarter = (light.columns() / 4).max(1);
    let mean = |from: usize| {
        let sum: f64 = (0..light.rows()).flat_map(|r| &light.row(r)[from..from + quarter]).map(|l| *l as f64).sum();
        sum / (quarter * light.rows()) as f64
    };
    [mean(0), mean(light.columns() - quarter)]
}

/// Means of the outer quarters of the light along the normal.
fn sides(across: &[f64]) -> [f64; 2] {
    let quarter = across.len() / 4;
    let mean = |part: &[f64]| part.iter().sum::<f64>() / part.len() as f64;
    [mean(&across[..quarter]), mean(&across[across.len() - quarter..])]
}

/// Whether light changes more from top to bottom than from left to right.
fn lies_along_rows(light: &Image<f32>) -> bool {
    let change = |image: &Image<f32>| {
        let [a, b] = ends(image);
        (a - b).abs()
    };
    change(&transposed(light)) > change(light)
}

fn transposed(light: &Image<f32>) -> Image<f32> {
    Image::from_rows(light.size().turned(), 0.0, |row, out| {
        out.iter_mut().enumerate().for_each(|(column, l)| *l = light.at(column, row));
    })
}

/// Turned left to right where light falls along a row, so that it rises.
fn rising(mut light: Image<f32>) -> Image<f32> {
    let [first, last] = ends(&light);
    if first > last {
        let columns = light.columns();
        light.pixels_mut().chunks_mut(columns).for_each(|row| row.reverse());
    }
    light
}

/// The edge: x = `at` + `slope` × y, pixel centres at half-integers.
#[derive(Debug, Clone, Copy)]
struct Line {
    at: f64,
    slope: f64,
}

impl Line {
    fn x(&self, row: usize) -> f64 {
        self.at + self.slope * (row as f64 + 0.5)
    }

    /// Distance along the normal for a step of one pixel along the row.
    fn cosine(&self) -> f64 {
        1.0 / self.slope.hypot(1.0)
    }

    /// From the places where rows pass the middle between both sides, then three times from the derivative's centroid near the line.
    fn find(light: &Image<f32>) -> Result<Line, Fault> {
        let [dark, bright] = ends(light);
        let noise = end_noise(light);
        if bright - dark <= LEAST_CONTRAST * noise.max(1e-9) {
            return Err(Fault::new(
                "there is no edge in the region",
                "choose a region with one straight edge from dark to bright",
            ));
        }
        let middle = (dark + bright) / 2.0;
        let places: Vec<(f64, f64)> =
            (0..light.rows()).filter_map(|r| Some((r as f64 + 0.5, passes(light.row(r), middle)?))).collect();
        let mut line = Line::through(&places)?;
        for width in [12.0, 8.0, 8.0] {
            let places: Vec<(f64, f64)> = (0..light.rows())
                .filter_map(|r| Some((r as f64 + 0.5, centroid(light.row(r), line.x(r), width / line.cosine())?)))
                .collect();
            line = Line::through(&places)?;
        }
        Ok(line)
    }

    /// Least squares through (y, x), with places beyond four median deviations left out. Begins from the median of slopes, so that
    /// rows which the edge does not cross cannot turn it.
    fn through(places: &[(f64, f64)]) -> Result<Line, Fault> {
        let none =
            || Fault::new("the edge cannot be followed through the region", "choose a region with one straight edge");
        if places.len() < FEWEST_ROWS {
            return Err(none());
        }
        let half = places.len() / 2;
        let slope = median(places.iter().zip(&places[half..]).map(|(a, b)| (b.1 - a.1) / (b.0 - a.0)));
        let mut line = Line { at: median(places.iter().map(|p| p.1 - slope * p.0)), slope };
        for _ in 0..3 {
            let off = |p: &(f64, f64)| (p.1 - line.at - line.slope * p.0).abs();
            let limit = (4.0 * median(places.iter().map(off))).max(0.05);
            let kept: Vec<&(f64, f64)> = places.iter().filter(|p| off(p) <= limit).collect();
            if kept.len() < FEWEST_ROWS {
                return Err(none());
            }
            let n = kept.len() as f64;
            let (y, x) = kept.iter().fold((0.0, 0.0), |s, p| (s.0 + p.0 / n, s.1 + p.1 / n));
            let (yy, xy) = kept.iter().fold((0.0, 0.0), |s, p| (s.0 + (p.0 - y).powi(2), s.1 + (p.0 - y) * (p.1 - x)));
            let slope = xy / yy;
            line = Line { at: x - slope * y, slope };
        }
        Ok(line)
    }

    /// How far from the edge to look: a third of the row, within [`REACH`].
    fn reach(&self, columns: usize) -> Result<f64, Fault> {
        let reach = (columns as f64 / 3.0 * self.cosine()).min(REACH[1]);
        if reach < REACH[0] {
            return Err(Fault::new(
                "the region is too narrow across the edge",
                "take in at least 20 pixels on either side of it",
            ));
        }
        Ok(reach)
    }

    /// Rows in which the edge is at least `reach` away from both ends.
    fn rows_within(&self, light: &Image<f32>, reach: f64) -> Vec<usize> {
        let margin = reach / self.cosine();
        let most = light.columns() as f64 - margin;
        (0..light.rows()).filter(|row| (margin..=most).contains(&self.x(*row))).collect()
    }
}

/// Standard deviation between neighbours in the outer quarters, over √2: noise, and not the edge.
fn end_noise(light: &Image<f32>) -> f64 {
    let quarter = (light.columns() / 4).max(2);
    let mut squares = Vec::new();
    for row in 0..light.rows() {
        let row = light.row(row);
        for part in [&row[..quarter], &row[row.len() - quarter..]] {
            squares.extend(part.windows(2).map(|pair| ((pair[1] - pair[0]) as f64).powi(2) / 2.0));
        }
    }
    // The median of a squared normal deviate is 0.4549 of its mean.
    (median(squares) / 0.4549).sqrt()
}

/// Where a row, smoothed over five pixels, first passes a level and stays above it for three.
fn passes(row: &[f32], level: f64) -> Option<f64> {
    let smooth: Vec<f64> = row.windows(5).map(|w| w.iter().map(|l| *l as f64).sum::<f64>() / 5.0).collect();
    let at = (1..smooth.len().saturating_sub(2))
        .find(|k| smooth[k - 1] < level && smooth[*k..k + 3].iter().all(|l| *l >= level))?;
    let part = (level - smooth[at - 1]) / (smooth[at] - smooth[at - 1]);
    Some(at as f64 - 1.0 + part + 2.5)
}

/// Centroid of the derivative within `width` of a place, weighted by a cosine bell.
fn centroid(row: &[f32], place: f64, width: f64) -> Option<f64> {
    let (mut sum, mut moment) = (0.0, 0.0);
    for (k, pair) in row.windows(2).enumerate() {
        // Between the centres of pixels k and k + 1.
        let x = k as f64 + 1.0;
        let off = (x - place) / width;
        if off.abs() < 1.0 {
            let weight = (1.0 + (PI * off).cos()) / 2.0 * (pair[1] - pair[0]) as f64;
            sum += weight;
            moment += weight * x;
        }
    }
    let inside = place - width >= 0.0 && place + width <= row.len() as f64;
    (inside && sum > 0.0).then(|| moment / sum)
}

/// Light along the normal, in bins from `-reach` to `reach`, over some rows.
fn spread(light: &Image<f32>, edge: &Line, reach: f64, rows: &[usize]) -> Result<Vec<f64>, Fault> {
    let bins = (2.0 * reach / BIN) as usize;
    let (mut sums, mut counts) = (vec![0.0; bins], vec![0u32; bins]);
    for row in rows {
        let place = edge.x(*row);
        for (column, light) in light.row(*row).iter().enumerate() {
            let along = (column as f64 + 0.5 - place) * edge.cosine() + reach;
            if along >= 0.0 && along < bins as f64 * BIN {
                let bin = (along / BIN) as usize;
                sums[bin] += *light as f64;
                counts[bin] += 1;
            }
        }
    }
    let empty = counts.iter().filter(|c| **c == 0).count();
    if empty * 20 > bins {
        let angle = edge.slope.atan().to_degrees().abs();
        return Err(Fault::new(
            format!("the edge lies {angle:.1}° off the pixels, which all meet it at the same few places"),
            "turn it to 3 to 10 degrees, or take in more of its length",
        ));
    }
    Ok(filled(&sums, &counts))
}

/// Modulation against frequency, from the light along the normal.
fn response(spread: &[f64], reach: f64) -> Result<Vec<[f64; 2]>, Fault> {
    let change: Vec<f64> = spread.windows(3).map(|w| (w[2] - w[0]) / 2.0).collect();
    // The k-th change lies at the middle of bin k + 1.
    let place = |k: usize| (k as f64 + 1.5) * BIN - reach;
    let weighted: Vec<(f64, f64)> =
        change.iter().enumerate().map(|(k, c)| (place(k), c * tukey(place(k) / reach))).collect();
    let modulus = |f: f64| {
        let (re, im) = weighted.iter().fold((0.0, 0.0), |(re, im), (x, c)| {
            let (sin, cos) = (2.0 * PI * f * x).sin_cos();
            (re + c * cos, im - c * sin)
        });
        f64::hypot(re, im)
    };
    let whole = modulus(0.0);
    if whole <= 0.0 {
        return Err(Fault::new(
            "there is no edge in the region",
            "choose a region with one straight edge from dark to bright",
        ));
    }
    let count = (HIGHEST / STEP).round() as usize;
    let lost = |f: f64| sinc(f * BIN) * sinc(2.0 * f * BIN);
    Ok((0..=count).map(|k| k as f64 * STEP).map(|f| [f, modulus(f) / whole / lost(f)]).collect())
}

/// Means of the bins; an empty one lies between its neighbours.
pub(crate) fn filled(sums: &[f64], counts: &[u32]) -> Vec<f64> {
    let mean = |k: usize| sums[k] / counts[k] as f64;
    let full: Vec<usize> = (0..sums.len()).filter(|k| counts[*k] > 0).collect();
    (0..sums.len())
        .map(|k| {
            let next = full.partition_point(|f| *f < k);
            match (next.checked_sub(1).map(|p| full[p]), full.get(next).copied()) {
                (_, Some(n)) if n == k => mean(k),
                (Some(p), Some(n)) => mean(p) + (mean(n) - mean(p)) * (k - p) as f64 / (n - p) as f64,
                (Some(one), None) | (None, Some(one)) => mean(one),
                (None, None) => 0.0,
            }
        })
        .collect()
}

/// Tukey's window over −1 to 1: flat over the middle half, a cosine to each end.
fn tukey(x: f64) -> f64 {
    let off = x.abs();
    if off <= 0.5 {
        1.0
    } else if off < 1.0 {
        (1.0 + (2.0 * PI * (off - 0.5)).cos()) / 2.0
    } else {
        0.0
    }
}

/// sin(πx) / πx.
fn sinc(x: f64) -> f64 {
    if x.abs() < 1e-9 { 1.0 } else { (PI * x).sin() / (PI * x) }
}

/// Frequency at which modulation first falls to a level.
fn falls_to(curve: &[[f64; 2]], level: f64) -> Option<f64> {
    let pair = curve.windows(2).find(|pair| pair[0][1] > level && pair[1][1] <= level)?;
    let [[f0, m0], [f1, m1]] = [pair[0], pair[1]];
    Some(f0 + (f1 - f0) * (m0 - level) / (m0 - m1))
}

fn median(values: impl IntoIterator<Item = f64>) -> f64 {
    let mut values: Vec<f64> = values.into_iter().collect();
    if values.is_empty() {
        return 0.0;
    }
    values.sort_by(f64::total_cmp);
    (values[(values.len() - 1) / 2] + values[values.len() / 2]) / 2.0
}

/// An edge of light at an angle, for tests and for looking at the method: `profile` gives light against distance in pixels.
#[cfg(test)]
fn slanted(size: crate::image::Size, degrees: f64, off: f64, profile: impl Fn(f64) -> f64 + Sync) -> Image<f32> {
    let (sin, cos) = degrees.to_radians().sin_cos();
    let (cx, cy) = (size.columns as f64 / 2.0 + off, size.rows as f64 / 2.0);
    Image::from_rows(size, 0.0, |row, out| {
        for (column, light) in out.iter_mut().enumerate() {
            let (x, y) = (column as f64 + 0.5 - cx, row as f64 + 0.5 - cy);
            *light = profile(x * cos + y * sin) as f32;
        }
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::image::Size;
    use rand::SeedableRng;
    use rand_distr::{Distribution, Normal};

    /// A step blurred by a Gaussian of σ pixels: Φ(x/σ), by the rational approximation 7.1.26 of Abramowitz and Stegun, |error| < 1.5e-7.
    fn step(x: f64, sigma: f64) -> f64 {
        let z = x / sigma / 2f64.sqrt();
        let t = 1.0 / (1.0 + 0.3275911 * z.abs());
        let poly = t * (0.254829592 + t * (-0.284496736 + t * (1.421413741 + t * (-1.453152027 + t * 1.061405429))));
        let erf = 1.0 - poly * (-z * z).exp();
        0.5 * (1.0 + z.signum() * erf)
    }

    /// A Gaussian blur of σ has the modulation exp(−2π²σ²f²): closed form, for edges at many angles, both ways, either side dark. The
    /// bins' phases are even to 2 % of a bin at these angles, which leaves less than 0.01 of modulation up to half sampling.
    #[test]
    fn a_gaussian_edge_has_its_closed_form() {
        for sigma in [0.5, 0.7, 1.2, 2.0] {
            for degrees in [3.0, 5.0, -5.7, 8.0, 12.0, 17.0, 24.0, -31.0, 38.0, 43.0, 85.0, 95.0, 78.0, 113.0] {
                for (low, high) in [(0.05, 0.8), (0.7, 0.1)] {
                    let light = slanted(Size::new(160, 160), degrees, 1.37, |x| low + (high - low) * step(x, sigma));
                    let found = measure(&light).unwrap();
                    for [f, modulation] in found.curve.iter().filter(|[f, _]| *f <= 0.5) {
                        let want = (-2.0 * PI * PI * sigma * sigma * f * f).exp();
                        assert!(
                            (modulation - want).abs() < 0.01,
                            "σ {sigma}, {degrees}°, f {f}: {modulation} for {want}"
                        );
                    }
                    let want = (2f64.ln() / (2.0 * PI * PI)).sqrt() / sigma;
                    let sfr50 = found.sfr50.unwrap();
                    assert!((sfr50 / want - 1.0).abs() < 0.01, "σ {sigma}, {degrees}°: SFR50 {sfr50} for {want}");
                    let angle = {
                        let a = degrees.abs() % 90.0;
                        f64::min(a, 90.0 - a)
                    };
                    assert!((found.angle - angle).abs() < 0.05, "{degrees}° read as {}", found.angle);
                    assert_eq!(found.along_rows, (45.0..135.0).contains(&degrees));
                    assert!((found.sides[0] - low.min(high)).abs() < 1e-3 && found.peak < 1.01, "{:?}", found.sides);
                }
            }
        }
    }

    /// A square pixel as wide as the spacing: modulation |sinc(f)| along the normal of an upright edge, less than 1 % off at 5°
    /// (sinc of f cos θ times sinc of f sin θ).
    #[test]
    fn a_pixels_own_aperture_is_seen() {
        let (sin, cos) = 5f64.to_radians().sin_cos();
        let area = |x: f64| {
            let mut sum = 0.0;
            for a in 0..16 {
                for b in 0..16 {
                    sum += step(x + (a as f64 - 7.5) / 16.0 * cos + (b as f64 - 7.5) / 16.0 * sin, 0.2);
                }
            }
            sum / 256.0
        };
        let found = measure(&slanted(Size::new(200, 100), 5.0, 0.0, area)).unwrap();
        for [f, modulation] in found.curve.iter().filter(|[f, _]| *f <= 0.5) {
            let want = sinc(f * cos) * sinc(f * sin) * (-2.0 * PI * PI * 0.04 * f * f).exp();
            assert!((modulation - want).abs() < 0.01, "f {f}: {modulation} for {want}");
        }
    }

    /// Noise of 2 % of the step: SFR50 stays within four of its stated standard errors, over many draws, and its error is told to a
    /// factor of two in the mean.
    #[test]
    fn noise_moves_the_figures_by_what_is_stated() {
        let want = (2f64.ln() / (2.0 * PI * PI)).sqrt() / 0.8;
        let (mut offs, mut errors) = (Vec::new(), Vec::new());
        for seed in 0..24 {
            let mut rng = rand_pcg::Pcg32::seed_from_u64(seed);
            let noise = Normal::new(0.0, 0.012f32).unwrap();
            let mut light = slanted(Size::new(240, 100), 6.0, 0.4, |x| 0.1 + 0.6 * step(x, 0.8));
            light.pixels_mut().iter_mut().for_each(|l| *l += noise.sample(&mut rng));
            let found = measure(&light).unwrap();
            offs.push((found.sfr50.unwrap() - want).powi(2));
            errors.push(found.sfr50_error.unwrap().powi(2));
        }
        let mean = |v: &[f64]| (v.iter().sum::<f64>() / v.len() as f64).sqrt();
        assert!(mean(&offs) < 0.02 * want, "{} of {want}", mean(&offs));
        assert!((0.5..2.0).contains(&(mean(&offs) / mean(&errors))), "{} and {}", mean(&offs), mean(&errors));
    }

    /// Sharpening by a ring of dark and bright lifts modulation over 1, and is told.
    #[test]
    fn sharpening_shows_as_a_peak() {
        let sharpened = |x: f64| 0.4 + 0.4 * (1.6 * step(x, 0.7) - 0.6 * step(x, 2.0));
        assert!(measure(&slanted(Size::new(120, 120), 5.0, 0.0, sharpened)).unwrap().peak > 1.05);
    }

    #[test]
    fn what_is_no_slanted_edge_is_refused() {
        let flat = Image::filled(Size::new(60, 60), 0.4);
        assert!(measure(&flat).unwrap_err().what().contains("no edge"));
        let straight = slanted(Size::new(60, 60), 0.0, 0.0, |x| step(x, 0.7));
        assert!(measure(&straight).unwrap_err().mend().contains("turn it"));
        assert!(measure(&Image::filled(Size::new(4, 60), 0.4)).unwrap_err().what().contains("too small"));
        let mut rng = rand_pcg::Pcg32::seed_from_u64(3);
        let noise = Normal::new(0.5, 0.1f32).unwrap();
        let noisy = Image::from_vec(Size::new(60, 60), (0..3600).map(|_| noise.sample(&mut rng)).collect());
        assert!(measure(&noisy).is_err());
        let far = slanted(Size::new(60, 60), 5.0, 27.0, |x| step(x, 0.7));
        assert!(measure(&far).is_err());
    }
}
