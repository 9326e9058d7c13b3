//! Exposure arithmetic: APEX values, bellows, reciprocity, and the stops between two exposures.
//!
//! In: seconds, f-numbers, exposure indexes, millimetres, as marked on shutter and lens. Out: stops; more light on the plate is
//! positive. A difference is none where a figure that it needs was not written down. Marks are taken at their word (f/11 is 11,
//! not 11.314): a mark lies within 0.1 stop of its exact series, and which of the two a lens means nobody can tell.
//!
//! Method: the additive system (APEX) as in Exif's annex; Schwarzschild's law for reciprocity.

use super::{Exposure, Plate};
use crate::error::{Fault, Warning};
use crate::units::Stops;

/// Speed value's constant, 2^(−7/4): Sv = log2(0.2973 · S).
const SPEED_CONSTANT: f64 = 0.297_301_778_750_680_26;

/// Above this time reciprocity is counted, below it is taken to hold, s.
pub const RECIPROCITY_PIVOT_S: f64 = 1.0;

/// How far the exposure indexes of a bracket may stand off its exposures before it is worth a word: less is lost in the marks of
/// shutters and stops.
pub const EI_TOLERANCE: Stops = Stops(0.25);

/// Longest exposure that is taken for one, s: eleven days.
const LONGEST_S: f64 = 1e6;
/// Shortest, s.
const SHORTEST_S: f64 = 1e-6;

/// Aperture value Av of an f-number: 0 at f/1, 1 more for each halving of light.
pub fn aperture_value(f_number: f64) -> f64 {
    2.0 * f_number.log2()
}

/// Time value Tv of seconds: 0 at 1 s, 1 more for each halving.
pub fn time_value(seconds: f64) -> f64 {
    -seconds.log2()
}

/// Speed value Sv of an exposure index: 5 near 100.
pub fn speed_value(ei: f64) -> f64 {
    (SPEED_CONSTANT * ei).log2()
}

/// Exposure value Ev = Av + Tv.
pub fn exposure_value(f_number: f64, seconds: f64) -> f64 {
    aperture_value(f_number) + time_value(seconds)
}

/// Light that a bellows drawn out to `bellows_mm` costs a lens of `focal_mm`: the factor is (v / f)².
pub fn bellows_loss(focal_mm: f64, bellows_mm: f64) -> Stops {
    Stops(2.0 * (bellows_mm / focal_mm).log2())
}

/// What a plate makes of a long exposure: t^p seconds' worth, by Schwarzschild's law above 1 s. `p` belongs to the plate's
/// emulsion: 1 is none, 0.7 to 0.95 is met.
pub fn reciprocity_effective_s(seconds: f64, p: f64) -> f64 {
    if seconds > RECIPROCITY_PIVOT_S { seconds.powf(p) } else { seconds }
}

/// How long to expose for the effect of the metered time: t^(1/p) above 1 s.
pub fn reciprocity_corrected_s(metered_s: f64, p: f64) -> f64 {
    if metered_s > RECIPROCITY_PIVOT_S { metered_s.powf(1.0 / p) } else { metered_s }
}

/// Light of `b` over `a`, from the fields that both state: time and stop, filter, bellows (with the focal length). None if either
/// lacks the time or the stop.
pub fn stops_between(a: &Exposure, b: &Exposure) -> Option<Stops> {
    let camera = exposure_value(a.aperture?, a.shutter_s?) - exposure_value(b.aperture?, b.shutter_s?);
    let loss = |filter: Option<f64>| filter.unwrap_or(0.0);
    let filter = match (a.filter_stops, b.filter_stops) {
        (Some(_), Some(_)) => loss(a.filter_stops) - loss(b.filter_stops),
        _ => 0.0,
    };
    let bellows = match (drawn(a), drawn(b)) {
        (Some(a), Some(b)) => a.0 - b.0,
        _ => 0.0,
    };
    Some(Stops(camera + filter + bellows))
}

/// Loss to the bellows of one exposure, where both lengths are known.
pub fn drawn(exposure: &Exposure) -> Option<Stops> {
    Some(bellows_loss(exposure.focal_length_mm?, exposure.bellows_mm?))
}

/// Light that the meter's settings ask for, `b` over `a`: twice the exposure index is one stop less.
pub fn ei_stops_between(a: &Exposure, b: &Exposure) -> Option<Stops> {
    Some(Stops(speed_value(a.ei?) - speed_value(b.ei?)))
}

/// Says so where two plates of one scene were exposed otherwise than their exposure indexes ask.
pub fn ei_contradiction(a: &Plate, b: &Plate) -> Option<Warning> {
    let given = stops_between(&a.exposure, &b.exposure)?;
    let asked = ei_stops_between(&a.exposure, &b.exposure)?;
    let off = given.0 - asked.0;
    (off.abs() > EI_TOLERANCE.0).then(|| {
        let message = format!(
            "bracket {} and {}: the exposures differ by {:+.2} stops and the EIs ask for {:+.2}, {:.2} stop apart; check ei, \
             shutter, aperture, filter_stops and bellows_mm of both",
            a.id,
            b.id,
            given.0,
            asked.0,
            off.abs()
        );
        Warning::new("ei-contradiction", message)
    })
}

/// Seconds of a shutter time as notes write it: "1/4", "3", "0.25". Nothing else: "1/2s", "2\"", "B" are refused.
pub fn shutter_seconds(text: &str) -> Result<f64, Fault> {
    let bad = |mend: &str| Fault::new(format!("is \"{}\"", super::tree::shown(text)), mend);
    let decimal = |text: &str| -> Option<f64> {
        let plain = !text.is_empty() && text.len() <= 40 && text.bytes().all(|c| c.is_ascii_digit() || c == b'.');
        plain.then(|| text.parse().ok()).flatten()
    };
    let seconds = match text.trim().split_once('/') {
        Some((above, below)) => decimal(above.trim_end()).zip(decimal(below.trim_start())).map(|(a, b)| a / b),
        None => decimal(text.trim()),
    };
    match seconds {
        Some(seconds) if (SHORTEST_S..=LONGEST_S).contains(&seconds) => Ok(seconds),
        Some(_) => Err(bad("give the seconds that the shutter stood open, more than 0 and at most 1000000")),
        None => {
            Err(bad("give seconds and nothing else, as in \"1/4\", \"3\" or 0.25; for B and T the seconds counted"))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn exposure(f_number: f64, shutter_s: f64) -> Exposure {
        Exposure { aperture: Some(f_number), shutter_s: Some(shutter_s), ..Default::default() }
    }

    fn with_ei(ei: f64) -> Exposure {
        Exposure { ei: Some(ei), ..Default::default() }
    }

    fn stops(a: &Exposure, b: &Exposure) -> f64 {
        stops_between(a, b).unwrap().0
    }

    /// Exif's annex tables of Av, Tv and Sv are nominal (from memory); marks stray from the exact series by at most 0.1 stop, and
    /// EI 3, 6, 12 by 0.17.
    #[test]
    fn apex_values_are_those_of_exifs_annex() {
        let marks = [1.0, 1.4, 2.0, 2.8, 4.0, 5.6, 8.0, 11.0, 16.0, 22.0, 32.0];
        for (av, n) in marks.into_iter().enumerate() {
            assert!((aperture_value(n) - av as f64).abs() < 0.1, "f/{n}");
        }
        let times = [30.0, 15.0, 8.0, 4.0, 2.0, 1.0, 0.5, 0.25, 0.125]
            .into_iter()
            .chain([15.0, 30.0, 60.0, 125.0, 250.0, 500.0, 1000.0, 2000.0].map(|t| 1.0 / t));
        for (tv, t) in (-5..).zip(times) {
            assert!((time_value(t) - f64::from(tv)).abs() < 0.1, "{t} s");
        }
        for (sv, s) in [3.0, 6.0, 12.0, 25.0, 50.0, 100.0].into_iter().enumerate() {
            assert!((speed_value(s) - sv as f64).abs() < 0.17, "EI {s}");
        }
    }

    /// Sv = log2(S · 2^(−7/4)), worked out to three decimals.
    #[test]
    fn speed_values_are_exact() {
        for (s, sv) in [(3.0, -0.165), (25.0, 2.894), (100.0, 4.894)] {
            assert!((speed_value(s) - sv).abs() <= 5e-4, "EI {s}");
        }
        assert!((SPEED_CONSTANT - 2f64.powf(-1.75)).abs() < 1e-16);
    }

    /// Nominal marks against the exact series N = 2^(k/6), t = 2^(−k): error in stops, worked out to three decimals.
    #[test]
    fn marks_stray_from_the_exact_series_as_tabulated() {
        let table = [
            (8.0, 0.0),
            (9.0, 0.007),
            (10.0, -0.023),
            (11.0, -0.081),
            (13.0, 0.068),
            (14.0, -0.052),
            (16.0, 0.0),
            (18.0, 0.007),
            (20.0, -0.023),
            (22.0, -0.081),
            (25.0, -0.046),
            (29.0, 0.049),
            (32.0, 0.0),
            (36.0, 0.007),
            (40.0, -0.023),
            (45.0, -0.016),
            (64.0, 0.0),
        ];
        for (n, error) in table {
            let thirds = 3.0 * aperture_value(n);
            assert!(((thirds - thirds.round()) / 3.0 - error).abs() <= 5e-4, "f/{n}");
        }
        let shutters =
            [(1.0 / 1000.0, 0.034), (1.0 / 125.0, 0.034), (1.0 / 60.0, 0.093), (1.0 / 15.0, 0.093), (15.0, -0.093)];
        for (t, error) in shutters {
            let tv = time_value(t);
            assert!((tv.round() - tv - error).abs() <= 5e-4, "{t} s");
        }
    }

    /// Ev = log2(N² / t): f/16 at 1/125 and f/5.6 at 1/60, as marked, to four decimals.
    #[test]
    fn exposure_values_as_marked() {
        assert!((exposure_value(16.0, 1.0 / 125.0) - 14.9658).abs() <= 5e-5);
        assert!((exposure_value(16.0, 1.0 / 128.0) - 15.0).abs() < 1e-12);
        assert!((exposure_value(5.6, 1.0 / 60.0) - 10.8777).abs() <= 5e-5);
    }

    /// EI 3 to 4 is 0.415 stop and f/14 to f/16 0.385 stop as marked (common practice), so such a pair agrees with its meter.
    #[test]
    fn a_pair_that_follows_its_meter_agrees() {
        let asked = ei_stops_between(&with_ei(3.0), &with_ei(4.0)).unwrap().0;
        let given = stops(&exposure(14.0, 2.0), &exposure(16.0, 2.0));
        assert!((asked + 0.415).abs() <= 5e-4, "{asked}");
        assert!((given + 0.385).abs() <= 5e-4, "{given}");
        assert!((given - asked).abs() < EI_TOLERANCE.0);
    }

    /// Δ = log2(t2/t1) − 2·log2(N2/N1), worked out to five decimals.
    #[test]
    fn stops_between_exposures_are_the_closed_form() {
        assert!((stops(&exposure(18.0, 1.0), &exposure(20.0, 1.0)) + 0.30401).abs() <= 5e-6);
        assert_eq!(stops(&exposure(16.0, 1.0), &exposure(16.0, 4.0)), 2.0);
        assert!((ei_stops_between(&with_ei(2.0), &with_ei(3.0)).unwrap().0 + 0.58496).abs() <= 5e-6);
        assert!((ei_stops_between(&with_ei(3.0), &with_ei(6.0)).unwrap().0 + 1.0).abs() < 1e-12);
        assert_eq!(stops_between(&exposure(16.0, 1.0), &with_ei(3.0)), None);
        assert_eq!(ei_stops_between(&exposure(16.0, 1.0), &with_ei(3.0)), None);
    }

    /// Bellows factor (v/f)² = (1+m)²: 150 mm drawn to 200 mm is ×1.7778, 0.8301 stop; m = 1 is two stops.
    #[test]
    fn bellows_cost_light() {
        assert!((bellows_loss(150.0, 200.0).0 - 0.8301).abs() <= 5e-5);
        assert!((bellows_loss(150.0, 200.0).ratio() - 1.7778).abs() <= 5e-5);
        assert_eq!(bellows_loss(210.0, 420.0), Stops(2.0));
        assert!((bellows_loss(100.0, 150.0).0 - 1.170).abs() <= 5e-4);
    }

    #[test]
    fn only_what_both_state_is_counted() {
        let far = Exposure { focal_length_mm: Some(200.0), bellows_mm: Some(200.0), ..exposure(16.0, 1.0) };
        let near = Exposure { bellows_mm: Some(400.0), ..far.clone() };
        assert_eq!(stops(&far, &near), -2.0);
        assert_eq!(stops(&exposure(16.0, 1.0), &near), 0.0);
        let filtered = |stops| Exposure { filter_stops: Some(stops), ..exposure(16.0, 1.0) };
        assert_eq!(stops(&filtered(0.0), &filtered(1.5)), -1.5);
        assert_eq!(stops(&exposure(16.0, 1.0), &filtered(1.5)), 0.0);
    }

    /// Schwarzschild, t' = t^(1/p) with the pivot at 1 s: figures worked out to two decimals.
    #[test]
    fn long_exposures_need_longer() {
        for (p, metered, needed) in [(0.86, 10.0, 14.55), (0.86, 60.0, 116.8), (0.80, 10.0, 17.78), (0.90, 10.0, 12.92)]
        {
            let got = reciprocity_corrected_s(metered, p);
            assert!((got - needed).abs() <= if needed > 100.0 { 0.05 } else { 0.005 }, "p {p}, {metered} s: {got}");
            assert!((reciprocity_effective_s(got, p) - metered).abs() < 1e-9);
        }
        assert_eq!(reciprocity_corrected_s(0.5, 0.8), 0.5);
    }

    #[test]
    fn shutter_times_are_read_as_written() {
        for (text, seconds) in [("1/4", 0.25), ("3", 3.0), ("0.25", 0.25), (" 1 / 125 ", 0.008), ("2.5", 2.5)] {
            assert_eq!(shutter_seconds(text).unwrap(), seconds, "{text}");
        }
        for text in
            ["", "1/2s", "2\"", "B", "T", "1 1/2", "½", "-1", "1/0", "0", "1e3", "0,25", "1/2/3", "inf", "9999999"]
        {
            let fault = shutter_seconds(text).unwrap_err();
            assert!(fault.what().contains(text) && fault.mend().contains("seconds"), "{text}: {fault}");
        }
    }

    proptest! {
        /// Differences add up, and turn their sign with their order.
        #[test]
        fn stops_add_up(n in prop::array::uniform3(1.0..90.0f64), t in prop::array::uniform3(0.001..500.0f64)) {
            let [a, b, c] = [0, 1, 2].map(|i| exposure(n[i], t[i]));
            prop_assert!((stops(&a, &b) + stops(&b, &c) - stops(&a, &c)).abs() < 1e-9);
            prop_assert!((stops(&a, &b) + stops(&b, &a)).abs() < 1e-9);
        }

        #[test]
        fn hostile_shutters_do_no_harm(text in "\\PC{0,40}") {
            let _ = shutter_seconds(&text);
        }
    }
}
