//! A HEIF file's boxes: which of its pictures is the one to see, what is said of it, and how much its coded parts amount to.
//!
//! In: the file. Out: a [`Boxes`] that borrows from it. Fails where a box or a picture reaches beyond the file's end, where the
//! boxes that a picture needs are missing, and on moving pictures. Nothing is decoded.
//!
//! ISO/IEC 14496-12:2022, 8.11 (items) and ISO/IEC 23008-12:2022, 6.5 (their properties), 6.6 (grids).

use super::super::limits::damaged;
use crate::error::Fault;
use std::collections::BTreeMap;

pub type Kind = [u8; 4];

/// Pictures and what belongs to them, as the file lists them.
#[derive(Debug, Default)]
pub struct Boxes<'a> {
    /// The picture that the file means to be seen.
    pub primary: u32,
    kinds: BTreeMap<u32, Kind>,
    properties: Vec<(Kind, &'a [u8])>,
    /// Properties of each item, in their order, counted from 1; 0 means none.
    owned: BTreeMap<u32, Vec<usize>>,
    /// Bytes of each item.
    pub(super) lengths: BTreeMap<u32, u64>,
    /// What each item is put together from.
    parts: BTreeMap<u32, Vec<u32>>,
}

impl<'a> Boxes<'a> {
    pub fn open(file: &'a [u8]) -> Result<Boxes<'a>, Fault> {
        let (mut meta, mut film) = (None, false);
        each(file, |kind, body| {
            match &kind {
                b"meta" => meta = Some(body),
                b"moov" => film = true,
                _ => {}
            }
            Ok(())
        })?;
        let Some(meta) = meta else {
            return Err(match film {
                true => Fault::new("it is a sequence of pictures, not one picture", "take single pictures, not bursts"),
                false => damaged("the list of its pictures is missing"),
            });
        };
        let mut boxes = Boxes::default();
        let mut primary = None;
        each(Bytes(meta).after(4)?, |kind, body| {
            let mut bytes = Bytes(body);
            match &kind {
                b"pitm" => {
                    let wide = bytes.version()? > 0;
                    primary = Some(bytes.number(if wide { 4 } else { 2 })? as u32);
                }
                b"iinf" => boxes.kinds = kinds(bytes)?,
                b"iloc" => boxes.lengths = lengths(bytes, file.len() as u64)?,
                b"iref" => boxes.parts = parts(bytes)?,
                b"iprp" => each(body, |kind, body| {
                    match &kind {
                        b"ipco" => each(body, |kind, body| {
                            boxes.properties.push((kind, body));
                            Ok(())
                        })?,
                        b"ipma" => boxes.owned.extend(owned(Bytes(body))?),
                        _ => {}
                    }
                    Ok(())
                })?,
                _ => {}
            }
            Ok(())
        })?;
        boxes.primary = primary.ok_or_else(|| damaged("it does not say which picture is meant"))?;
        Ok(boxes)
    }

    /// How the picture is coded: "hvc1", "grid", "av01" ...
    pub fn kind(&self) -> Result<Kind, Fault> {
        self.kinds.get(&self.primary).copied().ok_or_else(|| damaged("the picture that is meant is not there"))
    }

    /// What is said of the picture, in the order in which it is to be done.
    pub fn properties(&self) -> impl Iterator<Item = (Kind, &'a [u8])> {
        let owned = self.owned.get(&self.primary).into_iter().flatten();
        owned.filter_map(|index| self.properties.get(index.checked_sub(1)?).copied())
    }

    /// Whether any picture of the file is of a kind, or says of itself that it serves a purpose named so.
    pub fn holds(&self, kind: &Kind, purpose: &[u8]) -> bool {
        let named = |body: &[u8]| body.windows(purpose.len()).any(|name| name == purpose);
        self.kinds.values().any(|k| k == kind) || self.properties.iter().any(|(k, body)| k == b"auxC" && named(body))
    }

    /// Bytes that a decoder copies: those of every item, as often as the picture is put together from it, and with each the
    /// longest of the decoder's own settings.
    pub fn copied(&self) -> u64 {
        let settings = self.properties.iter().filter(|(kind, _)| kind == b"hvcC").map(|(_, body)| body.len() as u64);
        let each = settings.max().unwrap_or(0);
        let length = |item: &u32| self.lengths.get(item).copied().unwrap_or(0).saturating_add(each);
        let used = self.lengths.keys().chain(self.parts.values().flatten());
        used.map(length).fold(0, u64::saturating_add)
    }
}

fn kinds(mut bytes: Bytes) -> Result<BTreeMap<u32, Kind>, Fault> {
    let wide = bytes.version()? > 0;
    let mut kinds = BTreeMap::new();
    each(bytes.after(if wide { 4 } else { 2 })?, |kind, body| {
        let mut entry = Bytes(body);
        let version = entry.version()?;
        if &kind == b"infe" && version >= 2 {
            let item = entry.number(if version == 2 { 2 } else { 4 })? as u32;
            entry.number(2)?; // protection
            kinds.insert(item, (entry.number(4)? as u32).to_be_bytes());
        }
        Ok(())
    })?;
    Ok(kinds)
}

fn lengths(mut bytes: Bytes, file: u64) -> Result<BTreeMap<u32, u64>, Fault> {
    let version = bytes.version()?;
    let sizes = bytes.number(2)?;
    let size = |place: u32| (sizes >> (12 - 4 * place)) as usize & 15;
    let (offset, length, base) = (size(0), size(1), size(2));
    let index = if version > 0 { size(3) } else { 0 };
    let wide = if version < 2 { 2 } else { 4 };
    let mut lengths = BTreeMap::new();
    for _ in 0..bytes.number(wide)? {
        let item = bytes.number(wide)? as u32;
        // 0: counted from the file's start; others lie within boxes.
        let from = if version > 0 { bytes.number(2)? & 15 } else { 0 };
        bytes.skip(2)?;
        let base = bytes.number(base)?;
        let mut all = 0u64;
        for _ in 0..bytes.number(2)? {
            bytes.skip(index)?;
            let (at, length) = (bytes.number(offset)?, bytes.number(length)?);
            if from == 0 && base.saturating_add(at).saturating_add(length) > file {
                return Err(cut());
            }
            all = all.saturating_add(length);
        }
        lengths.insert(item, all);
    }
    Ok(lengths)
}

fn parts(mut bytes: Bytes) -> Result<BTreeMap<u32, Vec<u32>>, Fault> {
    let wide = if bytes.version()? == 0 { 2 } else { 4 };
    let mut parts = BTreeMap::new();
    each(bytes.0, |kind, body| {
        if &kind == b"dimg" {
            let mut entry = Bytes(body);
            while !entry.0.is_empty() {
                let whole = entry.number(wide)? as u32;
                let count = entry.number(2)?;
                let of = (0..count).map(|_| Ok(entry.number(wide)? as u32)).collect::<Result<_, Fault>>()?;
                parts.insert(whole, of);
            }
        }
        Ok(())
    })?;
    Ok(parts)
}

fn owned(mut bytes: Bytes) -> Result<BTreeMap<u32, Vec<usize>>, Fault> {
    let head = bytes.number(4)?;
    let (wide, long) = (head >> 24 > 0, head & 1 == 1);
    let mut owned = BTreeMap::new();
    for _ in 0..bytes.number(4)? {
        let item = bytes.number(if wide { 4 } else { 2 })? as u32;
        let count = bytes.number(1)?;
        // The highest bit only says whether a reader must know the property.
        let mut index = || -> Result<usize, Fault> {
            Ok(if long { bytes.number(2)? & 0x7fff } else { bytes.number(1)? & 0x7f } as usize)
        };
        owned.insert(item, (0..count).map(|_| index()).collect::<Result<_, Fault>>()?);
    }
    Ok(owned)
}

/// Every box that lies in `bytes`, in order.
fn each<'a>(bytes: &'a [u8], mut seen: impl FnMut(Kind, &'a [u8]) -> Result<(), Fault>) -> Result<(), Fault> {
    let mut rest = Bytes(bytes);
    while !rest.0.is_empty() {
        let whole = rest.0;
        let (short, kind) = (rest.number(4)?, (rest.number(4)? as u32).to_be_bytes());
        let length = match short {
            0 => whole.len() as u64, // to the end
            1 => rest.number(8)?,
            short => short,
        };
        let head = whole.len() - rest.0.len();
        let body = usize::try_from(length).ok().and_then(|end| whole.get(head..end)).ok_or_else(cut)?;
        seen(kind, body)?;
        rest = Bytes(&whole[head + body.len()..]);
    }
    Ok(())
}

/// Bytes that are read from the front.
struct Bytes<'a>(&'a [u8]);

impl<'a> Bytes<'a> {
    /// A number of up to eight bytes, the highest first.
    fn number(&mut self, bytes: usize) -> Result<u64, Fault> {
        let (number, rest) = self.0.split_at_checked(bytes).ok_or_else(cut)?;
        self.0 = rest;
        Ok(number.iter().fold(0, |sum, byte| sum << 8 | u64::from(*byte)))
    }

    fn skip(&mut self, bytes: usize) -> Result<(), Fault> {
        self.number(bytes).map(|_| ())
    }

    fn after(mut self, bytes: usize) -> Result<&'a [u8], Fault> {
        self.skip(bytes)?;
        Ok(self.0)
    }

    /// A full box's version; its flags are skipped.
    fn version(&mut self) -> Result<u64, Fault> {
        Ok(self.number(4)? >> 24)
    }
}

fn cut() -> Fault {
    Fault::new("it is cut short within its boxes", "copy it from the camera again")
}
