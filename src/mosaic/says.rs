//! What is risky about a set of tiles, in words.

use super::links::Link;
use super::placement::{Placed, Placement};
use super::store::{Level, Store};
use crate::error::Warning;
use crate::geometry::Point;
use crate::notes::PlateSize;

/// Gains further from 1 than this are said: a flat-fielded tile of stated exposure stays within a hundredth.
const ODD_LIGHT: f64 = 0.03;
/// Overlaps below this share of a tile's side are said.
const LOW_OVERLAP: f64 = 0.15;
/// Tiles that share more than this show the same place twice.
const SAME_PLACE: f64 = 0.96;

/// All warnings about a placement.
pub fn warnings(
    store: &Store,
    links: &[Link],
    struck: &[Link],
    placement: &Placement,
    size: &PlateSize,
) -> Vec<Warning> {
    let mut said = Vec::new();
    said.extend(struck.iter().map(|l| contradicts(store, l)));
    left_out(store, links, placement, &mut said);
    said.extend(
        placement
            .tiles
            .iter()
            .enumerate()
            .filter(|(_, t)| t.view.is_some())
            .filter_map(|(k, t)| light(store, k, &t.name, t.gain * placement.bare)),
    );
    said.extend(twice(store, links, placement));
    said.extend(low_overlaps(store, placement));
    said.extend(disagreeing(placement));
    said.extend(odd_size(placement, size));
    said
}

/// Two tiles that look alike where all others say that they cannot lie so.
fn contradicts(store: &Store, link: &Link) -> Warning {
    let (a, b) = (store.name(link.a), store.name(link.b));
    let message = format!(
        "{} corners of {a} and {b} look alike, but the other tiles place these two otherwise; ignored. Is one of them of another plate?",
        link.pairs.len()
    );
    Warning::new("tile-disagrees", message)
}

/// Tiles that no other tile's picture touches.
fn left_out(store: &Store, links: &[Link], placement: &Placement, said: &mut Vec<Warning>) {
    for (k, tile) in placement.tiles.iter().enumerate().filter(|(_, t)| t.view.is_none()) {
        let nearest = links.iter().filter(|l| l.a == k || l.b == k).max_by_key(|l| l.pairs.len());
        let seen = nearest.map_or("no corner of it is seen elsewhere".to_string(), |l| {
            let other = store.name(if l.a == k { l.b } else { l.a });
            format!("nearest is {other}, where {} of {} corners agree", l.pairs.len(), l.matches)
        });
        said.push(Warning::new(
            "tile-left-out",
            format!(
                "{} was left out: nothing ties it to the other tiles ({seen}); check that it shows this plate",
                tile.name
            ),
        ));
    }
}

fn light(store: &Store, tile: usize, name: &str, gain: f64) -> Option<Warning> {
    if gain.ln().abs() < ODD_LIGHT {
        return None;
    }
    let (percent, how) = (100.0 * (1.0 / gain - 1.0).abs(), if gain > 1.0 { "darker" } else { "brighter" });
    let why = if store.exposure(tile).is_some() {
        "than its Exif says; corrected. Lock exposure and white balance, and let the panel warm up"
    } else {
        "than its neighbours, and no Exif states its exposure; corrected. Copy all tiles at one exposure"
    };
    Some(Warning::new("tile-exposure", format!("{name} is {percent:.0} % {how} {why}")))
}

fn twice<'a>(store: &'a Store, links: &'a [Link], placement: &'a Placement) -> impl Iterator<Item = Warning> + 'a {
    let both = |l: &&Link| placement.tiles[l.a].view.is_some() && placement.tiles[l.b].view.is_some();
    links.iter().filter(|l| l.accepted && l.overlap > SAME_PLACE).filter(both).map(|l| {
        Warning::new(
            "duplicate-tile",
            format!(
                "{} and {} show the same part of the plate; one of them would do",
                store.name(l.a),
                store.name(l.b)
            ),
        )
    })
}

/// Joints between neighbours that share too little. Neighbours: no third tile lies nearer to both.
fn low_overlaps(store: &Store, placement: &Placement) -> Vec<Warning> {
    let size = store.size(Level::Full);
    let (w, h) = (size.columns as f64, size.rows as f64);
    let views: Vec<_> = placement.tiles.iter().enumerate().filter_map(|(k, t)| Some((k, t.view?))).collect();
    let middles: Vec<Point> = views.iter().map(|(_, v)| v.to_plate(Point::new(w / 2.0, h / 2.0))).collect();
    let mut said = Vec::new();
    for i in 0..views.len() {
        for j in i + 1..views.len() {
            let d = middles[i].distance(middles[j]);
            let between = |k: &Point| k.distance(middles[i]).max(k.distance(middles[j])) < d - 1e-9;
            if middles.iter().any(between) {
                continue;
            }
            // The neighbour's middle in this tile's pixels: an overlap is what a shift along one axis leaves.
            let offset = views[i].1.to_capture(middles[j]) - Point::new(w / 2.0, h / 2.0);
            let shares = (1.0 - offset.x.abs() / w, 1.0 - offset.y.abs() / h);
            let share = shares.0.min(shares.1);
            if share > 0.0 && share < LOW_OVERLAP {
                said.push(Warning::new(
                    "low-overlap",
                    format!(
                        "{} and {} overlap by {:.0} %; a third is safe, {:.0} % the least",
                        store.name(views[i].0),
                        store.name(views[j].0),
                        100.0 * share,
                        100.0 * LOW_OVERLAP
                    ),
                ));
            }
        }
    }
    said
}

/// Tiles whose ties are off by far more than the others'.
fn disagreeing(placement: &Placement) -> impl Iterator<Item = Warning> + '_ {
    const OFF_PX: f64 = 0.6;
    let mut all: Vec<f64> = placement.tiles.iter().filter(|t| t.view.is_some()).map(|t| t.residual_px).collect();
    all.sort_by(f64::total_cmp);
    let usual = all.get(all.len() / 2).copied().unwrap_or(0.0);
    let off = move |t: &Placed| {
        if t.set_aside > t.ties {
            Some(format!("{} of {} places that it shares contradict the others", t.set_aside, t.set_aside + t.ties))
        } else {
            (t.residual_px > OFF_PX.max(2.5 * usual)).then(|| format!("its ties are off by {:.1} px", t.residual_px))
        }
    };
    placement.tiles.iter().filter(|t| t.view.is_some()).filter_map(move |t| {
        let off = off(t)?;
        let what = format!(
            "{} does not lie well with its neighbours: {off}; was the plate moved, or the focus changed?",
            t.name
        );
        Some(Warning::new("tile-disagrees", what))
    })
}

/// Sides whose ratio is far from the stated one.
fn odd_size(placement: &Placement, size: &PlateSize) -> Option<Warning> {
    let loose = placement.sides.iter().any(|s| s.support < 0.3);
    loose.then(|| {
        Warning::new(
            "edge-unclear",
            format!(
                "less than a third of one side of the {} plate is seen clearly; check the outline in the report",
                size.name
            ),
        )
    })
}
