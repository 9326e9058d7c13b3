//! Salt marsh: turf in tussocks, creeks with banks of mud, the tide in them.
//!
//! In: a place on the map (x, z, metres) and the finest size worth drawing. Out: height and kind of the ground there, and its
//! luminance. Never fails.

use super::light::{SUN_AT, far_shore, matt, sky};
use super::vector::{Vector, vector};
use crate::demo::noise::{fbm, hash, mix, noise, step, whole};

/// Where the tide stands.
pub const WATER: f64 = -0.36;
/// Where the kiln stands: no creek comes near, and feet and carts have worn the turf.
const YARD: (f64, f64) = (4.0, 33.0);

/// The ground at one place.
#[derive(Debug, Clone, Copy, Default)]
pub struct Ground {
    /// Metres above the marsh's mean level; blades of grass included.
    pub height: f64,
    /// The same without blades.
    pub soil: f64,
    /// Share covered by turf, 0 on mud.
    pub turf: f64,
    /// How high in its tussock, 0 between to 1 on top.
    pub crown: f64,
    /// How high up a blade, 0 at its root to 1 at its tip.
    pub blade: f64,
    /// How steeply the soil falls away from its tussock's middle, along x and z.
    pub fall: (f64, f64),
}

/// The main creek: it comes from the left, passes before the kiln and goes off to the right.
fn creek(x: f64, z: f64) -> f64 {
    let middle = 2.1
        + 0.10 * (z - 12.0)
        + 4.2 * (0.13 * (z - 13.0)).sin()
        + 0.016 * (z - 12.0) * (z - 12.0) * step(18.0, 30.0, z);
    let slant = 1.9;
    let half = 2.3 + 1.9 * (-((z - 13.5) / 5.5).powi(2)).exp();
    ((x - middle).abs() - half) / slant
}

/// Metres from the nearest water's edge, negative in the creek's bed.
fn bank(x: f64, z: f64, fine: f64) -> f64 {
    let bend = 0.9 * noise(x * 0.28, z * 0.28, 601) + 0.35 * noise(x * 0.9, z * 0.9, 602);
    let main = creek(x, z) + 0.5 * bend;
    // Small creeks: narrow, winding, along the zeroes of a slow noise.
    let vein = noise(x * 0.075 + 0.3 * bend, z * 0.05, 604).abs() * 6.5 - 0.42;
    let yard = ((x - YARD.0) / 12.5).hypot((z - YARD.1) / 8.0);
    let kept = 3.0 * step(1.35, 0.9, yard);
    let smooth = main.min(vein + 0.6 * step(9.0, 4.0, z)) + kept;
    let near = fine < 0.2 && smooth.abs() < 0.6;
    smooth + if near { 0.13 * fbm(x, z, 603, 0.45, fine.max(0.03)) } else { 0.0 }
}

pub fn ground(x: f64, z: f64, fine: f64) -> Ground {
    let from_bank = bank(x, z, fine);
    let level = 0.11 * fbm(x, z, 611, 9.0, 2.5);
    // A steep lip of turf, mud sloping under it to the bed.
    let profile = if from_bank > 0.0 {
        mix(-0.10, 0.0, step(0.0, 0.35, from_bank))
    } else {
        mix(-0.22, -1.0, step(0.0, 1.3, -from_bank)) - 0.03
    };
    let mut soil = level + profile;
    let turf = step(-0.02, 0.07, from_bank);
    if turf <= 0.0 {
        soil += 0.05 * fbm(x, z, 612, 0.7, fine.max(0.02));
        return Ground { height: soil, soil, ..Ground::default() };
    }
    let (dome, crown, fall) = tussock(x, z, fine);
    let yard = ((x - YARD.0) / 9.0).hypot((z - YARD.1) / 6.5);
    let worn = step(1.25, 0.8, yard + 0.25 * noise(x * 0.35, z * 0.35, 613));
    let lush = (1.0 - 0.85 * worn) * (0.55 + 0.45 * step(-0.3, 0.3, noise(x * 0.17, z * 0.17, 614)));
    let tall = 0.24 * lush * turf;
    soil += tall * dome;
    let long = (0.05 + 0.17 * crown) * lush * turf;
    // Blades: thin ridges, as long as pixels can tell them apart.
    let seen = step(0.028, 0.008, fine);
    let blade = if seen > 0.0 {
        let comb = noise(x * 34.0 + 3.0 * noise(x * 5.0, z * 5.0, 616), z * 34.0, 617);
        0.5 + 0.5 * (0.7 * comb + 0.6 * noise(x * 71.0, z * 71.0, 618)).clamp(-1.0, 1.0)
    } else {
        0.5
    };
    let coarse = if fine < 0.25 { 0.35 * fbm(x, z, 619, 0.2, fine.max(0.02)) } else { 0.0 };
    let blade = (mix(0.45, blade, seen) + coarse).clamp(0.0, 1.0);
    Ground {
        height: soil + long * blade,
        soil,
        turf: turf * (1.0 - 0.6 * worn),
        crown,
        blade,
        fall: (tall * fall.0, tall * fall.1),
    }
}

/// Tussocks: domes about scattered middles. Height (0 to 1), closeness to the middle (0 to 1), fall along x and z (for a metre).
fn tussock(x: f64, z: f64, fine: f64) -> (f64, f64, (f64, f64)) {
    if fine > 0.25 {
        return (0.35, 0.5, (0.0, 0.0));
    }
    let (size, warp) = (0.62, 0.14 * noise(x * 2.6, z * 2.6, 621));
    let (x, z) = (x / size + warp, z / size - warp);
    let (i, j) = (whole(x), whole(z));
    let mut best = (0.0, 0.0, (0.0, 0.0));
    for dj in -1..=1 {
        for di in -1..=1 {
            let (ci, cj) = (i + di, j + dj);
            // Three numbers of ten bits from one.
            let bits = (hash(ci, cj, 623) * f64::from(1 << 30)) as u32;
            let part = |shift: u32| f64::from(bits >> shift & 1023) / 1024.0;
            let own = part(0);
            let (dx, dz) = (x - f64::from(ci) - 0.15 - 0.7 * part(10), z - f64::from(cj) - 0.15 - 0.7 * part(20));
            let (off, reach) = ((dx * dx + dz * dz).sqrt(), 0.45 + 0.5 * own);
            if off >= reach {
                continue;
            }
            let near = 1.0 - off / reach;
            let high = 0.25 + 0.75 * own;
            let dome = high * near.sqrt();
            if dome > best.0 {
                let steep = 0.5 * high / (near.sqrt().max(0.25) * reach * size);
                best = (dome, near, (steep * dx / off.max(1e-6), steep * dz / off.max(1e-6)));
            }
        }
    }
    best
}

/// Luminance of dry ground at (x, z) seen from the camera. `lit`: share of the sun that reaches it.
pub fn land(g: &Ground, x: f64, z: f64, fine: f64, lit: f64) -> f64 {
    let tilt = vector(g.fall.0, 1.0, g.fall.1);
    let mud = || {
        let crumb = fbm(x, z, 631, 0.25, fine);
        let wet = step(0.22, 0.0, g.soil - WATER);
        let albedo = mix(0.15, 0.085, wet) * (1.0 + 0.5 * crumb);
        let lean = vector(0.5 * crumb, 0.0, 0.8 * noise(x * 6.0, z * 6.0, 633));
        // Wet mud gives the bright sky back here and there.
        let shine = 0.05 * wet * step(-0.1, 0.5, noise(x * 4.0, z * 9.0, 634));
        matt(albedo, (tilt + lean).unit(), lit, 0.85) + shine
    };
    if g.turf <= 0.0 {
        return mud();
    }
    let patch = fbm(x, z, 641, 4.5, 0.3);
    let dry = step(0.02, 0.30, patch + 0.25 * g.crown - 0.05);
    let own = 0.75 + 0.5 * hash(whole(x * 40.0), whole(z * 40.0), 643) * step(0.03, 0.008, fine);
    let albedo = mix(0.048, 0.125, dry * (0.4 + 0.6 * g.blade)) * (own + 0.10);
    let root = 0.16 + 0.84 * g.blade * (0.45 + 0.55 * g.crown);
    // Grass is lit from all sides; blades lean a little towards the reader of the light.
    let lean = vector(SUN_AT.x * 0.4, 0.0, -0.35);
    let turf = matt(albedo, (tilt + lean).unit(), lit * root.powf(0.7), root);
    if g.turf < 1.0 { mix(mud(), turf, g.turf) } else { turf }
}

/// Luminance of the cut bank under the turf, `up` metres high and `under` metres below the turf's soil.
pub fn bank_face(place: Vector, up: f64, under: f64, fine: f64) -> f64 {
    let along = place.x - 0.6 * place.z;
    let fine = fine.max(0.006);
    let layers = fbm(along * 0.3, up * 1.8, 635, 0.16, fine);
    let clods = fbm(along, up, 637, 0.22, fine);
    let slips = step(0.05, 0.4, fbm(along, up * 0.15, 636, 0.45, fine));
    let roots = step(0.20, 0.02, under + 0.12 * noise(along * 7.0, 0.0, 638) + 0.05 * clods);
    let wet = step(0.14, 0.0, up - WATER + 0.05 * clods);
    let albedo = mix(mix(0.13, 0.045, roots), 0.05, wet) * (1.0 + 0.7 * layers + 0.8 * clods) * (1.0 - 0.45 * slips);
    matt(albedo.max(0.01), vector(0.5 * clods - 0.25, 0.35 + 0.6 * layers, -0.9).unit(), 0.45, 0.55 - 0.3 * slips)
}

/// Luminance of the water's face at (x, z), seen along `toward` (unit length). `standing` tells what a ray meets that goes
/// up from there, if it is anything but sky.
pub fn water(
    place: Vector,
    toward: Vector,
    moment: f64,
    fine: f64,
    standing: impl Fn(Vector, Vector) -> Option<f64>,
) -> f64 {
    let (x, z) = (place.x, place.z);
    let gust = 0.25
        + 0.75 * step(-0.05, 0.35, noise(x * 0.10 + 0.02 * moment, z * 0.16, 651) + 0.3 * noise(x * 0.5, z * 0.9, 652));
    let h = fine.max(0.02);
    let wave = |x: f64, z: f64| {
        let slow = fbm(x * 0.75 + 0.31 * moment, z + 0.17 * moment, 653, 0.55, h.max(0.05));
        let quick = fbm(x + 0.83 * moment, z * 1.3 - 0.45 * moment, 657, 0.16, h.max(0.02));
        0.0060 * slow + 0.0022 * gust * quick
    };
    let here = wave(x, z);
    let (slope_x, slope_z) = ((wave(x + h, z) - here) / h, (wave(x, z + h) - here) / h);
    let normal = vector(-slope_x, 1.0, -slope_z).unit();
    let mut back = toward - normal * (2.0 * toward.dot(normal));
    if back.y < 0.002 {
        back.y = 0.002;
    }
    let back = back.unit();
    // Schlick's approximation of Fresnel's share for water.
    let share = 0.02 + 0.98 * (1.0 - (-toward.dot(normal)).clamp(0.0, 1.0)).powi(5);
    let mirrored = standing(place, back).unwrap_or_else(|| {
        if behind_bank(place, back) {
            0.013
        } else {
            far_shore(back, moment, fine).unwrap_or_else(|| sky(back, moment, 0.004))
        }
    });
    let depth = step(0.0, 0.5, WATER - ground(x, z, 0.2).soil);
    let below = mix(0.030, 0.016, depth);
    share * mirrored + (1.0 - share) * below
}

/// Whether the bank hides what a low ray from the water would see.
fn behind_bank(place: Vector, back: Vector) -> bool {
    [0.3, 0.7, 1.3, 2.1, 3.2, 4.6, 6.5].iter().any(|far| {
        let p = place + back * *far;
        p.y < 0.30 && ground(p.x, p.z, 0.25).height > p.y
    })
}
