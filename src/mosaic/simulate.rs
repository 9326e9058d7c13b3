//! A made plate and its tiles, with the truth beside them: the forward model of this module's tests, written apart from the stages.

use super::smooth::gaussian;
use crate::geometry::{Homography, Lens, Point, View};
use crate::image::{Image, Size};
use crate::units::Transmittance;
use nalgebra::Matrix3;
use rand::{Rng, SeedableRng};
use rand_distr::{Distribution, Normal};
use rand_pcg::Pcg64Mcg;
use std::sync::{Arc, OnceLock};

/// A plate's picture.
#[derive(Clone)]
pub struct Plate {
    pub width: f64,
    pub height: f64,
    /// Transmittance, [`FINE`] cells a millimetre, with [`BEYOND`] mm of bare panel on every side.
    cells: Arc<Image<f32>>,
}

const FINE: f64 = 40.0;
const BEYOND: f64 = 8.0;
const WIDTH: f64 = 80.0;
const HEIGHT: f64 = 60.0;
/// Height of the even sky from the top, mm: a third of the plate.
const SKY: f64 = 20.0;
/// Standard deviation of density by grain, and grain's size in mm.
const GRAIN: f64 = 0.03;
const GRAIN_MM: f64 = 0.08;

fn hash(x: i64, y: i64, seed: u64) -> f64 {
    let mut h = (x as u64).wrapping_mul(0x9E37_79B9_7F4A_7C15) ^ (y as u64).wrapping_mul(0xC2B2_AE3D_27D4_EB4F) ^ seed;
    h ^= h >> 29;
    h = h.wrapping_mul(0xBF58_476D_1CE4_E5B9);
    h ^= h >> 32;
    h = h.wrapping_mul(0x94D0_49BB_1331_11EB);
    h ^= h >> 29;
    (h >> 11) as f64 / (1u64 << 53) as f64 * 2.0 - 1.0
}

/// Smooth noise between −1 and 1 with cells of one unit.
fn noise(x: f64, y: f64, seed: u64) -> f64 {
    let (x0, y0) = (x.floor(), y.floor());
    let ease = |t: f64| t * t * t * (t * (t * 6.0 - 15.0) + 10.0);
    let (u, v) = (ease(x - x0), ease(y - y0));
    let at = |dx: i64, dy: i64| hash(x0 as i64 + dx, y0 as i64 + dy, seed);
    let top = at(0, 0) * (1.0 - u) + at(1, 0) * u;
    let bottom = at(0, 1) * (1.0 - u) + at(1, 1) * u;
    top * (1.0 - v) + bottom * v
}

/// Density at a place of the picture.
fn density(p: Point, seed: u64) -> f64 {
    const REBATE: f64 = 2.5;
    let grain = GRAIN * 1.9 * noise(p.x / GRAIN_MM, p.y / GRAIN_MM, seed ^ 77);
    let inset = p.x.min(p.y).min(WIDTH - p.x).min(HEIGHT - p.y);
    if inset < REBATE {
        return 0.12 + 0.3 * grain.abs();
    }
    let skyline = SKY + 3.0 * noise(p.x / 9.0, 0.3, seed ^ 5);
    if p.y < skyline {
        return 1.9 + 0.05 * p.y / HEIGHT + grain;
    }
    let mut d = 0.9;
    for (octave, (size, height)) in [(14.0, 0.5), (5.0, 0.35), (1.8, 0.25), (0.7, 0.2), (0.3, 0.12)].iter().enumerate()
    {
        d += height * noise(p.x / size, p.y / size, seed + octave as u64);
    }
    // Hard outlines: facets of stone.
    let facet = noise(p.x / 2.2, p.y / 2.2, seed ^ 91) + noise(p.x / 0.9, p.y / 0.9, seed ^ 17);
    if facet > 0.35 {
        d += 0.35;
    }
    (d + grain).max(0.05)
}

impl Plate {
    pub fn new(seed: u64) -> Plate {
        let size = Size::new(((HEIGHT + 2.0 * BEYOND) * FINE) as usize, ((WIDTH + 2.0 * BEYOND) * FINE) as usize);
        let cells = Image::from_rows(size, 1f32, |row, out| {
            for (column, t) in out.iter_mut().enumerate() {
                let p = Point::new((column as f64 + 0.5) / FINE - BEYOND, (row as f64 + 0.5) / FINE - BEYOND);
                if p.x > 0.0 && p.y > 0.0 && p.x < WIDTH && p.y < HEIGHT {
                    *t = 10f64.powf(-density(p, seed)) as f32;
                }
            }
        });
        Plate { width: WIDTH, height: HEIGHT, cells: Arc::new(cells) }
    }

    /// One plate for all tests of a run.
    pub fn usual() -> Plate {
        static USUAL: OnceLock<Plate> = OnceLock::new();
        USUAL.get_or_init(|| Plate::new(1)).clone()
    }

    /// The same glass with a rim ground off along its sides, `width` mm wide, that passes less light, as a lens shows it whose blur has a
    /// standard deviation of `blur` mm.
    pub fn ground(&self, width: f64, blur: f64) -> Plate {
        /// Density of the rim, and how softly it ends, mm.
        const RIM: f64 = 0.35;
        const SOFT: f64 = 0.04;
        let rimmed = Image::from_rows(self.cells.size(), 1f32, |row, out| {
            let y = (row as f64 + 0.5) / FINE - BEYOND;
            for (column, t) in out.iter_mut().enumerate() {
                let x = (column as f64 + 0.5) / FINE - BEYOND;
                let inset = x.min(y).min(self.width - x).min(self.height - y);
                let share = if inset < 0.0 { 0.0 } else { ((width - inset) / SOFT).clamp(0.0, 1.0) };
                *t = self.cells.at(row, column) * 10f64.powf(-RIM * share) as f32;
            }
        });
        Plate { cells: Arc::new(gaussian(&rimmed, blur * FINE)), ..self.clone() }
    }

    /// Transmittance at a place, linear between cells; 1 beside the plate.
    pub fn light(&self, p: Point) -> f64 {
        let (x, y) = ((p.x + BEYOND) * FINE - 0.5, (p.y + BEYOND) * FINE - 0.5);
        let (c, r) = (x.floor(), y.floor());
        if c < 0.0 || r < 0.0 || c + 1.0 >= self.cells.columns() as f64 || r + 1.0 >= self.cells.rows() as f64 {
            return 1.0;
        }
        let at = |dr: usize, dc: usize| self.cells.at(r as usize + dr, c as usize + dc) as f64;
        let (u, v) = (x - c, y - r);
        (at(0, 0) * (1.0 - u) + at(0, 1) * u) * (1.0 - v) + (at(1, 0) * (1.0 - u) + at(1, 1) * u) * v
    }
}

/// How the tiles are made.
#[derive(Clone)]
pub struct Setup {
    pub plate: Plate,
    pub size: Size,
    pub columns: usize,
    pub rows: usize,
    /// Share of a tile that the next one shows too.
    pub overlap: f64,
    /// Plate seen beyond its edges, mm.
    pub beyond: f64,
    pub k1: f64,
    pub k2: f64,
    /// Degrees.
    pub tilt: f64,
    /// Random turn and shift of each tile: degrees, mm.
    pub jitter: (f64, f64),
    /// Each tile's own tilt (degrees) and relative height.
    pub hand: (f64, f64),
    /// Electrons at white; noise is their root.
    pub electrons: f64,
    /// Tile turned by 180°.
    pub upside_down: Option<usize>,
    pub seed: u64,
}

/// Tiles and the truth.
pub struct Made {
    pub tiles: Vec<Image<Transmittance>>,
    pub views: Vec<View>,
    pub setup: Setup,
}

impl Setup {
    pub fn small() -> Setup {
        Setup {
            plate: Plate::usual(),
            size: Size::new(480, 640),
            columns: 3,
            rows: 2,
            overlap: 0.3,
            beyond: 2.0,
            k1: -0.02,
            k2: 0.004,
            tilt: 0.6,
            jitter: (0.8, 0.6),
            hand: (0.0, 0.0),
            electrons: 20_000.0,
            upside_down: None,
            seed: 7,
        }
    }

    /// Pixels per millimetre that make the grid cover the plate.
    pub fn sampling(&self) -> f64 {
        let across = |n: usize, px: usize, mm: f64| {
            px as f64 * (1.0 + (n - 1) as f64 * (1.0 - self.overlap)) / (mm + 2.0 * self.beyond)
        };
        across(self.columns, self.size.columns, self.plate.width).min(across(
            self.rows,
            self.size.rows,
            self.plate.height,
        ))
    }

    pub fn views(&self) -> Vec<View> {
        let mut random = Pcg64Mcg::seed_from_u64(self.seed);
        let mut jitter = |by: f64| if by > 0.0 { random.random_range(-by..by) } else { 0.0 };
        let sampling = self.sampling();
        let lens = Lens {
            k1: self.k1,
            k2: self.k2,
            centre: Point::new(self.size.columns as f64 * 0.503, self.size.rows as f64 * 0.496),
            ..Lens::straight(self.size.columns, self.size.rows)
        };
        let step = |n: usize, mm: f64, px: usize, k: usize| {
            let field = px as f64 / sampling;
            let free = mm + 2.0 * self.beyond - field;
            let at = if n > 1 { free * k as f64 / (n - 1) as f64 } else { free / 2.0 };
            at - self.beyond + field / 2.0
        };
        let mut views = Vec::new();
        for k in 0..self.columns * self.rows {
            let (c, r) = (k % self.columns, k / self.columns);
            let centre = Point::new(
                step(self.columns, self.plate.width, self.size.columns, c) + jitter(self.jitter.1),
                step(self.rows, self.plate.height, self.size.rows, r) + jitter(self.jitter.1),
            );
            let mut turn = jitter(self.jitter.0).to_radians();
            if self.upside_down == Some(k) {
                turn += std::f64::consts::PI;
            }
            let tilt =
                [(self.tilt + jitter(self.hand.0)).to_radians(), (-0.7 * self.tilt + jitter(self.hand.0)).to_radians()];
            let height = 1.0 + jitter(self.hand.1);
            views.push(View { plane: self.camera(sampling / height, centre, turn, tilt), lens });
        }
        views
    }

    /// A pinhole with square pixels that looks at the plate under two tilts.
    fn camera(&self, sampling: f64, centre: Point, turn: f64, tilt: [f64; 2]) -> Homography {
        let f = 1.15 * self.size.columns as f64;
        let distance = f / sampling;
        let (sx, cx) = tilt[1].sin_cos();
        let (sy, cy) = tilt[0].sin_cos();
        let about_x = Matrix3::new(1.0, 0.0, 0.0, 0.0, cx, -sx, 0.0, sx, cx);
        let about_y = Matrix3::new(cy, 0.0, sy, 0.0, 1.0, 0.0, -sy, 0.0, cy);
        let r = about_x * about_y;
        let k =
            Matrix3::new(f, 0.0, self.size.columns as f64 / 2.0, 0.0, f, self.size.rows as f64 / 2.0, 0.0, 0.0, 1.0);
        let mut look = r;
        look.set_column(2, &nalgebra::Vector3::new(0.0, 0.0, distance));
        let slide =
            Homography::similarity(1.0, turn, Point::default()).after(&Homography::similarity(1.0, 0.0, centre * -1.0));
        let h = k * look * slide.0;
        Homography(h / h[(2, 2)])
    }

    /// Each pixel is the mean of 3 × 3 points, with photon noise, as sRGB codes of 8 bits would hold it.
    pub fn make(self) -> Made {
        let views = self.views();
        let tiles = views.iter().enumerate().map(|(k, view)| self.tile(view, self.seed * 1000 + k as u64)).collect();
        Made { tiles, views, setup: self }
    }

    pub fn tile(&self, view: &View, seed: u64) -> Image<Transmittance> {
        let back = view.plane.inverse();
        Image::from_rows(self.size, Transmittance(0.0), |row, out| {
            let mut random = Pcg64Mcg::seed_from_u64(seed ^ (row as u64) << 20);
            let normal = Normal::new(0.0, 1.0).unwrap();
            for (column, t) in out.iter_mut().enumerate() {
                let mut light = 0.0;
                for k in 0..9 {
                    let px = Point::new(
                        column as f64 + (k % 3) as f64 / 3.0 + 1.0 / 6.0,
                        row as f64 + (k / 3) as f64 / 3.0 + 1.0 / 6.0,
                    );
                    light += self.plate.light(back.apply(view.lens.undistort(px))) / 9.0;
                }
                let noisy = light + (light / self.electrons).sqrt() * normal.sample(&mut random);
                // The blank filled 0.8 of the codes' range.
                *t = Transmittance((decoded(0.8 * noisy) / 0.8) as f32);
            }
        })
    }
}

/// To an 8-bit sRGB code and back.
fn decoded(linear: f64) -> f64 {
    let l = linear.clamp(0.0, 1.0);
    let encoded = if l <= 0.0031308 { 12.92 * l } else { 1.055 * l.powf(1.0 / 2.4) - 0.055 };
    let code = (encoded * 255.0).round() / 255.0;
    if code <= 0.04045 { code / 12.92 } else { ((code + 0.055) / 1.055).powf(2.4) }
}
