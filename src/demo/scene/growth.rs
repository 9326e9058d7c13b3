//! What stands about on the marsh besides the kiln: hawthorn bushes and the posts of an old landing stage.
//!
//! In: a ray in the world. Out: where it first meets wood or leaves, and how that place takes light. Never fails.

use super::light::{SUN_AT, matt};
use super::vector::{Vector, vector};
use crate::demo::noise::{fbm, hash, mix, noise, step};
use std::f64::consts::TAU;
use std::sync::LazyLock;

/// Round heads of leaves: middle, and half-widths along and up.
const BUSHES: [(Vector, f64, f64); 7] = [
    (vector(10.9, 1.0, 33.0), 1.5, 1.35),
    (vector(12.6, 1.35, 34.4), 1.9, 1.8),
    (vector(14.6, 0.8, 34.8), 1.6, 1.15),
    (vector(-16.5, 1.0, 46.0), 2.2, 1.5),
    (vector(-19.6, 1.5, 48.0), 2.6, 2.1),
    (vector(24.0, 1.1, 62.0), 2.8, 1.7),
    (vector(-34.0, 1.3, 88.0), 4.2, 2.2),
];

/// x, z, radius, height of the top above the marsh.
type Post = (f64, f64, f64, f64);

/// Two rows of posts, each with a place and a radius that hold all of it.
const POSTS: [(Vector, f64, &[Post]); 2] = [
    (
        vector(2.6, 0.2, 15.8),
        4.6,
        &[
            (1.05, 12.2, 0.085, 0.95),
            (2.35, 12.9, 0.090, 1.22),
            (1.55, 14.3, 0.080, 0.70),
            (2.95, 14.9, 0.085, 1.05),
            (2.10, 16.6, 0.090, 0.88),
            (3.60, 17.1, 0.080, 0.42),
            (2.75, 18.9, 0.085, 0.98),
            (4.25, 19.4, 0.090, 0.90),
        ],
    ),
    (
        vector(-10.0, 0.2, 19.8),
        6.0,
        &[(-7.4, 15.5, 0.06, 1.05), (-8.9, 18.0, 0.06, 1.00), (-10.6, 20.8, 0.06, 1.10), (-12.6, 24.2, 0.06, 1.02)],
    ),
];

/// A ball of leaves.
struct Spray {
    centre: Vector,
    radius: f64,
}

/// The sprays of each bush, scattered through its head.
static SPRAYS: LazyLock<Vec<Vec<Spray>>> = LazyLock::new(|| {
    let of = |number: u32, (middle, wide, tall): (Vector, f64, f64)| {
        let spray = |i: i32| {
            let own = |k: i32| hash(i, k, 503 + number);
            let (turn, lift) = (TAU * own(0), 1.9 * own(1) - 0.9);
            let out = 0.92 * own(2).cbrt();
            let ring = (1.0 - lift * lift).max(0.0).sqrt() * out;
            let centre = middle + vector(wide * ring * turn.cos(), tall * lift * out, wide * ring * turn.sin());
            Spray { centre, radius: wide * (0.13 + 0.20 * own(3)) }
        };
        (0..70).map(spray).collect()
    };
    BUSHES.iter().enumerate().map(|(i, bush)| of(i as u32, *bush)).collect()
});

#[derive(Debug, Clone, Copy)]
pub struct Hit {
    pub away: f64,
    what: What,
    at: Vector,
    normal: Vector,
    /// How deep under the outermost leaves, 0 to 1.
    deep: f64,
}

#[derive(Debug, Clone, Copy, PartialEq)]
enum What {
    Leaves,
    Wood(u32),
}

/// First meeting of a ray with wood or leaves. `fine`: pixels' width one metre away, for the leaves' outline.
pub fn hit(from: Vector, along: Vector, fine: f64) -> Option<Hit> {
    let leaves = BUSHES.iter().zip(SPRAYS.iter()).enumerate();
    let leaves = leaves.filter_map(|(i, (bush, sprays))| leaf(from, along, bush, sprays, i as u32, fine));
    let rows = POSTS.iter().filter(|(middle, reach, _)| passes(from, along, *middle, *reach));
    let posts = rows.flat_map(|(_, _, row)| row.iter().enumerate());
    let wood = posts.filter_map(|(i, p)| post(from, along, *p, i as u32));
    leaves.chain(wood).min_by(|a, b| a.away.total_cmp(&b.away))
}

/// Whether a ray goes through a ball, or begins in it.
fn passes(from: Vector, along: Vector, middle: Vector, reach: f64) -> bool {
    let (o, a) = (from - middle, along.dot(along));
    let b = o.dot(along);
    let off = o.dot(o);
    off < reach * reach || (b < 0.0 && off - b * b / a < reach * reach)
}

/// Share of the sun that comes through to a place.
pub fn lets_through(place: Vector) -> f64 {
    match hit(place + SUN_AT * 0.05, SUN_AT, 0.002) {
        None => 1.0,
        Some(Hit { what: What::Wood(_), .. }) => 0.0,
        Some(_) => 0.12,
    }
}

/// A bush is a heap of sprays, each with gaps between its leaves and more gaps at its rim.
fn leaf(
    from: Vector,
    along: Vector,
    (middle, wide, tall): &(Vector, f64, f64),
    sprays: &[Spray],
    number: u32,
    fine: f64,
) -> Option<Hit> {
    let reach = wide.max(*tall) * 1.35;
    if !passes(from, along, *middle, reach) {
        return None;
    }
    let a = along.dot(along);
    let mut first: Option<Hit> = None;
    for spray in sprays {
        let o = from - spray.centre;
        let b = o.dot(along);
        let root = spray.radius * spray.radius - (o.dot(o) - b * b / a);
        if root <= 0.0 {
            continue;
        }
        let away = (-b - (root * a).sqrt()) / a;
        if away < 1e-6 || first.is_some_and(|f| f.away < away) {
            continue;
        }
        let at = from + along * away;
        let inside = root.sqrt() / spray.radius;
        let finest = (fine * away * a.sqrt() * 0.8).max(0.004);
        let cover = fbm(at.x + 0.6 * at.z, at.y + 0.3 * at.z, 521 + number, 0.13, finest);
        if cover > 0.42 - 0.62 * inside {
            let ball = (at - spray.centre) * (1.0 / spray.radius);
            let head = (at - *middle) * (1.0 / reach);
            let deep = (0.95 - 1.15 * head.length()).clamp(0.0, 1.0);
            first = Some(Hit { away, what: What::Leaves, at, normal: (ball * 0.5 + head).unit(), deep });
        }
    }
    first
}

fn post(from: Vector, along: Vector, (x, z, radius, top): Post, number: u32) -> Option<Hit> {
    // Each leans its own way: the axis is shifted with height.
    let lean = (0.14 * (hash(number as i32, 1, 541) - 0.5), 0.10 * (hash(number as i32, 2, 541) - 0.5));
    let (ox, oz) = (from.x - x - lean.0 * from.y, from.z - z - lean.1 * from.y);
    let (dx, dz) = (along.x - lean.0 * along.y, along.z - lean.1 * along.y);
    let (a, b, c) = (dx * dx + dz * dz, ox * dx + oz * dz, ox * ox + oz * oz - radius * radius);
    let root = b * b - a * c;
    if root < 0.0 {
        return None;
    }
    let away = (-b - root.sqrt()) / a;
    let at = from + along * away;
    let (nx, nz) = (ox + dx * away, oz + dz * away);
    let worn = top + 0.05 * noise(nx / radius * 2.0, f64::from(number), 547) + 0.25 * nx;
    if away < 1e-6 || at.y > worn || at.y < -1.2 {
        return None;
    }
    let normal = vector(nx, 0.0, nz).unit();
    Some(Hit { away, what: What::Wood(number), at, normal, deep: 0.0 })
}

/// Luminance of what was hit. `lit`: share of the sun there.
pub fn luminance(hit: &Hit, fine: f64, lit: f64) -> f64 {
    match hit.what {
        What::Leaves => {
            let (u, v) = (hit.at.x + 0.7 * hit.at.z, hit.at.y + 0.4 * hit.at.z);
            let leaf = fbm(u, v, 557, 0.09, fine);
            let twist = vector(1.5 * fbm(u, v, 559, 0.10, fine), 1.5 * fbm(u, v, 563, 0.10, fine), 0.0);
            let open = (0.75 - 0.65 * hit.deep + 0.25 * hit.normal.y).clamp(0.08, 1.0);
            let shelter = lit * (1.0 - 0.9 * hit.deep).clamp(0.1, 1.0);
            matt((0.042 * (1.0 + 1.1 * leaf)).max(0.01), (hit.normal + twist).unit(), shelter, open)
        }
        What::Wood(number) => {
            let around = hit.normal.x.atan2(hit.normal.z) * 0.1 + f64::from(number);
            let grain = fbm(around * 3.0, hit.at.y * 0.12, 571, 0.06, fine * 0.6);
            let crack = step(0.18, 0.3, fbm(around * 2.0, hit.at.y * 0.07, 577, 0.05, fine * 0.5));
            // Weed and wet below the tide's mark.
            let wet = step(0.25, 0.0, hit.at.y + 0.08 * noise(around * 20.0, 0.0, 587));
            let albedo = mix(0.15 * (1.0 + 0.8 * grain) * (1.0 - 0.8 * crack), 0.03, wet);
            matt(albedo.max(0.01), hit.normal, lit, 0.85)
        }
    }
}
