//! The lime kiln: a battered block of masonry with two draw arches, a pot on top, and the ramp up which carts brought stone.
//!
//! In: a ray in the world. Out: where it first meets the kiln ([`Hit`]), and how that place takes light. Never fails.
//! The kiln has coordinates of its own: u along its front, v up, w into the bank, metres, from the middle of the front's foot.

use super::light::{SUN_AT, matt};
use super::masonry::{self, Bond, DRESSED, RUBBLE, Stone};
use super::vector::{Vector, vector};
use crate::demo::noise::{fbm, hash, mix, noise, step, whole};

/// Where the front's foot stands, and how the front is turned away from the south (sine and cosine).
const FOOT: Vector = vector(3.6, -0.1, 31.0);
const TURN: (f64, f64) = (-0.3584, 0.9336);

const HALF_WIDTH: f64 = 4.7;
const DEPTH: f64 = 7.6;
const TOP: f64 = 6.1;
/// How far walls lean inward for each metre up.
const BATTER: f64 = 0.085;

/// The pot: a leaning-in drum with a ring near its top.
const POT_AT: (f64, f64) = (-0.2, 3.7);
const POT_FOOT: f64 = 2.35;
const POT_HEAD: f64 = 1.72;
const POT_TOP: f64 = 10.6;
const RING: (f64, f64) = (9.55, 9.85);

/// Draw arches: middle along the face, half-width, height at which the curve springs.
struct Arch {
    middle: f64,
    half: f64,
    spring: f64,
    deep: f64,
}
const FRONT_ARCH: Arch = Arch { middle: -0.5, half: 1.45, spring: 1.55, deep: 3.0 };
const SIDE_ARCH: Arch = Arch { middle: 3.4, half: 1.1, spring: 1.3, deep: 2.4 };

/// The ramp's far end along u and the height there.
const RAMP_END: f64 = -21.0;
const RAMP_LOW: f64 = 0.5;
const RAMP_W: (f64, f64) = (1.4, 5.6);

/// What a ray met.
#[derive(Debug, Clone, Copy)]
pub struct Hit {
    /// Along the ray, in units of its direction's length.
    pub away: f64,
    surface: Surface,
    /// In the kiln's coordinates.
    at: Vector,
}

#[derive(Debug, Clone, Copy, PartialEq)]
enum Surface {
    Front,
    Side,
    Left,
    Back,
    Flat,
    Pot,
    Ring,
    PotInside,
    Recess(Face),
    RampWall,
    RampEnd,
    RampTop,
}

#[derive(Debug, Clone, Copy, PartialEq)]
enum Face {
    Front,
    Side,
}

fn to_local(p: Vector) -> Vector {
    vector(p.x * TURN.1 + p.z * TURN.0, p.y, -p.x * TURN.0 + p.z * TURN.1)
}

fn to_world(p: Vector) -> Vector {
    vector(p.x * TURN.1 - p.z * TURN.0, p.y, p.x * TURN.0 + p.z * TURN.1)
}

/// A ray in the kiln's coordinates.
#[derive(Clone, Copy)]
struct Ray {
    from: Vector,
    along: Vector,
}

impl Ray {
    fn at(&self, away: f64) -> Vector {
        self.from + self.along * away
    }
}

/// First meeting of a ray with any part of the kiln. `fine`: metres that one pixel covers a metre away.
pub fn hit(from: Vector, along: Vector) -> Option<Hit> {
    let ray = Ray { from: to_local(from - FOOT), along: to_local(along) };
    if misses(&ray) {
        return None;
    }
    [block(&ray), drum(&ray), ramp(&ray)].into_iter().flatten().min_by(|a, b| a.away.total_cmp(&b.away))
}

/// Whether any part of the kiln stands between a place and the sun.
pub fn shades(place: Vector) -> bool {
    hit(place + SUN_AT * 0.03, SUN_AT).is_some()
}

/// A quick no: the ray, seen from above, passes the whole kiln by, or runs above it.
fn misses(ray: &Ray) -> bool {
    let (low, high) = (vector(RAMP_END - 0.5, -1.0, -0.5), vector(HALF_WIDTH + 0.5, POT_TOP + 0.6, DEPTH + 0.5));
    let (mut near, mut far) = (1e-6, f64::INFINITY);
    for (from, along, low, high) in [
        (ray.from.x, ray.along.x, low.x, high.x),
        (ray.from.y, ray.along.y, low.y, high.y),
        (ray.from.z, ray.along.z, low.z, high.z),
    ] {
        let (a, b) = ((low - from) / along, (high - from) / along);
        near = f64::max(near, a.min(b));
        far = f64::min(far, a.max(b));
    }
    near > far
}

/// Where a ray enters the space behind all planes (normal · p ≤ offset), and through which of them.
fn enter(ray: &Ray, planes: &[(Vector, f64)]) -> Option<(f64, usize)> {
    let (mut near, mut far, mut through) = (1e-6, f64::INFINITY, None);
    for (i, (normal, offset)) in planes.iter().enumerate() {
        let (slope, gap) = (normal.dot(ray.along), offset - normal.dot(ray.from));
        if slope < 0.0 {
            let t = gap / slope;
            if t > near {
                (near, through) = (t, Some(i));
            }
        } else if slope > 0.0 {
            far = far.min(gap / slope);
        } else if gap < 0.0 {
            return None;
        }
    }
    if near < far { through.map(|i| (near, i)) } else { None }
}

fn block(ray: &Ray) -> Option<Hit> {
    let planes = [
        (vector(0.0, BATTER, -1.0), 0.0),
        (vector(1.0, BATTER, 0.0), HALF_WIDTH),
        (vector(-1.0, BATTER, 0.0), HALF_WIDTH),
        (vector(0.0, BATTER, 1.0), DEPTH),
        (vector(0.0, 1.0, 0.0), TOP + 0.4),
    ];
    let (away, through) = enter(ray, &planes)?;
    let at = ray.at(away);
    let surface = [Surface::Front, Surface::Side, Surface::Left, Surface::Back, Surface::Flat][through];
    // The parapet is broken: what is left of it stands above the level top here and there.
    let along = if matches!(surface, Surface::Side | Surface::Left) { at.z } else { at.x };
    if at.y > parapet(along) || surface == Surface::Flat {
        let away = (TOP - 0.1 - ray.from.y) / ray.along.y;
        let at = ray.at(away);
        let inside = at.x.abs() < HALF_WIDTH - BATTER * TOP && at.z > BATTER * TOP && at.z < DEPTH - BATTER * TOP;
        return (away > 1e-6 && inside).then_some(Hit { away, surface: Surface::Flat, at });
    }
    if surface == Surface::Front && open(&FRONT_ARCH, at.x, at.y) {
        return Some(recess(ray, away, &FRONT_ARCH, Face::Front));
    }
    if surface == Surface::Side && open(&SIDE_ARCH, at.z, at.y) {
        return Some(recess(ray, away, &SIDE_ARCH, Face::Side));
    }
    Some(Hit { away, surface, at })
}

/// What is left of the top course: whole stones are missing.
fn parapet(along: f64) -> f64 {
    let stone = along / 0.52 + 0.2 * noise(along * 1.1, 0.4, 91);
    let (i, worn) = (whole(stone), fbm(along, 1.7, 92, 0.3, 0.03));
    let stretch = noise(f64::from(i) * 0.31, 3.3, 93);
    let missing = if hash(i, 0, 94) < 0.5 - 0.9 * stretch { 0.27 } else { 0.0 };
    let within = (stone - f64::from(i) - 0.5).abs();
    TOP + 0.22 - missing - 0.05 * step(0.36, 0.5, within) + 0.05 * worn
}

fn open(arch: &Arch, along: f64, up: f64) -> bool {
    let side = (along - arch.middle).abs();
    if up < arch.spring { side < arch.half } else { side.hypot(up - arch.spring) < arch.half }
}

/// Inside an arch: walls that draw together inward, a vault, a back wall with the draw hole.
fn recess(ray: &Ray, entered: f64, arch: &Arch, face: Face) -> Hit {
    // Small steps are good enough in the dark, and end at the back wall.
    let inward = |p: Vector| match face {
        Face::Front => p.z - BATTER * p.y,
        Face::Side => HALF_WIDTH - BATTER * p.y - p.x,
    };
    let along = |p: Vector| if face == Face::Front { p.x } else { p.z };
    let mut away = entered;
    let pace = 0.04 / ray.along.length();
    loop {
        away += pace;
        let p = ray.at(away);
        let deep = inward(p);
        let narrow = 1.0 - 0.14 * deep;
        let shrunk = Arch { half: arch.half * narrow, spring: arch.spring * (1.0 - 0.08 * deep), ..*arch };
        if deep > arch.deep || deep < -0.05 || p.y < -0.3 || !open(&shrunk, along(p), p.y) {
            return Hit { away, surface: Surface::Recess(face), at: p };
        }
    }
}

/// The pot and its ring: cones about an upright axis.
fn drum(ray: &Ray) -> Option<Hit> {
    let taper = (POT_FOOT - POT_HEAD) / (POT_TOP - TOP);
    let wall = cone(ray, POT_FOOT + taper * TOP, taper, (TOP - 0.2, POT_TOP), true);
    let ring = cone(ray, POT_FOOT + taper * TOP + 0.14, taper, RING, false).or_else(|| {
        // Seen from below: the ring's under side.
        let away = (RING.0 - ray.from.y) / ray.along.y;
        let at = ray.at(away);
        let radius = (at.x - POT_AT.0).hypot(at.z - POT_AT.1);
        let wall = POT_FOOT + taper * (TOP - RING.0);
        (ray.along.y > 0.0 && away > 1e-6 && radius > wall && radius < wall + 0.14).then_some(Hit {
            away,
            surface: Surface::PotInside,
            at,
        })
    });
    match (wall, ring) {
        (Some(w), Some(r)) if r.away > w.away => Some(w),
        (w, None) => w,
        (_, r) => r,
    }
}

/// A cone of radius `reach − taper · y`, between two heights; the upper rim is broken when it is the pot's.
fn cone(ray: &Ray, reach: f64, taper: f64, (low, high): (f64, f64), rim: bool) -> Option<Hit> {
    let (x, z) = (ray.from.x - POT_AT.0, ray.from.z - POT_AT.1);
    let (r, dr) = (reach - taper * ray.from.y, -taper * ray.along.y);
    let a = ray.along.x * ray.along.x + ray.along.z * ray.along.z - dr * dr;
    let b = x * ray.along.x + z * ray.along.z - r * dr;
    let c = x * x + z * z - r * r;
    let root = b * b - a * c;
    if root < 0.0 {
        return None;
    }
    for (inside, away) in [(false, (-b - root.sqrt()) / a), (true, (-b + root.sqrt()) / a)] {
        if away < 1e-6 {
            continue;
        }
        let at = ray.at(away);
        let turn = (at.x - POT_AT.0).atan2(at.z - POT_AT.1);
        let top = if rim { high - 0.35 * step(0.0, 0.35, fbm(turn * 1.3, 0.0, 97, 0.9, 0.02)) } else { high };
        if at.y < top && at.y > low {
            if inside && !rim {
                continue;
            }
            let surface = match (rim, inside) {
                (_, true) => Surface::PotInside,
                (true, false) => Surface::Pot,
                (false, false) => Surface::Ring,
            };
            return Some(Hit { away, surface, at });
        }
    }
    None
}

fn ramp(ray: &Ray) -> Option<Hit> {
    let slope = (TOP - 0.2 - RAMP_LOW) / (-HALF_WIDTH - RAMP_END);
    let level = TOP - 0.2 + slope * HALF_WIDTH;
    // Grass stands this high on the ramp, and is left out of it blade by blade.
    const GRASS: f64 = 0.32;
    let planes = [
        (vector(0.0, 0.05, -1.0), -RAMP_W.0),
        (vector(0.0, 0.05, 1.0), RAMP_W.1),
        (vector(1.0, 0.0, 0.0), -HALF_WIDTH + BATTER * TOP),
        (vector(-1.0, 0.0, 0.0), -RAMP_END),
        (vector(-slope, 1.0, 0.0), level + GRASS),
    ];
    let (away, through) = enter(ray, &planes)?;
    let at = ray.at(away);
    let surface = [Surface::RampWall, Surface::Back, Surface::Back, Surface::RampEnd, Surface::RampTop][through];
    let over = at.y - (level + slope * at.x);
    if over > 0.0 {
        let blade = 0.5 * GRASS * (1.0 + 1.3 * fbm(at.x, over * 0.3 + at.z, 93, 0.5, 0.012));
        if over > blade {
            // Between the blades: on to the turf.
            let gap = (level - ray.from.y + slope * ray.from.x) / (ray.along.y - slope * ray.along.x);
            let at = ray.at(gap);
            let inside = at.z > RAMP_W.0 && at.z < RAMP_W.1 && at.x > RAMP_END && at.x < -HALF_WIDTH + BATTER * TOP;
            return (gap > away && inside).then_some(Hit { away: gap, surface: Surface::RampTop, at });
        }
        return Some(Hit { away, surface: Surface::RampTop, at });
    }
    Some(Hit { away, surface, at })
}

/// Luminance of what was hit. `fine`: metres that a pixel covers there; `bushes` tells whether leaves shade the place.
pub fn luminance(hit: &Hit, fine: f64, shaded: impl Fn(Vector) -> f64) -> f64 {
    let at = hit.at;
    let world = to_world(at) + FOOT;
    let up = vector(0.0, 1.0, 0.0);
    match hit.surface {
        Surface::Front => {
            let stone = arched(&FRONT_ARCH, RUBBLE, at.x, at.y, fine);
            face(stone, vector(1.0, 0.0, 0.0), vector(0.0, BATTER, -1.0), at.x, at.y, fine, shaded(world))
        }
        Surface::Side => {
            let stone = arched(&SIDE_ARCH, Bond { seed: 211, ..RUBBLE }, at.z, at.y, fine);
            face(stone, vector(0.0, 0.0, 1.0), vector(1.0, BATTER, 0.0), at.z, at.y, fine, shaded(world))
        }
        Surface::Left | Surface::Back => {
            let stone = masonry::wall(Bond { seed: 223, ..RUBBLE }, at.z, at.y, fine);
            face(stone, vector(0.0, 0.0, 1.0), vector(-1.0, BATTER, 0.0), at.z, at.y, fine, shaded(world))
        }
        Surface::RampWall => {
            let stone = masonry::wall(Bond { seed: 227, course: 0.22, ..RUBBLE }, at.x, at.y, fine);
            let drop = (TOP - 0.2) * (at.x - RAMP_END) / (-HALF_WIDTH - RAMP_END) + RAMP_LOW - at.y;
            let stone = masonry::weathered(stone, 229, at.x, drop.max(0.0), at.y, fine);
            let grown = step(0.05, 0.35, fbm(at.x, at.y, 231, 1.4, fine) + 0.3 * (-drop.max(0.0) * 0.8).exp());
            let stone = Stone { albedo: mix(stone.albedo, 0.05, 0.8 * grown), ..stone };
            lit(stone, vector(1.0, 0.0, 0.0), vector(0.0, 0.05, -1.0), shaded(world))
        }
        Surface::RampEnd | Surface::RampTop | Surface::Flat => {
            let patch = fbm(at.x, at.z, 233, 2.4, 0.15);
            let blade = fbm(at.x + 0.3 * at.y, at.z * 0.6 + at.y * 0.2, 235, 0.12, fine * 0.7);
            let albedo = (0.062 + 0.05 * patch) * (1.0 + 0.9 * blade);
            matt(albedo.max(0.012), (up + vector(0.0, 0.0, -0.2)).unit(), shaded(world), 0.75 + 0.5 * blade)
        }
        Surface::Pot | Surface::Ring => {
            let (x, z) = (at.x - POT_AT.0, at.z - POT_AT.1);
            let radius = x.hypot(z);
            let around = x.atan2(z) * POT_FOOT;
            let bond = if hit.surface == Surface::Ring { DRESSED } else { Bond { seed: 239, course: 0.24, ..RUBBLE } };
            let stone = masonry::wall(bond, around, at.y, fine);
            let stone = masonry::weathered(stone, 241, around, POT_TOP - at.y, at.y - TOP, fine);
            // Smoke has blackened the head.
            let soot = step(2.2, 0.0, POT_TOP - at.y + 0.8 * fbm(around, at.y, 243, 1.0, fine));
            let stone = Stone { albedo: stone.albedo * (1.0 - 0.6 * soot), ..stone };
            let under = if at.y < RING.0 { step(0.3, 0.0, RING.0 - at.y) } else { 0.0 };
            let stone = Stone { open: stone.open * (1.0 - 0.35 * under), ..stone };
            let normal = vector(x / radius, 0.14, z / radius);
            let around = vector(z / radius, 0.0, -x / radius);
            lit(stone, around, normal, shaded(world))
        }
        Surface::PotInside => matt(0.05, up, 0.0, 0.35),
        Surface::Recess(which) => {
            let (arch, deep, along) = match which {
                Face::Front => (&FRONT_ARCH, at.z - BATTER * at.y, at.x),
                Face::Side => (&SIDE_ARCH, HALF_WIDTH - BATTER * at.y - at.x, at.z),
            };
            let stone = masonry::wall(Bond { seed: 251, course: 0.2, ..RUBBLE }, along + 0.7 * deep, at.y, fine);
            // The sun reaches as far as the opening lets it: follow it back out through the face.
            let sun = to_local(SUN_AT);
            let way_out = match which {
                Face::Front => deep / (BATTER * sun.y - sun.z).max(1e-9),
                Face::Side => deep / (BATTER * sun.y + sun.x).max(1e-9),
            };
            let through = at + sun * way_out;
            let seen = if which == Face::Front { open(arch, through.x, through.y) } else { false };
            let hole = deep > arch.deep - 0.06 && (along - arch.middle).hypot(at.y - 0.45) < 0.42;
            let dim = (0.55 * (-0.75 * deep).exp()).max(0.03) * stone.open;
            let floor = if at.y < 0.02 { 1.5 } else { 1.0 };
            if hole { 0.0006 } else { matt(0.8 * stone.albedo, up, if seen { 0.5 } else { 0.0 }, dim * floor) }
        }
    }
}

/// A wall round an arch: wedge-shaped dressed stones about the opening, the wall beyond them.
fn arched(arch: &Arch, bond: Bond, along: f64, up: f64, fine: f64) -> Stone {
    const RING_OF_STONES: f64 = 0.52;
    let (x, y) = (along - arch.middle, up - arch.spring);
    let radius = if y > 0.0 { x.hypot(y) } else { x.abs() };
    let out = radius - arch.half;
    if out > RING_OF_STONES {
        return masonry::wall(bond, along, up, fine);
    }
    // Unrolled: the ring's length runs up one jamb, over the curve and down the other.
    let length = if y > 0.0 {
        (x / y.max(1e-9)).atan() * arch.half
    } else {
        (x.signum() * arch.half * std::f64::consts::FRAC_PI_2) - x.signum() * y
    };
    let laid = Bond { seed: bond.seed + 400, course: RING_OF_STONES, length: 0.30, rough: 0.35 };
    let stone = masonry::wall(laid, length, out.max(0.002), fine);
    // Burnt brick among the stone: red, so nearly black to the plate.
    let brick = if hash((length / 0.3) as i32, 5, bond.seed) > 0.6 { 0.75 } else { 1.05 };
    Stone { albedo: stone.albedo * brick, ..stone }
}

fn face(stone: Stone, along: Vector, normal: Vector, u: f64, v: f64, fine: f64, lit_share: f64) -> f64 {
    let weathered = masonry::weathered(stone, 261, u, parapet(u) - v, v, fine);
    // Weeds root in joints, thickest near the top and at the foot.
    let leaves = fbm(u, v, 265, 0.11, fine);
    let rooted = fbm(u, v, 263, 1.1, 0.1) + 0.20 * step(TOP - 1.6, TOP, v) + 0.28 * step(0.8, 0.0, v);
    let weed = step(0.0, 0.10, rooted - 0.36 + 0.5 * leaves);
    let weathered = Stone { albedo: mix(weathered.albedo, 0.04 * (1.0 + leaves), 0.9 * weed), ..weathered };
    // The foot stands in grass and sees less sky.
    let weathered = Stone { open: weathered.open * (0.6 + 0.4 * step(0.0, 1.2, v)), ..weathered };
    lit(weathered, along, normal, lit_share)
}

/// A stone's light: its lean turns the wall's normal. `along` points where u grows.
fn lit(stone: Stone, along: Vector, normal: Vector, lit_share: f64) -> f64 {
    let leaning = normal + along * stone.lean.0 + vector(0.0, stone.lean.1, 0.0);
    matt(stone.albedo, to_world(leaning).unit(), lit_share, stone.open)
}
