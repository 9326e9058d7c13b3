//! A comparison's files.
//!
//! In: the plates, their comparison, the tone mapping, and the folder. Out: compare.json, side-by-side.tif and .jpg, index.html, and,
//! where plates are finer than the page's pictures, tiles beside it. Each file appears whole or not at all. Fails as the disk does.

use super::compare::{BracketPlate, Comparison};
use super::page::{self, Shown, Tiles};
use super::sheet::{View, sheet};
use super::stored::LONG;
use super::words;
use crate::archive::atomic::write_whole;
use crate::archive::directory::Directory;
use crate::archive::icc::{Curve, gray_profile};
use crate::archive::xmp::namespace::{DC, XMP};
use crate::archive::xmp::{self, Packet, Property, Value};
use crate::archive::{Compression, TiffFile, TiffMeta};
use crate::error::{Error, Fault, InFile};
use crate::image::{Image, Size, Window};
use crate::positive::Tone;
use crate::record::Software;
use crate::report::preview_jpeg;
use crate::units::NetDensity;
use std::path::Path;

/// Longest side of one plate on the sheet: 20 cm at 300 samples an inch.
const SHEET_LONG: usize = 2400;
const SHEET_PPI: f64 = 300.0;
/// Longest side of the sheet as JPEG.
const SHEET_JPEG: usize = 4096;
/// Longest side of a plate's picture in the page, and of its densities.
const PAGE_LONG: usize = 2000;
const LOUPE_LONG: usize = 900;
/// Side of a tile.
const TILE: usize = 512;
const QUALITY: u8 = 88;

/// Writes them all into `folder`. A comparison of other plates, or of the same plates made before, is replaced.
pub fn write(folder: &Path, plates: &[BracketPlate], found: &Comparison, tone: &Tone) -> Result<(), Error> {
    std::fs::create_dir_all(folder).in_file(folder)?;
    let path = folder.join("compare.json");
    let json =
        serde_json::to_vec_pretty(found).map_err(|e| Error::new(&path, Fault::new(e.to_string(), "run it again")))?;
    write_whole(&path, &json)?;
    write_sheet(folder, plates, found, tone)?;
    let tiles = write_tiles(folder, plates, found, tone)?;
    write_whole(&folder.join("index.html"), index(plates, found, tone, tiles).as_bytes())
}

/// A view in tones, at the density shift that the matching asks for.
fn toned(view: &Image<NetDensity>, shift: f64, tone: &Tone) -> Image<u16> {
    tone.render(view, -shift as f32)
}

fn write_sheet(folder: &Path, plates: &[BracketPlate], found: &Comparison, tone: &Tone) -> Result<(), Error> {
    let densities: Vec<Image<NetDensity>> =
        (0..plates.len()).map(|i| found.laying.view(plates, i, SHEET_LONG)).collect();
    let views: Vec<View> = plates
        .iter()
        .zip(&found.equal_density)
        .zip(&densities)
        .map(|((plate, equal), density)| View {
            density,
            shift: equal.shift_density,
            caption: words::caption(plate, equal, found.matching),
        })
        .collect();
    let image = sheet(&views, &|d| crate::positive::lightness::code(tone.value(d)));
    let path = folder.join("side-by-side.tif");
    let meta = sheet_meta(found);
    let mut file = TiffFile::create(&path, image.size(), &meta)?;
    file.rows(image.pixels())?;
    file.finish()?;
    let jpeg = preview_jpeg(&image, SHEET_JPEG, 92, &gray_profile(Curve::Srgb));
    write_whole(&folder.join("side-by-side.jpg"), &jpeg)
}

fn sheet_meta(found: &Comparison) -> TiffMeta {
    let title = format!("{} side by side", found.plates.join(", "));
    let software = Software::this();
    let by = format!("{} {}", software.name, software.version);
    let mut tags = Directory::new();
    tags.text(305, &by); // Software
    let properties = vec![
        Property::new(DC, "title", Value::any_language(&title)),
        Property::text(DC, "format", "image/tiff"),
        Property::text(XMP, "CreatorTool", by),
    ];
    TiffMeta {
        ppi: SHEET_PPI,
        icc: gray_profile(Curve::Srgb),
        xmp: xmp::write(&Packet { properties }),
        description: title,
        tags,
        exif: Directory::new(),
        gps: Directory::new(),
        compression: Compression::Deflate,
    }
}

fn index(plates: &[BracketPlate], found: &Comparison, tone: &Tone, tiles: Option<Tiles>) -> String {
    let densities: Vec<Image<NetDensity>> =
        (0..plates.len()).map(|i| found.laying.view(plates, i, LOUPE_LONG)).collect();
    let shown: Vec<Shown> = plates
        .iter()
        .zip(&densities)
        .enumerate()
        .map(|(i, (plate, density))| {
            let picture = toned(&found.laying.view(plates, i, PAGE_LONG), found.equal_density[i].shift_density, tone);
            Shown {
                jpeg: preview_jpeg(&picture, PAGE_LONG, QUALITY, &[]),
                density,
                exposure: plate.exposure,
                development: plate.development,
            }
        })
        .collect();
    let [_, _, width, _] = found.laying.common();
    let mm_per_px = plates[0].mm_per_px * found.laying.full_per_px[0] / plates[0].full_per_px;
    page::page(found, &shown, width * mm_per_px, tiles)
}

/// Tiles of every plate at its own sampling, where that is finer than the page's pictures.
fn write_tiles(
    folder: &Path,
    plates: &[BracketPlate],
    found: &Comparison,
    tone: &Tone,
) -> Result<Option<Tiles>, Error> {
    let beside = folder.join("tiles");
    if beside.exists() {
        std::fs::remove_dir_all(&beside).in_file(&beside)?;
    }
    let mut tiles = None;
    for i in 0..plates.len() {
        let view = found.laying.view(plates, i, LONG);
        let size = view.size();
        if size.rows.max(size.columns) * 20 <= PAGE_LONG * 21 {
            return Ok(None);
        }
        let picture = toned(&view, found.equal_density[i].shift_density, tone);
        let of_plate = beside.join(i.to_string());
        std::fs::create_dir_all(&of_plate).in_file(&of_plate)?;
        for row in 0..size.rows.div_ceil(TILE) {
            for column in 0..size.columns.div_ceil(TILE) {
                let (top, left) = (row * TILE, column * TILE);
                let part = Size::new(TILE.min(size.rows - top), TILE.min(size.columns - left));
                let tile = picture.crop(Window { row: top, column: left, size: part });
                let jpeg = preview_jpeg(&tile, TILE, QUALITY, &[]);
                write_whole(&of_plate.join(format!("{row}-{column}.jpg")), &jpeg)?;
            }
        }
        tiles = Some(Tiles { columns: size.columns, rows: size.rows, side: TILE });
    }
    Ok(tiles)
}
