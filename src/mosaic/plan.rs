//! How to copy a plate in tiles: the grid that reaches a sampling with the fewest frames.
//!
//! In: [`Wanted`], the plate, the sensor, the overlap and the margin. Out: a [`Plan`]: columns and rows, which way the camera lies,
//! the field of one tile, steps, overlaps and the sampling reached. Fails when no grid of [`MOST_TILES`] reaches the sampling.
//!
//! A row of n frames of width w that overlap by the share o covers w (1 + (n − 1)(1 − o)); the finest sampling of a grid is that at
//! which its frames just cover plate and margin in one direction. The frames then lie evenly, so that the other direction overlaps
//! by more than was asked. The plate lies with its long side across, and millimetres count from its top-left corner.

use crate::error::Fault;
use crate::geometry::Point;
use crate::units::MM_PER_INCH;
use serde::Serialize;

/// More tiles than this take an afternoon to copy, and a better lens or sensor is the better way.
pub const MOST_TILES: usize = 60;
/// Share of a frame that neighbours both show, if nothing else is said: a third is safe, and hands err.
pub const OVERLAP: f64 = 0.30;
/// From here on most of each frame repeats its neighbour, and grids grow without end.
pub const OVERLAP_BELOW: f64 = 0.90;
/// Bare panel to see beyond each side, mm: the five that are looked at for the light beside the plate, and one for the hand.
pub const MARGIN_MM: f64 = 6.0;

/// What is to be copied, and with what.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Wanted {
    /// Width and height as the plate lies, the longer one first.
    pub plate_mm: [f64; 2],
    /// The sensor's pixels along its long and its short side.
    pub pixels: [u32; 2],
    /// Least share of a frame that neighbours both show, from 0 to below [`OVERLAP_BELOW`].
    pub overlap: f64,
    pub margin_mm: f64,
}

/// How the camera is turned against the plate, which lies with its long side across.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Turn {
    /// The sensor's long side along the plate's long side.
    Landscape,
    Portrait,
}

/// A grid of frames over a plate. Pairs are across, then down.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Plan {
    pub columns: usize,
    pub rows: usize,
    pub camera: Turn,
    pub px_per_mm: f64,
    /// What one frame shows.
    pub field_mm: [f64; 2],
    /// From one frame's middle to the next; none where one frame is enough.
    pub step_mm: [Option<f64>; 2],
    /// Share of a frame that its neighbour shows too.
    pub overlap: [Option<f64>; 2],
    /// Middle of each frame in the order of copying: to and fro, so that the plate never moves far.
    pub middles_mm: Vec<Point>,
}

impl Plan {
    pub fn tiles(&self) -> usize {
        self.columns * self.rows
    }

    pub fn ppi(&self) -> f64 {
        self.px_per_mm * MM_PER_INCH
    }

    /// The finest detail that the sampling can carry, cycles per millimetre of the plate.
    pub fn half_sampling(&self) -> f64 {
        self.px_per_mm / 2.0
    }

    /// Width and height of the result in pixels.
    pub fn result_pixels(&self, wanted: &Wanted) -> [u64; 2] {
        wanted.plate_mm.map(|side| (side * self.px_per_mm).round() as u64)
    }
}

/// The plan with the fewest tiles that reaches a sampling; of equally few, the finest.
pub fn reaching(wanted: &Wanted, ppi: f64) -> Result<Plan, Fault> {
    let grids = || (1..=MOST_TILES).map(|tiles| finest(wanted, tiles));
    // A figure that a grid itself reached must find that grid again.
    let enough = |grid: &Grid| grid.px_per_mm * MM_PER_INCH >= ppi * (1.0 - 1e-9);
    if let Some(grid) = grids().find(enough) {
        return Ok(grid.plan(wanted));
    }
    let best = grids().map(|grid| grid.px_per_mm).fold(0.0, f64::max) * MM_PER_INCH;
    let [long, short] = wanted.pixels;
    let what = format!(
        "{ppi:.0} samples an inch are beyond {MOST_TILES} tiles of {long} × {short} pixels, which reach {:.0}",
        best.floor()
    );
    Err(Fault::new(what, "ask for less with --ppi or --overlap, or use a sensor with more pixels"))
}

/// The plan of one frame for the whole plate.
pub fn single(wanted: &Wanted) -> Plan {
    finest(wanted, 1).plan(wanted)
}

/// Grids from one frame on, each with the fewest tiles for its sampling and a tenth finer than the one before.
pub fn ladder(wanted: &Wanted) -> Vec<Plan> {
    const WORTH_IT: f64 = 1.10;
    let mut rungs: Vec<Plan> = Vec::new();
    for tiles in 1..=MOST_TILES {
        let grid = finest(wanted, tiles);
        if rungs.last().is_none_or(|last| grid.px_per_mm >= WORTH_IT * last.px_per_mm) {
            rungs.push(grid.plan(wanted));
        }
    }
    rungs
}

/// Columns, rows and turn, with the finest sampling at which they cover the plate.
#[derive(Debug, Clone, Copy)]
struct Grid {
    count: [usize; 2],
    camera: Turn,
    px_per_mm: f64,
}

/// The finest of all grids of so many tiles; a landscape camera where it makes no difference.
fn finest(wanted: &Wanted, tiles: usize) -> Grid {
    let divisors = (1..=tiles).filter(|columns| tiles.is_multiple_of(*columns));
    let grids = divisors.flat_map(|columns| {
        [Turn::Landscape, Turn::Portrait].map(|camera| Grid::new(wanted, [columns, tiles / columns], camera))
    });
    let finer = |best: Grid, one: Grid| if one.px_per_mm > best.px_per_mm { one } else { best };
    grids.reduce(finer).unwrap_or_else(|| Grid::new(wanted, [1, 1], Turn::Landscape))
}

impl Grid {
    fn new(wanted: &Wanted, count: [usize; 2], camera: Turn) -> Grid {
        let along = |axis: usize| {
            let frames = 1.0 + (count[axis] - 1) as f64 * (1.0 - wanted.overlap);
            sides(wanted, camera)[axis] * frames / to_cover(wanted)[axis]
        };
        Grid { count, camera, px_per_mm: along(0).min(along(1)) }
    }

    fn plan(self, wanted: &Wanted) -> Plan {
        let Grid { count: [columns, rows], camera, px_per_mm } = self;
        let field_mm = sides(wanted, camera).map(|pixels| pixels / px_per_mm);
        let step = |axis: usize| {
            let gaps = self.count[axis] - 1;
            (gaps > 0).then(|| (to_cover(wanted)[axis] - field_mm[axis]).max(0.0) / gaps as f64)
        };
        let step_mm = [step(0), step(1)];
        let overlap = [0, 1].map(|axis| step_mm[axis].map(|step| 1.0 - step / field_mm[axis]));
        let at = |axis: usize, k: usize| match step_mm[axis] {
            Some(step) => field_mm[axis] / 2.0 - wanted.margin_mm + k as f64 * step,
            None => wanted.plate_mm[axis] / 2.0,
        };
        let middles_mm = (0..rows)
            .flat_map(|row| {
                let there_or_back = move |k: usize| if row % 2 == 0 { k } else { columns - 1 - k };
                (0..columns).map(move |k| Point::new(at(0, there_or_back(k)), at(1, row)))
            })
            .collect();
        Plan { columns, rows, camera, px_per_mm, field_mm, step_mm, overlap, middles_mm }
    }
}

/// The sensor's pixels across and down, as the camera lies.
fn sides(wanted: &Wanted, camera: Turn) -> [f64; 2] {
    let [long, short] = wanted.pixels.map(f64::from);
    match camera {
        Turn::Landscape => [long, short],
        Turn::Portrait => [short, long],
    }
}

fn to_cover(wanted: &Wanted) -> [f64; 2] {
    wanted.plate_mm.map(|side| side + 2.0 * wanted.margin_mm)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn whole_10x8() -> Wanted {
        Wanted { plate_mm: [254.0, 203.2], pixels: [4032, 3024], overlap: 0.30, margin_mm: 6.0 }
    }

    /// Worked by hand. With margins 266 × 215.2 mm are to be covered. At 1200 an inch (47.244 px/mm) a frame shows 85.34 × 64.01 mm.
    /// Lying, 1 + (266 − 85.34) / 59.74 = 4.02, so 5 columns, and 1 + (215.2 − 64.01) / 44.81 = 4.37, so 5 rows: 25 tiles. Upright,
    /// 1 + (266 − 64.01) / 44.81 = 5.51, so 6, and 1 + (215.2 − 85.34) / 59.74 = 3.17, so 4: 24 tiles. These reach
    /// 3024 × (1 + 5 × 0.7) / 266 = 51.158 px/mm, 1299.4 an inch; down they would reach 4032 × 3.1 / 215.2 = 58.1.
    #[test]
    fn an_8x10_at_1200_takes_24_upright_frames_of_12_megapixels() {
        let plan = reaching(&whole_10x8(), 1200.0).unwrap();
        assert_eq!((plan.columns, plan.rows, plan.camera), (6, 4, Turn::Portrait));
        assert!((plan.px_per_mm - 51.1579).abs() < 1e-4 && (plan.ppi() - 1299.41).abs() < 1e-2);
        assert!((plan.half_sampling() - 25.579).abs() < 1e-3);
        // 3024 / 51.158 and 4032 / 51.158; (266 − 59.111) / 5 and (215.2 − 78.815) / 3; 1 − 45.462 / 78.815.
        let near = |a: [f64; 2], b: [f64; 2]| a.iter().zip(b).all(|(a, b)| (a - b).abs() < 1e-3);
        assert!(near(plan.field_mm, [59.111, 78.815]), "{:?}", plan.field_mm);
        assert!(near(plan.step_mm.map(Option::unwrap), [41.378, 45.462]), "{:?}", plan.step_mm);
        assert!(near(plan.overlap.map(Option::unwrap), [0.300, 0.4232]), "{:?}", plan.overlap);
        // To and fro: the seventh lies below the sixth.
        let [sixth, seventh] = [plan.middles_mm[5], plan.middles_mm[6]];
        assert!((sixth.x - seventh.x).abs() < 1e-9 && seventh.y > sixth.y);
        assert_eq!(plan.result_pixels(&whole_10x8()), [12994, 10395]);
    }

    /// 4032 / 266 = 15.158 and 3024 / 215.2 = 14.052: the height decides, 356.9 an inch.
    #[test]
    fn one_frame_is_filled_by_the_plate_and_its_margin() {
        let plan = single(&whole_10x8());
        assert!((plan.ppi() - 356.92).abs() < 0.01, "{}", plan.ppi());
        assert_eq!((plan.tiles(), plan.step_mm, plan.overlap), (1, [None, None], [None, None]));
        assert_eq!(plan.middles_mm, [Point::new(127.0, 101.6)]);
        assert_eq!(reaching(&whole_10x8(), 300.0).unwrap(), plan);
    }

    #[test]
    fn what_no_grid_reaches_is_refused_with_what_they_reach() {
        let fault = reaching(&whole_10x8(), 9000.0).unwrap_err();
        let best = ladder(&whole_10x8()).iter().map(Plan::ppi).fold(0.0, f64::max);
        assert!(fault.what().contains("9000") && fault.what().contains("60 tiles"), "{fault}");
        assert!(best < 9000.0 && best > 1800.0, "{best}");
    }

    proptest! {
        /// Every place of plate and margin lies in a frame, in every direction neighbours share what was asked, and no smaller
        /// number of tiles would do.
        #[test]
        fn frames_cover_the_plate_and_overlap(
            long in 80.0..400.0f64, ratio in 0.5..1.0f64, wide in 1000u32..9000, shape in 0.5..1.0f64,
            overlap in 0.0..0.6f64, margin in 0.0..20.0f64, share in 0.05..1.0f64,
        ) {
            let pixels = [wide, (f64::from(wide) * shape) as u32];
            let wanted = Wanted { plate_mm: [long, long * ratio], pixels, overlap, margin_mm: margin };
            let rungs = ladder(&wanted);
            let ppi = share * rungs.last().unwrap().ppi();
            let plan = reaching(&wanted, ppi).unwrap();
            prop_assert!(plan.ppi() >= ppi * (1.0 - 1e-9));
            prop_assert_eq!(plan.middles_mm.len(), plan.tiles());
            for axis in [0, 1] {
                let mut at: Vec<f64> = plan.middles_mm.iter().map(|p| if axis == 0 { p.x } else { p.y }).collect();
                at.sort_by(f64::total_cmp);
                at.dedup_by(|a, b| (*a - *b).abs() < 1e-9);
                prop_assert_eq!(at.len(), [plan.columns, plan.rows][axis]);
                let half = plan.field_mm[axis] / 2.0;
                prop_assert!(at[0] - half <= -margin + 1e-9);
                prop_assert!(at[at.len() - 1] + half >= wanted.plate_mm[axis] + margin - 1e-9);
                for pair in at.windows(2) {
                    let shared = 1.0 - (pair[1] - pair[0]) / plan.field_mm[axis];
                    prop_assert!(shared >= overlap - 1e-9, "{} of {}", shared, overlap);
                }
            }
            for fewer in 1..plan.tiles() {
                prop_assert!(finest(&wanted, fewer).px_per_mm * MM_PER_INCH < ppi);
            }
        }

        #[test]
        fn each_rung_is_finer_than_the_last(long in 80.0..400.0f64, ratio in 0.3..1.0f64, overlap in 0.0..0.89f64) {
            let wanted = Wanted { plate_mm: [long, long * ratio], pixels: [4032, 3024], overlap, margin_mm: 6.0 };
            let rungs = ladder(&wanted);
            prop_assert_eq!(rungs[0].tiles(), 1);
            for pair in rungs.windows(2) {
                prop_assert!(pair[1].tiles() > pair[0].tiles() && pair[1].ppi() > pair[0].ppi());
                // What the table shows, rounded down, is had with no more tiles than it shows.
                let ppi = pair[1].ppi().floor().max(pair[0].ppi() + 0.01);
                prop_assert!(reaching(&wanted, ppi).unwrap().tiles() <= pair[1].tiles());
            }
        }
    }
}
