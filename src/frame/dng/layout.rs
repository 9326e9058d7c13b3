//! Which of a DNG's pictures is the raw one, and how it is stored.
//!
//! In: the file's directories. Out: a [`Layout`]: size, depth, compression, where the strips or tiles lie, and what the samples
//! are. Fails on kinds that are not read (floating point, lossy, filters other than 2 × 2 red, green and blue), each with a
//! sentence, and on sizes and tables that cannot be right.
//!
//! DNG 1.7.1 (2023), chapters 2 to 5; TIFF/EP (ISO 12234-2) for the filter pattern.

use crate::error::Fault;
use crate::frame::Filter;
use crate::frame::ifd::{Directory, Tiff, tag};
use crate::frame::limits::{admit, damaged};
use crate::image::{Size, Window};
use std::io::{Read, Seek};

const NEW_SUBFILE_TYPE: u16 = 254;
const STRIP_OFFSETS: u16 = 273;
const ROWS_PER_STRIP: u16 = 278;
const STRIP_BYTES: u16 = 279;
const PLANAR: u16 = 284;
const PREDICTOR: u16 = 317;
const TILE_WIDTH: u16 = 322;
const TILE_LENGTH: u16 = 323;
const TILE_OFFSETS: u16 = 324;
const TILE_BYTES: u16 = 325;
const SAMPLE_FORMAT: u16 = 339;
const CFA_REPEAT: u16 = 33421;
const CFA_PATTERN: u16 = 33422;
const CFA_PLANE_COLOUR: u16 = 50710;
const CFA_LAYOUT: u16 = 50711;
const DEFAULT_CROP_ORIGIN: u16 = 50719;
const DEFAULT_CROP_SIZE: u16 = 50720;
const ACTIVE_AREA: u16 = 50829;
const ROW_INTERLEAVE: u16 = 50975;
const COLUMN_INTERLEAVE: u16 = 52547;

const COLOUR_FILTERS: u64 = 32803;
const LINEAR_RAW: u64 = 34892;

/// Strips or tiles of the largest file: 400 megapixels in tiles of 64 × 64.
const MAX_CHUNKS: usize = 100_000;

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Compression {
    None,
    LosslessJpeg,
    /// Differences to the sample this many pixels before; 0 for none.
    Deflate(usize),
    JpegXl,
}

/// What the samples are.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// Under colour filters, as they lie from the corner of the active area.
    Mosaic([Filter; 4]),
    /// Already of one (a sensor without filters) or three colours.
    Linear,
}

/// How the raw picture is stored.
#[derive(Debug, Clone)]
pub struct Layout {
    pub directory: Directory,
    pub size: Size,
    pub samples: usize,
    pub bits: u32,
    pub kind: Kind,
    pub compression: Compression,
    /// Size of one strip or tile, in pixels; those at the right and bottom edges may reach beyond the picture.
    pub chunk: Size,
    pub tiled: bool,
    /// Where each lies, and its bytes.
    pub chunks: Vec<(u64, u64)>,
    /// Rows and columns are stored by fields: every so-manieth together.
    pub interleave: [usize; 2],
    /// The part that light reaches.
    pub active: Window,
    /// The part meant to be seen, within the active area.
    pub crop: Option<Window>,
}

/// Finds and checks the raw picture.
pub fn layout<R: Read + Seek>(tiff: &mut Tiff<R>) -> Result<Layout, Fault> {
    let directory = raw_directory(tiff)?;
    let d = &directory;
    let mut one = |tag: u16, default: u64| tiff.integer(d, tag).map(|v| v.unwrap_or(default));
    let (columns, rows, samples) = (one(tag::WIDTH, 0)?, one(tag::LENGTH, 0)?, one(tag::SAMPLES, 1)?);
    let (compression, predictor) = (one(tag::COMPRESSION, 1)?, one(PREDICTOR, 1)?);
    let (format, planar, photometric) = (one(SAMPLE_FORMAT, 1)?, one(PLANAR, 1)?, one(tag::PHOTOMETRIC, 0)?);
    let interleave = [one(ROW_INTERLEAVE, 1)? as usize, one(COLUMN_INTERLEAVE, 1)? as usize];
    let mend = "set the camera's app to plain lossless raw, or convert it to a linear 16-bit TIFF";
    let unread = |what: String| Err(Fault::new(format!("it is a DNG {what}, which is not read"), mend));

    if !matches!(samples, 1 | 3) {
        return unread(format!("of {samples} samples a pixel"));
    }
    if format != 1 {
        return unread("of floating-point or signed numbers".into());
    }
    let depths = tiff.integers(d, tag::BITS)?.unwrap_or(vec![1]);
    let bits = depths.first().copied().unwrap_or_default();
    if !(8..=16).contains(&bits) || depths.iter().any(|b| *b != bits) {
        return unread(format!("of {bits} bits"));
    }
    if samples > 1 && planar != 1 {
        return unread("stored plane by plane".into());
    }
    let compression = match compression {
        1 => Compression::None,
        7 => Compression::LosslessJpeg,
        8 | 32946 => match predictor {
            1 => Compression::Deflate(0),
            2 => Compression::Deflate(1),
            34892 => Compression::Deflate(2),
            34893 => Compression::Deflate(4),
            other => return unread(format!("with predictor {other}")),
        },
        52546 => Compression::JpegXl,
        34892 => return unread("with lossy JPEG".into()),
        other => return unread(format!("with compression {other}")),
    };
    let kind = match photometric {
        LINEAR_RAW => Kind::Linear,
        _ if samples == 1 => Kind::Mosaic(filters(tiff, d)?),
        _ => return unread("of three samples under colour filters".into()),
    };
    let even = compression == Compression::JpegXl;
    let size = admit(columns, rows, samples * 2, (!even).then_some(tiff.length()))?;
    if interleave.iter().zip([size.rows, size.columns]).any(|(by, length)| *by == 0 || *by > length) {
        return Err(damaged("its rows or columns are interleaved by more than there are"));
    }
    let (chunk, tiled, chunks) = chunks(tiff, d, size, samples as usize * bits as usize, compression)?;
    let active = active(tiff, d, size)?;
    let crop = crop(tiff, d, active.size)?;
    Ok(Layout {
        size,
        samples: samples as usize,
        bits: bits as u32,
        kind,
        compression,
        chunk,
        tiled,
        chunks,
        interleave,
        active,
        crop,
        directory,
    })
}

/// The largest full picture of raw samples, among the first directories and those below them.
fn raw_directory<R: Read + Seek>(tiff: &mut Tiff<R>) -> Result<Directory, Fault> {
    let mut directories = Vec::new();
    for main in tiff.chain()? {
        for at in tiff.pointers(&main, tag::SUB_IFDS) {
            directories.extend(tiff.directory(at));
        }
        directories.push(main);
    }
    let mut best: Option<(u64, Directory)> = None;
    for directory in directories {
        let mut one = |tag: u16| tiff.integer(&directory, tag).ok().flatten();
        let raw = matches!(one(tag::PHOTOMETRIC), Some(COLOUR_FILTERS | LINEAR_RAW));
        // Bit 0 marks reduced pictures; 16 marks one computed from the raw picture.
        let full = one(NEW_SUBFILE_TYPE).unwrap_or(0) == 0;
        let area = one(tag::WIDTH).unwrap_or(0).saturating_mul(one(tag::LENGTH).unwrap_or(0));
        if raw && full && best.as_ref().is_none_or(|(most, _)| area > *most) {
            best = Some((area, directory));
        }
    }
    best.map(|(_, directory)| directory).ok_or_else(|| damaged("a DNG without a raw picture"))
}

fn filters<R: Read + Seek>(tiff: &mut Tiff<R>, d: &Directory) -> Result<[Filter; 4], Fault> {
    let unread = |what: &str| {
        Err(Fault::new(
            format!("its colour filters are {what}, which is not read"),
            "convert it to a linear 16-bit TIFF",
        ))
    };
    if tiff.integer(d, CFA_LAYOUT)?.unwrap_or(1) != 1 {
        return unread("not laid out in a rectangle");
    }
    if tiff.integers(d, CFA_REPEAT)?.as_deref().is_some_and(|dim| dim != [2, 2]) {
        return unread("not in cells of 2×2");
    }
    let Some(pattern) = tiff.integers(d, CFA_PATTERN)? else { return Err(damaged("its filter pattern is missing")) };
    let colours = tiff.integers(d, CFA_PLANE_COLOUR)?.unwrap_or(vec![0, 1, 2]);
    let filter = |code: u64| match code {
        _ if !colours.contains(&code) => None,
        0 => Some(Filter::Red),
        1 => Some(Filter::Green),
        2 => Some(Filter::Blue),
        _ => None,
    };
    match pattern.iter().map(|code| filter(*code)).collect::<Option<Vec<_>>>().as_deref() {
        Some(&[a, b, c, d]) => Ok([a, b, c, d]),
        _ => unread("not red, green and blue in cells of 2×2"),
    }
}

type Chunks = (Size, bool, Vec<(u64, u64)>);

/// Strips or tiles: their size, and where they lie.
fn chunks<R: Read + Seek>(
    tiff: &mut Tiff<R>,
    d: &Directory,
    size: Size,
    pixel_bits: usize,
    compression: Compression,
) -> Result<Chunks, Fault> {
    let tiled = d.has(TILE_OFFSETS);
    let (places, lengths) = if tiled { (TILE_OFFSETS, TILE_BYTES) } else { (STRIP_OFFSETS, STRIP_BYTES) };
    let (down, across) = if tiled { (TILE_LENGTH, TILE_WIDTH) } else { (ROWS_PER_STRIP, tag::WIDTH) };
    let rows = tiff.integer(d, down)?.unwrap_or(size.rows as u64);
    let columns = tiff.integer(d, across)?.unwrap_or(size.columns as u64);
    // A strip may declare more rows than the picture has; a tile lies whole in the file.
    let rows = if tiled { rows } else { rows.min(size.rows as u64) };
    let chunk = admit(columns, rows, pixel_bits.div_ceil(8) as u64, None)?;
    if tiled && (chunk.rows > 4 * size.rows.max(1024) || chunk.columns > 4 * size.columns.max(1024)) {
        return Err(damaged(format!("tiles of {chunk} pixels in a picture of {size}")));
    }
    let count = size.rows.div_ceil(chunk.rows) * size.columns.div_ceil(chunk.columns);
    let at = tiff.integers(d, places)?.unwrap_or_default();
    if count > MAX_CHUNKS || at.len() < count {
        return Err(damaged(format!("{} strips or tiles where {count} are needed", at.len())));
    }
    let lengths = match tiff.integers(d, lengths)? {
        Some(lengths) if lengths.len() >= count => lengths,
        // Old writers left the lengths of a lone uncompressed strip out.
        _ if compression == Compression::None && !tiled => {
            vec![((chunk.columns * pixel_bits).div_ceil(8) * chunk.rows) as u64; count]
        }
        _ => return Err(damaged("the lengths of its strips or tiles are missing")),
    };
    Ok((chunk, tiled, at.into_iter().zip(lengths).take(count).collect()))
}

/// ActiveArea is top, left, bottom, right.
fn active<R: Read + Seek>(tiff: &mut Tiff<R>, d: &Directory, size: Size) -> Result<Window, Fault> {
    let Some(area) = tiff.integers(d, ACTIVE_AREA)? else { return Ok(Window { row: 0, column: 0, size }) };
    match area[..] {
        [top, left, bottom, right]
            if top < bottom && left < right && bottom <= size.rows as u64 && right <= size.columns as u64 =>
        {
            let part = Size::new((bottom - top) as usize, (right - left) as usize);
            Ok(Window { row: top as usize, column: left as usize, size: part })
        }
        _ => Err(damaged(format!("an active area of {area:?} in {size} pixels"))),
    }
}

/// DefaultCropOrigin and DefaultCropSize are x, y within the active area, and may be fractions.
fn crop<R: Read + Seek>(tiff: &mut Tiff<R>, d: &Directory, active: Size) -> Result<Option<Window>, Fault> {
    let (Some(origin), Some(size)) = (tiff.numbers(d, DEFAULT_CROP_ORIGIN)?, tiff.numbers(d, DEFAULT_CROP_SIZE)?)
    else {
        return Ok(None);
    };
    let (&[x, y], &[width, height]) = (&origin[..], &size[..]) else { return Ok(None) };
    let whole = [x, y, width, height].map(|n| n.round().clamp(0.0, 1e6) as usize);
    let [column, row, columns, rows] = whole;
    let fits = rows > 0 && columns > 0 && row + rows <= active.rows && column + columns <= active.columns;
    Ok(fits.then_some(Window { row, column, size: Size::new(rows, columns) }))
}
