//! Gaussian smoothing and slopes of an image. Beyond the border the nearest pixel stands in.

use crate::image::Image;

/// Weights of a Gaussian out to three standard deviations; their sum is 1.
fn bell(sigma: f64) -> Vec<f32> {
    let reach = (3.0 * sigma).ceil() as i32;
    let raw: Vec<f64> = (-reach..=reach).map(|k| (-0.5 * (k as f64 / sigma).powi(2)).exp()).collect();
    let sum: f64 = raw.iter().sum();
    raw.iter().map(|w| (w / sum) as f32).collect()
}

/// Convolution with a Gaussian of `sigma` pixels, along rows and then along columns.
pub fn gaussian(image: &Image<f32>, sigma: f64) -> Image<f32> {
    let weights = bell(sigma);
    let reach = weights.len() / 2;
    let (size, columns) = (image.size(), image.columns());
    let across = Image::from_rows(size, 0f32, |row, out| {
        let line = image.row(row);
        let mut padded = Vec::with_capacity(columns + 2 * reach);
        padded.extend(std::iter::repeat_n(line[0], reach));
        padded.extend_from_slice(line);
        padded.extend(std::iter::repeat_n(line[columns - 1], reach));
        for (k, w) in weights.iter().enumerate() {
            out.iter_mut().zip(&padded[k..]).for_each(|(o, v)| *o += w * v);
        }
    });
    Image::from_rows(size, 0f32, |row, out| {
        for (k, w) in weights.iter().enumerate() {
            let source = (row + k).saturating_sub(reach).min(size.rows - 1);
            out.iter_mut().zip(across.row(source)).for_each(|(o, v)| *o += w * v);
        }
    })
}

/// Slopes along x and along y by central differences, per pixel.
pub fn slopes(image: &Image<f32>) -> (Image<f32>, Image<f32>) {
    let (rows, columns) = (image.rows(), image.columns());
    let x = Image::from_rows(image.size(), 0f32, |row, out| {
        let line = image.row(row);
        for (c, o) in out.iter_mut().enumerate() {
            *o = 0.5 * (line[(c + 1).min(columns - 1)] - line[c.saturating_sub(1)]);
        }
    });
    let y = Image::from_rows(image.size(), 0f32, |row, out| {
        let (up, down) = (image.row(row.saturating_sub(1)), image.row((row + 1).min(rows - 1)));
        out.iter_mut().zip(up.iter().zip(down)).for_each(|(o, (u, d))| *o = 0.5 * (d - u));
    });
    (x, y)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::image::Size;

    /// A Gaussian of variance a² smoothed by one of b² is one of a² + b² (closed form).
    #[test]
    fn smoothing_adds_variances() {
        let spot = |sigma: f64| {
            Image::from_rows(Size::new(61, 61), 0f32, |r, row| {
                for (c, v) in row.iter_mut().enumerate() {
                    let d2 = (r as f64 - 30.0).powi(2) + (c as f64 - 30.0).powi(2);
                    *v = ((-0.5 * d2 / (sigma * sigma)).exp() / (sigma * sigma)) as f32;
                }
            })
        };
        let (got, truth) = (gaussian(&spot(3.0), 4.0), spot(5.0));
        let worst = got.pixels().iter().zip(truth.pixels()).map(|(a, b)| (a - b).abs()).fold(0.0, f32::max);
        assert!(worst < 0.01 / 25.0, "off by {worst}"); // 1 % of the peak: the bell is cut at 3 sigma, 0.3 % of its area
    }
}
