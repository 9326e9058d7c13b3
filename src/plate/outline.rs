//! The plate's outline: four straight lines and the lens, fitted to points along the sides at once.
//!
//! In: transmittance in the sensor's coordinates and the plate's nominal size. Out: an [`Outline`]: the [`View`] from the plate's millimetres
//! to the capture, its corners, and how far to trust it. Glass is cut straight, so a side that looks bent measures the lens.
//! The nominal size sets the scale; the two sides' ratio is measured too, and taken instead where it contradicts the notes by more
//! than the measurement can err. Method: damped Gauss-Newton over the corners as a straight lens would show them and k1, k2,
//! with Tukey's weights.

use super::region::{self, Region, SIDES};
use super::{card, ground, profile};
use crate::error::{Fault, Warning};
use crate::geometry::{Homography, Lens, Point, View};
use crate::image::Image;
use crate::notes::PlateSize;
use crate::units::Transmittance;
use nalgebra::{DMatrix, DVector};
use rayon::prelude::*;

/// Below this confidence a plate is not cropped without being told to.
pub const CONFIDENT: f64 = 0.5;
/// Points looked for along each side.
const STATIONS: usize = 400;
/// Share of a side left out at either end, where corners are chipped and dark.
const CORNER: f64 = 0.015;
/// What k1 and k2 are before anything is seen: standard deviations of the relative displacement in the frame's corner.
const PRIOR_K1: f64 = 0.15;
const PRIOR_K2: f64 = 0.03;
/// How far the lens's axis meets the sensor from the frame's middle, each way: standard deviation as a share of half the diagonal.
const PRIOR_CENTRE: f64 = 0.008;
/// Looseness of what is known without seeing: proportion of the sides, and equal opposite sides. They count only where a side is hardly seen.
const PRIOR_RATIO: f64 = 0.005;
const PRIOR_PARALLEL: f64 = 0.03;
/// Plates are cut up to 1 % short of nominal (Clerc, *Photography: Theory and Practice*, § 239), so two sides' ratio may be off by as much.
const CUT_TOLERANCE: f64 = 0.012;
/// What a measured ratio of sides may err by: a tilt not quite known, a lens not quite round.
const RATIO_ERROR: f64 = 0.002;

/// Where the plate lies in its capture.
#[derive(Debug, Clone)]
pub struct Outline {
    /// From millimetres (x right, y down from the top-left corner as the sensor saw the plate) to capture pixels.
    pub view: View,
    /// Top-left, top-right, bottom-right, bottom-left as the sensor saw them.
    pub corners_px: [Point; 4],
    /// Width and height as the sensor saw them.
    pub size_mm: [f64; 2],
    /// 0 to 1: the least supported side's share of good points, less for sides whose ratio is not the stated one's.
    pub confidence: f64,
    /// Root mean square distance of the good points from their side.
    pub rms_px: f64,
    /// Share of each side (top, right, bottom, left) with good points.
    pub support: [f64; 4],
    /// Natural logarithm of the sides' measured ratio over the notes'.
    pub ratio_off: f64,
    /// Standard deviation of the blur under a ground rim, in pixels, where the sides show one.
    pub rim_blur: Option<f64>,
    /// What was seen round the plate; none where the corners came from the notes.
    pub region: Option<Region>,
    pub warnings: Vec<Warning>,
}

impl Outline {
    pub fn lens(&self) -> Lens {
        self.view.lens
    }
}

/// Points of one side and where they were looked for.
struct SidePoints {
    points: Vec<Point>,
    /// Which of the [`STATIONS`] each belongs to.
    stations: Vec<usize>,
    tried: usize,
}

impl SidePoints {
    fn new(found: impl Iterator<Item = (usize, Point)>) -> SidePoints {
        let (stations, points) = found.unzip();
        SidePoints { points, stations, tried: STATIONS }
    }
}

/// Finds the outline. `lens` fixes the distortion where a profile knows it.
pub fn find(seen: &Image<Transmittance>, size: &PlateSize, lens: Option<Lens>) -> Result<Outline, Fault> {
    likeliest(seen, |region| {
        let (mut fit, fine) = fitted(seen, size, lens, &region);
        let (fine, rim_blur) = under_the_rim(seen, &fit, fine);
        fit.solve(&fine);
        Outline { rim_blur, ..fit.outline(&fine, size, Some(region)) }
    })
}

/// Finds the outline in a picture whose pixels are means over cells, which no lens has blurred: its sides are where they are seen, a ground rim not
/// looked for.
pub fn find_in_cells(seen: &Image<Transmittance>, size: &PlateSize) -> Result<Outline, Fault> {
    let straight = Lens::straight(seen.columns(), seen.rows());
    likeliest(seen, |region| {
        let (fit, fine) = fitted(seen, size, Some(straight), &region);
        fit.outline(&fine, size, Some(region))
    })
}

/// The likeliest outline of all regions that may be the plate.
fn likeliest(seen: &Image<Transmittance>, outline: impl Fn(Region) -> Outline + Sync + Send) -> Result<Outline, Fault> {
    let ways = region::find(seen)?;
    let found: Vec<Outline> = ways.into_par_iter().map(outline).collect();
    let mut found = found.into_iter();
    let Some(first) = found.next() else { return Err(Fault::new("no plate is seen", "give corners_px")) };
    let Some(second) = found.next() else { return Ok(first) };
    if first.region.as_ref().is_some_and(|region| region.is_card) {
        return card::plate_in(seen, &first, second);
    }
    Ok(if strip_is_bare(seen, &first, &second) { second } else { first })
}

/// What proportions tell beyond their own error, where an even rebate begins at the sides, and where none does: a plate cut short may
/// have a picture in proportion by chance.
pub(super) const EVEN: f64 = 0.003;
pub(super) const UNEVEN: f64 = 0.008;

/// Whether what is bright along the mask is bare panel: then the plate without it has the notes' proportions, and the plate with it does not,
/// since a strip lies round both sides alike. A rebate round the plate does the same the other way.
fn strip_is_bare(seen: &Image<Transmittance>, with: &Outline, without: &Outline) -> bool {
    if without.confidence < CONFIDENT || with.confidence < CONFIDENT {
        return without.confidence > with.confidence;
    }
    let margin = if begins_evenly(seen, without) { EVEN } else { UNEVEN };
    without.ratio_off.abs() + margin < with.ratio_off.abs()
}

/// Whether a plate begins with a rebate: the same density all along, a millimetre behind its sides.
pub(super) fn begins_evenly(seen: &Image<Transmittance>, outline: &Outline) -> bool {
    const BEHIND_MM: f64 = 1.0;
    /// Spread of transmittance along a rebate, as a share: grain, and what dust lies there.
    const SPREAD: f64 = 0.06;
    let mut logs: Vec<f64> = along_the_sides(seen, outline, BEHIND_MM).into_iter().map(|t| t.max(1e-4).ln()).collect();
    if logs.is_empty() {
        return false;
    }
    let median = |logs: &mut Vec<f64>| {
        let half = logs.len() / 2;
        *logs.select_nth_unstable_by(half, f64::total_cmp).1
    };
    let middle = median(&mut logs);
    let mut off: Vec<f64> = logs.iter().map(|l| (l - middle).abs()).collect();
    1.4826 * median(&mut off) < SPREAD
}

/// Transmittance at places along the four sides, so many millimetres behind them (or before them, where negative).
pub(super) fn along_the_sides(seen: &Image<Transmittance>, outline: &Outline, behind_mm: f64) -> Vec<f64> {
    const STEPS: usize = 60;
    let [w, h] = outline.size_mm;
    let along = |k: usize| (k as f64 + 0.5) / STEPS as f64;
    let places = (0..STEPS).flat_map(|k| {
        let (x, y) = (along(k) * w, along(k) * h);
        [(x, behind_mm), (x, h - behind_mm), (behind_mm, y), (w - behind_mm, y)]
    });
    places
        .map(|(x, y)| outline.view.to_capture(Point::new(x, y)))
        .filter(|p| p.x >= 0.0 && p.y >= 0.0 && p.x < seen.columns() as f64 && p.y < seen.rows() as f64)
        .map(|p| f64::from(seen.at(p.y as usize, p.x as usize).0))
        .collect()
}

/// Lines along a region's sides, and the points that they were fitted to.
fn fitted(
    seen: &Image<Transmittance>,
    size: &PlateSize,
    lens: Option<Lens>,
    region: &Region,
) -> (Fit, Vec<SidePoints>) {
    let start = Lens::straight(seen.columns(), seen.rows());
    let reach = (3.0 * region.scale).max(10.0);
    let bare = region::BARE * region.bare.unwrap_or(1.0);
    let coarse: Vec<SidePoints> =
        region.sides.par_iter().enumerate().map(|(i, s)| along_coarse(seen, i, s, reach, bare)).collect();
    let mut fit = Fit::new(region.corners(), lens.unwrap_or(start), lens.is_none(), size);
    fit.solve(&coarse);
    let look = |fit: &mut Fit| {
        let fine: Vec<SidePoints> = (0..4).into_par_iter().map(|i| along_fit(seen, fit, i, bare)).collect();
        fit.solve(&fine);
        fine
    };
    let fine = look(&mut fit);
    // A side that its coarse line missed may only now lie within a look's reach.
    let is_seen = |side: &SidePoints| side.points.len() >= STATIONS / 4;
    let fine = if coarse.iter().all(is_seen) { fine } else { look(&mut fit) };
    (fit, fine)
}

/// The outline through four corners that the notes give, in the order top-left, top-right, bottom-right, bottom-left or any turn of it.
pub fn from_corners(seen: &Image<Transmittance>, size: &PlateSize, corners: [Point; 4], lens: Option<Lens>) -> Outline {
    let centre = corners.iter().fold(Point::default(), |a, p| a + *p) * 0.25;
    // By angle about the centre, from the upper left on, clockwise on screen.
    let mut sorted = corners;
    let angle = |p: &Point| {
        let d = *p - centre;
        (d.y.atan2(d.x) + std::f64::consts::PI).rem_euclid(std::f64::consts::TAU)
    };
    sorted.sort_by(|a, b| angle(a).total_cmp(&angle(b)));
    let lens = lens.unwrap_or(Lens::straight(seen.columns(), seen.rows()));
    let fit = Fit::new(sorted, lens, false, size);
    let mut outline = fit.outline(&[], size, None);
    outline.confidence = 1.0;
    outline
}

/// Points across the coarse line of one side.
fn along_coarse(seen: &Image<Transmittance>, index: usize, side: &region::Side, reach: f64, bare: f32) -> SidePoints {
    // Normals point to greater x or y; inwards is that for left and top only.
    let sign = if index == 0 || index == 3 { 1.0 } else { -1.0 };
    let margin = CORNER * (side.to - side.from);
    SidePoints::new((0..STATIONS).filter_map(|i| {
        let t = side.from + margin + (side.to - side.from - 2.0 * margin) * (i as f64 + 0.5) / STATIONS as f64;
        let (at, normal) = side.at(t);
        let inward = normal * sign;
        profile::edge(seen, at, inward, reach, bare).map(|d| (i, at + inward * d))
    }))
}

/// Points across one side as the fit predicts it, in a narrower reach.
fn along_fit(seen: &Image<Transmittance>, fit: &Fit, index: usize, bare: f32) -> SidePoints {
    SidePoints::new((0..STATIONS).filter_map(|k| {
        let Station { at, inward, .. } = fit.station(index, k);
        profile::edge(seen, at, inward, 12.0, bare).map(|d| (k, at + inward * d))
    }))
}

/// The points moved to where the glass begins under a ground edge, by the profiles across all sides; `fit` lies near them. With them the
/// blur under a rim, where there is one.
fn under_the_rim(seen: &Image<Transmittance>, fit: &Fit, sides: Vec<SidePoints>) -> (Vec<SidePoints>, Option<f64>) {
    let told = |i: &usize| sides[*i].points.len() >= STATIONS / 4;
    let told: Vec<usize> = (0..sides.len()).filter(told).collect();
    let across = |i: &usize| {
        let stations: Vec<(usize, Station)> = sides[*i].stations.iter().map(|&k| (k, fit.station(*i, k))).collect();
        let profile =
            |(_, s): &(usize, Station)| profile::across(seen, s.at, s.inward, ground::SPAN).map(|(_, t)| t).collect();
        let along = stations.iter().map(|(_, s)| 2.0 * s.along - 1.0).collect();
        (ground::Side { along, profiles: stations.par_iter().map(profile).collect() }, stations)
    };
    let (profiles, stations): (Vec<_>, Vec<_>) = told.par_iter().map(across).unzip();
    let Some(glass) = ground::glass_begins(&profiles) else { return (sides, None) };
    let mut sides = sides;
    for ((i, begins), stations) in told.into_iter().zip(glass.begins).zip(stations) {
        let found = begins.into_iter().zip(stations).filter_map(|(d, (k, s))| Some((k, s.at + s.inward * d?)));
        sides[i] = SidePoints::new(found);
    }
    (sides, glass.rim_blur)
}

/// A place on a fitted side.
struct Station {
    /// Share of the side's length.
    along: f64,
    at: Point,
    /// Unit vector into the plate.
    inward: Point,
}

/// Corners as a straight lens would show them, and the lens.
#[derive(Debug, Clone)]
struct Fit {
    corners: [Point; 4],
    lens: Lens,
    lens_is_free: bool,
    /// Middle of the frame, where the lens's axis is looked for.
    middle: Point,
    /// Long side over short side.
    ratio: f64,
    /// Typical distance of good points from their side.
    spread: f64,
}

impl Fit {
    fn new(corners_seen: [Point; 4], lens: Lens, lens_is_free: bool, size: &PlateSize) -> Fit {
        let corners = corners_seen.map(|c| lens.undistort(c));
        let middle = lens.centre;
        Fit { corners, lens, lens_is_free, middle, ratio: size.long_mm / size.short_mm, spread: 2.0 }
    }

    /// One of [`STATIONS`] places on a side.
    fn station(&self, index: usize, k: usize) -> Station {
        let (a, b) = (self.corners[index], self.corners[(index + 1) % 4]);
        let place = |share: f64| self.lens.distort(a + (b - a) * share);
        let share = CORNER + (1.0 - 2.0 * CORNER) * (k as f64 + 0.5) / STATIONS as f64;
        let way = place(share + 1e-3) - place(share - 1e-3);
        // Clockwise on screen, inwards lies to the right of the way.
        let inward = Point::new(-way.y, way.x) * (1.0 / way.x.hypot(way.y));
        Station { along: share, at: place(share), inward }
    }

    fn parameters(&self) -> Vec<f64> {
        let mut p: Vec<f64> = self.corners.iter().flat_map(|c| [c.x, c.y]).collect();
        if self.lens_is_free {
            p.extend([self.lens.k1, self.lens.k2, self.lens.centre.x, self.lens.centre.y]);
        }
        p
    }

    fn with(&self, p: &[f64]) -> Fit {
        let mut fit = self.clone();
        fit.corners = std::array::from_fn(|i| Point::new(p[2 * i], p[2 * i + 1]));
        if self.lens_is_free {
            (fit.lens.k1, fit.lens.k2) = (p[8], p[9]);
            fit.lens.centre = Point::new(p[10], p[11]);
        }
        fit
    }

    /// Signed distance from one side of a point as a straight lens would show it; positive inwards.
    fn off(&self, index: usize, straight: Point) -> f64 {
        let (a, b) = (self.corners[index], self.corners[(index + 1) % 4]);
        let (along, p) = (b - a, straight - a);
        (along.x * p.y - along.y * p.x) / along.x.hypot(along.y)
    }

    /// The sides' points as a straight lens would show them.
    fn straightened(&self, sides: &[SidePoints]) -> Vec<Vec<Point>> {
        let straight = |side: &SidePoints| side.points.iter().map(|seen| self.lens.undistort(*seen)).collect();
        sides.iter().map(straight).collect()
    }

    /// Mean lengths of the level and of the upright sides.
    fn sides(&self) -> [f64; 4] {
        std::array::from_fn(|i| self.corners[i].distance(self.corners[(i + 1) % 4]))
    }

    /// What is known without seeing, each in its standard deviations.
    fn priors(&self) -> Vec<f64> {
        let [top, right, bottom, left] = self.sides();
        let measured = ((top + bottom) / (left + right)).ln();
        let nominal = if measured > 0.0 { self.ratio.ln() } else { -self.ratio.ln() };
        let mut rows = vec![
            (measured - nominal) / PRIOR_RATIO,
            (top / bottom).ln() / PRIOR_PARALLEL,
            (left / right).ln() / PRIOR_PARALLEL,
        ];
        if self.lens_is_free {
            let off = (self.lens.centre - self.middle) * (1.0 / (PRIOR_CENTRE * self.lens.radius));
            rows.extend([self.lens.k1 / PRIOR_K1, self.lens.k2 / PRIOR_K2, off.x, off.y]);
        }
        rows
    }

    fn residuals(&self, straight: &[Vec<Point>]) -> Vec<f64> {
        let off = straight.iter().enumerate().flat_map(|(i, side)| side.iter().map(move |p| self.off(i, *p)));
        off.map(|d| d / self.spread).chain(self.priors()).collect()
    }

    fn solve(&mut self, sides: &[SidePoints]) {
        let points: usize = sides.iter().map(|s| s.points.len()).sum();
        if points < 20 {
            return;
        }
        // Tukey's biweight: beyond 4.685 spreads a point has no say (95 % efficient on normal noise; from memory).
        const TUKEY: f64 = 4.685;
        for round in 0..25 {
            let straight = self.straightened(sides);
            let mut sizes: Vec<f64> =
                self.residuals(&straight)[..points].iter().map(|r| r.abs() * self.spread).collect();
            let middle = points / 2;
            let median = *sizes.select_nth_unstable_by(middle, f64::total_cmp).1;
            // From wide to the points' own spread; never below what a profile can tell.
            let floor = [3.0, 1.0, 0.3, 0.05][(round / 2).min(3)];
            self.spread = (1.4826 * median).max(floor);
            let r = self.residuals(&straight);
            let weight = |i: usize| {
                if i >= points {
                    return 1.0;
                }
                let u = r[i] / TUKEY;
                if u.abs() < 1.0 { (1.0 - u * u).powi(2) } else { 0.0 }
            };
            let p = self.parameters();
            let slopes = |k: usize| {
                let step = if k == 8 || k == 9 { 1e-6 } else { 1e-3 };
                let mut q = p.clone();
                q[k] += step;
                let moved = self.with(&q);
                // Corners leave the lens, and with it the points, as they are.
                let moved =
                    if k < 8 { moved.residuals(&straight) } else { moved.residuals(&moved.straightened(sides)) };
                DVector::from_iterator(r.len(), moved.iter().zip(&r).map(|(moved, r)| (moved - r) / step))
            };
            let columns: Vec<DVector<f64>> = (0..p.len()).into_par_iter().map(slopes).collect();
            let jacobian = DMatrix::from_columns(&columns);
            let weighted = DMatrix::from_fn(r.len(), p.len(), |i, k| jacobian[(i, k)] * weight(i));
            let mut normal = jacobian.transpose() * &weighted;
            let right = weighted.transpose() * DVector::from_vec(r);
            for k in 0..p.len() {
                normal[(k, k)] *= 1.0 + 1e-9;
            }
            let Some(factor) = normal.cholesky() else { return };
            let step = factor.solve(&right);
            let q: Vec<f64> = p.iter().zip(step.iter()).map(|(p, s)| p - s).collect();
            *self = self.with(&q);
            if round > 8 && step.rows(0, 8).amax() < 1e-4 {
                break;
            }
        }
    }

    /// The true ratio of width to height over the nominal rectangle's: tilt shortens one of them, and keystone tells the tilt where the
    /// focal length is roughly known (taken as the frame's diagonal; at 2 degrees the whole effect is 0.06 %).
    fn ratio_found(&self, plane: &Homography) -> f64 {
        let c = self.lens.centre;
        let f = 2.0 * self.lens.radius;
        let column = |k: usize| {
            let (x, y, w) = (plane.0[(0, k)], plane.0[(1, k)], plane.0[(2, k)]);
            nalgebra::Vector3::new((x - c.x * w) / f, (y - c.y * w) / f, w).norm()
        };
        column(0) / column(1)
    }

    fn outline(&self, sides: &[SidePoints], size: &PlateSize, region: Option<Region>) -> Outline {
        let [top, right, bottom, left] = self.sides();
        let mut size_mm =
            if top + bottom >= left + right { [size.long_mm, size.short_mm] } else { [size.short_mm, size.long_mm] };
        let rectangle = |[w, h]: [f64; 2]| {
            let plate = [Point::new(0.0, 0.0), Point::new(w, 0.0), Point::new(w, h), Point::new(0.0, h)];
            let pairs: Vec<_> = plate.into_iter().zip(self.corners).collect();
            Homography::fit(&pairs).unwrap_or(Homography::identity())
        };
        let mut plane = rectangle(size_mm);
        let ratio = self.ratio_found(&plane);
        let mut warnings = Vec::new();
        if (ratio - 1.0).abs() > RATIO_ERROR && (ratio - 1.0).abs() <= CUT_TOLERANCE && !sides.is_empty() {
            // The side that is cut short is not known; the nominal size is the largest that a plate may have.
            if ratio > 1.0 {
                size_mm[1] /= ratio
            } else {
                size_mm[0] *= ratio
            }
            plane = rectangle(size_mm);
        }
        if (ratio - 1.0).abs() > CUT_TOLERANCE {
            warnings.push(Warning::new(
                "plate-size",
                format!(
                    "the plate found is {:.1} % {} than {} in the notes allows; check the size there and the outline in the report",
                    100.0 * (ratio - 1.0).abs(),
                    if ratio > 1.0 { "wider" } else { "higher" },
                    size.name
                ),
            ));
        }
        let reach = (4.0 * self.spread).max(0.5);
        let mut support = [1.0; 4];
        let (mut sum, mut count) = (0.0, 0);
        for (i, (side, straight)) in sides.iter().zip(self.straightened(sides)).enumerate() {
            let good = straight.iter().map(|p| self.off(i, *p)).filter(|d| d.abs() < reach);
            let before = count;
            good.for_each(|d| {
                sum += d * d;
                count += 1;
            });
            support[i] = (count - before) as f64 / side.tried as f64;
        }
        let least = support.iter().copied().fold(1.0, f64::min);
        let fits_notes = 1.0 - ((ratio - 1.0).abs() / CUT_TOLERANCE - 1.0).clamp(0.0, 2.0) / 2.0;
        let convex = self.off(0, self.corners[2]) > 0.0;
        // Half a side that lies on one line to a fraction of a pixel cannot be chance.
        let confidence = if convex { (least / 0.5).min(1.0) * fits_notes } else { 0.0 };
        for (share, name) in support.iter().zip(SIDES) {
            if *share < 0.5 && !sides.is_empty() {
                warnings.push(Warning::new(
                    "edge-unclear",
                    format!(
                        "only {:.0} % of the plate's {name} side could be seen; check the outline in the report",
                        (100.0 * share).floor()
                    ),
                ));
            }
        }
        Outline {
            view: View { plane, lens: self.lens },
            corners_px: self.corners.map(|c| self.lens.distort(c)),
            size_mm,
            confidence,
            rms_px: if count > 0 { (sum / count as f64).sqrt() } else { 0.0 },
            support,
            ratio_off: ratio.ln(),
            rim_blur: None,
            region,
            warnings,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::image::Size;

    fn half_plate() -> PlateSize {
        PlateSize { name: "4.75x6.5in".into(), short_mm: 120.65, long_mm: 165.1 }
    }

    /// A plate seen through a tilt and a lens that are known, each pixel the mean of 4 × 4 points; grain by a fixed pattern.
    fn capture(view: &View, size_mm: [f64; 2], around: f32, frame: Size) -> Image<Transmittance> {
        Image::from_rows(frame, Transmittance(0.0), |row, out| {
            for (column, t) in out.iter_mut().enumerate() {
                const N: usize = 3;
                let mut sum = 0.0;
                for i in 0..N * N {
                    let dx = ((i % N) as f64 + 0.5) / N as f64;
                    let dy = ((i / N) as f64 + 0.5) / N as f64;
                    let p = view.to_plate(Point::new(column as f64 + dx, row as f64 + dy));
                    let inset = p.x.min(p.y).min(size_mm[0] - p.x).min(size_mm[1] - p.y);
                    sum += match inset {
                        d if d < 0.0 => around,
                        d if d < 3.0 => 0.74,
                        _ => 0.3 + 0.25 * ((p.x * 0.7).sin() * (p.y * 0.5).cos()) as f32,
                    };
                }
                *t = Transmittance(sum / (N * N) as f32);
            }
        })
    }

    /// The same in a black mask, with a strip of bare panel `gap_mm` wide about the plate, all at some level of light.
    fn in_a_mask(view: &View, gap_mm: f64, level: f32) -> Image<Transmittance> {
        let size_mm = [165.1, 120.65];
        let beyond = |p: Point| (-p.x).max(-p.y).max(p.x - size_mm[0]).max(p.y - size_mm[1]);
        let plate = capture(view, size_mm, 1.0, Size::new(900, 1200));
        Image::from_rows(plate.size(), Transmittance(0.0), |row, out| {
            for (column, t) in out.iter_mut().enumerate() {
                let p = view.to_plate(Point::new(column as f64 + 0.5, row as f64 + 0.5));
                *t = Transmittance(if beyond(p) > gap_mm { 0.002 } else { level * plate.at(row, column).0 });
            }
        })
    }

    /// A half plate about the middle of the frame.
    fn middling(px_per_mm: f64, turn: f64) -> View {
        let turned = Homography::similarity(px_per_mm, turn, Point::default());
        let shift = Point::new(602.0, 445.0) - turned.apply(Point::new(82.55, 60.325));
        View { plane: Homography::similarity(px_per_mm, turn, shift), lens: Lens::straight(1200, 900) }
    }

    /// How far the worst corner is off, in pixels.
    fn off(outline: &Outline, view: &View) -> f64 {
        let truth = crate::geometry::lie::corners([165.1, 120.65]).map(|c| view.to_capture(c));
        outline.corners_px.iter().zip(truth).map(|(corner, truth)| corner.distance(truth)).fold(0.0, f64::max)
    }

    /// In a black mask, the level of light may be any where the exposure is not known: a strip of bare panel about the plate is no plate, and a
    /// rebate about the picture is no strip.
    #[test]
    fn a_strip_of_bare_panel_in_a_mask_is_told_from_a_rebate_at_any_level() {
        let view = middling(5.6, 0.04);
        for (gap, level) in [(0.0, 1.0), (0.0, 0.8), (0.0, 1.25), (2.5, 1.0), (2.5, 0.8), (1.5, 0.6), (2.5, 1.2)] {
            let off = off(&find(&in_a_mask(&view, gap, level), &half_plate(), None).unwrap(), &view);
            assert!(off < 1.0, "gap {gap}, level {level}: {off} px");
        }
    }

    /// Where strip and rebate are a few pixels wide, one look across a side shows mask, panel, rebate and picture.
    #[test]
    fn a_plate_small_in_the_picture_is_found_between_a_mask_and_its_own_rebate() {
        for (px_per_mm, turn) in [(4.1, 0.0), (4.1, 0.01), (4.6, 0.004), (3.6, 0.006)] {
            let view = middling(px_per_mm, turn);
            let off = off(&find_in_cells(&in_a_mask(&view, 1.4, 1.0), &half_plate()).unwrap(), &view);
            assert!(off < 0.5, "{px_per_mm} px/mm, turned by {turn}: {off} px");
        }
    }

    #[test]
    fn tilt_turn_and_lens_are_recovered_from_four_straight_sides() {
        let frame = Size::new(900, 1200);
        for (k1, k2, turn, around) in [(0.0, 0.0, 0.03, 1.0), (-0.06, 0.01, -0.17, 1.0), (0.04, 0.0, 0.1, 0.0)] {
            let lens = Lens { k1, k2, ..Lens::straight(1200, 900) };
            let scale = 5.6;
            let mut plane = Homography::similarity(scale, turn, Point::new(0.0, 0.0));
            let centre = plane.apply(Point::new(82.55, 60.3));
            plane = Homography::similarity(scale, turn, Point::new(605.0, 440.0) - centre);
            // A keystone of about two degrees for a lens as long as the frame's diagonal.
            let keystone = Homography(nalgebra::Matrix3::new(1.0, 0.0, 0.0, 0.0, 1.0, 0.0, 2e-5, -1.2e-5, 1.0));
            // About the frame's centre, as a tilted camera does it.
            let to = |x, y| Homography::similarity(1.0, 0.0, Point::new(x, y));
            let keystone = to(600.0, 450.0).after(&keystone.after(&to(-600.0, -450.0)));
            let view = View { plane: keystone.after(&plane), lens };
            let seen = capture(&view, [165.1, 120.65], around, frame);
            let outline = find(&seen, &half_plate(), None).unwrap();
            let mut worst = 0.0f64;
            for i in 0..=8 {
                for j in 0..=8 {
                    let mm = Point::new(165.1 * i as f64 / 8.0, 120.65 * j as f64 / 8.0);
                    worst = worst.max(outline.view.to_capture(mm).distance(view.to_capture(mm)));
                }
            }
            assert!(worst < 0.3, "k1 {k1} k2 {k2}: worst {worst} px; found {:?}", outline.view.lens);
            assert!(outline.confidence > 0.9, "{:?} {:?} {}", outline.support, outline.warnings, outline.rms_px);
        }
    }

    #[test]
    fn another_size_than_stated_is_not_trusted() {
        let lens = Lens::straight(1200, 900);
        let view = View { plane: Homography::similarity(6.0, 0.02, Point::new(180.0, 90.0)), lens };
        let seen = capture(&view, [140.0, 120.0], 1.0, Size::new(900, 1200));
        let outline = find(&seen, &half_plate(), None).unwrap();
        assert!(outline.confidence < CONFIDENT, "{}", outline.confidence);
        assert!(outline.warnings.iter().any(|w| w.code == "plate-size"));
    }

    #[test]
    fn corners_from_the_notes_may_begin_anywhere() {
        let seen = Image::filled(Size::new(900, 1200), Transmittance(0.5));
        let corners = [(1000.0, 120.0), (1010.0, 800.0), (100.0, 790.0), (110.0, 110.0)].map(|(x, y)| Point::new(x, y));
        let outline = from_corners(&seen, &half_plate(), corners, None);
        assert_eq!(outline.corners_px[0], corners[3]);
        assert_eq!(outline.corners_px[1], corners[0]);
        assert!(outline.view.to_capture(Point::new(0.0, 0.0)).distance(corners[3]) < 1e-6);
    }
}
