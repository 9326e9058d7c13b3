//! HEIC frames: HEVC pictures of 8 to 12 bits in a HEIF container, whole or as a grid, as phones and cameras write them.
//!
//! In: the file. Out: a [`Frame`] of 16-bit codes in gray or RGB, in the sensor's own coordinates: the container's turn and mirror
//! are not done, since they tell how the camera was held; its crop is, since what lies beyond was made up to fill a block. Fails on
//! pictures that are not HEVC, on sequences, on codes for HDR displays (unless a measured profile says what they mean), on
//! damage, and on sizes beyond the limits. HDR gain maps are left alone and said.
//!
//! ISO/IEC 23008-12 (HEIF), ISO/IEC 23000-22 (MIAF), its codes by ITU-T H.273; decoding and the matrix by `heic-decoder`.

mod boxes;
#[cfg(test)]
mod tests;

use super::dng::samples::cropped;
use super::limits::{admit, damaged};
use super::transfer::{Embedded, Transfer, embedded};
use super::{CaptureProfile, Frame, Layout, Samples, Settings, exif};
use crate::error::{Fault, Warning};
use crate::image::{Size, Window};
use boxes::Boxes;
use heic_decoder::{ColorInfo, DecodeOptions, HeifError, ImageInfo, Metadata, RgbOptions};

/// Pixels that one byte can stand for at most: HEVC's largest block has 64 × 64 and takes more than a bit.
const MAX_PIXELS_A_BYTE: u64 = 8 * 64 * 64;

/// Largest number of bytes that a decoder may copy together, for each byte of the file: coded parts are used once.
const MAX_COPIES: u64 = 8;

const MEND: &str = "set the camera to JPEG (\"most compatible\") or raw";

pub fn dimensions(bytes: &[u8]) -> Result<Size, Fault> {
    Ok(header(bytes)?.window.size)
}

pub fn settings(bytes: &[u8]) -> Result<Settings, Fault> {
    header(bytes)?;
    Ok(said(&heic_decoder::read_metadata(bytes).map_err(fault)?))
}

pub fn read(bytes: &[u8], profile: &CaptureProfile) -> Result<Frame, Fault> {
    let header = header(bytes)?;
    let picture = heic_decoder::decode_with(bytes, &DecodeOptions { apply_transforms: false }).map_err(fault)?;
    if (picture.width, picture.height) != (header.coded.columns, header.coded.rows) {
        return Err(damaged("its picture is not of the size that it declares"));
    }
    let (transfer, mut warnings) = transfer(profile, &picture.metadata, picture.color_info)?;
    let colour = colour(picture.color_info);
    let rgb =
        picture.to_rgb16_with_options(&RgbOptions { color: Some(colour), ..RgbOptions::default() }).map_err(fault)?;
    let (layout, channels, codes) = match header.info.chroma_format_idc {
        0 => (Layout::Gray, 1, rgb.data.as_chunks::<3>().0.iter().map(|pixel| pixel[0]).collect()),
        _ => (Layout::Rgb, 3, rgb.data),
    };
    if picture.color_info.is_none() {
        warnings.push(unstated());
    }
    if header.gain_map {
        warnings.push(gain_map());
    }
    let tables = transfer.tables(channels, 65535, 65536);
    // As in a JPEG, a clipped sky comes back one 8-bit code below white as often as at it.
    let white = if colour.full_range { 255.0 } else { 219.0 };
    let clipped = (65535.0 * (1.0 - 1.0 / white)) as usize;
    Ok(Frame {
        size: header.window.size,
        layout,
        samples: Samples::U16(cropped(codes, header.coded, header.window, channels)),
        saturation: tables.iter().map(|t| t[clipped]).collect(),
        tables,
        noise: None,
        settings: said(&picture.metadata),
        format: format!("HEIC {} bit, {}", header.info.bit_depth_luma, sampling(&header.info)),
        raw: None,
        warnings,
    })
}

/// What is known before any pixel is decoded.
struct Header {
    info: ImageInfo,
    /// As coded, and the part of it that is picture.
    coded: Size,
    window: Window,
    gain_map: bool,
}

fn header(bytes: &[u8]) -> Result<Header, Fault> {
    let boxes = Boxes::open(bytes)?;
    match &boxes.kind()? {
        b"hvc1" | b"grid" => {}
        b"av01" => return Err(unread("coded as AV1")),
        b"jpeg" => return Err(unread("coded as JPEG")),
        b"avc1" => return Err(unread("coded as AVC")),
        other => return Err(unread(&format!("of the kind \"{}\"", other.escape_ascii()))),
    }
    if boxes.copied() / MAX_COPIES > bytes.len() as u64 {
        return Err(damaged("its parts overlap, and amount to more than the file holds"));
    }
    let info = heic_decoder::probe(bytes).map_err(fault)?;
    let coded = admit(info.coded_width as u64, info.coded_height as u64, 6, None)?;
    if coded.area() as u64 / MAX_PIXELS_A_BYTE > bytes.len() as u64 {
        return Err(damaged(format!(
            "its header declares {coded} pixels, more than its {} bytes can hold",
            bytes.len()
        )));
    }
    let gain_map = boxes.holds(b"tmap", b"hdrgainmap");
    Ok(Header { info, coded, window: window(&boxes, coded)?, gain_map })
}

/// The part that the container's clean aperture keeps: eight numbers, width, height, and how far its centre lies right of and below
/// the picture's, each as a fraction. MIAF has it before any turn (7.3.6.7).
fn window(boxes: &Boxes, coded: Size) -> Result<Window, Fault> {
    let whole = Window { row: 0, column: 0, size: coded };
    let mut turned = false;
    for (kind, body) in boxes.properties() {
        match &kind {
            b"irot" | b"imir" => turned = true,
            b"clap" if turned => return Err(unread("cropped after it was turned")),
            b"clap" => {
                let words: Vec<u32> = body.as_chunks::<4>().0.iter().map(|word| u32::from_be_bytes(*word)).collect();
                let &[wide, wide_of, high, high_of, right, right_of, down, down_of] = &words[..] else {
                    return Err(damaged("a crop that is not of eight numbers"));
                };
                let part = |number: f64, of: u32| number / f64::from(of);
                let axis = |full: usize, size: f64, offset: f64| {
                    let start = (offset + (full as f64 - size) / 2.0).round();
                    let fits = start >= 0.0 && size >= 1.0 && start + size.round() <= full as f64;
                    fits.then_some((start as usize, size.round() as usize))
                };
                let columns = axis(coded.columns, part(wide.into(), wide_of), part((right as i32).into(), right_of));
                let rows = axis(coded.rows, part(high.into(), high_of), part((down as i32).into(), down_of));
                let (Some((column, columns)), Some((row, rows))) = (columns, rows) else {
                    return Err(damaged(format!("a crop that does not lie within its {coded} pixels")));
                };
                return Ok(Window { row, column, size: Size::new(rows, columns) });
            }
            _ => {}
        }
    }
    Ok(whole)
}

/// Matrix and range. What the file leaves open is taken as HEVC has it, limited range (ITU-T H.265, E.3.1), through the matrix that
/// JPEG uses.
fn colour(stated: Option<ColorInfo>) -> ColorInfo {
    let usual =
        ColorInfo { color_primaries: 1, transfer_characteristics: 13, matrix_coefficients: 6, full_range: false };
    match stated {
        Some(stated) if stated.matrix_coefficients == 2 => ColorInfo { matrix_coefficients: 6, ..stated },
        stated => stated.unwrap_or(usual),
    }
}

/// How codes stand for light: an ICC profile's curve counts before the container's number for it.
fn transfer(
    profile: &CaptureProfile,
    metadata: &Metadata,
    colour: Option<ColorInfo>,
) -> Result<(Transfer, Vec<Warning>), Fault> {
    let curve = metadata.icc_profile.as_deref().and_then(embedded);
    // ITU-T H.273, table 3. 1, 6, 14 and 15, the curve of television cameras, say nothing: phones' video encoders put them beside
    // pictures that are meant for sRGB displays.
    let curve = match (curve, colour.map(|c| c.transfer_characteristics)) {
        (Some(curve), _) => Some(curve),
        (None, Some(16 | 18)) if !matches!(profile.transfer, Transfer::Table(_)) => {
            return Err(Fault::new(
                "its codes are meant for HDR displays (PQ or HLG), and no curve says what light they stand for",
                "switch HDR off in the camera, or name a capture profile measured for it",
            ));
        }
        (None, Some(4)) => Some(Embedded::Other { half: 0.5f64.powf(2.2) }),
        (None, Some(5)) => Some(Embedded::Other { half: 0.5f64.powf(2.8) }),
        (None, Some(8)) => Some(Embedded::Linear),
        (None, Some(13)) => Some(Embedded::Srgb),
        (None, _) => None,
    };
    Ok(profile.transfer_for(curve))
}

fn said(metadata: &Metadata) -> Settings {
    metadata.exif.clone().map(exif::from_block).unwrap_or_default()
}

fn sampling(info: &ImageInfo) -> &'static str {
    match info.chroma_format_idc {
        0 => "gray",
        1 => "4:2:0",
        2 => "4:2:2",
        _ => "4:4:4",
    }
}

fn unread(what: &str) -> Fault {
    Fault::new(format!("its picture is {what}, which is not read"), MEND)
}

fn fault(error: HeifError) -> Fault {
    match error {
        HeifError::Truncated { .. } => {
            Fault::new("it is cut short within its picture", "copy it from the camera again")
        }
        HeifError::Unsupported(what) => Fault::new(format!("it is an HEIC of a kind that is not read ({what})"), MEND),
        HeifError::LimitExceeded(_) => Fault::new(
            format!("its header declares more than {} megapixels", heic_decoder::MAX_IMAGE_PIXELS >> 20),
            "if the file is sound, copy the plate in tiles; if not, copy it from the camera again",
        ),
        other => damaged(other),
    }
}

fn unstated() -> Warning {
    Warning::new(
        "colour-unstated",
        "the file does not say how its codes stand for colour and where black and white lie; limited range is taken, and \
         densities are wrong where that is not so: use JPEG or raw",
    )
}

fn gain_map() -> Warning {
    Warning::new(
        "hdr-gain-map",
        "the file holds a second picture that brightens it on HDR displays; it is left alone: the camera has chosen tones place \
         by place, so use raw where density matters",
    )
}
