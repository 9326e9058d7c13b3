//! How sharp a capture is, told by the plate's own sides: glass is cut straight, and ends at once.
//!
//! In: transmittance in the sensor's coordinates and the plate's [`Outline`]. Out: [`Sharpness`], and the warnings that follow from it. A
//! side that is chipped, covered or too near the frame's border tells nothing. Never fails.
//! Each side is measured in short parts ([`edge_spread`]), of which the middle one counts: chips and a bend that the lens left do no harm.
//! Where the edge is a dark line narrower than the blur, the spread found is up to a third too small (1.69 instead of 2.56 σ), never too large.

use super::edge_spread::{self, BIN, Flank};
use super::region::SIDES;
use super::{CONFIDENT, Outline};
use crate::error::Warning;
use crate::geometry::{Point, lie};
use crate::image::Image;
use crate::units::Transmittance;
use rayon::prelude::*;

/// Parts of a side, and the share of the side left out at either end.
const PARTS: usize = 16;
const CORNER: f64 = 0.04;
/// Fewest parts that speak for a side.
const FEWEST: usize = 4;
/// Parts of a side that count as close to its corner.
const AT_CORNER: usize = 3;
/// A Gaussian's rise from 10 to 90 % in its standard deviations.
const RISE: f64 = 2.563;
/// Rise from 10 to 90 %, in pixels, beyond which a capture is blurred. A Gaussian's response falls to a tenth at
/// 0.342 / σ cycles a pixel: at 4 pixels that is 0.22, 44 % of half sampling, where guidelines ask for 60 % at the least.
const BLURRED: f64 = 4.0;
/// How many times wider one pair of sides, or one side, must be than the other before the cause is told from it.
const WIDER: f64 = 1.5;
/// Distances at which an edge seen twice is looked for, in pixels: nearer ones melt into one, further ones may be rebate and picture.
const APART: std::ops::RangeInclusive<f64> = 3.5..=16.0;
/// Rise of light beside the plate above the bare panel's, as a share, from which on it is sharpening. Nothing before a panel is brighter than
/// the panel (radiance is conserved), and no lens makes it so (a point's image is nowhere negative).
const SHARPENED: f64 = 0.02;

/// What the plate's sides show. Sides in the order top, right, bottom, left as the sensor saw them.
#[derive(Debug, Clone, PartialEq)]
pub struct Sharpness {
    /// Rise from 10 to 90 % across each side, in pixels.
    pub spread_px: [Option<f64>; 4],
    /// The same of the two sides that meet each one, where they come near to it.
    pub near_px: [Option<f64>; 4],
    /// The same of both sides close to the corners top-left, top-right, bottom-right and bottom-left.
    pub corners_px: [Option<f64>; 4],
    /// The same of all sides' middle thirds.
    pub middles_px: Option<f64>,
    /// How far apart each side is seen twice, in pixels, where the picture inside is seen twice as well.
    pub doubled_px: [Option<f64>; 4],
    /// Rise from 10 to 90 % by the blur alone, in pixels, where a ground rim melts into the sides and spreads them further.
    pub under_the_rim_px: Option<f64>,
    /// How far light rises beside the sides above the bare panel's own, as a share of it; none where no bare panel lies there.
    pub overshoot: Option<f64>,
}

/// What a part of a side shows.
struct Part {
    spread: f64,
    doubled: Option<f64>,
    overshoot: Option<f64>,
}

pub fn measure(seen: &Image<Transmittance>, outline: &Outline) -> Sharpness {
    let sides: Vec<Vec<(usize, Part)>> = (0..4)
        .into_par_iter()
        .map(|side| {
            let end = |k: usize| along(outline, side, CORNER + (1.0 - 2.0 * CORNER) * k as f64 / PARTS as f64);
            (0..PARTS).filter_map(|k| Some((k, part(&edge_spread::across(seen, [end(k), end(k + 1)])?)?))).collect()
        })
        .collect();
    let of = |side: usize, what: fn(&Part) -> Option<f64>, fewest: usize| {
        median(sides[side].iter().filter_map(|(_, p)| what(p)).collect(), fewest)
    };
    // Where one side ends and another begins.
    let ends = |before: usize, after: usize, parts: usize| {
        let last = sides[before % 4].iter().filter(|(k, _)| *k >= PARTS - parts);
        let first = sides[after % 4].iter().filter(|(k, _)| *k < parts);
        median(last.chain(first).map(|(_, p)| p.spread).collect(), FEWEST)
    };
    let middles = sides.iter().flatten().filter(|(k, _)| (PARTS / 3..PARTS - PARTS / 3).contains(k));
    let doubled = std::array::from_fn(|side| of(side, |p| p.doubled, FEWEST.max(sides[side].len() / 2)));
    Sharpness {
        spread_px: std::array::from_fn(|side| of(side, |p| Some(p.spread), FEWEST)),
        near_px: std::array::from_fn(|side| ends(side + 3, side + 1, PARTS / 4)),
        corners_px: std::array::from_fn(|side| ends(side + 3, side, AT_CORNER)),
        middles_px: median(middles.map(|(_, p)| p.spread).collect(), FEWEST),
        under_the_rim_px: outline.rim_blur.map(|deviation| RISE * deviation),
        doubled_px: if picture_repeats(seen, outline, &doubled) { doubled } else { [None; 4] },
        overshoot: median(sides.iter().flatten().filter_map(|(_, p)| p.overshoot).collect(), PARTS),
    }
}

/// A place on a side, clockwise round the plate; `share` of the side's length from its beginning. Where the outline is not sure, which motion
/// may have caused, by the coarse sides that it began with.
fn along(outline: &Outline, side: usize, share: f64) -> Point {
    match &outline.region {
        Some(region) if outline.confidence < CONFIDENT => {
            let coarse = &region.sides[side];
            let share = if side < 2 { share } else { 1.0 - share };
            coarse.at(coarse.from + (coarse.to - coarse.from) * share).0
        }
        _ => {
            let corners = lie::corners(outline.size_mm);
            let (a, b) = (corners[side], corners[(side + 1) % 4]);
            outline.view.to_capture(a + (b - a) * share)
        }
    }
}

/// The middle value, where there are at least `fewest`.
fn median(values: Vec<f64>, fewest: usize) -> Option<f64> {
    if values.len() < fewest { None } else { crate::median::median(values) }
}

/// Widest dark line at a glass edge, in bins.
const DARK_LINE: usize = (8.0 / BIN) as usize;

/// By the flank nearest to where the outline lies, or, if light rises there out of a dark line, by the one that falls into it.
fn part(line: &[f64]) -> Option<Part> {
    let flanks = edge_spread::flanks(line);
    let off = |k: &usize| flanks[*k].middle.abs();
    let nearest = (0..flanks.len()).min_by(|a, b| off(a).total_cmp(&off(b)))?;
    let falls = |k: &usize| flanks[*k].height < 0.0 && flanks[nearest].from <= flanks[*k].to + DARK_LINE;
    let at = nearest.checked_sub(1).filter(|_| flanks[nearest].height > 0.0).filter(falls).unwrap_or(nearest);
    let side = &flanks[at];
    Some(Part { spread: side.spread, doubled: doubled(side, &flanks), overshoot: overshoot(line, &flanks[..at], side) })
}

/// How far off the nearest flank lies that could be the same edge again.
fn doubled(side: &Flank, flanks: &[Flank]) -> Option<f64> {
    let again = |f: &&Flank| (0.5..=2.0).contains(&(f.height / side.height));
    let apart = flanks.iter().filter(again).map(|f| (f.middle - side.middle).abs());
    apart.filter(|d| APART.contains(d)).min_by(f64::total_cmp)
}

/// How far light rises just outside a flank above what it is further out; `before`: the flanks that lie further out. What is brighter than
/// what lies inside is bare panel; beside a mask there is none, unless that leaves a strip of six pixels.
fn overshoot(line: &[f64], before: &[Flank], side: &Flank) -> Option<f64> {
    const PIXEL: usize = (1.0 / BIN) as usize;
    const NEAR: usize = 6 * PIXEL;
    // A flank that ends nearer is the rise itself.
    let begins = before.iter().rev().map(|f| f.to).find(|to| to + NEAR <= side.from).unwrap_or(0);
    let width = side.from.checked_sub(begins).filter(|width| *width >= NEAR)?;
    let near = NEAR.min(width / 3);
    let level = median(line[begins + near..side.from - near].to_vec(), 1)?;
    let is_panel = side.height < 0.0 && median(line[side.to..].to_vec(), 1)? < level;
    let rim = line[side.from - near..side.from + PIXEL].windows(PIXEL);
    let brightest = rim.map(|w| w.iter().sum::<f64>() / PIXEL as f64).fold(f64::MIN, f64::max);
    is_panel.then_some(brightest / level - 1.0)
}

/// Whether the picture comes again as far off as the sides do: ground glass may end in two lines, its picture does not. The light's own
/// change along one axis is correlated with itself at that distance, and two pixels nearer and further: only what is seen twice stands out.
fn picture_repeats(seen: &Image<Transmittance>, outline: &Outline, doubled: &[Option<f64>; 4]) -> bool {
    /// Two images alike correlate by half of what is fine in the picture, which may be little beside what is soft. Chance is 1 / √51 200.
    const STANDS_OUT: f64 = 0.03;
    let Some((right, down)) = lag(doubled) else { return false };
    let [w, h] = outline.size_mm;
    let place = |k: usize| (k as f64 + 0.5) / 100.0;
    let inside = (10..90).flat_map(|i| (10..90).map(move |k| Point::new(place(i) * w, place(k) * h)));
    // Short runs along the rows, spread over the plate.
    let places: Vec<(isize, isize)> = inside
        .map(|mm| outline.view.to_capture(mm))
        .flat_map(|p| (0..8).map(move |k| (p.y as isize, p.x as isize + k)))
        .collect();
    let light = |row: isize, column: isize| {
        let there = row >= 0 && column >= 0 && row < seen.rows() as isize && column < seen.columns() as isize;
        if there { seen.at(row as usize, column as usize).0 as f64 } else { 0.0 }
    };
    // Row and column for so many pixels along the axis of the greater shift, and across it.
    let level = right >= down;
    let step = |along: isize, across: isize| if level { (across, along) } else { (along, across) };
    let change = |(r, c): (isize, isize)| {
        let (down, right) = step(1, 0);
        light(r + down, c + right) - light(r - down, c - right)
    };
    let own: Vec<f64> = places.iter().map(|p| change(*p)).collect();
    let (far, aside) = if level { (right, down) } else { (down, right) };
    let (far, aside) = (far.round() as isize, aside.round() as isize);
    // A shift aside by less than can be told from the sides is looked for, either way.
    let asides: Vec<isize> = (-2..=2).flat_map(|k| [aside + k, -aside + k]).collect();
    let alike = |far: isize| {
        let at = |aside: &isize| {
            let (down, right) = step(far, *aside);
            places.iter().zip(&own).map(|((r, c), own)| own * change((r + down, c + right))).sum::<f64>()
        };
        asides.iter().map(at).fold(f64::MIN, f64::max) / own.iter().map(|c| c * c).sum::<f64>()
    };
    alike(far) > alike(far - 2).max(alike(far + 2)) + STANDS_OUT
}

/// How far right and down the second image lies: opposite sides must agree to a pixel. None where no pair does.
fn lag(doubled: &[Option<f64>; 4]) -> Option<(f64, f64)> {
    let pair = |a: usize| match (doubled[a], doubled[(a + 2) % 4]) {
        (Some(a), Some(b)) if (a - b).abs() <= 1.0 => (a + b) / 2.0,
        _ => 0.0,
    };
    let (right, down) = (pair(1), pair(0));
    (right.max(down) > 0.0).then_some((right, down))
}

impl Sharpness {
    /// The spreads, where all four sides tell theirs.
    pub fn all_sides(&self) -> Option<[f64; 4]> {
        let [top, right, bottom, left] = self.spread_px;
        Some([top?, right?, bottom?, left?])
    }

    /// What is to be said of it.
    pub fn warnings(&self) -> Vec<Warning> {
        let sharpened = self.overshoot.filter(|share| *share > SHARPENED).map(|share| {
            Warning::new(
                "sharpened",
                format!(
                    "beside the plate's sides light rises {:.0} % above the bare panel's own, which no lens does: the camera sharpened the \
                     capture, and densities beside edges are wrong; switch sharpening off, or use raw",
                    100.0 * share
                ),
            )
        });
        self.blur().into_iter().chain(sharpened).collect()
    }

    /// Motion or blur, whichever the sides tell.
    pub fn blur(&self) -> Option<Warning> {
        self.moved().or_else(|| self.corners()).or_else(|| self.unfocused()).or_else(|| self.one_side())
    }

    /// Means of the level and of the upright sides, where both of a pair are seen.
    fn pairs(&self) -> [Option<f64>; 2] {
        let [top, right, bottom, left] = self.spread_px;
        [(top, bottom), (left, right)].map(|(a, b)| Some((a? + b?) / 2.0))
    }

    /// Motion spreads or doubles the sides across its way alone, and opposite sides alike; what falls off towards a pair of sides spreads the
    /// others' ends as well.
    fn moved(&self) -> Option<Warning> {
        const MEND: &str =
            "the camera or the plate moved while this was exposed; use a stand and the self-timer, and copy it again";
        let warning = |what: String| Some(Warning::new("camera-moved", format!("{what}: {MEND}")));
        if let Some((right, down)) = lag(&self.doubled_px) {
            return warning(format!("the plate is seen twice, {:.1} pixels apart", right.hypot(down)));
        }
        let [level, upright] = self.pairs();
        let (level, upright) = (level?, upright?);
        let (wide, narrow, names) = if upright > level {
            (upright, level, ["upright", "level"])
        } else {
            (level, upright, ["level", "upright"])
        };
        let pair = if upright > level { [1, 3] } else { [0, 2] };
        let apart = |wide: f64, side: usize| wide > WIDER * self.near_px[side].unwrap_or(narrow).max(narrow);
        let both = pair.iter().all(|side| self.spread_px[*side].is_some_and(|wide| apart(wide, *side)));
        if wide <= BLURRED || !both {
            return None;
        }
        warning(format!(
            "the plate's {} sides spread over {wide:.1} pixels (10 to 90 %), its {} ones over {narrow:.1}",
            names[0], names[1]
        ))
    }

    fn unfocused(&self) -> Option<Warning> {
        let seen: Vec<f64> = self.spread_px.iter().flatten().copied().collect();
        let least = seen.iter().copied().fold(f64::INFINITY, f64::min);
        let spread = seen.iter().sum::<f64>() / seen.len() as f64;
        // A rim and blur together spread further than blur alone.
        let spread = self.under_the_rim_px.map_or(spread, |blur| spread.min(blur));
        (!seen.is_empty() && spread > BLURRED && least > BLURRED / WIDER).then(|| {
            Warning::new(
                "blurred",
                format!(
                    "the plate's sides spread over {spread:.1} pixels (10 to 90 %), and over more than {BLURRED:.0} a capture holds less than \
                     half of the detail that its pixels could: focus on the emulsion, stop the lens down, and copy it again (sides \
                     that were ground round read alike)"
                ),
            )
        })
    }

    /// Focus that falls off towards all four corners, as no tilt makes it.
    fn corners(&self) -> Option<Warning> {
        let [a, b, c, d] = self.corners_px;
        let (corners, middle) = ([a?, b?, c?, d?], self.middles_px?);
        corners.iter().all(|wide| *wide > BLURRED.max(WIDER * middle)).then(|| {
            let wide = corners.iter().sum::<f64>() / 4.0;
            Warning::new(
                "blurred",
                format!(
                    "the plate's corners spread over {wide:.1} pixels (10 to 90 %), the middles of its sides over {middle:.1}: the lens's \
                     field is curved; stop it down, or step back so that the plate lies nearer the middle of the frame, and copy it again"
                ),
            )
        })
    }

    /// Focus that falls off towards one side, and so along the two that meet it. One that alone is wide has a ground rim.
    fn one_side(&self) -> Option<Warning> {
        (0..4).find_map(|side| {
            let (wide, other) = (self.spread_px[side]?, self.spread_px[(side + 2) % 4]?);
            let rim = self.near_px[side].is_some_and(|near| wide > WIDER * near);
            (wide > BLURRED && wide > WIDER * other && !rim).then(|| {
                Warning::new(
                    "blurred",
                    format!(
                        "the plate's {} side as the camera saw it spreads over {wide:.1} pixels (10 to 90 %), the opposite one over \
                         {other:.1}: focus falls off towards it; level the camera, lay the plate flat, or stop the lens down",
                        SIDES[side]
                    ),
                )
            })
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::image::Size;
    use crate::notes::PlateSize;

    fn sides(spread: [f64; 4]) -> Sharpness {
        Sharpness {
            spread_px: spread.map(Some),
            near_px: [None; 4],
            corners_px: [None; 4],
            middles_px: None,
            under_the_rim_px: None,
            doubled_px: [None; 4],
            overshoot: Some(0.003),
        }
    }

    fn codes(sharpness: &Sharpness) -> Vec<String> {
        sharpness.warnings().into_iter().map(|w| w.code).collect()
    }

    #[test]
    fn each_pattern_of_spreads_has_its_cause() {
        assert!(codes(&sides([2.1, 2.3, 2.0, 2.4])).is_empty());
        assert!(codes(&sides([2.1, 3.9, 2.0, 3.8])).is_empty());
        assert_eq!(codes(&sides([7.4, 7.9, 7.7, 7.5])), ["blurred"]);
        assert_eq!(codes(&sides([2.1, 12.0, 2.0, 12.3])), ["camera-moved"]);
        let falls_off = sides([2.1, 2.9, 3.0, 5.8]).warnings();
        assert!(falls_off[0].code == "blurred" && falls_off[0].message.contains("left side"), "{falls_off:?}");
        let rim = Sharpness { near_px: [Some(2.2); 4], ..sides([2.1, 2.9, 3.0, 5.8]) };
        assert!(codes(&rim).is_empty());
        let melted = Sharpness { under_the_rim_px: Some(2.3), ..sides([4.1, 4.3, 4.2, 4.4]) };
        assert!(codes(&melted).is_empty());
        let twice = Sharpness { doubled_px: [None, Some(6.1), None, Some(5.9)], ..sides([2.0; 4]) };
        assert!(twice.warnings()[0].message.contains("6.0 pixels apart"), "{:?}", twice.warnings());
        let curved = Sharpness { corners_px: [Some(5.2); 4], middles_px: Some(2.4), ..sides([2.6; 4]) };
        assert!(curved.warnings()[0].message.contains("field is curved"), "{:?}", curved.warnings());
        let tilted = Sharpness { corners_px: [Some(5.2), Some(5.2), Some(2.4), Some(2.4)], ..curved };
        assert!(codes(&tilted).is_empty());
        let sharpened = Sharpness { overshoot: Some(0.06), ..sides([1.4; 4]) };
        assert_eq!(codes(&sharpened), ["sharpened"]);
    }

    /// Also where a black mask leaves a strip of bare panel of 14 pixels.
    #[test]
    fn a_strip_of_bare_panel_tells_sharpening_too() {
        let step = |x: f64, sigma: f64| 1.0 / (1.0 + (-1.702 * x / sigma).exp());
        let masked = |x: f64, sigma: f64| step(x + 14.0, sigma) - 0.3 * step(x, sigma);
        let rise = |by: f64| {
            let light = |x: f64| (1.0 + by) * masked(x, 0.8) - by * masked(x, 2.0);
            let bins = 0..(2.0 * edge_spread::REACH / BIN) as usize;
            part(&bins.map(|i| light(edge_spread::distance(i as f64))).collect::<Vec<f64>>()).unwrap().overshoot
        };
        assert!(rise(0.0).is_none_or(|share| share.abs() < 2e-3), "{:?}", rise(0.0));
        assert!(rise(1.0).is_some_and(|share| share > 0.03), "{:?}", rise(1.0));
    }

    /// A step that unsharp masking of strength 1 overshoots: what is added is the step less its blur, at most half of it, here of height 0.3.
    #[test]
    fn light_above_the_bare_panel_is_measured() {
        let step = |x: f64, sigma: f64| 1.0 / (1.0 + (-1.702 * x / sigma).exp());
        let made = |by: f64| -> Vec<f64> {
            let light = |x: f64| 1.0 - 0.3 * ((1.0 + by) * step(x, 0.8) - by * step(x, 2.0));
            (0..(2.0 * edge_spread::REACH / BIN) as usize).map(|i| light(edge_spread::distance(i as f64))).collect()
        };
        let rise = |by: f64| part(&made(by)).unwrap().overshoot.unwrap();
        assert!(rise(0.0).abs() < 1e-3, "{}", rise(0.0));
        let most = made(1.0).into_iter().fold(0.0, f64::max) - 1.0;
        assert!(most > 0.03 && (rise(1.0) - most).abs() < 0.003, "{} for {most}", rise(1.0));
    }

    /// A plate whose edges are steps of a known width, nearly a Gaussian's, which grows from the frame's middle towards its corners.
    #[test]
    fn a_curved_field_is_told_by_the_corners() {
        let seen = |curved: f64| {
            let size = Size::new(1000, 1300);
            let image = Image::from_rows(size, Transmittance(0.0), |row, out| {
                for (column, t) in out.iter_mut().enumerate() {
                    let (x, y) = (column as f64 + 0.5 - 650.0, row as f64 + 0.5 - 500.0);
                    // 10 to 90 % is 2.56 deviations; the corners lie 687 pixels from the middle, the sides' own 550 and 412.
                    let sigma = 0.9 + curved * (x.hypot(y) / 687.0).powi(8);
                    let inside = [x + 550.0, 550.0 - x, y + 412.0, 412.0 - y];
                    let glass: f64 = inside.iter().map(|d| 1.0 / (1.0 + (-1.702 * d / sigma).exp())).product();
                    *t = Transmittance((1.0 - 0.7 * glass) as f32);
                }
            });
            let plate = PlateSize { name: "165x123.6mm".into(), short_mm: 123.6, long_mm: 165.0 };
            let outline = crate::plate::find(&image, &plate, None).unwrap();
            measure(&image, &outline)
        };
        assert!(seen(0.0).blur().is_none(), "{:?}", seen(0.0));
        let curved = seen(4.0);
        let said = curved.blur().unwrap_or_else(|| panic!("{curved:?}"));
        assert!(said.message.contains("field is curved"), "{}", said.message);
    }
}
