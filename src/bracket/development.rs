//! What the notes say of two plates: how far apart their exposures are, and whether they were developed alike.
//!
//! In: two plates' notes. Out: stops, and a [`Sameness`]. What neither notes say is unknown, not equal. Nothing fails.

use crate::notes::{Development, Exposure};
use serde::Serialize;

/// Whether two plates were developed alike, as far as the notes tell.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Sameness {
    Yes,
    No,
    /// Nothing is noted on both that could differ.
    Unknown,
}

/// Relative difference of minutes, and difference of °C, up to which development counts as the same: what a clock and a
/// thermometer in a darkroom tell.
const MINUTES: f64 = 0.03;
const DEGREES: f64 = 0.3;

pub fn same(a: &Development, b: &Development) -> Sameness {
    let words = |x: &Option<String>, y: &Option<String>| Some(plain(x.as_ref()?) == plain(y.as_ref()?));
    let agree = [
        words(&a.developer, &b.developer),
        words(&a.dilution, &b.dilution),
        words(&a.agitation, &b.agitation),
        a.minutes.zip(b.minutes).map(|(x, y)| (x - y).abs() <= MINUTES * x.max(y)),
        a.temperature_c.zip(b.temperature_c).map(|(x, y)| (x - y).abs() <= DEGREES),
    ];
    if agree.contains(&Some(false)) {
        Sameness::No
    } else if agree.contains(&Some(true)) {
        Sameness::Yes
    } else {
        Sameness::Unknown
    }
}

/// Words without regard to case and spaces.
fn plain(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ").to_lowercase()
}

/// Stops that B got more than A; none where the notes do not say.
pub fn stops(a: &Exposure, b: &Exposure) -> Option<f64> {
    let time = (b.shutter_s? / a.shutter_s?).log2();
    let aperture = match (a.aperture, b.aperture) {
        (Some(x), Some(y)) => 2.0 * (x / y).log2(),
        (None, None) => 0.0,
        _ => return None,
    };
    Some(time + aperture)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn development_is_the_same_where_nothing_noted_on_both_differs() {
        let noted = Development { developer: Some("Pyro".into()), minutes: Some(7.5), ..Default::default() };
        let again = Development { developer: Some("pyro ".into()), temperature_c: Some(20.0), ..Default::default() };
        let longer = Development { minutes: Some(9.0), ..noted.clone() };
        assert_eq!(same(&noted, &again), Sameness::Yes);
        assert_eq!(same(&noted, &longer), Sameness::No);
        assert_eq!(same(&noted, &Development::default()), Sameness::Unknown);
    }
}
