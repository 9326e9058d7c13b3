//! Small pictures: a positive, or light itself, as a gray JPEG of at most so many pixels on its long side.
//!
//! In: rows, in order, of positive codes or of linear light. Out: a baseline JPEG. Averages are taken in linear light, as an eye
//! far away takes them. A picture is never enlarged. Memory holds less than four times the result's sides, however large the
//! original, so the rows of a whole 8×10 plate may stream through. Fails only if fewer or more rows come than were announced, which is
//! a mistake in the caller and panics.
//!
//! Blocks of k × k pixels are averaged as rows come; what is left above the wanted size is taken off by one resampling with a Hamming
//! kernel (`fast_image_resize`), which does not ring at edges.

use crate::image::{Image, Size};
use crate::positive::lightness;
use fast_image_resize as fir;
use image::codecs::jpeg::JpegEncoder;
use image::{ExtendedColorType, ImageEncoder};
use rayon::prelude::*;

/// A picture being made smaller as its rows come.
pub struct Shrink {
    size: Size,
    side: usize,
    /// Blocks of this many pixels each way become one.
    block: usize,
    rows_seen: usize,
    /// Sums over the blocks, as far as rows have come.
    sums: Image<f32>,
}

impl Shrink {
    /// `side`: most pixels on the long side of the result.
    pub fn new(size: Size, side: usize) -> Self {
        let side = side.max(1);
        let block = (size.rows.max(size.columns) / (2 * side)).max(1);
        let blocks = Size::new(size.rows.div_ceil(block), size.columns.div_ceil(block));
        Shrink { size, side, block, rows_seen: 0, sums: Image::filled(blocks, 0.0) }
    }

    /// The next rows, of positive codes.
    pub fn codes(&mut self, rows: &[u16]) {
        let light: &[f32] = &lightness::OF_CODE;
        let columns = self.size.columns;
        assert_eq!(rows.len() % columns, 0, "rows of another picture");
        self.take(rows.len() / columns, |row, line| {
            line.iter_mut().zip(&rows[row * columns..]).for_each(|(v, code)| *v = light[*code as usize]);
        });
    }

    /// The next so many rows, of linear light, of which 1 is shown as white: `fill(row among these, its light)`, on all cores.
    pub fn light(&mut self, rows: usize, fill: impl Fn(usize, &mut [f32]) + Sync) {
        self.take(rows, |row, line| {
            fill(row, line);
            line.iter_mut().for_each(|v| *v = if v.is_nan() { 0.0 } else { v.clamp(0.0, 1.0) });
        });
    }

    /// Adds rows to the blocks that they lie in; each block's rows in their order, so that neither cores nor portions change a sum.
    fn take(&mut self, rows: usize, fill: impl Fn(usize, &mut [f32]) + Sync) {
        let (block, columns, blocks) = (self.block, self.size.columns, self.sums.columns());
        let these = self.rows_seen..self.rows_seen + rows;
        let touched = these.start / block..these.end.div_ceil(block);
        let sums = &mut self.sums.pixels_mut()[touched.start * blocks..touched.end * blocks];
        sums.par_chunks_mut(blocks.max(1)).zip(touched).for_each_init(
            || vec![0f32; columns],
            |line, (sums, at)| {
                if block == 1 {
                    return fill(at - these.start, sums);
                }
                for row in (at * block).max(these.start)..((at + 1) * block).min(these.end) {
                    fill(row - these.start, line);
                    let cells = line.chunks(block);
                    sums.iter_mut().zip(cells).for_each(|(sum, cell)| *sum += cell.iter().sum::<f32>());
                }
            },
        );
        self.rows_seen += rows;
    }

    /// The small picture, linear light.
    pub fn finish(self) -> Image<f32> {
        assert_eq!(self.rows_seen, self.size.rows, "rows are missing");
        let (size, side, block) = (self.size, self.side, self.block as f64);
        let image = self.means();
        let long = size.rows.max(size.columns);
        if long <= side || long == 0 {
            return image;
        }
        let small = |n: usize| ((n * side + long / 2) / long).max(1);
        // The last blocks may be narrower than the rest: only the part of them that holds pixels counts.
        let (width, height) = (size.columns as f64 / block, size.rows as f64 / block);
        resample(&image, Size::new(small(size.rows), small(size.columns)), width, height)
    }

    fn means(self) -> Image<f32> {
        if self.block == 1 {
            return self.sums;
        }
        // The last blocks hold fewer rows and columns.
        let pixels = |at: usize, of: usize| self.block.min(of - at * self.block);
        Image::from_rows(self.sums.size(), 0f32, |row, out| {
            let rows = pixels(row, self.size.rows);
            for (column, (mean, sum)) in out.iter_mut().zip(self.sums.row(row)).enumerate() {
                *mean = sum / (rows * pixels(column, self.size.columns)) as f32;
            }
        })
    }

    /// The small picture as a JPEG. `quality`: 1 to 100. `icc`: the profile of the sRGB curve in gray, or nothing, which readers take
    /// for the same.
    pub fn jpeg(self, quality: u8, icc: &[u8]) -> Vec<u8> {
        jpeg(&self.finish(), quality, icc)
    }
}

/// A positive as a small JPEG; see [`Shrink`].
pub fn preview_jpeg(positive: &Image<u16>, side: usize, quality: u8, icc: &[u8]) -> Vec<u8> {
    let mut shrink = Shrink::new(positive.size(), side);
    shrink.codes(positive.pixels());
    shrink.jpeg(quality, icc)
}

/// Linear light as a small JPEG, such as a capture or a blank; light of 1 is white. `fill(row number, row)` gives its rows, on all cores.
pub fn light_jpeg(size: Size, side: usize, quality: u8, fill: impl Fn(usize, &mut [f32]) + Sync) -> Vec<u8> {
    let mut shrink = Shrink::new(size, side);
    shrink.light(size.rows, fill);
    shrink.jpeg(quality, &[])
}

fn resample(image: &Image<f32>, target: Size, width: f64, height: f64) -> Image<f32> {
    let bytes: &[u8] = bytemuck::cast_slice(image.pixels());
    let source = fir::images::ImageRef::new(image.columns() as u32, image.rows() as u32, bytes, fir::PixelType::F32)
        .expect("the size fits the pixels");
    let mut small = fir::images::Image::new(target.columns as u32, target.rows as u32, fir::PixelType::F32);
    let how = fir::ResizeOptions::new()
        .resize_alg(fir::ResizeAlg::Convolution(fir::FilterType::Hamming))
        .crop(0.0, 0.0, width, height);
    fir::Resizer::new().resize(&source, &mut small, &how).expect("the crop lies inside the picture");
    Image::from_vec(target, bytemuck::pod_collect_to_vec(small.buffer()))
}

/// Linear light as a gray JPEG by the sRGB curve, at its own size; see [`Shrink::jpeg`].
pub fn jpeg(light: &Image<f32>, quality: u8, icc: &[u8]) -> Vec<u8> {
    let codes: Vec<u8> = light.pixels().par_iter().map(|light| lightness::byte(*light)).collect();
    let mut out = Vec::new();
    let mut encoder = JpegEncoder::new_with_quality(&mut out, quality.clamp(1, 100));
    if !icc.is_empty() {
        encoder.set_icc_profile(icc.to_vec()).expect("JPEG takes a profile");
    }
    let (width, height) = (light.columns() as u32, light.rows() as u32);
    encoder.encode(&codes, width, height, ExtendedColorType::L8).expect("a gray picture below 65536 pixels a side");
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(jpeg: &[u8]) -> image::GrayImage {
        image::load_from_memory_with_format(jpeg, image::ImageFormat::Jpeg).unwrap().to_luma8()
    }

    #[test]
    fn the_long_side_is_kept_to_and_nothing_is_enlarged() {
        for (rows, columns, side, want) in [
            (300, 500, 100, (100, 60)),
            (500, 300, 100, (60, 100)),
            (7, 5, 100, (5, 7)),
            (1, 1, 1, (1, 1)),
            (1001, 997, 64, (64, 64)),
            (3, 2000, 50, (50, 1)),
        ] {
            let jpeg = preview_jpeg(&Image::filled(Size::new(rows, columns), 30000), side, 90, &[]);
            assert_eq!(read(&jpeg).dimensions(), want, "{columns}×{rows} to {side}");
        }
    }

    /// A fine chequer of black and white is half the light: value 0.735 by the sRGB curve (IEC 61966-2-1), and not the mean of the
    /// codes. JPEG at quality 95 keeps an even field to a code or two.
    #[test]
    fn light_is_averaged_and_not_codes() {
        let size = Size::new(256, 256);
        let chequer = Image::from_rows(size, 0u16, |row, out| {
            out.iter_mut()
                .enumerate()
                .for_each(|(column, code)| *code = if (row + column) % 2 == 0 { 65535 } else { 0 });
        });
        let small = read(&preview_jpeg(&chequer, 32, 95, &[]));
        assert!(small.pixels().all(|p| p.0[0].abs_diff(188) <= 2), "{:?}", small.get_pixel(5, 5));
    }

    /// A ramp keeps its place when its sides are no multiple of the block: a straight ramp averaged over any part of it is the ramp at
    /// the part's middle.
    #[test]
    fn pictures_keep_their_place() {
        let size = Size::new(1003, 777);
        let mut shrink = Shrink::new(size, 100);
        // In portions that end within blocks.
        for portion in [1, 2, 500, 0, 500] {
            shrink.light(portion, |_, row| {
                row.iter_mut().enumerate().for_each(|(x, v)| *v = (x as f32 + 0.5) / size.columns as f32);
            });
        }
        let small = shrink.finish();
        assert_eq!((small.rows(), small.columns()), (100, 77));
        for column in 2..75 {
            let want = (column as f32 + 0.5) / 77.0;
            assert!((small.at(50, column) - want).abs() < 5e-4, "{column}: {}", small.at(50, column));
        }
    }

    #[test]
    fn a_profile_is_embedded_and_the_same_bytes_come_each_time() {
        let image = Image::from_rows(Size::new(90, 130), 0u16, |row, out| out.fill(row as u16 * 700));
        let (one, two) = (preview_jpeg(&image, 64, 90, b"profile"), preview_jpeg(&image, 64, 90, b"profile"));
        assert_eq!(one, two);
        let mut decoder = image::codecs::jpeg::JpegDecoder::new(std::io::Cursor::new(&one)).unwrap();
        assert_eq!(image::ImageDecoder::icc_profile(&mut decoder).unwrap().as_deref(), Some(&b"profile"[..]));
    }
}
