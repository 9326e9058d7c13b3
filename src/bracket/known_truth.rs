//! Simulated brackets whose truth is known, held against what is asked of the whole: relative contrast to 2 %, gains to 0.02 D,
//! alignment to 1 px, the curve to 0.05 D rms over the densities that the bracket spans.

use super::base::PlateBase;
use super::scene::{Curve, Shot};
use super::*;
use crate::geometry::{Homography, Point};
use crate::image::Image;
use crate::notes::{Development, Exposure, Matching};
use crate::units::NetDensity;

pub const STOP: f64 = std::f64::consts::LOG10_2;

pub struct Made {
    pub shot: Shot,
    pub density: Image<NetDensity>,
    pub exposure: Exposure,
    pub development: Development,
    pub base: PlateBase,
}

pub fn made(shot: Shot, shutter_s: f64, minutes: f64) -> Made {
    let exposure = Exposure { shutter_s: Some(shutter_s), aperture: Some(22.0), ei: Some(2.0), ..Default::default() };
    let development = Development { developer: Some("pyro".into()), minutes: Some(minutes), ..Default::default() };
    let base = PlateBase { counted: 0.12, stands_on: 0.12, own: Some(0.12), sd: 0.002 };
    Made { density: shot.plate(), shot, exposure, development, base }
}

pub const IDS: [&str; 3] = ["K-01", "K-02", "K-03"];

pub fn bracket(made: &[Made]) -> Vec<BracketPlate<'_>> {
    made.iter()
        .zip(IDS)
        .map(|(m, id)| BracketPlate {
            id,
            density: &m.density,
            mm_per_px: m.shot.mm_per_px,
            full_per_px: 1.0,
            exposure: &m.exposure,
            development: &m.development,
            base: m.base,
            deepest: None,
            uncertainty: None,
        })
        .collect()
}

/// Contrast and gains from the densities before grain, at every pixel that both show: [contrast, shadow gain, highlight gain, share of A and of B under 0.10].
pub fn truth(a: &Shot, b: &Shot) -> [f64; 5] {
    let still =
        Shot { framing: a.framing, lens: a.lens, size: a.size, mm_per_px: a.mm_per_px, wind: a.wind, ..b.clone() };
    let (of_a, of_b) = (a.truth(), still.truth());
    let inside = |p: Point, s: &Shot| {
        let (w, h) = (s.size.columns as f64, s.size.rows as f64);
        let m = (s.rebate_mm + 0.5) / s.mm_per_px;
        p.x > m && p.y > m && p.x < w - m && p.y < h - m
    };
    let columns = of_a.columns();
    let mut pairs: Vec<(f64, f64)> = (0..of_a.size().area())
        .filter(|i| {
            let p = Point::new((i % columns) as f64 + 0.5, (i / columns) as f64 + 0.5);
            inside(p, a) && inside(Shot::in_b(a, b, p), b)
        })
        .map(|i| (f64::from(of_a.pixels()[i]), f64::from(of_b.pixels()[i])))
        .collect();
    pairs.sort_by(|p, q| p.0.total_cmp(&q.0));
    let at = |share: f64| pairs[((pairs.len() - 1) as f64 * share).round() as usize];
    let (low, high) = (at(0.05), at(0.95));
    let mid: Vec<&(f64, f64)> = pairs.iter().filter(|p| p.0 >= 0.25 * high.0 && p.0 <= 0.85 * high.0).collect();
    let n = mid.len() as f64;
    let (ma, mb) = (mid.iter().map(|p| p.0).sum::<f64>() / n, mid.iter().map(|p| p.1).sum::<f64>() / n);
    let (mut aa, mut ab, mut bb) = (0.0, 0.0, 0.0);
    for p in mid {
        aa += (p.0 - ma).powi(2);
        ab += (p.0 - ma) * (p.1 - mb);
        bb += (p.1 - mb).powi(2);
    }
    let slope = (bb - aa + ((bb - aa).powi(2) + 4.0 * ab * ab).sqrt()) / (2.0 * ab);
    let under = |f: fn(&(f64, f64)) -> f64| pairs.iter().filter(|p| f(p) < 0.10).count() as f64 / pairs.len() as f64;
    [slope, low.1 - low.0, high.1 - high.0, under(|p| p.0), under(|p| p.1)]
}

#[track_caller]
pub fn holds(name: &str, plates: &[Made]) -> Comparison {
    let found = compare(&bracket(plates), Matching::Base).unwrap_or_else(|f| panic!("{name}: {f}"));
    for (pair, b) in found.pairs.iter().zip(&plates[1..]) {
        let (a, b) = (&plates[0].shot, &b.shot);
        let [contrast, shadow, highlight, under_a, under_b] = truth(a, b);
        let f = &pair.figures;
        let corners = [(0.1, 0.1), (0.9, 0.1), (0.9, 0.9), (0.1, 0.9), (0.5, 0.5)];
        let off = corners
            .iter()
            .map(|(x, y)| Point::new(x * a.size.columns as f64, y * a.size.rows as f64))
            .map(|p| f.alignment.homography.apply(Shot::in_b(a, b, p)).distance(p))
            .fold(0.0, f64::max);
        let got = f.relative_contrast.unwrap();
        eprintln!(
            "{name}: contrast {got:.4} ± {:.4} ({contrast:.4}), shadow {:+.4} ± {:.4} ({shadow:+.4}), highlight {:+.4} ± {:.4} ({highlight:+.4}), \
             under {:?} ({under_a:.3}, {under_b:.3}), off {off:.3} px, moved {:.2}, support {:.2}",
            f.uncertainty.relative_contrast.unwrap(),
            f.shadow_gain_density,
            f.uncertainty.shadow_gain_density,
            f.highlight_gain_density,
            f.uncertainty.highlight_gain_density,
            found.below_speed_point,
            f.moved,
            f.alignment.support,
        );
        assert!((got / contrast - 1.0).abs() < 0.02, "{name}: relative contrast");
        assert!((f.shadow_gain_density - shadow).abs() < 0.02, "{name}: shadow gain");
        assert!((f.highlight_gain_density - highlight).abs() < 0.02, "{name}: highlight gain");
        assert!(off < 1.0, "{name}: alignment off by {off} px");
        if plates.len() == 2 {
            assert!((found.below_speed_point[0] - under_a).abs() < 0.02, "{name}: share of A under the speed point");
            assert!((found.below_speed_point[1] - under_b).abs() < 0.02, "{name}: share of B under the speed point");
        }
    }
    found
}

/// Root mean square distance of the found curve from the known one; log10 H has no zero of its own, so the best shift is taken.
pub fn curve_error(found: &Comparison, truth: &Curve) -> f64 {
    let points = found.curve.as_ref().expect("a curve");
    (-400..400)
        .map(|i| {
            let shift = i as f64 * 0.005;
            let square: f64 = points.iter().map(|[h, d]| (truth.density(h + shift) - d).powi(2)).sum();
            (square / points.len() as f64).sqrt()
        })
        .fold(f64::INFINITY, f64::min)
}

pub fn framed() -> Homography {
    Homography::similarity(1.0, 1f64.to_radians(), Point::new(6.3, -4.0))
}

#[test]
fn plates_alike_differ_in_nothing() {
    let shot = Shot { log_exposure: 0.8, ..Shot::default() };
    let same = holds("the same file twice", &[made(shot.clone(), 1.0, 7.0), made(shot.clone(), 1.0, 7.0)]);
    let again =
        holds("two plates alike", &[made(shot.clone(), 1.0, 7.0), made(Shot { grain_seed: 9, ..shot }, 1.0, 7.0)]);
    for found in [same, again] {
        assert!((found.first.relative_contrast.unwrap() - 1.0).abs() < 0.01);
        assert!(found.first.shadow_gain_density.abs() < 0.005 && found.first.highlight_gain_density.abs() < 0.005);
        assert!(found.curve.is_none() && found.no_curve.unwrap().contains("sixth of a stop"));
    }
}

#[test]
fn more_light_and_the_same_development_give_the_curve() {
    let a = Shot { log_exposure: 0.6, ..Shot::default() };
    for stops in [2.0 / 3.0, 4.0 / 3.0] {
        let b = Shot { log_exposure: 0.6 + stops * STOP, framing: framed(), grain_seed: 2, ..a.clone() };
        let name = format!("{stops:+.2} stop");
        let found = holds(&name, &[made(a.clone(), 1.0, 7.0), made(b, stops.exp2(), 7.0)]);
        assert!((found.first.exposure_difference_stops.unwrap() - stops).abs() < 1e-9);
        let error = curve_error(&found, &Curve::PLAIN);
        eprintln!("{name}: curve off by {error:.4}; {:?}", found.curve_figures);
        assert!(error < 0.05);
    }
}

#[test]
fn a_push_is_measured_though_trees_clouds_and_water_moved() {
    let a = Shot { log_exposure: 0.7, ..Shot::default() };
    let push = Curve { gamma: 1.15, toe: (0.02, 0.18), top: (3.0, 0.3) };
    let b = Shot { log_exposure: 0.45, curve: push, framing: framed(), wind: 4, grain_seed: 3, ..a.clone() };
    let found = holds("pushed", &[made(a, 1.0, 7.0), made(b, 0.56, 10.0)]);
    assert!(found.curve.is_none() && found.no_curve.unwrap().contains("developed differently"));
    for advice in &found.advice {
        eprintln!("{}: {}", advice.code, advice.text);
    }
}

#[test]
fn three_plates_give_one_curve() {
    let a = Shot { log_exposure: 0.3, ..Shot::default() };
    let b = Shot { log_exposure: 0.3 + STOP, framing: framed(), grain_seed: 2, ..a.clone() };
    let c = Shot { log_exposure: 0.3 + 2.0 * STOP, framing: framed().inverse(), wind: 2, grain_seed: 3, ..a.clone() };
    let found = holds("three", &[made(a, 1.0, 7.0), made(b, 2.0, 7.0), made(c, 4.0, 7.0)]);
    let error = curve_error(&found, &Curve::PLAIN);
    eprintln!("three: curve off by {error:.4}; {:?}", found.curve_figures);
    assert!(error < 0.05);
    assert_eq!(found.below_speed_point.len(), 3);
}

#[test]
fn what_cannot_be_compared_says_why() {
    let one = made(Shot::default(), 1.0, 7.0);
    let alone = compare(&bracket(std::slice::from_ref(&one))[..1], Matching::Base).unwrap_err();
    assert!(alone.what().contains("only K-01"), "{alone}");
    let other = [one, made(Shot { seed: 5, ..Shot::default() }, 1.0, 7.0)];
    let unlike = compare(&bracket(&other), Matching::Base).unwrap_err();
    assert!(unlike.what().starts_with("K-01 and K-02:"), "{unlike}");
}

#[test]
fn plates_without_notes_are_compared_as_far_as_it_goes() {
    let a = Shot { log_exposure: 0.6, ..Shot::default() };
    let mut plates = [made(a.clone(), 1.0, 7.0), made(Shot { log_exposure: 0.9, grain_seed: 2, ..a }, 2.0, 7.0)];
    for plate in &mut plates {
        plate.exposure = Exposure::default();
        plate.development = Development::default();
    }
    let found = compare(&bracket(&plates), Matching::Highlights).unwrap();
    assert_eq!(found.first.exposure_difference_stops, None);
    assert!(found.no_curve.unwrap().contains("shutter and aperture"));
    // Matched in the highlights: B's density less what it gained there, a longer print being a positive step.
    let equal = &found.equal_density[1];
    assert!((equal.shift_density + found.first.highlight_gain_density).abs() < 1e-12);
    assert!(equal.shift_stops > 0.0);
}
