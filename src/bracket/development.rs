//! What the notes say of two plates: how far apart their exposures are, and whether they were developed alike.
//!
//! In: two plates' notes. Out: stops, and a [`Sameness`]. What neither notes say is unknown, not equal. Nothing fails.

use crate::notes::exposure::{drawn, ei_stops_between, stops_between};
use crate::notes::{Development, Exposure};
use crate::units::Stops;
use serde::Serialize;
use std::cmp::Ordering;

/// Whether two plates were developed alike, as far as the notes tell.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Sameness {
    /// Developer and minutes stand on both and agree, and nothing else that stands on both differs.
    Yes,
    No,
    /// Nothing that stands on both differs, but developer or minutes are lacking on one at least.
    Unknown,
}

/// Relative difference of minutes, and difference of °C, up to which development counts as the same: what a clock and a
/// thermometer in a darkroom tell.
const MINUTES: f64 = 0.03;
const DEGREES: f64 = 0.3;

pub fn same(a: &Development, b: &Development) -> Sameness {
    let (developer, minutes) = (agree(&a.developer, &b.developer), minutes(a, b).map(Ordering::is_eq));
    let others =
        [agree(&a.dilution, &b.dilution), agree(&a.agitation, &b.agitation), degrees(a, b).map(Ordering::is_eq)];
    if others.contains(&Some(false)) || developer == Some(false) || minutes == Some(false) {
        Sameness::No
    } else if developer == Some(true) && minutes == Some(true) {
        Sameness::Yes
    } else {
        Sameness::Unknown
    }
}

/// How much further A was developed than B, by time and temperature. None where the notes do not tell: another developer or dilution,
/// longer but colder, or neither noted on both.
pub fn further(a: &Development, b: &Development) -> Option<Ordering> {
    if agree(&a.developer, &b.developer) == Some(false) || agree(&a.dilution, &b.dilution) == Some(false) {
        return None;
    }
    match (minutes(a, b), degrees(a, b)) {
        (Some(longer), Some(warmer)) if longer == warmer || warmer.is_eq() => Some(longer),
        (Some(Ordering::Equal), Some(warmer)) => Some(warmer),
        (Some(_), Some(_)) => None,
        (longer, warmer) => longer.or(warmer),
    }
}

/// Minutes of A against those of B.
fn minutes(a: &Development, b: &Development) -> Option<Ordering> {
    let (x, y) = a.minutes.zip(b.minutes)?;
    Some(if (x - y).abs() <= MINUTES * x.max(y) { Ordering::Equal } else { x.total_cmp(&y) })
}

/// °C of A against those of B.
fn degrees(a: &Development, b: &Development) -> Option<Ordering> {
    let (x, y) = a.temperature_c.zip(b.temperature_c)?;
    Some(if (x - y).abs() <= DEGREES { Ordering::Equal } else { x.total_cmp(&y) })
}

fn agree(a: &Option<String>, b: &Option<String>) -> Option<bool> {
    Some(plain(a.as_ref()?) == plain(b.as_ref()?))
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

/// Keys that cost light on one plate and are not noted on the other, so that the step between the two leaves them out.
pub fn one_sided(a: &Exposure, b: &Exposure) -> Vec<&'static str> {
    let costs = |e: &Exposure| [e.filter_stops.map(|s| s != 0.0), drawn(e).map(|_| true)];
    let keys = ["filter_stops", "bellows_mm"];
    let (of_a, of_b) = (costs(a), costs(b));
    let one = |i: &usize| matches!((of_a[*i], of_b[*i]), (Some(true), None) | (None, Some(true)));
    (0..keys.len()).filter(one).map(|i| keys[i]).collect()
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

    fn pyro(minutes: Option<f64>, temperature_c: Option<f64>) -> Development {
        Development { developer: Some("Pyro".into()), minutes, temperature_c, ..Default::default() }
    }

    /// Half a note tells nothing of the other half: a plate without minutes may have been pushed.
    #[test]
    fn development_is_the_same_where_developer_and_minutes_say_so_on_both() {
        let noted = pyro(Some(7.5), None);
        let again = Development { developer: Some("pyro ".into()), ..pyro(Some(7.6), Some(20.0)) };
        assert_eq!(same(&noted, &again), Sameness::Yes);
        assert_eq!(same(&noted, &pyro(Some(9.0), None)), Sameness::No);
        assert_eq!(same(&again, &pyro(Some(7.5), Some(24.0))), Sameness::No);
        for half in [pyro(None, None), Development { developer: None, ..noted.clone() }, Development::default()] {
            assert_eq!(same(&noted, &half), Sameness::Unknown);
            assert_eq!(same(&half, &half), Sameness::Unknown);
        }
    }

    #[test]
    fn what_was_developed_further_is_told_by_time_and_warmth() {
        use Ordering::{Equal, Greater, Less};
        let cases = [
            ((Some(10.0), None), (Some(7.0), None), Some(Greater)),
            ((Some(7.0), Some(20.0)), (Some(10.0), Some(20.2)), Some(Less)),
            ((Some(7.0), Some(24.0)), (Some(7.0), Some(20.0)), Some(Greater)),
            ((Some(7.0), Some(20.0)), (Some(7.0), Some(20.0)), Some(Equal)),
            ((Some(10.0), Some(18.0)), (Some(7.0), Some(22.0)), None),
            ((Some(10.0), None), (None, Some(20.0)), None),
        ];
        for ((m, t), (n, u), told) in cases {
            assert_eq!(further(&pyro(m, t), &pyro(n, u)), told, "{m:?} {t:?} against {n:?} {u:?}");
        }
        let other = Development { developer: Some("metol".into()), ..pyro(Some(12.0), None) };
        assert_eq!(further(&other, &pyro(Some(7.0), None)), None);
    }

    #[test]
    fn light_noted_on_one_plate_only_is_named() {
        let plain = Exposure { focal_length_mm: Some(210.0), filter_stops: Some(0.0), ..Default::default() };
        let filter = Exposure { filter_stops: Some(2.0), ..plain.clone() };
        let drawn = Exposure { bellows_mm: Some(300.0), filter_stops: None, ..plain.clone() };
        assert_eq!(one_sided(&filter, &plain), Vec::<&str>::new());
        assert_eq!(one_sided(&plain, &drawn), ["bellows_mm"]);
        assert_eq!(one_sided(&drawn, &filter), ["filter_stops", "bellows_mm"]);
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
