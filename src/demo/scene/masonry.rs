//! Stone laid in lime: what a wall is like at one place of its face.
//!
//! In: a place on the face (u along it, v up, metres) and the finest size worth drawing. Out: [`Stone`]. Never fails.

use crate::demo::noise::{fbm, hash, mix, noise, step, whole};

/// How one place of a surface takes light.
#[derive(Debug, Clone, Copy)]
pub struct Stone {
    /// Share of blue light sent back.
    pub albedo: f64,
    /// How far the surface leans, along u and along v: tangents of small angles.
    pub lean: (f64, f64),
    /// Share of the sky that the place sees, past its own joints and hollows.
    pub open: f64,
}

/// How stones are cut and laid.
#[derive(Debug, Clone, Copy)]
pub struct Bond {
    pub seed: u32,
    /// Height of a course, and the mean length of a stone, in metres.
    pub course: f64,
    pub length: f64,
    /// How much courses waver and differ: 0 for dressed stone, 1 for rubble.
    pub rough: f64,
}

pub const RUBBLE: Bond = Bond { seed: 11, course: 0.27, length: 0.46, rough: 1.0 };
pub const DRESSED: Bond = Bond { seed: 47, course: 0.30, length: 0.55, rough: 0.25 };

/// A wall of coursed limestone.
pub fn wall(bond: Bond, u: f64, v: f64, fine: f64) -> Stone {
    let Bond { seed, course, length, rough } = bond;
    // Courses waver.
    let sag = rough * (0.05 * noise(u * 0.6, v * 0.6, seed) + 0.03 * noise(u * 1.9, v * 1.9, seed + 1));
    let level = (v + sag) / course;
    let bed = |row: i32| f64::from(row) + 0.45 * rough * (hash(row, 0, seed) - 0.5);
    let mut row = whole(level);
    if level < bed(row) {
        row -= 1;
    } else if level >= bed(row + 1) {
        row += 1;
    }
    // Stones of one course are of a kind, and each has its own ends.
    let pitch = length * (0.7 + 0.6 * hash(row, 1, seed));
    let along = (u + 0.06 * rough * noise(u * 2.3, v * 2.3, seed + 2)) / pitch + 17.0 * hash(row, 2, seed);
    let end = |i: i32| f64::from(i) + 0.55 * (hash(i, row, seed + 3) - 0.5);
    let mut stone = whole(along);
    if along < end(stone) {
        stone -= 1;
    } else if along >= end(stone + 1) {
        stone += 1;
    }
    let left = (along - end(stone)) * pitch;
    let right = (end(stone + 1) - along) * pitch;
    let below = (level - bed(row)) * course;
    let above = (bed(row + 1) - level) * course;
    let own = |k: u32| hash(stone, row, seed + 20 + k);

    let grit = fbm(u, v, seed + 5, 0.16, fine);
    let chip = fbm(u, v, seed + 6, 0.5, fine);
    // Corners are worn round: the distance to the joint is shortened where two joints meet.
    let (side, bedside) = (left.min(right), below.min(above));
    let corner = 0.06 * rough;
    let inward = |d: f64| (corner - d).max(0.0);
    let edge = if side < corner && bedside < corner {
        corner - inward(side).hypot(inward(bedside))
    } else {
        side.min(bedside)
    };
    let joint = 0.008 + 0.010 * rough;
    let face = step(joint * 0.6, joint * 2.2, edge + 0.022 * rough * grit);

    let slope = (0.25 + 0.45 * rough) * face;
    let round = |near: f64, far: f64| {
        let rim = 0.05;
        step(0.0, rim, far) - step(0.0, rim, near)
    };
    let rough_face = gradient(u, v, seed, fine);
    let lean_u = slope * round(left, right) * 0.8 + rough * (0.34 * (own(0) - 0.5) + 0.9 * rough_face.0);
    let lean_v = slope * round(below, above) * 0.8 + rough * (0.30 * (own(1) - 0.5) + 0.9 * rough_face.1);

    let tone = 0.235 + 0.15 * (own(2) - 0.4) * (0.6 + 0.4 * rough) + 0.10 * grit + 0.07 * chip;
    let mortar = 0.25 + 0.07 * grit;
    Stone {
        albedo: mix(mortar, tone, face).clamp(0.03, 0.6),
        lean: (lean_u, lean_v),
        open: mix(0.34, 1.0, face) * (0.85 + 0.25 * chip.max(-0.4)),
    }
}

/// Slope of the stones' own roughness, by differences as wide as what is drawn.
fn gradient(u: f64, v: f64, seed: u32, fine: f64) -> (f64, f64) {
    let h = fine.max(0.012);
    let at = |u: f64, v: f64| fbm(u, v, seed + 9, 0.19, h * 1.5);
    let here = at(u, v);
    (0.05 * (here - at(u + h, v)) / h, 0.05 * (here - at(u, v + h)) / h)
}

/// What weather has done: dark runs beneath the top, white runs of lime, lichen, damp at the foot.
/// `drop`: metres below the wall's top; `rise`: metres above its foot.
pub fn weathered(stone: Stone, seed: u32, u: f64, drop: f64, rise: f64, fine: f64) -> Stone {
    let soft = fine.max(0.05);
    let run = fbm(u * 2.2, drop * 0.16, seed + 61, 1.6, soft);
    let soot = step(0.02, 0.45, run + 0.22 * (-drop * 0.5).exp()) * (0.35 + 0.65 * (-drop * 0.35).exp());
    let lime = step(0.22, 0.5, fbm(u * 2.8, drop * 0.22, seed + 67, 1.3, soft)) * (-(drop - 1.5).abs() * 0.45).exp();
    let lichen = step(0.20, 0.32, fbm(u, drop, seed + 71, 0.8, fine.max(0.02)));
    let damp = (-rise * 1.3).exp() * (0.75 + 0.5 * fbm(u, drop, seed + 73, 1.2, 0.2));
    let stain = fbm(u, drop, seed + 79, 3.5, 0.2);
    let albedo = stone.albedo * (1.0 - 0.55 * soot) * (1.0 - 0.55 * damp.clamp(0.0, 1.0)) * (1.0 + 0.35 * stain);
    let albedo = mix(albedo, 0.40, 0.45 * lime);
    Stone { albedo: mix(albedo, 0.13, 0.5 * lichen).max(0.02), ..stone }
}
