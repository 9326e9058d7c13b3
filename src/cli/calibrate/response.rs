//! `hyaline calibrate response FRAMES…`

use super::{To, camera, date, significant};
use crate::calibrate::exposures;
use crate::calibrate::ladder::{self, Rung};
use crate::calibrate::response::{CODES, Response, covered, pooled, recover};
use crate::cli::Outcome;
use crate::error::{Error, InFile, Warning};
use crate::frame::Layout;
use crate::frame::profile::{CaptureProfile, Fit};
use crate::frame::transfer::{Curve, Transfer};
use crate::report::axis::plain;
use crate::report::words::signed;
use std::fmt::Write;
use std::path::{Path, PathBuf};

/// Fewer frames than this are worth a warning, as are codes covered by less than this share.
const FEW: usize = 4;
const COVERED: f64 = 0.6;

#[derive(Debug, clap::Args)]
#[command(group(clap::ArgGroup::new("known").multiple(false)))]
pub struct Args {
    /// Frames of the bare panel, at several exposures
    #[arg(required = true)]
    frames: Vec<PathBuf>,
    /// Light of each frame in stops, where the panel was dimmed or the times are not in the files; more is more light
    #[arg(long, value_name = "0,-1,…", group = "known", allow_hyphen_values = true, value_parser = stops)]
    stops: Option<List>,
    /// Exposure time of each frame in seconds, in place of what the files say
    #[arg(long, value_name = "1/60,1/30,…", group = "known", value_parser = times)]
    times: Option<List>,
    /// Also find by how much each exposure is off what is stated, as nominal shutter times are
    #[arg(long)]
    refine: bool,
    /// Keep lens and glare of this profile (a name or a path)
    #[arg(long)]
    profile: Option<String>,
    #[command(flatten)]
    to: To,
}

/// log10 exposures. (clap would take a bare Vec for an argument given several times.)
#[derive(Debug, Clone)]
struct List(Vec<f64>);

fn stops(text: &str) -> Result<List, String> {
    exposures::stops(text).map(List).map_err(|fault| fault.to_string())
}

fn times(text: &str) -> Result<List, String> {
    exposures::times(text).map(List).map_err(|fault| fault.to_string())
}

pub fn run(args: &Args) -> Result<Outcome, Vec<Error>> {
    let one = |error: Error| vec![error];
    args.to.free().map_err(one)?;
    let base =
        args.profile.as_deref().map(|p| CaptureProfile::open(p).in_file(Path::new(p))).transpose().map_err(one)?;
    // One frame at a time: of each, only its places are kept.
    let codes = CaptureProfile::linear();
    let read = |file: &PathBuf| super::read(file, &codes).and_then(|f| Rung::new(&f).in_file(file));
    let (rungs, errors) = crate::error::all(args.frames.iter().map(read));
    if !errors.is_empty() {
        return Err(errors);
    }
    let stated = args.stops.as_ref().or(args.times.as_ref());
    let at = |k: usize, fault| one(Error::new(&args.frames[k], fault));
    ladder::check(&rungs, stated.is_none()).map_err(|(k, fault)| at(k, fault))?;
    let light = match stated {
        Some(List(list)) => {
            exposures::fits(list, rungs.len()).map_err(|fault| at(0, fault))?;
            list.clone()
        }
        None => {
            let each = rungs.iter().zip(&args.frames).map(|(r, file)| exposures::by_exif(&r.settings).in_file(file));
            let (light, errors) = crate::error::all(each);
            if !errors.is_empty() {
                return Err(errors);
            }
            light
        }
    };
    let ladders = ladder::ladders(&rungs, &light).map_err(|fault| at(0, fault))?;
    let found = ladders
        .iter()
        .map(|l| recover(l, args.refine).map_err(|(k, fault)| at(k.unwrap_or(0), fault)))
        .collect::<Result<Vec<Response>, _>>()?;
    let common = rungs[0].has_coarse_colour.then(|| pooled(&ladders, &found)).flatten();
    let found = common.map_or(found, |common| vec![common]);
    let profile = profile(args, base, &rungs, &light, &found);
    args.to.write(&profile).map_err(one)?;
    let warnings = warnings(&rungs, &found);
    Ok(told(args, &light, rungs[0].layout, &found, &profile, &warnings))
}

fn profile(
    args: &Args,
    base: Option<CaptureProfile>,
    rungs: &[Rung],
    light: &[f64],
    found: &[Response],
) -> CaptureProfile {
    let settings = &rungs[0].settings;
    let worst = |of: fn(&Response) -> f64| significant(found.iter().map(of).fold(0.0, f64::max), 3);
    let how = match (&args.stops, &args.times) {
        (Some(_), _) => "light stated in stops",
        (_, Some(_)) => "exposure times stated",
        _ => "exposure times by Exif",
    };
    let refined = args.refine.then(|| refined(found));
    let curve = Curve {
        codes: (0..CODES).map(|k| significant(k as f64 / (CODES - 1) as f64, 8)).collect(),
        light: found.iter().map(|r| r.light.iter().map(|l| significant(*l, 6)).collect()).collect(),
    };
    let camera = camera(settings);
    let of = camera.as_ref().and_then(|c| c.model.clone()).map(|m| format!(" of {m}")).unwrap_or_default();
    CaptureProfile {
        name: args.to.name(),
        purpose: format!(
            "Response{of} from the bare panel at {} exposures, for frames made with the same camera settings.",
            rungs.len()
        ),
        date: date(settings),
        glare: base.as_ref().and_then(|b| b.glare),
        others: args.to.others.clone().or(base.as_ref().and_then(|b| b.others.clone())),
        transfer: Transfer::Table(curve),
        camera,
        lens: base.as_ref().and_then(|b| b.lens),
        // A correction made with another response does not hold for this one.
        correction: None,
        fit: Some(Fit {
            from: Some(format!(
                "{} frames of the bare panel, {how}{}",
                rungs.len(),
                if args.refine { ", refined" } else { "" }
            )),
            response_rms_density: Some(worst(|r| r.rms)),
            response_sd_density: Some(worst(|r| r.sd)),
            response_codes: Some(covered(found).map(|c| significant(c, 3))),
            response_stops: Some(
                light.iter().map(|l| significant((l - light[0]) / std::f64::consts::LOG10_2, 5)).collect(),
            ),
            response_refined_stops: refined,
            lens_rms_px: base.as_ref().and_then(|b| b.fit.as_ref()?.lens_rms_px),
            lens_sd: base.as_ref().and_then(|b| b.fit.as_ref()?.lens_sd),
            glare_sd: base.as_ref().and_then(|b| b.fit.as_ref()?.glare_sd),
            ..Fit::default()
        }),
    }
}

/// Stops by which each exposure was found to be off; the mean of the channels.
fn refined(found: &[Response]) -> Vec<f64> {
    let n = found.len() as f64;
    let mean = |k: usize| found.iter().map(|r| r.refined[k]).sum::<f64>() / n / std::f64::consts::LOG10_2;
    (0..found[0].refined.len()).map(|k| significant(mean(k), 3)).collect()
}

fn warnings(rungs: &[Rung], found: &[Response]) -> Vec<Warning> {
    let mut warnings = Vec::new();
    if rungs.len() < FEW {
        warnings.push(Warning::new("few-exposures", format!("{} frames make a ladder of few rungs: between them the curve is a guess; take five or more, a stop apart", rungs.len())));
    }
    let [low, high] = covered(found);
    if high - low < COVERED {
        warnings.push(Warning::new(
            "codes-not-covered",
            format!("codes below {:.0} and above {:.0} of 255 were not seen and are drawn on; add darker or brighter exposures", 255.0 * low, 255.0 * high),
        ));
    }
    warnings
}

fn told(
    args: &Args,
    light: &[f64],
    layout: Layout,
    found: &[Response],
    profile: &CaptureProfile,
    warnings: &[Warning],
) -> Outcome {
    let names: &[&str] = match found.len() {
        1 if layout == Layout::Gray => &["gray"],
        1 => &["all colours"],
        _ => &["red", "green", "blue"],
    };
    let mut summary = format!("{}: response from {} frames\n", args.to.to.display(), light.len());
    for (name, r) in names.iter().zip(found) {
        let [low, high] = r.covered.map(|c| plain(255.0 * c, 0));
        let _ = writeln!(
            summary,
            "  {name}: codes {low} to {high} of 255, {} D left over (rms), ± {} D by chance; half the full code is {} % of the light",
            plain(r.rms, 4),
            plain(r.sd, 4),
            plain(100.0 * r.light[CODES / 2], 1)
        );
    }
    let off = args.refine.then(|| refined(found));
    for (k, file) in args.frames.iter().enumerate() {
        let stops = (light[k] - light[0]) / std::f64::consts::LOG10_2;
        let off = off.as_ref().map(|o| format!(", found {} off", signed(o[k], 3))).unwrap_or_default();
        let _ = writeln!(summary, "  {}: {} stops{off}", file.display(), signed(stops, 2));
    }
    warnings.iter().for_each(|w| {
        let _ = writeln!(summary, "  {}: {}", w.code, w.message);
    });
    let channels = names.iter().zip(found).map(|(name, r)| {
        serde_json::json!({ "channel": name, "codes": r.covered, "rms_density": r.rms, "sd_density": r.sd, "samples": r.samples, "light": r.light })
    });
    let json = serde_json::json!({
        "profile": args.to.to, "channels": channels.collect::<Vec<_>>(), "fit": profile.fit, "warnings": warnings,
    });
    Outcome { summary, json, ..Outcome::default() }
}
