//! TIFF frames: 8 or 16 bits, gray or colour, uncompressed, PackBits, LZW or deflate, in strips or tiles, of either byte order.
//!
//! In: the file. Out: a [`Frame`] of codes in the depth they came in, black at 0; what lies beside gray or RGB (alpha) is
//! dropped. Fails on every other kind with a sentence, on cut or damaged files, and on sizes beyond the limits.
//!
//! TIFF 6.0 (1992); decoding by `tiff`.

use super::ifd::{Directory, Tiff, tag};
use super::limits::{MAX_BYTES, admit, damaged};
use super::png::without_alpha;
use super::transfer::embedded;
use super::{CaptureProfile, Frame, Layout, Samples, exif};
use crate::error::Fault;
use crate::image::Size;
use std::io::{Read, Seek};
use tiff::decoder::{Decoder, DecodingResult, Limits};

const ICC_PROFILE: u16 = 34675;
const SAMPLE_FORMAT: u16 = 339;
const RAW_COLOURS: [u64; 2] = [32803, 34892];

/// How the first picture is stored, checked against what can be read.
struct Form {
    size: Size,
    bits: u64,
    stored: usize,
    kept: usize,
    compression: &'static str,
}

/// What a file laid out like TIFF turns out to be.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Family {
    Plain,
    Dng,
    Maker,
}

/// Tells plain TIFFs, DNGs and makers' raw files apart: by DNG's version tag, and by colour filters or private compressions.
pub fn family<R: Read + Seek>(tiff: &mut Tiff<R>) -> Result<Family, Fault> {
    let main = tiff.main()?;
    if main.has(tag::DNG_VERSION) {
        return Ok(Family::Dng);
    }
    // With the version that follows: the first pixel of a plain file may spell the two letters alone.
    if tiff.bytes(8, 4).is_ok_and(|mark| mark == b"CR\x02\0") {
        return Ok(Family::Maker);
    }
    let mut directories = tiff.chain()?;
    for at in tiff.pointers(&main, tag::SUB_IFDS) {
        directories.extend(tiff.directory(at));
    }
    for directory in &directories {
        let colours = tiff.integer(directory, tag::PHOTOMETRIC)?.unwrap_or(0);
        let compression = tiff.integer(directory, tag::COMPRESSION)?.unwrap_or(1);
        if RAW_COLOURS.contains(&colours) || matches!(compression, 32767 | 32769 | 32770 | 34713 | 65000 | 65535) {
            return Ok(Family::Maker);
        }
    }
    Ok(Family::Plain)
}

pub fn dimensions<R: Read + Seek>(tiff: &mut Tiff<R>) -> Result<Size, Fault> {
    let main = tiff.main()?;
    Ok(form(tiff, &main)?.size)
}

pub fn read<R: Read + Seek>(mut source: R, profile: &CaptureProfile) -> Result<Frame, Fault> {
    let mut tiff = Tiff::open(&mut source)?;
    let main = tiff.main()?;
    let form = form(&mut tiff, &main)?;
    let icc = tiff.value(&main, ICC_PROFILE)?;
    let settings = exif::from_tiff(&mut tiff, &main);

    source.rewind().map_err(|e| crate::error::io_fault(&e))?;
    let mut limits = Limits::default();
    (limits.decoding_buffer_size, limits.intermediate_buffer_size) = (MAX_BYTES as usize, MAX_BYTES as usize);
    let mut decoder = Decoder::new(source).map_err(damaged)?.with_limits(limits);
    let mut codes = DecodingResult::U8(Vec::new());
    let layout = decoder.read_image_to_buffer(&mut codes).map_err(damaged)?;
    let whole = form.size.area() * form.stored;
    let samples = match codes {
        DecodingResult::U8(codes) if codes.len() == whole => Samples::U8(interleaved(codes, &form, layout.planes)),
        DecodingResult::U16(codes) if codes.len() == whole => Samples::U16(interleaved(codes, &form, layout.planes)),
        _ => return Err(damaged("its samples are not those that it declares")),
    };
    let (transfer, warnings) = profile.transfer_for(icc.as_deref().and_then(embedded));
    let (full, entries) = if form.bits == 8 { (255, 256) } else { (65535, 65536) };
    Ok(Frame {
        size: form.size,
        layout: if form.kept == 3 { Layout::Rgb } else { Layout::Gray },
        samples,
        tables: transfer.tables(form.kept, full, entries),
        saturation: vec![1.0; form.kept],
        noise: None,
        settings,
        format: format!("TIFF {} bit{}", form.bits, form.compression),
        raw: None,
        warnings,
    })
}

/// Brings samples stored plane by plane together, and drops what is not light.
fn interleaved<C: Copy + Default>(codes: Vec<C>, form: &Form, planes: usize) -> Vec<C> {
    if planes <= 1 {
        return without_alpha(codes, form.stored, form.kept);
    }
    let area = form.size.area();
    let mut out = vec![C::default(); area * form.kept];
    for (channel, plane) in codes.chunks_exact(area).take(form.kept).enumerate() {
        out.iter_mut().skip(channel).step_by(form.kept).zip(plane).for_each(|(out, code)| *out = *code);
    }
    out
}

fn form<R: Read + Seek>(tiff: &mut Tiff<R>, main: &Directory) -> Result<Form, Fault> {
    let mut one = |tag: u16, default: u64| tiff.integer(main, tag).map(|v| v.unwrap_or(default));
    let (columns, rows) = (one(tag::WIDTH, 0)?, one(tag::LENGTH, 0)?);
    let (stored, photometric, compression) =
        (one(tag::SAMPLES, 1)?, one(tag::PHOTOMETRIC, 1)?, one(tag::COMPRESSION, 1)?);
    let (bits, number) = (one(tag::BITS, 1)?, one(SAMPLE_FORMAT, 1)?);
    let mend = "save it as 8- or 16-bit gray or RGB";
    let kept = match photometric {
        0 | 1 => 1,
        2 => 3,
        3 => return Err(Fault::new("it is a TIFF of palette colours, not of light", mend)),
        5 => return Err(Fault::new("it is a TIFF in CMYK inks, not light", mend)),
        6 => return Err(Fault::new("it is a TIFF in Y'CbCr, which is not read", mend)),
        8..=10 => return Err(Fault::new("it is a TIFF in L*a*b*, which is not read", mend)),
        other => return Err(Fault::new(format!("it is a TIFF of photometric kind {other}, which is not read"), mend)),
    };
    if number != 1 {
        let what = if number == 3 { "floating-point" } else { "signed" };
        return Err(Fault::new(format!("its samples are {what} numbers, which are not read"), mend));
    }
    if !matches!(bits, 8 | 16) {
        return Err(Fault::new(format!("its samples have {bits} bits; 8 and 16 are read"), mend));
    }
    let compression = match compression {
        1 => "",
        5 => ", LZW",
        8 | 32946 => ", deflate",
        32773 => ", PackBits",
        6 | 7 => {
            return Err(Fault::new(
                "it is a JPEG inside a TIFF, which is not read",
                "save it uncompressed or with LZW",
            ));
        }
        other => {
            return Err(Fault::new(
                format!("its compression ({other}) is not read"),
                "save it uncompressed, with LZW or deflate",
            ));
        }
    };
    if stored < kept || stored > kept + 4 {
        return Err(damaged(format!("{stored} samples a pixel for {kept} channels")));
    }
    let size = admit(columns, rows, stored * bits / 8, Some(tiff.length()))?;
    Ok(Form { size, bits, stored: stored as usize, kept: kept as usize, compression })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Linear;
    use std::io::Cursor;
    use tiff::encoder::colortype::{ColorType, Gray8, Gray16, RGB16, RGBA8};
    use tiff::encoder::{TiffEncoder, TiffValue};

    fn made<C: ColorType>(columns: u32, rows: u32, data: &[C::Inner]) -> Vec<u8>
    where
        [C::Inner]: TiffValue,
    {
        let mut file = Cursor::new(Vec::new());
        TiffEncoder::new(&mut file).unwrap().write_image::<C>(columns, rows, data).unwrap();
        file.into_inner()
    }

    /// A maker's mark is two letters where a plain file may have its first pixel.
    #[test]
    fn a_pixel_that_spells_a_makers_mark_makes_no_raw_file() {
        // Two pixels of 16 bits behind the header, then the directory; each value fits its entry.
        let with_pixels = |pixels: &[u8; 4]| {
            let entries: [(u16, u32); 8] =
                [(256, 2), (257, 1), (258, 16), (259, 1), (262, 1), (273, 8), (277, 1), (279, 4)];
            let mut file = [b"II*\0\x0c\0\0\0", &pixels[..], &[entries.len() as u8, 0]].concat();
            for (tag, value) in entries {
                file.extend([tag.to_le_bytes(), [4, 0]].concat());
                file.extend([1u32.to_le_bytes(), value.to_le_bytes()].concat());
            }
            file.extend([0; 4]);
            file
        };
        let family_of = |file: &[u8]| family(&mut Tiff::open(Cursor::new(file)).unwrap()).unwrap();
        let plain = with_pixels(b"CRRC");
        assert_eq!(family_of(&plain), Family::Plain);
        assert!(
            matches!(read(Cursor::new(plain), &CaptureProfile::linear()).unwrap().samples, Samples::U16(got) if got == [0x5243, 0x4352])
        );
        assert_eq!(family_of(&with_pixels(b"CR\x02\0")), Family::Maker);
    }

    #[test]
    fn both_depths_and_all_channels_come_back() {
        let codes: Vec<u16> = (0..5 * 4 * 3).map(|i| i * 1000).collect();
        let frame = read(Cursor::new(made::<RGB16>(5, 4, &codes)), &CaptureProfile::linear()).unwrap();
        assert!(matches!(&frame.samples, Samples::U16(got) if *got == codes));
        assert_eq!((frame.size, frame.layout, frame.format.as_str()), (Size::new(4, 5), Layout::Rgb, "TIFF 16 bit"));
        assert_eq!(frame.linear(0, 1, 2), Linear(5000.0 / 65535.0));

        let codes: Vec<u8> = (0..5 * 4 * 4).map(|i| i * 3).collect();
        let frame = read(Cursor::new(made::<RGBA8>(5, 4, &codes)), &CaptureProfile::srgb()).unwrap();
        let expected: Vec<u8> = codes.chunks(4).flat_map(|p| [p[0], p[1], p[2]]).collect();
        assert!(matches!(&frame.samples, Samples::U8(got) if *got == expected));
        let frame = read(Cursor::new(made::<Gray8>(5, 4, &codes[..20])), &CaptureProfile::srgb()).unwrap();
        assert_eq!(frame.layout, Layout::Gray);
    }

    #[test]
    fn every_cut_is_a_fault() {
        let whole = made::<Gray16>(16, 16, &[700; 256]);
        for end in 0..whole.len() {
            let cut = read(Cursor::new(whole[..end].to_vec()), &CaptureProfile::srgb());
            // The encoder writes pixels first and its directory last.
            assert!(cut.is_err(), "cut at {end} of {}", whole.len());
        }
    }
}
