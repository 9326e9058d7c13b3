//! Lens shading as a phone measured it for each picture: how far a plate's and its blank's maps are apart.
//!
//! In: the [`GainMap`]s of two raw frames. Out: the largest difference in density, a common factor apart. Samples are stored as the sensor saw them,
//! and neither frame's map is applied, so that this is no error: it is what a program that applies them would make of the same light.

use crate::frame::GainMap;

/// None where one of the frames has no maps, or they are not laid out alike.
pub fn differ(blank: &[GainMap], capture: &[GainMap]) -> Option<f64> {
    let alike = |(a, b): (&GainMap, &GainMap)| {
        let laid = |m: &GainMap| (m.area, m.pitch, m.plane, m.planes, m.points, m.map_planes, m.gains.len());
        laid(a) == laid(b)
    };
    if blank.is_empty() || blank.len() != capture.len() || !blank.iter().zip(capture).all(alike) {
        return None;
    }
    let gains = |maps: &[GainMap]| maps.iter().flat_map(|m| m.gains.clone()).map(f64::from).collect::<Vec<_>>();
    let mut logs: Vec<f64> =
        gains(blank).iter().zip(gains(capture)).map(|(a, b)| (b / a).log10()).filter(|l| l.is_finite()).collect();
    logs.sort_by(f64::total_cmp);
    let (least, middle, most) = (logs.first()?, logs[logs.len() / 2], logs.last()?);
    Some((middle - least).max(most - middle))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::image::{Size, Window};

    fn map(gains: [f32; 4]) -> GainMap {
        let area = Window { row: 0, column: 0, size: Size::new(20, 30) };
        let (points, gains) = (Size::new(2, 2), gains.to_vec());
        GainMap {
            area,
            pitch: [2, 2],
            plane: 0,
            planes: 1,
            points,
            origin: [0.0; 2],
            spacing: [1.0; 2],
            map_planes: 1,
            gains,
        }
    }

    /// Closed form: one corner a tenth brighter is log10 1.1 = 0.0414; a common factor is none.
    #[test]
    fn one_corner_brighter_is_told_as_density() {
        let (blank, twice) = (map([1.0, 1.5, 1.5, 2.0]), map([2.0, 3.0, 3.0, 4.0]));
        assert!(differ(std::slice::from_ref(&blank), &[twice]).unwrap() < 1e-6);
        let off = differ(std::slice::from_ref(&blank), &[map([1.0, 1.5, 1.5, 2.2])]).unwrap();
        assert!((off - 1.1f64.log10()).abs() < 1e-6, "{off}");
        let maps = [blank];
        assert_eq!((differ(&[], &maps), differ(&maps, &[])), (None, None));
    }
}
