//! How even a field is that should be even: bare light, a clear plate, a gray card.
//!
//! In: the light of the field. Out: the greatest and least of the means over a grid of cells, against their mean, and the means along
//! both ways for a plot. Cells are large, so noise hardly counts. Fails for a field of fewer pixels than cells, and a black one.

use crate::error::Fault;
use crate::image::{Image, Size, Window};
use crate::positive::lightness::lstar;
use serde::Serialize;

/// Cells along the longer and the shorter side: fine enough for a corner's fall-off, coarse enough to average grain away.
const CELLS: [usize; 2] = [16, 12];

/// What was found over a field.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Evenness {
    /// (greatest − least) ÷ mean, of the cells' light.
    pub range: f64,
    /// Standard deviation ÷ mean.
    pub rms: f64,
    /// Density from the brightest cell to the darkest.
    pub density: f64,
    /// (greatest − least) ÷ mean, of the cells' lightness L*.
    pub lightness: f64,
    /// Mean light.
    pub light: f64,
    /// Light ÷ mean, averaged down the columns of cells, from left to right.
    #[serde(skip)]
    pub across: Vec<f64>,
    /// The same along the rows, from top to bottom.
    #[serde(skip)]
    pub down: Vec<f64>,
}

/// Measures a field.
pub fn measure(light: &Image<f32>) -> Result<Evenness, Fault> {
    let size = light.size();
    let [long, short] = CELLS;
    let cells = if size.columns >= size.rows { Size::new(short, long) } else { Size::new(long, short) };
    if size.rows < cells.rows || size.columns < cells.columns {
        return Err(Fault::new(format!("a field of {size} pixels is too small"), format!("make it at least {cells}")));
    }
    let means = Image::from_rows(cells, 0.0f64, |row, out| {
        for (column, out) in out.iter_mut().enumerate() {
            let (top, bottom) = (size.rows * row / cells.rows, size.rows * (row + 1) / cells.rows);
            let (left, right) = (size.columns * column / cells.columns, size.columns * (column + 1) / cells.columns);
            let window = Window { row: top, column: left, size: Size::new(bottom - top, right - left) };
            let part = light.crop(window);
            *out = part.pixels().iter().map(|l| *l as f64).sum::<f64>() / part.size().area() as f64;
        }
    });
    let mean = average(means.pixels().iter().copied());
    let (least, greatest) = ends(means.pixels().iter().copied());
    if least <= 0.0 {
        return Err(Fault::new("part of the field is black", "measure a field that is lit everywhere"));
    }
    let lights: Vec<f64> = means.pixels().iter().map(|l| lstar(*l)).collect();
    let (darkest, lightest) = ends(lights.iter().copied());
    let variance = average(means.pixels().iter().map(|l| (l - mean).powi(2)));
    let column = |c: usize| average((0..cells.rows).map(|r| means.at(r, c))) / mean;
    let row = |r: usize| average(means.row(r).iter().copied()) / mean;
    Ok(Evenness {
        range: (greatest - least) / mean,
        rms: variance.sqrt() / mean,
        density: (greatest / least).log10(),
        lightness: (lightest - darkest) / average(lights.iter().copied()),
        light: mean,
        across: (0..cells.columns).map(column).collect(),
        down: (0..cells.rows).map(row).collect(),
    })
}

fn average(values: impl Iterator<Item = f64>) -> f64 {
    let (sum, count) = values.fold((0.0, 0usize), |(sum, count), v| (sum + v, count + 1));
    sum / count.max(1) as f64
}

fn ends(values: impl Iterator<Item = f64>) -> (f64, f64) {
    values.fold((f64::INFINITY, f64::NEG_INFINITY), |(least, most), v| (least.min(v), most.max(v)))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A shading error of 1 % is 0.00436 D (log10 of 1 / 0.99).
    #[test]
    fn a_percent_is_so_much_density() {
        let size = Size::new(120, 160);
        let light = Image::from_rows(size, 0.0, |_, out| {
            out.iter_mut().enumerate().for_each(|(column, l)| *l = if column < 80 { 0.5 } else { 0.495 });
        });
        let even = measure(&light).unwrap();
        assert!((even.density - 0.00436).abs() < 1e-5 && (even.range - 0.01005).abs() < 1e-4, "{even:?}");
        assert!((even.rms - 0.0050).abs() < 1e-4);
        assert!(even.across[0] > 1.004 && even.across[15] < 0.996 && even.down.iter().all(|d| (d - 1.0).abs() < 1e-9));
    }

    #[test]
    fn an_upright_field_has_upright_cells() {
        let even = measure(&Image::filled(Size::new(40, 30), 0.3)).unwrap();
        assert_eq!((even.range, even.across.len(), even.down.len()), (0.0, 12, 16));
    }

    #[test]
    fn fields_that_cannot_be_measured_are_refused() {
        assert!(measure(&Image::filled(Size::new(5, 5), 0.3)).is_err());
        assert!(measure(&Image::filled(Size::new(50, 50), 0.0)).is_err());
    }
}
