//! A black card smaller than the view, bare panel beyond it: its outer edge is as straight as a plate's, and may have a plate's proportions.
//!
//! In: transmittance by cells and the part of them that may be a card; later the outlines of that part and of what lies inside. Out: the
//! card's level; the plate's outline. A plate may be as black all along its sides, too: with no rebate and a dense picture, or bound in tape.
//! So what is black all along is never taken for the plate. Fails where nothing inside is surely one, either.

use super::outline::{CONFIDENT, EVEN, Outline, UNEVEN, along_the_sides, begins_evenly};
use super::region::{BARE, dark, rim};
use crate::error::Fault;
use crate::image::Image;
use crate::units::Transmittance;

/// Share of bare light below which a rim may be card: card passes none, a veil of a few per cent of glare lies on it. Higher takes more
/// dense plates without a rebate for card.
const BLACK: f32 = 0.02;
/// Share of the rim that must be as black: less than three sides and a half of any plate.
const ALL_ALONG: f64 = 0.95;

/// Transmittance of a part's rim where it is as black as card all along.
pub fn level(small: &Image<f32>, part: &Image<bool>, bare: f32) -> Option<f32> {
    let mut seen: Vec<f32> = rim(&part.map(|inside| !inside)).into_iter().map(|(r, c)| small.at(r, c)).collect();
    if seen.is_empty() {
        return None;
    }
    let middle = seen.len() / 2;
    let level = *seen.select_nth_unstable_by(middle, f32::total_cmp).1;
    let black = seen.iter().filter(|t| **t < dark(level)).count() as f64;
    (level < BLACK * bare && black >= ALL_ALONG * seen.len() as f64).then_some(level)
}

/// What is found inside a card, where it is surely the plate: its sides are sharp, and bare panel lies between it and the card, or the
/// notes' proportions are its own, or it begins with a rebate and is no worse in proportion than the card, or it is in proportion where no
/// black band of the plate's own would have left it so.
pub fn plate_in(seen: &Image<Transmittance>, card: &Outline, inside: Outline) -> Result<Outline, Fault> {
    /// Root mean square in pixels up to which sides are cut glass; a picture that pales towards its edges has them by chance.
    const SHARP: f64 = 1.0;
    let is_sharp = inside.confidence >= CONFIDENT && inside.rms_px < SHARP;
    let (off, card_off) = (inside.ratio_off.abs(), card.ratio_off.abs());
    let is_plate = lies_on_bare_panel(seen, &inside)
        || card.confidence < CONFIDENT
        || off + UNEVEN < card_off
        || off < card_off + EVEN && begins_evenly(seen, &inside)
        || off < EVEN && band_off(card, &inside) > UNEVEN;
    if is_sharp && is_plate { Ok(inside) } else { Err(fault()) }
}

/// How far the window's proportions would be off, as a logarithm like [`Outline::ratio_off`], if what is black round it were a band as
/// wide all along the sides of one plate, like tape: the more oblong the plate and the wider the band, the further.
fn band_off(plate: &Outline, window: &Outline) -> f64 {
    let [width, height] = plate.size_mm;
    let area = |outline: &Outline| {
        let c = outline.corners_px;
        (0..4).map(|k| c[k].x * c[(k + 1) % 4].y - c[k].y * c[(k + 1) % 4].x).sum::<f64>() / 2.0
    };
    // (width - 2 band) (height - 2 band) = share of the area
    let covered = width * height * (1.0 - area(window) / area(plate));
    let half = (width + height) / 2.0;
    let twice = half - (half * half - covered).max(0.0).sqrt();
    ((width - twice) / (height - twice) * height / width).ln().abs()
}

/// Whether most of what lies just outside an outline passes more light than glass does.
fn lies_on_bare_panel(seen: &Image<Transmittance>, outline: &Outline) -> bool {
    const BEFORE_MM: f64 = 0.7;
    let bare = f64::from(BARE * outline.region.as_ref().and_then(|region| region.bare).unwrap_or(1.0));
    let beside = along_the_sides(seen, outline, -BEFORE_MM);
    2 * beside.iter().filter(|t| **t > bare).count() > beside.len()
}

pub fn fault() -> Fault {
    Fault::new(
        "what is seen on the bare panel is as black as card all along its sides, and nothing inside it is surely the plate",
        "cover the panel with black card out to the frame's border, or leave a strip of bare panel all round the plate, or give corners_px",
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::{Homography, Lens, Point, View, lie};
    use crate::image::Size;
    use crate::notes::PlateSize;
    use crate::plate::find;

    const FRAME: Size = Size { rows: 900, columns: 1200 };
    const SIZE_MM: [f64; 2] = [165.1, 120.65];

    fn half_plate() -> PlateSize {
        PlateSize { name: "4.75x6.5in".into(), short_mm: 120.65, long_mm: 165.1 }
    }

    /// The plate a little turned in the middle of the frame.
    fn view() -> View {
        let turned = Homography::similarity(4.6, 0.03, Point::new(0.0, 0.0));
        let middle = turned.apply(Point::new(SIZE_MM[0] / 2.0, SIZE_MM[1] / 2.0));
        let plane = Homography::similarity(4.6, 0.03, Point::new(603.0, 446.0) - middle);
        View { plane, lens: Lens::straight(FRAME.columns, FRAME.rows) }
    }

    /// A capture of what lies at each place, in the plate's millimetres; each pixel the mean of 3 × 3 points.
    fn capture(lies: impl Fn(Point) -> f32 + Sync) -> Image<Transmittance> {
        const N: usize = 3;
        let view = view();
        Image::from_rows(FRAME, Transmittance(0.0), |row, out| {
            for (column, t) in out.iter_mut().enumerate() {
                let part = |i: usize| (i as f64 + 0.5) / N as f64;
                let points = (0..N * N).map(|i| Point::new(column as f64 + part(i % N), row as f64 + part(i / N)));
                *t = Transmittance(points.map(|p| lies(view.to_plate(p))).sum::<f32>() / (N * N) as f32);
            }
        })
    }

    /// How far inside the plate a place lies, in millimetres; negative outside.
    fn inset(p: Point) -> f64 {
        p.x.min(p.y).min(SIZE_MM[0] - p.x).min(SIZE_MM[1] - p.y)
    }

    /// Whether a place lies on a rectangle that is so much wider and higher than the plate and shares its middle.
    fn on(p: Point, wider_mm: f64, higher_mm: f64) -> bool {
        let [w, h] = SIZE_MM;
        (p.x - w / 2.0).abs() < (w + wider_mm) / 2.0 && (p.y - h / 2.0).abs() < (h + higher_mm) / 2.0
    }

    fn picture(p: Point) -> f32 {
        0.3 + 0.25 * ((p.x * 0.7).sin() * (p.y * 0.5).cos()) as f32
    }

    fn negative(p: Point, rebate_mm: f64) -> f32 {
        if inset(p) < rebate_mm { 0.74 } else { picture(p) }
    }

    fn assert_found(seen: &Image<Transmittance>, what: &str) {
        let outline = find(seen, &half_plate(), None).unwrap_or_else(|fault| panic!("{what}: {fault}"));
        let truth = lie::corners(SIZE_MM).map(|c| view().to_capture(c));
        for (corner, truth) in outline.corners_px.iter().zip(truth) {
            assert!(corner.distance(truth) < 1.0, "{what}: {corner:?} for {truth:?}");
        }
        assert!(outline.confidence > 0.9, "{what}: {}", outline.confidence);
    }

    /// Cards of the plate's own proportions, of others, and under a veil of glare; the plate touches the card or lies on a strip of panel.
    #[test]
    fn a_plate_is_found_in_the_window_of_a_card_that_ends_inside_the_frame() {
        let in_proportion = (0.25 * SIZE_MM[0], 0.25 * SIZE_MM[1]);
        for (wider, higher) in [in_proportion, (43.0, 25.0), (30.0, 30.0)] {
            for (gap, rebate, veil) in
                [(0.0, 3.0, 0.0), (2.0, 3.0, 0.0), (2.0, 0.0, 0.0), (0.0, 3.0, 0.012), (2.0, 3.0, 0.012)]
            {
                let seen = capture(|p| match inset(p) {
                    d if d >= 0.0 => negative(p, rebate) * (1.0 - veil) + veil,
                    d if d > -gap || !on(p, wider, higher) => 1.0,
                    _ => veil,
                });
                assert_found(
                    &seen,
                    &format!("card {wider} by {higher} mm wider, gap {gap} mm, rebate {rebate} mm, veil {veil}"),
                );
            }
        }
    }

    /// Without a rebate, a card that the plate touches is told by proportions alone. A card and its window both of a half plate's are no half
    /// plate bound in tape: tape leaves a window more oblong than the plate. A narrow card is not told from tape.
    #[test]
    fn a_card_that_touches_a_picture_without_a_rebate_is_told_by_its_proportions() {
        let card = |wider, higher| {
            capture(move |p| match inset(p) {
                d if d >= 0.0 => picture(p),
                _ if on(p, wider, higher) => 0.0005,
                _ => 1.0,
            })
        };
        let refused = find(&card(0.03 * SIZE_MM[0], 0.03 * SIZE_MM[1]), &half_plate(), None).unwrap_err();
        assert!(refused.to_string().contains("black as card"), "{refused}");
        assert_found(&card(0.25 * SIZE_MM[0], 0.25 * SIZE_MM[1]), "a card of the plate's proportions");
        assert_found(&card(30.0, 30.0), "a card as wide on every side");
    }

    /// Dense sky over one, two and three sides of a plate on bare panel, and a dense picture without any rebate that pales all round.
    #[test]
    fn a_dense_plate_on_bare_panel_is_never_cropped_to_what_is_lighter_in_it() {
        let [w, _] = SIZE_MM;
        type Sky = fn(Point) -> bool;
        let skies: [Sky; 3] =
            [|p| p.y < 60.0, |p| p.y < 60.0 || p.x < 30.0, |p| p.y < 60.0 || p.x < 30.0 || p.x > 135.0];
        for sky in skies {
            let seen = capture(|p| match inset(p) {
                d if d < 0.0 => 1.0,
                _ if sky(p) => 0.001,
                _ => negative(p, 3.0),
            });
            assert_found(&seen, "dense sky");
        }
        for soft_mm in [1.0, 3.0, 8.0, 20.0] {
            for black in [0.001, 0.01, 0.03, 0.05] {
                let seen = capture(|p| match inset(p) {
                    d if d < 0.0 => 1.0,
                    d => black + (picture(p) - black).max(0.0) * ((d - 15.0) / soft_mm).clamp(0.0, 1.0) as f32,
                });
                let found = find(&seen, &half_plate(), None);
                let left = found
                    .map_or(0.0, |outline| outline.corners_px[0].distance(view().to_capture(Point::new(0.0, 0.0))));
                assert!(left < 1.0, "black {black}, paling over {soft_mm} mm of {w}: off by {left}");
            }
        }
    }

    /// Black tape over the edges leaves a window that begins with an even rebate; the plate's own sides are in the notes' proportions.
    #[test]
    fn a_plate_bound_in_tape_is_not_cropped_to_the_tapes_window() {
        for tape in [1.5, 2.5, 5.0, 10.0] {
            let seen = capture(|p| match inset(p) {
                d if d < 0.0 => 1.0,
                d if d < tape => 0.0005,
                _ => negative(p, tape + 3.0),
            });
            // Narrow tape may pass for a rim that the glass itself has; the plate is then found by its own sides.
            let left = find(&seen, &half_plate(), None)
                .map_or(0.0, |outline| outline.corners_px[0].distance(view().to_capture(Point::new(0.0, 0.0))));
            assert!(left < 1.0, "tape of {tape} mm: off by {left}");
        }
    }
}
