//! Links between the tiles, without looking at every pair closely: of forty tiles hardly one pair in ten touches.
//!
//! In: all tiles' [`Features`]. Out: the [`Link`]s looked at, in the order of their tiles. Never fails.
//! Pairs are looked at in the order in which their most marked corners are alike, until all tiles hang together or no pair between two
//! groups is left; then every pair that by these links may touch.

use super::features::Features;
use super::links::{Link, Similarity, alike, link};
use crate::geometry::Point;
use crate::image::Size;
use nalgebra::DMatrix;
use rayon::prelude::*;
use std::cmp::Reverse;

/// Corners of each tile that the first look compares.
const FEW: usize = 300;
/// Share of a tile's diagonal that chained links may be wrong by: two tiles farther apart do not touch.
const ASTRAY: f64 = 0.2;

/// All pairs, the lower tile first.
pub fn pairs(tiles: usize) -> Vec<(usize, usize)> {
    (0..tiles).flat_map(|a| (a + 1..tiles).map(move |b| (a, b))).collect()
}

/// Looks closely at these pairs.
pub fn look(features: &[Features], pairs: &[(usize, usize)], size: Size) -> Vec<Link> {
    pairs.par_iter().map(|&(a, b)| link((a, &features[a]), (b, &features[b]), size)).collect()
}

/// Links of all pairs that may touch. `size`: of a reduced tile.
pub fn links(features: &[Features], size: Size) -> Vec<Link> {
    let tiles = features.len();
    let mut group: Vec<usize> = (0..tiles).collect();
    let mut links: Vec<Link> = Vec::new();
    // As many at once as there are tiles: both cores stay busy, and few are looked at in vain.
    for some in in_order(features).chunks(tiles) {
        let apart: Vec<_> = some.iter().copied().filter(|&(a, b)| group[a] != group[b]).collect();
        let seen = look(features, &apart, size);
        for link in seen.iter().filter(|l| l.accepted) {
            let (one, other) = (group[link.a], group[link.b]);
            group.iter_mut().filter(|g| **g == other).for_each(|g| *g = one);
        }
        links.extend(seen);
        if group.iter().all(|g| *g == group[0]) {
            break;
        }
    }
    let places = places(tiles, &links);
    let left = |p: &(usize, usize)| {
        group[p.0] == group[p.1] && !links.iter().any(|l| (l.a, l.b) == *p) && may_touch(&places, *p, size)
    };
    let rest: Vec<_> = pairs(tiles).into_iter().filter(left).collect();
    links.extend(look(features, &rest, size));
    links.sort_by_key(|l| (l.a, l.b));
    links
}

/// All pairs, those with most alike corners first.
fn in_order(features: &[Features]) -> Vec<(usize, usize)> {
    let few: Vec<(Vec<Point>, DMatrix<f32>)> = features.par_iter().map(most_marked).collect();
    let pairs = pairs(features.len());
    let count = |&(a, b): &(usize, usize)| alike((&few[a].0, &few[a].1), (&few[b].0, &few[b].1)).len();
    let counts: Vec<usize> = pairs.par_iter().map(count).collect();
    let mut order: Vec<usize> = (0..pairs.len()).collect();
    order.sort_by_key(|k| (Reverse(counts[*k]), *k));
    order.into_iter().map(|k| pairs[k]).collect()
}

/// Places and words of the corners with most texture.
fn most_marked(features: &Features) -> (Vec<Point>, DMatrix<f32>) {
    let marked = |p: &Point| features.texture.at_clamped(p.y as isize, p.x as isize);
    let mut order: Vec<usize> = (0..features.places.len()).collect();
    order.sort_by(|a, b| marked(&features.places[*b]).total_cmp(&marked(&features.places[*a])));
    order.truncate(FEW);
    // Directions of one corner side by side, as they came.
    order.sort_unstable();
    (order.iter().map(|k| features.places[*k]).collect(), features.words.select_columns(&order))
}

/// From each tile's reduced pixels to those of the first tile of its group, along links.
fn places(tiles: usize, links: &[Link]) -> Vec<Similarity> {
    let mut places: Vec<Option<Similarity>> = vec![None; tiles];
    let accepted = || links.iter().filter(|l| l.accepted);
    for first in 0..tiles {
        places[first].get_or_insert(Similarity { a: 1.0, b: 0.0, shift: Point::default() });
        while let Some(link) = accepted().find(|l| places[l.a].is_some() != places[l.b].is_some()) {
            let next = |from: &Similarity, pairs: Vec<(Point, Point)>| {
                let pairs: Vec<_> = pairs.into_iter().map(|(p, q)| (q, from.apply(p))).collect();
                Similarity::fit(pairs.iter())
            };
            let (place, at) = match (&places[link.a], &places[link.b]) {
                (Some(a), _) => (next(a, link.pairs.clone()), link.b),
                (_, Some(b)) => (next(b, link.pairs.iter().map(|(p, q)| (*q, *p)).collect()), link.a),
                _ => unreachable!("one of the two has a place"),
            };
            // Matched corners that coincide fit nothing; a link is not accepted on such.
            places[at] = Some(place.unwrap_or(link.map));
        }
    }
    places.into_iter().flatten().collect()
}

/// Whether two tiles of one group come near each other.
fn may_touch(places: &[Similarity], (a, b): (usize, usize), size: Size) -> bool {
    const N: usize = 9;
    let (w, h) = (size.columns as f64, size.rows as f64);
    let lattice = |place: &Similarity| -> Vec<Point> {
        let at = |k: usize| k as f64 / (N - 1) as f64;
        (0..N * N).map(|k| place.apply(Point::new(w * at(k % N), h * at(k / N)))).collect()
    };
    let near = ASTRAY * w.hypot(h);
    let there = lattice(&places[b]);
    lattice(&places[a]).iter().any(|p| there.iter().any(|q| p.distance(*q) < near))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tiles_touch_where_their_chained_places_come_near() {
        let size = Size::new(600, 800);
        let at = |x: f64, y: f64| Similarity { a: 1.0, b: 0.0, shift: Point::new(x, y) };
        let places = [
            at(0.0, 0.0),
            at(600.0, 0.0),
            at(1300.0, 0.0),
            Similarity { a: -1.0, b: 0.0, shift: Point::new(800.0, 1000.0) },
        ];
        for (pair, touch) in [((0, 1), true), ((0, 2), false), ((1, 2), true), ((0, 3), true), ((2, 3), false)] {
            assert_eq!(may_touch(&places, pair, size), touch, "{pair:?}");
        }
    }
}
