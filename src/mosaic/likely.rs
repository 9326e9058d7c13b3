//! Links between the tiles, without looking at every pair closely: of forty tiles hardly one pair in ten touches.
//!
//! In: the [`Store`], all tiles' [`Features`]. Out: the [`Link`]s looked at, in the order of their tiles. Never fails.
//! Pairs are looked at in the order in which their most marked corners are alike, until all tiles hang together or no pair between two
//! groups is left; then every pair that by these links may touch; then, by their grain, pairs of what is still apart.

use super::features::Features;
use super::grain::{Grain, Grains};
use super::layout::first_model;
use super::links::{Link, alike, link};
use super::store::{Level, Store};
use crate::geometry::{Point, View};
use crate::image::Size;
use nalgebra::DMatrix;
use rayon::prelude::*;
use std::cmp::Reverse;
use std::collections::HashSet;

/// Corners of each tile that the first look compares.
const FEW: usize = 300;
/// Share of a tile's diagonal that chained links may be wrong by: two tiles farther apart do not touch.
const ASTRAY: f64 = 0.2;

/// All pairs, the lower tile first.
pub fn pairs(tiles: usize) -> Vec<(usize, usize)> {
    (0..tiles).flat_map(|a| (a + 1..tiles).map(move |b| (a, b))).collect()
}

/// Links of all pairs, each looked at closely.
pub fn all_links(store: &Store, features: &[Features]) -> Vec<Link> {
    let mut group: Vec<usize> = (0..features.len()).collect();
    let mut links = look(features, &pairs(features.len()), store.size(Level::Reduced));
    join(&mut group, &links);
    by_grain(store, &mut group, &mut links);
    links
}

/// Looks closely at these pairs.
pub fn look(features: &[Features], pairs: &[(usize, usize)], size: Size) -> Vec<Link> {
    pairs.par_iter().map(|&(a, b)| link((a, &features[a]), (b, &features[b]), size)).collect()
}

/// Links of all pairs that may touch.
pub fn links(store: &Store, features: &[Features]) -> Vec<Link> {
    let (tiles, size) = (features.len(), store.size(Level::Reduced));
    let mut group: Vec<usize> = (0..tiles).collect();
    let mut links: Vec<Link> = Vec::new();
    // As many at once as there are tiles: both cores stay busy, and few are looked at in vain.
    for some in in_order(features).chunks(tiles) {
        let apart: Vec<_> = some.iter().copied().filter(|&(a, b)| group[a] != group[b]).collect();
        let seen = look(features, &apart, size);
        join(&mut group, &seen);
        links.extend(seen);
        if whole(&group) {
            break;
        }
    }
    let views = first_model(store, &links, None).views();
    let looked_at: HashSet<(usize, usize)> = links.iter().map(|l| (l.a, l.b)).collect();
    let may = |p: &(usize, usize)| !looked_at.contains(p) && may_touch(&views, *p, store.size(Level::Full));
    let rest: Vec<_> = pairs(tiles).into_iter().filter(may).collect();
    let seen = look(features, &rest, size);
    join(&mut group, &seen);
    links.extend(seen);
    by_grain(store, &mut group, &mut links);
    links
}

/// Gives the tiles of two groups that a link joins one number.
fn join(group: &mut [usize], links: &[Link]) {
    for link in links.iter().filter(|l| l.accepted) {
        let (one, other) = (group[link.a], group[link.b]);
        group.iter_mut().filter(|g| **g == other).for_each(|g| *g = one);
    }
}

fn whole(group: &[usize]) -> bool {
    group.iter().all(|g| *g == group[0])
}

/// Joins by their grain what corners left apart: the links looked at take the place of those that corners made.
fn by_grain(store: &Store, group: &mut [usize], links: &mut Vec<Link>) {
    links.sort_by_key(|l| (l.a, l.b));
    if whole(group) {
        return;
    }
    let grains = Grains::new(store);
    let each: Vec<Grain> = (0..group.len()).into_par_iter().map(|k| grains.of(k)).collect();
    for (a, b) in pairs(group.len()) {
        if group[a] != group[b] {
            let link = grains.link(&each[a], &each[b]);
            if link.accepted {
                join(group, std::slice::from_ref(&link));
                links.retain(|l| (l.a, l.b) != (a, b));
                links.push(link);
            }
        }
    }
    links.sort_by_key(|l| (l.a, l.b));
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

/// Whether two tiles come near each other; not if a place of one is not known.
fn may_touch(views: &[Option<View>], (a, b): (usize, usize), size: Size) -> bool {
    const N: usize = 9;
    let (w, h) = (size.columns as f64, size.rows as f64);
    let at = |k: usize| k as f64 / (N - 1) as f64;
    let lattice = |view: &View| -> Vec<Point> {
        (0..N * N).map(|k| view.to_plate(Point::new(w * at(k % N), h * at(k / N)))).collect()
    };
    let (Some(a), Some(b)) = (&views[a], &views[b]) else { return false };
    let near = ASTRAY * w.hypot(h);
    let there = lattice(b);
    lattice(a).iter().any(|p| there.iter().any(|q| p.distance(*q) < near))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::{Homography, Lens};
    use std::f64::consts::PI;

    #[test]
    fn tiles_touch_where_their_chained_places_come_near() {
        let size = Size::new(600, 800);
        let lens = Lens::straight(800, 600);
        // The last lies upside down, its corner (0, 0) at (800, 1000).
        let lies = [(0.0, 0.0, 0.0), (600.0, 0.0, 0.0), (1300.0, 0.0, 0.0), (800.0, 1000.0, PI)];
        let view =
            |(x, y, turn)| Some(View { plane: Homography::similarity(1.0, turn, Point::new(x, y)).inverse(), lens });
        let views: Vec<Option<View>> = lies.into_iter().map(view).chain([None]).collect();
        let pairs = [((0, 1), true), ((0, 2), false), ((1, 2), true), ((0, 3), true), ((2, 3), false), ((0, 4), false)];
        for (pair, touch) in pairs {
            assert_eq!(may_touch(&views, pair, size), touch, "{pair:?}");
        }
    }
}
