//! A lens's distortion from frames of a regular plane grid.
//!
//! In: for each frame, where the dots of the grid lie. Out: k1, k2 and centre as [`crate::geometry::Lens`] has them, with uncertainties, and
//! what is left over. Every frame has a homography of its own; the lens is common. Fails with dots in the frame's middle alone.
//!
//! Method: least squares on the dots' places by Levenberg's and Marquardt's steps (Marquardt 1963), after Brown's model of the lens
//! (1966) and Zhang's of the plane (2000), of which only what a plane shows is needed here.

use crate::error::Fault;
use crate::frame::profile::Distortion;
use crate::geometry::{Homography, Lens, Point};
use crate::image::Size;
use nalgebra::{DMatrix, DVector};

/// Share of the half diagonal that the outermost dots must reach.
const REACH: f64 = 0.5;
/// How far off the frame's middle an axis usually is, in half diagonals, and a dot's usual error in pixels: holds the centre where dots do not.
const CENTRE: f64 = 0.03;
const DOT: f64 = 0.1;
const ROUNDS: usize = 60;

/// A fitted lens.
#[derive(Debug, Clone, PartialEq)]
pub struct Fitted {
    pub lens: Distortion,
    /// Standard uncertainties of k1 and k2.
    pub sd: [f64; 2],
    pub rms_px: f64,
    /// Pixels a step of the grid, the mean of the frames, at its middle.
    pub step_px: f64,
    /// How far out the dots reach, in half diagonals.
    pub reach: f64,
}

/// Fits the lens to frames of one size; dots row by row, `columns` in a row.
pub fn fit(frames: &[Vec<Point>], columns: usize, size: Size) -> Result<Fitted, Fault> {
    let straight = Lens::straight(size.columns, size.rows);
    let reach = frames.iter().flatten().map(|p| p.distance(straight.centre)).fold(0.0, f64::max) / straight.radius;
    if reach < REACH {
        return Err(Fault::new(
            format!("the grid's dots reach only {:.0} % of the way to the frame's corners", 100.0 * reach),
            "let the grid fill the frame, or take several frames with the grid in different corners",
        ));
    }
    let problem = Problem { frames, columns, straight };
    let mut x = problem.start()?;
    let mut damping = 1e-3;
    let mut r = problem.residuals(&x)?;
    for _ in 0..ROUNDS {
        let j = problem.jacobian(&x, &r)?;
        let (a, g) = (j.transpose() * &j, j.transpose() * &r);
        let mut damped = a.clone();
        (0..x.len()).for_each(|k| damped[(k, k)] += damping * a[(k, k)].max(1e-12));
        let Some(step) = damped.cholesky().map(|c| c.solve(&g)) else { break };
        let next = &x - &step;
        let left = problem.residuals(&next)?;
        if left.norm_squared() < r.norm_squared() {
            let gain = 1.0 - left.norm_squared() / r.norm_squared();
            (x, r, damping) = (next, left, damping / 5.0);
            if gain < 1e-10 {
                break;
            }
        } else {
            damping *= 8.0;
            if damping > 1e8 {
                break;
            }
        }
    }
    let dots: usize = frames.iter().map(Vec::len).sum();
    let left = r.rows(0, 2 * dots).norm_squared();
    let j = problem.jacobian(&x, &r)?;
    // The rows were divided by a dot's usual error.
    let variance = left / (2 * dots).saturating_sub(x.len()).max(1) as f64;
    let covariance =
        (j.transpose() * &j).try_inverse().unwrap_or_else(|| DMatrix::from_element(x.len(), x.len(), f64::NAN))
            * variance;
    Ok(Fitted {
        lens: Distortion { k1: x[0], k2: x[1], centre: [x[2], x[3]] },
        sd: [covariance[(0, 0)].sqrt(), covariance[(1, 1)].sqrt()],
        rms_px: DOT * (left / dots as f64).sqrt(),
        step_px: problem.step(&x)?,
        reach,
    })
}

struct Problem<'a> {
    frames: &'a [Vec<Point>],
    columns: usize,
    straight: Lens,
}

impl Problem<'_> {
    /// Grid coordinates of a frame's four corner dots.
    fn corners(&self, frame: &[Point]) -> [Point; 4] {
        let (w, h) = ((self.columns - 1) as f64, (frame.len() / self.columns - 1) as f64);
        [Point::new(0.0, 0.0), Point::new(w, 0.0), Point::new(w, h), Point::new(0.0, h)]
    }

    /// A lens that bends nothing, and each grid where its corner dots are seen.
    fn start(&self) -> Result<DVector<f64>, Fault> {
        let mut x = vec![0.0; 4];
        for frame in self.frames {
            let last = frame.len() - 1;
            for k in [0, self.columns - 1, last, last + 1 - self.columns] {
                x.extend([frame[k].x, frame[k].y]);
            }
        }
        Ok(DVector::from_vec(x))
    }

    fn lens(&self, x: &DVector<f64>) -> Lens {
        let centre = self.straight.centre + Point::new(x[2], x[3]) * self.straight.radius;
        Lens { centre, k1: x[0], k2: x[1], ..self.straight }
    }

    fn plane(&self, x: &DVector<f64>, k: usize) -> Result<Homography, Fault> {
        let at = |c: usize| Point::new(x[4 + 8 * k + 2 * c], x[5 + 8 * k + 2 * c]);
        let corners = self.corners(&self.frames[k]);
        Homography::fit(&[0, 1, 2, 3].map(|c| (corners[c], at(c))))
    }

    /// Residuals of one frame, in usual errors.
    fn of_frame(&self, x: &DVector<f64>, k: usize) -> Result<Vec<f64>, Fault> {
        let (plane, lens) = (self.plane(x, k)?, self.lens(x));
        let residual = |(n, seen): (usize, &Point)| {
            let at = Point::new((n % self.columns) as f64, (n / self.columns) as f64);
            let off = lens.distort(plane.apply(at)) - *seen;
            [off.x / DOT, off.y / DOT]
        };
        Ok(self.frames[k].iter().enumerate().flat_map(residual).collect())
    }

    fn residuals(&self, x: &DVector<f64>) -> Result<DVector<f64>, Fault> {
        let mut all = Vec::new();
        for k in 0..self.frames.len() {
            all.extend(self.of_frame(x, k)?);
        }
        all.extend([x[2] / CENTRE, x[3] / CENTRE]);
        Ok(DVector::from_vec(all))
    }

    fn jacobian(&self, x: &DVector<f64>, r: &DVector<f64>) -> Result<DMatrix<f64>, Fault> {
        let mut j = DMatrix::zeros(r.len(), x.len());
        for column in 0..x.len() {
            let step = if column < 4 { 1e-6 } else { 1e-3 };
            let mut moved = x.clone();
            moved[column] += step;
            if column < 4 {
                j.set_column(column, &((self.residuals(&moved)? - r) / step));
                continue;
            }
            // A corner of one grid moves that frame's dots alone.
            let frame = (column - 4) / 8;
            let first: usize = self.frames[..frame].iter().map(|f| 2 * f.len()).sum();
            for (k, v) in self.of_frame(&moved, frame)?.into_iter().enumerate() {
                j[(first + k, column)] = (v - r[first + k]) / step;
            }
        }
        Ok(j)
    }

    fn step(&self, x: &DVector<f64>) -> Result<f64, Fault> {
        let mut sum = 0.0;
        for (k, frame) in self.frames.iter().enumerate() {
            let (plane, [a, _, c, _]) = (self.plane(x, k)?, self.corners(frame));
            let middle = (a + c) * 0.5;
            sum += plane.apply(middle).distance(plane.apply(middle + Point::new(1.0, 0.0)));
        }
        Ok(sum / self.frames.len() as f64)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::calibrate::grid;
    use crate::image::Image;
    use rand::SeedableRng;
    use rand_distr::{Distribution, Normal};

    const SIZE: Size = Size { rows: 900, columns: 1200 };

    fn planes() -> [Homography; 2] {
        let of = |corners: [[f64; 2]; 4]| {
            let from = [[0.0, 0.0], [16.0, 0.0], [16.0, 12.0], [0.0, 12.0]];
            let pairs: Vec<(Point, Point)> =
                from.iter().zip(corners).map(|(a, b)| (Point::from(*a), Point::from(b))).collect();
            Homography::fit(&pairs).unwrap()
        };
        [
            of([[60.0, 55.0], [1140.0, 60.0], [1135.0, 845.0], [66.0, 850.0]]),
            of([[90.0, 40.0], [1120.0, 90.0], [1100.0, 820.0], [70.0, 860.0]]),
        ]
    }

    fn truth() -> Lens {
        let straight = Lens::straight(SIZE.columns, SIZE.rows);
        Lens { k1: -0.06, k2: 0.012, centre: straight.centre + Point::new(0.012, -0.008) * straight.radius, ..straight }
    }

    fn dots(plane: &Homography) -> Vec<Point> {
        (0..17 * 13).map(|k| truth().distort(plane.apply(Point::new((k % 17) as f64, (k / 17) as f64)))).collect()
    }

    /// Places made by the model itself, with 0.05 px of noise: k1 and k2 within four of their own standard uncertainties, and the bend in
    /// the corner within 0.2 px.
    #[test]
    fn a_known_lens_comes_back() {
        let mut rng = rand_pcg::Pcg32::seed_from_u64(3);
        let normal = Normal::new(0.0, 0.05).unwrap();
        let frames: Vec<Vec<Point>> = planes()
            .iter()
            .map(|p| {
                dots(p).into_iter().map(|d| d + Point::new(normal.sample(&mut rng), normal.sample(&mut rng))).collect()
            })
            .collect();
        let fitted = fit(&frames, 17, SIZE).unwrap();
        println!("{fitted:?}");
        assert!(
            (fitted.lens.k1 + 0.06).abs() < 4.0 * fitted.sd[0] && (fitted.lens.k2 - 0.012).abs() < 4.0 * fitted.sd[1]
        );
        assert!((fitted.rms_px / 0.0707 - 1.0).abs() < 0.15, "two components of 0.05 px: {}", fitted.rms_px);
        let bend = |k1: f64, k2: f64| (k1 + k2) * truth().radius;
        assert!((bend(fitted.lens.k1, fitted.lens.k2) - bend(-0.06, 0.012)).abs() < 0.5);
    }

    /// Drawn discs with soft edges, found again: the middles to a tenth of a pixel (a disc's centroid under perspective is off by less).
    #[test]
    fn dots_are_found_in_order() {
        for dark in [true, false] {
            let truth = dots(&planes()[1]);
            let mut light = Image::filled(SIZE, if dark { 0.7 } else { 0.05f32 });
            for p in &truth {
                for row in (p.y as usize).saturating_sub(14)..(p.y as usize + 15).min(SIZE.rows) {
                    for column in (p.x as usize).saturating_sub(14)..(p.x as usize + 15).min(SIZE.columns) {
                        let r = Point::new(column as f64 + 0.5, row as f64 + 0.5).distance(*p);
                        let share = (10.5 - r).clamp(0.0, 1.0) as f32;
                        let v = light.at(row, column);
                        light.set(row, column, v + share * (if dark { 0.05 } else { 0.7 } - v));
                    }
                }
            }
            let found = grid::find(&light, 17, 13).unwrap();
            let worst = found.iter().zip(&truth).map(|(a, b)| a.distance(*b)).fold(0.0, f64::max);
            assert!(worst < 0.15, "{dark}: {worst}");
            assert!(grid::find(&light, 18, 13).unwrap_err().what().contains("18×13"));
        }
    }

    #[test]
    fn dots_in_the_middle_alone_say_nothing() {
        let small: Vec<Point> =
            (0..25).map(|k| Point::new(560.0 + 20.0 * (k % 5) as f64, 410.0 + 20.0 * (k / 5) as f64)).collect();
        assert!(fit(&[small], 5, SIZE).unwrap_err().what().contains("reach only"));
    }
}
