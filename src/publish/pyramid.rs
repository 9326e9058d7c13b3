//! A picture cut into tiles at its own sampling, at half of it, and so on, as its rows come.
//!
//! In: bands of positive codes, top to bottom. Out: [`Cut`]s, each a part of the picture at one sampling, with the path that the IIIF Image
//! API 3.0 gives it (region, size, rotation, quality and format in their canonical form). Halving takes means of light, not of codes.
//! Memory holds one row of tiles of each sampling, and the small whole views. Nothing here fails.

use crate::image::{Image, Size};
use crate::positive::lightness;
use crate::report::preview;

/// Side of a tile.
pub const TILE: usize = 512;
/// Longest side of a view of the whole picture.
pub const VIEW: usize = 4096;
/// The largest whole view, by the name under which every viewer may ask for it.
pub const LARGEST: &str = "full/max/0/default.jpg";
/// JPEG: what is lost lies under the steps of eight bits nearly everywhere.
const QUALITY: u8 = 90;

/// A part of the picture, or all of it.
pub struct Cut {
    /// x, y, width, height in the whole picture's pixels; none for all of it.
    pub region: Option<[usize; 4]>,
    /// Linear light at the cut's own sampling.
    pub light: Image<f32>,
}

impl Cut {
    pub fn path(&self) -> String {
        let region = match self.region {
            Some([x, y, w, h]) => format!("{x},{y},{w},{h}"),
            None => "full".into(),
        };
        format!("{region}/{},{}/0/default.jpg", self.light.columns(), self.light.rows())
    }

    /// The cut as a gray JPEG by the sRGB curve.
    pub fn jpeg(&self) -> Vec<u8> {
        preview::jpeg(&self.light, QUALITY, &[])
    }
}

/// One sampling.
struct Level {
    size: Size,
    /// Rows that have come and are in no tile yet.
    waiting: Vec<f32>,
    /// Rows that are in tiles.
    done: usize,
    /// The whole, where it is small enough to be shown as one.
    whole: Option<Vec<f32>>,
}

pub struct Pyramid {
    levels: Vec<Level>,
}

impl Pyramid {
    pub fn new(columns: usize, rows: usize) -> Pyramid {
        let halved =
            |s: &Size| (s.rows.max(s.columns) > TILE).then(|| Size::new(s.rows.div_ceil(2), s.columns.div_ceil(2)));
        let level = |size: Size| Level {
            size,
            waiting: Vec::new(),
            done: 0,
            whole: (size.rows.max(size.columns) <= VIEW).then(Vec::new),
        };
        Pyramid { levels: std::iter::successors(Some(Size::new(rows, columns)), halved).map(level).collect() }
    }

    /// Full-size pixels in one of each sampling's, in tiles.
    pub fn factors(columns: usize, rows: usize) -> Vec<usize> {
        (0..Pyramid::new(columns, rows).levels.len()).map(|k| 1 << k).collect()
    }

    /// Columns and rows of the largest whole view.
    pub fn largest_view(columns: usize, rows: usize) -> (usize, usize) {
        let levels = Pyramid::new(columns, rows).levels;
        let shown =
            levels.iter().find(|level| level.whole.is_some()).map_or(Size::new(rows, columns), |level| level.size);
        (shown.columns, shown.rows)
    }

    /// The next rows; gives the tiles that they complete.
    pub fn push(&mut self, band: Image<u16>) -> Vec<Cut> {
        let light: &[f32] = &lightness::OF_CODE;
        let mut cuts = Vec::new();
        self.take(0, band.pixels().iter().map(|code| light[*code as usize]).collect(), &mut cuts);
        cuts
    }

    fn take(&mut self, k: usize, rows: Vec<f32>, cuts: &mut Vec<Cut>) {
        let full = self.levels[0].size;
        let level = &mut self.levels[k];
        if let Some(whole) = &mut level.whole {
            whole.extend(&rows);
        }
        level.waiting.extend(rows);
        let columns = level.size.columns;
        let mut bands = Vec::new();
        loop {
            let come = level.waiting.len() / columns;
            let height = come.min(TILE);
            if height == 0 || (height < TILE && level.done + come < level.size.rows) {
                break;
            }
            let rest = level.waiting.split_off(height * columns);
            let band = Image::from_vec(Size::new(height, columns), std::mem::replace(&mut level.waiting, rest));
            cuts.extend(tiles(&band, level.done, k, full));
            level.done += height;
            bands.push(halved(&band));
        }
        if k + 1 < self.levels.len() {
            bands.into_iter().for_each(|band| self.take(k + 1, band.into_vec(), cuts));
        }
    }

    /// The views of the whole, the largest first.
    pub fn finish(self) -> Vec<Cut> {
        let view = |level: Level| Some(Cut { region: None, light: Image::from_vec(level.size, level.whole?) });
        self.levels.into_iter().filter_map(view).collect()
    }
}

/// The tiles of a band whose first row is `top` at sampling `k`.
fn tiles(band: &Image<f32>, top: usize, k: usize, full: Size) -> Vec<Cut> {
    let lefts = (0..band.columns()).step_by(TILE);
    let cut = |left: usize| {
        let size = Size::new(band.rows(), TILE.min(band.columns() - left));
        let light = band.crop(crate::image::Window { row: 0, column: left, size });
        let (x, y) = (left << k, top << k);
        // A last pixel may stand for fewer than the others do.
        let (right, bottom) = (((left + size.columns) << k).min(full.columns), ((top + size.rows) << k).min(full.rows));
        Cut { region: Some([x, y, right - x, bottom - y]), light }
    };
    lefts.map(cut).collect()
}

/// Means over squares of two pixels; along an odd border, over what is there.
fn halved(image: &Image<f32>) -> Image<f32> {
    let size = Size::new(image.rows().div_ceil(2), image.columns().div_ceil(2));
    Image::from_rows(size, 0f32, |row, out| {
        let (upper, lower) = (image.row(2 * row), image.row((2 * row + 1).min(image.rows() - 1)));
        let last = image.columns() - 1;
        for (column, value) in out.iter_mut().enumerate() {
            let (a, b) = (2 * column, (2 * column + 1).min(last));
            *value = 0.25 * (upper[a] + upper[b] + lower[a] + lower[b]);
        }
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Every pixel lies in just one tile of each sampling, and what a tile holds is the picture's mean there.
    #[test]
    fn tiles_cover_the_picture_once_at_each_sampling() {
        for (columns, rows) in [(1300, 1111), (1024, 512), (513, 2050), (300, 200), (1, 1)] {
            let mut pyramid = Pyramid::new(columns, rows);
            let code = |r: usize, c: usize| (20_000 + 9 * r + 11 * c) as u16;
            let mut cuts = Vec::new();
            for top in (0..rows).step_by(TILE) {
                let height = TILE.min(rows - top);
                let band = Image::from_rows(Size::new(height, columns), 0u16, |r, out| {
                    out.iter_mut().enumerate().for_each(|(c, v)| *v = code(top + r, c));
                });
                cuts.extend(pyramid.push(band));
            }
            let views = pyramid.finish();
            let factors = Pyramid::factors(columns, rows);
            let mut covered = 0;
            for cut in &cuts {
                let [x, y, w, h] = cut.region.unwrap();
                let size = (cut.light.columns(), cut.light.rows());
                let fits = |k: &&usize| {
                    (w.div_ceil(**k), h.div_ceil(**k)) == size && x % (*k * TILE) == 0 && y % (*k * TILE) == 0
                };
                assert!(factors.iter().any(|k| fits(&k)), "{}", cut.path());
                covered += w * h;
                let middle = lightness::decode(f64::from(code(y + h / 2, x + w / 2)) / 65535.0);
                let seen = f64::from(cut.light.at(size.1 / 2, size.0 / 2));
                assert!((seen / middle - 1.0).abs() < 0.02, "{}: {seen} for {middle}", cut.path());
            }
            assert_eq!(covered, columns * rows * factors.len());
            let least = views.last().unwrap().light.size();
            assert!(least.rows.max(least.columns) <= TILE);
        }
    }

    /// A fine chequer of black and white is half the light: value 0.735 by the sRGB curve (IEC 61966-2-1).
    #[test]
    fn light_is_averaged_and_not_codes() {
        let mut pyramid = Pyramid::new(600, 400);
        pyramid.push(Image::from_rows(Size::new(400, 600), 0u16, |r, out| {
            out.iter_mut().enumerate().for_each(|(c, v)| *v = if (r + c) % 2 == 0 { 65535 } else { 0 });
        }));
        let views = pyramid.finish();
        let small = image::load_from_memory(&views[1].jpeg()).unwrap().to_luma8();
        assert_eq!(small.dimensions(), (300, 200));
        assert!(small.pixels().all(|p| p.0[0].abs_diff(188) <= 1));
    }
}
