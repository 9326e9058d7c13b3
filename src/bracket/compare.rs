//! A bracket compared: the first plate, A, with each of the others.
//!
//! In: two to six [`BracketPlate`]s of one scene and what is to be held equal. Out: a [`Comparison`], which is compare.json, and with it
//! the [`Laying`] that pictures are made by. Fails when there are fewer than two plates or more than six, when one is too small to
//! be searched, or when two do not show one scene; the message names them.

use super::advice::{self, Advice};
use super::align::{self, Alignment};
use super::area::Area;
use super::base::PlateBase;
use super::bend::Bend;
use super::came_up::CameUp;
use super::cells::{self, Cells};
use super::charts::Drawn;
use super::development::{self, Sameness};
use super::joint::{self, Joint};
use super::laying::Laying;
use super::outline::Outline;
use super::plane::Plane;
use super::plates::{self, PlateFigures, Zone};
use super::printing::{self, PrintingFit};
use super::recovery::{self, CurveFigures};
use crate::density::uncertainty::{self, Base};
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
    /// Base plus fog, and what `density` is counted from.
    pub base: PlateBase,
    /// Density above base from which on the capture no longer tells one density from another.
    pub deepest: Option<f64>,
    /// What the plate's record knows of how sure its densities are.
    pub uncertainty: Option<&'a uncertainty::Uncertainty>,
}

impl BracketPlate<'_> {
    /// Standard uncertainty of a density above base: of the base reading and of the capture.
    fn sd(&self, density: f64) -> f64 {
        let base = Base { density: self.base.counted, spread: self.base.sd, own: true };
        self.uncertainty.map_or(base.spread, |u| u.above(base.density + density, &base).sd())
    }

    /// Standard uncertainty of the difference between two densities of the plate.
    fn span_sd(&self, [from, to]: [f64; 2]) -> f64 {
        let low = Base { density: self.base.counted + from, spread: 0.0, own: true };
        self.uncertainty.map_or(0.0, |u| u.above(self.base.counted + to, &low).sd())
    }
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
    /// Base plus fog of B minus that of A, each as read on the plate.
    pub base_difference: f64,
    /// Where one was developed further than the other, by the notes: what became of the other's shadows.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub came_up: Option<CameUp>,
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
    pub base_difference: f64,
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
    /// What a place of A is shifted by before the homography carries it back to B, in the same pixels; none for one lens and focus.
    pub bend: Option<Bend>,
    pub mirrored: bool,
    pub quarter_turns: usize,
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
    "densities are above base plus fog; B minus A throughout",
    "one standard error under uncertainty: of drawing blocks of the scene again, of the base readings, and of what each plate's record knows of \
     its capture; an error of the shutter or the meter is not in it, nor is glare that was not measured",
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
    let areas: Vec<Area> = (1..plates.len()).map(|i| Area::common(&[on_a[0], on_a[i]])).collect();
    let (mut joints, mut drawn) = (Vec::new(), Drawn::default());
    for (i, alignment) in alignments.iter().enumerate() {
        let pairs = cells::pairs(&cells, i + 1, alignment, (limit(0), limit(i + 1)));
        let named = |f: Fault| Fault::new(format!("{} and {}: {}", plates[0].id, plates[i + 1].id, f.what()), f.mend());
        drawn.pairs.push(pairs.iter().map(|p| [p.a, p.b]).collect());
        joints.push(joint::joint(&pairs, |d| areas[i].carried(1, d)).map_err(named)?);
    }
    let all = Area::common(&on_a);
    (drawn.edges, drawn.shares) = all.histograms();
    let pairs: Vec<NamedPair> = (1..plates.len())
        .map(|i| NamedPair {
            plates: [plates[0].id.into(), plates[i].id.into()],
            figures: pair(&plates[0], &plates[i], (a, &planes[i]), &alignments[i - 1], &joints[i - 1], &areas[i - 1]),
        })
        .collect();
    let recovered = recovery::recover(plates, &cells, &joints, &all);
    let curve = recovered.as_ref().ok();
    let per_plate: Vec<PlateFigures> =
        plates.iter().enumerate().map(|(i, p)| plates::figures(p.id, &all, i, recovery::of_plate(curve, i))).collect();
    let equal_density = std::iter::once((plates[0].id, 0.0))
        .chain(pairs.iter().zip(plates.iter().skip(1)).map(|(pair, p)| (p.id, shift(matching, &pair.figures))))
        .map(|(id, d)| EqualDensity { plate: id.into(), shift_density: d, shift_stops: -d / DENSITY_PER_STOP })
        .collect();
    let mut warnings: Vec<Warning> = plates.iter().filter_map(|p| p.base.told(p.id)).collect();
    for ((b, alignment), joint) in plates[1..].iter().zip(&alignments).zip(&joints) {
        exposure_doubts(&plates[0], b, &mut warnings);
        doubts(plates[0].id, b.id, alignment, joint, &mut warnings);
    }
    warnings.extend(curve.and_then(|c| c.told(plates)));
    let range_sd = |(f, p): (&PlateFigures, &BracketPlate)| printing::fit(f, p.span_sd([f.density[0], f.density[4]]));
    let printing = per_plate.iter().zip(plates).map(range_sd).collect();
    let advice = advice::advise(plates, &pairs, &per_plate, curve);
    Ok(Comparison {
        plates: plates.iter().map(|p| p.id.into()).collect(),
        matching,
        first: pairs[0].figures.clone(),
        below_speed_point: per_plate.iter().map(|p| p.below_speed_point).collect(),
        curve: curve.map(|c| c.curve.points()),
        curve_figures: curve.map(|c| c.figures(plates)),
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
    area: &Area,
) -> PairFigures {
    let [low, high] = [0.05, 0.95].map(|share| area.quantile(0, share));
    let gain = |density: f64| {
        let gain = plates::gain(area, joint, density);
        gain.with(a.sd(density)).with(b.sd(density + gain.value))
    };
    let slope = |from: f64, to: f64| {
        let slope = joint.slope(from, to)?;
        // Both densities span what the slope is of: their relative errors are the slope's.
        let of_b = [from, to].map(|d| joint.relation.at(d));
        let relative = |plate: &BracketPlate, span: [f64; 2]| plate.span_sd(span) / (span[1] - span[0]).max(0.01);
        let with = [relative(a, [from, to]), relative(b, of_b)].map(|share| share * slope.value);
        Some(slope.with(with[0]).with(with[1]))
    };
    let [shadow, highlight] = [low, high].map(gain);
    let contrast = slope(0.25 * high, 0.85 * high);
    PairFigures {
        alignment: AlignmentFigures {
            rms_px: alignment.rms * plane_a.full_per_px,
            homography: plane_a.to_full().after(&alignment.b_to_a).after(&plane_b.from_full()),
            overlap: alignment.overlap,
            ties: alignment.ties,
            support: alignment.support,
            bend_px: alignment.rms_bent * plane_a.full_per_px,
            bend: alignment.bend.map(|bend| bend.scaled(plane_a.full_per_px)),
            mirrored: alignment.mirrored,
            quarter_turns: alignment.quarters,
        },
        exposure_difference_stops: development::stops(a.exposure, b.exposure).map(|g| g.stops),
        same_development: development::same(a.development, b.development),
        relative_contrast: contrast.map(|s| s.value),
        shadow_gain_density: shadow.value,
        highlight_gain_density: highlight.value,
        gain_at_density: [low, high],
        base_difference: b.base.read() - a.base.read(),
        came_up: CameUp::between(a, b, joint),
        uncertainty: Uncertainty {
            relative_contrast: contrast.map(|s| s.error),
            shadow_gain_density: shadow.error,
            highlight_gain_density: highlight.error,
            base_difference: a.base.sd.hypot(b.base.sd),
            scatter: joint.relation.scatter,
        },
        moved: joint.moved,
        zones: plates::zones(area, gain, slope),
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

/// What the notes leave open of the step of exposure.
fn exposure_doubts(a: &BracketPlate, b: &BracketPlate, warnings: &mut Vec<Warning>) {
    let Some(step) = development::stops(a.exposure, b.exposure) else { return };
    if step.meant {
        let message = format!(
            "the notes do not give shutter and aperture of both {} and {}: their step of exposure is taken from the EIs",
            a.id, b.id
        );
        warnings.push(Warning::new("exposure-from-ei", message));
        return;
    }
    let lacking = development::one_sided(a.exposure, b.exposure);
    if !lacking.is_empty() {
        let message = format!(
            "{} is noted on one of {} and {} only, and their step of exposure leaves it out: write it on both, 0 or the bare lens's length \
             where there was none",
            lacking.join(" and "),
            a.id,
            b.id
        );
        warnings.push(Warning::new("exposure-half-noted", message));
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
