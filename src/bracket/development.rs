//! What the notes say of two plates: how far apart their exposures are, and whether they were developed alike.
//!
//! In: two plates' notes. Out: stops, and a [`Sameness`]. What neither notes say is unknown, not equal. Nothing fails.

use crate::notes::exposure::{ei_stops_between, stops_between};
use crate::notes::{Development, Exposure};
use crate::units::Stops;
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

/// Stops that B got more than A: from shutter, stop, filter and bellows where the notes give them, else from the exposure indexes
/// that the meter was set to, which say what was meant. None where the notes give neither.
pub fn stops(a: &Exposure, b: &Exposure) -> Option<Given> {
    let given = |stops: Option<Stops>, meant| stops.map(|s| Given { stops: s.0, meant });
    given(stops_between(a, b), false).or_else(|| given(ei_stops_between(a, b), true))
}

/// A step of exposure, and whether it is only what the exposure indexes meant.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Given {
    pub stops: f64,
    pub meant: bool,
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

    /// Closed forms: twice the time is a stop; f/16 to f/22 as marked is 2 log₂(22/16); EI 3 to 6 asks for a stop less.
    #[test]
    fn stops_come_from_the_camera_before_the_meter() {
        let camera = |s: f64, n: f64| Exposure { shutter_s: Some(s), aperture: Some(n), ..Default::default() };
        let step = stops(&camera(1.0, 16.0), &camera(2.0, 22.0)).unwrap();
        assert!((step.stops - (1.0 - 2.0 * (22.0f64 / 16.0).log2())).abs() < 1e-12 && !step.meant);
        let meter = |ei| Exposure { ei: Some(ei), ..Default::default() };
        assert_eq!(stops(&meter(3.0), &meter(6.0)), Some(Given { stops: -1.0, meant: true }));
        assert_eq!(stops(&meter(3.0), &camera(1.0, 16.0)), None);
    }
}
