//! PNG frames: 8 or 16 bits, gray or colour, with or without transparency (which is dropped).
//!
//! In: the file. Out: a [`Frame`] of codes in the depth they came in. Fails on palettes, on fewer than 8 bits, on damaged or
//! missing chunks, and on sizes beyond the limits.
//!
//! PNG, third edition (W3C 2025); decoding by `png`.

use super::limits::{MAX_BYTES, MAX_FILE, admit, damaged};
use super::transfer::{Embedded, embedded};
use super::{CaptureProfile, Frame, Layout, Samples, Settings, exif};
use crate::error::Fault;
use crate::image::Size;
use png::{BitDepth, ColorType, Info, Transformations};

/// What the first chunk declares.
struct Header {
    size: Size,
    depth: BitDepth,
    colour: ColorType,
}

pub fn dimensions(bytes: &[u8]) -> Result<Size, Fault> {
    Ok(header(bytes)?.size)
}

pub fn settings(bytes: &[u8]) -> Result<Settings, Fault> {
    header(bytes)?;
    Ok(chunk(bytes, b"eXIf").map(|block| exif::from_block(block.to_vec())).unwrap_or_default())
}

pub fn read(bytes: &[u8], profile: &CaptureProfile) -> Result<Frame, Fault> {
    let header = header(bytes)?;
    let (stored, channels, layout) = match header.colour {
        ColorType::Grayscale => (1, 1, Layout::Gray),
        ColorType::GrayscaleAlpha => (2, 1, Layout::Gray),
        ColorType::Rgb => (3, 3, Layout::Rgb),
        ColorType::Rgba => (4, 3, Layout::Rgb),
        ColorType::Indexed => {
            return Err(Fault::new("it is a PNG of palette colours, not of light", "save it in gray or RGB"));
        }
    };
    let mut decoder = png::Decoder::new_with_limits(
        std::io::Cursor::new(bytes),
        png::Limits { bytes: (MAX_BYTES + MAX_FILE) as usize },
    );
    decoder.set_transformations(Transformations::IDENTITY);
    let mut reader = decoder.read_info().map_err(damaged)?;
    let length = reader.output_buffer_size().ok_or_else(|| damaged("its size has no end"))?;
    let mut raw = vec![0; length];
    reader.next_frame(&mut raw).map_err(damaged)?;
    reader.finish().map_err(damaged)?;
    let (transfer, warnings) = profile.transfer_for(says(reader.info()));
    let (samples, full, entries) = match header.depth {
        BitDepth::Eight => (Samples::U8(without_alpha(raw, stored, channels)), 255, 256),
        BitDepth::Sixteen => {
            let codes = raw.as_chunks::<2>().0.iter().map(|b| u16::from_be_bytes(*b)).collect();
            (Samples::U16(without_alpha(codes, stored, channels)), 65535, 65536)
        }
        _ => return Err(Fault::new("it is a PNG of fewer than 8 bits", "save it with 8 or 16 bits a channel")),
    };
    let tables = transfer.tables(channels, full, entries);
    Ok(Frame {
        size: header.size,
        layout,
        samples,
        saturation: vec![1.0; channels],
        tables,
        noise: None,
        settings: chunk(bytes, b"eXIf").map(|block| exif::from_block(block.to_vec())).unwrap_or_default(),
        format: format!("PNG {} bit", if full == 255 { 8 } else { 16 }),
        raw: None,
        warnings,
    })
}

/// Keeps the first `kept` of each pixel's `stored` samples.
pub fn without_alpha<C: Copy>(mut codes: Vec<C>, stored: usize, kept: usize) -> Vec<C> {
    if stored != kept {
        let pixels = codes.len() / stored;
        for pixel in 0..pixels {
            codes.copy_within(pixel * stored..pixel * stored + kept, pixel * kept);
        }
        codes.truncate(pixels * kept);
    }
    codes
}

/// How codes stand for light, by the chunks in the order of weight that the standard gives them: cICP, iCCP, sRGB, gAMA.
fn says(info: &Info) -> Option<Embedded> {
    if let Some(points) = info.coding_independent_code_points {
        // ITU-T H.273: 8 is linear, 13 is sRGB.
        match points.transfer_function {
            8 => return Some(Embedded::Linear),
            13 => return Some(Embedded::Srgb),
            _ => {}
        }
    }
    if let Some(profile) = &info.icc_profile {
        return embedded(profile);
    }
    if info.srgb.is_some() {
        return Some(Embedded::Srgb);
    }
    // A gAMA chunk of 0.45455 is written for sRGB as often as for gamma 2.2 and tells nothing; 1 is meant.
    let gamma = f64::from(info.gama_chunk?.into_value());
    ((gamma - 1.0).abs() < 0.01).then_some(Embedded::Linear)
}

fn header(bytes: &[u8]) -> Result<Header, Fault> {
    let body = chunk(bytes, b"IHDR").filter(|b| b.len() == 13).ok_or_else(|| damaged("its header is missing"))?;
    let word = |at: usize| u64::from(u32::from_be_bytes([body[at], body[at + 1], body[at + 2], body[at + 3]]));
    let depth = BitDepth::from_u8(body[8]).ok_or_else(|| damaged(format!("a depth of {} bits", body[8])))?;
    let colour = ColorType::from_u8(body[9]).ok_or_else(|| damaged(format!("colour type {}", body[9])))?;
    let size = admit(
        word(0),
        word(4),
        (colour.samples() * usize::from(body[8]).div_ceil(8)) as u64,
        Some(bytes.len() as u64),
    )?;
    Ok(Header { size, depth, colour })
}

/// The first chunk of a kind, without decoding any.
fn chunk<'a>(bytes: &'a [u8], kind: &[u8; 4]) -> Option<&'a [u8]> {
    let mut rest = bytes.get(8..)?;
    while let Some((length, after)) = rest.split_first_chunk::<4>() {
        let length = u32::from_be_bytes(*length) as usize;
        let body = after.get(4..)?.get(..length)?;
        if after.starts_with(kind) {
            return Some(body);
        }
        rest = after.get(8 + length..)?;
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Linear;

    fn made(
        depth: BitDepth,
        colour: ColorType,
        data: &[u8],
        adjust: impl FnOnce(&mut png::Encoder<&mut Vec<u8>>),
    ) -> Vec<u8> {
        let mut file = Vec::new();
        let mut encoder = png::Encoder::new(&mut file, 3, 2);
        encoder.set_depth(depth);
        encoder.set_color(colour);
        adjust(&mut encoder);
        encoder.write_header().unwrap().write_image_data(data).unwrap();
        file
    }

    #[test]
    fn sixteen_bits_come_back_and_alpha_is_dropped() {
        let data: Vec<u8> = (0..2 * 3 * 4 * 2).map(|i| i as u8 * 5).collect();
        let frame = read(&made(BitDepth::Sixteen, ColorType::Rgba, &data, |_| {}), &CaptureProfile::linear()).unwrap();
        let Samples::U16(codes) = &frame.samples else { panic!("16 bits") };
        let expected: Vec<u16> =
            data.chunks(8).flat_map(|p| [0, 2, 4].map(|i| u16::from_be_bytes([p[i], p[i + 1]]))).collect();
        assert_eq!((codes, frame.layout), (&expected, Layout::Rgb));
    }

    #[test]
    fn a_file_that_says_it_is_linear_is_believed() {
        let data = [0, 51, 102, 153, 204, 255];
        let gray = |adjust: fn(&mut png::Encoder<&mut Vec<u8>>)| {
            read(&made(BitDepth::Eight, ColorType::Grayscale, &data, adjust), &CaptureProfile::srgb()).unwrap()
        };
        let linear = gray(|e| e.set_source_gamma(png::ScaledFloat::new(1.0)));
        assert_eq!(linear.linear(0, 1, 0), Linear(0.2));
        let plain = gray(|_| {});
        assert!((plain.linear(0, 1, 0).0 - 0.033_105).abs() < 1e-6, "IEC 61966-2-1's formula at 0.2");
        assert_eq!(plain.linear(1, 2, 0), Linear(1.0));
    }

    #[test]
    fn palettes_and_cuts_are_faults() {
        let whole = made(BitDepth::Eight, ColorType::Rgb, &[9; 18], |_| {});
        for end in 0..whole.len() {
            assert!(read(&whole[..end], &CaptureProfile::srgb()).is_err(), "cut at {end}");
        }
        let palette = made(BitDepth::Eight, ColorType::Indexed, &[0; 6], |e| e.set_palette(vec![1, 2, 3]));
        assert!(read(&palette, &CaptureProfile::srgb()).unwrap_err().to_string().contains("palette"));
    }
}
