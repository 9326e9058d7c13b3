//! The bracket's plots: densities of one plate against another's, histograms, and the curve.
//!
//! In: a [`Comparison`]. Out: SVG, the same bytes for the same input. Never fails.

use super::compare::{Comparison, NamedPair};
use super::curve::SPEED_POINT;
use crate::report::{Axis, Ink, Plot};

/// Inks of the plates, in their order: as many as a bracket may hold, each with dashes of its own.
pub const INKS: [Ink; 6] = [Ink::Blue, Ink::Orange, Ink::Green, Ink::Purple, Ink::Amber, Ink::Broken];
/// Width of a plot in CSS pixels.
const WIDTH: f64 = 560.0;
/// Cell of the counts, in density.
const CELL: f64 = 0.025;

/// What plots are drawn from beside the figures.
#[derive(Debug, Clone, Default)]
pub struct Drawn {
    /// For every plate after A: local densities of A and of that plate.
    pub pairs: Vec<Vec<[f64; 2]>>,
    /// Edges of the histograms' bins, and for each plate the share of the common area in each, in percent.
    pub edges: Vec<f64>,
    pub shares: Vec<Vec<f64>>,
}

/// Density of B against density of A: how many places have which, and the relation through those that stayed.
pub fn joint(found: &Comparison, at: usize) -> String {
    let NamedPair { plates: [a, b], figures } = &found.pairs[at];
    let pairs = &found.drawn.pairs[at];
    let most = pairs.iter().flatten().copied().fold(0.5, f64::max);
    let edges: Vec<f64> = (-4..=(most / CELL).ceil() as i32).map(|i| f64::from(i) * CELL).collect();
    let cells = edges.len() - 1;
    let mut counts = vec![0.0; cells * cells];
    for [x, y] in pairs {
        let at = |v: f64| ((v - edges[0]) / CELL).floor().clamp(0.0, cells as f64 - 1.0) as usize;
        counts[at(*y) * cells + at(*x)] += 1.0;
    }
    let axis = |name: &str| Axis::new(format!("density of {name} above base"), edges[0], edges[cells]);
    let line: Vec<[f64; 2]> = figures.joint.iter().map(|r| [r[0], r[1]]).collect();
    Plot::new(format!("Density of {b} against density of {a}, place by place"), axis(a), axis(b))
        .sized(WIDTH, WIDTH)
        .equal_units()
        .grid(edges.clone(), edges.clone(), counts)
        .line("the same density", Ink::Quiet, [[edges[0], edges[0]], [edges[cells], edges[cells]]])
        .line(format!("{b} for each density of {a}"), Ink::Orange, line)
        .svg()
}

/// Share of the common area at each density, for every plate.
pub fn histograms(found: &Comparison) -> String {
    let drawn = &found.drawn;
    let high = drawn.edges.last().copied().unwrap_or(1.0);
    let tallest = drawn.shares.iter().flatten().copied().fold(0.1, f64::max);
    let mut plot = Plot::new(
        "How much of the scene has which density on each plate",
        Axis::new("density above base", drawn.edges.first().copied().unwrap_or(0.0), high),
        Axis::from_zero("% of the scene", [tallest]),
    )
    .sized(WIDTH, 260.0)
    .marker(SPEED_POINT, "speed point", Ink::Quiet);
    for ((plate, shares), ink) in found.plates.iter().zip(&drawn.shares).zip(INKS) {
        let middle = drawn.edges.windows(2).map(|e| (e[0] + e[1]) / 2.0);
        let line: Vec<[f64; 2]> = middle.zip(shares).map(|(d, s)| [d, *s]).collect();
        plot = plot.line(plate.clone(), ink, line);
    }
    plot.svg()
}

/// The curve that the bracket gave.
pub fn curve(found: &Comparison) -> Option<String> {
    let points = found.curve.clone()?;
    let figures = found.curve_figures.as_ref()?;
    let zero = if figures.zero_is_speed_point { "speed point" } else { "lowest point seen" };
    let [low, high] = figures.range;
    let plot = Plot::new(
        "Characteristic curve recovered from the bracket",
        Axis::around(format!("log₁₀ of exposure, 0 at the {zero}"), [low, high]),
        Axis::from_zero("density above base", points.iter().map(|p| p[1])),
    )
    .sized(WIDTH, 340.0)
    .line("", Ink::Quiet, [[low, SPEED_POINT], [high, SPEED_POINT]])
    .line("recovered curve", Ink::Blue, points)
    .marker(0.0, zero, Ink::Quiet);
    Some(plot.svg())
}

/// What B has over A at each density of A.
pub fn gains(found: &Comparison) -> String {
    let low = found.pairs.iter().flat_map(|p| p.figures.joint.iter().map(|r| r[0])).fold(f64::INFINITY, f64::min);
    let high = found.pairs.iter().flat_map(|p| p.figures.joint.iter().map(|r| r[0])).fold(0.0, f64::max);
    let gain = |r: &[f64; 4]| r[1] - r[0];
    let all: Vec<f64> = found.pairs.iter().flat_map(|p| p.figures.joint.iter().map(gain)).chain([0.0]).collect();
    let a = &found.plates[0];
    let mut plot = Plot::new(
        format!("Density that the others have over {a}"),
        Axis::new(format!("density of {a} above base"), low, high),
        Axis::around("difference of density", all),
    )
    .sized(WIDTH, 260.0)
    .line("", Ink::Quiet, [[low, 0.0], [high, 0.0]]);
    for (pair, ink) in found.pairs.iter().zip(INKS.into_iter().skip(1)) {
        let [_, b] = &pair.plates;
        let rows = &pair.figures.joint;
        plot = plot.line(format!("{b} less {a}"), ink, rows.iter().map(|r| [r[0], gain(r)]).collect::<Vec<_>>());
        for side in [-2.0, 2.0] {
            let bound: Vec<[f64; 2]> = rows.iter().map(|r| [r[0], gain(r) + side * r[2]]).collect();
            plot = plot.line("", Ink::Quiet, bound);
        }
    }
    for (d, name) in found.first.gain_at_density.iter().zip(["shadows", "highlights"]) {
        plot = plot.marker(*d, name, Ink::Quiet);
    }
    plot.svg()
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeSet;

    /// Six lines of one drawing: no two are dashed alike, nor of one colour.
    #[test]
    fn as_many_plates_as_a_bracket_holds_are_told_apart() {
        let axis = || Axis::new("", 0.0, 1.0);
        let drawn = INKS.map(|ink| Plot::new("", axis(), axis()).line("", ink, [[0.0, 0.0], [1.0, 1.0]]).svg());
        let of = |mark: &str| -> BTreeSet<Option<String>> {
            drawn.iter().map(|svg| Some(svg.split_once(mark)?.1.split_once('"')?.0.to_string())).collect()
        };
        assert_eq!(of("stroke-dasharray=\"").len(), 6, "{drawn:?}");
        assert_eq!(of("class=\"ink-").len(), 6, "{drawn:?}");
    }
}
