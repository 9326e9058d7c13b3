//! One capture of a plate, or of part of it, as transmittance in the sensor's coordinates.
//!
//! In: the files of one view (one, or several copy exposures of it) and the session's [`Panel`]. Out: a [`View`] of the plate's light with
//! what is risky about it. Fails as decoding and division do, naming the file.

use crate::density::uncertainty::{Part, Uncertainty};
use crate::error::{Error, InFile, Warning};
use crate::frame::transfer::Transfer;
use crate::frame::{self, CaptureProfile, Frame, Samples, Settings};
use crate::image::{Image, Size};
use crate::light::exposures::{self, Exposed, Fitted};
use crate::light::{Seen, Veil, divide, steady};
use crate::panel::{Group, Panel, name};
use crate::record::Step;
use crate::report::light_jpeg;
use crate::units::{Linear, Transmittance};
use serde_json::json;
use std::path::{Path, PathBuf};

/// Long side of the small pictures of a capture.
const PICTURE: usize = 800;

/// A view of a plate or of a part of it.
pub struct Copied {
    pub transmittance: Image<Transmittance>,
    pub settings: Settings,
    pub format: String,
    pub exposure_ratio: f64,
    /// Whether the exposures of capture and blank are both known.
    pub exposure_known: bool,
    pub clipped: f64,
    /// Density against bare light at which one step of the file's codes is 0.05: what lies above cannot be told apart.
    pub deepest: Option<f64>,
    pub uncertainty: Uncertainty,
    pub blanks: Vec<PathBuf>,
    pub darks: Vec<PathBuf>,
    /// The capture as it came, small; empty where none was asked for.
    pub picture: Vec<u8>,
    pub warnings: Vec<Warning>,
    pub steps: Vec<Step>,
}

/// How a view is read.
struct Reading<'a> {
    profile: &'a CaptureProfile,
    panel: &'a Panel,
    veil: Option<&'a Veil>,
    /// Whether its small picture will be looked at.
    pictured: bool,
}

/// Reads one view and divides it by its blank; of several copy exposures, each by its own exposure's blank, then merged. `pictured`: with
/// a small picture of the capture as it came.
pub fn copied(files: &[PathBuf], profile: &CaptureProfile, panel: &Panel, pictured: bool) -> Result<Copied, Error> {
    view(files, None, &Reading { profile, panel, veil: panel.veil.as_ref(), pictured })
}

/// The same with a veil that was told by other views of the same set-up.
pub fn copied_under(files: &[PathBuf], profile: &CaptureProfile, panel: &Panel, veil: &Veil) -> Result<Copied, Error> {
    view(files, None, &Reading { profile, panel, veil: Some(veil), pictured: false })
}

/// The veil that a black mask in a capture shows: none where the notes or the profile tell the glare, where too little of a mask is seen, and
/// where light passes it. `mask`: pixels (row, column) well inside the mask.
pub fn veil_in(
    file: &Path,
    profile: &CaptureProfile,
    panel: &Panel,
    mask: &[(usize, usize)],
) -> Result<Option<Veil>, Error> {
    if panel.veil.is_some() || mask.len() < PLACES {
        return Ok(None);
    }
    let frame = frame::read(file, profile).in_file(file)?;
    if profile.for_camera(&frame.settings).correction.as_ref().is_some_and(|c| c.with_glare) {
        return Ok(None);
    }
    let group = panel.group_for(&frame).in_file(file)?;
    Ok(Veil::from_mask(&frame, &group.flat, group.dark.as_ref(), mask).ok())
}

/// `first`: the first file's frame, where it has been read.
fn view(files: &[PathBuf], first: Option<Frame>, how: &Reading) -> Result<Copied, Error> {
    let mut seen = divided(files, first, how)?;
    let profile = how.profile;
    seen.uncertainty.mean_light = round(seen.mean_light(), 4);
    let own = profile.for_camera(&seen.settings).into_owned();
    correct(&mut seen, &own);
    Ok(seen)
}

/// A view as it was read, of several exposures merged.
fn divided(files: &[PathBuf], first: Option<Frame>, how: &Reading) -> Result<Copied, Error> {
    let one = |(file, frame): (&PathBuf, Option<Frame>)| -> Result<(Copied, Option<Exposed>), Error> {
        let frame = frame.map_or_else(|| frame::read(file, how.profile).in_file(file), Ok)?;
        let profile = &*how.profile.for_camera(&frame.settings);
        let group = how.panel.group_for(&frame).in_file(file)?;
        let (seen, picture) = rayon::join(
            || divide(&frame, &group.flat, group.dark.as_ref(), how.veil).in_file(file),
            || if how.pictured { picture(&frame) } else { Vec::new() },
        );
        let seen = seen?;
        let tell = |seen: Seen| {
            let mut told = Copied { picture, ..tell(file, &frame, group, how.veil, profile, seen) };
            told.warnings.extend(profile.mismatch(&frame.settings));
            told
        };
        if files.len() == 1 {
            return Ok((tell(seen), None));
        }
        let empty = Seen { transmittance: Image::filled(Size::new(0, 0), Transmittance(0.0)), ..seen };
        let told = tell(empty.clone());
        let exposed = exposed(&frame, group, Seen { transmittance: seen.transmittance, ..empty });
        Ok((told, Some(exposed)))
    };
    let read = std::iter::once(first).chain(std::iter::repeat_with(|| None));
    let mut all = files.iter().zip(read).map(one).collect::<Result<Vec<_>, Error>>()?;
    // The longest exposure reaches deepest; the shortest one's settings stand for the view.
    let deepest = all.iter().filter_map(|(told, _)| told.deepest).reduce(f64::max);
    all.sort_by(|a, b| a.0.exposure_ratio.total_cmp(&b.0.exposure_ratio));
    let exposures: Vec<Exposed> = all.iter_mut().filter_map(|(_, e)| e.take()).collect();
    let warnings: Vec<Warning> = all.iter().flat_map(|(told, _)| told.warnings.iter().cloned()).collect();
    let (mut first, _) = all.swap_remove(0);
    if exposures.is_empty() {
        return Ok(first);
    }
    let (merged, fitted) = exposures::merge(exposures).in_file(&files[0])?;
    first.transmittance = merged.transmittance;
    first.deepest = deepest;
    first.warnings = warnings;
    first.warnings.dedup();
    let told = |f: &Fitted| {
        json!({ "nominal_ratio": round(f.nominal, 4), "fitted_ratio": round(f.fitted, 4),
                "shift_px": [round(f.shift_px.x, 3), round(f.shift_px.y, 3)] })
    };
    first.steps.push(Step::new(
        "merge-exposures",
        json!({ "against_the_next_shorter": fitted.iter().map(told).collect::<Vec<_>>() }),
    ));
    Ok(first)
}

/// Densities as the profile's step tablet corrects them.
fn correct(view: &mut Copied, profile: &CaptureProfile) {
    let Some(correction) = &profile.correction else { return };
    let deep = 10f64.powf(-correction.reach()) as f32;
    let sample = || view.transmittance.pixels().iter().step_by(101);
    let beyond = sample().filter(|t| t.0 < deep).count() as f64 / sample().count().max(1) as f64;
    correction.apply(&mut view.transmittance);
    view.deepest = view.deepest.map(|d| correction.at(d));
    view.steps.push(Step::new(
        "density-correction",
        json!({ "profile": profile.name, "reach": round(correction.reach(), 3), "share_beyond": round(beyond, 5),
                "at_1": round(correction.at(1.0) - 1.0, 4), "at_2": round(correction.at(2.0) - 2.0, 4) }),
    ));
}

/// What merging needs to know of one exposure.
fn exposed(frame: &Frame, group: &Group, seen: Seen) -> Exposed {
    const CELL: usize = 16;
    let ratio = seen.exposure_ratio as f32;
    let planes: Vec<Image<Linear>> = group.flat.planes.iter().map(|p| crate::image::reduced(p, CELL)).collect();
    let full = frame.saturation.iter().copied().fold(f32::INFINITY, f32::min);
    let light = Image::from_rows(planes[0].size(), 0f32, |row, out| {
        for (column, v) in out.iter_mut().enumerate() {
            *v = planes.iter().map(|p| p.at(row, column).0).fold(0.0, f32::max) * ratio / full;
        }
    });
    let read = match frame.samples {
        Samples::U8(_) => 3e-4,
        Samples::U16(_) => 1e-4,
    };
    Exposed { seen, light, cell: CELL, read }
}

/// Fewest places in a mask that a veil is read from.
const PLACES: usize = 200;

/// The same view once more, with the veil that a black mask in it shows taken off: none where the notes or the profile tell the glare, or where
/// too little of a mask is seen. `mask`: pixels (row, column) well inside the mask.
pub fn unveiled(
    files: &[PathBuf],
    profile: &CaptureProfile,
    panel: &Panel,
    mask: &[(usize, usize)],
) -> Result<Option<Copied>, Error> {
    if panel.veil.is_some() || mask.len() < PLACES {
        return Ok(None);
    }
    let file = &files[0];
    let frame = frame::read(file, profile).in_file(file)?;
    if profile.for_camera(&frame.settings).correction.as_ref().is_some_and(|c| c.with_glare) {
        return Ok(None);
    }
    let group = panel.group_for(&frame).in_file(file)?;
    // A mask that light passes is no measure of glare; the capture is then taken as it is.
    let Ok(veil) = Veil::from_mask(&frame, &group.flat, group.dark.as_ref(), mask) else { return Ok(None) };
    let how = Reading { profile, panel, veil: Some(&veil), pictured: true };
    view(files, Some(frame), &how).map(Some)
}

fn tell(
    file: &Path,
    frame: &Frame,
    group: &Group,
    veil: Option<&Veil>,
    profile: &CaptureProfile,
    seen: Seen,
) -> Copied {
    let mut warnings = frame.warnings.clone();
    // What is risky about the blanks is so about each plate that was divided by them.
    warnings.extend(group.warnings.iter().cloned());
    let blank_name = group.blanks.first().map(|b| name(b)).unwrap_or_default();
    warnings.extend(steady::settings(&blank_name, &group.flat.settings, &name(file), &frame.settings));
    let mut steps = vec![
        Step::new("decode", json!({ "format": frame.format, "size": [frame.size.columns, frame.size.rows] })),
        Step::new(
            "flat-field",
            json!({ "blanks": group.blanks.len(), "darks": group.darks.len(), "exposure_ratio": round(seen.exposure_ratio, 5),
                    "clipped_share": round(seen.clipped, 6) }),
        ),
    ];
    if let Some(veil) = veil {
        steps.push(Step::new("glare", json!({ "share": round(veil.share, 5) })));
    }
    if let Some(left) = seen.pattern_density {
        let balance = seen.balance.map(|b| b.map(|v| round(v as f64, 5)));
        steps.push(Step::new("filter-array", json!({ "balance": balance, "pattern_left_density": round(left, 5) })));
    }
    let exposure_known = frame.settings.exposure_ratio(&group.flat.settings).is_some();
    let uncertainty = uncertainty(frame, group, veil, profile);
    Copied {
        transmittance: seen.transmittance,
        settings: frame.settings.clone(),
        format: frame.format.clone(),
        exposure_ratio: seen.exposure_ratio,
        exposure_known,
        clipped: seen.clipped,
        deepest: deepest(frame, group, seen.exposure_ratio),
        uncertainty,
        blanks: group.blanks.clone(),
        darks: group.darks.clone(),
        picture: Vec::new(),
        warnings,
        steps,
    }
}

/// How sure the view's densities are; its mean light is not known yet.
fn uncertainty(frame: &Frame, group: &Group, veil: Option<&Veil>, profile: &CaptureProfile) -> Uncertainty {
    let with_glare = profile.correction.as_ref().is_some_and(|c| c.with_glare);
    let glare = match veil.map(|v| (v.sd, v.from)) {
        Some((Some(sd), from)) => Part::known(sd, from),
        Some((None, from)) => {
            Part::lacking(format!("{from} gave the share that was taken off, and not how sure it is"))
        }
        None if with_glare => Part::lacking(
            "the density correction holds that of its tablet's frame; how much that of the plate's differs is not known",
        ),
        None => Part::lacking("not measured: name an opaque patch in the notes, or copy in a black mask"),
    };
    let (response, response_at) = response(frame, group, profile);
    Uncertainty {
        blank: group.flat.noise_left(),
        exposure: group.flat.steadiness(&frame.settings),
        glare,
        mean_light: 1.0,
        response,
        response_at,
    }
}

/// How sure it is that codes stand for light as they are taken to: by the tablet or, without one, by the ladder.
fn response(frame: &Frame, group: &Group, profile: &CaptureProfile) -> (Part, Vec<[f64; 2]>) {
    let (name, fit) = (&profile.name, profile.fit.as_ref());
    let unsaid =
        |what: &str| Part::lacking(format!("the capture profile `{name}` does not say how sure its {what} is"));
    if let Some(correction) = &profile.correction {
        let at = correction.uncertainty(group.flat.unevenness());
        return match at.iter().map(|[_, sd]| *sd).reduce(f64::max) {
            Some(most) => (Part::known(most, format!("the step tablet of the capture profile `{name}`")), at),
            None => (unsaid("density correction"), at),
        };
    }
    let part = match &profile.transfer {
        _ if frame.is_linear() => {
            Part::lacking("light is taken to be in proportion to the file's values, which was not measured")
        }
        Transfer::Table(_) => {
            fit.and_then(|f| Some(f.response_sd_density?.hypot(f.response_rms_density?))).map_or_else(
                || unsaid("response"),
                |sd| Part::known(sd, format!("the exposure ladder of the capture profile `{name}`")),
            )
        }
        _ => Part::lacking("the file is taken to keep to sRGB, which was not measured: calibrate the camera"),
    };
    (part, Vec::new())
}

/// Where the steps of the file's own codes become 0.05 in density, over the blank's typical light.
fn deepest(frame: &Frame, group: &Group, exposure_ratio: f64) -> Option<f64> {
    const STEP: f64 = 0.05;
    let channel = frame.tables.len() / 2;
    let table = &frame.tables[channel];
    let codes = match frame.samples {
        Samples::U8(_) => 256,
        Samples::U16(_) => table.len(),
    };
    let plane = &group.flat.planes[group.flat.planes.len() / 2];
    let mut light: Vec<f32> = plane.pixels().iter().step_by(97).map(|v| v.0).collect();
    let middle = light.len() / 2;
    let blank = *light.select_nth_unstable_by(middle, f32::total_cmp).1 as f64 * exposure_ratio;
    let fine = |c: &usize| {
        let (low, high) = (table[*c] as f64, table[c + 1] as f64);
        low > 0.0 && high > low && (high / low).log10() <= STEP
    };
    let first = (1..codes - 1).find(fine)?;
    Some(-(table[first] as f64 / blank).log10())
}

/// The capture itself as a small picture, tones as in its light.
fn picture(frame: &Frame) -> Vec<u8> {
    let channel = frame.channels() / 2;
    light_jpeg(frame.size, PICTURE, 80, |row, out| frame.linear_row(row, channel, bytemuck::cast_slice_mut(out)))
}

/// To so many places, for records that people read.
pub fn round(value: f64, places: i32) -> f64 {
    let scale = 10f64.powi(places);
    (value * scale).round() / scale
}

impl Copied {
    pub fn size(&self) -> Size {
        self.transmittance.size()
    }

    /// Mean transmittance, from every hundredth pixel or so.
    pub fn mean_light(&self) -> f64 {
        let sample = self.transmittance.pixels().iter().step_by(101);
        sample.clone().map(|t| t.0 as f64).sum::<f64>() / sample.count().max(1) as f64
    }

    /// The picture's light once the blank is divided out, small.
    pub fn light_picture(&self) -> Vec<u8> {
        light_jpeg(self.size(), PICTURE, 80, |row, out| {
            out.copy_from_slice(bytemuck::cast_slice(self.transmittance.row(row)));
        })
    }
}
