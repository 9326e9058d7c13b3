//! `hyaline measure FILE …`: densities of patches, evenness, sharpness and sampling of pictures.

use super::{Common, Outcome};
use crate::archive::{self, read_record};
use crate::density::uncertainty::{Base, Shares};
use crate::error::{Error, Fault, InFile};
use crate::frame::CaptureProfile;
use crate::measure::{Findings, Length, Picture, Region, Request, findings, levels, page};
use crate::record::PlateRecord;
use crate::report::axis::plain;
use crate::report::words::signed;
use std::fmt::Write;
use std::path::{Path, PathBuf};

#[derive(Debug, clap::Args)]
#[command(group(clap::ArgGroup::new("what").required(true).multiple(true)))]
pub struct Args {
    /// Pictures to measure: negatives and positives that came out, or captures
    #[arg(required = true)]
    files: Vec<PathBuf>,
    /// Density of a patch; with =D, held against the density that it is known to have
    #[arg(long, value_name = "X,Y,W,H[=D]", group = "what", value_parser = patch)]
    patch: Vec<(Region, Option<f64>)>,
    /// Sharpness across a slanted edge (ISO 12233)
    #[arg(long, value_name = "X,Y,W,H", group = "what", value_parser = region)]
    edge: Vec<Region>,
    /// Evenness of a field that should be even; `all` is the whole picture
    #[arg(long, value_name = "X,Y,W,H", group = "what", value_parser = field)]
    field: Vec<Field>,
    /// Sampling, from two places in pixels and their distance in millimetres
    #[arg(long, value_name = "X1,Y1,X2,Y2=MM", group = "what", value_parser = length)]
    length: Vec<Length>,
    /// Places are in pixels, not in millimetres
    #[arg(long)]
    px: bool,
    /// Samples an inch, in place of what the file states
    #[arg(long, value_name = "N", value_parser = positive)]
    ppi: Option<f64>,
    /// Density of base plus fog to take off; without it that of the negative's record
    #[arg(long, value_name = "D", value_parser = number)]
    base: Option<f64>,
    /// How codes stand for light, where the file does not say that they are linear: a capture profile's name or path
    #[arg(long, value_name = "PROFILE", default_value = "srgb")]
    profile: String,
    /// Also write a page with plots
    #[arg(long, value_name = "FILE.html")]
    page: Option<PathBuf>,
}

/// A field to look at; none is the whole picture. (clap would take an Option for an argument that may be left out.)
#[derive(Debug, Clone, Copy)]
struct Field(Option<Region>);

fn number(text: &str) -> Result<f64, String> {
    text.trim().parse().ok().filter(|v: &f64| v.is_finite()).ok_or_else(|| format!("`{text}` is no number"))
}

fn positive(text: &str) -> Result<f64, String> {
    number(text).and_then(|v| if v > 0.0 { Ok(v) } else { Err(format!("{v} is not above 0")) })
}

fn region(text: &str) -> Result<Region, String> {
    text.parse().map_err(|fault: Fault| fault.to_string())
}

fn patch(text: &str) -> Result<(Region, Option<f64>), String> {
    match text.split_once('=') {
        Some((place, density)) => Ok((region(place)?, Some(number(density)?))),
        None => Ok((region(text)?, None)),
    }
}

fn field(text: &str) -> Result<Field, String> {
    if text == "all" { Ok(Field(None)) } else { region(text).map(|region| Field(Some(region))) }
}

fn length(text: &str) -> Result<Length, String> {
    let wrong = || format!("`{text}` is no length: give x1,y1,x2,y2=millimetres, such as 120,80,4120,80=100");
    let (places, mm) = text.split_once('=').ok_or_else(wrong)?;
    let places: Vec<f64> = places.split(',').map(number).collect::<Result<_, _>>().map_err(|_| wrong())?;
    match places[..] {
        [x1, y1, x2, y2] if [x1, y1] != [x2, y2] => Ok(Length { from: [x1, y1], to: [x2, y2], mm: positive(mm)? }),
        _ => Err(wrong()),
    }
}

/// Measures what it can; each file that cannot be measured is an error of its own.
pub fn run(args: &Args, _: &Common) -> Outcome {
    let profile = match CaptureProfile::open(&args.profile).in_file(Path::new(&args.profile)) {
        Ok(profile) => profile,
        Err(error) => return error.into(),
    };
    let (found, mut errors) = crate::error::all(args.files.iter().map(|file| {
        let found = one(file, args, &profile).in_file(file)?;
        Ok::<_, Error>((file.display().to_string(), found))
    }));
    if let Some(path) = &args.page
        && !found.is_empty()
        && let Err(error) = archive::atomic::write_whole(path, page::page(&found).as_bytes())
    {
        errors.push(error);
    }
    let json = found.iter().map(|(file, found)| {
        let mut json = serde_json::to_value(found).unwrap_or_default();
        json["file"] = file.as_str().into();
        json
    });
    let json = serde_json::json!({ "files": json.collect::<Vec<_>>(), "caution": levels::CAUTION });
    let text = found.iter().map(|(file, found)| text(file, found)).collect();
    Outcome { text, json, errors, ..Outcome::default() }
}

fn one(file: &Path, args: &Args, profile: &CaptureProfile) -> Result<Findings, Fault> {
    let told = told(file);
    // A result says itself what its values mean: a camera's profile was applied when it was made.
    let own = CaptureProfile::srgb();
    let profile = if matches!(told, Told::Nothing) { profile } else { &own };
    let picture = Picture::read(file, profile)?;
    let record = match told {
        Told::Negative(record) => Some(*record),
        Told::Positive | Told::Nothing => None,
    };
    let request = Request {
        in_pixels: args.px,
        ppi: args.ppi,
        base: match args.base {
            Some(density) => Some(Base { density, spread: 0.0, own: false }),
            None => record.as_ref().map(|record| record.base.stood()),
        },
        deepest: record.as_ref().and_then(|record| Some(record.density.deepest? + record.base.stands_on)),
        uncertainty: record.and_then(|record| record.uncertainty),
        patches: args.patch.clone(),
        edges: args.edge.clone(),
        fields: args.field.iter().map(|field| field.0).collect(),
        lengths: args.length.clone(),
    };
    findings::measure(&picture, &request)
}

/// What a file's own record makes of it.
enum Told {
    Negative(Box<PlateRecord>),
    Positive,
    Nothing,
}

/// By the record inside the file, or else by the one that lies beside a negative.
fn told(file: &Path) -> Told {
    match read_record(file) {
        Ok(carried) if carried.kind == "negative" => Told::Negative(Box::new(carried.record)),
        Ok(_) => Told::Positive,
        Err(_) => record_beside(file).map_or(Told::Nothing, |record| Told::Negative(Box::new(record))),
    }
}

fn record_beside(file: &Path) -> Option<PlateRecord> {
    let id = file.file_name()?.to_str()?.strip_suffix("-negative.tif")?.to_string();
    let text = std::fs::read(file.with_file_name(format!("{id}-record.json"))).ok()?;
    serde_json::from_slice(&text).ok()
}

/// The parts of an interval, each as half of its own.
fn made_of(chance: f64, parts: &Shares) -> String {
    let known =
        [("blank", parts.blank), ("exposure", parts.exposure), ("glare", parts.glare), ("response", parts.response)];
    let known = known.into_iter().filter_map(|(name, half)| Some((name, half?)));
    let all = std::iter::once(("noise", chance)).chain(known);
    all.map(|(name, half)| format!("{name} {}", plain(half, 4))).collect::<Vec<_>>().join(", ")
}

fn text(file: &str, found: &Findings) -> String {
    let mut out = format!("{file}\n");
    for p in &found.patches {
        let above = |(d, sure)| format!(", {} ± {} above base", plain(d, 3), plain(sure, 4));
        let net = p.net_density.zip(p.net_uncertainty).map(above).unwrap_or_default();
        let known = p.known.map(|known| format!(", {} off {}", signed(p.found.density - known, 3), plain(known, 3)));
        let _ = writeln!(
            out,
            "  patch {}: density {} ± {}{net}{}; spread {} D, noise {} D, {} L*",
            p.at,
            plain(p.found.density, 3),
            plain(p.uncertainty, 4),
            known.unwrap_or_default(),
            plain(p.found.spread_density, 4),
            plain(p.found.noise_density, 4),
            plain(p.found.noise_lstar, 2),
        );
        if let Some(parts) = &p.parts {
            let _ = writeln!(out, "    ± of it from {}", made_of(p.found.uncertainty, parts));
        }
        if p.found.clipped > 0.01 {
            let _ =
                writeln!(out, "    {} % of it is clipped: the figures are doubtful", plain(100.0 * p.found.clipped, 0));
        }
    }
    if !found.patches.is_empty() {
        let _ = writeln!(out, "  ± is half of a 95 % interval");
    }
    for lacking in &found.lacking {
        let _ = writeln!(out, "    not in it: {lacking}");
    }
    for e in &found.edges {
        let at = |name: &str, f: Option<f64>, per_mm: Option<f64>, percent: Option<f64>| match f.zip(percent) {
            Some((f, percent)) => {
                let per_mm = per_mm.map(|f| format!(", {} cycles/mm", plain(f, 1))).unwrap_or_default();
                format!("{name} {} cycles/px{per_mm}, {} % of half sampling", plain(f, 3), plain(percent, 0))
            }
            None => format!("{name} beyond 1 cycle/px"),
        };
        let _ = writeln!(
            out,
            "  edge {}: {}° off the pixels, peak {}",
            e.at,
            plain(e.found.angle, 1),
            plain(e.found.peak, 3)
        );
        let _ = writeln!(out, "    {}", at("SFR50", e.found.sfr50, e.sfr50_per_mm, e.sfr50_percent));
        let _ = writeln!(out, "    {}", at("SFR10", e.found.sfr10, e.sfr10_per_mm, e.sfr10_percent));
        if let Some(ppi) = e.effective_ppi {
            let _ = writeln!(out, "    resolves as much as {} perfect samples an inch", plain(ppi, 0));
        }
    }
    for f in &found.fields {
        let [range, rms, lightness] = [f.found.range, f.found.rms, f.found.lightness].map(|v| plain(100.0 * v, 2));
        let density = plain(f.found.density, 4);
        let _ = writeln!(out, "  field {}: {range} % of light ({density} D), {rms} % rms, {lightness} % of L*", f.at);
    }
    for l in &found.lengths {
        let off = l.off_percent.map(|p| format!(", {} % off what is stated", signed(p, 2))).unwrap_or_default();
        let _ = writeln!(
            out,
            "  length {} mm: {} px, {} samples an inch{off}",
            plain(l.mm, 2),
            plain(l.pixels, 1),
            plain(l.ppi, 1)
        );
    }
    if !found.standings.is_empty() {
        let _ = writeln!(out, "  against published levels (FADGI 2023; ISO 19264-1):");
        for s in &found.standings {
            let (stars, letter) = (s.fadgi.unwrap_or("–"), s.iso_19264.unwrap_or("–"));
            let _ = writeln!(out, "    {}: {} — {stars}; {letter} ({})", s.what, plain(s.value, 2), s.limits);
        }
        let _ = writeln!(out, "    {}", levels::CAUTION);
    }
    out
}
