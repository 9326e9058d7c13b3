//! All that was asked of one picture, measured.
//!
//! In: a picture and a [`Request`]. Out: [`Findings`], in the order of the request. Fails at the first place that cannot be measured,
//! and names it.

use super::levels::{self, Standing};
use super::{Evenness, Patch, Picture, Region, Sharpness, edge, field, patch};
use crate::density::uncertainty::{Base, K, Shares, Uncertainty};
use crate::error::Fault;
use crate::image::{Image, Size, Window};
use crate::positive::lightness::lstar;
use crate::units::MM_PER_INCH;
use serde::Serialize;

/// Said of pictures without a negative's record.
const UNTOLD: &str = "blank, exposure, glare and response: the file carries no record of a negative that tells of them";

/// What to measure.
#[derive(Debug, Clone, Default)]
pub struct Request {
    /// Places are in pixels, and not in millimetres.
    pub in_pixels: bool,
    /// Samples an inch to go by, in place of what the file states.
    pub ppi: Option<f64>,
    /// Base plus fog, to be taken off.
    pub base: Option<Base>,
    /// What moves many pixels together, as the picture's record tells it.
    pub uncertainty: Option<Uncertainty>,
    /// Density beyond which the capture told nothing apart.
    pub deepest: Option<f64>,
    /// Patches, each with the density that it is known to have, where one is.
    pub patches: Vec<(Region, Option<f64>)>,
    pub edges: Vec<Region>,
    /// None is the whole picture.
    pub fields: Vec<Option<Region>>,
    pub lengths: Vec<Length>,
}

/// Two places, always in pixels, and how far apart they are known to be.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Length {
    pub from: [f64; 2],
    pub to: [f64; 2],
    pub mm: f64,
}

#[derive(Debug, Clone, Serialize)]
pub struct Findings {
    pub pixels: [usize; 2],
    /// Samples an inch that places and frequencies are told by.
    pub ppi: Option<f64>,
    pub patches: Vec<PatchFound>,
    pub edges: Vec<EdgeFound>,
    pub fields: Vec<FieldFound>,
    pub lengths: Vec<LengthFound>,
    pub standings: Vec<Standing>,
    /// What the intervals of patches do not hold, since nothing is known of it.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub lacking: Vec<String>,
}

#[derive(Debug, Clone, Serialize)]
pub struct PatchFound {
    pub at: String,
    #[serde(flatten)]
    pub found: Patch,
    /// Half the width of the 95 % interval of `density`, from all that is known: chance, and what moves many pixels together.
    pub uncertainty: f64,
    /// What it is made of beside chance: half the width of each part's own interval.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub parts: Option<Shares>,
    /// Density above base.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub net_density: Option<f64>,
    /// The same of the density above base.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub net_uncertainty: Option<f64>,
    /// The density that it is known to have.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub known: Option<f64>,
    #[serde(skip)]
    pub light: Image<f32>,
}

#[derive(Debug, Clone, Serialize)]
pub struct EdgeFound {
    pub at: String,
    #[serde(flatten)]
    pub found: Sharpness,
    /// SFR50 and SFR10 in cycles a millimetre on the plate.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub sfr50_per_mm: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub sfr10_per_mm: Option<f64>,
    /// The same as a share of half sampling, in percent.
    pub sfr50_percent: Option<f64>,
    pub sfr10_percent: Option<f64>,
    /// Samples an inch that would just carry SFR10.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub effective_ppi: Option<f64>,
    #[serde(skip)]
    pub light: Image<f32>,
}

#[derive(Debug, Clone, Serialize)]
pub struct FieldFound {
    pub at: String,
    #[serde(flatten)]
    pub found: Evenness,
}

#[derive(Debug, Clone, Serialize)]
pub struct LengthFound {
    pub mm: f64,
    pub pixels: f64,
    /// Samples an inch that follow.
    pub ppi: f64,
    /// Against those stated, in percent.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub off_percent: Option<f64>,
}

/// Measures all that is asked.
pub fn measure(picture: &Picture, request: &Request) -> Result<Findings, Fault> {
    let size = picture.size();
    let ppi = request.ppi.or(picture.stated_ppi);
    let scale = match (request.in_pixels, ppi) {
        (true, _) => 1.0,
        (false, Some(ppi)) => ppi / MM_PER_INCH,
        (false, None) if places(request) => {
            return Err(Fault::new(
                "it does not state its samples an inch",
                "give places in pixels with --px, or give --ppi",
            ));
        }
        (false, None) => 1.0,
    };
    let window = |region: &Region| region.window(scale, size);
    let named = |what: &str, region: &Region, fault: Fault| {
        Fault::new(format!("{what} {region}: {}", fault.what()), fault.mend())
    };
    let mut patches = Vec::new();
    for (region, known) in &request.patches {
        let found = window(region).and_then(|window| {
            let light = picture.light(window);
            patch::measure(&light, picture.floor()).map(|found| (found, light))
        });
        let (found, light) = found.map_err(|fault| named("patch", region, fault))?;
        let whole = |shares: Option<Shares>| found.uncertainty.hypot(shares.map_or(0.0, |shares| K * shares.sd()));
        let of = |u: &Uncertainty| u.of(found.density);
        let above = |base: &Base| match &request.uncertainty {
            Some(u) => whole(Some(u.above(found.density, base))),
            None => found.uncertainty.hypot(K * base.spread),
        };
        let shares = request.uncertainty.as_ref().map(of);
        patches.push(PatchFound {
            at: region.to_string(),
            uncertainty: whole(shares),
            parts: shares.map(|shares| shares.times(K)),
            net_density: request.base.map(|base| found.density - base.density),
            net_uncertainty: request.base.as_ref().map(above),
            known: *known,
            found,
            light,
        });
    }
    let mut edges = Vec::new();
    for region in &request.edges {
        let found = window(region).and_then(|window| {
            let light = picture.light(window);
            edge::measure(&light).map(|found| (found, light))
        });
        let (found, light) = found.map_err(|fault| named("edge", region, fault))?;
        edges.push(EdgeFound::new(region.to_string(), found, light, ppi));
    }
    let mut fields = Vec::new();
    for region in &request.fields {
        let whole = Window { row: 0, column: 0, size };
        let found = region.as_ref().map_or(Ok(whole), window).and_then(|window| field::measure(&picture.light(window)));
        let found = found.map_err(|fault| match region {
            Some(region) => named("field", region, fault),
            None => fault,
        })?;
        fields.push(FieldFound { at: region.map_or("all".into(), |region| region.to_string()), found });
    }
    let lengths: Vec<LengthFound> = request.lengths.iter().map(|length| length.against(picture.stated_ppi)).collect();
    let standings = standings(&patches, &edges, &fields, &lengths);
    let mut lacking = match &request.uncertainty {
        _ if patches.is_empty() => Vec::new(),
        Some(u) => u.lacking(),
        None => vec![UNTOLD.to_string()],
    };
    for (p, deepest) in
        patches.iter().filter_map(|p| Some((p, request.deepest.filter(|deepest| p.found.density > *deepest)?)))
    {
        lacking.push(format!(
            "the capture's depth, of the patch {}: above {deepest:.2} its codes, noise or glare may move a density by 0.05",
            p.at
        ));
    }
    Ok(Findings { pixels: pixels(size), ppi, patches, edges, fields, lengths, standings, lacking })
}

fn pixels(size: Size) -> [usize; 2] {
    [size.columns, size.rows]
}

/// Whether anything is asked at a place.
fn places(request: &Request) -> bool {
    !request.patches.is_empty() || !request.edges.is_empty() || request.fields.iter().any(|field| field.is_some())
}

impl EdgeFound {
    fn new(at: String, found: Sharpness, light: Image<f32>, ppi: Option<f64>) -> EdgeFound {
        let per_mm = |f: Option<f64>| f.zip(ppi).map(|(f, ppi)| f * ppi / MM_PER_INCH);
        let percent = |f: Option<f64>| f.map(|f| 200.0 * f);
        EdgeFound {
            at,
            sfr50_per_mm: per_mm(found.sfr50),
            sfr10_per_mm: per_mm(found.sfr10),
            sfr50_percent: percent(found.sfr50),
            sfr10_percent: percent(found.sfr10),
            effective_ppi: found.sfr10.zip(ppi).map(|(f, ppi)| (2.0 * f).min(1.0) * ppi),
            found,
            light,
        }
    }
}

impl Length {
    fn against(&self, stated: Option<f64>) -> LengthFound {
        let pixels = (self.to[0] - self.from[0]).hypot(self.to[1] - self.from[1]);
        let ppi = pixels / self.mm * MM_PER_INCH;
        LengthFound { mm: self.mm, pixels, ppi, off_percent: stated.map(|stated| 100.0 * (ppi / stated - 1.0)) }
    }
}

/// The poorest of each kind against the levels.
fn standings(
    patches: &[PatchFound],
    edges: &[EdgeFound],
    fields: &[FieldFound],
    lengths: &[LengthFound],
) -> Vec<Standing> {
    let most = |values: Vec<f64>| values.into_iter().reduce(|a, b| if b.abs() > a.abs() { b } else { a });
    let least = |values: Vec<f64>| values.into_iter().reduce(f64::min);
    let known = |p: &PatchFound| p.known.map(|known| p.found.lstar - lstar(10f64.powf(-known)));
    // An edge that never falls to a tenth carries more than is sampled.
    let efficiency = |e: &EdgeFound| e.sfr10_percent.unwrap_or(100.0).min(100.0);
    [
        most(patches.iter().filter_map(known).collect()).map(levels::tone),
        most(patches.iter().map(|p| p.found.noise_lstar).collect()).map(levels::noise),
        most(fields.iter().map(|f| 100.0 * f.found.lightness).collect()).map(levels::unevenness),
        least(edges.iter().map(efficiency).collect()).map(levels::efficiency),
        least(edges.iter().filter_map(|e| e.sfr50_percent).collect()).map(levels::sfr50),
        most(edges.iter().map(|e| e.found.peak).collect()).map(levels::sharpening),
        most(lengths.iter().filter_map(|l| l.off_percent).collect()).map(levels::sampling),
    ]
    .into_iter()
    .flatten()
    .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frame::CaptureProfile;
    use std::path::Path;

    /// Density of T 0.5.
    const STOP: f64 = std::f64::consts::LOG10_2;

    /// A field of T 0.5 with a slanted knife edge in it, at 1270 samples an inch: 50 a millimetre.
    fn picture(folder: &Path) -> Picture {
        use tiff::encoder::{Rational, TiffEncoder, colortype};
        let file = folder.join("a.tif");
        let codes: Vec<u16> = (0..300 * 400)
            .map(|k| {
                let (x, y) = ((k % 400) as f64 + 0.5, (k / 400) as f64 + 0.5);
                let off = (x - 200.0) * 0.9962 + (y - 150.0) * 0.0872;
                (65535.0 * (0.002 + 0.498 / (1.0 + (-off / 0.6).exp()))) as u16
            })
            .collect();
        let mut encoder = TiffEncoder::new(std::fs::File::create(&file).unwrap()).unwrap();
        let mut image = encoder.new_image::<colortype::Gray16>(400, 300).unwrap();
        image.resolution(tiff::tags::ResolutionUnit::Inch, Rational { n: 1270, d: 1 });
        image.write_data(&codes).unwrap();
        Picture::read(&file, &CaptureProfile::linear()).unwrap()
    }

    /// A logistic edge of width w has the modulation of its derivative, 2π²wf ÷ sinh(2π²wf): 0.5 where 2π²wf is 2.1773.
    #[test]
    fn places_and_frequencies_are_told_in_millimetres() {
        let folder = tempfile::tempdir().unwrap();
        let request = Request {
            base: Some(Base { density: 0.1, spread: 0.0, own: false }),
            patches: vec![("6,1,1,1".parse().unwrap(), Some(STOP))],
            edges: vec!["3,1,2,4".parse().unwrap()],
            fields: vec![Some("6,1,1.5,4".parse().unwrap())],
            lengths: vec![Length { from: [0.0, 0.0], to: [300.0, 400.0], mm: 10.0 }],
            ..Request::default()
        };
        let found = measure(&picture(folder.path()), &request).unwrap();
        let patch = &found.patches[0];
        assert!((patch.found.density - STOP).abs() < 1e-4 && (patch.net_density.unwrap() - (STOP - 0.1)).abs() < 1e-4);
        let want = 2.1773 / (2.0 * std::f64::consts::PI.powi(2) * 0.6) * 50.0;
        let sfr50 = found.edges[0].sfr50_per_mm.unwrap();
        assert!((sfr50 / want - 1.0).abs() < 0.01, "{sfr50} for {want}");
        assert!(found.fields[0].found.range < 1e-4);
        assert!((found.lengths[0].ppi - 1270.0).abs() < 1e-9);
        assert_eq!(found.standings.iter().find(|s| s.what.starts_with("sampling ag")).unwrap().fadgi, Some("4 stars"));
    }

    #[test]
    fn faults_name_the_place() {
        let folder = tempfile::tempdir().unwrap();
        let picture = picture(folder.path());
        let request = Request { edges: vec!["6,1,1,1".parse().unwrap()], ..Request::default() };
        let fault = measure(&picture, &request).unwrap_err();
        assert!(fault.what().contains("edge 6,1,1,1") && fault.what().contains("no edge"), "{fault}");
        let mut unstated = picture;
        unstated.stated_ppi = None;
        assert!(measure(&unstated, &request).unwrap_err().mend().contains("--px"));
    }
}
