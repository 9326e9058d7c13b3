//! Makers' raw files: samples at every photosite under a Bayer filter, as the camera stored them.
//!
//! In: the file. Out: a [`Frame`] of the sensor's usable area, a mosaic (or gray, from a sensor without filters), with tables that
//! carry black and white levels of the camera. Fails on cameras that the decoder does not know, on other filters than red, green
//! and blue in cells of 2 × 2, on pictures that the camera has already merged, on files that are cut short, and on damage.
//!
//! [`whole`] looks a file through before the decoder does. Decoding, the levels and the usable area by `rawloader`; levels are used
//! as DNG 1.7.1, chapter 5, has it. The file's Exif is read here. A camera's curve for lossy raw is undone by the decoder, which fills
//! its steps with even noise.

mod whole;

use super::dng::samples::cropped;
use super::ifd::Tiff;
use super::limits::{admit, damaged};
use super::{Filter, Frame, Layout, RawNotes, Samples, Settings, exif, jpeg};
use crate::error::Fault;
use crate::image::{Size, Window};
use rawloader::{RawImage, RawImageData};
use std::io::Cursor;

const MEND: &str = "convert it to DNG, or develop it to a linear 16-bit TIFF";

/// Whether the decoder knows the camera, or the file is none that another could read.
pub fn knows(bytes: &[u8]) -> bool {
    whole::check(bytes).is_err()
        || rawloader::decode_dummy(&mut &*bytes).err().is_none_or(|error| unknown(&error).is_none())
}

pub fn dimensions(bytes: &[u8]) -> Result<Size, Fault> {
    Ok(usable(&declared(bytes)?)?.size)
}

/// What the file says in Exif: in its own directories, or in the preview that some makers put it into.
pub fn settings(bytes: &[u8]) -> Result<Settings, Fault> {
    if let Some(preview) = preview(bytes) {
        return jpeg::settings(preview);
    }
    let Ok(mut tiff) = Tiff::open(Cursor::new(whole::tiff_part(bytes))) else { return Ok(Settings::default()) };
    let main = tiff.main()?;
    Ok(exif::from_tiff(&mut tiff, &main))
}

pub fn read(bytes: &[u8]) -> Result<Frame, Fault> {
    let settings = settings(bytes)?;
    let found = declared(bytes)?;
    if bytes.starts_with(b"II*") || bytes.starts_with(b"MM\0*") {
        // The decoder knows some cameras by nothing but the length of their files.
        let make = settings.make.as_deref().unwrap_or_default();
        if found.make.trim() != make {
            return Err(Fault::new("it does not say which camera made it", MEND));
        }
    }
    let window = usable(&found)?;
    let layout = layout(&found)?;
    let image = rawloader::decode(&mut &*bytes).map_err(fault)?;
    let RawImageData::Integer(codes) = image.data else { return Err(unread("of floating-point numbers")) };
    let size = Size::new(image.height, image.width);
    if size != Size::new(found.height, found.width) || codes.len() != size.area() {
        return Err(damaged("its samples are not those that it declares"));
    }
    let (tables, saturation) = levels(layout, image.blacklevels, image.whitelevels)?;
    Ok(Frame {
        size: window.size,
        layout,
        samples: Samples::U16(cropped(codes, size, window, 1)),
        tables,
        saturation,
        noise: None,
        settings,
        format: "maker's raw".to_string(),
        raw: Some(RawNotes::default()),
        warnings: Vec::new(),
    })
}

/// All but the samples, checked before memory is taken for these.
fn declared(bytes: &[u8]) -> Result<RawImage, Fault> {
    whole::check(bytes)?;
    let found = rawloader::decode_dummy(&mut &*bytes).map_err(fault)?;
    admit(found.width as u64, found.height as u64, 2 * found.cpp as u64, Some(bytes.len() as u64))?;
    Ok(found)
}

fn usable(found: &RawImage) -> Result<Window, Fault> {
    let [top, right, bottom, left] = found.crops;
    let rows = found.height.checked_sub(top + bottom).filter(|n| *n > 0);
    let columns = found.width.checked_sub(left + right).filter(|n| *n > 0);
    let (Some(rows), Some(columns)) = (rows, columns) else {
        return Err(damaged(format!("{}×{} pixels are too few for its camera", found.width, found.height)));
    };
    Ok(Window { row: top, column: left, size: Size::new(rows, columns) })
}

fn layout(found: &RawImage) -> Result<Layout, Fault> {
    if found.cpp != 1 {
        return Err(Fault::new(
            "its raw data hold three colours a pixel: the camera has merged them",
            "set the camera to full-size raw",
        ));
    }
    if found.is_monochrome() {
        return Ok(Layout::Gray);
    }
    let cells = found.cropped_cfa();
    if (found.cfa.width, found.cfa.height) != (2, 2) {
        let what = if found.cfa.width == 6 { "X-Trans" } else { "not in cells of 2×2" };
        return Err(unread(&format!("under colour filters that are {what}")));
    }
    if found.cfa.name.contains(|colour: char| !"RGB".contains(colour)) {
        return Err(unread("under filters other than red, green and blue"));
    }
    let filters = [0, 1, 2, 3].map(|place| match cells.color_at(place / 2, place % 2) {
        0 => Filter::Red,
        1 => Filter::Green,
        _ => Filter::Blue,
    });
    Ok(Layout::Mosaic(filters))
}

/// Code to light for each place, and where it is full, by levels of red, green and blue.
fn levels(layout: Layout, black: [u16; 4], white: [u16; 4]) -> Result<(Vec<Vec<f32>>, Vec<f32>), Fault> {
    let colours = match layout {
        Layout::Mosaic(filters) => filters.map(|filter| filter as usize).to_vec(),
        _ => vec![0],
    };
    let highest = colours.iter().map(|c| black[*c]).max().unwrap_or(0);
    let least = colours.iter().map(|c| white[*c]).min().unwrap_or(0);
    if least <= highest {
        return Err(Fault::new("the black and white levels of its camera are not known", MEND));
    }
    let mut tables = Vec::new();
    let mut saturation = Vec::new();
    for colour in colours {
        let span = f64::from(white[colour] - highest);
        let light = |code: u16| ((f64::from(code) - f64::from(black[colour])) / span) as f32;
        tables.push((0..=u16::MAX).map(light).collect());
        saturation.push(light(white[colour]));
    }
    Ok((tables, saturation))
}

/// A RAF's preview, a JPEG with the Exif of the picture.
fn preview(bytes: &[u8]) -> Option<&[u8]> {
    bytes.strip_prefix(b"FUJIFILMCCD-RAW")?;
    let (at, length) = (word(bytes, 84)? as usize, word(bytes, 88)? as usize);
    bytes.get(at..at.checked_add(length)?)
}

fn word(bytes: &[u8], at: usize) -> Option<u64> {
    bytes.get(at..)?.first_chunk().map(|word| u32::from_be_bytes(*word).into())
}

fn unread(what: &str) -> Fault {
    Fault::new(format!("it is a raw file {what}, which is not read"), MEND)
}

/// What the decoder does not know, where that is its error: a camera, or a kind of file.
fn unknown(error: &rawloader::RawLoaderError) -> Option<String> {
    let text = error.to_string();
    let camera = text.split_once("Couldn't find camera ").and_then(|(_, rest)| rest.split_once(" mode "));
    match camera {
        Some((camera, _)) => Some(format!("a camera that is not known here, {}", camera.replace('"', ""))),
        None => text.contains("Couldn't find a decoder").then(|| "a kind that is not known here".to_string()),
    }
}

/// The decoder's errors are for its own authors: what a user can use of them is what it does not know.
fn fault(error: rawloader::RawLoaderError) -> Fault {
    if let Some(what) = unknown(&error) {
        let newer = if cfg!(feature = "newer-raw") { "" } else { "build with the feature `newer-raw`, " };
        return Fault::new(format!("it is a raw file of {what}"), format!("{newer}{MEND}"));
    }
    let text = error.to_string();
    if text.contains("panic") {
        return damaged("the decoder gave up on it");
    }
    damaged(text.trim_start_matches("RawLoaderError: ").trim_matches('"').lines().next().unwrap_or_default())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frame::fence::fenced;
    use crate::units::Linear;

    const COLUMNS: usize = 160;
    const ROWS: usize = 80;

    /// A directory of a big-endian TIFF at a place: tag, type (2 text, 3 and 4 numbers, 5 ratios), values.
    fn directory(at: usize, fields: &[(u16, u16, Vec<u32>)]) -> Vec<u8> {
        let after = at + 2 + 12 * fields.len() + 4;
        let (mut table, mut values) = ((fields.len() as u16).to_be_bytes().to_vec(), Vec::new());
        for (tag, kind, numbers) in fields {
            let bytes: Vec<u8> =
                numbers.iter().flat_map(|n| n.to_be_bytes()[[0, 3, 3, 2, 0, 0][*kind as usize]..].to_vec()).collect();
            let count = numbers.len() / if *kind == 5 { 2 } else { 1 };
            table.extend([&tag.to_be_bytes()[..], &kind.to_be_bytes(), &(count as u32).to_be_bytes()].concat());
            if bytes.len() <= 4 {
                table.extend([&bytes[..], &[0; 4][bytes.len()..]].concat());
            } else {
                table.extend(((after + values.len()) as u32).to_be_bytes());
                values.extend([&bytes[..], &[0; 1][..bytes.len() % 2]].concat());
            }
        }
        [table, vec![0; 4], values].concat()
    }

    fn text(text: &str) -> Vec<u32> {
        text.bytes().chain([0]).map(u32::from).collect()
    }

    fn count(row: usize, column: usize) -> u16 {
        ((row * 37 + column * 11 + row * column % 53) % 4096) as u16
    }

    fn samples() -> Vec<u8> {
        (0..ROWS).flat_map(|r| (0..COLUMNS).flat_map(move |c| count(r, c).to_be_bytes())).collect()
    }

    /// A raw file as its maker lays it out, uncompressed: the picture in a directory below the first (`nested`), or in the first.
    fn made(make: &str, model: &str, bits: u32, nested: bool, own: (u16, u16, Vec<u32>)) -> Vec<u8> {
        let camera = [(271, 2, text(make)), (272, 2, text(model))];
        let settings = [(33434, 5, vec![1, 30]), (33437, 5, vec![28, 10]), (34855, 3, vec![100]), own];
        let picture = |data: usize| {
            let (columns, rows) = (COLUMNS as u32, ROWS as u32);
            let numbers = [
                (254, 0),
                (256, columns),
                (257, rows),
                (258, bits),
                (259, 1),
                (262, 32803),
                (273, data as u32),
                (277, 1),
            ];
            let mut fields: Vec<_> = numbers.into_iter().map(|(tag, n)| (tag, 4, vec![n])).collect();
            fields.extend([(278, 4, vec![rows]), (279, 4, vec![2 * columns * rows])]);
            fields.extend([(33421, 3, vec![2, 2]), (33422, 1, vec![0, 1, 1, 2])]);
            fields
        };
        let main = |exif: usize, below: usize, data: usize| {
            let mut fields = camera.to_vec();
            fields.extend(if nested { vec![(254, 4, vec![1]), (330, 4, vec![below as u32])] } else { picture(data) });
            fields.push((34665, 4, vec![exif as u32]));
            fields.sort_by_key(|field| field.0);
            directory(8, &fields)
        };
        let exif = 8 + main(0, 0, 0).len();
        let below = exif + directory(exif, &settings).len();
        let data = if nested { below + directory(below, &picture(0)).len() } else { below };
        let mut file = [b"MM\0*\0\0\0\x08".to_vec(), main(exif, below, data), directory(exif, &settings)].concat();
        if nested {
            file.extend(directory(below, &picture(data)));
        }
        [file, samples()].concat()
    }

    /// 12 bits in the first directory; the usable area leaves 48 columns and 16 rows out.
    fn first() -> Vec<u8> {
        made("PENTAX Corporation", "PENTAX K10D", 16, false, (0x0201, 3, vec![8192; 4]))
    }

    /// 14 bits in a directory below; the usable area begins at column 0 and leaves two out.
    fn second() -> Vec<u8> {
        made("NIKON CORPORATION", "NIKON D3", 14, true, (0x000c, 5, vec![2, 1, 3, 2, 1, 1, 1, 1]))
    }

    #[test]
    fn every_photosite_comes_back_with_its_level_and_filter() {
        use Filter::{Blue, Green, Red};
        for (file, window, white) in [
            (first(), Window { row: 0, column: 0, size: Size::new(ROWS - 16, COLUMNS - 48) }, 4095.0),
            (second(), Window { row: 0, column: 2, size: Size::new(ROWS, COLUMNS - 2) }, 15892.0),
        ] {
            let frame = read(&file).unwrap();
            assert_eq!((frame.size, dimensions(&file)), (window.size, Ok(window.size)));
            assert_eq!(frame.layout, Layout::Mosaic([Red, Green, Green, Blue]));
            for (row, column) in (0..window.size.rows).flat_map(|r| (0..window.size.columns).map(move |c| (r, c))) {
                let Linear(light) = frame.linear(row, column, 0);
                let put = f32::from(count(window.row + row, window.column + column)) / white;
                assert!((light - put).abs() < 1e-6, "{row}, {column}: {light} for {put}");
            }
            assert_eq!(frame.saturation, [1.0; 4]);
            assert_eq!(frame.settings.exposure_s, Some(1.0 / 30.0));
            assert_eq!((frame.settings.f_number, frame.settings.iso), (Some(2.8), Some(100.0)));
        }
    }

    /// Black and white by colour: the span is from the highest black to each white, as in DNG.
    #[test]
    fn levels_are_by_colour() {
        use Filter::{Blue, Green, Red};
        let (tables, full) = levels(Layout::Mosaic([Green, Red, Blue, Green]), [256, 250, 260, 0], [4000; 4]).unwrap();
        let light = |place: usize, code: usize| tables[place][code];
        assert_eq!([light(0, 250), light(1, 256), light(2, 260), light(3, 250)], [0.0; 4]);
        assert!((light(1, 2126) - 0.5).abs() < 1e-6 && light(2, 100) < 0.0);
        assert!((full[0] - 3750.0 / 3740.0).abs() < 1e-6 && full[2] == 1.0);
        assert!(levels(Layout::Gray, [512; 4], [512; 4]).is_err());
    }

    #[test]
    fn unknown_cameras_are_named() {
        let told = |make: &str| {
            read(&made(make, "One of a kind", 16, false, (0x0201, 3, vec![1; 4]))).unwrap_err().to_string()
        };
        let text = told("PENTAX Corporation");
        assert!(text.contains("PENTAX Corporation One of a kind") && text.contains("DNG"), "{text}");
        assert!(!text.contains('"'), "{text}");
        assert!(told("Nobody").contains("not known"));
    }

    #[test]
    fn cuts_and_circles_are_faults() {
        for whole in [first(), second()] {
            for end in (0..whole.len() - samples().len()).chain((0..300).map(|i| whole.len() - 1 - i * 80)) {
                assert!(fenced(|| read(&whole[..end])).is_err(), "cut at {end}");
            }
        }
        let circle = directory(8, &[(271, 2, text("Nobody")), (330, 4, vec![8; 40])]);
        let told = read(&[b"MM\0*\0\0\0\x08".to_vec(), circle].concat()).unwrap_err().to_string();
        assert!(told.contains("circle"), "{told}");
    }

    #[test]
    fn damage_is_survived() {
        let whole = second();
        for at in 0..whole.len() - samples().len() {
            for change in [0x00, 0xff, 0x40] {
                let mut file = whole.clone();
                file[at] = if change == 0x40 { file[at] ^ change } else { change };
                let _ = fenced(|| read(&file));
                let _ = fenced(|| settings(&file));
            }
        }
    }

    /// LibRaw, through rawpy, finds the same numbers in the same files.
    #[test]
    #[ignore = "needs Python with the packages of tests/outside: use tests/run"]
    fn libraw_reads_the_same_numbers() {
        const PRINT: &str = "
import sys, rawpy
raw = rawpy.imread(sys.argv[1])
sys.stdout.buffer.write(raw.raw_image.astype('<u2').tobytes())
print(raw.raw_image.shape[::-1], [[raw.color_desc[raw.raw_color(r, c)] for c in (0, 1)] for r in (0, 1)], file=sys.stderr)
";
        let python = std::env::var_os("HYALINE_PYTHON").expect("HYALINE_PYTHON names a Python");
        let folder = tempfile::tempdir().unwrap();
        for (name, file) in [("first.pef", first()), ("second.nef", second())] {
            let path = folder.path().join(name);
            std::fs::write(&path, &file).unwrap();
            let out = std::process::Command::new(&python).args(["-c", PRINT]).arg(&path).output().unwrap();
            let says = String::from_utf8_lossy(&out.stderr);
            assert!(out.status.success(), "{says}");
            assert_eq!(says.trim(), format!("({COLUMNS}, {ROWS}) [[82, 71], [71, 66]]"));
            let RawImageData::Integer(ours) = rawloader::decode(&mut &file[..]).unwrap().data else {
                panic!("integers")
            };
            let theirs: Vec<u16> = out.stdout.as_chunks::<2>().0.iter().map(|v| u16::from_le_bytes(*v)).collect();
            assert_eq!(ours, theirs);
        }
    }
}
