//! Gray TIFFs as numbers, and numbers between pixels.

use hyaline::image::{Image, Size};
use std::path::Path;
use tiff::decoder::{Decoder, DecodingResult, Limits};

/// A 16-bit gray TIFF, each code times `per_code`.
pub fn read_gray16(file: &Path, per_code: f64) -> Image<f32> {
    let reader =
        std::io::BufReader::new(std::fs::File::open(file).unwrap_or_else(|e| panic!("{}: {e}", file.display())));
    let mut limits = Limits::unlimited();
    limits.decoding_buffer_size = 1 << 30;
    let mut decoder = Decoder::new(reader).unwrap().with_limits(limits);
    let (columns, rows) = decoder.dimensions().unwrap();
    let DecodingResult::U16(codes) = decoder.read_image().unwrap() else {
        panic!("{}: not 16-bit gray", file.display())
    };
    let values = codes.iter().map(|c| (f64::from(*c) * per_code) as f32).collect();
    Image::from_vec(Size::new(rows as usize, columns as usize), values)
}

/// Between pixels by cubic convolution (Keys 1981); pixel centres at half-integers.
pub fn between(image: &Image<f32>, x: f64, y: f64) -> f64 {
    let weights = |t: f64| {
        let (t2, t3) = (t * t, t * t * t);
        [-0.5 * t3 + t2 - 0.5 * t, 1.5 * t3 - 2.5 * t2 + 1.0, -1.5 * t3 + 2.0 * t2 + 0.5 * t, 0.5 * t3 - 0.5 * t2]
    };
    let (x, y) = (x - 0.5, y - 0.5);
    let (i, j) = (x.floor(), y.floor());
    let (wx, wy) = (weights(x - i), weights(y - j));
    let mut sum = 0.0;
    for (dy, w) in wy.iter().enumerate() {
        for (dx, v) in wx.iter().enumerate() {
            sum += w * v * f64::from(image.at_clamped(j as isize + dy as isize - 1, i as isize + dx as isize - 1));
        }
    }
    sum
}

/// The value below which a share of the numbers lies.
pub fn quantile(values: &mut [f64], share: f64) -> f64 {
    assert!(!values.is_empty(), "a quantile of nothing");
    let i = ((values.len() - 1) as f64 * share).round() as usize;
    *values.select_nth_unstable_by(i, f64::total_cmp).1
}
