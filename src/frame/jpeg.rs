//! JPEG frames: 8 bits, gray or colour, baseline or progressive.
//!
//! In: the file's bytes. Out: a [`Frame`] of 8-bit codes. Fails on a file that is cut short (the decoder would fill the rest
//! with gray and say nothing), on 12 bits, CMYK, lossless and arithmetic coding, and on sizes beyond the limits.
//!
//! Of a colour file under the sRGB curve luma alone is kept, since a plate over a light is neutral: it takes the same share of red, green
//! and blue. Luma is the weighted mean of values 1.055 c^(1/2.4) − 0.055 and the weights sum to 1, so of c = T × light it is
//! 1.055 S T^(1/2.4) − 0.055, and by the same curve T S^2.4 with an S that the blank shares: whatever the light's colour, and without
//! what the file's coarse chroma would add. Below the curve's toe, 0.3 % of full light, this bends a little. Under a measured curve that
//! is one for all colours it holds as nearly as the light is neutral: to the square of what colours differ by.
//!
//! ISO/IEC 10918-1 (ITU-T T.81), annex B; decoding by `zune-jpeg`.

use super::limits::{admit, damaged};
use super::transfer::{Transfer, embedded};
use super::{CaptureProfile, Frame, Layout, Samples, Settings, exif};
use crate::error::{Fault, Warning};
use crate::image::Size;
use rayon::prelude::*;
use zune_core::bytestream::ZCursor;
use zune_core::colorspace::ColorSpace;
use zune_core::options::DecoderOptions;
use zune_jpeg::JpegDecoder;

/// Codes from here on count as clipped: quantised coefficients take a clipped sky to 254 as often as to 255.
const CLIPPED_CODE: usize = 254;

/// What the segments before the first scan say.
pub struct Header {
    pub size: Size,
    components: u8,
    progressive: bool,
    exif: Option<Vec<u8>>,
    /// Where the first scan's segment begins.
    scan: usize,
}

pub fn settings(bytes: &[u8]) -> Result<Settings, Fault> {
    Ok(header(bytes)?.exif.map(exif::from_block).unwrap_or_default())
}

/// `in_colours`: also where luma alone would tell the light.
pub fn read(bytes: &[u8], profile: &CaptureProfile, in_colours: bool) -> Result<Frame, Fault> {
    let header = header(bytes)?;
    if !ends(&bytes[header.scan..]) {
        return Err(Fault::new("it is cut short: its end marker is missing", "copy it from the camera again"));
    }
    let options = DecoderOptions::default()
        .set_max_width(usize::from(u16::MAX))
        .set_max_height(usize::from(u16::MAX))
        .set_strict_mode(true);
    let mut decoder = JpegDecoder::new_with_options(ZCursor::new(bytes), options);
    decoder.decode_headers().map_err(damaged)?;
    let told = decoder.icc_profile().as_deref().and_then(embedded);
    let nothing_told = told.is_none();
    let (transfer, mut warnings) = profile.transfer_for(told);
    if transfer == Transfer::Linear && nothing_told {
        warnings.push(Warning::new(
            "jpeg-linear",
            format!(
                "a JPEG is read as proportional to light, as the capture profile `{}` says: cameras never write it so; name \"srgb\", or a \
                 profile made by `hyaline calibrate`",
                profile.name
            ),
        ));
    }
    let is_ycc = decoder.input_colorspace() == Some(ColorSpace::YCbCr);
    let as_luma = is_ycc && transfer.is_kept_by_luma() && !in_colours;
    let (layout, space) = match header.components {
        1 => (Layout::Gray, ColorSpace::Luma),
        _ if as_luma => (Layout::Gray, ColorSpace::YCbCr),
        _ => (Layout::Rgb, ColorSpace::RGB),
    };
    decoder.set_options(options.jpeg_set_out_colorspace(space));
    let mut codes = vec![0; header.size.area() * usize::from(header.components)];
    decoder.decode_into(&mut codes).map_err(damaged)?;
    if space == ColorSpace::YCbCr {
        codes = codes.as_chunks::<3>().0.par_iter().map(luma).collect();
    }
    let tables = transfer.tables(if layout == Layout::Rgb { 3 } else { 1 }, 255, 256);
    Ok(Frame {
        size: header.size,
        layout,
        samples: Samples::U8(codes),
        saturation: tables.iter().map(|t| t[CLIPPED_CODE]).collect(),
        tables,
        noise: None,
        settings: header.exif.map(exif::from_block).unwrap_or_default(),
        format: if header.progressive { "JPEG 8 bit, progressive" } else { "JPEG 8 bit" }.to_string(),
        raw: None,
        warnings,
    })
}

/// The luma of a pixel; full where any of red, green and blue is (ITU-T T.871, clause 7).
fn luma(&[y, cb, cr]: &[u8; 3]) -> u8 {
    let (red, blue) = (f32::from(cr) - 128.0, f32::from(cb) - 128.0);
    let most = (1.402 * red).max(1.772 * blue).max(-0.344136 * blue - 0.714136 * red).max(0.0);
    if f32::from(y) + most >= CLIPPED_CODE as f32 - 0.5 { u8::MAX } else { y }
}

/// Walks the segments up to the first scan.
pub fn header(bytes: &[u8]) -> Result<Header, Fault> {
    let cut = || Fault::new("it is cut short within its header", "copy it from the camera again");
    let (mut at, mut found, mut exif) = (2, None, None);
    loop {
        while bytes.get(at) == Some(&0xff) && bytes.get(at + 1) == Some(&0xff) {
            at += 1;
        }
        let &[0xff, marker, high, low] = bytes.get(at..at + 4).ok_or_else(cut)? else {
            return Err(damaged(format!("no marker where one must be, at byte {at}")));
        };
        let length = usize::from(u16::from_be_bytes([high, low]));
        let body = bytes.get(at + 4..at + 2 + length).ok_or_else(cut)?;
        match marker {
            0xc0..=0xcf if !matches!(marker, 0xc4 | 0xc8 | 0xcc) => {
                found = Some(start_of_frame(marker, body, bytes.len())?)
            }
            0xe1 if exif.is_none() => exif = body.strip_prefix(b"Exif\0\0").map(<[u8]>::to_vec),
            0xda => break,
            0xd9 => return Err(damaged("it ends before its picture begins")),
            _ => {}
        }
        at += 2 + length;
    }
    let (size, components, progressive) = found.ok_or_else(|| damaged("its header declares no size"))?;
    Ok(Header { size, components, progressive, exif, scan: at })
}

fn start_of_frame(marker: u8, body: &[u8], file: usize) -> Result<(Size, u8, bool), Fault> {
    let &[bits, r1, r0, c1, c0, components, ..] = body else { return Err(damaged("its frame header is too short")) };
    let (rows, columns) = (u16::from_be_bytes([r1, r0]), u16::from_be_bytes([c1, c0]));
    let mend = "save it as an 8-bit baseline JPEG, or better as TIFF or raw";
    match marker {
        0xc0..=0xc2 => {}
        0xc3 | 0xc5..=0xc7 => return Err(Fault::new("it is a lossless or hierarchical JPEG, which is not read", mend)),
        _ => return Err(Fault::new("it is a JPEG with arithmetic coding, which is not read", mend)),
    }
    if bits != 8 {
        return Err(Fault::new(format!("it is a JPEG of {bits} bits; only 8 bits are read"), mend));
    }
    match components {
        1 | 3 => {}
        4 => return Err(Fault::new("it is a JPEG in CMYK inks, not light", "save it in gray or RGB")),
        n => return Err(damaged(format!("a JPEG of {n} components"))),
    }
    let size = admit(columns.into(), rows.into(), components.into(), Some(file as u64))?;
    Ok((size, components, marker == 0xc2))
}

/// Whether the scans that begin here come to an end marker. Thumbnails and what follows the picture do not count.
fn ends(bytes: &[u8]) -> bool {
    let mut at = 0;
    while let Some(&marker) = bytes.get(at + 1) {
        match (bytes[at], marker) {
            (0xff, 0xd9) => return true,
            // Fill bytes, stuffed bytes and restarts belong to the coded data.
            (0xff, 0xff) => at += 1,
            (0xff, 0x00 | 0x01 | 0xd0..=0xd7) => at += 2,
            (0xff, _) => match bytes.get(at + 2..at + 4) {
                Some(length) => at += 2 + usize::from(u16::from_be_bytes([length[0], length[1]])).max(2),
                None => return false,
            },
            _ => at += 1,
        }
    }
    false
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frame::transfer::{Curve, linear_to_srgb, srgb_to_linear};
    use image::codecs::jpeg::JpegEncoder;
    use image::{ExtendedColorType, ImageEncoder};

    fn made(columns: u32, rows: u32, colour: ExtendedColorType) -> Vec<u8> {
        let channels = if colour == ExtendedColorType::L8 { 1 } else { 3 };
        let pixels: Vec<u8> = (0..columns * rows * channels).map(|i| (i * 7919 % 251) as u8).collect();
        let mut file = Vec::new();
        JpegEncoder::new_with_quality(&mut file, 95).write_image(&pixels, columns, rows, colour).unwrap();
        file
    }

    #[test]
    fn gray_is_read_as_gray_and_colour_as_luma_where_one_curve_holds() {
        let (srgb, linear) = (CaptureProfile::srgb(), CaptureProfile::linear());
        let measured = |curves: usize| {
            let curve = Curve { codes: vec![0.0, 0.5, 1.0], light: vec![vec![0.0, 0.2, 1.0]; curves] };
            CaptureProfile { transfer: Transfer::Table(curve), ..CaptureProfile::srgb() }
        };
        let (one, three) = (measured(1), measured(3));
        for (colour, profile, layout, channels) in [
            (ExtendedColorType::L8, &srgb, Layout::Gray, 1),
            (ExtendedColorType::Rgb8, &srgb, Layout::Gray, 1),
            (ExtendedColorType::Rgb8, &linear, Layout::Rgb, 3),
            (ExtendedColorType::Rgb8, &one, Layout::Gray, 1),
            (ExtendedColorType::Rgb8, &three, Layout::Rgb, 3),
        ] {
            let frame = read(&made(37, 21, colour), profile, false).unwrap();
            assert_eq!((frame.size, frame.layout, frame.tables.len()), (Size::new(21, 37), layout, channels));
        }
    }

    /// What the module's first lines say: luma through the curve is the transmittance, whatever the light's colour, down to the toe.
    #[test]
    fn luma_of_a_coloured_light_tells_transmittance() {
        let of = |light: [f64; 3], t: f64| {
            let values = light.map(|c| linear_to_srgb(t * c));
            srgb_to_linear(0.299 * values[0] + 0.587 * values[1] + 0.114 * values[2])
        };
        for light in [[0.9, 0.8, 0.7], [0.5, 0.9, 0.6], [0.9, 0.9, 0.4]] {
            for t in [0.5, 0.1, 0.02, 0.008] {
                let read = of(light, t) / of(light, 1.0);
                assert!((read / t - 1.0).abs() < 1e-6, "{light:?}: {read} for {t}");
            }
        }
    }

    /// Codes by ITU-T T.871 of colours that are full in one channel only, and of one that is not.
    #[test]
    fn a_pixel_full_in_one_channel_is_full() {
        let of = |r: f64, g: f64, b: f64| {
            let y = 0.299 * r + 0.587 * g + 0.114 * b;
            [y, (b - y) / 1.772 + 128.0, (r - y) / 1.402 + 128.0].map(|v| v.round() as u8)
        };
        for (r, g, b) in [(255.0, 200.0, 180.0), (190.0, 255.0, 200.0), (200.0, 210.0, 255.0), (255.0, 255.0, 255.0)] {
            assert_eq!(luma(&of(r, g, b)), 255, "{r} {g} {b}");
        }
        assert_eq!(luma(&of(230.0, 200.0, 180.0)), of(230.0, 200.0, 180.0)[0]);
    }

    /// The decoder alone fills what is missing with gray; every cut must be a fault.
    #[test]
    fn every_cut_is_a_fault() {
        let whole = made(64, 48, ExtendedColorType::Rgb8);
        assert!(read(&whole, &CaptureProfile::srgb(), false).is_ok());
        for end in 0..whole.len() {
            assert!(read(&whole[..end], &CaptureProfile::srgb(), false).is_err(), "cut at {end} of {}", whole.len());
        }
    }

    #[test]
    fn a_monstrous_header_is_refused_before_memory_is_taken() {
        let mut file = made(64, 48, ExtendedColorType::Rgb8);
        let frame = file.windows(2).position(|w| w == [0xff, 0xc0]).unwrap();
        file[frame + 5..frame + 9].fill(0xff);
        let fault = read(&file, &CaptureProfile::srgb(), false).unwrap_err().to_string();
        assert!(fault.contains("65535×65535"), "{fault}");
    }

    #[test]
    fn twelve_bits_and_inks_are_refused_in_words() {
        let whole = made(16, 16, ExtendedColorType::Rgb8);
        let frame = whole.windows(2).position(|w| w == [0xff, 0xc0]).unwrap();
        let with = |at: usize, value: u8| {
            let mut file = whole.clone();
            file[frame + at] = value;
            read(&file, &CaptureProfile::srgb(), false).unwrap_err().to_string()
        };
        assert!(with(4, 12).contains("12 bits"));
        assert!(with(9, 4).contains("CMYK"));
        assert!(with(1, 0xc9).contains("arithmetic"));
    }
}
