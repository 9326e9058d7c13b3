//! An axis: what it measures, from where to where, and where its ticks lie.
//!
//! Ticks step by 1, 2 or 5 times a power of ten. An axis may run backwards (`from` above `to`), as y does on a plate.

/// One axis of a plot.
#[derive(Debug, Clone, PartialEq)]
pub struct Axis {
    /// What is measured, with its unit: "density above base", "distance, mm".
    pub label: String,
    pub from: f64,
    pub to: f64,
    /// About how many ticks to aim for.
    pub ticks: usize,
}

impl Axis {
    /// Ends that are equal or not finite are moved apart, so that there is always something to draw on.
    pub fn new(label: impl Into<String>, from: f64, to: f64) -> Self {
        let from = if from.is_finite() { from } else { 0.0 };
        let to = if to.is_finite() && to != from { to } else { from + 1.0 };
        Axis { label: label.into(), from, to, ticks: 6 }
    }

    /// From 0 to a round number at or above the greatest of the values (1 where there are none).
    pub fn from_zero(label: impl Into<String>, values: impl IntoIterator<Item = f64>) -> Self {
        let most = values.into_iter().filter(|v| v.is_finite()).fold(0.0, f64::max);
        let most = if most > 0.0 { most } else { 1.0 };
        let step = step(most, 6);
        Axis::new(label, 0.0, (most / step).ceil() * step)
    }

    /// Just wide enough for the values, rounded outwards to ticks.
    pub fn around(label: impl Into<String>, values: impl IntoIterator<Item = f64>) -> Self {
        let (low, high) = values
            .into_iter()
            .filter(|v| v.is_finite())
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), v| (low.min(v), high.max(v)));
        if low > high {
            return Axis::new(label, 0.0, 1.0);
        }
        let step = step((high - low).max(low.abs().max(high.abs()) * 1e-6).max(1e-12), 6);
        Axis::new(
            label,
            (low / step).floor() * step,
            ((high / step).ceil() * step).max((low / step).floor() * step + step),
        )
    }

    /// Share of the way from `from` to `to`.
    pub fn share(&self, value: f64) -> f64 {
        (value - self.from) / (self.to - self.from)
    }

    /// Tick values from the lower end to the upper, with the text that they carry.
    pub fn marks(&self) -> Vec<(f64, String)> {
        let (low, high) = (self.from.min(self.to), self.from.max(self.to));
        let step = step(high - low, self.ticks);
        let decimals = (-step.log10().floor()).clamp(0.0, 9.0) as usize;
        let slack = step * 1e-6;
        let first = ((low - slack) / step).ceil() as i64;
        let last = ((high + slack) / step).floor() as i64;
        (first..=last).map(|k| (k as f64 * step, plain(k as f64 * step, decimals))).collect()
    }
}

/// 1, 2 or 5 times a power of ten, so that about `count` steps cover the span.
fn step(span: f64, count: usize) -> f64 {
    let raw = (span / count.max(1) as f64).max(f64::MIN_POSITIVE);
    let power = 10f64.powf(raw.log10().floor());
    let factor = [1.0, 2.0, 5.0, 10.0].into_iter().find(|f| f * power >= raw * 0.7).unwrap_or(10.0);
    factor * power
}

/// A number for people: fixed decimals, a real minus sign, thin spaces between thousands from five digits on.
pub fn plain(value: f64, decimals: usize) -> String {
    if !value.is_finite() {
        return "–".into();
    }
    let digits = format!("{:.decimals$}", value.abs());
    let negative = value < 0.0 && digits.bytes().any(|b| (b'1'..=b'9').contains(&b));
    let (whole, fraction) = digits.split_once('.').map_or((digits.as_str(), None), |(w, f)| (w, Some(f)));
    let mut text = String::from(if negative { "−" } else { "" });
    for (at, digit) in whole.chars().enumerate() {
        if at > 0 && whole.len() > 4 && (whole.len() - at).is_multiple_of(3) {
            text.push('\u{2009}');
        }
        text.push(digit);
    }
    if let Some(fraction) = fraction {
        text.push('.');
        text.push_str(fraction);
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ticks_are_round_and_inside() {
        let values: Vec<String> = Axis::new("D", 0.0, 3.0).marks().into_iter().map(|m| m.1).collect();
        assert_eq!(values, ["0.0", "0.5", "1.0", "1.5", "2.0", "2.5", "3.0"]);
        let values: Vec<String> = Axis::new("y, mm", 120.65, 0.0).marks().into_iter().map(|m| m.1).collect();
        assert_eq!(values, ["0", "20", "40", "60", "80", "100", "120"]);
    }

    #[test]
    fn every_span_gets_a_few_ticks() {
        for k in 1..400 {
            let span = 1e-6 * 1.09f64.powi(k);
            let axis = Axis::new("", -span / 3.0, span);
            let count = axis.marks().len();
            assert!((3..=9).contains(&count), "{span} got {count}");
        }
    }

    #[test]
    fn ends_that_meet_are_moved_apart() {
        assert_eq!(Axis::new("", 2.0, 2.0).to, 3.0);
        assert!(Axis::around("", [5.0, 5.0]).to > Axis::around("", [5.0]).from);
        assert_eq!(Axis::from_zero("", [f64::NAN]).to, 1.0);
        assert_eq!(Axis::from_zero("", [0.93]).to, 1.0);
    }

    #[test]
    fn numbers_read_as_people_write_them() {
        assert_eq!(plain(-0.004, 2), "0.00");
        assert_eq!(plain(-1.5, 1), "−1.5");
        assert_eq!(plain(1234.0, 0), "1234");
        assert_eq!(plain(12345.6, 1), "12\u{2009}345.6");
    }
}
