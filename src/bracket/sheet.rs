//! The sheet that shows plates side by side: one part of the scene, one tone for one density, and what was done to each below it.
//!
//! In: views of the same part from [`super::laying`], a density shift and a caption for each, and the tone mapping. Out: 16-bit gray codes of
//! that mapping. Never fails.

use super::letters;
use crate::image::{Image, Size};
use crate::units::NetDensity;

/// Share of a view's width that lies between views and round them.
const GAP: f64 = 0.025;
/// Height of a caption's letters as a share of a view's width, and least height in pixels.
const LETTER: f64 = 0.022;
const LEAST_LETTER: usize = 12;
/// Views in a row; four and more are laid in two rows.
const ROW: usize = 3;
/// Shade of the sheet, a share of the codes: light enough for black letters, and no tone of its own to judge by.
const SHEET: f64 = 0.80;
const INK: f64 = 0.06;

pub struct View<'a> {
    pub density: &'a Image<NetDensity>,
    /// Added to density before the tone mapping.
    pub shift: f64,
    /// Lines below the view; each is broken where it is too long.
    pub caption: Vec<String>,
}

/// All views must be of one size.
pub fn sheet(views: &[View], tone: &(dyn Fn(NetDensity) -> u16 + Sync)) -> Image<u16> {
    let size = views[0].density.size();
    let across = if views.len() <= ROW { views.len() } else { views.len().div_ceil(2) };
    let gap = ((size.columns as f64 * GAP) as usize).max(4);
    let letter = ((size.columns as f64 * LETTER) as usize).max(LEAST_LETTER);
    let captions: Vec<Vec<String>> = views
        .iter()
        .map(|v| v.caption.iter().flat_map(|l| letters::broken(l, letters::fitting(size.columns, letter))).collect())
        .collect();
    let leading = letter + letter / 3;
    let lines = captions.iter().map(Vec::len).max().unwrap_or(0);
    let (cell_rows, cell_columns) = (size.rows + gap / 2 + lines * leading + gap, size.columns + gap);
    let whole = Size::new(gap + views.len().div_ceil(across) * cell_rows, gap + across * cell_columns);
    let shade = |share: f64| (share * 65535.0) as u16;
    let mut sheet = Image::filled(whole, shade(SHEET));
    for (i, (view, caption)) in views.iter().zip(&captions).enumerate() {
        let (top, left) = (gap + i / across * cell_rows, gap + i % across * cell_columns);
        let toned = view.density.map(|d| tone(NetDensity(d.0 + view.shift as f32)));
        for row in 0..size.rows {
            sheet.row_mut(top + row)[left..left + size.columns].copy_from_slice(toned.row(row));
        }
        for (line, text) in caption.iter().enumerate() {
            let drawn = letters::line(text, letter);
            let at = top + size.rows + gap / 2 + line * leading;
            for row in 0..drawn.rows() {
                let paper = sheet.row_mut(at + row)[left..left + size.columns].iter_mut();
                for (code, ink) in paper.zip(drawn.row(row)) {
                    *code = shade(SHEET + (INK - SHEET) * f64::from(*ink));
                }
            }
        }
    }
    sheet
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A straight mapping: equal densities give equal codes on every view, a shift moves them all.
    #[test]
    fn equal_density_is_equal_tone() {
        let tone = |d: NetDensity| (65535.0 * (d.0 / 3.0).clamp(0.0, 1.0)) as u16;
        let density = Image::filled(Size::new(200, 300), NetDensity(0.9));
        let view = |shift| View {
            density: &density,
            shift,
            caption: vec!["K-01, EI 2".into(), "a caption so long that it must be broken into two".into()],
        };
        let made = sheet(&[view(0.0), view(0.0), view(-0.3)], &tone);
        let at = |i: usize| made.at(100, 7 + i * 307 + 150);
        assert_eq!(at(0), at(1));
        assert_eq!(at(0), tone(NetDensity(0.9)));
        // 0.9 − 0.3 is not quite 0.6 in single precision: one code of 65535.
        assert!(at(2).abs_diff(tone(NetDensity(0.6))) <= 1);
        assert!(made.columns() > 3 * 300 && made.rows() > 200);
        let six = sheet(&[view(0.0), view(0.0), view(0.0), view(0.0), view(0.0), view(0.0)], &tone);
        assert!(six.rows() > 2 * 200 && six.columns() == made.columns());
    }
}
