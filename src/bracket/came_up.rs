//! What longer development made of the shadows that the other plate has faint or blank.
//!
//! In: two plates, of which the notes say that one was developed further, and the places that tell how their densities go together. Out: a
//! [`CameUp`]. None where the notes do not say which was developed further. Nothing fails.
//!
//! Development multiplies the silver that light has begun. A place that lies a little above base has begun, and may come up; a blank one
//! has not. What the two became on the plate developed longer tells which of the two a scene's shadows are.

use super::compare::BracketPlate;
use super::curve::SPEED_POINT;
use super::development::{self, Sameness};
use super::joint::Joint;
use super::plates::BLANK;
use serde::Serialize;
use std::cmp::Ordering;

/// Places fewer than these tell nothing.
const FEWEST: usize = 30;

/// Shares of places that lie 0.10 or more above base on the plate developed further.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CameUp {
    /// The plate developed further, and the other.
    pub further: String,
    pub than: String,
    /// Of those that lie 0.02 to 0.10 above base on the other; none where too few do.
    pub faint: Option<f64>,
    /// Of those that lie less than 0.02 above base on the other.
    pub blank: Option<f64>,
}

impl CameUp {
    pub fn between(a: &BracketPlate, b: &BracketPlate, joint: &Joint) -> Option<CameUp> {
        if development::same(a.development, b.development) != Sameness::No {
            return None;
        }
        // Density of the plate developed less, of the one developed further, and weight.
        let (further, than, a_is_less) = match development::further(a.development, b.development)? {
            Ordering::Less => (b.id, a.id, true),
            Ordering::Greater => (a.id, b.id, false),
            Ordering::Equal => return None,
        };
        let places: Vec<[f64; 3]> =
            joint.told().map(|p| if a_is_less { [p.a, p.b, p.weight] } else { [p.b, p.a, p.weight] }).collect();
        Some(CameUp {
            further: further.into(),
            than: than.into(),
            faint: raised(&places, BLANK, SPEED_POINT),
            blank: raised(&places, f64::NEG_INFINITY, BLANK),
        })
    }
}

/// Of the places between two densities on the one plate, the share at the speed point or above on the other.
fn raised(places: &[[f64; 3]], from: f64, to: f64) -> Option<f64> {
    let of: Vec<&[f64; 3]> = places.iter().filter(|p| (from..to).contains(&p[0])).collect();
    let weight: f64 = of.iter().map(|p| p[2]).sum();
    let up: f64 = of.iter().filter(|p| p[1] >= SPEED_POINT).map(|p| p[2]).sum();
    (of.len() >= FEWEST).then_some(up / weight)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Half of the faint places came up, and one blank in ten.
    #[test]
    fn shares_are_of_the_places_between_the_densities() {
        let faint = (0..100).map(|i| [0.05, if i % 2 == 0 { 0.15 } else { 0.08 }, 1.0]);
        let blank = (0..100).map(|i| [0.0, if i % 10 == 0 { 0.12 } else { 0.01 }, 2.0]);
        let places: Vec<[f64; 3]> = faint.chain(blank).collect();
        assert_eq!(raised(&places, BLANK, SPEED_POINT), Some(0.5));
        assert_eq!(raised(&places, f64::NEG_INFINITY, BLANK), Some(0.1));
        assert_eq!(raised(&places, SPEED_POINT, 1.0), None);
    }
}
