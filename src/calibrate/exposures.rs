//! What the frames of a ladder were exposed with.
//!
//! In: stops or times as people write them, or the frames' Exif. Out: log10 of each frame's exposure, on one common scale. Fails
//! on what is no number, on a count that is not the frames', and on frames that state no time.

use crate::error::Fault;
use crate::frame::Settings;

/// Stops ("0,-1,-2.5"); more is more light. As log10 of light.
pub fn stops(text: &str) -> Result<Vec<f64>, Fault> {
    list(text, "stops such as 0,-1,-2", |part| part.parse().ok().filter(|v: &f64| v.abs() < 40.0))
        .map(|all| all.into_iter().map(|s| s * std::f64::consts::LOG10_2).collect())
}

/// Times in seconds ("1/60, 1/30, 0.5"). As log10 of light.
pub fn times(text: &str) -> Result<Vec<f64>, Fault> {
    let seconds = |part: &str| {
        let value = match part.split_once('/') {
            Some((over, under)) => over.trim().parse::<f64>().ok()? / under.trim().parse::<f64>().ok()?,
            None => part.parse().ok()?,
        };
        (value.is_finite() && value > 0.0).then_some(value)
    };
    list(text, "times in seconds such as 1/60,1/30,0.5", seconds).map(|all| all.into_iter().map(f64::log10).collect())
}

fn list(text: &str, wanted: &str, read: impl Fn(&str) -> Option<f64>) -> Result<Vec<f64>, Fault> {
    text.split(',')
        .map(|part| {
            read(part.trim()).ok_or_else(|| {
                Fault::new(
                    format!("`{}` is not one of {wanted}", part.trim()),
                    format!("give {wanted}, one for each frame"),
                )
            })
        })
        .collect()
}

/// A stated list must have one value a frame.
pub fn fits(exposures: &[f64], frames: usize) -> Result<(), Fault> {
    if exposures.len() == frames {
        return Ok(());
    }
    Err(Fault::new(
        format!("{} exposures are stated for {frames} frames", exposures.len()),
        "give one for each frame, in the order of the frames",
    ))
}

/// Exposure time by Exif. Times alone: stop and sensitivity are checked to be the same.
pub fn by_exif(settings: &Settings) -> Result<f64, Fault> {
    settings.exposure_s.filter(|t| *t > 0.0).map(f64::log10).ok_or_else(|| {
        Fault::new(
            "it does not say how long it was exposed",
            "give the frames' times with --times 1/60,1/30,… or their light with --stops 0,1,…",
        )
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn stops_and_times_are_read() {
        assert_eq!(stops("0, 1,-2").unwrap(), [0.0, std::f64::consts::LOG10_2, -2.0 * std::f64::consts::LOG10_2]);
        assert_eq!(times("1/10,10, 1").unwrap(), [-1.0, 1.0, 0.0]);
        for bad in ["", "1,,2", "a", "1/0", "-1", "0", "1/60;1/30"] {
            assert!(times(bad).is_err(), "{bad}");
        }
        assert!(stops("1 2").unwrap_err().what().contains("1 2"));
        assert!(fits(&[0.0, 1.0], 3).unwrap_err().what().contains("2 exposures are stated for 3"));
        assert!(by_exif(&Settings::default()).unwrap_err().mend().contains("--times"));
    }
}
