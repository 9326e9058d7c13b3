//! A whole session: every plate, the batch's base, the pages. What can be done is done, whatever fails.

use crate::ahead;
use crate::alike::{self, Sampled};
use crate::archive::{self, Compression, digest};
use crate::bracket::base::PlateBase;
use crate::bracket::brackets;
use crate::copy::round;
use crate::density::{Batch, Reading};
use crate::error::{Error, Fault, InFile, Warning};
use crate::frame::{self, CaptureProfile, Layout};
use crate::image::Image;
use crate::kept::{Inputs, Kept};
use crate::light::{lateral, tint};
use crate::notes::{BaseFrom, Plate, Session};
use crate::panel::{self, Group, Panel};
use crate::pipeline::{self, Failure, Found, Rectified, Run};
use crate::positive::Tone;
use crate::progress::{Progress, Timing};
use crate::record::{FileDigest, Software};
use crate::report::{self, BlankReport, BracketReport, DonePlate, FailedPlate, PlateReport, SessionReport};
use serde::{Deserialize, Serialize};
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

/// What to do with a session.
#[derive(Debug, Clone)]
pub struct Options {
    pub out: PathBuf,
    /// Plates to do; all without one.
    pub plates: Vec<String>,
    pub force: bool,
    /// Do everything anew, whatever an earlier run left.
    pub fresh: bool,
    pub quiet: bool,
    pub compression: Compression,
}

/// What came of it.
pub struct Digitized {
    pub report: SessionReport,
    /// Plates and brackets whose results an earlier run left and that still hold.
    pub kept: Vec<String>,
    pub timings: Vec<Timing>,
    pub errors: Vec<Error>,
}

/// What an earlier run told of a plate.
#[derive(Serialize, Deserialize)]
struct KeptPlate {
    /// Base plus fog that the results stand on, and the batch's.
    stands_on: f64,
    batch: f64,
    page: DonePlate,
    /// Without its pictures, which the page has.
    found: Found,
}

/// What an earlier run told of the panel.
#[derive(Serialize, Deserialize)]
pub(crate) struct KeptPanel {
    warnings: Vec<Warning>,
    blank: Option<BlankReport>,
}

/// A plate on its way: done before, or on its own grid and not yet printed.
enum Way {
    Kept(Box<KeptPlate>),
    Rectified(Box<Rectified>),
}

impl Way {
    fn reading(&self) -> Option<Reading> {
        match self {
            Way::Kept(kept) => kept.found.reading.clone(),
            Way::Rectified(done) => done.found.reading.clone(),
        }
    }
}

impl KeptPlate {
    fn stands(&self, batch: &Batch) -> bool {
        self.stands_on == batch.standing(self.found.reading.as_ref()).density && self.batch == batch.density
    }
}

/// What a run begins with: the plates asked for, what they are worked on with, and the key of each one's work.
pub(crate) struct Prepared<'a> {
    pub plates: Vec<&'a Plate>,
    pub keys: Vec<String>,
    pub out: PathBuf,
    profile: CaptureProfile,
    tone: Tone,
    inputs: Inputs,
    /// The key of what the panel told.
    light: String,
}

impl<'a> Prepared<'a> {
    pub fn new(session: &'a Session, options: &Options) -> Result<Prepared<'a>, Vec<Error>> {
        let plates = chosen(session, &options.plates)?;
        let file = &session.file;
        let profile = CaptureProfile::load(&session.copy.profile, &session.folder).in_file(file);
        let tone = Tone::load(&session.positive.tone, &session.folder).in_file(file);
        let (profile, tone) = match (profile, tone) {
            (Ok(profile), Ok(tone)) => (profile, tone),
            (a, b) => return Err([a.err(), b.err()].into_iter().flatten().collect()),
        };
        let out = prepare(&options.out).map_err(|e| vec![e])?;
        let inputs = Inputs::read(session, &plates);
        let settings = format!("{profile:?}\n{tone:?}\n{}\n{:?}", options.force, options.compression);
        let light = inputs.light_key(session, &settings);
        let keys = plates.iter().map(|p| inputs.plate_key(session, p, &light)).collect();
        Ok(Prepared { plates, keys, out, profile, tone, inputs, light })
    }

    /// The panel, and what it told, which is kept. A blank that cannot serve is said by every run.
    pub fn panel(
        &self,
        session: &Session,
        store: &Kept,
        progress: &Progress,
        errors: &mut Vec<Error>,
    ) -> (Panel, KeptPanel) {
        progress.stage("panel", "reading the blanks");
        let (panel, failed) = Panel::load(session, &self.profile, &|_| ());
        let told = KeptPanel { warnings: panel_warnings(&panel), blank: blank_report(&panel) };
        if failed.is_empty() {
            errors.extend(store.keep("panel", &self.light, &[], &told).err());
        }
        errors.extend(failed);
        (panel, told)
    }

    pub fn run<'r>(
        &'r self,
        session: &'r Session,
        panel: &'r Panel,
        options: &Options,
        progress: &'r Progress,
    ) -> Run<'r> {
        Run {
            session,
            profile: &self.profile,
            panel,
            inputs: &self.inputs,
            tone: &self.tone,
            out: &self.out,
            force: options.force,
            compression: options.compression,
            progress,
        }
    }
}

/// Whether a plate's results lie in OUT as they were written for `key`.
pub(crate) fn is_kept(store: &Kept, plate: &Plate, key: &str) -> bool {
    store.find::<KeptPlate>(&kept_plate(plate), key).is_some()
}

/// Digitizes a session's plates into `options.out`. Work that an earlier run did from the same files with the same settings is kept.
pub fn digitize(session: &Session, options: &Options) -> Result<Digitized, Vec<Error>> {
    let prepared = Prepared::new(session, options)?;
    let Prepared { plates, keys, out, tone, .. } = &prepared;
    let one = |error: Error| vec![error];
    let store = Kept::open(out, options.fresh).map_err(one)?;
    archive::atomic::clear_leftovers(out).map_err(one)?;

    let earlier = |plate: &Plate, key: &str| {
        let kept = store.find(&kept_plate(plate), key).map(Way::Kept);
        kept.or_else(|| ahead::find(&store, plate, key).map(|done| Way::Rectified(Box::new(done))))
    };
    let mut earlier: Vec<Option<Way>> = plates.iter().zip(keys).map(|(plate, key)| earlier(plate, key)).collect();
    let others = others(session, plates, &store);
    let mut told: Option<KeptPanel> = store.find("panel", &prepared.light);
    let of_others = || others.iter().map(|other| other.found.reading.clone());
    if told.is_none() || patch_elsewhere(session, plates).is_some() {
        earlier.iter_mut().for_each(|e| *e = None);
    }

    let to_do: Vec<&Plate> =
        plates.iter().zip(&earlier).filter(|(_, e)| e.is_none()).map(|(plate, _)| *plate).collect();
    let steps = 2 + to_do.len() * pipeline::STAGES + (plates.len() - to_do.len()) + session.brackets.len();
    let progress = Progress::new(steps, options.quiet);
    let mut errors = Vec::new();
    let (mut panel, mut read) = (Panel::default(), None);
    let mut to_come = to_do.iter();
    let mut read_next = || to_come.next().and_then(|plate| pipeline::read_ahead(plate, &prepared.profile));
    if !to_do.is_empty() {
        let load = || prepared.panel(session, &store, &progress, &mut errors);
        let ((loaded, said), first) = rayon::join(load, &mut read_next);
        (panel, told, read) = (loaded, Some(said), first);
    }
    let run = prepared.run(session, &panel, options, &progress);
    let mut rectify = |plate: &Plate| {
        let own = read.take();
        let (done, next) = rayon::join(|| pipeline::rectify(&run, plate, own), &mut read_next);
        read = next;
        done.map(|done| Way::Rectified(Box::new(done)))
    };
    let ways: Vec<Result<Way, Box<Failure>>> =
        plates.iter().zip(earlier).map(|(plate, earlier)| earlier.map_or_else(|| rectify(plate), Ok)).collect();
    let readings: Vec<_> = match patch_elsewhere(session, plates) {
        Some(id) => {
            vec![session.plate(id).and_then(|p| pipeline::rectify(&run, p, None).ok()).and_then(|r| r.found.reading)]
        }
        None => ways.iter().map(|way| way.as_ref().ok().and_then(Way::reading)).chain(of_others()).collect(),
    };
    let batch = Batch::new(&readings, session.base.scope).in_file(&session.file);
    let mut pages = Vec::new();
    let mut kept = Vec::new();
    for ((plate, key), way) in plates.iter().zip(keys).zip(ways) {
        let finish = |mut done: Rectified, batch: &Batch| -> Result<DonePlate, Box<Failure>> {
            store.still_there()?;
            let page = pipeline::finish(&run, plate, &mut done, batch)?;
            store.still_there()?;
            let mut outputs = below(&plate.id, &page.record.outputs);
            outputs.push(record_digest(out, &plate.id)?);
            let stands_on = batch.standing(done.found.reading.as_ref()).density;
            let told = KeptPlate { stands_on, batch: batch.density, page, found: done.found };
            store.keep(&kept_plate(plate), key, &outputs, &told)?;
            ahead::forget(&store, plate);
            Ok(told.page)
        };
        let result = way.and_then(|way| {
            let batch = batch.as_ref().map_err(|e| Box::<Failure>::from(e.clone()))?;
            match way {
                Way::Kept(earlier) if earlier.stands(batch) => {
                    kept.push(plate.id.clone());
                    Ok(earlier.page)
                }
                // Only the base is another.
                Way::Kept(earlier) => finish(pipeline::again(&run, plate, earlier.found, earlier.page)?, batch),
                Way::Rectified(done) => finish(*done, batch),
            }
        });
        pages.push(match result {
            Ok(page) => {
                // What an earlier run could not do is done now.
                let _ = std::fs::remove_file(seen_file(out, plate));
                PlateReport::Done(Box::new(page))
            }
            Err(failure) => {
                let page = failed(plate, &failure);
                errors.extend(picture_of_failure(out, plate, &failure).err());
                errors.push(failure.error);
                page
            }
        });
    }
    if let Err(gone) = store.still_there() {
        progress.done();
        return Err(vec![gone]);
    }
    kept.extend(others.iter().map(|other| other.page.record.plate.clone()));
    let pages = in_order(session, pages, others);
    let compared = compare_all(session, &pages, &store, tone, out, &progress);
    kept.extend(compared.kept);
    errors.extend(compared.errors);
    errors.dedup();
    let told = told.unwrap_or(KeptPanel { warnings: Vec::new(), blank: None });
    let left = crate::results::lying(session, out).ok().and_then(|lying| lying.warning());
    progress.stage("session", "writing the pages");
    let scales = alike::scales(&pages.iter().filter_map(sampled).collect::<Vec<_>>());
    let report = SessionReport {
        about: session.about.clone(),
        tone: tone.clone(),
        plates: pages,
        brackets: compared.reports,
        warnings: crate::notes::check(session).into_iter().chain(told.warnings).chain(scales).chain(left).collect(),
        blank: told.blank,
        software: Software::this(),
    };
    if let Err(error) = write_pages(out, &report).and_then(|()| write_digests(out, &report.plates, &compared.outputs)) {
        errors.push(error);
    }
    progress.done();
    Ok(Digitized { report, kept, timings: progress.timings(), errors })
}

fn sampled(page: &PlateReport) -> Option<Sampled> {
    let PlateReport::Done(page) = page else { return None };
    let record = &page.record;
    Sampled::of(&record.plate, &record.edges, record.size_mm, &record.copy.camera)
}

/// What earlier runs left in OUT of the plates that this one is not for: the batch and the pages are the whole session's all the same.
fn others(session: &Session, plates: &[&Plate], store: &Kept) -> Vec<KeptPlate> {
    let other = |plate: &&Plate| plates.iter().all(|asked| asked.id != plate.id);
    session.plates.iter().filter(other).filter_map(|plate| store.lying(&kept_plate(plate))).collect()
}

/// Pages of this run's plates and of the others, as the notes have them.
fn in_order(session: &Session, mut pages: Vec<PlateReport>, others: Vec<KeptPlate>) -> Vec<PlateReport> {
    pages.extend(others.into_iter().map(|other| PlateReport::Done(Box::new(other.page))));
    pages.sort_by_key(|page| session.plates.iter().position(|plate| plate.id == page.id()));
    pages
}

/// The plate that the base's patch lies on, where it is not among those asked for: it is then read for its own sake.
fn patch_elsewhere<'a>(session: &'a Session, plates: &[&Plate]) -> Option<&'a str> {
    match &session.base.from {
        BaseFrom::Patch { plate, .. } if plates.iter().all(|p| p.id != *plate) => Some(plate),
        _ => None,
    }
}

fn kept_plate(plate: &Plate) -> String {
    format!("plate-{}", plate.id)
}

/// What came of a session's brackets.
#[derive(Default)]
struct ComparedAll {
    reports: Vec<BracketReport>,
    kept: Vec<String>,
    outputs: Vec<FileDigest>,
    errors: Vec<Error>,
}

/// Compares each bracket all of whose plates are done, unless it was compared before from the same results.
fn compare_all(
    session: &Session,
    pages: &[PlateReport],
    store: &Kept,
    tone: &Tone,
    out: &Path,
    progress: &Progress,
) -> ComparedAll {
    let mut all = ComparedAll::default();
    let done = |id: &String| match pages.iter().find(|p| p.id() == id) {
        Some(PlateReport::Done(page)) => Some(&page.record),
        _ => None,
    };
    for bracket in &session.brackets {
        let Some(records) = bracket.plates.iter().map(done).collect::<Option<Vec<_>>>() else { continue };
        let name = brackets::folder_name(bracket);
        progress.stage(&name, "comparing");
        let on = records
            .iter()
            .map(|r| (&r.outputs, PlateBase::of(&r.base), &r.exposure, &r.development))
            .collect::<Vec<_>>();
        let key = digest::sha256_of(format!("{:?}\n{on:?}\n{tone:?}", bracket.matching).as_bytes());
        let work = format!("compare-{name}");
        if let Some(report) = store.find(&work, &key) {
            all.reports.push(report);
            all.kept.push(name);
            // The run that compared may have ended before it listed them.
            all.outputs.extend(store.written(&work));
            continue;
        }
        let compared = brackets::one(session, bracket, out, tone).and_then(|compared| {
            let outputs = brackets::outputs(out, bracket)?;
            store.keep(&work, &key, &outputs, &compared.report)?;
            Ok((compared.report, outputs))
        });
        match compared {
            Ok((report, outputs)) => {
                all.reports.push(report);
                all.outputs.extend(outputs);
            }
            Err(error) => all.errors.push(error),
        }
    }
    all
}

/// What a check found: each warning with the plate, or the session, that it is of.
pub struct Checked {
    pub plates: usize,
    pub warnings: Vec<(String, Warning)>,
    pub errors: Vec<Error>,
}

/// Reads all that digitizing would read and says what is wrong or risky. Writes nothing beside nameless files in the system's temporary
/// folder.
pub fn check(session: &Session, plates: &[String], quiet: bool) -> Result<Checked, Vec<Error>> {
    let plates = chosen(session, plates)?;
    let file = &session.file;
    let profile = CaptureProfile::load(&session.copy.profile, &session.folder).in_file(file).map_err(|e| vec![e])?;
    let tone = Tone::load(&session.positive.tone, &session.folder).in_file(file).map_err(|e| vec![e])?;
    let progress = Progress::new(1 + plates.len() * pipeline::STAGES, quiet);
    progress.stage("panel", "reading the blanks");
    let (panel, mut errors) = Panel::load(session, &profile, &|_| ());
    let scratch = std::env::temp_dir();
    let run = Run {
        session,
        profile: &profile,
        panel: &panel,
        inputs: &Inputs::default(),
        tone: &tone,
        out: &scratch,
        force: false,
        compression: Compression::None,
        progress: &progress,
    };
    let mut of_session = session_warnings(session, &panel);
    of_session.extend(panel.groups.iter().filter_map(|group| tinted(group, &profile)));
    let mut warnings: Vec<(String, Warning)> = of_session.iter().map(|w| ("session".to_string(), w.clone())).collect();
    let (mut seen, mut sampled, mut lenses) = (Vec::new(), Vec::new(), BTreeSet::new());
    for plate in &plates {
        match pipeline::rectify(&run, plate, None) {
            Ok(done) => {
                let Found { warnings: of_plate, reading, size_mm, edges, settings, .. } = done.found;
                // One capture tells of a lens.
                if lenses.insert((settings.model.clone(), settings.lens_model.clone())) {
                    warnings.extend(lateral_colour(&plate.captures[0][0], &profile).map(|w| (plate.id.clone(), w)));
                }
                let new = of_plate.iter().filter(|w| !of_session.contains(w));
                warnings.extend(new.map(|w| (plate.id.clone(), w.clone())));
                sampled.extend(Sampled::of(&plate.id, &edges, size_mm, &settings));
                seen.push((plate.id.clone(), reading, done.histogram));
            }
            Err(failure) => errors.push(failure.error),
        }
    }
    let readings: Vec<_> = seen.iter().map(|s| s.1.clone()).collect();
    match Batch::new(&readings, session.base.scope) {
        Ok(batch) => {
            for (id, reading, histogram) in &seen {
                let doubts = pipeline::doubts(&tone, histogram, &batch.standing(reading.as_ref()));
                warnings.extend(doubts.into_iter().map(|w| (id.clone(), w)));
            }
        }
        Err(fault) if errors.is_empty() => errors.push(Error::new(file, fault)),
        Err(_) => {}
    }
    warnings.extend(alike::scales(&sampled).into_iter().map(|w| ("session".to_string(), w)));
    progress.done();
    Ok(Checked { plates: plates.len(), warnings, errors })
}

/// Says when the lens draws colours of different size, of captures whose digitizing does not look at it.
fn lateral_colour(file: &Path, profile: &CaptureProfile) -> Option<Warning> {
    let frame = frame::in_colours(file, profile).ok()??;
    lateral::measure(&frame)?.warning(&panel::name(file), lateral::LEFT)
}

/// Says when the light's colour changes across a blank of which digitizing reads the luma alone.
fn tinted(group: &Group, profile: &CaptureProfile) -> Option<Warning> {
    let file = group.blanks.first().filter(|_| group.flat.layout == Layout::Gray)?;
    tint::uneven(&panel::name(file), &frame::in_colours(file, profile).ok()??)
}

/// The plates asked for, or all.
fn chosen<'a>(session: &'a Session, ids: &[String]) -> Result<Vec<&'a Plate>, Vec<Error>> {
    if ids.is_empty() {
        return Ok(session.plates.iter().collect());
    }
    let known = || session.plates.iter().map(|p| p.id.as_str()).collect::<Vec<_>>().join(", ");
    let (plates, errors) = crate::error::all(ids.iter().map(|id| {
        session.plate(id).ok_or_else(|| {
            Error::new(
                &session.file,
                Fault::new(format!("there is no plate {id}"), format!("the notes have {}", known())),
            )
        })
    }));
    if errors.is_empty() { Ok(plates) } else { Err(errors) }
}

/// Makes the folder, and tells by a probe whether it can be written to before an hour's work is lost.
fn prepare(out: &Path) -> Result<PathBuf, Error> {
    std::fs::create_dir_all(out).in_file(out)?;
    tempfile::tempfile_in(out).in_file(out)?;
    Ok(out.to_path_buf())
}

fn failed(plate: &Plate, failure: &Failure) -> PlateReport {
    PlateReport::Failed(Box::new(FailedPlate {
        id: plate.id.clone(),
        message: failure.error.to_string(),
        notes: plate.notes.clone(),
        exposure: plate.exposure.clone(),
        development: plate.development.clone(),
        seen: failure.seen.clone(),
    }))
}

/// OUT/ID/ID-seen.jpg: the capture with what was taken for the plate.
fn picture_of_failure(out: &Path, plate: &Plate, failure: &Failure) -> Result<(), Error> {
    let Some(picture) = failure.seen.as_ref().and_then(report::seen::drawn) else { return Ok(()) };
    let folder = out.join(&plate.id);
    std::fs::create_dir_all(&folder).in_file(&folder)?;
    archive::atomic::write_whole(&seen_file(out, plate), &picture)
}

fn seen_file(out: &Path, plate: &Plate) -> PathBuf {
    out.join(&plate.id).join(format!("{}-seen.jpg", plate.id))
}

fn session_warnings(session: &Session, panel: &Panel) -> Vec<Warning> {
    crate::notes::check(session).into_iter().chain(panel_warnings(panel)).collect()
}

fn panel_warnings(panel: &Panel) -> Vec<Warning> {
    panel.warnings.iter().chain(panel.groups.iter().flat_map(|g| &g.warnings)).cloned().collect()
}

/// The first camera's blank, for the page.
fn blank_report(panel: &Panel) -> Option<BlankReport> {
    let group = panel.groups.first()?;
    let plane = &group.flat.planes[group.flat.planes.len() / 2];
    let cells: Image<f32> = crate::image::reduced(plane, 16).map(|v| v.0);
    let brightest = cells.pixels().iter().copied().fold(0.0, f32::max);
    let darkest = cells.pixels().iter().copied().fold(f32::INFINITY, f32::min);
    let jpeg = report::light_jpeg(cells.size(), 480, 85, |row, out| {
        out.iter_mut().zip(cells.row(row)).for_each(|(out, v)| *out = v / brightest.max(1e-6));
    });
    let names: Vec<String> = group.blanks.iter().map(|b| panel::name(b)).collect();
    let facts = vec![
        ("frames".to_string(), names.join(", ")),
        ("darkest part".to_string(), format!("{:.0} % of the brightest", 100.0 * darkest / brightest.max(1e-6))),
        ("brightest part".to_string(), format!("{:.0} % of full scale", 100.0 * brightest)),
        ("cameras and sizes".to_string(), panel.groups.len().to_string()),
    ];
    Some(BlankReport { jpeg, facts })
}

fn write_pages(out: &Path, report: &SessionReport) -> Result<(), Error> {
    archive::atomic::write_whole(&out.join("report.html"), report::page(report).as_bytes())?;
    let path = out.join("session.json");
    let json = serde_json::to_vec_pretty(&report::summary(report))
        .map_err(|e| Error::new(&path, Fault::new(e.to_string(), "run it again")))?;
    archive::atomic::write_whole(&path, &json)
}

/// Brings the folder's list of digests up to date with what this run has written.
fn write_digests(out: &Path, plates: &[PlateReport], compared: &[FileDigest]) -> Result<(), Error> {
    let mut written =
        vec![archive::bag::digest_below(out, "report.html")?, archive::bag::digest_below(out, "session.json")?];
    written.extend_from_slice(compared);
    for plate in plates {
        let PlateReport::Done(page) = plate else { continue };
        let id = &page.record.plate;
        written.extend(below(id, &page.record.outputs));
        written.push(record_digest(out, id)?);
    }
    archive::bag::update_digests(out, &written, &[])
}

/// A plate's results as they lie below OUT.
fn below(id: &str, outputs: &[FileDigest]) -> Vec<FileDigest> {
    outputs.iter().map(|output| FileDigest { file: format!("{id}/{}", output.file), ..output.clone() }).collect()
}

fn record_digest(out: &Path, id: &str) -> Result<FileDigest, Error> {
    archive::bag::digest_below(out, &format!("{id}/{id}-record.json"))
}

/// What was read, for the terminal: one line a plate, then the warnings.
pub fn told(done: &Digitized, out: &Path) -> String {
    use std::fmt::Write;
    let mut text = String::new();
    for plate in &done.report.plates {
        match plate {
            PlateReport::Done(page) => {
                let r = &page.record;
                let _ = writeln!(
                    text,
                    "{}  {}×{} px at {:.0} an inch  base {:.3} ({})  density above base {:.2} to {:.2}, middle {:.2}",
                    r.plate,
                    r.pixels[0],
                    r.pixels[1],
                    r.ppi,
                    r.base.density,
                    r.base.from,
                    round(r.density.p01, 2) + 0.0,
                    r.density.p99,
                    r.density.p50
                );
                if let Some(ratios) = report::words::exposure_ratios(&r.steps) {
                    let _ = writeln!(text, "      copy exposures {ratios}");
                }
                for warning in r.warnings.iter().filter(|w| !done.report.warnings.contains(w)) {
                    let _ = writeln!(text, "      {}: {}", warning.code, warning.message);
                }
            }
            PlateReport::Failed(page) => {
                let _ = writeln!(text, "{}  not done", page.id);
            }
        }
    }
    for bracket in &done.report.brackets {
        let _ = writeln!(text, "{} compared: {}", bracket.plates.join(" and "), out.join(&bracket.page).display());
        bracket.lines().for_each(|line| {
            let _ = writeln!(text, "      {line}");
        });
    }
    for warning in &done.report.warnings {
        let _ = writeln!(text, "{}: {}", warning.code, warning.message);
    }
    if !done.kept.is_empty() {
        let _ = writeln!(text, "Kept as an earlier run left them: {}", done.kept.join(", "));
    }
    let _ = writeln!(text, "Results are in {}; look at {}", out.display(), out.join("report.html").display());
    text
}
