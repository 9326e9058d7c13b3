//! Darkroom arithmetic: dilutions, temperatures, and development time against temperature.
//!
//! In: a dilution as written ("1+15"), millilitres, degrees, minutes. Out: the same as numbers. Fails on a dilution that can be
//! read in two ways, or not at all.

use crate::error::Fault;

/// "A+B": parts of stock and of water, the water last. Kits of two stocks have three parts, "1+2+100".
#[derive(Debug, Clone, PartialEq)]
pub struct Dilution {
    parts: Vec<f64>,
}

impl Dilution {
    /// Reads "1+15". A ratio ("1:15", "1/15") is refused with both of its readings, since books use it for either.
    pub fn parse(text: &str) -> Result<Dilution, Fault> {
        const MEND: &str = "write parts of stock + parts of water, as in \"1+15\"; undiluted stock is \"1+0\"";
        let parts: Option<Vec<f64>> = text.split('+').map(part).collect();
        match parts {
            Some(parts) if (2..=4).contains(&parts.len()) && parts.iter().any(|part| *part > 0.0) && parts[0] > 0.0 => {
                Ok(Dilution { parts })
            }
            _ => Err(Fault::new(
                format!("is \"{}\"", super::tree::shown(text)),
                two_readings(text).unwrap_or(MEND.into()),
            )),
        }
    }

    /// Millilitres of each part in `total_ml` of working solution, in the order as written: 1+31 of 320 is 10 and 310.
    pub fn volumes_ml(&self, total_ml: f64) -> Vec<f64> {
        let all: f64 = self.parts.iter().sum();
        self.parts.iter().map(|part| total_ml * part / all).collect()
    }
}

/// Digits with at most one decimal point.
fn part(text: &str) -> Option<f64> {
    let text = text.trim();
    let plain = text.bytes().all(|c| c.is_ascii_digit() || c == b'.') && text.len() <= 12;
    plain.then(|| text.parse().ok()).flatten()
}

/// "1:15" may be 1 part with 15 parts of water or 1 part in 15 of the whole.
fn two_readings(text: &str) -> Option<String> {
    let (stock, rest) = text.split_once([':', '/'])?;
    let (stock, rest) = (part(stock)?, part(rest)?);
    let added = format!("\"{stock}+{rest}\" ({stock} of stock with {rest} of water)");
    if rest <= stock {
        return Some(format!("write {added} if that is meant"));
    }
    // Rounded so that 0.1 in 1 does not read as 0.1+0.9000000000000001.
    let water = ((rest - stock) * 1e6).round() / 1e6;
    Some(format!(
        "it can mean two things: write {added} or \"{stock}+{water}\" ({stock} of stock in {rest} of the whole)"
    ))
}

pub fn fahrenheit(celsius: f64) -> f64 {
    1.8 * celsius + 32.0
}

pub fn celsius(fahrenheit: f64) -> f64 {
    (fahrenheit - 32.0) / 1.8
}

/// Development time at `celsius` that equals `minutes` at `reference_celsius`: t = t0 · c^((T0 − T) / 10).
///
/// `coefficient` is how many times faster development runs for 10 °C more; 2 is the common rule, 1.5 to 4 are met, and every
/// developer has its own. Older books state it for 7 °C or 10 °F: convert before use.
pub fn minutes_at(minutes: f64, reference_celsius: f64, celsius: f64, coefficient: f64) -> f64 {
    minutes * coefficient.powf((reference_celsius - celsius) / 10.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn volumes(text: &str, total: f64) -> Vec<f64> {
        Dilution::parse(text).unwrap().volumes_ml(total)
    }

    /// Closed form, stock = V·A/(A+B); the examples are common practice.
    #[test]
    fn dilutions_give_the_handbooks_volumes() {
        assert_eq!(volumes("1+31", 320.0), [10.0, 310.0]);
        assert_eq!(volumes("1+15", 320.0), [20.0, 300.0]);
        assert_eq!(volumes(" 1 + 0 ", 250.0), [250.0, 0.0]);
        assert_eq!(volumes("2+3", 500.0), [200.0, 300.0]);
        assert_eq!(volumes("1+2+100", 515.0), [5.0, 10.0, 500.0]);
    }

    /// 320 ml of 1:15 hold 20.00 ml of stock in one reading and 21.33 ml in the other.
    #[test]
    fn a_ratio_is_refused_with_both_readings() {
        let fault = Dilution::parse("1:15").unwrap_err();
        assert!(fault.mend().contains("\"1+15\"") && fault.mend().contains("\"1+14\""), "{fault}");
        assert!((volumes("1+15", 320.0)[0] - 20.0).abs() < 1e-12);
        assert!((volumes("1+14", 320.0)[0] - 21.333).abs() < 5e-4);
        assert!(Dilution::parse("0.1:1").unwrap_err().mend().contains("\"0.1+0.9\""));
    }

    #[test]
    fn what_is_no_dilution_is_refused() {
        for text in
            ["", "stock", "1", "1+", "+15", "1+-3", "0+0", "0+15", "1+1e9", "1+∞", "1+15 ml", "1+1+1+1+1", "1,5+1"]
        {
            let fault = Dilution::parse(text).unwrap_err();
            assert!(fault.mend().contains("1+15"), "{text}: {fault}");
        }
    }

    /// °F = 1.8 °C + 32 (definition).
    #[test]
    fn temperatures_convert() {
        for (c, f) in [(20.0, 68.0), (21.0, 69.8), (18.0, 64.4), (24.0, 75.2), (38.0, 100.4)] {
            assert!((fahrenheit(c) - f).abs() < 1e-9, "{c} °C");
            assert!((celsius(f) - c).abs() < 1e-9, "{f} °F");
        }
        assert!((celsius(65.0) - 18.33).abs() < 5e-3);
    }

    /// Arrhenius' rule of thumb, coefficient 2 and 2.5 for 10 °C; figures worked out to three decimals.
    #[test]
    fn warmer_is_faster() {
        for (kelvin, coefficient, factor) in [(1.0, 2.0, 0.933), (3.0, 2.0, 0.812), (3.0, 2.5, 0.760), (10.0, 2.0, 0.5)]
        {
            let got = minutes_at(1.0, 20.0, 20.0 + kelvin, coefficient);
            assert!((got - factor).abs() <= 5e-4, "+{kelvin} K, {coefficient}: {got}");
        }
    }

    proptest! {
        #[test]
        fn parts_make_up_the_whole(a in 1u32..200, b in 0u32..200, total in 1.0..5000.0f64) {
            let parts = volumes(&format!("{a}+{b}"), total);
            prop_assert!((parts.iter().sum::<f64>() - total).abs() < 1e-9 * total);
            prop_assert!((parts[0] * f64::from(b) - parts[1] * f64::from(a)).abs() < 1e-6 * total);
        }

        #[test]
        fn hostile_dilutions_do_no_harm(text in "\\PC{0,40}") {
            let _ = Dilution::parse(&text);
        }
    }
}
