//! The cuts of a composed plate as lines.
//!
//! In: [`Seams`], one tile for each cell. Out: straight pieces along the borders between cells of two tiles, each as long as it runs,
//! in pixels of the result; across first, then down. Borders of places that no tile sees are none. Never fails.

use super::compose::Seams;
use crate::geometry::Point;

impl Seams {
    /// Where the tiles were cut.
    pub fn lines(&self) -> Vec<[Point; 2]> {
        let (rows, columns) = (self.tiles.rows(), self.tiles.columns());
        let cut = |a: u16, b: u16| a != b && a != Self::NOBODY && b != Self::NOBODY;
        let at = |column: usize, row: usize| Point::new((column * self.cell) as f64, (row * self.cell) as f64);
        let mut lines = Vec::new();
        for row in 1..rows {
            let across = |c: usize| cut(self.tiles.at(row - 1, c), self.tiles.at(row, c));
            lines.extend(runs(columns, across).map(|(from, to)| [at(from, row), at(to, row)]));
        }
        for column in 1..columns {
            let down = |r: usize| cut(self.tiles.at(r, column - 1), self.tiles.at(r, column));
            lines.extend(runs(rows, down).map(|(from, to)| [at(column, from), at(column, to)]));
        }
        lines
    }
}

/// Stretches of the numbers below `count` for which something holds: first, and one past the last.
fn runs(count: usize, holds: impl Fn(usize) -> bool) -> impl Iterator<Item = (usize, usize)> {
    let mut next = 0;
    std::iter::from_fn(move || {
        let from = (next..count).find(|k| holds(*k))?;
        next = (from..count).find(|k| !holds(*k)).unwrap_or(count);
        Some((from, next))
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::image::{Image, Size};

    /// A step: the left tile's lower part reaches a cell further. One cell is seen by nobody.
    #[test]
    fn a_step_is_three_straight_pieces() {
        let n = Seams::NOBODY;
        let tiles = Image::from_vec(Size::new(4, 4), vec![0, 0, 1, 1, 0, 0, 1, 1, 0, 0, 0, 1, n, 0, 0, 1]);
        let lines = Seams { tiles, cell: 16 }.lines();
        let p = |x: f64, y: f64| Point::new(16.0 * x, 16.0 * y);
        assert_eq!(lines, [[p(2.0, 2.0), p(3.0, 2.0)], [p(2.0, 0.0), p(2.0, 2.0)], [p(3.0, 2.0), p(3.0, 4.0)]]);
    }

    #[test]
    fn one_tile_has_no_cuts() {
        let seams = Seams { tiles: Image::filled(Size::new(3, 5), 0), cell: 16 };
        assert!(seams.lines().is_empty());
    }
}
