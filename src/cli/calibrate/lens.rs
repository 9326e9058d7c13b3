//! `hyaline calibrate lens FRAME…`

use super::{To, camera, date, significant};
use crate::calibrate::{grid, lens};
use crate::cli::Outcome;
use crate::error::{Error, Fault, InFile, Warning};
use crate::frame::Layout;
use crate::frame::profile::{CaptureProfile, Fit, Taking};
use crate::report::axis::plain;
use crate::report::words::signed;
use std::path::{Path, PathBuf};

/// Left over beyond this many pixels, the grid is not plane or not regular.
const POOR: f64 = 0.5;
/// Share of the half diagonal up to which dots should reach.
const REACH: f64 = 0.8;

#[derive(Debug, clap::Args)]
pub struct Args {
    /// Frames of a plane grid of dots (of a grid of lines, the cells between them are the dots)
    #[arg(required = true)]
    frames: Vec<PathBuf>,
    /// Dots in a row, rows, and their distance in millimetres
    #[arg(long, value_name = "COLUMNSxROWS,MM", value_parser = known)]
    grid: Grid,
    /// The profile that the lens is added to: a name or a path
    #[arg(long, value_name = "PROFILE", default_value = "srgb")]
    profile: String,
    #[command(flatten)]
    to: To,
}

#[derive(Debug, Clone, Copy)]
struct Grid {
    columns: usize,
    rows: usize,
    pitch_mm: f64,
}

fn known(text: &str) -> Result<Grid, String> {
    let wrong = || format!("`{text}` is no grid: give dots in a row, rows and their distance in mm, such as 17x13,10");
    let (counts, pitch) = text.split_once(',').ok_or_else(wrong)?;
    let (columns, rows) = counts.split_once(['x', '×']).ok_or_else(wrong)?;
    let count = |s: &str| s.trim().parse().ok().filter(|n| (4..=400).contains(n)).ok_or_else(wrong);
    let pitch_mm = pitch.trim().parse().ok().filter(|p: &f64| p.is_finite() && *p > 0.0).ok_or_else(wrong)?;
    Ok(Grid { columns: count(columns)?, rows: count(rows)?, pitch_mm })
}

pub fn run(args: &Args) -> Result<Outcome, Vec<Error>> {
    let one = |error: Error| vec![error];
    args.to.free().map_err(one)?;
    let profile = CaptureProfile::open(&args.profile).in_file(Path::new(&args.profile)).map_err(one)?;
    let Grid { columns, rows, pitch_mm } = args.grid;
    let (read, errors) = crate::error::all(args.frames.iter().map(|file| {
        let frame = super::read(file, &profile)?;
        if let Layout::Mosaic(_) = frame.layout {
            let fault = Fault::new("it is a raw mosaic", "give the camera's JPEG of the same lens, stop and distance");
            return Err(Error::new(file, fault));
        }
        let dots = grid::find(&grid::plane(&frame), columns, rows).in_file(file)?;
        Ok((frame.size, frame.settings, dots))
    }));
    if !errors.is_empty() {
        return Err(errors);
    }
    let sizes: Vec<_> = read.iter().map(|r| r.0).collect();
    grid::same_size(&sizes).map_err(|(k, fault)| one(Error::new(&args.frames[k], fault)))?;
    let settings = &read[0].1;
    let mut warnings: Vec<Warning> = profile.mismatch(settings).into_iter().collect();
    let dots: Vec<_> = read.iter().map(|r| r.2.clone()).collect();
    let found = lens::fit(&dots, columns, sizes[0]).in_file(&args.frames[0]).map_err(one)?;
    if found.rms_px > POOR {
        warnings.push(Warning::new(
            "grid-uneven",
            format!("{:.2} px are left over: the grid is not flat, not regular, or out of focus", found.rms_px),
        ));
    }
    if found.reach < REACH {
        warnings.push(Warning::new(
            "grid-reach",
            format!(
                "the dots reach {:.0} % of the way to the corners; beyond, the lens is drawn on",
                100.0 * found.reach
            ),
        ));
    }
    let before = profile.fit.clone().unwrap_or_default();
    let from = [before.from.clone(), Some(format!("a grid of {columns}×{rows} dots in {} frames", args.frames.len()))];
    let mut distortion = found.lens;
    distortion.k1 = significant(distortion.k1, 6);
    distortion.k2 = significant(distortion.k2, 6);
    distortion.centre = distortion.centre.map(|c| significant(c, 5));
    let made = CaptureProfile {
        name: args.to.name(),
        date: date(settings).or(profile.date),
        camera: camera(settings).or(profile.camera.clone()),
        lens: Some(distortion),
        others: args.to.others.clone().or(profile.others.clone()),
        fit: Some(Fit {
            from: Some(from.into_iter().flatten().collect::<Vec<_>>().join("; ")),
            lens_rms_px: Some(significant(found.rms_px, 3)),
            lens_sd: Some(found.sd.map(|s| significant(s, 3))),
            lens_frames: Some(Taking::of(settings, sizes[0])),
            ..before
        }),
        ..profile
    };
    args.to.write(&made).map_err(one)?;
    let px_per_mm = found.step_px / pitch_mm;
    let mut summary = format!(
        "{}: k1 {} ± {}, k2 {} ± {}, centre {}, {} half diagonals off the middle; {} px left over (rms); {} px a millimetre\n",
        args.to.to.display(),
        signed(found.lens.k1, 5),
        plain(found.sd[0], 5),
        signed(found.lens.k2, 5),
        plain(found.sd[1], 5),
        signed(found.lens.centre[0], 4),
        signed(found.lens.centre[1], 4),
        plain(found.rms_px, 3),
        plain(px_per_mm, 3)
    );
    warnings.iter().for_each(|w| summary.push_str(&format!("  {}: {}\n", w.code, w.message)));
    let json = serde_json::json!({
        "profile": args.to.to, "lens": distortion, "sd": found.sd, "rms_px": found.rms_px, "px_per_mm": px_per_mm,
        "reach": found.reach, "warnings": warnings,
    });
    Ok(Outcome { summary, json, ..Outcome::default() })
}
