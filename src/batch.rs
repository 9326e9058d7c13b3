//! A whole session: every plate, the batch's base, the pages. What can be done is done, whatever fails.

use crate::archive::{self, Compression};
use crate::bracket::brackets;
use crate::copy::round;
use crate::density::Batch;
use crate::error::{Error, Fault, InFile, Warning};
use crate::frame::CaptureProfile;
use crate::image::Image;
use crate::notes::{BaseFrom, Bracket, Plate, Session};
use crate::panel::{self, Panel};
use crate::pipeline::{self, Failure, Rectified, Run};
use crate::positive::Tone;
use crate::progress::Progress;
use crate::record::{FileDigest, Software};
use crate::report::{self, BlankReport, FailedPlate, PlateReport, SessionReport};
use std::path::{Path, PathBuf};

/// What to do with a session.
#[derive(Debug, Clone)]
pub struct Options {
    pub out: PathBuf,
    /// Plates to do; all without one.
    pub plates: Vec<String>,
    pub force: bool,
    pub quiet: bool,
    pub compression: Compression,
}

/// What came of it.
pub struct Digitized {
    pub report: SessionReport,
    pub errors: Vec<Error>,
}

/// Digitizes a session's plates into `options.out`.
pub fn digitize(session: &Session, options: &Options) -> Result<Digitized, Vec<Error>> {
    let plates = chosen(session, &options.plates)?;
    let file = &session.file;
    let profile = CaptureProfile::load(&session.copy.profile, &session.folder).in_file(file);
    let tone = Tone::load(&session.positive.tone, &session.folder).in_file(file);
    let (profile, tone) = match (profile, tone) {
        (Ok(profile), Ok(tone)) => (profile, tone),
        (a, b) => return Err([a.err(), b.err()].into_iter().flatten().collect()),
    };
    let out = prepare(&options.out).map_err(|e| vec![e])?;
    let steps = 1 + plates.len() * pipeline::STAGES + session.brackets.len();
    let progress = Progress::new(steps, options.quiet);
    progress.stage("panel", "reading the blanks");
    let (panel, mut errors) = Panel::load(session, &profile, &|_| ());
    let run = Run {
        session,
        profile: &profile,
        panel: &panel,
        tone: &tone,
        out: &out,
        force: options.force,
        compression: options.compression,
        progress: &progress,
    };
    let rectified: Vec<Result<Rectified, Box<Failure>>> = plates.iter().map(|p| pipeline::rectify(&run, p)).collect();
    let readings: Vec<_> = match &session.base.from {
        // A patch on one plate speaks for the batch even where that plate is not asked for: it is then read for its own sake.
        BaseFrom::Patch { plate, .. } if plates.iter().all(|p| p.id != *plate) => {
            let own = session.plate(plate).and_then(|p| pipeline::rectify(&run, p).ok()).and_then(|r| r.reading);
            vec![own]
        }
        _ => rectified.iter().map(|r| r.as_ref().ok().and_then(|r| r.reading.clone())).collect(),
    };
    let batch = Batch::new(&readings, session.base.scope).in_file(file);
    let mut pages = Vec::new();
    for (plate, done) in plates.iter().zip(rectified) {
        let result = done.and_then(|done| {
            let batch = batch.as_ref().map_err(|e| Box::<Failure>::from(e.clone()))?;
            Ok(pipeline::finish(&run, plate, done, batch)?)
        });
        pages.push(match result {
            Ok(page) => {
                // What an earlier run could not do is done now.
                let _ = std::fs::remove_file(seen_file(&out, plate));
                PlateReport::Done(Box::new(page))
            }
            Err(failure) => {
                let page = failed(plate, &failure);
                errors.extend(picture_of_failure(&out, plate, &failure).err());
                errors.push(failure.error);
                page
            }
        });
    }
    let done: Vec<&str> = pages.iter().filter(|p| matches!(p, PlateReport::Done(_))).map(PlateReport::id).collect();
    let whole: Vec<Bracket> =
        session.brackets.iter().filter(|b| b.plates.iter().all(|id| done.contains(&id.as_str()))).cloned().collect();
    let (compared, failed) = brackets::all(session, &whole, &out, &tone, |name| progress.stage(name, "comparing"));
    errors.extend(failed);
    progress.done();
    errors.dedup();
    let report = SessionReport {
        about: session.about.clone(),
        tone: tone.clone(),
        plates: pages,
        brackets: compared.into_iter().map(|c| c.report).collect(),
        warnings: session_warnings(session, &panel),
        blank: blank_report(&panel),
        software: Software::this(),
    };
    if let Err(error) = write_pages(&out, &report).and_then(|()| write_digests(&out, &report.plates)) {
        errors.push(error);
    }
    Ok(Digitized { report, errors })
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
        tone: &tone,
        out: &scratch,
        force: false,
        compression: Compression::None,
        progress: &progress,
    };
    let of_session = session_warnings(session, &panel);
    let mut warnings: Vec<(String, Warning)> = of_session.iter().map(|w| ("session".to_string(), w.clone())).collect();
    let mut seen = Vec::new();
    for plate in &plates {
        match pipeline::rectify(&run, plate) {
            Ok(done) => {
                let new = done.warnings.iter().filter(|w| !of_session.contains(w));
                warnings.extend(new.map(|w| (plate.id.clone(), w.clone())));
                seen.push((plate.id.clone(), done.reading));
            }
            Err(failure) => errors.push(failure.error),
        }
    }
    let readings: Vec<_> = seen.iter().map(|s| s.1.clone()).collect();
    match Batch::new(&readings, session.base.scope) {
        Ok(batch) => {
            let standing = seen
                .iter()
                .flat_map(|(id, r)| batch.standing(r.as_ref()).warnings.into_iter().map(move |w| (id.clone(), w)));
            warnings.extend(standing);
        }
        Err(fault) if errors.is_empty() => errors.push(Error::new(file, fault)),
        Err(_) => {}
    }
    progress.done();
    Ok(Checked { plates: plates.len(), warnings, errors })
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
    archive::atomic::clear_leftovers(out)?;
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
    let mut warnings = crate::notes::check(session);
    warnings.extend(panel.warnings.iter().cloned());
    warnings.extend(panel.groups.iter().flat_map(|g| g.warnings.iter().cloned()));
    warnings
}

/// The first camera's blank, for the page.
fn blank_report(panel: &Panel) -> Option<BlankReport> {
    let group = panel.groups.first()?;
    let plane = &group.flat.planes[group.flat.planes.len() / 2];
    let cells: Image<f32> = crate::image::reduced(plane, 16).map(|v| v.0);
    let brightest = cells.pixels().iter().copied().fold(0.0, f32::max);
    let darkest = cells.pixels().iter().copied().fold(f32::INFINITY, f32::min);
    let jpeg = report::light_jpeg(&cells.map(|v| v / brightest.max(1e-6)), 480, 85);
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
fn write_digests(out: &Path, plates: &[PlateReport]) -> Result<(), Error> {
    let mut written =
        vec![archive::bag::digest_below(out, "report.html")?, archive::bag::digest_below(out, "session.json")?];
    for plate in plates {
        let PlateReport::Done(page) = plate else { continue };
        let id = &page.record.plate;
        let below = |output: &FileDigest| FileDigest { file: format!("{id}/{}", output.file), ..output.clone() };
        written.extend(page.record.outputs.iter().map(below));
        written.push(archive::bag::digest_below(out, &format!("{id}/{id}-record.json"))?);
    }
    archive::bag::update_digests(out, &written, &[])
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
        bracket.findings.iter().for_each(|finding| {
            let _ = writeln!(text, "      {finding}");
        });
    }
    for warning in &done.report.warnings {
        let _ = writeln!(text, "{}: {}", warning.code, warning.message);
    }
    let _ = writeln!(text, "Results are in {}; look at {}", out.display(), out.join("report.html").display());
    text
}
