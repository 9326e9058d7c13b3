//! Which paper would print a plate straight.
//!
//! In: a plate's density range. Out: the grade whose exposure range is nearest, after the premise of ISO 6846:1992 that a
//! print is very satisfactory when the paper's log exposure range equals the negative's effective density range. Never fails.

use super::plates::PlateFigures;
use crate::density::uncertainty::K;
use crate::report::words::plain;
use serde::Serialize;

/// Log exposure ranges of paper grades (ANSI PH2.2-1966, inner bounds from memory): grade, from, to. ISO(R) is a hundred times
/// the range.
const GRADES: [(u8, f64, f64); 6] =
    [(0, 1.40, 1.70), (1, 1.15, 1.40), (2, 0.95, 1.15), (3, 0.80, 0.95), (4, 0.65, 0.80), (5, 0.50, 0.65)];

#[derive(Debug, Clone, Serialize)]
pub struct PrintingFit {
    pub plate: String,
    /// From the 1st to the 99th percentile of the local densities of the scene.
    pub effective_density_range: f64,
    /// ISO(R) of the paper that fits.
    pub paper_range: u32,
    /// The grade whose range holds it; none where it is beyond all of them.
    pub grade: Option<u8>,
    pub says: String,
}

/// Least that a range is unsure by: half of the step between the grades' bounds as they are printed, at either end.
const LEAST: f64 = 0.02;

/// `sd`: standard uncertainty of the plate's range. Where a bound between two grades lies within its 95 % interval, both are named.
pub fn fit(plate: &PlateFigures, sd: f64) -> PrintingFit {
    let range = plate.density[4] - plate.density[0];
    // ISO(R) is rounded to tens (ISO 6846).
    let paper_range = (10.0 * range).round().max(0.0) as u32 * 10;
    let of = |range: f64| GRADES.iter().find(|(_, from, to)| (*from..*to).contains(&range)).map(|(grade, ..)| *grade);
    let grade = of(range);
    let half = (K * sd).max(LEAST);
    // The softer one first, as longer ranges want it.
    let either: Vec<u8> = [range + half, range - half].into_iter().filter_map(of).collect();
    let told = plain(range, 2);
    let says = match (grade, &either[..]) {
        (Some(_), [softer, harder]) if softer != harder => format!(
            "a range of {told} lies on the border of grades {softer} and {harder} within ± {}: it would print straight on either \
             (ISO range {paper_range})",
            plain(half, 2)
        ),
        (Some(grade), _) => {
            format!("a range of {told} would print straight on grade {grade} (ISO range {paper_range})")
        }
        (None, _) if range >= 1.70 => format!(
            "a range of {told} is longer than any grade of silver gelatin paper (1.70): it wants a printing-out or other long-scaled \
             process, or burning and dodging"
        ),
        (None, _) => format!("a range of {told} is shorter than the hardest grade's (0.50): it prints flat"),
    };
    PrintingFit { plate: plate.plate.clone(), effective_density_range: range, paper_range, grade, says }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn plate(low: f64, high: f64) -> PlateFigures {
        PlateFigures { plate: "K-01".into(), density: [low, low, 0.5, high, high], ..Default::default() }
    }

    /// The grades' bounds as ANSI PH2.2-1966 gives them (the outer two seen in a secondary source, the inner ones from memory).
    #[test]
    fn the_grade_is_the_one_whose_range_holds_the_plate() {
        for (range, grade) in
            [(1.5, Some(0)), (1.05, Some(2)), (0.95, Some(2)), (0.55, Some(5)), (1.9, None), (0.3, None)]
        {
            assert_eq!(fit(&plate(0.1, 0.1 + range + 1e-9), 0.0).grade, grade, "range {range}");
        }
        assert_eq!(fit(&plate(0.1, 1.14), 0.0).paper_range, 100);
    }

    /// The bound between grades 2 and 3 is 0.95.
    #[test]
    fn both_grades_are_named_on_their_border() {
        for (range, sd, both) in [(0.96, 0.0, true), (0.94, 0.001, true), (1.0, 0.01, false), (1.0, 0.03, true)] {
            let fit = fit(&plate(0.1, 0.1 + range), sd);
            assert_eq!(fit.says.contains("grades 2 and 3"), both, "{}", fit.says);
            assert!(fit.grade.is_some());
        }
    }
}
