//! One adjustment for all: camera, lens and poses that agree best with every tie and every point on the plate's sides.
//!
//! In: a [`Model`] to start from, [`Tie`]s between tiles (each with the 2 × 2 information that its texture gave), points on the
//! plate's sides. Out: a [`Fit`]: the adjusted [`Model`] and all residuals.
//! Fails if the equations cannot be solved, which priors on every number prevent unless an input is not finite.
//! Method: Levenberg-Marquardt on Huber's loss (bundle adjustment as in Brown & Lowe 2007); normal equations by
//! sparse Cholesky, tiles first and the shared numbers last, so that the factor stays as sparse as the overlaps.
use super::model::Model;
use super::problem::Problem;
use crate::error::Fault;
use crate::geometry::Point;
use nalgebra::{DMatrix, DVector};
use nalgebra_sparse::{CscMatrix, factorization::CscCholesky};

/// The same spot of the plate in two tiles.
#[derive(Debug, Clone, Copy)]
pub struct Tie {
    pub a: usize,
    pub b: usize,
    /// In full-size pixels of each.
    pub at_a: Point,
    pub at_b: Point,
    /// Inverse covariance of the place in `a`, in 1/px²: [xx, xy, yy]. Zero in a direction that the texture says nothing of.
    pub information: [f64; 3],
}

/// A point of a tile that lies on a side of the plate.
#[derive(Debug, Clone, Copy)]
pub struct SidePoint {
    pub tile: usize,
    pub at: Point,
    /// 0 top, 1 right, 2 bottom, 3 left.
    pub side: usize,
    /// Pixels.
    pub sigma: f64,
}

/// What is known of the plate: its size, and points on its sides. With it, the unit is the millimetre.
#[derive(Debug, Clone, Copy)]
pub struct Rectangle<'a> {
    pub width: f64,
    pub height: f64,
    pub points: &'a [SidePoint],
}

/// What may move.
#[derive(Debug, Clone, Copy)]
pub struct Freedom {
    /// Each tile its own camera.
    pub hand_held: bool,
    /// False where a profile states the lens.
    pub lens: bool,
}

#[derive(Debug, Clone)]
pub struct Fit {
    pub model: Model,
    /// Each tie's residual in pixels of its first tile.
    pub ties: Vec<Point>,
    /// The same in standard deviations of the tie.
    pub strain: Vec<f64>,
    /// Each side point's distance from its side in pixels, positive inwards.
    pub sides: Vec<f64>,
}

const ROUNDS: usize = 40;

/// Adjusts the model.
pub fn adjust(start: &Model, ties: &[Tie], rectangle: Option<Rectangle>, free: Freedom) -> Result<Fit, Fault> {
    let problem = Problem::new(start, ties, rectangle, free);
    let mut numbers = problem.numbers(start);
    let mut damping = 1e-4;
    let mut state = problem.linearised(&numbers);
    for _ in 0..ROUNDS {
        let mut moved = false;
        for _ in 0..8 {
            let step = solve(&state.normal, &state.gradient, damping)?;
            let trial: Vec<f64> = numbers.iter().zip(step.iter()).map(|(n, s)| n - s).collect();
            let cost = problem.cost(&trial);
            if cost.is_finite() && cost <= state.cost {
                let gain = (state.cost - cost) / state.cost.max(1e-12);
                numbers = trial;
                damping = (damping * 0.2).max(1e-9);
                moved = gain > 1e-7;
                break;
            }
            damping *= 8.0;
        }
        if !moved {
            break;
        }
        state = problem.linearised(&numbers);
    }
    Ok(problem.fit(&numbers))
}

fn solve(normal: &DMatrix<f64>, gradient: &DVector<f64>, damping: f64) -> Result<DVector<f64>, Fault> {
    let mut damped = normal.clone();
    for k in 0..damped.nrows() {
        damped[(k, k)] *= 1.0 + damping;
    }
    let factor = CscCholesky::factor(&CscMatrix::from(&damped)).map_err(|_| {
        Fault::new("the tiles' places cannot be solved for", "check that the captures are tiles of this plate")
    })?;
    let step = factor.solve(gradient);
    Ok(step.column(0).into_owned())
}
