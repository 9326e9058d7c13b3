//! What is refused before memory is taken for it.
//!
//! In: what a header declares, and how long the file is. Fails with a fault that names both.

use crate::error::Fault;
use crate::image::Size;

/// Pixels of the largest frame: four times what the largest sensors of cameras for sale have.
pub const MAX_PIXELS: u64 = 400_000_000;

/// Bytes of the largest decoded frame: MAX_PIXELS in three 16-bit channels.
pub const MAX_BYTES: u64 = MAX_PIXELS * 6;

/// Bytes of the largest file that is read whole.
pub const MAX_FILE: u64 = 1 << 30;

/// Decoded bytes that one byte of a JPEG, PNG, deflate or LZW file can stand for at most; deflate's bound is 1032, LZW's
/// is 4096 codes of at most as many bytes, and a progressive JPEG of one even colour needs about 1000.
pub const MAX_EXPANSION: u64 = 4096;

/// A file whose content cannot be right.
pub fn damaged(why: impl std::fmt::Display) -> Fault {
    Fault::new(format!("it cannot be decoded: {why}"), "copy it from the camera again, or name another frame")
}

/// Checks a declared size. `bytes_a_pixel` is that of the decoded frame; `file` is the file's length, or none where so little
/// data can stand for an even frame that its length proves nothing.
pub fn admit(columns: u64, rows: u64, bytes_a_pixel: u64, file: Option<u64>) -> Result<Size, Fault> {
    let damaged = "copy it from the camera again, or name another frame";
    if columns == 0 || rows == 0 {
        return Err(Fault::new(format!("its header declares {columns}×{rows} pixels"), damaged));
    }
    let pixels = columns.saturating_mul(rows);
    let bytes = pixels.saturating_mul(bytes_a_pixel);
    if pixels > MAX_PIXELS || bytes > MAX_BYTES {
        return Err(Fault::new(
            format!("its header declares {columns}×{rows} pixels; {} megapixels are the most", MAX_PIXELS / 1_000_000),
            "if the file is sound, copy the plate in tiles; if not, copy it from the camera again",
        ));
    }
    if let Some(file) = file
        && bytes / MAX_EXPANSION > file
    {
        return Err(Fault::new(
            format!("its header declares {columns}×{rows} pixels, more than its {file} bytes can hold"),
            damaged,
        ));
    }
    Ok(Size::new(rows as usize, columns as usize))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn monstrous_sizes_are_refused() {
        assert!(admit(1 << 31, 1 << 31, 8, None).is_err());
        assert!(admit(65_535, 65_535, 3, Some(1 << 40)).is_err());
        assert!(admit(u64::MAX, u64::MAX, u64::MAX, None).is_err());
        assert!(admit(0, 10, 3, None).is_err());
        assert!(admit(20_000, 20_000, 6, Some(200)).is_err(), "200 bytes hold no 400 megapixels");
        assert_eq!(admit(4032, 3024, 3, Some(3_000_000)), Ok(Size::new(3024, 4032)));
    }
}
