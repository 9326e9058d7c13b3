//! The middle value.

/// The upper of the two where their number is even; none of none.
pub fn median(mut values: Vec<f64>) -> Option<f64> {
    let half = values.len() / 2;
    (!values.is_empty()).then(|| *values.select_nth_unstable_by(half, f64::total_cmp).1)
}
