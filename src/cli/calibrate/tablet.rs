//! `hyaline calibrate tablet FRAME…`

use super::{To, camera, date, significant};
use crate::calibrate::steps::{self, Light, Step, Use};
use crate::calibrate::strip;
use crate::calibrate::tablet::{Held, Known, anchor, hold};
use crate::cli::Outcome;
use crate::error::{Error, Fault, InFile, Warning};
use crate::frame::profile::{CaptureProfile, Fit, Taking};
use crate::frame::{Frame, Settings};
use crate::geometry::Point;
use crate::image::{Image, Size};
use crate::light::scene::mean_light;
use crate::light::{FlatField, Veil, blank, divide, steady};
use crate::measure::Region;
use crate::report::axis::plain;
use crate::report::words::signed;
use crate::units::Linear;
use std::fmt::Write;
use std::path::{Path, PathBuf};

#[derive(Debug, clap::Args)]
#[command(group(clap::ArgGroup::new("known").required(true).multiple(false)))]
#[command(group(clap::ArgGroup::new("place").multiple(false)))]
pub struct Args {
    /// Frames of the tablet
    #[arg(required = true)]
    frames: Vec<PathBuf>,
    /// How many steps of what density it has, where they were not measured
    #[arg(long, value_name = "21x0.15", group = "known", value_parser = known)]
    steps: Option<Known>,
    /// A file with the density of each step, one a line
    #[arg(long, value_name = "FILE.csv", group = "known")]
    densities: Option<PathBuf>,
    /// Frames of the bare panel, same set-up
    #[arg(long, value_name = "FRAME", num_args = 1..)]
    blank: Vec<PathBuf>,
    /// How codes stand for light: a capture profile's name or path; what it knows is kept
    #[arg(long, value_name = "PROFILE", default_value = "srgb")]
    profile: String,
    /// A patch of black card in the tablet's frame, in pixels: its glare is taken off first
    #[arg(long, value_name = "X,Y,W,H", value_parser = region)]
    opaque: Option<Region>,
    /// Look for the tablet in this part of the frame, in pixels
    #[arg(long, value_name = "X,Y,W,H", group = "place", value_parser = region)]
    rect_px: Option<Region>,
    /// Middles of the tablet's two outer edges in pixels, clear end first
    #[arg(long, value_name = "X1,Y1,X2,Y2", group = "place", value_parser = ends)]
    ends: Option<Ends>,
    #[command(flatten)]
    to: To,
}

#[derive(Debug, Clone, Copy)]
struct Ends([Point; 2]);

fn known(text: &str) -> Result<Known, String> {
    Known::steps(text).map_err(|fault| fault.to_string())
}

fn region(text: &str) -> Result<Region, String> {
    text.parse().map_err(|fault: Fault| fault.to_string())
}

fn ends(text: &str) -> Result<Ends, String> {
    let numbers: Option<Vec<f64>> =
        text.split(',').map(|p| p.trim().parse().ok().filter(|v: &f64| v.is_finite())).collect();
    match numbers.as_deref() {
        Some([a, b, c, d]) if [a, b] != [c, d] => Ok(Ends([Point::new(*a, *b), Point::new(*c, *d)])),
        _ => Err(format!("`{text}` is no pair of places: give x1,y1,x2,y2 in pixels, the clear end first")),
    }
}

/// Overshoot beside the steps from which on a camera is said to sharpen.
const SHARPENED: f64 = 0.05;

/// What one frame showed.
struct Read {
    steps: Vec<Step>,
    settings: Settings,
    size: Size,
    warnings: Vec<Warning>,
}

pub fn run(args: &Args) -> Result<Outcome, Vec<Error>> {
    let one = |error: Error| vec![error];
    args.to.free().map_err(one)?;
    let profile = CaptureProfile::open(&args.profile).in_file(Path::new(&args.profile)).map_err(one)?;
    let known = match (&args.steps, &args.densities) {
        (Some(known), _) => known.clone(),
        (None, Some(file)) => {
            let text = std::fs::read_to_string(file).in_file(file).map_err(one)?;
            Known::table(&text).map_err(|(line, fault)| one(Error::at_line(file, line, fault)))?
        }
        (None, None) => return Ok(Outcome::default()),
    };
    let flat = flat(args, &profile)?;
    let (reads, errors) =
        crate::error::all(args.frames.iter().map(|file| tablet(args, file, &profile, flat.as_ref(), &known)));
    if !errors.is_empty() {
        return Err(errors);
    }
    let all: Vec<Vec<Step>> = reads.iter().map(|r| r.steps.clone()).collect();
    let with_glare = args.opaque.is_none() && profile.glare.is_none();
    let held = hold(&all, &known, with_glare).in_file(&args.frames[0]).map_err(one)?;
    let made = made(args, &profile, &reads[0], &held, &known);
    args.to.write(&made).map_err(one)?;
    let mut warnings: Vec<Warning> = reads.into_iter().flat_map(|r| r.warnings).collect();
    warnings.extend(risks(args, &held));
    warnings.dedup();
    Ok(told(args, &held, &made, &warnings))
}

/// The blanks, averaged.
fn flat(args: &Args, profile: &CaptureProfile) -> Result<Option<FlatField>, Vec<Error>> {
    let read = |file: &PathBuf| super::read(file, profile).and_then(|f| blank::check(&f).map(|()| f).in_file(file));
    let (frames, errors) = crate::error::all(args.blank.iter().map(read));
    if !errors.is_empty() {
        return Err(errors);
    }
    let Some(first) = frames.first() else { return Ok(None) };
    if let Some(k) = frames.iter().position(|f| f.size != first.size || f.layout != first.layout) {
        let fault = Fault::new(
            "it differs from the first blank in size or kind",
            "give blanks of one camera at one picture size",
        );
        return Err(vec![Error::new(&args.blank[k], fault)]);
    }
    Ok(Some(FlatField::from_frames(&frames.iter().collect::<Vec<_>>(), None)))
}

/// Without a blank: an even panel as bright as the frame's brightest.
fn even(frame: &Frame) -> FlatField {
    let planes = (0..frame.channels()).map(|channel| {
        let mut seen: Vec<f32> = frame.plane(channel).pixels().iter().step_by(101).map(|v| v.0).collect();
        let at = seen.len() * 99 / 100;
        let bright = *seen.select_nth_unstable_by(at, f32::total_cmp).1;
        Image::filled(frame.size, Linear(bright.max(1e-6)))
    });
    let (layout, settings) = (frame.layout, frame.settings.clone());
    FlatField { planes: planes.collect(), layout, settings, levels: Vec::new(), noise: 0.0 }
}

/// Reads the steps of one frame.
fn tablet(
    args: &Args,
    file: &Path,
    profile: &CaptureProfile,
    flat: Option<&FlatField>,
    known: &Known,
) -> Result<Read, Error> {
    let frame = super::read(file, profile)?;
    let settings = frame.settings.clone();
    let mut warnings: Vec<Warning> = frame.warnings.clone();
    warnings.extend(profile.mismatch(&settings));
    let even_panel;
    let flat = match flat {
        Some(flat) => {
            warnings.extend(steady::settings("the blank", &flat.settings, "the tablet's frame", &settings));
            flat
        }
        None => {
            even_panel = even(&frame);
            &even_panel
        }
    };
    let steps = (|| {
        let mean = mean_light(&frame, None);
        let veil = match &args.opaque {
            Some(r) => Some(Veil::from_opaque(&frame, None, [r.x, r.y, r.width, r.height], &mean)?),
            None => Veil::of_profile(profile),
        };
        let veils = veil.map(|veil| veil.over(&mean, flat));
        let seen = divide(&frame, flat, None, veils.as_ref())?.transmittance;
        let full = |row: usize, column: usize| {
            (0..frame.channels())
                .any(|c| frame.linear(row, column, c).0 >= frame.saturation[c.min(frame.saturation.len() - 1)])
        };
        let light = Light { seen: &seen, full: &full };
        match &args.ends {
            Some(Ends(ends)) => steps::between(&light, *ends, &known.rises()),
            None => {
                let within = args.rect_px.as_ref().map(|r| r.window(1.0, seen.size())).transpose()?;
                steps::read(&light, &strip::find(&seen, within)?, &known.rises())
            }
        }
    })();
    let steps::Read { mut steps, overshoot } = steps.in_file(file)?;
    if args.blank.is_empty() {
        anchor(&mut steps, known);
    }
    if let Some(share) = overshoot.filter(|share| *share > SHARPENED) {
        warnings.push(Warning::new(
            "sharpened",
            format!(
                "light overshoots by {:.0} % beside the steps: the camera sharpens or maps tones locally, which no profile can undo; \
                 switch it off, or use raw",
                100.0 * share
            ),
        ));
    }
    Ok(Read { steps, settings, size: frame.size, warnings })
}

fn made(args: &Args, profile: &CaptureProfile, read: &Read, held: &Held, known: &Known) -> CaptureProfile {
    let settings = &read.settings;
    let mut correction = held.fitted.correction.clone();
    correction.read.iter_mut().chain(&mut correction.density).for_each(|d| *d = significant(*d, 6));
    correction.sd.iter_mut().for_each(|sd| *sd = significant(*sd, 3));
    let how = if known.measured { "measured densities" } else { "nominal densities, its base fitted along" };
    let exposed = settings.exposure_s.map(|t| format!(", exposed for {t} s")).unwrap_or_default();
    let before = profile.fit.clone().unwrap_or_default();
    let from = [
        before.from.clone(),
        Some(format!(
            "a step tablet of {} steps in {} frames, {how}{exposed}",
            known.densities.len(),
            args.frames.len()
        )),
    ];
    CaptureProfile {
        name: args.to.name(),
        purpose: format!(
            "{} With densities corrected by a step tablet, for frames exposed as the tablet's.",
            profile.purpose
        ),
        date: date(settings).or(profile.date),
        camera: camera(settings).or(profile.camera.clone()),
        correction: Some(correction),
        others: args.to.others.clone().or(profile.others.clone()),
        fit: Some(Fit {
            from: Some(from.into_iter().flatten().collect::<Vec<_>>().join("; ")),
            density_range: Some(held.range.map(|d| significant(d, 4))),
            density_rms: Some(significant(held.fitted.rms, 3)),
            density_worst: Some(significant(held.fitted.worst, 3)),
            density_sd: Some(significant(held.fitted.sd, 3)),
            tablet_frames: Some(Taking::of(settings, read.size)),
            ..before
        }),
        ..profile.clone()
    }
}

fn risks(args: &Args, held: &Held) -> Vec<Warning> {
    let mut warnings = Vec::new();
    let which =
        |of: Use| -> Vec<String> { held.lines.iter().filter(|l| l.use_of == of).map(|l| l.step.to_string()).collect() };
    let saturated = which(Use::Saturated);
    if !saturated.is_empty() {
        warnings.push(Warning::new(
            "tablet-saturated",
            format!("steps {} are at full scale and left out; expose less", saturated.join(", ")),
        ));
    }
    let dark = which(Use::BelowNoise);
    if !dark.is_empty() {
        warnings.push(Warning::new(
            "tablet-below-noise",
            format!("steps {} cannot be told apart and are left out: densities above {:.2} stay uncorrected in shape; mask the panel round the tablet, or use raw", dark.join(", "), held.range[1]),
        ));
    }
    if args.blank.is_empty() {
        warnings.push(Warning::new(
            "no-blank",
            "without a blank the panel's level is taken from the clearest step, and its fall-off stands in the densities; give --blank",
        ));
    }
    if let Some(ratio) = held.steep() {
        warnings.push(Warning::new(
            "tablet-pitch",
            format!("the tablet is {ratio:.2} times as dense as it reads: look whether it is the one stated, and whether the profile's response is right"),
        ));
    }
    warnings
}

fn told(args: &Args, held: &Held, profile: &CaptureProfile, warnings: &[Warning]) -> Outcome {
    let fitted = &held.fitted;
    let mut summary = format!("{}: {} steps\n", args.to.to.display(), held.lines.len());
    let _ = writeln!(summary, "  step   known    read   difference   ±        spread   left over");
    for line in &held.lines {
        let left = match (line.use_of, line.left) {
            (Use::Saturated, _) => "at full scale".into(),
            (Use::BelowNoise, _) => "below noise".into(),
            (Use::Good, left) => signed(left.unwrap_or_default(), 3),
        };
        let _ = writeln!(
            summary,
            "  {:>4}   {:>5}   {:>5}   {:>10}   {:>6}   {:>6}   {left}",
            line.step,
            plain(line.known, 3),
            plain(line.read, 3),
            signed(line.difference, 3),
            plain(line.uncertainty, 4),
            plain(line.spread, 4)
        );
    }
    let _ = writeln!(
        summary,
        "  corrected with {} terms{}: {} D left over (rms), {} at worst, ± {} D",
        fitted.terms,
        fitted
            .veil
            .map(|v| format!(" and a veil of {} % of the panel's light", plain(100.0 * v, 3)))
            .unwrap_or_default(),
        plain(fitted.rms, 4),
        plain(fitted.worst, 4),
        plain(fitted.sd, 4)
    );
    warnings.iter().for_each(|w| {
        let _ = writeln!(summary, "  {}: {}", w.code, w.message);
    });
    let json = serde_json::json!({
        "profile": args.to.to, "steps": held.lines, "base": fitted.base, "terms": fitted.terms, "veil": fitted.veil,
        "correction": fitted.correction, "fit": profile.fit, "warnings": warnings,
    });
    Outcome { summary, json, ..Outcome::default() }
}
