//! The way of tiles as a whole, against known truth: every place of the made plate, in every tile that shows it.
//!
//! Tolerances: what is promised for tiles is 0.5 px rms and 1.5 px at the worst; a fifth of it is asked here, since these tiles
//! are small and their overlaps short. Densities: no step over 0.006 between neighbouring patches of 3 mm.

use super::features::{self, Features};
use super::links::Link;
use super::simulate::{Made, Plate, Setup};
use super::{Level, Placement, Seams, Store, Target, Tile, compose, likely, place, sides};
use crate::error::Fault;
use crate::geometry::resample::Kernel;
use crate::geometry::{Homography, Point, View};
use crate::image::{Image, Size};
use crate::median::median;
use crate::notes::PlateSize;
use crate::units::Transmittance;

const RMS_PX: f64 = 0.1;
const WORST_PX: f64 = 0.3;

/// Loads tiles, in the order of `which`, each with its exposure as Exif states it.
fn gather(made: &Made, which: &[usize], exposure: impl Fn(usize) -> Option<f64>) -> Store {
    let loads: Vec<_> = which.iter().map(|k| move || Ok(made.tiles[*k].clone())).collect();
    let tiles: Vec<Tile> = loads
        .iter()
        .zip(which)
        .map(|(load, k)| Tile { name: format!("t{k}.jpg"), exposure: exposure(*k), load })
        .collect();
    Store::gather(&tiles, 1 << 30, &std::env::temp_dir()).unwrap()
}

fn nominal(made: &Made) -> PlateSize {
    let (w, h) = (made.setup.plate.width, made.setup.plate.height);
    PlateSize { name: "made plate".into(), short_mm: w.min(h), long_mm: w.max(h) }
}

/// All tiles, placed.
fn placed(made: &Made) -> Placement {
    let all: Vec<usize> = (0..made.tiles.len()).collect();
    place(&gather(made, &all, |_| Some(1.0)), &nominal(made), None).unwrap()
}

/// How far the tiles' views put places of the plate from where they are: rms and worst in pixels, over a lattice.
fn misplacement(made: &Made, placement: &Placement) -> (f64, f64) {
    let (w, h) = (made.setup.plate.width, made.setup.plate.height);
    let size = made.setup.size;
    let (mut sum, mut worst, mut n) = (0.0, 0f64, 0.0);
    for tile in &placement.tiles {
        let truth = &made.views[tile.name[1..tile.name.len() - 4].parse::<usize>().unwrap()];
        let Some(view) = tile.view else { continue };
        for k in 0..60 * 45 {
            let mm = Point::new((k % 60) as f64 / 59.0 * w, (k / 60) as f64 / 44.0 * h);
            let px = truth.to_capture(mm);
            if px.x > 0.0 && px.y > 0.0 && px.x < size.columns as f64 && px.y < size.rows as f64 {
                let off = view.to_capture(mm).distance(px);
                sum += off * off;
                worst = worst.max(off);
                n += 1.0;
            }
        }
    }
    (f64::sqrt(sum / n), worst)
}

fn assert_in_place(made: &Made, placement: &Placement) {
    let (rms, worst) = misplacement(made, placement);
    assert!(rms < RMS_PX && worst < WORST_PX, "off by {rms:.3} px rms, {worst:.3} at the worst");
    assert!(placement.confidence > 0.9 && placement.gaps.is_empty());
}

fn codes(placement: &Placement) -> Vec<&str> {
    placement.warnings.iter().map(|w| w.code.as_str()).collect()
}

fn whole(store: &Store, placement: &Placement) -> (Image<Transmittance>, Seams) {
    let [w, h] = placement.size_mm;
    let px_per_mm = placement.sampling;
    let size = Size::new((h * px_per_mm).round() as usize, (w * px_per_mm).round() as usize);
    let mut pixels = Vec::new();
    let target = Target { size, px_per_mm, to_plate: Homography::identity() };
    let seams = compose(store, placement, &target, &mut |band| {
        pixels.extend_from_slice(band.pixels());
        Ok(())
    })
    .unwrap();
    (Image::from_vec(size, pixels), seams)
}

/// Density errors of patches of `mm` millimetres, row by row, against the made plate's own light.
fn density_errors(made: &Made, seen: &Image<Transmittance>, px_per_mm: f64, mm: f64) -> Image<f64> {
    let side = (mm * px_per_mm).round() as usize;
    let size = Size::new(seen.rows() / side, seen.columns() / side);
    let mut errors = Image::filled(size, 0.0);
    for row in 0..size.rows {
        for column in 0..size.columns {
            let (mut got, mut truth) = (0.0, 0.0);
            for y in row * side..(row + 1) * side {
                for x in column * side..(column + 1) * side {
                    got += seen.at(y, x).0 as f64;
                    for k in 0..4 {
                        let p =
                            Point::new(x as f64 + 0.25 + 0.5 * (k % 2) as f64, y as f64 + 0.25 + 0.5 * (k / 2) as f64);
                        truth += made.setup.plate.light(p * (1.0 / px_per_mm)) / 4.0;
                    }
                }
            }
            errors.set(row, column, -(got / truth).log10());
        }
    }
    errors
}

#[test]
fn tiles_in_any_order_are_placed_and_nothing_is_said() {
    let made = Setup::small().make();
    let store = gather(&made, &[4, 0, 5, 3, 1, 2], |_| Some(1.0));
    let placement = place(&store, &nominal(&made), None).unwrap();
    assert_in_place(&made, &placement);
    assert!(placement.warnings.is_empty(), "{:?}", placement.warnings);
    assert!(!placement.hand_held);
    assert!((placement.lens.k1 - made.setup.k1).abs() < 1e-3);
}

#[test]
fn pairs_that_are_not_looked_at_would_be_no_links() {
    let made = Setup { columns: 4, rows: 3, overlap: 0.2, upside_down: Some(5), ..Setup::small() }.make();
    let order = [7, 2, 9, 0, 11, 4, 5, 1, 10, 3, 8, 6];
    let store = gather(&made, &order, |_| Some(1.0));
    let features: Vec<Features> = (0..store.len()).map(|k| features::find(store.reduced(k))).collect();
    let some = likely::links(&store, &features);
    let all = likely::look(&features, &likely::pairs(store.len()), store.size(Level::Reduced));
    let accepted = |links: &[Link]| links.iter().filter(|l| l.accepted).map(|l| (l.a, l.b)).collect::<Vec<_>>();
    assert_eq!(accepted(&some), accepted(&all));
    assert!(accepted(&all).len() >= 17, "neighbours alone are 17: {:?}", accepted(&all));
    assert!(some.len() < all.len(), "{} of {} looked at", some.len(), all.len());
}

#[test]
fn a_tile_upside_down_is_placed() {
    let made = Setup { upside_down: Some(1), ..Setup::small() }.make();
    let placement = placed(&made);
    assert_in_place(&made, &placement);
    assert!((placement.tiles[1].turn_deg.abs() - 180.0).abs() < 2.0);
}

#[test]
fn a_lens_that_bends_by_a_tenth_is_found() {
    let made = Setup { k1: -0.10, k2: 0.02, ..Setup::small() }.make();
    let placement = placed(&made);
    assert_in_place(&made, &placement);
}

#[test]
fn tiles_from_a_hand_held_camera_are_placed_each_with_its_own_tilt() {
    let made = Setup { hand: (1.5, 0.02), ..Setup::small() }.make();
    let placement = placed(&made);
    assert!(placement.hand_held);
    assert_in_place(&made, &placement);
}

/// The focus was touched before one tile: half a per cent larger, which one camera for all cannot show.
#[test]
fn an_enlarged_tile_gets_a_camera_of_its_own() {
    const LARGER: f64 = 1.005;
    let mut made = Setup { columns: 3, rows: 3, overlap: 0.25, ..Setup::small() }.make();
    let tile = made.tiles[4].map(|t| t.0);
    let middle = Point::new(tile.columns() as f64 / 2.0, tile.rows() as f64 / 2.0);
    let kernel = Kernel::new(1.0);
    made.tiles[4] = Image::from_rows(tile.size(), Transmittance(0.0), |row, out| {
        for (column, t) in out.iter_mut().enumerate() {
            let at = middle + (Point::new(column as f64 + 0.5, row as f64 + 0.5) - middle) * (1.0 / LARGER);
            *t = Transmittance(kernel.sample(&tile, at));
        }
    });
    let all: Vec<usize> = (0..9).collect();
    let placement = place(&gather(&made, &all, |_| Some(1.0)), &nominal(&made), None).unwrap();
    let view = placement.tiles[4].view.unwrap();
    let mut worst = 0f64;
    for k in 0..60 * 45 {
        let mm = Point::new((k % 60) as f64 / 59.0 * 80.0, (k / 60) as f64 / 44.0 * 60.0);
        let put = middle + (made.views[4].to_capture(mm) - middle) * LARGER;
        let seen = put.x > 0.0 && put.y > 0.0 && put.x < 2.0 * middle.x && put.y < 2.0 * middle.y;
        worst = worst.max(if seen { view.to_capture(mm).distance(put) } else { 0.0 });
    }
    assert!(worst > 0.0 && worst < WORST_PX, "off by {worst} px");
    assert!(placement.tiles[4].ties > placement.tiles[4].set_aside, "{:?}", placement.tiles[4]);
    let others =
        Placement { tiles: placement.tiles.iter().filter(|t| t.name != "t4.jpg").cloned().collect(), ..placement };
    let (rms, worst) = misplacement(&made, &others);
    assert!(rms < RMS_PX && worst < WORST_PX, "{rms} {worst}");
}

#[test]
fn an_overlap_of_fifteen_per_cent_is_enough() {
    let setup = Setup { overlap: 0.15, jitter: (0.8, 0.05), columns: 2, plate: Plate::usual(), ..Setup::small() };
    let made = setup.make();
    assert_in_place(&made, &placed(&made));
}

/// Overlaps of 7 %, as wide as two patches: too narrow for the patches of reduced tiles, so the lens is known only from matched corners
/// until full-size patches answer, and the tiles of a side do not agree yet when its rim is looked for. A rim of two and a half pixels
/// under a blur of 0.8, or none.
#[test]
fn tiles_that_hardly_overlap_are_placed_whether_or_not_a_rim_hides_the_edge() {
    let size = Size::new(960, 1280);
    let setup = Setup { size, overlap: 0.07, jitter: (0.8, 0.05), columns: 2, ..Setup::small() };
    let px = 1.0 / setup.sampling();
    for plate in [Plate::usual(), Plate::usual().ground(2.5 * px, 0.8 * px)] {
        let made = Setup { plate, ..setup.clone() }.make();
        let placement = placed(&made);
        assert_in_place(&made, &placement);
        assert!(codes(&placement).contains(&"low-overlap"));
    }
}

/// Two pixels off to the left or up, or to the right or down, each in its own way, as tiles may be before all agree.
#[test]
fn a_ground_side_is_seen_in_each_tile_where_it_is_though_the_tiles_do_not_agree_yet() {
    /// What a station alone tells, by photon noise and the codes' steps: as single plates are promised (a quarter of a pixel) at the median.
    const MEDIAN_PX: f64 = 0.25;
    let size = Size::new(960, 1280);
    let setup = Setup { size, columns: 2, ..Setup::small() };
    let px = 1.0 / setup.sampling();
    let made = Setup { plate: Plate::usual().ground(2.5 * px, 0.8 * px), ..setup }.make();
    let off = |k: usize| Point::new([-2.0, 2.0, -1.5, 1.0][k], [1.5, -2.0, 1.0, -1.0][k]) * px;
    let apart = |(k, view): (usize, &View)| {
        let shift = Homography::similarity(1.0, 0.0, off(k));
        Some(View { plane: view.plane.after(&shift), ..*view })
    };
    let views: Vec<Option<View>> = made.views.iter().enumerate().map(apart).collect();
    let store = gather(&made, &[0, 1, 2, 3], |_| Some(1.0));
    let [w, h] = [made.setup.plate.width, made.setup.plate.height];
    let points = sides::find(&store, &views, [w, h], &[1.0; 4], 12.0).unwrap();
    for (tile, truth) in made.views.iter().enumerate() {
        for side in 0..4 {
            let of_both = points.iter().filter(|p| (p.tile, p.side) == (tile, side));
            let inwards = of_both.map(|p| {
                let mm = truth.to_plate(p.at);
                [mm.y, w - mm.x, h - mm.y, mm.x][side] / px
            });
            if let Some(median) = median(inwards.collect()) {
                assert!(median.abs() < MEDIAN_PX, "tile {tile}, side {side}: {median} px");
            }
        }
    }
    assert!(points.len() > 4 * sides::STATIONS * 9 / 10, "{} points", points.len());
}

#[test]
fn a_darker_tile_is_corrected_and_named_with_and_without_exif() {
    let mut made = Setup::small().make();
    made.tiles[4] = made.tiles[4].map(|t| Transmittance(0.8 * t.0));
    for stated in [Some(1.0), None] {
        let store = gather(&made, &[0, 1, 2, 3, 4, 5], |_| stated);
        let placement = place(&store, &nominal(&made), None).unwrap();
        assert_in_place(&made, &placement);
        let gains = placement.gains();
        assert!((gains[4] * 0.8 - 1.0).abs() < 0.005, "{gains:?}");
        assert!([0, 1, 2, 3, 5].iter().all(|k| (gains[*k] - 1.0).abs() < 0.005), "{gains:?}");
        let said: Vec<_> = placement.warnings.iter().filter(|w| w.code == "tile-exposure").collect();
        assert_eq!(said.len(), 1);
        assert!(said[0].message.starts_with("t4.jpg is 20 % darker"), "{}", said[0].message);
    }
}

#[test]
fn a_missing_tile_is_a_gap_with_its_place_and_comes_out_black() {
    let made = Setup { columns: 3, rows: 3, overlap: 0.25, ..Setup::small() }.make();
    let store = gather(&made, &[0, 1, 2, 3, 5, 6, 7, 8], |_| Some(1.0));
    let placement = place(&store, &nominal(&made), None).unwrap();
    let fault: Fault = placement.complete().unwrap_err();
    assert!(fault.what().starts_with("no tile shows"), "{fault}");
    assert_eq!(placement.gaps.len(), 1, "{:?}", placement.gaps);
    let [x, y, w, h] = placement.gaps[0];
    let middle = Point::new(x + w / 2.0, y + h / 2.0);
    assert!(middle.distance(Point::new(40.0, 30.0)) < 3.0, "{middle:?}");
    let (seen, _) = whole(&store, &placement);
    let at = |p: Point| seen.at((p.y * placement.sampling) as usize, (p.x * placement.sampling) as usize).0;
    assert_eq!(at(middle), 0.0);
}

#[test]
fn a_tile_of_another_plate_is_left_out_and_named() {
    let mut made = Setup::small().make();
    let other = Setup { plate: Plate::new(99), ..Setup::small() };
    made.tiles.push(other.tile(&made.views[4].clone(), 5));
    made.views.push(made.views[4]);
    let placement = placed(&made);
    assert!(placement.tiles[6].view.is_none());
    assert!(placement.warnings.iter().any(|w| w.code == "tile-left-out" && w.message.starts_with("t6.jpg")));
    assert_in_place(&made, &placement);
}

#[test]
fn tiles_that_show_nothing_in_common_are_a_fault() {
    let made = Setup { rows: 3, ..Setup::small() }.make();
    let fault = place(&gather(&made, &[0, 8], |_| None), &nominal(&made), None).unwrap_err();
    assert!(fault.what().contains("no two of the 2 tiles"), "{fault}");
}

#[test]
fn the_same_tile_twice_is_named_and_does_no_harm() {
    let mut made = Setup::small().make();
    made.tiles.push(made.tiles[2].clone());
    made.views.push(made.views[2]);
    let placement = placed(&made);
    assert_in_place(&made, &placement);
    let said: Vec<_> = placement.warnings.iter().filter(|w| w.code == "duplicate-tile").collect();
    assert!(said.len() == 1 && said[0].message.starts_with("t2.jpg and t6.jpg"), "{:?}", placement.warnings);
}

/// Specks fixed to the sensor, as a blank leaves them that was taken before they settled: a hundred in every tile at the same
/// places. They match each other perfectly at no shift, between all tiles.
#[test]
fn what_is_fixed_to_the_sensor_pulls_nothing() {
    let mut made = Setup::small().make();
    let clean = placed(&made);
    let (rows, columns) = (made.setup.size.rows, made.setup.size.columns);
    for tile in &mut made.tiles {
        for speck in 0..100usize {
            let (y, x) = (speck * 7919 % (rows - 8) + 4, speck * 104_729 % (columns - 8) + 4);
            for d in 0..49 {
                let (r, c) = (y + d / 7 - 3, x + d % 7 - 3);
                let distance = ((d / 7) as f32 - 3.0).hypot((d % 7) as f32 - 3.0);
                let shade = 1.0 - 0.35 * (-distance * distance / 4.0).exp();
                tile.set(r, c, Transmittance(tile.at(r, c).0 * shade));
            }
        }
    }
    let dusty = placed(&made);
    assert_in_place(&made, &dusty);
    assert!(!codes(&dusty).contains(&"duplicate-tile"));
    let (before, after) = (misplacement(&made, &clean).0, misplacement(&made, &dusty).0);
    assert!(after < before + 0.03, "{before} px clean, {after} px with specks");
}

/// Each tile's field is off by up to 1.5 % in its own way, as flat-fielding with one blank may leave it; the result must not show
/// where one tile ends.
#[test]
fn seams_leave_no_step_of_density_and_keep_sharpness() {
    let mut made = Setup::small().make();
    let (rows, columns) = (made.setup.size.rows as f32, made.setup.size.columns as f32);
    for (k, tile) in made.tiles.iter_mut().enumerate() {
        let (a, b) = (0.015 * (1.0 - (k % 3) as f32), 0.015 * (0.5 - (k % 2) as f32));
        *tile = Image::from_rows(tile.size(), Transmittance(0.0), |r, out| {
            for (c, t) in out.iter_mut().enumerate() {
                *t = Transmittance(
                    tile.at(r, c).0 * (1.0 + a * (c as f32 / columns - 0.5) + b * (r as f32 / rows - 0.5)),
                );
            }
        });
    }
    let store = gather(&made, &[0, 1, 2, 3, 4, 5], |_| Some(1.0));
    let placement = place(&store, &nominal(&made), None).unwrap();
    let (seen, _) = whole(&store, &placement);
    let errors = density_errors(&made, &seen, placement.sampling, 3.0);
    // Patches on the plate's own edge hold bare panel by a fraction of a pixel: inside only.
    let (mut worst, mut largest) = (0f64, 0f64);
    for r in 1..errors.rows() - 2 {
        for c in 1..errors.columns() - 2 {
            let e = errors.at(r, c);
            worst = worst.max((e - errors.at(r, c + 1)).abs()).max((e - errors.at(r + 1, c)).abs());
            largest = largest.max(e.abs());
        }
    }
    assert!(worst < 0.006, "a step of {worst}");
    assert!(largest < 0.010, "an error of {largest}");
    let kept = transfer(&made, &store, &placement, &seen);
    assert!((0.97..1.06).contains(&kept), "sharpness {kept}");
}

/// Share of the fine detail of the tiles' own pixels that the result keeps: differences of neighbours two pixels apart, both
/// taken where tile 4 is seen, the tile's rotated by its own slight turn alone.
fn transfer(made: &Made, store: &Store, placement: &Placement, seen: &Image<Transmittance>) -> f64 {
    let view = placement.tiles[4].view.unwrap();
    let tile = &made.tiles[4];
    let _ = store;
    let (mut ours, mut theirs) = (0.0, 0.0);
    for row in seen.rows() * 6 / 10..seen.rows() * 9 / 10 {
        for column in seen.columns() * 4 / 10..seen.columns() * 6 / 10 {
            let mm = Point::new(column as f64 + 0.5, row as f64 + 0.5) * (1.0 / placement.sampling);
            let p = view.to_capture(mm);
            let (c, r) = (p.x as usize, p.y as usize);
            ours += (seen.at(row, column + 2).0 - seen.at(row, column).0).powi(2) as f64;
            theirs += (tile.at(r, c + 2).0 - tile.at(r, c).0).powi(2) as f64;
        }
    }
    f64::sqrt(ours / theirs)
}

#[test]
fn threads_change_nothing() {
    let made = Setup { columns: 2, ..Setup::small() }.make();
    let once = |threads: usize| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
        pool.install(|| {
            let store = gather(&made, &[0, 1, 2, 3], |_| None);
            let placement = place(&store, &nominal(&made), None).unwrap();
            whole(&store, &placement).0
        })
    };
    assert_eq!(once(1), once(3));
}
