//! `hyaline plan`: how to copy a plate of some size: tiles, steps, overlap, the sampling reached, and a drawing to print.

use super::Outcome;
use crate::archive;
use crate::error::{Error, Warning};
use crate::mosaic::optics::{self, Reach, Stop};
use crate::mosaic::plan::{self, Plan, Turn, Wanted};
use crate::notes::{PlateSize, sizes};
use crate::report::axis::plain;
use crate::report::template;
use std::fmt::Write;
use std::path::{Path, PathBuf};

#[derive(Debug, clap::Args)]
pub struct Args {
    /// The plate's size: a name of the size table, or its sides with their unit, as in 101x126mm
    #[arg(long, value_name = "SIZE", value_parser = plate)]
    plate: PlateSize,
    /// The camera's pixels, in either order
    #[arg(long, value_name = "WxH", value_parser = pixels)]
    pixels: Sensor,
    /// Samples an inch to reach; without it, what one frame gives and which grids reach what
    #[arg(long, value_name = "N", value_parser = |text: &str| within(text, 1.0, 100_000.0))]
    ppi: Option<f64>,
    /// Least share of a frame that neighbours both show
    #[arg(long, value_name = "SHARE", default_value = "30%", value_parser = overlap)]
    overlap: f64,
    /// Bare panel to see beyond each side of the plate
    #[arg(long, value_name = "MM", default_value_t = plan::MARGIN_MM, value_parser = |text: &str| within(text, 0.0, 200.0))]
    margin: f64,
    /// Blanks to make, before and after the plate together
    #[arg(long, value_name = "N", default_value_t = 6)]
    blanks: u16,
    /// From one pixel of the sensor to the next, micrometres: for the magnification and what the lens allows
    #[arg(long, value_name = "UM", value_parser = |text: &str| within(text, 0.1, 100.0))]
    pixel_um: Option<f64>,
    /// The lens's f-number, as engraved
    #[arg(long, value_name = "N", requires = "pixel_um", value_parser = |text: &str| within(text.trim_start_matches("f/"), 0.5, 512.0))]
    f_number: Option<f64>,
    /// The light's wavelength
    #[arg(long, value_name = "NM", default_value_t = optics::WAVELENGTH_NM, value_parser = |text: &str| within(text, 200.0, 2000.0))]
    wavelength: f64,
    /// Also draw the tiles in true size, to print
    #[arg(long, value_name = "FILE.svg")]
    svg: Option<PathBuf>,
}

/// A sensor's pixels, the longer side first.
#[derive(Debug, Clone, Copy)]
struct Sensor([u32; 2]);

fn plate(text: &str) -> Result<PlateSize, String> {
    sizes::parse(text).map_err(|fault| fault.mend().to_string())
}

fn pixels(text: &str) -> Result<Sensor, String> {
    const SIDES: std::ops::RangeInclusive<u32> = 100..=200_000;
    let wrong = || format!("give two sides from {} to {}, such as 4032x3024", SIDES.start(), SIDES.end());
    let (a, b) = text.split_once(['x', 'X', '×']).ok_or_else(wrong)?;
    let side = |text: &str| text.trim().parse().ok().filter(|side| SIDES.contains(side)).ok_or_else(wrong);
    let (a, b) = (side(a)?, side(b)?);
    Ok(Sensor([a.max(b), a.min(b)]))
}

fn within(text: &str, least: f64, most: f64) -> Result<f64, String> {
    let number = text.trim().parse().ok().filter(|number: &f64| (least..=most).contains(number));
    number.ok_or_else(|| format!("give a number from {least} to {most}"))
}

/// "30%" or "0.3"; "30" could mean either a percentage or a slip, and is not guessed at.
fn overlap(text: &str) -> Result<f64, String> {
    let number = |text: &str| text.trim().parse().ok().filter(|n: &f64| n.is_finite() && *n >= 0.0);
    let share = match text.trim().strip_suffix('%') {
        Some(percent) => number(percent).map(|percent| percent / 100.0),
        None => number(text).filter(|share| *share <= 1.0),
    };
    let share = share.ok_or("give a share such as 30% or 0.3")?;
    if share >= plan::OVERLAP_BELOW {
        let most = 100.0 * plan::OVERLAP_BELOW;
        return Err(format!("frames would hardly move: give less than {most:.0} %; a third is safe"));
    }
    Ok(share)
}

pub fn run(args: &Args) -> Outcome {
    let PlateSize { name, short_mm, long_mm } = &args.plate;
    let wanted = Wanted {
        plate_mm: [*long_mm, *short_mm],
        pixels: args.pixels.0,
        overlap: args.overlap,
        margin_mm: args.margin,
    };
    let chosen = match args.ppi.map_or_else(|| Ok(plan::single(&wanted)), |ppi| plan::reaching(&wanted, ppi)) {
        Ok(chosen) => chosen,
        Err(fault) => return Error::new(Path::new("plan"), fault).into(),
    };
    let told = Told { args, name, wanted, ladder: args.ppi.is_none().then(|| plan::ladder(&wanted)), plan: chosen };
    let mut outcome = Outcome { text: told.text(), json: told.json(), ..Outcome::default() };
    if let Some(path) = &args.svg {
        let drawing = template::svg(&told.plan, &wanted, name);
        match archive::atomic::write_whole(path, drawing.as_bytes()) {
            Ok(()) => {
                let [w, h] = template::size_mm(&told.plan, &wanted).map(|side| plain(side.ceil(), 0));
                let _ = writeln!(outcome.text, "\n  drawn in {}, {w} × {h} mm of paper", path.display());
                outcome.json["svg"] = path.display().to_string().into();
            }
            Err(error) => outcome.errors.push(error),
        }
    }
    outcome
}

/// What there is to tell.
struct Told<'a> {
    args: &'a Args,
    name: &'a str,
    wanted: Wanted,
    plan: Plan,
    /// Which grids reach what, where no sampling was asked for.
    ladder: Option<Vec<Plan>>,
}

/// Bytes of a file of so many 16-bit pixels.
fn bytes_16(pixels: [u64; 2]) -> u64 {
    pixels[0] * pixels[1] * 2
}

/// "270 MB", in powers of ten as drives are sold.
fn size(bytes: u64) -> String {
    let bytes = bytes as f64;
    if bytes >= 1e9 { format!("{} GB", plain(bytes / 1e9, 1)) } else { format!("{} MB", plain(bytes / 1e6, 0)) }
}

impl Told<'_> {
    fn reach(&self) -> Option<Reach> {
        let (f_number, pixel_um) = self.args.f_number.zip(self.args.pixel_um)?;
        let stop = Stop { f_number, pixel_um, wavelength_nm: self.args.wavelength };
        Some(optics::reach(&stop, self.plan.px_per_mm))
    }

    /// All frames, blanks included.
    fn frames(&self) -> usize {
        self.plan.tiles() + usize::from(self.args.blanks)
    }

    /// Bytes of all captures: two a pixel uncompressed, and half a byte as a camera's fine JPEG (a rule of thumb).
    fn captures(&self) -> [u64; 2] {
        let pixels = self.wanted.pixels.map(u64::from).iter().product::<u64>() * self.frames() as u64;
        [pixels * 2, pixels / 2]
    }

    fn warnings(&self) -> Vec<Warning> {
        /// Less than this is called low when the tiles are put together.
        const LOW_OVERLAP: f64 = 0.15;
        /// Contrast below which detail drowns in grain and noise.
        const FAINT: f64 = 0.2;
        let mut said = Vec::new();
        if self.plan.tiles() > 1 && self.wanted.overlap < LOW_OVERLAP {
            let percent = plain(100.0 * self.wanted.overlap, 0);
            let message =
                format!("tiles that overlap by {percent} % may not hold together; a third is safe, 15 % the least");
            said.push(Warning::new("low-overlap", message));
        }
        if let Some(reach) = self.reach().filter(|reach| reach.contrast_at_half_sampling < FAINT) {
            let left = plain(100.0 * reach.contrast_at_half_sampling, 0);
            let message = format!(
                "diffraction leaves {left} % of the contrast at half the sampling: the pixels are finer than the lens at this stop; open it, or ask for less"
            );
            said.push(Warning::new("lens-limits", message));
        }
        said
    }

    fn json(&self) -> serde_json::Value {
        let (plan, wanted) = (&self.plan, &self.wanted);
        let result = plan.result_pixels(wanted);
        let grid = |plan: &Plan| {
            serde_json::json!({ "columns": plan.columns, "rows": plan.rows, "tiles": plan.tiles(), "camera": plan.camera,
                "ppi": plan.ppi(), "px_per_mm": plan.px_per_mm, "field_mm": plan.field_mm })
        };
        let [raw, jpeg] = self.captures();
        let positions: Vec<_> = plan
            .middles_mm
            .iter()
            .enumerate()
            .map(|(k, at)| serde_json::json!({ "tile": k + 1, "x_mm": at.x, "y_mm": at.y }))
            .collect();
        let mut json = grid(plan);
        let more = serde_json::json!({
            "plate": { "name": self.name, "size_mm": wanted.plate_mm },
            "pixels": wanted.pixels,
            "asked": { "ppi": self.args.ppi, "overlap": wanted.overlap, "margin_mm": wanted.margin_mm },
            "step_mm": plan.step_mm,
            "overlap": plan.overlap,
            "half_sampling_per_mm": plan.half_sampling(),
            "magnification": self.args.pixel_um.map(|um| optics::magnification(plan.px_per_mm, um)),
            "lens": self.reach(),
            "frames": { "tiles": plan.tiles(), "blanks": self.args.blanks, "all": self.frames() },
            "result": { "pixels": result, "negative_bytes": bytes_16(result), "positive_bytes": bytes_16(result) },
            "captures": { "raw_bytes": raw, "jpeg_bytes": jpeg },
            "positions": positions,
            "grids": self.ladder.iter().flatten().map(grid).collect::<Vec<_>>(),
            "warnings": self.warnings(),
        });
        if let (Some(json), serde_json::Value::Object(more)) = (json.as_object_mut(), more) {
            json.extend(more);
        }
        json
    }

    fn text(&self) -> String {
        let (plan, wanted) = (&self.plan, &self.wanted);
        let [w, h] = wanted.plate_mm.map(|side| plain(side, 1));
        let [long, short] = wanted.pixels;
        let mut out = format!(
            "{}, {w} × {h} mm with {} mm beyond each side, by {long} × {short} pixels\n\n",
            self.name,
            plain(wanted.margin_mm, 1)
        );
        let mut say = |name: &str, words: String| {
            let _ = writeln!(out, "  {name:<15}{words}");
        };
        say("tiles", tiles(plan));
        let [ppi, px] = [plan.ppi().floor(), plan.px_per_mm];
        let asked = self.args.ppi.map(|asked| format!(" ({} asked)", plain(asked, 0))).unwrap_or_default();
        say("sampling", format!("{} per inch{asked}, {} px/mm", plain(ppi, 0), plain(px, 2)));
        say("half sampling", format!("{} cycles/mm: no finer detail can be told", plain(plan.half_sampling(), 1)));
        let both = |values: [f64; 2], decimals| values.map(|v| plain(v, decimals)).join(" × ");
        say("one tile", format!("{} mm", both(plan.field_mm, 1)));
        let directions = |of: &dyn Fn(usize) -> Option<String>| {
            let parts =
                [(0, "across"), (1, "down")].map(|(axis, name)| of(axis).map(|words| format!("{words} {name}")));
            parts.into_iter().flatten().collect::<Vec<_>>().join(", ")
        };
        if plan.tiles() > 1 {
            say("steps", directions(&|axis| plan.step_mm[axis].map(|step| format!("{} mm", plain(step, 1)))));
            let shared = |axis: usize| {
                let share = plan.overlap[axis]?;
                Some(format!("{} % ({} mm)", plain(100.0 * share, 0), plain(share * plan.field_mm[axis], 1)))
            };
            say("overlap", directions(&shared));
        }
        if let Some(um) = self.args.pixel_um {
            let m = optics::magnification(px, um);
            say("magnification", format!("{}, 1 : {}", plain(m, 3), plain(1.0 / m, 1)));
        }
        if let Some(reach) = self.reach() {
            let wavelength = plain(self.args.wavelength, 0);
            say("effective stop", format!("f/{}", plain(reach.effective_f_number, 1)));
            say(
                "diffraction",
                format!(
                    "at {wavelength} nm nothing passes beyond {} cycles/mm on the plate; {} % of contrast left at half sampling",
                    plain(reach.cutoff_per_mm, 1),
                    plain(100.0 * reach.contrast_at_half_sampling, 0)
                ),
            );
            say(
                "Airy radius",
                format!("{} µm, {} pixels", plain(reach.airy_radius_um, 2), plain(reach.airy_radius_px, 2)),
            );
            say("depth", format!("{} mm until a point blurs by a pixel", plain(reach.depth_of_field_mm, 2)));
        }
        say("frames", format!("{} with {} blanks", self.frames(), self.args.blanks));
        let [raw, jpeg] = self.captures();
        say("captures", format!("{} as 16-bit raw, about {} as JPEG", size(raw), size(jpeg)));
        let result = plan.result_pixels(wanted);
        let [columns, rows] = result.map(|side| plain(side as f64, 0));
        let file = size(bytes_16(result));
        say("results", format!("{columns} × {rows} pixels; negative and positive {file} each"));
        if let Some(ladder) = &self.ladder {
            out += &table(ladder);
        }
        for warning in self.warnings() {
            let _ = writeln!(out, "\n  {}: {}", warning.code, warning.message);
        }
        out
    }
}

/// The grid, and how the camera lies.
fn tiles(plan: &Plan) -> String {
    let camera = match plan.camera {
        Turn::Landscape => "landscape: its long side along the plate's long side",
        Turn::Portrait => "portrait: its long side along the plate's short side",
    };
    let count = match plan.tiles() {
        1 => "one frame".to_string(),
        tiles => format!("{tiles}, {} columns × {} rows", plan.columns, plan.rows),
    };
    format!("{count}; camera {camera}")
}

/// Which grids reach what; a figure of the table may be asked for with --ppi.
fn table(ladder: &[Plan]) -> String {
    let mut out = String::from("\n  tiles  columns × rows  camera      one tile, mm    per inch   px/mm\n");
    for plan in ladder {
        let camera = match plan.camera {
            Turn::Landscape => "landscape",
            Turn::Portrait => "portrait",
        };
        let field = plan.field_mm.map(|side| plain(side, 1)).join(" × ");
        let grid = format!("{} × {}", plan.columns, plan.rows);
        let [ppi, px] = [plain(plan.ppi().floor(), 0), plain(plan.px_per_mm, 2)];
        let _ = writeln!(out, "  {:>5}  {grid:>14}  {camera:<10}  {field:>13}  {ppi:>8}  {px:>6}", plan.tiles());
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use clap::Parser;

    /// The command line as `main` reads it.
    fn line(words: &str) -> Result<Args, String> {
        let words = ["hyaline", "plan"].into_iter().chain(words.split_whitespace());
        match crate::cli::Cli::try_parse_from(words).map_err(|e| e.to_string())?.command {
            crate::cli::Command::Plan(args) => Ok(args),
            other => panic!("{other:?}"),
        }
    }

    const WHOLE: &str = "--plate 8x10in --pixels 3024x4032";

    #[test]
    fn a_plan_is_told_for_people_and_for_programs() {
        let args = line(&format!("{WHOLE} --ppi 1200 --pixel-um 1.4 --f-number f/1.8")).unwrap();
        let outcome = run(&args);
        assert!(outcome.errors.is_empty());
        for part in [
            "24, 6 columns × 4 rows; camera portrait",
            "1299 per inch (1200 asked)",
            "41.4 mm across, 45.5 mm down",
            "30 with 6 blanks",
        ] {
            assert!(outcome.text.contains(part), "{part} is not in\n{}", outcome.text);
        }
        let json = &outcome.json;
        assert_eq!((&json["columns"], &json["rows"], &json["camera"]), (&6.into(), &4.into(), &"portrait".into()));
        assert_eq!(json["positions"].as_array().unwrap().len(), 24);
        // 12 994 × 10 395 pixels of two bytes; 30 frames of 4032 × 3024 pixels of two bytes.
        assert_eq!(json["result"]["negative_bytes"], 12_994u64 * 10_395 * 2);
        assert_eq!(json["captures"]["raw_bytes"], 30u64 * 4032 * 3024 * 2);
        let m = json["magnification"].as_f64().unwrap();
        assert!(
            (m - 51.1579 * 0.0014).abs() < 1e-6 && json["lens"]["cutoff_per_mm"].as_f64().unwrap() > 60.0,
            "{json}"
        );
    }

    #[test]
    fn without_a_sampling_the_grids_are_listed() {
        let outcome = run(&line(WHOLE).unwrap());
        assert!(outcome.text.contains("one frame; camera landscape") && outcome.text.contains("per inch   px/mm"));
        let grids = outcome.json["grids"].as_array().unwrap();
        assert!((5..=25).contains(&grids.len()), "{}", grids.len());
        assert_eq!(grids[0]["tiles"], 1);
    }

    #[test]
    fn wrong_lines_are_refused_with_what_to_write() {
        for (words, said) in [
            ("--plate half --pixels 4032x3024", "half plate (UK)"),
            ("--plate 9x12 --pixels 4032x3024", "9x12cm"),
            ("--plate 8x10in --pixels 12MP", "4032x3024"),
            ("--plate 8x10in --pixels 4032x3024 --overlap 95%", "less than 90 %"),
            ("--plate 8x10in --pixels 4032x3024 --overlap 30", "30% or 0.3"),
            ("--plate 8x10in --pixels 4032x3024 --overlap=-1%", "30% or 0.3"),
            ("--plate 8x10in --pixels 4032x3024 --ppi NaN", "from 1 to"),
            ("--plate 8x10in --pixels 4032x3024 --margin inf", "from 0 to"),
            ("--plate 8x10in --pixels 4032x3024 --f-number 8", "--pixel-um"),
        ] {
            let fault = line(words).unwrap_err();
            assert!(fault.contains(said), "{words}: {fault}");
        }
    }

    #[test]
    fn what_is_risky_or_beyond_reach_is_said() {
        let codes = |words: &str| {
            let outcome = run(&line(&format!("{WHOLE} {words}")).unwrap());
            outcome.json["warnings"].as_array().unwrap().iter().map(|w| w["code"].to_string()).collect::<Vec<_>>()
        };
        assert_eq!(codes("--ppi 1200 --overlap 10%"), ["\"low-overlap\""]);
        assert_eq!(codes("--ppi 1200 --pixel-um 1.4 --f-number 8"), ["\"lens-limits\""]);
        assert!(codes("--ppi 1200 --pixel-um 4.5 --f-number 5.6").is_empty());
        let beyond = run(&line(&format!("{WHOLE} --ppi 20000")).unwrap());
        assert!(beyond.errors[0].to_string().contains("beyond 60 tiles") && beyond.text.is_empty());
    }

    #[test]
    fn the_drawing_is_written_where_it_is_asked_for() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("tiles.svg");
        let outcome = run(&line(&format!("{WHOLE} --ppi 1200 --svg {}", file.display())).unwrap());
        assert!(outcome.errors.is_empty() && outcome.text.contains("282 × 252 mm of paper"), "{}", outcome.text);
        assert!(std::fs::read_to_string(&file).unwrap().starts_with("<?xml"));
        // A file cannot hold another.
        let nowhere = file.join("tiles.svg");
        let outcome = run(&line(&format!("{WHOLE} --svg {}", nowhere.display())).unwrap());
        assert_eq!((outcome.errors.len(), outcome.text.is_empty()), (1, false));
    }
}
