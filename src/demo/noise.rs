//! Made-up texture: lattice noise and its sums. The same place and seed give the same number on every machine and thread.
//!
//! In: a place (any unit) and a seed. Out: about −1 to 1 ([`noise`], [`fbm`]) or 0 to 1 ([`hash`], [`step`]). Never fails.
//! Method: gradient noise on a square lattice and sums of octaves of it (Perlin, *An image synthesizer*, 1985).

/// A number in [0, 1) for a lattice place: scrambled bits, no pattern that the eye can find.
pub fn hash(x: i32, y: i32, seed: u32) -> f64 {
    f64::from(scramble(x, y, seed)) / 4_294_967_296.0
}

fn scramble(x: i32, y: i32, seed: u32) -> u32 {
    let mut h = (x as u32).wrapping_mul(0x9e37_79b1)
        ^ (y as u32).wrapping_mul(0x85eb_ca77).rotate_left(13)
        ^ seed.wrapping_mul(0xc2b2_ae3d);
    h = (h ^ (h >> 16)).wrapping_mul(0x7feb_352d);
    h = (h ^ (h >> 15)).wrapping_mul(0x846c_a68b);
    h ^ (h >> 16)
}

/// Largest whole number not above `x`. (Without the target's rounding instruction `f64::floor` is a slow call.)
pub fn whole(x: f64) -> i32 {
    let cut = x as i32;
    cut - i32::from((cut as f64) > x)
}

/// Gradient noise with one feature to each unit of length, about −1 to 1, 0 on the lattice.
pub fn noise(x: f64, y: f64, seed: u32) -> f64 {
    let (i, j) = (whole(x), whole(y));
    let (a, b) = (x - f64::from(i), y - f64::from(j));
    // Most of what the demo computes is this: a shorter scramble than [`hash`]'s, its first products shared by the corners.
    let (west, north) =
        ((i as u32).wrapping_mul(0x9e37_79b1) ^ seed.wrapping_mul(0xc2b2_ae3d), (j as u32).wrapping_mul(0x85eb_ca77));
    let (east, south) = (
        (i as u32).wrapping_add(1).wrapping_mul(0x9e37_79b1) ^ seed.wrapping_mul(0xc2b2_ae3d),
        north.wrapping_add(0x85eb_ca77),
    );
    let slope = |column: u32, row: u32, dx: f64, dy: f64| {
        let mut bits = column ^ row.rotate_left(13);
        bits = (bits ^ (bits >> 15)).wrapping_mul(0x7feb_352d);
        bits = (bits ^ (bits >> 14)).wrapping_mul(0x846c_a68b);
        f64::from(bits as i16) * dx + f64::from((bits >> 16) as i16) * dy
    };
    let fade = |t: f64| t * t * t * (t * (t * 6.0 - 15.0) + 10.0);
    let (u, v) = (fade(a), fade(b));
    let (nw, ne) = (slope(west, north, a, b), slope(east, north, a - 1.0, b));
    let (sw, se) = (slope(west, south, a, b - 1.0), slope(east, south, a - 1.0, b - 1.0));
    let (top, bottom) = (nw + (ne - nw) * u, sw + (se - sw) * u);
    (1.6 / 32_768.0) * (top + (bottom - top) * v)
}

/// Octaves of noise, each of half the size and half the height, from features of `coarse` down to those of `fine`
/// (both in the unit of x and y): what is finer than a pixel is left out, so that nothing shimmers.
pub fn fbm(x: f64, y: f64, seed: u32, coarse: f64, fine: f64) -> f64 {
    let (mut sum, mut height, mut size) = (0.0, 0.5, coarse);
    let (mut x, mut y, mut octave) = (x, y, seed);
    while size > fine {
        let share = (2.0 * (size / fine - 1.0)).min(1.0);
        sum += height * share * noise(x / size, y / size, octave);
        // Turned by the angle whose cosine and sine are 0.8 and 0.6, so that the lattices of octaves do not line up.
        (x, y) = (0.8 * x - 0.6 * y + 3.7 * size, 0.6 * x + 0.8 * y - 1.9 * size);
        octave = octave.wrapping_add(1);
        height *= 0.5;
        size *= 0.5;
    }
    sum
}

/// 0 below `from`, 1 above `to`, smooth between.
pub fn step(from: f64, to: f64, x: f64) -> f64 {
    let t = ((x - from) / (to - from)).clamp(0.0, 1.0);
    t * t * (3.0 - 2.0 * t)
}

/// From `a` at 0 to `b` at 1.
pub fn mix(a: f64, b: f64, share: f64) -> f64 {
    a + (b - a) * share
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn noise_is_even_handed_and_bounded() {
        let n = 200;
        let values: Vec<f64> = (0..n * n).map(|i| noise(0.37 * (i % n) as f64, 0.41 * (i / n) as f64, 7)).collect();
        let mean = values.iter().sum::<f64>() / values.len() as f64;
        assert!(mean.abs() < 0.02, "mean {mean}");
        assert!(values.iter().all(|v| v.abs() <= 1.6));
    }

    #[test]
    fn noise_has_no_jumps_across_the_lattice() {
        for i in 0..100 {
            let y = 0.173 * f64::from(i);
            assert!((noise(3.0 - 1e-9, y, 1) - noise(3.0 + 1e-9, y, 1)).abs() < 1e-7);
        }
    }

    #[test]
    fn whole_rounds_down_on_both_sides_of_zero() {
        for (x, expected) in [(1.5, 1), (-1.5, -2), (-2.0, -2), (0.0, 0), (-0.1, -1)] {
            assert_eq!(whole(x), expected, "{x}");
        }
    }
}
