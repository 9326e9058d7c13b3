//! A plate copied in tiles: each tile divided by its blank, all placed and adjusted together, and composed onto the plate's own grid.

use crate::copy::{Copied, copied, copied_under, frames, round, under_exposed, veil_in};
use crate::density::uncertainty::of_one_more;
use crate::density::{Deepest, Uncertainty};
use crate::error::{Error, Fault, InFile, Warning};
use crate::frame;
use crate::geometry::{Point, lie};
use crate::image::{Image, Size};
use crate::light::Veil;
use crate::mosaic::{self, Beside, Overlap, Placement, Seams, Store, Target, Tile, gap_in_words};
use crate::notes::Plate;
use crate::pipeline::{Collected, Failure, Found, Grid, Rectified, Run, code, lies, off_level, surround};
use crate::plate::CONFIDENT;
use crate::record::{EdgesRecord, Step, StitchRecord, TileRecord};
use crate::report;
use crate::units::Transmittance;
use rayon::prelude::*;
use serde_json::json;
use std::path::PathBuf;
use std::sync::OnceLock;

/// Bytes of tiles held in memory before they wait on disk.
const MEMORY: usize = 768 << 20;

/// What is kept of a tile once its pixels are in the store.
struct Told {
    size: Size,
    seen: Copied,
}

/// Captures to transmittance on the plate's own grid.
pub fn rectify(run: &Run, plate: &Plate) -> Result<Rectified, Box<Failure>> {
    run.progress.stage(&plate.id, "reading the tiles");
    let (mut store, mut told) = gather(run, plate, None)?;
    run.progress.stage(&plate.id, "placing the tiles");
    let at_plate = |fault| Error::at_line(&run.session.file, plate.line, fault);
    let lens = run.profile.for_camera(&told[0].seen.settings).lens(told[0].size);
    let mut placement = mosaic::place(&store, &plate.size, lens).map_err(at_plate)?;
    if !run.force {
        placement.complete().map_err(at_plate)?;
        if placement.confidence < CONFIDENT {
            return Err(at_plate(unsure(&placement)).into());
        }
    }
    let beside = mosaic::beside(&store, &placement);
    if let Some(veil) = veil(run, plate, &beside)? {
        // Glare is in proportion to each tile's own light: tiles agree only once it is off, and are read again without it.
        drop(store);
        (store, told) = gather(run, plate, Some(veil))?;
        placement = mosaic::relit(&store, placement);
    }
    run.progress.stage(&plate.id, "composing");
    Ok(compose(run, plate, &store, &placement, &told, &beside)?)
}

/// The veil that a mask about the plate shows, by the tiles that see most of it.
fn veil(run: &Run, plate: &Plate, beside: &[Beside]) -> Result<Option<Veil>, Error> {
    const TILES: usize = 4;
    let mut most: Vec<usize> = (0..beside.len()).collect();
    most.sort_by_key(|k| std::cmp::Reverse(beside[*k].mask.len()));
    most.truncate(TILES);
    let of = |k: &usize| veil_in(&plate.captures[*k], run.profile, run.panel, &beside[*k].mask);
    let found = most.par_iter().map(of).collect::<Result<Vec<_>, Error>>()?;
    let found: Vec<Veil> = found.into_iter().flatten().collect();
    let shares: Vec<f64> = found.iter().map(|veil| veil.share).collect();
    let mean = shares.iter().sum::<f64>() / shares.len().max(1) as f64;
    Ok(found.first().map(|veil| Veil { share: mean, sd: of_one_more(&shares).or(veil.sd), ..*veil }))
}

/// Reads every tile once and divides it by its blank. `veil`: the glare to take off, where other than the panel tells it.
fn gather(run: &Run, plate: &Plate, veil: Option<Veil>) -> Result<(Store, Vec<Told>), Error> {
    let told: Vec<OnceLock<Told>> = plate.captures.iter().map(|_| OnceLock::new()).collect();
    type Load<'a> = Box<dyn Fn() -> Result<Image<Transmittance>, Error> + Sync + 'a>;
    let load = |files: &'_ [PathBuf], told: &OnceLock<Told>| -> Result<Image<Transmittance>, Error> {
        let mut seen = match veil {
            Some(veil) => copied_under(files, run.profile, run.panel, veil)?,
            None => copied(files, frames(files, run.profile)?, run.profile, run.panel, false)?,
        };
        let empty = Image::filled(Size::new(0, 0), Transmittance(0.0));
        let transmittance = std::mem::replace(&mut seen.transmittance, empty);
        let _ = told.set(Told { size: transmittance.size(), seen });
        Ok(transmittance)
    };
    let loads: Vec<Load> =
        plate.captures.iter().zip(&told).map(|(files, told)| Box::new(move || load(files, told)) as Load).collect();
    let tiles = plate
        .captures
        .iter()
        .zip(&loads)
        .map(|(files, load)| {
            let gathered = |file: &PathBuf| Ok(frame::settings(file).in_file(file)?.gathered());
            let each = files.iter().map(gathered).collect::<Result<Vec<_>, Error>>()?;
            let exposure = each.into_iter().sum::<Option<f64>>();
            Ok(Tile { name: run.session.relative(&files[0]), exposure, load: load.as_ref() })
        })
        .collect::<Result<Vec<_>, Error>>()?;
    let store = Store::gather(&tiles, MEMORY, run.out)?;
    drop(tiles);
    drop(loads);
    Ok((store, told.into_iter().filter_map(OnceLock::into_inner).collect()))
}

fn unsure(placement: &Placement) -> Fault {
    let sides: Vec<String> = crate::plate::region::SIDES
        .iter()
        .zip(&placement.sides)
        .map(|(name, side)| format!("{name} {:.0} %", 100.0 * side.support))
        .collect();
    Fault::new(
        format!(
            "the composed plate's outline is not sure (confidence {:.2}; sides seen: {})",
            placement.confidence,
            sides.join(", ")
        ),
        "copy the plate's sides with some bare panel or mask beyond them, or use --force to take it as it is",
    )
}

fn compose(
    run: &Run,
    plate: &Plate,
    store: &Store,
    placement: &Placement,
    told: &[Told],
    beside: &[Beside],
) -> Result<Rectified, Error> {
    let lies = lies(run.session, plate);
    let size_mm = lies.result_size(placement.size_mm);
    let to_plate = lies.to_sensor(placement.size_mm);
    let grid = Grid::new(size_mm, run.session.positive.ppi, placement.sampling);
    let mut collected = Collected::new(run.out, &grid)?;
    let target = Target { size: grid.size, px_per_mm: grid.px_per_mm, to_plate };
    let seams = mosaic::compose(store, placement, &target, &mut |band: Image<Transmittance>| {
        let codes: Vec<u16> = band.pixels().par_iter().map(|t| code(t.0)).collect();
        collected.push(&codes)
    })?;
    let first = &told[0].seen;
    let mut warnings: Vec<_> = told.iter().flat_map(|t| t.seen.warnings.iter().cloned()).collect();
    warnings.extend(placement.warnings.iter().cloned());
    warnings.extend(under_exposed(told.iter().map(|t| t.seen.reached).fold(0.0, f64::max)));
    warnings.sort();
    warnings.dedup();
    let mut steps = first.steps.clone();
    steps.push(Step::new(
        "place-tiles",
        json!({ "ties": placement.ties.len(), "rms_px": round(placement.rms_px, 4), "k1": round(placement.lens.k1, 6),
                "k2": round(placement.lens.k2, 6), "hand_held": placement.hand_held, "sampling_px_per_mm": round(placement.sampling, 4) }),
    ));
    steps.push(Step::new("compose", json!({ "kernel": "sinc under a Kaiser window, 4 lobes" })));
    let gaps = gaps(placement, &target);
    if !gaps.is_empty() {
        warnings.push(unseen(&gaps));
    }
    let off = placement.bare - 1.0;
    steps.push(Step::new("bare-level", json!({ "read": round(placement.bare, 5) })));
    warnings.extend(off_level(off, told.iter().all(|t| t.seen.exposure_known)));
    let (pixels, mut histogram, reading) = collected.rectified(run, plate, &mut warnings);
    if !gaps.is_empty() {
        histogram.forget_black();
    }
    let share = beside.iter().map(|b| b.bare_share).sum::<f64>() / beside.len().max(1) as f64;
    let mean = told.iter().map(|t| t.seen.uncertainty.mean_light).sum::<f64>() / told.len().max(1) as f64;
    warnings.extend(surround(share, mean, histogram.percentile(0.995)));
    let mut blanks: Vec<PathBuf> = told.iter().flat_map(|t| t.seen.blanks.iter().cloned()).collect();
    blanks.sort();
    blanks.dedup();
    let found = Found {
        reading,
        size_mm,
        mm_per_px: 1.0 / grid.px_per_mm,
        settings: first.settings.clone(),
        format: first.format.clone(),
        exposure_ratio: first.exposure_ratio,
        deepest: told.iter().map(|t| t.seen.deepest).reduce(Deepest::or_worse).unwrap_or_default(),
        uncertainty: told
            .iter()
            .map(|t| t.seen.uncertainty.clone())
            .reduce(Uncertainty::or_worse)
            .expect("a plate has tiles"),
        blanks: run.session.names(&blanks),
        darks: run.session.names(&first.darks),
        edges: EdgesRecord { corners_px: None, confidence: placement.confidence, spread_px: None, tilt_deg: None },
        tiles: placement
            .tiles
            .iter()
            .map(|t| TileRecord {
                capture: t.name.clone(),
                residual_px: round(t.residual_px.abs(), 4),
                gain: round(t.gain, 5),
                left_out: t.view.is_none(),
            })
            .collect(),
        stitch: Some(stitch(placement, gaps)),
        warnings,
        steps,
        seen: None,
        light: None,
        tile_map: Some(tile_map(placement, told, &target, &seams)),
    };
    Ok(Rectified { pixels, histogram, found })
}

fn stitch(placement: &Placement, gaps_mm: Vec<[f64; 4]>) -> StitchRecord {
    let mut off: Vec<f64> = placement.ties.iter().map(|tie| tie.off.x.hypot(tie.off.y)).collect();
    off.sort_by(f64::total_cmp);
    let at = |share: f64| round(off.get(((off.len() as f64 - 1.0) * share) as usize).copied().unwrap_or(0.0), 4);
    StitchRecord {
        rms_px: round(placement.rms_px, 4),
        ties: placement.ties.len(),
        p50_px: Some(at(0.5)),
        p95_px: Some(at(0.95)),
        worst_px: Some(at(1.0)),
        gaps_mm,
    }
}

/// Parts of the plate that no tile shows, [x, y, width, height] in mm as the result lies.
fn gaps(placement: &Placement, target: &Target) -> Vec<[f64; 4]> {
    let to_result = target.to_plate.inverse();
    let one = |[x, y, w, h]: &[f64; 4]| {
        let (a, b) = (to_result.apply(Point::new(*x, *y)), to_result.apply(Point::new(x + w, y + h)));
        [a.x.min(b.x), a.y.min(b.y), (a.x - b.x).abs(), (a.y - b.y).abs()].map(|mm| round(mm, 2))
    };
    placement.gaps.iter().map(one).collect()
}

fn unseen(gaps: &[[f64; 4]]) -> Warning {
    let places: Vec<String> = gaps.iter().map(gap_in_words).collect();
    let what = format!(
        "no tile shows {}: it is black in the negative and counts in no figure; copy the missing part and add it",
        places.join(" and ")
    );
    Warning::new("gap", what)
}

/// Where the tiles lie on the result, for the page.
fn tile_map(placement: &Placement, told: &[Told], target: &Target, seams: &Seams) -> report::Tiles {
    let to_result = target.to_plate.inverse();
    let tiles = placement
        .tiles
        .iter()
        .zip(told)
        .map(|(tile, told)| {
            let frame = [told.size.columns as f64, told.size.rows as f64];
            let corners = tile.view.map(|view| lie::corners(frame).map(|c| to_result.apply(view.to_plate(c))));
            report::LaidTile { name: tile.name.clone(), corners }
        })
        .collect();
    let off = |at: Point, off: Point| to_result.apply(at + off) - to_result.apply(at);
    let ties = placement.ties.iter().map(|t| (to_result.apply(t.at), off(t.at, t.off))).collect();
    let joints = placement.overlaps.iter().map(|overlap| joint(placement, overlap)).collect();
    let cuts = seams.lines().into_iter().map(|ends| ends.map(|p| p * (1.0 / target.px_per_mm))).collect();
    report::Tiles { tiles, ties, joints, cuts, gaps: gaps(placement, target) }
}

fn joint(placement: &Placement, overlap: &Overlap) -> report::Joint {
    let between = placement.ties.iter().filter(|t| (t.a, t.b) == (overlap.a, overlap.b));
    let squares: Vec<f64> = between.map(|t| t.off.x * t.off.x + t.off.y * t.off.y).collect();
    let rms = (squares.iter().sum::<f64>() / squares.len().max(1) as f64).sqrt();
    report::Joint {
        tiles: [overlap.a, overlap.b],
        share: overlap.share,
        asked: overlap.asked,
        ties: squares.len(),
        rms_px: (!squares.is_empty()).then_some(rms),
    }
}
