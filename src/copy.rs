//! One capture of a plate, or of part of it, as transmittance in the sensor's coordinates.
//!
//! In: the files of one view (one, or several copy exposures of it) and the session's [`Panel`]. Out: a [`View`] of the plate's light with
//! what is risky about it. Fails as decoding and division do, naming the file.

use crate::density::deepest::{self, Deepest};
use crate::density::uncertainty::{Part, Uncertainty};
use crate::error::{Error, InFile, Warning};
use crate::frame::transfer::Transfer;
use crate::frame::{self, CaptureProfile, Frame, Layout, NoiseModel, Samples, Settings};
use crate::image::{Image, Size};
use crate::light::exposures::{self, Exposed, Fitted};
use crate::light::glare::{USUAL_GLARE, Veils};
use crate::light::lateral::{self, Shift};
use crate::light::{Seen, Veil, blank, divide, scene, shading, steady};
use crate::panel::{Group, Panel, name};
use crate::record::Step;
use crate::report::light_jpeg;
use crate::units::{Linear, Transmittance};
use serde_json::json;
use std::path::{Path, PathBuf};

/// Long side of the small pictures of a capture.
const PICTURE: usize = 800;

/// Share of full samples in a view's shortest exposure from which on its mean light is too low to tell the glare by.
const CLIPPED: f64 = 0.005;

/// Share of full scale that the brightest hundredth of a plate's capture should reach: clear rebate, density 0.15, exposed two stops below
/// what it could be.
const LEAST_REACHED: f64 = 0.2;

/// Share of full scale up to which a capture may be exposed with nothing near clipping.
const FULL_ENOUGH: f64 = 0.8;

/// Pixels that an exposure may lie off the next shorter one before it is said.
const UNALIGNED_PX: f64 = 0.5;

/// A view of a plate or of a part of it.
pub struct Copied {
    pub transmittance: Image<Transmittance>,
    pub settings: Settings,
    pub format: String,
    pub exposure_ratio: f64,
    /// Whether the exposures of capture and blank are both known.
    pub exposure_known: bool,
    pub clipped: f64,
    /// Light that the brightest hundredth of the longest exposure reaches, as a share of full scale.
    pub reached: f64,
    /// Density against bare light up to which codes, noise and glare let it be trusted.
    pub deepest: Deepest,
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
    /// Whether its small picture will be looked at.
    pictured: bool,
}

/// One exposure of a view as it was read.
struct Shot<'a> {
    file: &'a PathBuf,
    frame: Frame,
    group: &'a Group,
    /// Mean light of each channel, were nothing full.
    mean_light: Vec<f64>,
}

/// The frames of one view, as its files hold them.
pub fn frames(files: &[PathBuf], profile: &CaptureProfile) -> Result<Vec<Frame>, Error> {
    files.iter().map(|file| frame::read(file, profile).in_file(file)).collect()
}

/// Divides one view by its blank; of several copy exposures, each by its own exposure's blank, then merged. `frames`: those of `files`.
/// `pictured`: with a small picture of the capture as it came.
pub fn copied(
    files: &[PathBuf],
    frames: Vec<Frame>,
    profile: &CaptureProfile,
    panel: &Panel,
    pictured: bool,
) -> Result<Copied, Error> {
    let how = Reading { profile, panel, pictured };
    let shots = shots(files, frames, &how)?;
    let veil = panel.veil_for(&shots[0].frame.settings, profile);
    view(shots, veil, &how)
}

/// The same with a veil that was told by other views of the same set-up.
pub fn copied_under(files: &[PathBuf], profile: &CaptureProfile, panel: &Panel, veil: Veil) -> Result<Copied, Error> {
    let how = Reading { profile, panel, pictured: false };
    view(shots(files, frames(files, profile)?, &how)?, Ok(veil), &how)
}

/// The veil that a black mask in a view shows: none where the notes or the profile tell the glare, where too little of a mask is seen, and
/// where light passes it. `mask`: pixels (row, column) of the view, which are the shortest exposure's, well inside the mask.
pub fn veil_in(
    files: &[PathBuf],
    profile: &CaptureProfile,
    panel: &Panel,
    mask: &[(usize, usize)],
) -> Result<Option<Veil>, Error> {
    if mask.len() < PLACES {
        return Ok(None);
    }
    let how = Reading { profile, panel, pictured: false };
    Ok(veil_of(&shots(files, frames(files, profile)?, &how)?[0], mask, &how))
}

/// The veil that the mask in one exposure shows. A mask that light passes is no measure of glare; the capture is then taken as it is.
fn veil_of(shot: &Shot, mask: &[(usize, usize)], how: &Reading) -> Option<Veil> {
    let Shot { frame, group, .. } = shot;
    let corrected = how.profile.for_camera(&frame.settings).correction.as_ref().is_some_and(|c| c.with_glare);
    if corrected || how.panel.veil_for(&frame.settings, how.profile).is_ok() {
        return None;
    }
    Veil::from_mask(frame, &group.flat, group.dark.as_ref(), mask).ok()
}

/// The exposures of a view, shortest first.
fn shots<'a>(files: &'a [PathBuf], frames: Vec<Frame>, how: &Reading<'a>) -> Result<Vec<Shot<'a>>, Error> {
    let order = scene::by_exposure(&frames.iter().collect::<Vec<_>>());
    let group = |k: usize| how.panel.group_for(&frames[k]).in_file(&files[k]);
    let groups = order.iter().map(|k| group(*k)).collect::<Result<Vec<_>, Error>>()?;
    let ordered: Vec<&Frame> = order.iter().map(|k| &frames[*k]).collect();
    let means = scene::mean_lights(&ordered, groups[0].dark.as_ref());
    let mut frames: Vec<Option<Frame>> = frames.into_iter().map(Some).collect();
    let told = order.into_iter().zip(groups).zip(means);
    let shot = |((k, group), mean_light): ((usize, _), _)| {
        Some(Shot { file: &files[k], frame: frames[k].take()?, group, mean_light })
    };
    Ok(told.filter_map(shot).collect())
}

/// `veil`: the glare to take off, or why it is not known.
fn view(shots: Vec<Shot>, veil: Result<Veil, &str>, how: &Reading) -> Result<Copied, Error> {
    let own = how.profile.for_camera(&shots[0].frame.settings).into_owned();
    let mut seen = divided(shots, veil, how)?;
    seen.uncertainty.mean_light = round(seen.mean_light(), 4);
    let with_glare = own.correction.as_ref().is_some_and(|c| c.with_glare);
    if !with_glare {
        let sd = veil.ok().and_then(|veil| veil.sd).unwrap_or(USUAL_GLARE);
        seen.deepest.glare = deepest::by_glare(sd, seen.mean_light());
    }
    if veil.is_ok() && seen.clipped > CLIPPED {
        seen.warnings.push(Warning::new(
            "glare-clipped",
            format!(
                "{:.1} % of the capture is at full scale: its mean light, and with it the glare that is taken off, comes out too low, and \
                 dense parts read too thin; expose less, or add a shorter copy exposure",
                100.0 * seen.clipped
            ),
        ));
    }
    correct(&mut seen, &own);
    Ok(seen)
}

/// A view as it was read, of several exposures merged.
fn divided(shots: Vec<Shot>, veil: Result<Veil, &str>, how: &Reading) -> Result<Copied, Error> {
    let several = shots.len() > 1;
    let files: Vec<&PathBuf> = shots.iter().map(|shot| shot.file).collect();
    let one = |shot: Shot| -> Result<(Copied, Option<Exposed>), Error> {
        let (file, frame, group) = (shot.file, &shot.frame, shot.group);
        let veils = veil.ok().map(|veil| veil.over(&shot.mean_light, &group.flat));
        let (seen, picture) = rayon::join(
            || divide(frame, &group.flat, group.dark.as_ref(), veils.as_ref()).in_file(file),
            || if how.pictured { picture(frame) } else { Vec::new() },
        );
        let seen = seen?;
        let tell = |seen: Seen| Copied { picture, ..tell(&shot, veil, veils.as_ref(), how.profile, seen) };
        if !several {
            return Ok((tell(seen), None));
        }
        let empty = Seen { transmittance: Image::filled(Size::new(0, 0), Transmittance(0.0)), ..seen };
        let told = tell(empty.clone());
        let exposed = exposed(frame, group, Seen { transmittance: seen.transmittance, ..empty });
        Ok((told, Some(exposed)))
    };
    let mut all = shots.into_iter().map(one).collect::<Result<Vec<_>, Error>>()?;
    let deepest = all.iter().map(|(told, _)| told.deepest).reduce(Deepest::or_deeper).unwrap_or_default();
    let reached = all.iter().map(|(told, _)| told.reached).fold(0.0, f64::max);
    let exposures: Vec<Exposed> = all.iter_mut().filter_map(|(_, e)| e.take()).collect();
    let warnings: Vec<Warning> = all.iter().flat_map(|(told, _)| told.warnings.iter().cloned()).collect();
    // The shortest one's settings stand for the view.
    let (mut first, _) = all.swap_remove(0);
    if exposures.is_empty() {
        return Ok(first);
    }
    let (merged, fitted) = exposures::merge(exposures).map_err(|(k, fault)| Error::new(files[k], fault))?;
    first.transmittance = merged.transmittance;
    first.deepest = deepest;
    first.reached = reached;
    first.uncertainty.ratio = Some(ratios(&fitted));
    first.warnings = warnings;
    first.warnings.extend(files[1..].iter().zip(&fitted).filter_map(|(file, fitted)| unaligned(file, fitted)));
    first.warnings.dedup();
    let told = |f: &Fitted| {
        json!({ "nominal_ratio": round(f.nominal, 4), "fitted_ratio": round(f.fitted, 4),
                "ratio_sd_density": f.sd.map(|sd| round(sd, 5)),
                "shift_px": [round(f.motion.shift_px.x, 3), round(f.motion.shift_px.y, 3)],
                "turn_deg": round(f.motion.turn.to_degrees(), 4), "scale": round(f.motion.scale, 6),
                "left_px": f.left_px.map(|px| round(px, 3)) })
    };
    first.steps.push(Step::new(
        Step::MERGE_EXPOSURES,
        json!({ "against_the_next_shorter": fitted.iter().map(told).collect::<Vec<_>>() }),
    ));
    Ok(first)
}

/// How sure the ratios between exposures are together; lacking where one could not be fitted.
fn ratios(fitted: &[Fitted]) -> Part {
    let squares: Option<f64> = fitted.iter().map(|f| f.sd.map(|sd| sd * sd)).sum();
    match squares {
        Some(sum) => Part::known(sum.sqrt(), format!("what {} exposures see alike", fitted.len() + 1)),
        None => {
            Part::lacking("too little is seen well by two exposures: the ratio that their settings state was taken")
        }
    }
}

/// Light that the brightest hundredth reaches in the channel that is nearest to full.
fn reached(frame: &Frame) -> f64 {
    const SHARE: f64 = 0.01;
    let full = |c: usize| frame.saturation[c.min(frame.saturation.len() - 1)];
    (0..frame.channels()).map(|c| (blank::reached(frame, c, SHARE) / full(c)) as f64).fold(0.0, f64::max)
}

/// Says that a plate's captures could have had much more light: `reached` is the brightest hundredth's of its best exposed capture.
pub fn under_exposed(reached: f64) -> Option<Warning> {
    (reached < LEAST_REACHED).then(|| {
        let stops = -(reached.max(1e-6) / FULL_ENOUGH).log2();
        Warning::new(
            "under-exposed",
            format!(
                "the brightest part of the capture reaches {:.1} % of full scale: codes and noise are coarser than they need be; expose {stops:.1} \
                 stops more, and let the exposure time be the only difference from the blanks",
                100.0 * reached
            ),
        )
    })
}

/// Says that no balance of the filter array's places fits all of a plate.
fn stained(left: f64) -> Warning {
    Warning::new(
        "filter-pattern",
        format!(
            "the plate's colour changes from place to place: red, green and blue photosites read up to {left:.3} apart; each was weighted into its \
             neighbours, which costs sharpness; look for stain or fog, and for coloured light that the blanks did not have"
        ),
    )
}

/// Says that a camera's file has lost what the camera wrote of itself.
fn stripped(file: &Path, frame: &Frame) -> Option<Warning> {
    let Settings { make, model, exposure_s, taken, .. } = &frame.settings;
    let told = make.is_some() || model.is_some() || exposure_s.is_some() || taken.is_some();
    (!told && frame.lossy()).then(|| {
        Warning::new(
            "exif-missing",
            format!(
                "{} says nothing of its camera and exposure: it may not be the file that the camera wrote, since messengers and editors strip \
                 it and make it smaller; copy the original over",
                name(file)
            ),
        )
    })
}

fn unaligned(file: &Path, fitted: &Fitted) -> Option<Warning> {
    let left = fitted.left_px.filter(|left| *left > UNALIGNED_PX)?;
    Some(Warning::new(
        "exposures-unaligned",
        format!(
            "{} lies {left:.1} pixels off the next shorter exposure even where it was laid to fit: dense parts lose sharpness; keep plate \
             and camera still between exposures",
            name(file)
        ),
    ))
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
    Exposed { seen, light, cell: CELL, read: read_noise(frame), from: None }
}

/// Standard deviation of read noise and of the codes' steps in the dark, as a share of full scale: common practice, where the file does
/// not say.
fn read_noise(frame: &Frame) -> f32 {
    match frame.samples {
        Samples::U8(_) => 3e-4,
        Samples::U16(_) => 1e-4,
    }
}

/// Fewest places in a mask that a veil is read from.
const PLACES: usize = 200;

/// The same view once more, with the veil that a black mask in it shows taken off: none where the notes or the profile tell the glare, or where
/// too little of a mask is seen. `mask`: pixels (row, column) of the view, which are the shortest exposure's, well inside the mask.
pub fn unveiled(
    files: &[PathBuf],
    profile: &CaptureProfile,
    panel: &Panel,
    mask: &[(usize, usize)],
) -> Result<Option<Copied>, Error> {
    if mask.len() < PLACES {
        return Ok(None);
    }
    let how = Reading { profile, panel, pictured: true };
    let shots = shots(files, frames(files, profile)?, &how)?;
    let Some(veil) = veil_of(&shots[0], mask, &how) else { return Ok(None) };
    view(shots, Ok(veil), &how).map(Some)
}

/// What is told of one exposure. `veils`: what was taken off it as glare.
fn tell(shot: &Shot, veil: Result<Veil, &str>, veils: Option<&Veils>, profile: &CaptureProfile, seen: Seen) -> Copied {
    let Shot { file, frame, group, .. } = shot;
    let profile = &*profile.for_camera(&frame.settings);
    let mut warnings = frame.warnings.clone();
    // What is risky about the blanks is so about each plate that was divided by them.
    warnings.extend(group.warnings.iter().cloned());
    let blank_name = group.blanks.first().map(|b| name(b)).unwrap_or_default();
    warnings.extend(steady::settings(&blank_name, &group.flat.settings, &name(file), &frame.settings));
    warnings.extend(profile.mismatch(&frame.settings));
    warnings.extend(steady::processed(&name(file), &frame.settings));
    warnings.extend(stripped(file, frame));
    warnings.extend(profile.strays(&frame.settings, frame.size));
    let mut steps = vec![
        Step::new("decode", json!({ "format": frame.format, "size": [frame.size.columns, frame.size.rows] })),
        Step::new(
            "flat-field",
            json!({ "blanks": group.blanks.len(), "darks": group.darks.len(), "exposure_ratio": round(seen.exposure_ratio, 5),
                    "clipped_share": round(seen.clipped, 6) }),
        ),
    ];
    if let Ok(veil) = veil {
        steps.push(Step::new("glare", json!({ "share": round(veil.share, 5) })));
    }
    if let Some(pattern) = &seen.pattern {
        let balance = |(density, factors): &(f32, [f32; 4])| json!({ "density": round(f64::from(*density), 3), "factors": factors.map(|f| round(f64::from(f), 5)) });
        let balance: Vec<_> = pattern.balance.iter().map(balance).collect();
        steps.push(Step::new(
            "filter-array",
            json!({ "balance": balance, "pattern_left_density": round(pattern.left, 5), "weighted": pattern.weighted }),
        ));
        warnings.extend(pattern.weighted.then(|| stained(pattern.left)));
    }
    let maps = frame.raw.as_ref().map_or(&[][..], |raw| &raw.gain_maps);
    if let Some(differ) = shading::differ(&group.gain_maps, maps) {
        steps.push(Step::new("shading-maps", json!({ "applied": false, "differ_density": round(differ, 4) })));
    }
    if let Some(lateral) = &seen.lateral {
        let px = |shift: Option<Shift>| {
            shift.map(
                |s| json!({ "px": round(s.px, 2), "sd_px": round(s.sd_px, 3), "radius_px": round(s.radius_px, 0) }),
            )
        };
        steps.push(Step::new(
            "lateral-colour",
            json!({ "red": px(lateral.red), "blue": px(lateral.blue), "mended": lateral.off() }),
        ));
        let done = if frame.layout == Layout::Rgb { lateral::ALONE } else { lateral::UNDONE };
        warnings.extend(lateral.warning(&name(file), done));
    }
    let exposure_known = frame.settings.exposure_ratio(&group.flat.settings).is_some();
    Copied {
        transmittance: seen.transmittance,
        settings: frame.settings.clone(),
        format: frame.format.clone(),
        exposure_ratio: seen.exposure_ratio,
        exposure_known,
        clipped: seen.clipped,
        reached: reached(frame),
        deepest: deepest_of(frame, group, veils, seen.exposure_ratio),
        uncertainty: uncertainty(frame, group, veil, profile),
        blanks: group.blanks.clone(),
        darks: group.darks.clone(),
        picture: Vec::new(),
        warnings,
        steps,
    }
}

/// How sure the view's densities are; its mean light is not known yet.
fn uncertainty(frame: &Frame, group: &Group, veil: Result<Veil, &str>, profile: &CaptureProfile) -> Uncertainty {
    let glare = match veil {
        Ok(Veil { sd: Some(sd), from, .. }) => Part::known(sd, from),
        Ok(Veil { sd: None, from, .. }) => {
            Part::lacking(format!("{from} gave the share that was taken off, and not how sure it is"))
        }
        Err(why) => Part::lacking(why),
    };
    let (response, response_at) = response(frame, group, profile);
    Uncertainty {
        blank: group.flat.noise_left(),
        exposure: group.flat.steadiness(&frame.settings),
        ratio: None,
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

/// How deep codes and noise of one exposure reach, over the blank's typical light; what glare allows depends on the whole view.
fn deepest_of(frame: &Frame, group: &Group, veils: Option<&Veils>, exposure_ratio: f64) -> Deepest {
    let table = &frame.tables[frame.tables.len() / 2];
    let codes = match frame.samples {
        Samples::U8(_) => 256,
        Samples::U16(_) => table.len(),
    };
    let middle = group.flat.planes.len() / 2;
    let mut light: Vec<f32> = group.flat.planes[middle].pixels().iter().step_by(97).map(|v| v.0).collect();
    let half = light.len() / 2;
    let bare = *light.select_nth_unstable_by(half, f32::total_cmp).1 as f64 * exposure_ratio;
    let veil = veils.map_or(0.0, |v| v.frame[middle] as f64);
    Deepest {
        codes: deepest::by_codes(&table[..codes], bare, veil),
        noise: deepest::by_noise(&noise(frame, group, bare / exposure_ratio), bare, veil),
        glare: None,
    }
}

/// Noise of a pixel of the frame, all channels together: as its file says, else all that the blanks show at their light `lit` taken to be shot
/// noise.
fn noise(frame: &Frame, group: &Group, lit: f64) -> NoiseModel {
    let model = frame.noise.unwrap_or_else(|| {
        let share = group.flat.noise * (group.flat.levels.len() as f64).sqrt();
        NoiseModel { shot: share * share * lit, read: f64::from(read_noise(frame)).powi(2) }
    });
    // A lossy file's channels share their luma, and with it their noise.
    let channels = if frame.coarse_colour() { 1.0 } else { frame.channels() as f64 };
    NoiseModel { shot: model.shot / channels, read: model.read / channels }
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::demo::encode::{self, Shot as Marks};
    use crate::light::FlatField;
    use crate::light::registration::Motion;

    const SIZE: Size = Size { rows: 240, columns: 360 };
    const LIT: f32 = 0.7;

    /// Light at the short exposure: a mask down the left side, density 2.3, density 1 with some texture, and a clear part.
    fn scene(row: usize, column: usize) -> f32 {
        let wave = 1.0 + 0.4 * (row as f32 * 0.3).sin() * (column as f32 * 0.23).cos();
        LIT * match column {
            ..90 => 0.0,
            90..150 => 10f32.powf(-2.3),
            150..270 => 0.1 * wave,
            _ => 0.7,
        }
    }

    /// A file of the scene, or of the bare panel, under a veil of 1 % of its mean light.
    fn written(folder: &std::path::Path, name: &str, time_s: f64, light: impl Fn(usize, usize) -> f32) -> PathBuf {
        let places = || (0..SIZE.area()).map(|i| light(i / SIZE.columns, i % SIZE.columns));
        let veil = 0.01 * places().sum::<f32>() / SIZE.area() as f32;
        let samples: Vec<f32> = places().map(|v| ((v + veil) * time_s as f32 * 10.0).min(1.0)).collect();
        let marks = Marks {
            model: "Copy One".into(),
            lens: "a lens".into(),
            time_s,
            f_number: 4.0,
            iso: 100,
            focal_mm: 50.0,
            focal_35mm: 50,
            taken: "2026:03:15 10:00:00".into(),
            orientation: 1,
        };
        let path = folder.join(name);
        std::fs::write(&path, encode::tiff(&samples, SIZE, &marks).unwrap()).unwrap();
        path
    }

    #[test]
    fn an_exposure_that_lies_off_the_others_is_said_with_its_name() {
        let fitted = |left_px| Fitted { nominal: 8.0, fitted: 8.0, sd: None, motion: Motion::NONE, left_px };
        let said = unaligned(Path::new("captures/k01-long.tif"), &fitted(Some(0.8))).unwrap();
        assert!(
            said.code == "exposures-unaligned" && said.message.contains("k01-long.tif lies 0.8 pixels"),
            "{said:?}"
        );
        assert_eq!([None, Some(0.3)].map(|left| unaligned(Path::new("a.tif"), &fitted(left))), [None, None]);
        assert_eq!(ratios(&[fitted(None)]).sd, None);
    }

    /// Two exposures, the longer full in the clear part: whichever is listed first, the mask gives the veil from the shorter, and density 2.3 comes
    /// back to 0.005 (a share of 1 % that is 0.0001 off moves it by 0.002).
    #[test]
    fn the_order_in_which_exposures_are_listed_does_not_matter() {
        let folder = tempfile::tempdir().unwrap();
        let short = written(folder.path(), "short.tif", 0.1, scene);
        let long = written(folder.path(), "long.tif", 0.8, scene);
        let blank = written(folder.path(), "blank.tif", 0.1, |_, _| LIT);
        let profile = CaptureProfile::linear();
        let blank = frame::read(&blank, &profile).unwrap();
        let flat = FlatField::from_frames(&[&blank], None);
        let (blanks, darks, gain_maps, warnings) = (Vec::new(), Vec::new(), Vec::new(), Vec::new());
        let group = Group { flat, dark: None, blanks, darks, gain_maps, warnings };
        let panel = Panel { groups: vec![group], ..Panel::default() };
        let mask: Vec<_> = (20..220).flat_map(|row| (10..80).map(move |column| (row, column))).collect();
        let read = |files: &[&PathBuf]| {
            let files: Vec<PathBuf> = files.iter().map(|f| f.to_path_buf()).collect();
            unveiled(&files, &profile, &panel, &mask).unwrap().unwrap()
        };
        let (one, other) = (read(&[&short, &long]), read(&[&long, &short]));
        assert_eq!(one.transmittance.pixels(), other.transmittance.pixels());
        assert_eq!((one.deepest, &one.uncertainty), (other.deepest, &other.uncertainty));
        let mean = (60..180).flat_map(|row| (105..135).map(move |column| (row, column)));
        let dense =
            mean.clone().map(|(row, column)| one.transmittance.at(row, column).0).sum::<f32>() / mean.count() as f32;
        assert!((dense.log10() + 2.3).abs() < 0.005, "{}", dense.log10());
    }
}
