//! Copying a plate over a light panel: what reaches the sensor, and what the sensor makes of it.
//!
//! In: a [`Plate`] and how it lies, a [`Setup`]. Out: light on the sensor (`Image<f32>`, 1 is the bare panel where it is
//! brightest) from [`with_plate`] and [`bare`], and codes from [`sensor`]. Never fails: a setup is a made-up thing and trusted.
//! The order is nature's: panel → mask → plate → lens (geometry, blur, vignetting, veiling glare) → photosites → noise.
//! A pixel integrates over its own area and the lens's blur; edges of glass and mask enter by the area that they cover.

pub mod optics;
pub mod sensor;

use super::plate::Plate;
use crate::geometry::Point;
use crate::image::{Image, Size};
use optics::{Lie, Optics, Stand};
use rayon::prelude::*;

/// Every knob of a copy. Lengths on the sensor in pixels, on the plate in millimetres.
#[derive(Debug, Clone, PartialEq)]
pub struct Setup {
    pub stand: Stand,
    /// Share of light that the panel has lost at the frame's corners.
    pub fall_off: f64,
    /// A brighter patch: extra share of light, place and width as shares of the frame.
    pub hot_spot: (f64, [f64; 2], f64),
    /// Difference of light from the frame's left to its right, as a share.
    pub slope: f64,
    /// Share of light that the lens has lost at the frame's corners.
    pub vignetting: f64,
    /// Blur of the lens: standard deviation of a Gaussian.
    pub blur_px: f64,
    /// Share of the frame's mean light that the lens spreads evenly over it.
    pub glare: f64,
    pub mask: Option<Mask>,
    /// An opaque card on the panel: x, y, width, height in sensor pixels.
    pub card_px: Option<[f64; 4]>,
    /// Flicker: share of the light, rows a period, phase in turns for each frame's number.
    pub bands: Option<(f64, f64, f64)>,
    pub sensor: sensor::Sensor,
    /// Shutter time of the plates' frames and of the blanks'.
    pub time_s: f64,
    pub blank_time_s: f64,
    /// Share of full scale that the bare panel reaches, where it is brightest, in `time_s`.
    pub level: f64,
    /// Share by which the panel grows dimmer from one frame to the next.
    pub drift: f64,
}

/// Black card with an opening, laid about the plate.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Mask {
    /// Bare panel seen between the plate and the card, on all sides.
    pub gap_mm: f64,
    /// What the card still lets through or sends back, as a share of the panel's light.
    pub leak: f64,
}

impl Default for Setup {
    /// A phone of 12 megapixels over a half plate in a black mask, set up with care.
    fn default() -> Self {
        Setup {
            stand: Stand {
                columns: 4032,
                rows: 3024,
                px_per_mm: 22.0,
                turn_deg: 0.6,
                tilt_deg: [0.25, -0.35],
                aim_mm: [0.8, -0.6],
                focal_px: 3100.0,
                axis_px: [6.0, -4.0],
                k1: -0.018,
                k2: 0.004,
            },
            fall_off: 0.10,
            hot_spot: (0.06, [0.44, 0.57], 0.22),
            slope: 0.04,
            vignetting: 0.22,
            blur_px: 0.60,
            glare: 0.0,
            mask: Some(Mask { gap_mm: 1.6, leak: 0.00002 }),
            card_px: None,
            bands: None,
            sensor: sensor::Sensor::default(),
            time_s: 0.125,
            blank_time_s: 0.125,
            level: 0.84,
            drift: 0.0,
        }
    }
}

impl Setup {
    fn size(&self) -> Size {
        Size::new(self.stand.rows, self.stand.columns)
    }

    /// Light that panel and vignetting give to a pixel, 1 at the panel's brightest.
    fn field(&self) -> Image<f32> {
        let (w, h) = (self.stand.columns as f64, self.stand.rows as f64);
        let corner = (w / 2.0).hypot(h / 2.0);
        let (hot, [hot_x, hot_y], hot_wide) = self.hot_spot;
        let at = |x: f64, y: f64| {
            let r2 = ((x - w / 2.0).powi(2) + (y - h / 2.0).powi(2)) / (corner * corner);
            let d2 = ((x - hot_x * w).powi(2) + (y - hot_y * h).powi(2)) / (hot_wide * w).powi(2);
            let panel =
                (1.0 - self.fall_off * r2) * (1.0 + self.slope * (x / w - 0.5)) * (1.0 + hot * (-0.5 * d2).exp());
            panel * (1.0 - self.vignetting * r2 * (0.75 + 0.25 * r2))
        };
        let mut field = Image::from_rows(self.size(), 0f32, |row, out| {
            for (column, v) in out.iter_mut().enumerate() {
                *v = at(column as f64 + 0.5, row as f64 + 0.5) as f32;
            }
        });
        let brightest = field.pixels().par_iter().copied().reduce(|| 0.0, f32::max);
        field.pixels_mut().par_iter_mut().for_each(|v| *v /= brightest);
        field
    }

    /// The lens's glare and the panel's flicker and drift, on light that the panel and the plate have made.
    fn finish(&self, mut light: Image<f32>, frame: usize) -> Image<f32> {
        let mean = row_means(&light).iter().sum::<f64>() / light.rows() as f64;
        let veil = (self.glare * mean) as f32;
        let dim = 1.0 - self.drift * frame as f64;
        let columns = light.columns();
        light.pixels_mut().par_chunks_mut(columns).enumerate().for_each(|(row, out)| {
            let flicker = self.bands.map_or(1.0, |(depth, period, phase)| {
                1.0 + depth * (std::f64::consts::TAU * (row as f64 / period + phase * frame as f64)).sin()
            });
            let share = (dim * flicker) as f32;
            out.iter_mut().for_each(|v| *v = (*v + veil) * share);
        });
        light
    }
}

/// Means of rows, so that their sum does not depend on how the work was shared out.
fn row_means(image: &Image<f32>) -> Vec<f64> {
    let mean = |row: &[f32]| row.iter().map(|v| f64::from(*v)).sum::<f64>() / row.len() as f64;
    image.pixels().par_chunks(image.columns()).map(mean).collect()
}

/// Light on the sensor with the panel alone before it. `frame` counts the session's frames, for drift and flicker.
pub fn bare(setup: &Setup, frame: usize) -> Image<f32> {
    setup.finish(setup.field(), frame)
}

/// Light on the sensor with a plate on the panel.
pub fn with_plate(plate: &Plate, lie: &Lie, setup: &Setup, frame: usize) -> Image<f32> {
    let through = Through::new(plate, lie, setup);
    let mut light = setup.field();
    let columns = light.columns();
    const BAND: usize = 32;
    light.pixels_mut().par_chunks_mut(BAND * columns).enumerate().for_each(|(band, out)| {
        through.band(band * BAND, out);
    });
    setup.finish(light, frame)
}

/// What lies on the panel, as the lens sees it.
struct Through<'a> {
    setup: &'a Setup,
    optics: Optics,
    /// Share of light passed, on the plate's own grid.
    transmittance: Image<f32>,
    plate: &'a Plate,
    /// Half of a Gaussian of the lens's blur on the fine grid, centre first.
    kernel: Vec<f32>,
}

/// Samples along each side of a pixel.
const FINE: usize = 2;

impl<'a> Through<'a> {
    fn new(plate: &'a Plate, lie: &Lie, setup: &'a Setup) -> Self {
        let sigma = (setup.blur_px * FINE as f64).max(1e-6);
        let reach = (4.0 * sigma).ceil() as usize;
        let raw: Vec<f64> = (0..=reach).map(|i| (-0.5 * (i as f64 / sigma).powi(2)).exp()).collect();
        let sum = 2.0 * raw.iter().sum::<f64>() - raw[0];
        Through {
            setup,
            optics: Optics::new(lie, &setup.stand),
            transmittance: plate.density.map(|d| (-d * std::f32::consts::LN_10).exp()),
            plate,
            kernel: raw.iter().map(|v| (v / sum) as f32).collect(),
        }
    }

    /// Multiplies what passes into some rows of light, beginning with row `first`.
    fn band(&self, first: usize, out: &mut [f32]) {
        let columns = self.setup.stand.columns;
        let rows = out.len() / columns;
        let reach = self.kernel.len() - 1;
        let (fine_columns, fine_rows) = (columns * FINE + 2 * reach, rows * FINE + 2 * reach);
        let step = 1.0 / FINE as f64;
        let mut line = vec![0f32; fine_columns];
        let mut blurred = vec![0f32; fine_rows * columns * FINE];
        for fine_row in 0..fine_rows {
            let y = first as f64 + (fine_row as f64 - reach as f64 + 0.5) * step;
            for (fine_column, v) in line.iter_mut().enumerate() {
                let x = (fine_column as f64 - reach as f64 + 0.5) * step;
                *v = self.at(Point::new(x, y));
            }
            let target = &mut blurred[fine_row * columns * FINE..][..columns * FINE];
            for (i, v) in target.iter_mut().enumerate() {
                let centre = i + reach;
                let pairs = (1..=reach).map(|k| self.kernel[k] * (line[centre - k] + line[centre + k]));
                *v = self.kernel[0] * line[centre] + pairs.sum::<f32>();
            }
        }
        // Down the columns: the blur and the pixel's own height in one set of weights.
        let width = columns * FINE;
        let weights: Vec<f32> = (0..2 * reach + FINE)
            .map(|i| {
                let tap = |s: usize| {
                    let k = (i as isize - s as isize - reach as isize).unsigned_abs();
                    self.kernel.get(k).copied().unwrap_or(0.0)
                };
                (0..FINE).map(tap).sum::<f32>() / (FINE * FINE) as f32
            })
            .collect();
        let mut sum = vec![0f32; width];
        for (row, out) in out.chunks_mut(columns).enumerate() {
            sum.fill(0.0);
            for (i, w) in weights.iter().enumerate() {
                let source = &blurred[(row * FINE + i) * width..][..width];
                sum.iter_mut().zip(source).for_each(|(s, v)| *s += w * v);
            }
            for (v, fine) in out.iter_mut().zip(sum.chunks_exact(FINE)) {
                *v *= fine.iter().sum::<f32>();
            }
        }
    }

    /// Share of the panel's light that comes through at one place of the sensor.
    fn at(&self, px: Point) -> f32 {
        let mm = self.optics.to_mm(px);
        let (w, h) = (self.plate.width_mm, self.plate.height_mm);
        // Distance inside the glass, in fine samples: what a straight edge covers of one sample's area.
        let per_mm = self.setup.stand.px_per_mm * FINE as f64;
        let cover = |margin: f64| {
            let inside = |a: f64, b: f64| ((a.min(b) + margin) * per_mm + 0.5).clamp(0.0, 1.0);
            (inside(mm.x, w - mm.x) * inside(mm.y, h - mm.y)) as f32
        };
        let glass = cover(0.0);
        let mut beside = match self.setup.mask {
            None => 1.0,
            Some(mask) => {
                let opening = cover(mask.gap_mm);
                opening + (1.0 - opening) * mask.leak as f32
            }
        };
        if let Some([x, y, width, height]) = self.setup.card_px
            && px.x >= x
            && px.x < x + width
            && px.y >= y
            && px.y < y + height
        {
            beside = 1e-5;
        }
        if glass == 0.0 {
            return beside;
        }
        let scale = self.plate.px_per_mm;
        let seen = interpolate(&self.transmittance, mm.x * scale, mm.y * scale);
        glass * seen + (1.0 - glass) * beside
    }
}

/// Between pixels by cubic convolution (Keys 1981, a = −½), which passes through them; the nearest stand in beyond the border.
fn interpolate(image: &Image<f32>, x: f64, y: f64) -> f32 {
    let weights = |t: f32| {
        let (t2, t3) = (t * t, t * t * t);
        [-0.5 * t3 + t2 - 0.5 * t, 1.5 * t3 - 2.5 * t2 + 1.0, -1.5 * t3 + 2.0 * t2 + 0.5 * t, 0.5 * t3 - 0.5 * t2]
    };
    let (x, y) = (x - 0.5, y - 0.5);
    let (i, j) = (super::noise::whole(x), super::noise::whole(y));
    let (wx, wy) = (weights((x - f64::from(i)) as f32), weights((y - f64::from(j)) as f32));
    let (i, j) = (i as isize - 1, j as isize - 1);
    let mut sum = 0.0;
    if i >= 0 && j >= 0 && i + 4 <= image.columns() as isize && j + 4 <= image.rows() as isize {
        for (dy, w) in wy.iter().enumerate() {
            let row = &image.row(j as usize + dy)[i as usize..i as usize + 4];
            sum += w * (wx[0] * row[0] + wx[1] * row[1] + wx[2] * row[2] + wx[3] * row[3]);
        }
    } else {
        for (dy, w) in wy.iter().enumerate() {
            for (dx, v) in wx.iter().enumerate() {
                sum += w * v * image.at_clamped(j + dy as isize, i + dx as isize);
            }
        }
    }
    sum
}
