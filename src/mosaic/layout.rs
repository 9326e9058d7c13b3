//! Layout: first places for all tiles, from the links between them.
//!
//! In: all [`Link`]s, accepted or not. Out: a [`Model`] in which every connected tile has a pose (unit: the full-size pixel; the
//! best-connected tile lies untouched) and the tiles that no link reaches have none. A link that contradicts the others once all are
//! adjusted together is struck out, and the layout is made anew without it.
//! Fails if no two tiles are connected. Method: the spanning tree with most matched corners, then one robust adjustment.

use super::adjust::{Freedom, Tie, adjust};
use super::links::Link;
use super::model::{Camera, Model, Pose};
use super::store::{Level, Store};
use crate::error::Fault;
use crate::geometry::{Homography, Lens, Point};

/// Where the tiles lie, before ties.
pub struct Layout {
    pub model: Model,
    /// The links' matched corners, to a pixel or two of the reduced tiles.
    pub corners: Vec<Tie>,
    /// Links that were accepted and contradict the rest.
    pub struck: Vec<Link>,
}

/// Standard deviation of a matched corner in reduced pixels.
const CORNER_SIGMA: f64 = 1.5;
/// Median residual, in standard deviations of a corner, from which a link contradicts the rest.
const CONTRADICTS: f64 = 8.0;

/// Lays the tiles out.
pub fn lay_out(store: &Store, links: &[Link], lens: Option<Lens>) -> Result<Layout, Fault> {
    let mut links: Vec<Link> = links.iter().filter(|l| l.accepted).cloned().collect();
    let mut struck = Vec::new();
    loop {
        let model = first_model(store, &links, lens);
        if model.poses.iter().flatten().count() < 2 {
            let best = links.iter().map(|l| l.pairs.len()).max().unwrap_or(0);
            let what = format!(
                "no two of the {} tiles show the same part of the plate ({best} corners at most agree)",
                store.len()
            );
            return Err(Fault::new(what, "let each tile overlap its neighbours by a third, and check the file list"));
        }
        let ties = corner_ties(store, &links, &model);
        let free = Freedom { hand_held: false, lens: lens.is_none() };
        let fit = adjust(&model, &ties, None, free)?;
        let worst = links
            .iter()
            .enumerate()
            .filter_map(|(k, link)| {
                let mut off: Vec<f64> = (ties.iter().zip(&fit.ties))
                    .filter(|(t, _)| (t.a, t.b) == (link.a, link.b))
                    .map(|(_, r)| r.x.hypot(r.y) / (CORNER_SIGMA * store.scale(Level::Reduced)))
                    .collect();
                off.sort_by(f64::total_cmp);
                (!off.is_empty()).then(|| (off[off.len() / 2], k))
            })
            .max_by(|a, b| a.0.total_cmp(&b.0));
        match worst {
            Some((off, k)) if off > CONTRADICTS && links.len() > 1 => struck.push(links.remove(k)),
            _ => return Ok(Layout { model: fit.model, corners: ties, struck }),
        }
    }
}

/// The tiles as the links that were accepted say one by one, under one camera.
pub fn first_model(store: &Store, links: &[Link], lens: Option<Lens>) -> Model {
    let poses = spanning(store, links);
    Model { camera: Camera::new(store.size(Level::Full), lens), poses, hand_held: false }
}

/// Poses along the tree of the strongest accepted links, from the tile with most matched corners; the largest group of tiles wins.
fn spanning(store: &Store, links: &[Link]) -> Vec<Option<Pose>> {
    let n = store.len();
    let links = || links.iter().filter(|l| l.accepted);
    let strength = |t: usize| links().filter(|l| l.a == t || l.b == t).map(|l| l.pairs.len()).sum::<usize>();
    let mut best: Vec<Option<Pose>> = vec![None; n];
    let mut seen = vec![false; n];
    loop {
        let Some(root) = (0..n).filter(|t| !seen[*t]).max_by_key(|t| (strength(*t), n - t)) else { return best };
        let mut poses: Vec<Option<Homography>> = vec![None; n];
        let middle = Camera::new(store.size(Level::Full), None).middle;
        poses[root] = Some(Homography::similarity(1.0, 0.0, middle * 1.0));
        loop {
            // The strongest link from a placed tile to one that is not.
            let next = links()
                .filter(|l| poses[l.a].is_some() != poses[l.b].is_some())
                .max_by_key(|l| (l.pairs.len(), std::cmp::Reverse((l.a, l.b))));
            let Some(link) = next else { break };
            let scale = store.scale(Level::Reduced);
            let (from, to, pairs): (_, _, Vec<(Point, Point)>) = if poses[link.a].is_some() {
                (link.a, link.b, link.pairs.iter().map(|p| (p.0 * scale, p.1 * scale)).collect())
            } else {
                (link.b, link.a, link.pairs.iter().map(|p| (p.1 * scale, p.0 * scale)).collect())
            };
            poses[to] = poses[from].map(|pose| rigid(&pairs).after(&pose));
        }
        let placed = poses.iter().flatten().count();
        poses.iter().zip(&mut seen).for_each(|(p, s)| *s |= p.is_some());
        if placed > best.iter().flatten().count() {
            best = poses.into_iter().map(|p| p.map(|h| pose(&h, middle))).collect();
        }
    }
}

/// The turn and shift, without scale, that best carry the first of each pair to the second.
fn rigid(pairs: &[(Point, Point)]) -> Homography {
    let n = pairs.len() as f64;
    let (from, to) = pairs.iter().fold((Point::default(), Point::default()), |s, p| (s.0 + p.0, s.1 + p.1));
    let (from, to) = (from * (1.0 / n), to * (1.0 / n));
    let (dot, cross) = pairs.iter().fold((0.0, 0.0), |(dot, cross), (p, q)| {
        let (p, q) = (*p - from, *q - to);
        (dot + p.x * q.x + p.y * q.y, cross + p.x * q.y - p.y * q.x)
    });
    let turned = Homography::similarity(1.0, f64::atan2(cross, dot), Point::default());
    let shift = to - turned.apply(from);
    Homography::similarity(1.0, f64::atan2(cross, dot), shift)
}

/// From plate units (full-size pixels) to pixels of the tile, as a pose.
fn pose(h: &Homography, middle: Point) -> Pose {
    let turn = h.0[(1, 0)].atan2(h.0[(0, 0)]);
    Pose { shift: Point::new(h.0[(0, 2)], h.0[(1, 2)]) - middle, turn, own: [0.0; 5] }
}

/// Matched corners as ties.
fn corner_ties(store: &Store, links: &[Link], model: &Model) -> Vec<Tie> {
    let scale = store.scale(Level::Reduced);
    let information = (CORNER_SIGMA * scale).powi(-2);
    let usable = links.iter().filter(|l| model.poses[l.a].is_some() && model.poses[l.b].is_some());
    usable
        .flat_map(|l| {
            l.pairs.iter().map(move |(p, q)| Tie {
                a: l.a,
                b: l.b,
                at_a: *p * scale,
                at_b: *q * scale,
                information: [information, 0.0, information],
            })
        })
        .collect()
}
