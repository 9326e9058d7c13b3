//! The response: how the codes of a JPEG, HEIC or PNG stand for light.
//!
//! In: the [`Ladder`] of one channel. Out: a [`Response`]: light at each code, rising, 1 at full scale; what was left over; and how far two
//! curves from half the places each lie apart. Fails where the curve falls within the codes seen, and where a frame's light is
//! spread over the field in another way than the others' (it moved, or the panel did).
//!
//! Method: Debevec & Malik, *Recovering high dynamic range radiance maps from photographs*, SIGGRAPH 1997: least squares for ln light
//! of each code and of each place, weights falling towards both ends of the codes, second differences kept small. Here the unknown
//! is the departure from sRGB's curve, at knots that stand closer where codes are near black and near full (even steps of the
//! codes' logit), and the places' light is eliminated, so that the system stays as small as the curve. Where the result falls for
//! less than its own error it is made to rise by pooling neighbours (isotonic regression, Ayer et al. 1955).

use super::ladder::{Ladder, Sample};
use crate::error::Fault;
use crate::frame::transfer::{LUMA, srgb_to_linear};
use nalgebra::{DMatrix, DVector};

/// Knots of the curve.
const KNOTS: usize = 160;
/// How far, as a share of full scale, the logit is moved from 0 and 1: sets how much closer the knots stand at the ends.
const EASE: f64 = 0.02;
/// Knots over which the curve is smoothed where samples are plenty.
const REACH: f64 = 3.0;
/// Codes below this share of full scale stand for light in proportion in the curve that departures are taken from.
const TOE: f64 = 0.5 / 255.0;
/// Codes in the table that comes out.
pub const CODES: usize = 256;
/// Falling by more than this, in density, within the codes seen is no error of the fit.
const FALLS: f64 = 0.01;
/// Change of a frame's light across the field against the other frames', in density, from which on something moved.
const MOVED: f64 = 0.01;
/// How strongly stated exposures are held to when ratios are refined, as a share of what the frames' own samples weigh: enough that
/// all of them together do not bend with the curve, little enough that one that is off moves by 99 % of it.
const HELD: f64 = 0.01;

/// A recovered curve.
#[derive(Debug, Clone, PartialEq)]
pub struct Response {
    /// Light at codes 0, 1/255, … 1.
    pub light: Vec<f64>,
    /// Codes seen; beyond them the curve is drawn on.
    pub covered: [f64; 2],
    /// Left over, root mean square in density.
    pub rms: f64,
    /// Standard uncertainty of density between two codes, from chance alone.
    pub sd: f64,
    /// log10 of what each exposure was over what it was said to be; all 0 unless refined.
    pub refined: Vec<f64>,
    pub samples: usize,
}

/// Recovers the response of one channel. A fault comes with the number of the frame that it is of, where it is of one.
pub fn recover(ladder: &Ladder, refine: bool) -> Result<Response, (Option<usize>, Fault)> {
    let failed = |fault| (None, fault);
    let whole = solve(ladder, refine, |_| true).map_err(failed)?;
    let left = left_over(ladder, &whole);
    let covered = ladder.covered();
    let log_light: Vec<f64> = (0..CODES).map(|k| whole.at(k as f64 / 255.0)).collect();
    let seen = |k: &usize| (covered[0]..=covered[1]).contains(&(*k as f64 / 255.0));
    let raised = rising(&log_light);
    let falls = (0..CODES).filter(seen).map(|k| (raised[k] - log_light[k]).abs()).fold(0.0, f64::max);
    if falls / std::f64::consts::LN_10 > FALLS {
        return Err(failed(not_one()));
    }
    if let Some(across) = slope(ladder, &left) {
        return Err(match moved(ladder) {
            Some(rung) => (Some(rung), moved_fault(across)),
            None => failed(not_one()),
        });
    }
    let top = raised[CODES - 1];
    let mut light: Vec<f64> = raised.iter().map(|g| (g - top).exp()).collect();
    light[0] = 0.0;
    light[CODES - 1] = 1.0;
    let squares: f64 = left.iter().map(|(_, r)| r * r).sum();
    Ok(Response {
        light,
        covered,
        rms: (squares / left.len().max(1) as f64).sqrt() / std::f64::consts::LN_10,
        sd: spread_of_halves(ladder, refine).map_err(failed)?,
        refined: whole.offsets.iter().map(|o| o / std::f64::consts::LN_10).collect(),
        samples: ladder.samples.len(),
    })
}

/// Codes that the colours' curves may lie apart and still be one: what rounding chroma and averaging it over four pixels comes to.
const APART: usize = 2;

/// Codes that every channel's ladder covers.
pub fn covered(found: &[Response]) -> [f64; 2] {
    let low = found.iter().map(|r| r.covered[0]).fold(0.0, f64::max);
    let high = found.iter().map(|r| r.covered[1]).fold(1.0, f64::min);
    [low, high]
}

/// One curve for red, green and blue, where theirs agree to [`APART`] and the panel is nearly neutral: a camera puts all three through one. What
/// chroma's rounding takes from one colour it gives to another, so that their mean by luma's weights is nearer than each; files that hold luma
/// are then read by it alone.
pub fn pooled(ladders: &[Ladder], found: &[Response]) -> Option<Response> {
    if found.len() != LUMA.len() || ladders.iter().any(|ladder| !ladder.is_near(&ladders[1])) {
        return None;
    }
    let mean = |of: &dyn Fn(&Response) -> f64| found.iter().zip(LUMA).map(|(r, w)| w * of(r)).sum::<f64>();
    let worst = |of: &dyn Fn(&Response) -> f64| found.iter().map(of).fold(0.0, f64::max);
    let light: Vec<f64> = (0..CODES).map(|k| mean(&|r| r.light[k].ln()).exp()).collect();
    let covered = covered(found);
    let seen = |k: &usize| (covered[0]..=covered[1]).contains(&(*k as f64 / 255.0));
    let within: Vec<usize> = (APART..CODES - APART).filter(seen).collect();
    let agrees = |r: &Response| {
        let off = within.iter().map(|k| (r.light[*k] / light[*k]).ln()).sum::<f64>() / within.len().max(1) as f64;
        within.iter().all(|k| (light[k - APART]..=light[k + APART]).contains(&(r.light[*k] / off.exp())))
    };
    found.iter().all(agrees).then(|| Response {
        covered,
        rms: worst(&|r| r.rms),
        sd: worst(&|r| r.sd),
        refined: (0..found[0].refined.len()).map(|k| mean(&|r| r.refined[k])).collect(),
        samples: found.iter().map(|r| r.samples).sum(),
        light,
    })
}

/// Departures from sRGB at the knots, and of the exposures from what was said; ln.
struct Curve {
    knots: Vec<f64>,
    offsets: Vec<f64>,
}

impl Curve {
    /// ln light of a code.
    fn at(&self, code: f64) -> f64 {
        let (k, share) = knot(code);
        reference(code) + self.knots[k] * (1.0 - share) + self.knots[k + 1] * share
    }
}

fn reference(code: f64) -> f64 {
    srgb_to_linear(code.max(TOE)).ln()
}

/// The knot before a code, and how far it lies towards the next.
fn knot(code: f64) -> (usize, f64) {
    let logit = |z: f64| ((z + EASE) / (1.0 + EASE - z)).ln();
    let (low, high) = (logit(0.0), logit(1.0));
    let at = (logit(code) - low) / (high - low) * (KNOTS - 1) as f64;
    let k = (at as usize).min(KNOTS - 2);
    (k, at - k as f64)
}

/// The hat: full in the middle of the codes, nothing at their ends.
fn weight(code: f64) -> f64 {
    2.0 * code.min(1.0 - code).max(0.002)
}

/// A row of the system before the place's light is taken out: what multiplies which unknown, and the known side.
fn row(sample: &Sample, ladder: &Ladder, refine: bool) -> (Vec<(usize, f64)>, f64) {
    let (k, share) = knot(sample.code);
    let mut terms = vec![(k, 1.0 - share), (k + 1, share)];
    if refine {
        terms.push((KNOTS + sample.rung, -1.0));
    }
    (terms, ladder.exposures[sample.rung] * std::f64::consts::LN_10 - reference(sample.code))
}

/// Least squares over the places that `of` takes.
fn solve(ladder: &Ladder, refine: bool, of: impl Fn(usize) -> bool) -> Result<Curve, Fault> {
    let unknowns = KNOTS + if refine { ladder.exposures.len() } else { 0 };
    let mut a = DMatrix::<f64>::zeros(unknowns, unknowns);
    let mut b = DVector::<f64>::zeros(unknowns);
    let mut total = 0.0;
    for group in ladder.samples.chunk_by(|a, b| a.place == b.place).filter(|g| of(g[0].place)) {
        // Sums of weights × terms over the place: what its own light's equation takes out of the normal equations.
        let (mut sum, mut known, mut weights) = (Vec::<(usize, f64)>::new(), 0.0, 0.0);
        for sample in group {
            let w = weight(sample.code).powi(2);
            let (terms, right) = row(sample, ladder, refine);
            for (i, x) in &terms {
                for (j, y) in &terms {
                    a[(*i, *j)] += w * x * y;
                }
                b[*i] += w * x * right;
                sum.push((*i, w * x));
            }
            known += w * right;
            weights += w;
        }
        for (i, x) in &sum {
            for (j, y) in &sum {
                a[(*i, *j)] -= x * y / weights;
            }
            b[*i] -= x * known / weights;
        }
        total += weights;
    }
    let smooth = total / KNOTS as f64 * REACH.powi(4);
    for k in 1..KNOTS - 1 {
        let terms = [(k - 1, 1.0), (k, -2.0), (k + 1, 1.0)];
        for (i, x) in terms {
            for (j, y) in terms {
                a[(i, j)] += smooth * x * y;
            }
        }
    }
    // The scale of light is free: the middle knot departs by nothing.
    a[(KNOTS / 2, KNOTS / 2)] += total;
    for rung in KNOTS..unknowns {
        a[(rung, rung)] += HELD * total / ladder.exposures.len() as f64;
    }
    let solved = a.cholesky().ok_or_else(|| {
        Fault::new("the ladder does not settle a curve", "take more exposures, half a stop to a stop apart")
    })?;
    let x = solved.solve(&b);
    let offsets = match refine {
        true => x.as_slice()[KNOTS..].to_vec(),
        false => vec![0.0; ladder.exposures.len()],
    };
    Ok(Curve { knots: x.as_slice()[..KNOTS].to_vec(), offsets })
}

/// What is left of every sample once its place's light is known: the sample, and ln light too much.
fn left_over<'a>(ladder: &'a Ladder, curve: &Curve) -> Vec<(&'a Sample, f64)> {
    let mut left = Vec::with_capacity(ladder.samples.len());
    for group in ladder.samples.chunk_by(|a, b| a.place == b.place) {
        let light =
            |s: &Sample| curve.at(s.code) - ladder.exposures[s.rung] * std::f64::consts::LN_10 - curve.offsets[s.rung];
        let weights: f64 = group.iter().map(|s| weight(s.code).powi(2)).sum();
        let mean = group.iter().map(|s| weight(s.code).powi(2) * light(s)).sum::<f64>() / weights;
        left.extend(group.iter().map(|s| (s, light(s) - mean)));
    }
    left
}

/// How far what is left of a frame slopes across the field, in density, where one does by more than a still frame can.
fn slope(ladder: &Ladder, left: &[(&Sample, f64)]) -> Option<f64> {
    let mut worst = 0.0;
    for rung in 0..ladder.exposures.len() {
        let mut a = nalgebra::Matrix3::<f64>::zeros();
        let mut b = nalgebra::Vector3::<f64>::zeros();
        for (sample, r) in left.iter().filter(|(s, _)| s.rung == rung) {
            let at = ladder.places[sample.place];
            let (row, w) = (nalgebra::Vector3::new(1.0, at.x, at.y), weight(sample.code).powi(2));
            a += row * row.transpose() * w;
            b += row * (*r * w);
        }
        let Some(plane) = a.cholesky().map(|c| c.solve(&b)) else { continue };
        worst = f64::max(worst, 2.0 * plane[1].hypot(plane[2]) / std::f64::consts::LN_10);
    }
    (worst > MOVED).then_some(worst)
}

/// Which frame moved: the one without which the others agree best, if they then agree. (What is left of it is shared out among its
/// neighbours, so that it need not be the worst itself.)
fn moved(ladder: &Ladder) -> Option<usize> {
    let without = |rung: usize| {
        let samples: Vec<Sample> = ladder.samples.iter().filter(|s| s.rung != rung).copied().collect();
        let rest = Ladder { samples, ..ladder.clone() };
        let curve = solve(&rest, false, |_| true).ok()?;
        let left = left_over(&rest, &curve);
        Some((left.iter().map(|l| l.1 * l.1).sum::<f64>(), rung, slope(&rest, &left).is_none()))
    };
    let best = (0..ladder.exposures.len()).filter_map(without).min_by(|a, b| a.0.total_cmp(&b.0))?;
    best.2.then_some(best.1)
}

fn not_one() -> Fault {
    Fault::new(
        "the response is not monotone (more light gives a lower code somewhere), or not the same in all frames",
        "switch off everything that adapts to the picture (HDR, scene modes), lock focus and white balance, and take the ladder again",
    )
}

fn moved_fault(across: f64) -> Fault {
    Fault::new(
        format!(
            "its light lies otherwise over the field than the other frames' ({across:.3} D from side to side): camera or panel moved"
        ),
        "put the camera on a stand, release it by timer, and take the ladder again without touching anything",
    )
}

/// Half the root mean square difference between the curves of two halves of the places, over the codes seen, in density.
fn spread_of_halves(ladder: &Ladder, refine: bool) -> Result<f64, Fault> {
    let halves = [solve(ladder, refine, |p| p % 2 == 0)?, solve(ladder, refine, |p| p % 2 == 1)?];
    let [low, high] = ladder.covered();
    let differences: Vec<f64> = (0..CODES)
        .map(|k| k as f64 / 255.0)
        .filter(|z| (low..=high).contains(z))
        .map(|z| halves[0].at(z) - halves[1].at(z))
        .collect();
    let n = differences.len().max(1) as f64;
    let mean = differences.iter().sum::<f64>() / n;
    let variance = differences.iter().map(|d| (d - mean).powi(2)).sum::<f64>() / n;
    Ok(variance.sqrt() / 2.0 / std::f64::consts::LN_10)
}

/// The nearest course that never falls: neighbours that do are pooled.
fn rising(values: &[f64]) -> Vec<f64> {
    let mut pools: Vec<(f64, usize)> = Vec::new();
    for v in values {
        pools.push((*v, 1));
        while let [.., before, last] = pools[..]
            && before.0 > last.0
        {
            let n = before.1 + last.1;
            pools.truncate(pools.len() - 2);
            pools.push(((before.0 * before.1 as f64 + last.0 * last.1 as f64) / n as f64, n));
        }
    }
    pools.iter().flat_map(|(v, n)| std::iter::repeat_n(*v, *n)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::calibrate::ladder::{Rung, ladders};
    use crate::calibrate::simulate::{Encode, frame, gamma, panel, phone, srgb};
    use crate::image::Size;

    const SIZE: Size = Size { rows: 320, columns: 480 };

    fn made(encode: [Encode; 3], exposures: &[f64], shot: f64) -> Vec<Rung> {
        let panel = panel(SIZE, 0.35);
        let one = |(k, e): (usize, &f64)| {
            let light = panel.map(|v| (v as f64 * e) as f32);
            Rung::new(&frame(&light, encode, shot, k as u64)).unwrap()
        };
        exposures.iter().enumerate().map(one).collect()
    }

    fn logs(exposures: &[f64]) -> Vec<f64> {
        exposures.iter().map(|e| e.log10()).collect()
    }

    /// Nine exposures a stop apart, the longest clipping in part.
    fn stops() -> Vec<f64> {
        (0..9).map(|k| 1.2 * 0.5f64.powi(k)).collect()
    }

    /// Root mean square and worst difference from the true curve over the codes seen, in density, the free scale taken out.
    fn errors(response: &Response, encode: Encode) -> [f64; 2] {
        let codes: Vec<usize> =
            (1..255).filter(|k| (response.covered[0]..=response.covered[1]).contains(&(*k as f64 / 255.0))).collect();
        // The light that is encoded as a code, by halving.
        let decode = |code: f64| {
            let (mut low, mut high) = (0.0, 1.0);
            for _ in 0..60 {
                let middle = (low + high) / 2.0;
                if encode(middle) < code { low = middle } else { high = middle }
            }
            high
        };
        let off: Vec<f64> = codes.iter().map(|k| (response.light[*k] / decode(*k as f64 / 255.0)).log10()).collect();
        let mean = off.iter().sum::<f64>() / off.len() as f64;
        let rms = (off.iter().map(|d| (d - mean).powi(2)).sum::<f64>() / off.len() as f64).sqrt();
        [rms, off.iter().map(|d| (d - mean).abs()).fold(0.0, f64::max)]
    }

    /// Chroma's rounding moves red and blue by parts of a code in opposite senses; another curve in one colour is no rounding.
    #[test]
    fn curves_that_agree_are_pooled_and_others_are_not() {
        let exposures = stops();
        let off = |by: f64| move |light: f64| (srgb(light) + by / 255.0).clamp(0.0, 1.0);
        let seen = |encode: [&dyn Fn(f64) -> f64; 3]| {
            let ladders = ladders(&made([srgb; 3], &exposures, 2e-4), &logs(&exposures)).unwrap();
            let found: Vec<Response> = ladders.iter().map(|l| recover(l, false).unwrap()).collect();
            // The light that each code stands for, by the curve that is asked for.
            let bent = found.iter().zip(encode).map(|(r, encode)| {
                let light: Vec<f64> =
                    r.light.iter().map(|l| srgb_to_linear((2.0 * srgb(*l) - encode(*l)).clamp(0.0, 1.0))).collect();
                Response { light, ..r.clone() }
            });
            pooled(&ladders, &bent.collect::<Vec<_>>())
        };
        let one = seen([&off(0.6), &off(-0.42), &off(0.588)]).expect("they agree");
        let [rms, worst] = errors(&one, srgb);
        assert!(rms < 0.002 && worst < 0.01, "{rms} {worst}");
        assert_eq!(seen([&srgb, &srgb, &|light| light.powf(1.0 / 2.0)]), None);
    }

    /// The truth is the closed form that encoded the frames. 0.01 D is what the whole program aims at in its 95th percentile.
    #[test]
    fn known_curves_come_back() {
        let exposures = stops();
        for shot in [0.0, 2e-4] {
            let encode: [Encode; 3] = [gamma, srgb, phone];
            let ladders = ladders(&made(encode, &exposures, shot), &logs(&exposures)).unwrap();
            for (ladder, encode) in ladders.iter().zip(encode) {
                let response = recover(ladder, false).unwrap();
                let [rms, worst] = errors(&response, encode);
                println!(
                    "shot {shot}: {:?} rms {rms:.5} worst {worst:.5} left {:.5} sd {:.5}",
                    response.covered, response.rms, response.sd
                );
                assert!(rms <= 0.01, "{rms}");
                assert!(response.covered[1] - response.covered[0] > 0.85);
                assert!(response.light.windows(2).all(|p| p[0] <= p[1]));
            }
        }
    }

    fn told(rungs: &[Rung], exposures: &[f64]) -> String {
        match ladders(rungs, &logs(exposures)) {
            Err(fault) => fault.to_string(),
            Ok(all) => {
                recover(&all[0], false).map(|_| "no fault".to_string()).unwrap_or_else(|(_, fault)| fault.to_string())
            }
        }
    }

    #[test]
    fn ladders_that_say_nothing_are_refused() {
        let same = [0.5, 0.5, 0.51];
        assert!(told(&made([srgb; 3], &same, 1e-5), &same).contains("do not differ"));
        assert!(told(&made([srgb; 3], &[0.5], 1e-5), &[0.5]).contains("do not differ"));
        let clipped = [40.0, 20.0, 10.0];
        assert!(told(&made([srgb; 3], &clipped, 1e-5), &clipped).contains("only 0 places"));
        let narrow = [0.5, 0.4];
        assert!(told(&made([srgb; 3], &narrow, 1e-5), &narrow).contains("of the codes"));
    }

    /// A camera that gives the middle tones back in falling order.
    #[test]
    fn a_response_that_falls_is_refused() {
        let folded: Encode = |v| {
            let z = srgb(v);
            z - 0.12 * (-((z - 0.6) / 0.04).powi(2)).exp()
        };
        let exposures: Vec<f64> = (0..25).map(|k| 0.95 * 0.8f64.powi(k)).collect();
        let text = told(&made([folded; 3], &exposures, 1e-5), &exposures);
        assert!(text.contains("not monotone"), "{text}");
    }

    /// The fourth frame is moved by a fifth of its width over a panel that falls off to one side: closed form, the ratio of the two slopes by
    /// 0.022 D from side to side.
    #[test]
    fn a_frame_that_moved_is_named() {
        let exposures = stops();
        let ramp = |shift: f64| {
            crate::image::Image::from_rows(SIZE, 0f32, |_, out| {
                out.iter_mut().enumerate().for_each(|(c, v)| *v = (0.6 + 0.4 * ((c as f64 + shift) / 480.0)) as f32)
            })
        };
        let rungs: Vec<Rung> = exposures
            .iter()
            .enumerate()
            .map(|(k, e)| {
                let light = ramp(if k == 3 { 100.0 } else { 0.0 }).map(|v| v * *e as f32 * 0.8);
                Rung::new(&frame(&light, [srgb; 3], 1e-5, k as u64)).unwrap()
            })
            .collect();
        let ladders = ladders(&rungs, &logs(&exposures)).unwrap();
        let (rung, fault) = recover(&ladders[0], false).unwrap_err();
        assert_eq!(rung, Some(3), "{fault}");
        assert!(fault.what().contains("moved"), "{fault}");
    }

    /// Nominal shutter marks lie up to 0.093 stop off (standards of marks: 1/60 stands for 1/64). In a ladder of third stops, where frames
    /// overlap in codes, refining must find at least half of such an error of one frame.
    #[test]
    fn refining_finds_an_exposure_that_is_off() {
        let exposures: Vec<f64> = (0..18).map(|k| 1.0 * 2f64.powf(-(k as f64) / 3.0)).collect();
        let mut said = logs(&exposures);
        said[6] += 0.093 * std::f64::consts::LOG10_2;
        let ladders = ladders(&made([phone; 3], &exposures, 2e-5), &said).unwrap();
        let plain = recover(&ladders[1], false).unwrap();
        let refined = recover(&ladders[1], true).unwrap();
        println!(
            "{} {:?} {} {:?} {:?}",
            plain.rms,
            errors(&plain, phone),
            refined.rms,
            errors(&refined, phone),
            refined.refined
        );
        assert!(refined.refined[6] < -0.5 * 0.093 * std::f64::consts::LOG10_2, "{:?}", refined.refined);
        assert!(refined.rms < plain.rms && errors(&refined, phone)[0] < 0.01);
        assert_eq!(plain.refined, vec![0.0; 18]);
    }

    /// OpenCV's calibrateDebevec on the same frames: the same method with its own sampling and smoothing. Each holds the truth to about a
    /// hundredth; single pixels rounded to codes, which it samples, are uncertain by as much again at code 30.
    #[test]
    #[ignore = "needs Python with numpy and opencv (HYALINE_PYTHON)"]
    fn another_library_finds_the_same_curve() {
        use crate::frame::Samples;
        let folder = tempfile::tempdir().unwrap();
        let exposures = stops();
        let lit = panel(SIZE, 0.35);
        let mut rungs = Vec::new();
        let mut bytes = Vec::new();
        for (k, e) in exposures.iter().enumerate() {
            let made = frame(&lit.map(|v| v * *e as f32), [phone, gamma, srgb], 2e-5, k as u64);
            let Samples::U8(codes) = &made.samples else { panic!("eight bits") };
            bytes.extend_from_slice(codes);
            rungs.push(Rung::new(&made).unwrap());
        }
        std::fs::write(folder.path().join("frames"), &bytes).unwrap();
        let script = "import sys, numpy as np, cv2\n\
            t = np.array([float(v) for v in sys.argv[2].split(',')], np.float32)\n\
            f = np.fromfile(sys.argv[1] + '/frames', np.uint8).reshape(len(t), 320, 480, 3)\n\
            r = cv2.createCalibrateDebevec(150, 20.0).process(list(f), t)\n\
            print(' '.join(repr(float(v)) for v in r.reshape(256, 3).T.ravel()))";
        let times: Vec<String> = exposures.iter().map(f64::to_string).collect();
        let python = std::env::var_os("HYALINE_PYTHON").expect("HYALINE_PYTHON names a Python with numpy and opencv");
        let out = std::process::Command::new(python)
            .args(["-c", script])
            .arg(folder.path())
            .arg(times.join(","))
            .output()
            .unwrap();
        assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
        let theirs: Vec<f64> =
            String::from_utf8(out.stdout).unwrap().split_whitespace().map(|v| v.parse().unwrap()).collect();
        for (channel, ladder) in ladders(&rungs, &logs(&exposures)).unwrap().iter().enumerate() {
            let ours = recover(ladder, false).unwrap();
            let off: Vec<f64> = (20..=235).map(|k| (ours.light[k] / theirs[256 * channel + k]).log10()).collect();
            let mean = off.iter().sum::<f64>() / off.len() as f64;
            let rms = (off.iter().map(|d| (d - mean).powi(2)).sum::<f64>() / off.len() as f64).sqrt();
            println!("channel {channel}: {rms:.5} D");
            assert!(rms < 0.02, "channel {channel}: {rms}");
        }
    }
}
