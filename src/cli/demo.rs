//! `hyaline demo DIR`: a made-up session, its phone calibrated, digitized.

use super::{Common, Outcome, SessionArgs};
use super::{calibrate, digitize};
use crate::demo::{self, calibration, session::PROFILE};
use crate::report::axis::plain;
use std::fmt::Write;
use std::path::{Path, PathBuf};

#[derive(Debug, clap::Args)]
pub struct Args {
    /// A new folder for the session
    dir: PathBuf,
    /// Write captures and notes only
    #[arg(long)]
    captures_only: bool,
}

pub fn run(args: &Args, common: &Common) -> Outcome {
    let say = |what: &str| {
        if !common.silent() {
            eprintln!("making {what}");
        }
    };
    if let Err(error) = demo::write(&args.dir, &demo::Options::default(), &say) {
        return error.into();
    }
    say("the phone's profile");
    let made = profile(&args.dir, common);
    if !made.errors.is_empty() {
        return made;
    }
    if args.captures_only {
        let summary = format!("{}A made-up session lies in {}\n", made.summary, args.dir.display());
        let json = serde_json::json!({ "session": args.dir, "calibration": made.json });
        return Outcome { summary, json, ..Outcome::default() };
    }
    let session = SessionArgs { session: args.dir.clone(), out: None, plates: Vec::new(), force: false, fresh: false };
    let mut done = digitize::run(&digitize::Args { session, deflate: false, ahead: false, timings: false }, common);
    done.summary.insert_str(0, &made.summary);
    done.json["calibration"] = made.json;
    done
}

/// Calibrates the phone, as one would by hand: its response from the ladder, then its densities from the tablet.
fn profile(dir: &Path, common: &Common) -> Outcome {
    let at = |file: &str| dir.join(file).to_string_lossy().into_owned();
    let words = |text: &str| text.split(' ').map(String::from).collect::<Vec<_>>();
    let to = [words("--to"), vec![at(PROFILE)], words("--others srgb --force")].concat();
    let ladder = (0..calibration::RUNGS).map(|k| at(&calibration::rung(k)));
    let response = calibrate::typed(&[words("response"), ladder.collect(), to.clone()].concat(), common);
    if !response.errors.is_empty() {
        return response;
    }
    let blanks = (1..=demo::Options::default().blanks).map(|k| at(&format!("captures/blank-phone-{k}.jpg")));
    let opaque = calibration::opaque_px(1.0).map(|px| px.to_string()).join(",");
    let ends = calibration::ends_px(1.0).map(|px| px.to_string()).join(",");
    let tablet = [
        words("tablet"),
        vec![at("calibration/tablet.jpg")],
        words(&format!("--opaque {opaque} --ends {ends} --densities")),
        vec![at("calibration/tablet.csv")],
        words("--blank"),
        blanks.collect(),
        words("--profile"),
        vec![at(PROFILE)],
        to,
    ];
    let tablet = calibrate::typed(&tablet.concat(), common);
    let mut summary = response.summary + &tablet.summary;
    let off = |step: &serde_json::Value| step["difference"].as_f64().map(f64::abs);
    let steps = tablet.json["steps"].as_array().map(Vec::as_slice).unwrap_or_default();
    if let Some(worst) = steps.iter().filter_map(off).reduce(f64::max) {
        let _ = writeln!(
            summary,
            "  {} steps read, {} D off at most before they are corrected",
            steps.len(),
            plain(worst, 4)
        );
    }
    let json = serde_json::json!({ "response": response.json, "tablet": tablet.json });
    Outcome { summary, json, errors: tablet.errors, ..Outcome::default() }
}
