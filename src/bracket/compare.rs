//! A bracket compared: the first plate, A, with each of the others.
//!
//! In: two to six [`BracketPlate`]s of one scene and what is to be held equal. Out: a [`Comparison`], which is compare.json, and with it
//! the [`Laying`] that pictures are made by. Fails when there are fewer than two plates or more than six, when one is too small to
//! be searched, or when two do not show one scene; the message names them.

use super::advice::{self, Advice};
use super::align::{self, Alignment};
use super::cells::{self, Cells};
use super::charts::Drawn;
use super::curve::{self, Place, Recovered};
use super::development::{self, Sameness};
use super::joint::{self, Joint};
use super::laying::Laying;
use super::outline::Outline;
use super::plane::Plane;
use super::plates::{self, PlateFigures, Zone};
use super::printing::{self, PrintingFit};
use crate::error::{Fault, Warning};
use crate::geometry::Homography;
use crate::image::Image;
use crate::notes::{Development, Exposure, Matching};
use crate::units::{DENSITY_PER_STOP, NetDensity};
use serde::Serialize;

/// One plate of a bracket.
pub struct BracketPlate<'a> {
    pub id: &'a str,
    /// Above base, rectified, right-reading.
    pub density: &'a Image<NetDensity>,
    /// Millimetres in one pixel of `density`.
    pub mm_per_px: f64,
    /// Pixels of the full-size result in one pixel of `density`: 1 where nothing was reduced.
    pub full_per_px: f64,
    pub exposure: &'a Exposure,
    pub development: &'a Development,
    /// Density of base plus fog.
    pub base: f64,
    /// Density above base from which on the capture no longer tells one density from another.
    pub deepest: Option<f64>,
}

/// compare.json. The figures at the top are those of B, the second plate, against A, the first; `pairs` holds the same for
/// every further plate.
#[derive(Debug, Clone, Serialize)]
pub struct Comparison {
    pub plates: Vec<String>,
    #[serde(rename = "match")]
    pub matching: Matching,
    #[serde(flatten)]
    pub first: PairFigures,
    /// Share of the common area under 0.10 above base, for each plate.
    pub below_speed_point: Vec<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub curve: Option<Vec<[f64; 2]>>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub curve_figures: Option<CurveFigures>,
    /// Why there is no curve.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub no_curve: Option<String>,
    pub equal_density: Vec<EqualDensity>,
    pub per_plate: Vec<PlateFigures>,
    pub printing: Vec<PrintingFit>,
    pub advice: Vec<Advice>,
    /// Every plate after A, against A.
    pub pairs: Vec<NamedPair>,
    pub warnings: Vec<Warning>,
    /// What each figure means and how far it can be trusted, for whoever reads the file alone.
    pub notes: Vec<&'static str>,
    #[serde(skip)]
    pub laying: Laying,
    #[serde(skip)]
    pub drawn: Drawn,
}

#[derive(Debug, Clone, Serialize)]
pub struct NamedPair {
    pub plates: [String; 2],
    #[serde(flatten)]
    pub figures: PairFigures,
}

/// What one plate has against A.
#[derive(Debug, Clone, Serialize)]
pub struct PairFigures {
    pub alignment: AlignmentFigures,
    /// B minus A, from the notes.
    pub exposure_difference_stops: Option<f64>,
    pub same_development: Sameness,
    pub relative_contrast: Option<f64>,
    pub shadow_gain_density: f64,
    pub highlight_gain_density: f64,
    /// A's 5th and 95th percentile of density above base over the common area: where the two gains are taken.
    pub gain_at_density: [f64; 2],
    /// Base plus fog of B minus that of A.
    pub base_difference: f64,
    pub uncertainty: Uncertainty,
    /// Share of the compared places that lie off the relation: moved, or spoilt.
    pub moved: f64,
    pub zones: Vec<Zone>,
    /// D_A, D_B, standard error of D_B, share of the places.
    pub joint: Vec<[f64; 4]>,
}

/// One standard error each.
#[derive(Debug, Clone, Copy, Serialize)]
pub struct Uncertainty {
    pub relative_contrast: Option<f64>,
    pub shadow_gain_density: f64,
    pub highlight_gain_density: f64,
    /// Standard deviation of single places about the relation.
    pub scatter: f64,
}

#[derive(Debug, Clone, Serialize)]
pub struct AlignmentFigures {
    /// Root mean square distance of the ties, in pixels of A's full-size result.
    pub rms_px: f64,
    /// B to A, row by row, in pixels of the full-size results.
    pub homography: Homography,
    /// Share of A's scene that B shows, too.
    pub overlap: f64,
    pub ties: usize,
    /// Share of the places with structure that were found again in place.
    pub support: f64,
    /// Root mean square of a smooth bend beyond the homography, in the same pixels; 0 where the ties support none.
    pub bend_px: f64,
    pub mirrored: bool,
    pub quarter_turns: usize,
}

#[derive(Debug, Clone, Serialize)]
pub struct CurveFigures {
    /// log10 H relative over which the plates have recorded something.
    pub range: [f64; 2],
    /// Whether zero of log10 H is the speed point (0.10 above base plus fog), else the lowest point seen.
    pub zero_is_speed_point: bool,
    pub mean_gradient: f64,
    /// log10 H over which the mean gradient is taken.
    pub gradient_over: [f64; 2],
    pub mean_gradient_uncertainty: f64,
    /// By what share every gradient would change if one exposure were a tenth of a stop off.
    pub gradient_per_tenth_stop: f64,
    pub shoulder_density: Option<f64>,
    /// Root mean square of the plates' densities about the curve.
    pub fit_rms: f64,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub effective_speed: Option<EffectiveSpeed>,
}

/// Speed for the light of this scene.
#[derive(Debug, Clone, Copy, Serialize)]
pub struct EffectiveSpeed {
    pub ei: f64,
    /// Effective over set.
    pub stops_from_setting: f64,
    pub set_ei: f64,
}

/// What a plate's density is shifted by before the one tone mapping.
#[derive(Debug, Clone, Serialize)]
pub struct EqualDensity {
    pub plate: String,
    pub shift_density: f64,
    /// The same as printing exposure: positive prints longer.
    pub shift_stops: f64,
}

const NOTES: [&str; 5] = [
    "densities are above base plus fog; B minus A throughout; one standard error under uncertainty, found by drawing blocks of the scene again",
    "the standard errors leave out what both plates share: glare, an error of the base reading, of the shutter, of the meter",
    "the common area is where both plates show the scene, without the rebate",
    "the zero of log10 H is the place where the curve crosses 0.10 above base, or its lowest point",
    "advice is an estimate from these plates in this light",
];

/// Least side of a plate in pixels for which places can be looked for.
const LEAST_PX: usize = 64;

pub fn compare(plates: &[BracketPlate], matching: Matching) -> Result<Comparison, Fault> {
    checked(plates)?;
    let planes: Vec<Plane> = plates.iter().map(|p| Plane::new(p.density, p.mm_per_px, p.full_per_px)).collect();
    let a = &planes[0];
    let mut alignments = Vec::new();
    for (plate, plane) in plates.iter().zip(&planes).skip(1) {
        let named = |f: Fault| Fault::new(format!("{} and {}: {}", plates[0].id, plate.id, f.what()), f.mend());
        alignments.push(align::align(a, plane).map_err(named)?);
    }
    let laid: Vec<Image<f32>> = planes.iter().skip(1).zip(&alignments).map(|(b, al)| al.lay(a, b)).collect();
    let outlines: Vec<Outline> = std::iter::once(a.outline)
        .chain(planes.iter().skip(1).zip(&alignments).map(|(b, al)| b.outline.through(&al.b_to_a)))
        .collect();
    let on_a: Vec<(&Image<f32>, Outline)> =
        std::iter::once(&a.density).chain(&laid).zip(outlines.iter().copied()).collect();
    let cells = Cells::new(&on_a, a.mm_per_px);
    let limit = |i: usize| plates[i].deepest.unwrap_or(f64::INFINITY);
    let areas: Vec<plates::Area> = (1..plates.len()).map(|i| plates::Area::common(&[on_a[0], on_a[i]])).collect();
    let (mut joints, mut drawn) = (Vec::new(), Drawn::default());
    for (i, alignment) in alignments.iter().enumerate() {
        let pairs = cells::pairs(&cells, i + 1, alignment, (limit(0), limit(i + 1)));
        let named = |f: Fault| Fault::new(format!("{} and {}: {}", plates[0].id, plates[i + 1].id, f.what()), f.mend());
        drawn.pairs.push(pairs.iter().map(|p| [p.a, p.b]).collect());
        joints.push(joint::joint(&pairs, |d| areas[i].carried(1, d)).map_err(named)?);
    }
    let all = plates::Area::common(&on_a);
    (drawn.edges, drawn.shares) = all.histograms();
    let pairs: Vec<NamedPair> = (1..plates.len())
        .map(|i| NamedPair {
            plates: [plates[0].id.into(), plates[i].id.into()],
            figures: pair(&plates[0], &plates[i], (a, &planes[i]), &alignments[i - 1], &joints[i - 1], &areas[i - 1]),
        })
        .collect();
    let recovered = recovered(&pairs, &cells, &joints);
    let curve = recovered.as_ref().ok();
    let per_plate: Vec<PlateFigures> =
        plates.iter().enumerate().map(|(i, p)| plates::figures(p.id, &all, i, curve.map(|c| &c.curve))).collect();
    let equal_density = std::iter::once((plates[0].id, 0.0))
        .chain(pairs.iter().zip(plates.iter().skip(1)).map(|(pair, p)| (p.id, shift(matching, &pair.figures))))
        .map(|(id, d)| EqualDensity { plate: id.into(), shift_density: d, shift_stops: -d / DENSITY_PER_STOP })
        .collect();
    let mut warnings = Vec::new();
    for (i, alignment) in alignments.iter().enumerate() {
        if development::stops(plates[0].exposure, plates[i + 1].exposure).is_some_and(|g| g.meant) {
            let message = format!(
                "the notes do not give shutter and aperture of both {} and {}: their step of exposure is taken from the EIs",
                plates[0].id,
                plates[i + 1].id
            );
            warnings.push(Warning::new("exposure-from-ei", message));
        }
        doubts(plates[0].id, plates[i + 1].id, alignment, &joints[i], &mut warnings);
    }
    let curve_figures = curve.map(|c| c.figures(plates));
    let printing = per_plate.iter().map(printing::fit).collect();
    let advice = advice::advise(plates, &pairs, &per_plate, curve.map(|c| &c.curve));
    Ok(Comparison {
        plates: plates.iter().map(|p| p.id.into()).collect(),
        matching,
        first: pairs[0].figures.clone(),
        below_speed_point: per_plate.iter().map(|p| p.below_speed_point).collect(),
        curve: curve.map(|c| c.curve.points()),
        curve_figures,
        no_curve: recovered.err(),
        equal_density,
        per_plate,
        printing,
        advice,
        pairs,
        warnings,
        notes: NOTES.to_vec(),
        laying: Laying {
            alignments,
            outlines,
            size: a.size(),
            full_per_px: planes.iter().map(|p| p.full_per_px).collect(),
        },
        drawn,
    })
}

fn checked(plates: &[BracketPlate]) -> Result<(), Fault> {
    if plates.len() < 2 {
        let told = plates.first().map_or("no plate".into(), |p| format!("only {}", p.id));
        return Err(Fault::new(format!("the bracket holds {told}"), "name two to six plates of one scene"));
    }
    if plates.len() > 6 {
        return Err(Fault::new(
            format!("the bracket holds {} plates", plates.len()),
            "name two to six plates of one scene",
        ));
    }
    for plate in plates {
        let size = plate.density.size();
        if size.rows.min(size.columns) < LEAST_PX || !(plate.mm_per_px > 0.0 && plate.full_per_px > 0.0) {
            return Err(Fault::new(
                format!("{} is {size} pixels, too small to be compared", plate.id),
                format!("copy it so that it is at least {LEAST_PX} pixels each way"),
            ));
        }
    }
    Ok(())
}

fn pair(
    a: &BracketPlate,
    b: &BracketPlate,
    (plane_a, plane_b): (&Plane, &Plane),
    alignment: &Alignment,
    joint: &Joint,
    area: &plates::Area,
) -> PairFigures {
    let [low, high] = [0.05, 0.95].map(|share| area.quantile(0, share));
    let slope = joint.slope(0.25 * high, 0.85 * high);
    let (shadow, highlight) = (joint.gain(low), joint.gain(high));
    PairFigures {
        alignment: AlignmentFigures {
            rms_px: alignment.rms * plane_a.full_per_px,
            homography: plane_a.to_full().after(&alignment.b_to_a).after(&plane_b.from_full()),
            overlap: alignment.overlap,
            ties: alignment.ties,
            support: alignment.support,
            bend_px: alignment.field.as_ref().map_or(0.0, |f| f.rms * plane_a.full_per_px),
            mirrored: alignment.mirrored,
            quarter_turns: alignment.quarters,
        },
        exposure_difference_stops: development::stops(a.exposure, b.exposure).map(|g| g.stops),
        same_development: development::same(a.development, b.development),
        relative_contrast: slope.map(|s| s.value),
        shadow_gain_density: shadow.value,
        highlight_gain_density: highlight.value,
        gain_at_density: [low, high],
        base_difference: b.base - a.base,
        uncertainty: Uncertainty {
            relative_contrast: slope.map(|s| s.error),
            shadow_gain_density: shadow.error,
            highlight_gain_density: highlight.error,
            scatter: joint.relation.scatter,
        },
        moved: joint.moved,
        zones: plates::zones(area, joint),
        joint: joint.relation.table(),
    }
}

/// Density that B is shifted by so that it prints like A where the two are matched.
fn shift(matching: Matching, pair: &PairFigures) -> f64 {
    match matching {
        Matching::Base => 0.0,
        Matching::Highlights => -pair.highlight_gain_density,
        Matching::Shadows => -pair.shadow_gain_density,
    }
}

fn doubts(a: &str, b: &str, alignment: &Alignment, joint: &Joint, warnings: &mut Vec<Warning>) {
    if alignment.mirrored {
        let message = format!(
            "{b} shows the scene of {a} mirrored: one of them was copied from the wrong side; correct `emulsion` or turn the plate over \
             (its densities are compared all the same)"
        );
        warnings.push(Warning::new("mirrored", message));
    }
    if alignment.quarters != 0 && !alignment.mirrored {
        let degrees = 90 * alignment.quarters;
        let message = format!("{b} lies turned by {degrees}° against {a}: correct `rotate` of one of them");
        warnings.push(Warning::new("turned", message));
    }
    if alignment.overlap < 0.7 {
        let message = format!(
            "{b} shows only {:.0} % of the scene of {a}: the figures are of that part",
            100.0 * alignment.overlap
        );
        warnings.push(Warning::new("low-overlap", message));
    }
    if joint.moved > 0.35 {
        let message = format!(
            "{:.0} % of the places compared in {a} and {b} moved between the exposures, or are spoilt",
            100.0 * joint.moved
        );
        warnings.push(Warning::new("moved", message));
    }
}

struct Found {
    curve: Recovered,
    gradient_error: f64,
    widest_stops: f64,
}

/// Curve from the plates that A shares its development with; the reason where there is none.
fn recovered(pairs: &[NamedPair], cells: &Cells, joints: &[Joint]) -> Result<Found, String> {
    let alike: Vec<(usize, f64)> = pairs
        .iter()
        .enumerate()
        .filter(|(_, p)| p.figures.same_development != Sameness::No)
        .filter_map(|(i, p)| p.figures.exposure_difference_stops.map(|s| (i, s * DENSITY_PER_STOP)))
        .collect();
    if alike.is_empty() {
        return Err(if pairs.iter().all(|p| p.figures.same_development == Sameness::No) {
            "the plates were developed differently: their contrast can be compared, but exposure and development cannot be told apart".into()
        } else {
            "the notes do not give the exposures of both plates: write shutter and aperture of each".into()
        });
    }
    let steps: Vec<f64> = std::iter::once(0.0).chain(alike.iter().map(|(_, s)| *s)).collect();
    let draw = |draw: Option<usize>| -> Vec<Place> {
        let first = &joints[alike[0].0];
        let pairs = draw.map_or_else(|| first.used.clone(), |d| first.drawn(d));
        let held: Vec<std::collections::BTreeSet<(usize, usize)>> =
            alike[1..].iter().map(|(i, _)| joints[*i].used.iter().map(|p| (p.row, p.column)).collect()).collect();
        pairs
            .iter()
            .filter(|p| held.iter().all(|set| set.contains(&(p.row, p.column))))
            .map(|p| {
                let mut densities = vec![p.a, p.b];
                densities
                    .extend(alike[1..].iter().map(|(i, _)| f64::from(cells.plates[i + 1].at(p.row, p.column).mean)));
                Place { densities, weight: p.weight }
            })
            .collect()
    };
    let curve = curve::recover(&draw(None), &steps)?;
    let gradient = curve.mean_gradient().0;
    let drawn: Vec<f64> = (0..CURVE_DRAWS)
        .filter_map(|d| curve::recover(&draw(Some(d)), &steps).ok())
        .map(|c| c.mean_gradient().0)
        .collect();
    let gradient_error = (drawn.iter().map(|g| (g - gradient).powi(2)).sum::<f64>() / drawn.len().max(1) as f64).sqrt();
    let stops: Vec<f64> = steps.iter().map(|s| s / DENSITY_PER_STOP).collect();
    let span = |f: fn(f64, f64) -> f64, from: f64| stops.iter().copied().fold(from, f);
    Ok(Found { curve, gradient_error, widest_stops: span(f64::max, 0.0) - span(f64::min, 0.0) })
}

/// Bootstrap draws of the curve: its standard error is then known to a sixth.
const CURVE_DRAWS: usize = 20;

/// A meter of the common calibration (ISO 2720: K = 12.5 cd/m², lens transmission factor q = 0.65) puts the mean of what it reads at
/// q·K/EI = 8.1/EI lx·s; the speed point of a plate of that speed lies at 0.8/EI lx·s (ISO 6).
const MEAN_OVER_SPEED_POINT: f64 = 0.65 * 12.5 / 0.8;

impl Found {
    fn figures(&self, plates: &[BracketPlate]) -> CurveFigures {
        let (mean_gradient, gradient_over) = self.curve.mean_gradient();
        let (low, high) = self.curve.range();
        CurveFigures {
            range: [low, high],
            zero_is_speed_point: self.curve.reaches_speed_point,
            mean_gradient,
            gradient_over,
            mean_gradient_uncertainty: self.gradient_error,
            gradient_per_tenth_stop: 0.1 / self.widest_stops,
            shoulder_density: self.curve.shoulder(),
            fit_rms: self.curve.rms,
            effective_speed: self.speed(plates[0].exposure.ei),
        }
    }

    /// From the mean exposure of the scene on A over that of the speed point, if the meter read the mean of the scene.
    fn speed(&self, set: Option<f64>) -> Option<EffectiveSpeed> {
        let set_ei = set.filter(|ei| *ei > 0.0 && self.curve.reaches_speed_point)?;
        let mean: f64 = self.curve.scene.iter().map(|(h, share)| share * 10f64.powf(*h)).sum();
        let ratio = mean / MEAN_OVER_SPEED_POINT;
        Some(EffectiveSpeed { ei: set_ei * ratio, stops_from_setting: ratio.log2(), set_ei })
    }
}
