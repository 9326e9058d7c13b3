//! A step tablet as it is known, held against a tablet as it was read.
//!
//! In: what the tablet is said to be (`21x0.15`, or a table of measured densities), and the steps read in one or more frames. Out:
//! one [`Line`] for each step, and the correction that carries the read densities to the known ones. Fails on tables that do not rise or are another
//! tablet's, and as [`super::correction::fit`] does.

use super::correction::{self, Fitted, Reading};
use super::steps::{Step, Use};
use crate::error::Fault;

/// Density of the clear step of a tablet that only its pitch is known of; its base is fitted along.
const CLEAR: f64 = 0.05;
/// How far the steps of a tablet that was not measured may be off, standard deviation: about half the tolerance seen for uncalibrated
/// 21-step tablets, from 0.03 at the clear end to 0.10 at the dense end.
const NOMINAL: [f64; 2] = [0.015, 0.0117];
/// The same of measured densities: their repeatability in a densitometer, constant and by density (common practice).
const MEASURED: [f64; 2] = [0.005, 0.003];
/// A first term of the correction beyond this is more likely a tablet of another pitch than a response.
const STEEP: f64 = 0.25;
/// Density up to which glare hardly changes the pitch that is read, and how many times another pitch than the stated one shows a tablet to be
/// another: those that are made differ by a factor of 1.5 or more (0.10, 0.15, 0.30), and few responses that count for anything by 1.4.
const CLEAR_PART: f64 = 1.0;
const ANOTHER: f64 = 1.4;

/// What a tablet is known to be.
#[derive(Debug, Clone, PartialEq)]
pub struct Known {
    /// From clear to dense.
    pub densities: Vec<f64>,
    /// Whether they were measured; otherwise only their differences are meant.
    pub measured: bool,
}

impl Known {
    /// `21x0.15`: so many steps of so much density.
    pub fn steps(text: &str) -> Result<Known, Fault> {
        let wrong = || {
            Fault::new(
                format!("`{text}` is no tablet"),
                "give the number of steps and the density of each over the last, such as 21x0.15",
            )
        };
        let (count, pitch) = text.split_once(['x', '×']).ok_or_else(wrong)?;
        let count: usize = count.trim().parse().map_err(|_| wrong())?;
        let pitch: f64 = pitch.trim().parse().map_err(|_| wrong())?;
        if !(5..=100).contains(&count) || !(0.03..=1.0).contains(&pitch) {
            return Err(wrong());
        }
        Ok(Known { densities: (0..count).map(|k| CLEAR + pitch * k as f64).collect(), measured: false })
    }

    /// A table with a density in the last column of each line; a first line of words is a heading. A fault comes with its line.
    pub fn table(text: &str) -> Result<Known, (usize, Fault)> {
        let mut reader = csv::ReaderBuilder::new()
            .has_headers(false)
            .flexible(true)
            .trim(csv::Trim::All)
            .comment(Some(b'#'))
            .from_reader(text.as_bytes());
        let mut densities: Vec<f64> = Vec::new();
        let mut lines = Vec::new();
        for (k, record) in reader.records().enumerate() {
            let record = record.map_err(|e| {
                (
                    e.position().map_or(1, |p| p.line() as usize),
                    Fault::new(format!("it cannot be read: {e}"), "write one density a line"),
                )
            })?;
            let line = record.position().map_or(k + 1, |p| p.line() as usize);
            let last = record.iter().next_back().unwrap_or_default();
            match last.parse::<f64>() {
                Ok(d) if d.is_finite() && (-0.1..6.0).contains(&d) => {
                    densities.push(d);
                    lines.push(line);
                }
                Err(_) if k == 0 => {}
                _ => {
                    return Err((
                        line,
                        Fault::new(
                            format!("`{last}` is no density"),
                            "write one density a line, in the last column, from clear to dense",
                        ),
                    ));
                }
            }
        }
        if densities.len() > 1 && densities[0] > densities[densities.len() - 1] {
            densities.reverse();
            lines.reverse();
        }
        if let Some(k) = densities.windows(2).position(|p| p[1] <= p[0]) {
            return Err((
                lines[k + 1],
                Fault::new(
                    format!("density {} does not exceed the one before it, {}", densities[k + 1], densities[k]),
                    "list the steps in their order on the tablet, clear to dense",
                ),
            ));
        }
        if densities.len() < 5 {
            return Err((
                1,
                Fault::new(
                    format!("it holds {} densities; five are the least", densities.len()),
                    "list every step of the tablet",
                ),
            ));
        }
        Ok(Known { densities, measured: true })
    }

    /// Density of each step over the one before.
    pub fn rises(&self) -> Vec<f64> {
        self.densities.windows(2).map(|p| p[1] - p[0]).collect()
    }

    fn sd(&self, density: f64) -> f64 {
        let [constant, slope] = if self.measured { MEASURED } else { NOMINAL };
        constant + slope * density.max(0.0)
    }
}

/// One step of the result.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct Line {
    pub step: usize,
    /// As the tablet is known; where only its pitch is, with the base that was fitted.
    pub known: f64,
    pub read: f64,
    /// Read less known.
    pub difference: f64,
    /// Half of the 95 % interval of `read`, from chance alone.
    pub uncertainty: f64,
    /// Standard deviation from pixel to pixel.
    pub spread: f64,
    /// Known, less read and corrected.
    pub left: Option<f64>,
    #[serde(rename = "use")]
    pub use_of: Use,
}

/// A tablet held against what it is known to be.
#[derive(Debug, Clone, PartialEq)]
pub struct Held {
    pub lines: Vec<Line>,
    pub fitted: Fitted,
    /// Least and greatest density, as read, of the steps used.
    pub range: [f64; 2],
}

/// Shifts densities that stand on no blank, so that the clearest step that can be used reads what it is known to be: where a mask covers the
/// bare panel, nothing else in the frame tells its level.
pub fn anchor(steps: &mut [Step], known: &Known) {
    let Some(k) = steps.iter().position(|s| s.use_of == Use::Good) else { return };
    let off = known.densities[k] - steps[k].density;
    steps.iter_mut().for_each(|s| s.density += off);
}

/// Holds the steps of one or more frames (each as many as the tablet has) against what is known. A step counts where every frame shows it well.
pub fn hold(frames: &[Vec<Step>], known: &Known, with_glare: bool) -> Result<Held, Fault> {
    let n = frames.len() as f64;
    let mean = |k: usize, of: fn(&Step) -> f64| frames.iter().map(|f| of(&f[k])).sum::<f64>() / n;
    let mut lines: Vec<Line> = (0..known.densities.len())
        .map(|k| {
            let squares: f64 = frames.iter().map(|f| f[k].uncertainty.powi(2)).sum();
            let uses = frames.iter().map(|f| f[k].use_of);
            Line {
                step: k + 1,
                known: known.densities[k],
                read: mean(k, |s| s.density),
                difference: 0.0,
                uncertainty: squares.sqrt() / n,
                spread: mean(k, |s| s.spread),
                left: None,
                use_of: uses.fold(Use::Good, |all, one| if all == Use::Good { one } else { all }),
            }
        })
        .collect();
    let good: Vec<usize> = (0..lines.len()).filter(|k| lines[*k].use_of == Use::Good).collect();
    let readings: Vec<Reading> = good
        .iter()
        .map(|k| {
            let line = &lines[*k];
            Reading { read: line.read, known: line.known, sd: known.sd(line.known).hypot(line.uncertainty / 2.0) }
        })
        .collect();
    let fitted = correction::fit(&readings, !known.measured, with_glare)?;
    for line in &mut lines {
        line.known += fitted.base;
        line.difference = line.read - line.known;
    }
    for (k, left) in good.iter().zip(&fitted.left) {
        lines[*k].left = Some(-left);
    }
    let range = [readings[0].read, readings[readings.len() - 1].read];
    let held = Held { lines, fitted, range };
    let ratio = held.ratio(CLEAR_PART);
    if ratio.max(1.0 / ratio) > ANOTHER {
        return Err(Fault::new(
            format!(
                "the tablet is stated {ratio:.2} times as dense, step by step, as it reads: it is another one, or the codes stand for light otherwise"
            ),
            "state the tablet's own steps, and name the profile by which its frame is to be read",
        ));
    }
    Ok(held)
}

impl Held {
    /// The ratio of known to read densities over the range, where it is more than a camera's response makes.
    pub fn steep(&self) -> Option<f64> {
        let ratio = self.ratio(f64::INFINITY);
        ((ratio - 1.0).abs() > STEEP).then_some(ratio)
    }

    /// The same up to a density as read.
    fn ratio(&self, most: f64) -> f64 {
        let [low, high] = self.range;
        let high = high.min(most.max(low + 0.3));
        (self.fitted.correction.at(high) - self.fitted.correction.at(low)) / (high - low)
    }
}
