//! Where the glass begins under a ground edge, from the profiles across all four sides at once.
//!
//! In: samples of transmittance along the inward normals at stations of each side, about a line near the edge ([`Side`]). Out: how far
//! inwards of that line the glass begins, station by station. A cutter's stone leaves a rim a few pixels wide that passes less light; where
//! blur melts it into the step, the step alone is pulled by up to two pixels. One lens blurs all sides and one stone ground them, so blur
//! and rim are found together: a side with a clear rebate tells them, a side where the picture runs to the edge is placed by them.
//! Model, under a Gaussian blur and the pixels' own: the surround; from the edge on the rim, whose inner bound is soft; the rebate; the
//! picture, with a slope. Levels are free at every place, the edge is a parabola along its side, blur and rim are shared. `place` gathers
//! stations, `shape` is the model at one place, `edges` fits it.

mod edges;
mod place;
mod shape;

use edges::Edges;
use place::places;
use rayon::prelude::*;

/// Distances from the line over which profiles are fitted, in pixels: outside and inside.
pub const SPAN: (f64, f64) = (7.0, 11.0);
/// A rim is looked for where levels and blur alone leave so much of the height, on the average over all places. Made captures with rims of
/// 1.5 pixels left 0.001 and more; a lens out of focus by a pixel leaves less (see the tests).
const NO_GAUSSIAN: f64 = 0.0005;
/// It is believed where it leaves half of that at the most, and less than this or than an eighth: of a capture far out of focus or moved it
/// would leave more.
const WELL_TOLD: f64 = 0.001;
/// A rim narrower than this is no rim but what specks, or a blur of another shape, leave of the step, in pixels.
const NARROWEST: f64 = 0.4;

/// Blur, in pixels (standard deviation), that is nearly the widest that the fit allows: of a wider one [`SPAN`] sees neither end, and a step's own
/// middle tells more.
const MOST_BLUR: f64 = 2.3;

/// Profiles across one side, or a stretch of one.
pub struct Side {
    /// Where each station lies along the side, -1 to 1.
    pub along: Vec<f64>,
    /// Transmittance every [`STEP`](super::profile::STEP) pixels over [`SPAN`], a row for each station.
    pub profiles: Vec<Vec<f64>>,
}

/// What the sides show together.
pub struct Glass {
    /// For each station of each side the signed distance, positive inwards, from the line to where the glass begins; none where the
    /// station's own profile shows no edge near the side's.
    pub begins: Vec<Vec<Option<f64>>>,
    /// Standard deviation of the blur under a rim, in pixels; none where no rim is seen.
    pub rim_blur: Option<f64>,
}

/// None where too little of the sides is seen, and far out of focus.
pub fn glass_begins(sides: &[Side]) -> Option<Glass> {
    let (places, pictures) = places(sides);
    let clean = Edges::fit(&places, &pictures)?;
    let left = clean.bias(&places);
    let edges = if left > NO_GAUSSIAN {
        let (rim, anew) = rayon::join(|| clean.with_a_rim(&places, &pictures), || clean.anew(&places));
        let bias = rim.bias(&places);
        let is_told =
            rim.width() > NARROWEST && rim.cost < anew.cost && bias < WELL_TOLD.max(left / 8.0).min(left / 2.0);
        if is_told { rim } else { anew }
    } else {
        clean
    };
    if edges.blur() > MOST_BLUR {
        return None;
    }
    let begins = |(index, side): (usize, &Side)| {
        let station = |(t, profile): (&f64, &Vec<f64>)| edges.read(index, *t, profile);
        side.along.iter().zip(&side.profiles).map(station).collect()
    };
    let rim_blur = edges.has_rim.then(|| edges.blur());
    Some(Glass { begins: sides.par_iter().enumerate().map(begins).collect(), rim_blur })
}

#[cfg(test)]
mod tests {
    use super::super::profile::{FULL, STEP};
    use super::*;
    use crate::median::median;

    /// The mean of `level` at every sample under a lens's blur (a Gaussian of 0.5 pixels), a disc of so many pixels' radius, as a lens out
    /// of focus adds it, the pixel's own box and the tent of linear interpolation; worked out by sums.
    fn profile(level: impl Fn(f64) -> f64, disc: f64) -> Vec<f64> {
        blurred(level, Some(0.5), disc)
    }

    fn blurred(level: impl Fn(f64) -> f64, lens: Option<f64>, disc: f64) -> Vec<f64> {
        const FINE: usize = 20;
        let mut fine: Vec<f64> = {
            let reach = 10.0;
            let count = ((SPAN.0 + SPAN.1 + 2.0 * reach) * FINE as f64) as usize;
            // Between the places where a level may change.
            (0..=count).map(|i| level((i as f64 + 0.5) / FINE as f64 - SPAN.0 - reach)).collect()
        };
        let mut blurred = |kernel: &dyn Fn(f64) -> f64| {
            let half = 5 * FINE;
            let weights: Vec<f64> = (0..=2 * half).map(|k| kernel((k as f64 - half as f64) / FINE as f64)).collect();
            let all: f64 = weights.iter().sum();
            let at = |i: usize| {
                let sample = |k: usize| fine[(i + k).saturating_sub(half).min(fine.len() - 1)];
                weights.iter().enumerate().map(|(k, w)| w * sample(k)).sum::<f64>() / all
            };
            fine = (0..fine.len()).map(at).collect();
        };
        if let Some(deviation) = lens {
            blurred(&|x| (-0.5 * (x / deviation).powi(2)).exp());
        }
        blurred(&|x| if x.abs() < 0.51 { 1.0 } else { 0.0 });
        blurred(&|x| (1.0 - x.abs()).max(0.0));
        if disc > 0.0 {
            blurred(&|x| (disc * disc - x * x).max(0.0).sqrt());
        }
        let step = (STEP * FINE as f64) as usize;
        let at = |i: usize| (fine[10 * FINE + i * step - 1] + fine[10 * FINE + i * step]) / 2.0;
        (0..=((SPAN.0 + SPAN.1) / STEP) as usize).map(at).collect()
    }

    /// A side of 80 stations, from what each shows.
    fn side(station: impl Fn(usize) -> Vec<f64>) -> Side {
        Side { along: (0..80).map(|k| k as f64 / 40.0 - 0.9875).collect(), profiles: (0..80).map(station).collect() }
    }

    fn rim(rim: f64, width: f64, around: f64, at: f64) -> impl Fn(f64) -> f64 {
        move |x| match x - at {
            d if d < 0.0 => around,
            d if d < width => rim,
            _ => 0.74,
        }
    }

    /// The middle of what is found at a side's stations.
    fn found(sides: &[Side], index: usize) -> f64 {
        median(glass_begins(sides).unwrap().begins[index].iter().flatten().copied().collect()).unwrap()
    }

    #[test]
    fn a_rim_melted_into_the_step_is_told_from_it() {
        for (light, width, around) in [
            (0.56, 2.5, 1.0),
            (0.5, 1.5, 1.0),
            (0.6, 4.0, 1.0),
            (0.35, 2.5, 0.02),
            (0.35, 2.5, 0.0002),
            (0.35, 6.0, 1.0),
            (0.35, 7.5, 1.0),
            (0.4, 9.0, 1.0),
        ] {
            for at in [-0.4, 0.0, 0.6] {
                let one = profile(rim(light, width, around, at), 0.0);
                let found = found(&[side(|_| one.clone()), side(|_| one.clone())], 0);
                assert!((found - at).abs() < 0.12, "rim {light} of {width} px in {around}: {found} for {at}");
            }
        }
    }

    /// Beside black card the inner bound of a rim is the higher step, and the lines lie on it; a picture begins five pixels further in or not
    /// at all. Starts in the middle of a rim alone do not come to the edge in the last four.
    #[test]
    fn a_rim_beside_black_card_is_seen_from_its_inner_bound() {
        const NONE: f64 = 30.0;
        for (width, blur, behind, picture) in [
            (3.3, 0.8, 0.75, NONE),
            (3.3, 0.6, 0.5, NONE),
            (2.5, 0.8, 0.75, NONE),
            (3.3, 0.8, 0.5, 5.0),
            (3.3, 1.0, 0.5, 5.0),
            (4.0, 0.8, 0.8, 5.0),
            (4.0, 1.0, 0.5, 5.0),
        ] {
            let at = -behind * width;
            let level = |x: f64| match x - at {
                d if d < 0.0 => 0.002,
                // The rim's inner bound is half a pixel soft.
                d if d < width + picture => 0.33 + 0.41 * (2.0 * (d - width) + 1.0).clamp(0.0, 1.0),
                _ => 0.15,
            };
            let one = blurred(level, Some(blur), 0.0);
            let sides: Vec<Side> = (0..4).map(|_| side(|_| one.clone())).collect();
            let found = found(&sides, 2);
            assert!((found - at).abs() < 0.12, "rim of {width} px under {blur}, picture {picture}: {found} for {at}");
        }
    }

    /// Where a stone only took the sharpness off, its rim is narrower than the blur, soft, and beside card.
    #[test]
    fn a_rim_narrower_than_the_blur_is_told() {
        for (full, soft, blur) in [(0.55, 1.2, 0.93), (0.8, 1.0, 0.8)] {
            let level = |x: f64| match x {
                d if d < 0.0 => 0.0002,
                d => 0.74 * 10f64.powf(-0.35 * (1.0 - (d - full) / soft).clamp(0.0, 1.0)),
            };
            let one = blurred(level, Some(blur), 0.0);
            let found = found(&[side(|_| one.clone()), side(|_| one.clone())], 0);
            assert!(found.abs() < 0.12, "{full} and {soft} px under {blur}: {found}");
        }
    }

    /// The bare panel is full and the base is not, as captures are exposed to make most of the range: what the step shows above the clipping is
    /// lost, and with it up to a third of a pixel were it taken for light.
    #[test]
    fn what_full_photosites_cut_off_is_no_part_of_the_step() {
        for (full, near) in [(0.9, 0.03), (0.75, 0.03), (0.6, 0.1)] {
            for deviation in [0.5, 0.9] {
                let step = blurred(|x| if x < 0.2 { 1.0 } else { 0.45 }, Some(deviation), 0.0);
                let one: Vec<f64> = step.into_iter().map(|t| if t > full { FULL } else { t }).collect();
                let found = found(&[side(|_| one.clone()), side(|_| one.clone())], 0);
                assert!((found - 0.2).abs() < near, "full at {full} under {deviation}: {found}");
            }
        }
    }

    #[test]
    fn a_clean_step_is_left_where_it_is_whatever_the_blur() {
        for around in [1.0, 0.0002] {
            let sides = |disc: f64| {
                let one = profile(rim(0.74, 2.0, around, 0.2), disc);
                [side(|_| one.clone()), side(|_| one.clone())]
            };
            for disc in [0.0, 1.0] {
                let found = found(&sides(disc), 1);
                assert!((found - 0.2).abs() < 0.03, "in {around}, disc {disc}: {found}");
            }
            // Far out of focus the step's own middle is left to stand.
            assert!(glass_begins(&sides(4.0)).is_none(), "in {around}");
        }
    }

    /// As areas are averaged into pixels, with no lens at all.
    #[test]
    fn a_clean_step_that_only_sampling_blurs_is_left_where_it_is() {
        for around in [1.0, 0.0002] {
            let one = blurred(rim(0.74, 2.0, around, 0.2), None, 0.0);
            let found = found(&[side(|_| one.clone()), side(|_| one.clone())], 1);
            assert!((found - 0.2).abs() < 0.03, "in {around}: {found}");
        }
    }

    /// Where the picture runs to the edge, or begins five pixels behind it, its own rim can hardly be told; the stone was the same.
    #[test]
    fn a_side_without_a_rebate_is_placed_by_the_rim_of_the_others() {
        let around = 0.0002;
        let clear = profile(rim(0.33, 2.5, around, 0.0), 0.0);
        let level = |k: usize| 0.02 * (1.5 + (k as f64 * 0.7).sin());
        let dense = |k: usize| {
            let t = level(k);
            move |x: f64| if x < 0.3 { around } else { t * if x < 2.8 { 0.45 } else { 1.0 } }
        };
        let narrow = |k: usize| {
            let t = level(k);
            move |x: f64| match x - 0.3 {
                d if d < 0.0 => around,
                d if d < 2.5 => 0.33,
                d if d < 5.0 => 0.74,
                _ => t,
            }
        };
        for (name, picture) in
            [("dense", side(|k| profile(dense(k), 0.0))), ("narrow rebate", side(|k| profile(narrow(k), 0.0)))]
        {
            let sides = [side(|_| clear.clone()), picture, side(|_| clear.clone())];
            let (found, others) = (found(&sides, 1), found(&sides, 0));
            assert!((found - 0.3).abs() < 0.15, "{name}: {found}");
            assert!(others.abs() < 0.12, "{name}: others {others}");
        }
    }

    /// A rail that lay askew: the rebate is 2.5 pixels wide at one end and 5.5 at the other, and at neither reaches its level.
    #[test]
    fn a_rebate_that_narrows_along_the_side_does_not_turn_it() {
        let at = 0.2;
        let level = |k: usize| {
            let picture = 2.5 + 3.0 * k as f64 / 79.0;
            move |x: f64| match x - at {
                d if d < 0.0 => 1.0,
                d if d < picture => 0.53,
                _ => 0.03,
            }
        };
        let askew = side(|k| blurred(level(k), Some(0.6), 0.0));
        let even = profile(rim(0.53, 30.0, 1.0, at), 0.0);
        let begins = glass_begins(&[askew, side(|_| even.clone())]).unwrap().begins;
        for part in [0..20, 30..50, 60..80] {
            let found = median(begins[0][part.clone()].iter().flatten().copied().collect()).unwrap();
            assert!((found - at).abs() < 0.08, "stations {part:?}: {found}");
        }
    }

    #[test]
    fn stations_at_a_chip_do_no_harm() {
        let clear = profile(rim(0.5, 1.5, 1.0, 0.0), 0.0);
        let chip = profile(rim(0.5, 1.5, 1.0, 3.5), 0.0);
        let sides =
            [side(|k| if (20..30).contains(&k) { chip.clone() } else { clear.clone() }), side(|_| clear.clone())];
        assert!(found(&sides, 0).abs() < 0.1, "{}", found(&sides, 0));
    }

    /// Black card, rim, rebate and picture alike on all sides: what looks like a rim or a rebate there may be another step, and the lines lie where
    /// a half or most of the rim is outside of them.
    #[test]
    fn a_rim_between_card_and_a_narrow_rebate_is_told_on_sides_that_are_all_alike() {
        for (width, blur) in [(2.5, 0.6), (2.5, 1.0), (3.3, 0.6), (3.3, 0.8), (3.3, 1.0), (4.0, 0.6)] {
            for (soft, picture, behind) in [(0.5, 5.0, 0.5), (0.5, 9.0, 0.8), (2.0, 5.0, 0.8), (1.2, 9.0, 0.5)] {
                let at = -behind * width;
                let level = |x: f64| match x - at {
                    d if d < 0.0 => 0.002,
                    d if d < width + picture => 0.33 + 0.41 * ((d - width) / soft + 0.5).clamp(0.0, 1.0),
                    _ => 0.15,
                };
                let one = blurred(level, Some(blur), 0.0);
                let few = || Side {
                    along: (0..32).map(|k| k as f64 / 16.0 - 0.97).collect(),
                    profiles: vec![one.clone(); 32],
                };
                let found = found(&[few(), few(), few(), few()], 2);
                assert!(
                    (found - at).abs() < 0.12,
                    "rim of {width} px, {soft} soft, under {blur}, picture {picture}: {found} for {at}"
                );
            }
        }
    }

    /// One side with a rebate, two where the picture runs to the edge, and one where a dense picture begins so near that its edge is the steepest.
    #[test]
    fn the_edge_of_a_dense_picture_is_not_taken_for_that_of_the_glass() {
        let at = -1.5;
        let side_of = |rebate: f64, picture: fn(usize) -> f64| {
            side(|k| {
                let level = |x: f64| match x - at {
                    d if d < 0.0 => 0.001,
                    d => 0.5f64.powi(i32::from(d < 2.6)) * if d < 2.6 + rebate { 0.79 } else { picture(k) },
                };
                blurred(level, Some(0.65), 0.0)
            })
        };
        let lively = |k: usize| 0.3 * (1.2 + (k as f64 * 0.7).sin());
        let sides = [side_of(30.0, lively), side_of(1.4, |_| 0.016), side_of(0.0, lively), side_of(0.0, lively)];
        for index in 0..4 {
            let found = found(&sides, index);
            assert!((found - at).abs() < 0.12, "side {index}: {found}");
        }
    }
}
