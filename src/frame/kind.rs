//! What a file is, by its first bytes; its name is not believed.
//!
//! In: the first bytes. Out: the kind. Fails where they begin nothing that hyaline reads, saying what was seen.

use crate::error::Fault;

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    Jpeg,
    Png,
    /// TIFF, DNG, or a maker's raw file laid out like TIFF: its directories tell.
    Tiff,
    Heif,
    /// A maker's raw file that does not begin like TIFF.
    MakerRaw,
}

/// How many bytes `of` needs.
pub const HEAD: usize = 32;

const READABLE: &str = "name a JPEG, PNG, TIFF, HEIC, DNG or a camera's raw file";

/// The kind of a file that begins with `head` (up to 32 bytes of it).
pub fn of(head: &[u8]) -> Result<Kind, Fault> {
    let begins = |magic: &[u8]| head.starts_with(magic);
    if head.is_empty() {
        return Err(Fault::new("the file is empty (0 bytes)", "copy it from the camera again"));
    }
    if begins(b"\xff\xd8\xff") {
        return Ok(Kind::Jpeg);
    }
    if begins(b"\x89PNG\r\n\x1a\n") {
        return Ok(Kind::Png);
    }
    if begins(b"II*\0") || begins(b"MM\0*") || begins(b"II+\0") || begins(b"MM\0+") {
        return Ok(Kind::Tiff);
    }
    if head.get(4..8) == Some(b"ftyp") {
        return match head.get(8..12) {
            Some(b"crx ") => Ok(Kind::MakerRaw),
            Some(b"avif" | b"avis") => {
                Err(Fault::new("it is an AVIF picture, which is not read", "save the frame as JPEG, HEIC or DNG"))
            }
            Some(b"qt  " | b"mp41" | b"mp42" | b"isom" | b"M4V ") => {
                Err(Fault::new("it is a film, not a picture", READABLE))
            }
            _ => Ok(Kind::Heif),
        };
    }
    let raw: [&[u8]; 7] = [b"IIU\0", b"IIRO", b"IIRS", b"MMOR", b"FUJIFILMCCD-RAW", b"\0MRM", b"II\x1a\0\0\0HEAPCCDR"];
    if raw.iter().any(|magic| begins(magic)) {
        return Ok(Kind::MakerRaw);
    }
    Err(Fault::new(format!("it is not a picture that can be read: {}", seen(head)), READABLE))
}

/// What the first bytes look like, in words.
fn seen(head: &[u8]) -> String {
    let known: [(&[u8], &str); 7] = [
        (b"GIF8", "it is a GIF"),
        (b"BM", "it is a BMP"),
        (b"RIFF", "it is a RIFF file (WebP, AVI or WAV)"),
        (b"%PDF", "it is a PDF"),
        (b"PK\x03\x04", "it is a ZIP archive"),
        (b"\xff\x0a", "it is a JPEG XL picture"),
        (b"\0\0\0\x0cJXL ", "it is a JPEG XL picture"),
    ];
    if let Some((_, name)) = known.iter().find(|(magic, _)| head.starts_with(magic)) {
        return name.to_string();
    }
    if head.iter().all(|b| *b == 0) {
        return "it begins with zeros".to_string();
    }
    let text = head.iter().all(|b| b.is_ascii_graphic() || b.is_ascii_whitespace());
    if text {
        let start: String = String::from_utf8_lossy(head).chars().take(16).collect();
        return format!("it begins with the text {:?}", start.trim_end());
    }
    let bytes: Vec<String> = head.iter().take(4).map(|b| format!("{b:02x}")).collect();
    format!("it begins with the bytes {}", bytes.join(" "))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn content_tells_the_kind() {
        assert_eq!(of(b"\xff\xd8\xff\xe0\0\x10JFIF"), Ok(Kind::Jpeg));
        assert_eq!(of(b"MM\0*\0\0\0\x08"), Ok(Kind::Tiff));
        assert_eq!(of(b"\0\0\0\x18ftypheic"), Ok(Kind::Heif));
        assert!(of(b"").unwrap_err().to_string().contains("empty"));
        let text = of(b"notes on the kiln\n").unwrap_err().to_string();
        assert!(text.contains("notes on the kil"), "{text}");
        assert!(of(&[0; 32]).unwrap_err().to_string().contains("zeros"));
    }
}
