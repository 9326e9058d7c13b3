//! One plate, in the order of the work: captures to a rectified negative, then, once the batch's base is known, to its results.
//!
//! [`rectify`] ends with 16-bit transmittance on the plate's own grid, waiting in a [`Spool`]. [`finish`] writes negative, positive, preview
//! and record, each whole or not at all. A negative's codes stand on no base: where that alone has changed, [`again`] takes them from there.

use crate::archive::icc::Curve;
use crate::archive::{self, Compression, Kind, TiffFile, plate_meta};
use crate::copy::{Copied, copied, frames, round, under_exposed, unveiled};
use crate::density::base::Standing;
use crate::density::histogram::FULL;
use crate::density::uncertainty::{K, Part};
use crate::density::{Batch, Deepest, Histogram, Reading, Uncertainty, base};
use crate::error::{Error, Fault, InFile, Warning};
use crate::frame::{CaptureProfile, Frame, Settings};
use crate::geometry::resample::{Kernel, resample_as};
use crate::geometry::{Lens, Lie, Point, View, lie};
use crate::image::{Image, Size};
use crate::kept::Inputs;
use crate::light::glare::USUAL_GLARE;
use crate::light::steady;
use crate::notes::{BaseFrom, Emulsion, Plate, Session};
use crate::panel::Panel;
use crate::plate::region::Region;
use crate::plate::{self, CONFIDENT, Outline, Sharpness, Tilt, rebate, sharpness};
use crate::positive::Tone;
use crate::progress::Progress;
use crate::record::*;
use crate::report;
use crate::spool::Spool;
use crate::units::{Density, MM_PER_INCH, Transmittance};
use rayon::prelude::*;
use serde::{Deserialize, Serialize};
use serde_json::json;
use std::borrow::Cow;
use std::path::{Path, PathBuf};

/// Stages that [`Progress`] counts for each plate.
pub const STAGES: usize = 4;
/// How far the bare panel may seem to have changed, exposures allowed for, before it is said.
const LEVEL_WARNING: f64 = 0.01;
/// Share of clipped samples in a capture beyond which its bare panel says nothing of the level.
const CLIPPED: f64 = 0.005;
/// Share of the frame that may be bare panel before glare from it is worth a warning.
const UNMASKED: f64 = 0.05;
/// Long side of the preview.
const PREVIEW: usize = 2048;

/// What all plates of a run share.
pub struct Run<'a> {
    pub session: &'a Session,
    pub profile: &'a CaptureProfile,
    pub panel: &'a Panel,
    pub inputs: &'a Inputs,
    pub tone: &'a Tone,
    pub out: &'a Path,
    pub force: bool,
    pub compression: Compression,
    pub progress: &'a Progress,
}

/// A plate on its own grid, as it lies in the result.
pub struct Rectified {
    pub pixels: Spool,
    pub histogram: Histogram,
    pub found: Found,
}

/// What was found of a plate on the way to its grid: all but its pixels.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct Found {
    pub size_mm: [f64; 2],
    pub mm_per_px: f64,
    pub reading: Option<Reading>,
    pub settings: Settings,
    pub format: String,
    pub exposure_ratio: f64,
    pub deepest: Deepest,
    pub uncertainty: Uncertainty,
    /// As the notes name them.
    pub blanks: Vec<String>,
    pub darks: Vec<String>,
    pub edges: EdgesRecord,
    pub tiles: Vec<TileRecord>,
    pub stitch: Option<StitchRecord>,
    pub warnings: Vec<Warning>,
    pub steps: Vec<Step>,
    pub seen: Option<report::Seen>,
    pub light: Option<report::LightPictures>,
    pub tile_map: Option<report::Tiles>,
}

/// Why a plate was not done, with a picture of what was seen where there is one.
pub struct Failure {
    pub error: Error,
    pub seen: Option<report::Seen>,
}

impl From<Error> for Box<Failure> {
    fn from(error: Error) -> Self {
        Box::new(Failure { error, seen: None })
    }
}

/// A plate's capture, read before its turn comes: decoding keeps one core busy, what comes before it may leave the other idle.
pub type Ahead = Option<Result<Vec<Frame>, Error>>;

/// Reads ahead what one frame holds of a plate; of more frames none, for their memory.
pub fn read_ahead(plate: &Plate, profile: &CaptureProfile) -> Ahead {
    match plate.captures.as_slice() {
        [view] if view.len() == 1 => Some(frames(view, profile)),
        _ => None,
    }
}

/// Captures to transmittance on the plate's own grid. `ahead`: what was read of them.
pub fn rectify(run: &Run, plate: &Plate, ahead: Ahead) -> Result<Rectified, Box<Failure>> {
    if plate.captures.len() > 1 {
        return crate::tiles::rectify(run, plate);
    }
    let view = &plate.captures[0];
    let file = &view[0];
    run.progress.stage(&plate.id, "reading");
    let read = ahead.unwrap_or_else(|| frames(view, run.profile))?;
    let mut seen = copied(view, read, run.profile, run.panel, true)?;
    run.progress.stage(&plate.id, "finding the plate");
    let dim = under_exposed(seen.reached);
    let failure = |fault: Fault, shown: Option<report::Seen>| {
        // A capture too dim to find the plate in: the cause is told with it.
        let fault = match &dim {
            Some(dim) => Fault::new(format!("{}; {}", fault.what(), dim.message), fault.mend()),
            None => fault,
        };
        Box::new(Failure { error: Error::new(file, fault), seen: shown })
    };
    let mut outline = outline(&seen, plate, run.profile.for_camera(&seen.settings).lens(seen.size()))
        .map_err(|fault| failure(fault, Some(show(&seen, None))))?;
    let shown = Some(show(&seen, Some((&outline, lies(run.session, plate)))));
    let sharpness = sharpness::measure(&seen.transmittance, &outline);
    if outline.confidence < CONFIDENT && !run.force {
        return Err(failure(unsure(&outline, &sharpness), shown));
    }
    if let Some(region) = &mut outline.region
        && let Some(clear) = unveiled(&plate.captures[0], run.profile, run.panel, &region.mask)?
    {
        seen = clear;
        region.read_bare_again(&seen.transmittance);
    }
    seen.warnings.extend(dim);
    if let Some(region) = &outline.region {
        seen.warnings.extend(pulses(&seen, region));
    }
    level(&mut seen, &outline);
    run.progress.stage(&plate.id, "rectifying");
    let mut done = single(run, plate, seen, &outline, &sharpness)?;
    done.found.seen = shown;
    Ok(done)
}

/// How a plate's result lies against what the sensor saw.
pub fn lies(session: &Session, plate: &Plate) -> Lie {
    Lie::new(session.copy.emulsion == Emulsion::TowardCamera, plate.rotate)
}

fn outline(seen: &Copied, plate: &Plate, lens: Option<Lens>) -> Result<Outline, Fault> {
    match plate.corners_px {
        Some(corners) => Ok(plate::from_corners(&seen.transmittance, &plate.size, corners, lens)),
        None => plate::find(&seen.transmittance, &plate.size, lens),
    }
}

fn unsure(outline: &Outline, sharpness: &Sharpness) -> Fault {
    let [top, right, bottom, left] = outline.support.map(|s| (100.0 * s).round());
    Fault::new(
        format!(
            "the plate's outline is not sure (confidence {:.2}; sides seen: top {top} %, right {right} %, bottom {bottom} %, left {left} %{})",
            outline.confidence,
            sharpness.blur().iter().chain(&outline.warnings).map(|w| format!("; {}", w.message)).collect::<String>()
        ),
        "look at the ID-seen.jpg that digitizing leaves in the plate's folder of results, then give corners_px = [[x, y], …] of the four corners in \
         the notes, or --force",
    )
}

/// Stripes of a pulsing panel, where both sides of the plate show them alike.
fn pulses(seen: &Copied, region: &Region) -> Option<Warning> {
    let (rows, columns) = rayon::join(
        || plate::strips::upright(&seen.transmittance, region),
        || plate::strips::level(&seen.transmittance, region),
    );
    [("rows", rows), ("columns", columns)].into_iter().find_map(|(along, strips)| steady::in_step(along, &strips?))
}

/// The bare panel beside the plate must read 1: where it does not, light or exposure changed, and the capture is brought back to it.
fn level(seen: &mut Copied, outline: &Outline) {
    let Some(bare) = outline.region.as_ref().and_then(|r| r.bare) else {
        if !seen.exposure_known {
            seen.warnings.push(Warning::new(
                "level-unknown",
                "no bare panel is seen beside the plate, and the captures do not say how they were exposed: densities may all be off by one \
                 amount, those above base are not; leave a strip of bare panel, or keep the captures' Exif",
            ));
        }
        return;
    };
    if seen.clipped > CLIPPED {
        return;
    }
    let scale = 1.0 / bare;
    seen.transmittance.pixels_mut().par_iter_mut().for_each(|t| t.0 *= scale);
    let off = bare as f64 - 1.0;
    seen.uncertainty.exposure = match outline.region.as_ref().and_then(|r| r.bare_sd) {
        Some(sd) => Part::known(sd / std::f64::consts::LN_10, "the bare panel beside the plate"),
        None => Part::lacking("too little bare panel is seen beside the plate to tell how sure its level is"),
    };
    seen.steps.push(Step::new("bare-level", json!({ "read": round(bare as f64, 5) })));
    seen.warnings.extend(off_level(off, seen.exposure_known));
}

/// Says that the bare panel beside the plate differs from its blank by a share of `off`.
pub fn off_level(off: f64, exposure_known: bool) -> Option<Warning> {
    let why = if exposure_known {
        "the panel's brightness changed, or the plate's own shadow on it; let the panel warm up, and take blanks with the surround in place"
    } else {
        "the captures do not say how they were exposed; the plate is brought to the level of the bare panel beside it"
    };
    let what = format!("the bare panel beside the plate reads {:+.1} % against its blank: {why}", 100.0 * off);
    (off.abs() > LEVEL_WARNING).then(|| Warning::new("bare-level", what))
}

/// Bare panel round the plate veils its dense parts: says how much that may cost, by the flare table's formula
/// D' = −log10((T + g·m) ÷ (1 + g·m)), at the plate's densest (its 99.5th percentile) and for a frame of mean light m.
pub fn surround(bare_share: f64, mean: f64, densest: f64) -> Option<Warning> {
    if bare_share <= UNMASKED {
        return None;
    }
    let veil = USUAL_GLARE * mean;
    let seen = (10f64.powf(-densest) + veil) / (1.0 + veil);
    Some(Warning::new(
        "unmasked-surround",
        format!(
            "{:.0} % of the frame is bare panel beside the plate: at 1 % of glare a density of {densest:.2}, the plate's densest, reads \
             {:.2}; cover the panel with a black mask up to the plate",
            100.0 * bare_share,
            -seen.log10()
        ),
    ))
}

/// The one resampling of a single frame, and what is read on the result.
fn single(
    run: &Run,
    plate: &Plate,
    seen: Copied,
    outline: &Outline,
    sharpness: &Sharpness,
) -> Result<Rectified, Error> {
    let lies = lies(run.session, plate);
    let size_mm = lies.result_size(outline.size_mm);
    let view = View { plane: outline.view.plane.after(&lies.to_sensor(outline.size_mm)), lens: outline.view.lens };
    let sampling = natural_sampling(&view, size_mm);
    let grid = Grid::new(size_mm, run.session.positive.ppi, sampling);
    let kernel = Kernel::new(sampling / grid.px_per_mm);
    let codes =
        resample_as(&seen.transmittance, grid.size, &kernel, |p| view.to_capture(p * (1.0 / grid.px_per_mm)), code);
    let mut collected = Collected::new(run.out, &grid)?;
    let (pushed, after_jpeg) = rayon::join(|| collected.push(codes.pixels()), || seen.light_picture());
    pushed?;
    let light = Some(report::LightPictures { before_jpeg: seen.picture.clone(), after_jpeg });
    let corners = lie::corners(size_mm).map(|c| view.to_capture(c));
    let mean = seen.mean_light();
    let mut warnings = seen.warnings;
    warnings.extend(outline.warnings.iter().cloned());
    warnings.extend(sharpness.warnings());
    let tilt = Tilt::new(&outline.view, outline.size_mm, &seen.settings);
    warnings.extend(tilt.warning());
    let mut steps = seen.steps;
    steps.push(Step::new(
        "outline",
        json!({ "confidence": round(outline.confidence, 3), "rms_px": round(outline.rms_px, 3),
                "sides_seen": outline.support.map(|s| round(s, 3)), "k1": round(view.lens.k1, 6), "k2": round(view.lens.k2, 6) }),
    ));
    let sides = |px: [Option<f64>; 4]| px.map(|px| px.map(|px| round(px, 2)));
    steps.push(Step::new(
        "sharpness",
        json!({ "sides_spread_px": sides(sharpness.spread_px), "sides_doubled_px": sides(sharpness.doubled_px),
                "overshoot": sharpness.overshoot.map(|o| round(o, 4)) }),
    ));
    let rectified = collected.rectified(run, plate, &mut warnings);
    let bare_share = outline.region.as_ref().map_or(0.0, |region| region.bare_share);
    warnings.extend(surround(bare_share, mean, rectified.1.percentile(0.995)));
    steps.push(Step::new(
        "rectify",
        json!({ "kernel": "sinc under a Kaiser window, 4 lobes", "captures_px_per_mm": round(sampling, 4) }),
    ));
    let found = Found {
        reading: rectified.2,
        size_mm,
        mm_per_px: 1.0 / grid.px_per_mm,
        settings: seen.settings,
        format: seen.format,
        exposure_ratio: seen.exposure_ratio,
        deepest: seen.deepest,
        uncertainty: seen.uncertainty,
        blanks: run.session.names(&seen.blanks),
        darks: run.session.names(&seen.darks),
        edges: EdgesRecord {
            corners_px: Some(corners),
            confidence: outline.confidence,
            spread_px: sharpness.all_sides().map(|sides| sides.map(|s| round(s, 2))),
            tilt_deg: Some(round(tilt.deg, 2)),
        },
        tiles: vec![TileRecord {
            capture: run.session.relative(&plate.captures[0][0]),
            residual_px: round(outline.rms_px, 4),
            gain: 1.0,
            left_out: false,
        }],
        stitch: None,
        warnings,
        steps,
        seen: None,
        light,
        tile_map: None,
    };
    Ok(Rectified { pixels: rectified.0, histogram: rectified.1, found })
}

/// The result's pixels.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Grid {
    pub size: Size,
    pub px_per_mm: f64,
}

impl Grid {
    /// At the notes' sampling, or the captures' own: that near it which both sides hold a whole number of times, so that the last pixels end with
    /// the glass.
    pub fn new([w, h]: [f64; 2], ppi: Option<f64>, sampling: f64) -> Grid {
        let px_per_mm = ppi.map_or_else(|| whole([w.max(h), w.min(h)], sampling), |ppi| ppi / MM_PER_INCH);
        let pixels = |mm: f64| ((mm * px_per_mm).round() as usize).max(1);
        Grid { size: Size::new(pixels(h), pixels(w)), px_per_mm }
    }
}

/// The sampling within half a hundredth of `sampling` at which a whole number of pixels makes the long side and, as nearly as can be, the short one.
fn whole([long, short]: [f64; 2], sampling: f64) -> f64 {
    /// Pixels that are as good as none: a fiftieth.
    const NONE: f64 = 0.02;
    let near = (long * sampling).round().max(1.0);
    let off = |pixels: f64| (short * pixels / long - (short * pixels / long).round()).abs();
    let reach = (0.005 * near) as i32;
    // The nearest first, and of those that end with the glass that one.
    let tried = (0..=reach).flat_map(|k| [near + f64::from(k), near - f64::from(k)]);
    let best = tried.min_by(|a, b| off(*a).max(NONE).total_cmp(&off(*b).max(NONE))).unwrap_or(near);
    best / long
}

/// The mean sampling of a view over the plate, pixels per millimetre.
fn natural_sampling(view: &View, [w, h]: [f64; 2]) -> f64 {
    let places = [0.1, 0.5, 0.9];
    let all = places.iter().flat_map(|x| places.iter().map(move |y| Point::new(x * w, y * h)));
    all.map(|p| view.sampling(p)).sum::<f64>() / 9.0
}

/// A master's code of a transmittance.
pub fn code(t: f32) -> u16 {
    (t.clamp(0.0, 1.0) * FULL as f32 + 0.5) as u16
}

/// What is gathered while a plate's rows come.
pub struct Collected {
    spool: Spool,
    histogram: Histogram,
    /// Means over small cells, for the readings.
    cells: Cells,
}

impl Collected {
    pub fn new(out: &Path, grid: &Grid) -> Result<Collected, Error> {
        let spool = Spool::new(out, grid.size.columns)?;
        Ok(Collected { spool, histogram: Histogram::default(), cells: Cells::new(grid) })
    }

    pub fn push(&mut self, codes: &[u16]) -> Result<(), Error> {
        self.histogram.add(codes);
        self.cells.add(codes);
        self.spool.push(codes)
    }

    /// Pixels, histogram and the base's reading.
    pub fn rectified(
        self,
        run: &Run,
        plate: &Plate,
        warnings: &mut Vec<Warning>,
    ) -> (Spool, Histogram, Option<Reading>) {
        let clipped = self.histogram.counts()[65535] as f64 / self.histogram.total().max(1) as f64;
        if clipped > CLIPPED {
            warnings.push(Warning::new(
                "clipped-base",
                format!(
                    "{:.1} % of the plate reads as clear as the bare panel: its thin parts are clipped, or light leaks past it; expose \
                     the capture so that the clear margin stays below full scale",
                    100.0 * clipped
                ),
            ));
        }
        let (cells, cell_mm) = self.cells.finish();
        let reading = read_base(run.session, plate, &cells, cell_mm, warnings);
        (self.spool, self.histogram, reading)
    }
}

/// Means over square cells as rows come.
struct Cells {
    factor: usize,
    columns: usize,
    mm_per_px: f64,
    sums: Vec<f64>,
    rows_in_sums: usize,
    done: Vec<Transmittance>,
}

impl Cells {
    /// Side of a cell in millimetres, about: fine enough for a thin margin.
    const SIDE: f64 = 0.15;

    fn new(grid: &Grid) -> Cells {
        let factor = ((Self::SIDE * grid.px_per_mm).round() as usize).max(1);
        let columns = grid.size.columns;
        let sums = vec![0.0; columns / factor];
        Cells { factor, columns, mm_per_px: 1.0 / grid.px_per_mm, sums, rows_in_sums: 0, done: Vec::new() }
    }

    fn add(&mut self, codes: &[u16]) {
        for row in codes.chunks_exact(self.columns) {
            for (sum, cell) in self.sums.iter_mut().zip(row.chunks_exact(self.factor)) {
                *sum += cell.iter().map(|c| *c as u32).sum::<u32>() as f64;
            }
            self.rows_in_sums += 1;
            if self.rows_in_sums == self.factor {
                let scale = 1.0 / (FULL * (self.factor * self.factor) as f64);
                self.done.extend(self.sums.iter().map(|s| Transmittance((s * scale) as f32)));
                self.sums.fill(0.0);
                self.rows_in_sums = 0;
            }
        }
    }

    fn finish(self) -> (Image<Transmittance>, f64) {
        let columns = self.columns / self.factor;
        let rows = self.done.len() / columns.max(1);
        (Image::from_vec(Size::new(rows, columns), self.done), self.mm_per_px * self.factor as f64)
    }
}

/// The plate's own base reading, from where the notes say.
fn read_base(
    session: &Session,
    plate: &Plate,
    cells: &Image<Transmittance>,
    cell_mm: f64,
    warnings: &mut Vec<Warning>,
) -> Option<Reading> {
    match &session.base.from {
        BaseFrom::Density(density) => Some(Reading { density: *density, spread: 0.0, from: base::Source::Notes }),
        BaseFrom::Patch { plate: id, rect_mm } if *id == plate.id => patch(cells, cell_mm, *rect_mm, warnings),
        BaseFrom::Patch { .. } => None,
        BaseFrom::Rebate => {
            let found = rebate::read(cells, cell_mm)?;
            let seen: Vec<f64> = found.sides.iter().flatten().copied().collect();
            let clear = found.density + 0.05;
            if seen.iter().any(|d| *d > clear && *d < found.density + 0.15) {
                warnings.push(Warning::new(
                    "rebate-uneven",
                    "one side's margin is denser than the others' by more than 0.05: fogged, or light leaked in at the holder's edge",
                ));
            }
            Some(Reading { density: found.density, spread: found.spread, from: base::Source::Rebate })
        }
    }
}

fn patch(
    cells: &Image<Transmittance>,
    cell_mm: f64,
    [x, y, w, h]: [f64; 4],
    warnings: &mut Vec<Warning>,
) -> Option<Reading> {
    let index = |mm: f64, most: usize| ((mm / cell_mm).round().max(0.0) as usize).min(most);
    let columns = index(x, cells.columns())..index(x + w, cells.columns());
    let mut seen: Vec<f64> = (index(y, cells.rows())..index(y + h, cells.rows()))
        .flat_map(|row| cells.row(row)[columns.clone()].iter().map(|t| -(t.0.max(1e-5) as f64).log10()))
        .collect();
    if seen.len() < 4 {
        warnings.push(Warning::new("base-patch", "the base patch of the notes lies outside this plate; check rect_mm"));
        return None;
    }
    seen.sort_unstable_by(f64::total_cmp);
    let density = seen[seen.len() / 2];
    let spread = (seen[seen.len() * 84 / 100] - seen[seen.len() * 16 / 100]) / 2.0;
    Some(Reading { density, spread, from: base::Source::Patch })
}

/// The capture with the outline, for the page.
fn show(capture: &Copied, outline: Option<(&Outline, Lie)>) -> report::Seen {
    let mut seen = report::Seen {
        jpeg: capture.picture.clone(),
        size: capture.size(),
        outline: Vec::new(),
        corners: None,
        confidence: 0.0,
    };
    if let Some((found, lies)) = outline {
        let [w, h] = found.size_mm;
        let along = |a: Point, b: Point| (0..16).map(move |i| a + (b - a) * (i as f64 / 16.0));
        let c = lie::corners([w, h]);
        seen.outline = (0..4).flat_map(|i| along(c[i], c[(i + 1) % 4])).map(|p| found.view.to_capture(p)).collect();
        let back = lies.to_sensor([w, h]);
        seen.corners = Some(lie::corners(lies.result_size([w, h])).map(|p| found.view.to_capture(back.apply(p))));
        seen.confidence = found.confidence;
    }
    seen
}

impl Rectified {
    /// The pixels of before, and their histogram.
    pub fn from_spool(mut pixels: Spool, found: Found) -> Result<Rectified, Error> {
        let mut histogram = Histogram::default();
        pixels.bands(|band| {
            histogram.add(band.pixels());
            Ok(())
        })?;
        if found.stitch.as_ref().is_some_and(|stitch| !stitch.gaps_mm.is_empty()) {
            histogram.forget_black();
        }
        Ok(Rectified { pixels, histogram, found })
    }
}

/// A plate as `page` shows it, from the negative that lies in OUT.
pub fn again(run: &Run, plate: &Plate, found: Found, page: report::DonePlate) -> Result<Rectified, Error> {
    run.progress.stage(&plate.id, "reading the negative");
    let [columns, rows] = page.record.pixels;
    let mut pixels = Spool::new(run.out, columns)?;
    let negative = run.out.join(&plate.id).join(format!("{}-negative.tif", plate.id));
    archive::read::codes(&negative, [columns, rows], |piece| pixels.push(piece.codes))?;
    let found = Found { seen: page.seen, light: page.light, tile_map: page.tiles, ..found };
    Rectified::from_spool(pixels, found)
}

/// Writes a plate's results; gives what the page shows of it. The pictures of what was found go there.
pub fn finish(run: &Run, plate: &Plate, done: &mut Rectified, batch: &Batch) -> Result<report::DonePlate, Error> {
    let folder = run.out.join(&plate.id);
    std::fs::create_dir_all(&folder).in_file(&folder)?;
    let standing = batch.standing(done.found.reading.as_ref());
    let mut record = record(run, plate, done, batch, &standing)?;
    record.warnings.extend(doubts(run.tone, &done.histogram, &standing));
    record.warnings.dedup();
    let file = |what: &str| folder.join(format!("{}-{what}", plate.id));

    run.progress.stage(&plate.id, "writing");
    let table = run.tone.table_for(Density(standing.density as f32), 0.0);
    let curve = Curve::Srgb;
    let (negative_file, positive_file) = (file("negative.tif"), file("positive.tif"));
    let negative_meta = plate_meta(Kind::Negative, &record, run.compression).in_file(&negative_file)?;
    let positive_meta = plate_meta(Kind::Positive(curve), &record, run.compression).in_file(&positive_file)?;
    let size = done.pixels.size();
    let mut negative = TiffFile::create(&negative_file, size, &negative_meta)?;
    let mut positive = TiffFile::create(&positive_file, size, &positive_meta)?;
    let mut shrink = report::Shrink::new(size, PREVIEW);
    done.pixels.bands(|band| {
        let print = || {
            let tones: Vec<u16> = band.pixels().par_iter().map(|c| table[*c as usize]).collect();
            shrink.codes(&tones);
            positive.rows(&tones)
        };
        let (negative, positive) = rayon::join(|| negative.rows(band.pixels()), print);
        negative.and(positive)
    })?;
    let ((negative, positive), preview) = rayon::join(
        || rayon::join(|| negative.finish(), || positive.finish()),
        || shrink.jpeg(90, &archive::icc::gray_profile(curve)),
    );
    let (negative, positive) = (negative?.sha256, positive?.sha256);
    archive::atomic::write_whole(&file("preview.jpg"), &preview)?;
    record.outputs = vec![
        FileDigest { file: format!("{}-negative.tif", plate.id), sha256: negative },
        FileDigest { file: format!("{}-positive.tif", plate.id), sha256: positive },
        FileDigest { file: format!("{}-preview.jpg", plate.id), sha256: archive::digest::sha256_of(&preview) },
    ];
    let path = file("record.json");
    let json =
        serde_json::to_vec_pretty(&record).map_err(|e| Error::new(&path, Fault::new(e.to_string(), "run it again")))?;
    archive::atomic::write_whole(&path, &json)?;
    let histogram = report::Histogram::of_codes(done.histogram.counts(), Density(standing.density as f32));
    Ok(report::DonePlate {
        record,
        preview_jpeg: preview,
        histogram,
        shift: 0.0,
        seen: done.found.seen.take(),
        light: done.found.light.take(),
        tiles: done.found.tile_map.take(),
    })
}

/// What stands against a plate once the base is known that it stands on.
pub fn doubts(tone: &Tone, histogram: &Histogram, standing: &Standing) -> Vec<Warning> {
    let above = |share: f64| histogram.percentile(share) - standing.density;
    standing.warnings.iter().cloned().chain(tone.doubt(above(0.5), above(0.95))).collect()
}

fn record(
    run: &Run,
    plate: &Plate,
    done: &Rectified,
    batch: &Batch,
    standing: &Standing,
) -> Result<PlateRecord, Error> {
    let session = run.session;
    let (size, found) = (done.pixels.size(), &done.found);
    let files_of = |names: &'_ [String], of: &'_ [PathBuf]| -> Vec<PathBuf> {
        names.iter().filter_map(|name| of.iter().find(|file| session.relative(file) == *name)).cloned().collect()
    };
    let (blanks, darks) = (files_of(&found.blanks, &session.copy.blanks), files_of(&found.darks, &session.copy.darks));
    let captures = plate.captures.iter().flatten();
    let mut files: Vec<&PathBuf> = captures.chain(&blanks).chain(&darks).collect();
    files.extend(session.copy.opaque.iter().map(|o| &o.capture));
    files.extend(&run.inputs.profiles);
    files.dedup();
    let inputs = files.par_iter().map(|f| run.inputs.of(session, f)).collect::<Result<Vec<_>, Error>>()?;
    let above = |share: f64| round(done.histogram.percentile(share) - standing.density, 4);
    let half = |sd: f64| round(K * sd, 4);
    let base = BaseRecord {
        density: round(found.reading.as_ref().map_or(standing.density, |r| r.density), 4),
        stands_on: round(standing.density, 4),
        from: standing.from.name().to_string(),
        spread: round(standing.spread, 4),
        plate_density: found.reading.as_ref().map(|r| round(r.density, 4)),
        batch_density: round(batch.density, 4),
        uncertainty: found
            .reading
            .as_ref()
            .filter(|r| r.from != base::Source::Notes)
            .map(|r| half(found.uncertainty.of(r.density).sd().hypot(r.spread))),
    };
    let stood = base.stood();
    let above_half = |density: f64| half(found.uncertainty.above(density, &stood).sd());
    let at = |share: f64| above_half(done.histogram.percentile(share));
    let coarsest = -(10.0 / FULL).log10();
    let deepest = found.deepest.least().map(|d| d.min(coarsest));
    Ok(PlateRecord {
        plate: plate.id.clone(),
        session: session.about.clone(),
        size_name: plate.size.name.clone(),
        size_mm: found.size_mm.map(|mm| round(mm, 4)),
        pixels: [size.columns, size.rows],
        ppi: round(MM_PER_INCH / found.mm_per_px, 6),
        mm_per_px: found.mm_per_px,
        notes: plate.notes.clone(),
        exposure: plate.exposure.clone(),
        development: plate.development.clone(),
        copy: CopyRecord {
            camera: found.settings.clone(),
            blanks: found.blanks.clone(),
            exposure_ratio: round(found.exposure_ratio, 6),
            emulsion: session.copy.emulsion,
            rotate: plate.rotate,
            profile: match run.profile.for_camera(&found.settings) {
                Cow::Borrowed(_) => session.copy.profile.clone(),
                Cow::Owned(others) => others.name,
            },
            format: found.format.clone(),
        },
        base,
        density: DensityRecord {
            p01: above(0.01),
            p05: above(0.05),
            p50: above(0.5),
            p95: above(0.95),
            p99: above(0.99),
            deepest: deepest.map(|d| round(d - standing.density, 3)),
            deepest_by: Some(found.deepest.map(|d| round(d.min(coarsest) - standing.density, 3))),
            uncertainty: Some(DensityUncertainty {
                p01: at(0.01),
                p05: at(0.05),
                p50: at(0.5),
                p95: at(0.95),
                p99: at(0.99),
                deepest: deepest.map(above_half),
            }),
        },
        uncertainty: Some(found.uncertainty.rounded()),
        edges: found.edges.clone(),
        tiles: found.tiles.clone(),
        stitch: found.stitch.clone(),
        positive: PositiveRecord {
            tone: session.positive.tone.clone(),
            printing_density: round(run.tone.printing_density().0 as f64, 4),
        },
        warnings: found.warnings.clone(),
        inputs,
        outputs: Vec::new(),
        software: Software::this(),
        steps: found.steps.clone(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Plates of the trade's sizes at samplings as they come: the short side may miss a whole number by 1 in 36 where no two have a common measure.
    #[test]
    fn the_last_pixels_end_with_the_glass() {
        for [w, h] in [[165.1, 120.65], [120.65, 165.1], [127.0, 101.6], [82.55, 107.95], [130.0, 180.0], [83.0, 83.0]]
        {
            for sampling in [11.37, 16.5, 21.93, 47.1] {
                let grid = Grid::new([w, h], None, sampling);
                assert!((grid.px_per_mm / sampling - 1.0).abs() < 0.006, "{grid:?} for {sampling}");
                for (pixels, mm) in [(grid.size.columns, w), (grid.size.rows, h)] {
                    assert!((pixels as f64 - mm * grid.px_per_mm).abs() < 0.03, "{grid:?} for {w} by {h} mm");
                }
            }
        }
        // What the notes ask for is what they get.
        assert_eq!(Grid::new([165.1, 120.65], Some(1200.0), 20.0).px_per_mm, 1200.0 / 25.4);
    }
}
