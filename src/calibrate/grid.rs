//! A grid of dots in a frame.
//!
//! In: a frame's light and how many columns and rows the grid has. Out: where each dot's middle lies, row by row. Of a grid of lines, the
//! cells between them are the dots. Fails where no such grid is seen whole.
//!
//! Dots are what differs from the light round it; of dark and of bright ones, those that make the grid count. Neighbours are followed
//! from the middle outwards, each step foretold by the last one, so that neither lens nor tilt misleads.

use crate::error::Fault;
use crate::geometry::Point;
use crate::image::{Image, Size};
use std::collections::{BTreeMap, VecDeque};

/// A dot differs from its surroundings by this share of their light.
const CONTRAST: f32 = 0.2;
/// Side of the surroundings, as a share of the frame's long side.
const AROUND: f64 = 0.06;
/// Fewest pixels of a dot.
const LEAST: usize = 12;
/// How far a neighbour may lie from where it is foretold, in steps of the grid.
const SLACK: f64 = 0.3;
/// Areas of dots against the median: smaller is dust, larger is something else.
const AREAS: [f64; 2] = [0.35, 2.8];

/// Middles of the dots, `columns` × `rows`, row by row. The grid may lie in any of its turns.
pub fn find(light: &Image<f32>, columns: usize, rows: usize) -> Result<Vec<Point>, Fault> {
    let around = surroundings(light);
    let mut seen = 0;
    for dark in [true, false] {
        let dots = dots(light, &around, dark);
        seen = seen.max(dots.len());
        if dots.len() < columns * rows {
            continue;
        }
        if let Some(grid) = ordered(&dots, columns, rows) {
            return Ok(grid);
        }
    }
    Err(Fault::new(
        format!("no grid of {columns}×{rows} dots is seen whole ({seen} dots are)"),
        "take all of the grid into the frame, evenly lit, lying along the frame, and state its dots as COLUMNSxROWS",
    ))
}

/// Mean light round each pixel.
fn surroundings(light: &Image<f32>) -> Image<f32> {
    let size = light.size();
    let half = ((AROUND * size.rows.max(size.columns) as f64) as usize / 2).max(4);
    let mut sums = vec![0f64; (size.rows + 1) * (size.columns + 1)];
    let width = size.columns + 1;
    for row in 0..size.rows {
        let mut line = 0.0;
        for (column, v) in light.row(row).iter().enumerate() {
            line += *v as f64;
            sums[(row + 1) * width + column + 1] = sums[row * width + column + 1] + line;
        }
    }
    Image::from_rows(size, 0.0, |row, out| {
        let (top, bottom) = (row.saturating_sub(half), (row + half + 1).min(size.rows));
        for (column, v) in out.iter_mut().enumerate() {
            let (left, right) = (column.saturating_sub(half), (column + half + 1).min(size.columns));
            let sum = sums[bottom * width + right] - sums[top * width + right] - sums[bottom * width + left]
                + sums[top * width + left];
            *v = (sum / ((bottom - top) * (right - left)) as f64) as f32;
        }
    })
}

/// Middles of connected spots that differ from their surroundings, weighted by how much.
fn dots(light: &Image<f32>, around: &Image<f32>, dark: bool) -> Vec<Point> {
    let size = light.size();
    let excess = |row: usize, column: usize| {
        let (v, mean) = (light.at(row, column), around.at(row, column).max(1e-6));
        if dark { 1.0 - v / mean } else { v / mean - 1.0 }
    };
    let mut taken = vec![false; size.area()];
    let mut spots: Vec<(f64, Point)> = Vec::new();
    for start in 0..size.area() {
        if taken[start] || excess(start / size.columns, start % size.columns) < CONTRAST {
            continue;
        }
        let (mut queue, mut touches) = (vec![start], false);
        let (mut count, mut weight, mut x, mut y) = (0usize, 0.0, 0.0, 0.0);
        taken[start] = true;
        while let Some(at) = queue.pop() {
            let (row, column) = (at / size.columns, at % size.columns);
            touches |= row == 0 || column == 0 || row + 1 == size.rows || column + 1 == size.columns;
            let w = excess(row, column) as f64;
            count += 1;
            weight += w;
            x += w * (column as f64 + 0.5);
            y += w * (row as f64 + 0.5);
            for (dr, dc) in [(0, 1), (0, -1), (1, 0), (-1, 0isize)] {
                let (Some(r), Some(c)) = (row.checked_add_signed(dr), column.checked_add_signed(dc)) else { continue };
                if r < size.rows && c < size.columns && !taken[r * size.columns + c] && excess(r, c) >= CONTRAST {
                    taken[r * size.columns + c] = true;
                    queue.push(r * size.columns + c);
                }
            }
        }
        if count >= LEAST && !touches {
            spots.push((count as f64, Point::new(x / weight, y / weight)));
        }
    }
    let mut areas: Vec<f64> = spots.iter().map(|s| s.0).collect();
    areas.sort_by(f64::total_cmp);
    let Some(median) = areas.get(areas.len() / 2) else { return Vec::new() };
    spots.iter().filter(|s| s.0 > AREAS[0] * median && s.0 < AREAS[1] * median).map(|s| s.1).collect()
}

/// Dots in the grid's order; none where they make no grid of that size.
fn ordered(dots: &[Point], columns: usize, rows: usize) -> Option<Vec<Point>> {
    let nearest = |p: Point, but: Option<usize>| {
        (0..dots.len()).filter(|k| Some(*k) != but).min_by(|a, b| dots[*a].distance(p).total_cmp(&dots[*b].distance(p)))
    };
    let n = dots.len() as f64;
    let middle = dots.iter().fold(Point::default(), |sum, p| sum + *p) * (1.0 / n);
    let start = nearest(middle, None)?;
    let step = dots[nearest(dots[start], Some(start))?] - dots[start];
    // The step to the right: the nearest neighbour's direction, turned by quarters until it points right.
    let mut right = step;
    for _ in 0..3 {
        if right.x >= right.y.abs() {
            break;
        }
        right = Point::new(-right.y, right.x);
    }
    let mut places: BTreeMap<(i64, i64), usize> = BTreeMap::from([((0, 0), start)]);
    let mut used = vec![false; dots.len()];
    used[start] = true;
    let mut queue = VecDeque::from([((0i64, 0i64), right, Point::new(-right.y, right.x))]);
    while let Some(((i, j), right, down)) = queue.pop_front() {
        let at = dots[*places.get(&(i, j))?];
        for (di, dj) in [(1, 0), (-1, 0), (0, 1), (0, -1)] {
            let sign = (di + dj) as f64;
            let step = if dj == 0 { right } else { down } * sign;
            let Some(k) = nearest(at + step, None) else { continue };
            if used[k] || dots[k].distance(at + step) > SLACK * step.distance(Point::default()) {
                continue;
            }
            let seen = (dots[k] - at) * sign;
            let (right, down) = if dj == 0 { (seen, down) } else { (right, seen) };
            used[k] = true;
            places.insert((i + di, j + dj), k);
            queue.push_back(((i + di, j + dj), right, down));
        }
    }
    let (left, top) = (places.keys().map(|p| p.0).min()?, places.keys().map(|p| p.1).min()?);
    let size = (places.keys().map(|p| p.0).max()? - left + 1, places.keys().map(|p| p.1).max()? - top + 1);
    let turned = match size {
        (w, h) if (w, h) == (columns as i64, rows as i64) => false,
        (w, h) if (h, w) == (columns as i64, rows as i64) => true,
        _ => return None,
    };
    (0..rows * columns)
        .map(|k| {
            let (column, row) = ((k % columns) as i64, (k / columns) as i64);
            let (i, j) = if turned { (row, column) } else { (column, row) };
            places.get(&(left + i, top + j)).map(|k| dots[*k])
        })
        .collect()
}

/// A frame's luminance as one plane would be too much to ask of a lens: the middle channel is enough.
pub fn plane(frame: &crate::frame::Frame) -> Image<f32> {
    frame.plane(frame.channels() / 2).map(|v| v.0)
}

/// Size check for a set of frames.
pub fn same_size(sizes: &[Size]) -> Result<(), (usize, Fault)> {
    match sizes.iter().position(|s| *s != sizes[0]) {
        None => Ok(()),
        Some(k) => Err((
            k,
            Fault::new(
                format!("the frame is {} pixels and the first {}", sizes[k], sizes[0]),
                "give frames of one camera at one picture size",
            ),
        )),
    }
}
