//! What a blue-sensitive plate makes of a picture: exposure through the holder, development, glass.
//!
//! In: luminance over the whole plate (`Image<f32>`, upright and right-reading, any unit), a [`Sheet`] and a [`Curve`]. Out: a
//! [`Plate`]: density against bare light on a grid of `px_per_mm`, as the upright picture lies. Never fails.
//! The curve is a straight line of slope gamma in D against log10 H, bent at its foot by a soft-plus (the toe) and held under
//! the highest density by a soft minimum (the shoulder): closed forms, so that truth has no tables.

use super::noise::{fbm, hash, noise, step};
use crate::image::{Image, Size};
use rand::SeedableRng;
use rand_distr::{Distribution, StandardNormal};
use rand_pcg::Pcg64Mcg;
use serde::{Deserialize, Serialize};

/// How density answers exposure after one development.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Curve {
    /// Density of bare glass with clear gelatine. Two uncoated faces alone reflect 0.037 (Fresnel, n = 1.52).
    pub glass: f64,
    /// What development gives without light.
    pub fog: f64,
    /// Slope of the straight line.
    pub gamma: f64,
    /// log10 H at which the straight line, drawn on, meets base plus fog.
    pub inertia: f64,
    /// Width of the toe in log10 H: larger is longer and softer.
    pub toe: f64,
    /// Width of the shoulder in density.
    pub shoulder: f64,
    /// Density above base plus fog that no exposure exceeds.
    pub most: f64,
}

impl Default for Curve {
    fn default() -> Self {
        Curve { glass: 0.055, fog: 0.07, gamma: 1.25, inertia: 0.0, toe: 0.16, shoulder: 0.28, most: 3.1 }
    }
}

impl Curve {
    /// Density above base plus fog for an exposure.
    pub fn net_density(&self, log_h: f64) -> f64 {
        let run = (log_h - self.inertia) / self.toe;
        let line = self.gamma * self.toe * if run > 30.0 { run } else { run.exp().ln_1p() };
        let w = self.shoulder;
        let held = -w * ((-line / w).exp() + (-self.most / w).exp()).ln();
        let none = -w * (-self.most / w).exp().ln_1p();
        held - none
    }

    /// Base plus fog: density where no light fell.
    pub fn base(&self) -> f64 {
        self.glass + self.fog
    }
}

/// A missing corner or a bite out of a side, round about a place in millimetres.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Chip {
    pub at: [f64; 2],
    pub radius: f64,
}

/// The glass, the holder it sat in, and what it went through. Millimetres, as the upright picture lies.
#[derive(Debug, Clone, PartialEq)]
pub struct Sheet {
    pub width_mm: f64,
    pub height_mm: f64,
    /// Width of what the rails covered at the top, right, bottom and left; 0 where light reached the edge.
    pub rebate_mm: [f64; 4],
    /// How far the rebate's inner edge wanders.
    pub waver_mm: f64,
    pub chips: Vec<Chip>,
    /// Density added in the very corners, as from fingers or fumes.
    pub dark_corners: f64,
    /// Root mean square of density through an aperture of 48 µm where density above base is 1.
    pub granularity: f64,
    /// Share by which density follows the coating's thickness, at most.
    pub coating: f64,
    /// How far base plus fog wanders over the plate.
    pub uneven_fog: f64,
    /// Dust, pinholes and scratches: 1 is usual, 0 none.
    pub defects: f64,
    pub seed: u64,
}

impl Default for Sheet {
    /// A half plate (4¾ × 6½ in) lying long side across, cut a tenth of a millimetre under its nominal size.
    fn default() -> Self {
        Sheet {
            width_mm: 165.0,
            height_mm: 120.57,
            rebate_mm: [2.9, 2.6, 3.2, 2.8],
            waver_mm: 0.12,
            chips: Vec::new(),
            dark_corners: 0.0,
            granularity: 0.016,
            coating: 0.03,
            uneven_fog: 0.004,
            defects: 1.0,
            seed: 1,
        }
    }
}

impl Sheet {
    /// The same, standing upright: long side up, the rebate turned with it.
    pub fn upright(self) -> Self {
        let [top, right, bottom, left] = self.rebate_mm;
        Sheet { width_mm: self.height_mm, height_mm: self.width_mm, rebate_mm: [left, top, right, bottom], ..self }
    }
}

/// A plate, developed and dry.
#[derive(Debug, Clone)]
pub struct Plate {
    /// Density against bare light.
    pub density: Image<f32>,
    pub px_per_mm: f64,
    pub width_mm: f64,
    pub height_mm: f64,
    /// Median density where the rails kept light off; the curve's own base plus fog where they covered nothing.
    pub base: f64,
    /// log10 of exposure for a luminance of 1.
    pub log_exposure: f64,
    pub curve: Curve,
}

/// Exposes and develops. `log_exposure`: log10 H where luminance is 1. `flare`: share of the mean luminance that the taking
/// lens spreads over the whole picture.
pub fn make(
    luminance: &Image<f32>,
    sheet: &Sheet,
    curve: &Curve,
    log_exposure: f64,
    flare: f64,
    px_per_mm: f64,
) -> Plate {
    let size = Size::new((sheet.height_mm * px_per_mm).round() as usize, (sheet.width_mm * px_per_mm).round() as usize);
    let mean = luminance.pixels().iter().map(|v| f64::from(*v)).sum::<f64>() / luminance.size().area() as f64;
    let spread = (flare * mean) as f32;
    let answer = Table::of(curve);
    let coating = Coarse::of(sheet, |x, y| 2.0 * fbm(x, y, sheet.seed as u32 ^ 0x51, 28.0, 4.0));
    let fogging = Coarse::of(sheet, |x, y| 2.0 * fbm(x, y, sheet.seed as u32 ^ 0x73, 60.0, 15.0));
    let seed = sheet.seed as u32;
    let [top, right, bottom, left] = sheet.rebate_mm;
    // A rail's edge throws a soft shadow this wide.
    const PENUMBRA: f64 = 0.10;
    let rail = |inside: f64, wide: f64, along: f64, side: u32| {
        if wide <= 0.0 {
            return 1.0;
        }
        let edge = wide
            + sheet.waver_mm * (noise(along * 0.06, 1.5, seed + side) + 0.3 * noise(along * 0.7, 0.5, seed + side));
        step(edge - PENUMBRA, edge + PENUMBRA, inside)
    };
    // Grain grows with the square root of the developed silver; a grid this coarse sees it uncorrelated, through its own cell.
    const APERTURE_MM2: f64 = std::f64::consts::PI * 0.024 * 0.024;
    let cell = sheet.granularity * (APERTURE_MM2 * px_per_mm * px_per_mm).sqrt();

    let mut density = Image::from_rows(size, 0f32, |row, out| {
        let mut random = Pcg64Mcg::seed_from_u64(sheet.seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) ^ row as u64);
        let y = (row as f64 + 0.5) / px_per_mm;
        let (wave_x, wave_y) = (luminance.columns() as f64 / sheet.width_mm, luminance.rows() as f64 / sheet.height_mm);
        let across = [rail_row(y, top), rail_row(sheet.height_mm - y, bottom)];
        for (column, pixel) in out.iter_mut().enumerate() {
            let x = (column as f64 + 0.5) / px_per_mm;
            let mut open = 1.0;
            if across[0] {
                open *= rail(y, top, x, 1);
            }
            if across[1] {
                open *= rail(sheet.height_mm - y, bottom, x, 3);
            }
            if rail_row(x, left) {
                open *= rail(x, left, y, 4);
            }
            if rail_row(sheet.width_mm - x, right) {
                open *= rail(sheet.width_mm - x, right, y, 2);
            }
            let light = if open > 0.0 { smooth(luminance, x * wave_x, y * wave_y) + spread } else { 0.0 };
            let net = answer.at((light * open as f32).max(1e-9).log10() + log_exposure as f32);
            let net = f64::from(net) * (1.0 + sheet.coating * coating.at(x, y));
            let grain: f64 = StandardNormal.sample(&mut random);
            let noisy = net + cell * (net.max(0.0) + 0.012).sqrt() * grain;
            *pixel = (curve.base() + sheet.uneven_fog * fogging.at(x, y) + noisy) as f32;
        }
    });
    let base = rebate_median(&density, sheet, px_per_mm).unwrap_or(curve.base());
    damage(&mut density, sheet, curve, px_per_mm);
    Plate {
        density,
        px_per_mm,
        width_mm: sheet.width_mm,
        height_mm: sheet.height_mm,
        base,
        log_exposure,
        curve: *curve,
    }
}

/// Whether a rail may matter this far from the side.
fn rail_row(inside: f64, wide: f64) -> bool {
    wide > 0.0 && inside < wide + 1.5
}

/// Luminance between pixels by cubic B-splines, which blur by about 0.6 pixels: the taking lens's own softness.
fn smooth(image: &Image<f32>, x: f64, y: f64) -> f32 {
    let weights = |t: f32| {
        let (t2, t3) = (t * t, t * t * t);
        let u = 1.0 - t;
        [u * u * u / 6.0, (3.0 * t3 - 6.0 * t2 + 4.0) / 6.0, (3.0 * (t + t2 - t3) + 1.0) / 6.0, t3 / 6.0]
    };
    let (x, y) = (x - 0.5, y - 0.5);
    let (i, j) = (x.floor(), y.floor());
    let (wx, wy) = (weights((x - i) as f32), weights((y - j) as f32));
    let (i, j) = (i as isize, j as isize);
    let mut sum = 0.0;
    if i >= 1 && j >= 1 && i + 2 < image.columns() as isize && j + 2 < image.rows() as isize {
        for (dy, w) in wy.iter().enumerate() {
            let row = &image.row(j as usize + dy - 1)[i as usize - 1..];
            sum += w * (wx[0] * row[0] + wx[1] * row[1] + wx[2] * row[2] + wx[3] * row[3]);
        }
    } else {
        for (dy, w) in wy.iter().enumerate() {
            for (dx, v) in wx.iter().enumerate() {
                sum += w * v * image.at_clamped(j + dy as isize - 1, i + dx as isize - 1);
            }
        }
    }
    sum
}

/// The curve at even steps of log10 H, close enough for straight lines between (off by less than 1e-5).
struct Table(Vec<f32>);

impl Table {
    const FROM: f64 = -6.0;
    const STEPS: f64 = 1000.0;

    fn of(curve: &Curve) -> Table {
        Table((0..=11_000).map(|i| curve.net_density(Self::FROM + f64::from(i) / Self::STEPS) as f32).collect())
    }

    fn at(&self, log_h: f32) -> f32 {
        let position = ((log_h - Self::FROM as f32) * Self::STEPS as f32).clamp(0.0, (self.0.len() - 2) as f32);
        let i = position as usize;
        let share = position - i as f32;
        self.0[i] * (1.0 - share) + self.0[i + 1] * share
    }
}

/// Something slow over the plate, held at one value a millimetre.
struct Coarse(Image<f32>);

impl Coarse {
    fn of(sheet: &Sheet, value: impl Fn(f64, f64) -> f64 + Sync) -> Coarse {
        let size = Size::new(sheet.height_mm as usize + 3, sheet.width_mm as usize + 3);
        Coarse(Image::from_rows(size, 0f32, |row, out| {
            out.iter_mut().enumerate().for_each(|(c, v)| *v = value(c as f64, row as f64) as f32)
        }))
    }

    fn at(&self, x: f64, y: f64) -> f64 {
        let (i, j) = (x as usize, y as usize);
        let (a, b) = ((x - i as f64) as f32, (y - j as f64) as f32);
        let (upper, lower) = (&self.0.row(j)[i..], &self.0.row(j + 1)[i..]);
        f64::from((upper[0] * (1.0 - a) + upper[1] * a) * (1.0 - b) + (lower[0] * (1.0 - a) + lower[1] * a) * b)
    }
}

/// Median density of what the rails covered, half a millimetre away from the glass's edge and from the picture.
fn rebate_median(density: &Image<f32>, sheet: &Sheet, px_per_mm: f64) -> Option<f64> {
    const CLEAR_OF_EDGES: f64 = 0.5;
    let [top, right, bottom, left] = sheet.rebate_mm;
    let (w, h, m) = (sheet.width_mm, sheet.height_mm, CLEAR_OF_EDGES);
    let bands = [
        (m, m, w - m, top - m),
        (w - right + m, m, w - m, h - m),
        (m, h - bottom + m, w - m, h - m),
        (m, m, left - m, h - m),
    ];
    let mut seen = Vec::new();
    for (x0, y0, x1, y1) in bands {
        let px = |mm: f64| (mm * px_per_mm) as usize;
        for row in px(y0)..px(y1.max(0.0)) {
            if px(x1.max(0.0)) > px(x0) {
                seen.extend_from_slice(&density.row(row)[px(x0)..px(x1)]);
            }
        }
    }
    let middle = seen.len() / 2;
    (!seen.is_empty()).then(|| f64::from(*seen.select_nth_unstable_by(middle, f32::total_cmp).1))
}

/// Glass edge, chips, dust, scratches, dark corners.
fn damage(density: &mut Image<f32>, sheet: &Sheet, curve: &Curve, px_per_mm: f64) {
    let (w, h, seed) = (sheet.width_mm, sheet.height_mm, sheet.seed as u32);
    let base = curve.base() as f32;
    // The arris, ground off by the cutter's stone, throws some light aside.
    const ARRIS_MM: f64 = 0.14;
    let rim = (ARRIS_MM * px_per_mm) as usize + 1;
    for row in 0..density.rows() {
        let y = (row as f64 + 0.5) / px_per_mm;
        let all = row < rim || row + rim >= density.rows();
        let inner = if all { 0..0 } else { rim..density.columns().saturating_sub(rim) };
        for column in (0..density.columns()).filter(|c| !inner.contains(c)) {
            let x = (column as f64 + 0.5) / px_per_mm;
            let edge = x.min(w - x).min(y.min(h - y));
            let value = density.at(row, column);
            density.set(row, column, value + (0.12 * step(ARRIS_MM, 0.0, edge)) as f32);
        }
    }
    let mut spot = |x: f64, y: f64, reach: f64, change: &dyn Fn(f64, f32) -> f32| {
        let px = |mm: f64, most: usize| ((mm * px_per_mm).max(0.0) as usize).min(most);
        for row in px(y - reach, density.rows())..px(y + reach + 1.0 / px_per_mm, density.rows()) {
            for column in px(x - reach, density.columns())..px(x + reach + 1.0 / px_per_mm, density.columns()) {
                let (dx, dy) = ((column as f64 + 0.5) / px_per_mm - x, (row as f64 + 0.5) / px_per_mm - y);
                let value = density.at(row, column);
                density.set(row, column, change(dx.hypot(dy), value));
            }
        }
    };
    let random = |i: i32, k: i32| hash(i, k, seed.wrapping_add(0x1234));
    for i in 0..(70.0 * sheet.defects) as i32 {
        let (x, y) = (w * random(i, 0), h * random(i, 1));
        let radius = 0.03 + 0.11 * random(i, 2).powi(3);
        // Dust that lay on the plate at exposure leaves clear spots; clumps of silver leave dark ones.
        let target = if random(i, 3) < 0.7 { base } else { base + 1.4 };
        let soft = 0.04;
        spot(x, y, radius + soft, &|d, v| v + (target - v) * step(radius + soft, radius - soft, d) as f32);
    }
    for i in 0..(5.0 * sheet.defects) as i32 {
        let (x, y, turn) = (w * random(i, 10), h * random(i, 11), std::f64::consts::TAU * random(i, 12));
        let length = 4.0 + 22.0 * random(i, 13);
        let steps = (length * px_per_mm * 1.5) as i32;
        for s in 0..steps {
            let t = f64::from(s) / f64::from(steps);
            let bend = 0.6 * noise(t * 3.0, f64::from(i), seed);
            let (sx, sy) =
                (x + length * t * turn.cos() - bend * turn.sin(), y + length * t * turn.sin() + bend * turn.cos());
            let fade = (0.35 * step(0.0, 0.2, t) * step(1.0, 0.8, t)) as f32;
            spot(sx, sy, 0.035, &|d, v| v + (base - v).min(0.0) * fade * step(0.035, 0.01, d) as f32);
        }
    }
    if sheet.dark_corners > 0.0 {
        for (x, y) in [(0.0, 0.0), (w, 0.0), (w, h), (0.0, h)] {
            let reach = 7.0 + 4.0 * random((x + y) as i32, 20);
            spot(x, y, reach, &|d, v| v + (sheet.dark_corners * step(reach, reach * 0.35, d)) as f32);
        }
    }
    for (i, chip) in sheet.chips.iter().enumerate() {
        let [x, y] = chip.at;
        let rough = |turn: f64| chip.radius * (1.0 + 0.25 * noise(turn * 1.3, i as f64 * 3.1, seed ^ 0x99));
        // Where the glass is gone, bare light; its broken face, aslant, throws light aside.
        let turned = |row: f64, column: f64| (row - y).atan2(column - x);
        let px = |mm: f64, most: usize| ((mm * px_per_mm).max(0.0) as usize).min(most);
        let reach = chip.radius * 1.8;
        for row in px(y - reach, density.rows())..px(y + reach, density.rows()) {
            for column in px(x - reach, density.columns())..px(x + reach, density.columns()) {
                let (mx, my) = ((column as f64 + 0.5) / px_per_mm, (row as f64 + 0.5) / px_per_mm);
                let d = (mx - x).hypot(my - y);
                let edge = rough(turned(my, mx));
                let value = density.at(row, column);
                let soft = 0.5 / px_per_mm;
                let gone = step(edge + soft, edge - soft, d) as f32;
                let face = (0.35 * step(edge + 0.45, edge + 0.1, d)) as f32;
                density.set(row, column, (value + face) * (1.0 - gone));
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// By construction: far up the straight line its slope is gamma and, drawn on, it meets base plus fog at the inertia point.
    #[test]
    fn the_curve_has_its_slope_and_its_inertia_point() {
        let curve = Curve { shoulder: 0.05, most: 6.0, ..Curve::default() };
        let slope = (curve.net_density(1.6) - curve.net_density(1.4)) / 0.2;
        assert!((slope - curve.gamma).abs() < 1e-3, "slope {slope}");
        assert!((curve.net_density(1.5) - curve.gamma * 1.5).abs() < 1e-3);
        assert!(curve.net_density(-4.0).abs() < 1e-4);
    }

    #[test]
    fn the_curve_rises_everywhere_and_stays_under_its_most() {
        let curve = Curve::default();
        let values: Vec<f64> = (0..900).map(|i| curve.net_density(-4.0 + f64::from(i) * 0.01)).collect();
        assert!(values.windows(2).all(|w| w[1] > w[0]));
        // The two bends are joined so that no light gives exactly nothing, which lifts the top by ln(1 + e^(−most ÷ shoulder)).
        assert!(values.iter().all(|v| *v < curve.most + 1e-4));
    }

    /// The speed point of ISO 6 lies 0.10 above base plus fog; soft-plus and its inverse are closed forms.
    #[test]
    fn the_table_keeps_to_the_curve() {
        let curve = Curve::default();
        let table = Table::of(&curve);
        for i in 0..4000 {
            let log_h = -3.0 + f64::from(i) * 0.0017;
            assert!((f64::from(table.at(log_h as f32)) - curve.net_density(log_h)).abs() < 2e-5, "{log_h}");
        }
    }

    #[test]
    fn an_even_picture_gives_an_even_plate_with_a_clear_rebate() {
        let scene = Image::filled(Size::new(60, 80), 1.0f32);
        let sheet = Sheet {
            granularity: 0.0,
            coating: 0.0,
            uneven_fog: 0.0,
            defects: 0.0,
            width_mm: 40.0,
            height_mm: 30.0,
            ..Sheet::default()
        };
        let curve = Curve::default();
        let plate = make(&scene, &sheet, &curve, 0.8, 0.0, 10.0);
        let expected = curve.base() + curve.net_density(0.8);
        assert!((f64::from(plate.density.at(150, 200)) - expected).abs() < 1e-4);
        assert!((plate.base - curve.base()).abs() < 1e-5);
        assert!((f64::from(plate.density.at(10, 200)) - curve.base()).abs() < 1e-5);
    }

    /// Granularity is stated through 48 µm; averaged over a square of n cells it must fall by n.
    #[test]
    fn grain_averages_out_as_its_area_grows() {
        let scene = Image::filled(Size::new(60, 80), 1.0f32);
        let sheet = Sheet { coating: 0.0, uneven_fog: 0.0, defects: 0.0, rebate_mm: [0.0; 4], ..Sheet::default() };
        let plate = make(&scene, &sheet, &Curve::default(), 0.8, 0.0, 24.0);
        let spread = |n: usize| {
            let means: Vec<f64> = (0..400)
                .map(|i| {
                    let (r, c) = (40 + (i / 20) * 2 * n, 40 + (i % 20) * 2 * n);
                    let cells = (0..n * n).map(|k| f64::from(plate.density.at(r + k / n, c + k % n)));
                    cells.sum::<f64>() / (n * n) as f64
                })
                .collect();
            let mean = means.iter().sum::<f64>() / 400.0;
            (means.iter().map(|m| (m - mean).powi(2)).sum::<f64>() / 399.0).sqrt()
        };
        // 400 samples: standard error of a standard deviation is 3.5 %; four of these in a ratio of two.
        assert!((spread(1) / spread(4) / 4.0 - 1.0).abs() < 0.2, "{} {}", spread(1), spread(4));
    }
}
