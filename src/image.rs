//! Rows and columns of something; nothing here knows about light.
//!
//! Pixel centres lie at half-integers: pixel (row 0, column 0) covers [0,1) × [0,1), its centre is (0.5, 0.5).

use rayon::prelude::*;

/// How many rows and columns an image has.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, serde::Serialize, serde::Deserialize)]
pub struct Size {
    pub rows: usize,
    pub columns: usize,
}

impl Size {
    pub fn new(rows: usize, columns: usize) -> Self {
        Size { rows, columns }
    }

    /// Number of pixels.
    pub fn area(self) -> usize {
        self.rows * self.columns
    }

    /// Rows and columns exchanged.
    pub fn turned(self) -> Self {
        Size::new(self.columns, self.rows)
    }
}

impl std::fmt::Display for Size {
    /// Columns × rows, as cameras say it.
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{}×{}", self.columns, self.rows)
    }
}

/// One pixel's row and column.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Place {
    pub row: usize,
    pub column: usize,
}

/// A rectangle of whole pixels.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Window {
    pub row: usize,
    pub column: usize,
    pub size: Size,
}

/// An image, row by row, without gaps.
#[derive(Debug, Clone, PartialEq)]
pub struct Image<T> {
    size: Size,
    pixels: Vec<T>,
}

impl<T> Image<T> {
    /// Takes rows laid end to end. Panics if their number does not fit the size: that is a mistake in the caller.
    pub fn from_vec(size: Size, pixels: Vec<T>) -> Self {
        assert_eq!(pixels.len(), size.area(), "pixels do not fill {size}");
        Image { size, pixels }
    }

    pub fn size(&self) -> Size {
        self.size
    }

    pub fn rows(&self) -> usize {
        self.size.rows
    }

    pub fn columns(&self) -> usize {
        self.size.columns
    }

    pub fn pixels(&self) -> &[T] {
        &self.pixels
    }

    pub fn pixels_mut(&mut self) -> &mut [T] {
        &mut self.pixels
    }

    pub fn into_vec(self) -> Vec<T> {
        self.pixels
    }

    pub fn row(&self, row: usize) -> &[T] {
        &self.pixels[row * self.size.columns..][..self.size.columns]
    }

    pub fn row_mut(&mut self, row: usize) -> &mut [T] {
        &mut self.pixels[row * self.size.columns..][..self.size.columns]
    }
}

impl<T: Copy + Send + Sync> Image<T> {
    pub fn filled(size: Size, value: T) -> Self {
        // On all cores: the system hands out fresh memory page by page as it is first touched, which takes longer than filling it.
        let pixels = (0..size.area()).into_par_iter().with_min_len(1 << 16).map(|_| value).collect();
        Image { size, pixels }
    }

    /// Makes each row on its own, on all cores: `fill(row number, row)`.
    pub fn from_rows(size: Size, blank: T, fill: impl Fn(usize, &mut [T]) + Sync) -> Self {
        let mut image = Image::filled(size, blank);
        if size.columns > 0 {
            image.pixels.par_chunks_mut(size.columns).enumerate().for_each(|(row, out)| fill(row, out));
        }
        image
    }

    pub fn at(&self, row: usize, column: usize) -> T {
        self.pixels[row * self.size.columns + column]
    }

    pub fn set(&mut self, row: usize, column: usize, value: T) {
        self.pixels[row * self.size.columns + column] = value;
    }

    /// The pixel at the nearest place inside the image.
    pub fn at_clamped(&self, row: isize, column: isize) -> T {
        let row = row.clamp(0, self.size.rows as isize - 1) as usize;
        let column = column.clamp(0, self.size.columns as isize - 1) as usize;
        self.at(row, column)
    }

    /// Changes what each pixel means, on all cores.
    pub fn map<U: Copy + Send + Sync>(&self, f: impl Fn(T) -> U + Sync) -> Image<U> {
        Image { size: self.size, pixels: self.pixels.par_iter().map(|&p| f(p)).collect() }
    }

    /// A copy of part of the image. Panics if the window leaves it.
    pub fn crop(&self, window: Window) -> Image<T> {
        let mut pixels = Vec::with_capacity(window.size.area());
        for row in window.row..window.row + window.size.rows {
            pixels.extend_from_slice(&self.row(row)[window.column..window.column + window.size.columns]);
        }
        Image { size: window.size, pixels }
    }
}

/// Means over square cells of `factor` pixels, for types that are one f32. Cells that the far borders cut are left out.
pub fn reduced<T: bytemuck::Pod + Send + Sync>(image: &Image<T>, factor: usize) -> Image<T> {
    let size = Size::new(image.rows() / factor, image.columns() / factor);
    let weight = 1.0 / (factor * factor) as f32;
    Image::from_rows(size, T::zeroed(), |row, out| {
        // Down the columns first: that is what vectors are quick at.
        let mut sums = vec![0f32; image.columns()];
        for line in row * factor..(row + 1) * factor {
            let line: &[f32] = bytemuck::cast_slice(image.row(line));
            sums.iter_mut().zip(line).for_each(|(sum, v)| *sum += v);
        }
        let out: &mut [f32] = bytemuck::cast_slice_mut(out);
        for (out, cell) in out.iter_mut().zip(sums.chunks_exact(factor)) {
            *out = weight * cell.iter().sum::<f32>();
        }
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_window_holds_the_pixels_it_covers() {
        let image = Image::from_vec(Size::new(3, 4), (0..12).collect());
        let part = image.crop(Window { row: 1, column: 2, size: Size::new(2, 2) });
        assert_eq!(part.pixels(), &[6, 7, 10, 11]);
    }

    #[test]
    fn a_reduced_image_holds_the_means_of_its_cells() {
        let image = Image::from_vec(Size::new(2, 5), (0..10).map(|v| v as f32).collect());
        assert_eq!(reduced(&image, 2).pixels(), &[3.0, 5.0]);
    }

    #[test]
    fn rows_made_in_parallel_lie_in_order() {
        let image = Image::from_rows(Size::new(50, 3), 0, |row, out| out.fill(row));
        assert!((0..50).all(|row| image.row(row) == [row; 3]));
    }
}
