//! A plate's two TIFFs, with everything that is known of the plate inside.
//!
//! In: pixels and the plate's record. Out: the file, read back and compared before it has its name, and its digest. Fails as the
//! disk does, and for a record that could not be had back.

use super::directory::Directory;
use super::icc::{Curve, gray_profile};
use super::plate_xmp::{Ids, packet, record_json};
use super::tiff_file::{Compression, TiffFile, TiffMeta, Written};
use super::{describe, exif, xmp};
use crate::error::{Error, Fault, InFile};
use crate::image::Image;
use crate::record::PlateRecord;
use std::path::Path;

/// Which of a plate's pictures a file holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// Linear transmittance, T = value / 65535, black is zero.
    Negative,
    /// The print, its values encoded by a curve.
    Positive(Curve),
}

impl Kind {
    pub fn name(self) -> &'static str {
        match self {
            Kind::Negative => "negative",
            Kind::Positive(_) => "positive",
        }
    }

    /// How values follow from light.
    pub fn curve(self) -> Curve {
        match self {
            Kind::Negative => Curve::Linear,
            Kind::Positive(curve) => curve,
        }
    }
}

/// Writes one of a plate's pictures. For pictures too large for memory, take [`plate_meta`] to a [`TiffFile`].
pub fn write_plate_tiff(
    path: &Path,
    image: &Image<u16>,
    kind: Kind,
    record: &PlateRecord,
    compression: Compression,
) -> Result<Written, Error> {
    let meta = plate_meta(kind, record, compression).in_file(path)?;
    let mut file = TiffFile::create(path, image.size(), &meta)?;
    file.rows(image.pixels())?;
    file.finish()
}

/// All that a file says of its plate.
pub fn plate_meta(kind: Kind, record: &PlateRecord, compression: Compression) -> Result<TiffMeta, Fault> {
    let ids = Ids::new(record, kind, &record_json(record)?);
    let mut tags = Directory::new();
    tags.text(269, &record.plate); // DocumentName
    tags.text(305, &describe::software(record)); // Software
    tags.text(315, record.session.photographer.as_deref().unwrap_or_default()); // Artist
    tags.text(33432, record.session.rights.as_deref().unwrap_or_default()); // Copyright
    Ok(TiffMeta {
        ppi: record.ppi,
        icc: gray_profile(kind.curve()),
        xmp: xmp::write(&packet(record, kind)?),
        description: describe::line(record, kind),
        tags,
        exif: exif::exif(record, &ids.document.replace('-', "")),
        gps: exif::gps(record),
        compression,
    })
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;
    use crate::density::uncertainty::{Part, Uncertainty};
    use crate::error::Warning;
    use crate::frame::Settings;
    use crate::image::Size;
    use crate::notes::{About, Development, Emulsion, Exposure};
    use crate::record::*;

    /// A record with every field filled.
    pub fn record() -> PlateRecord {
        let text = |s: &str| Some(s.to_string());
        let digest = |file: &str, c: char| FileDigest { file: file.into(), sha256: c.to_string().repeat(64) };
        PlateRecord {
            plate: "K-01".into(),
            session: About {
                title: "Lime kiln at the ebb".into(),
                date: text("2026-03-14"),
                place: text("North bank, salt marsh"),
                photographer: text("A. Nobody"),
                rights: text("CC BY 4.0"),
            },
            size_name: "4.75x6.5in".into(),
            size_mm: [165.1, 120.65],
            pixels: [7, 5],
            ppi: 1203.37,
            mm_per_px: 25.4 / 1203.37,
            notes: text("tide half out,\nwind from the west"),
            exposure: Exposure {
                ei: Some(2.0),
                shutter: text("3"),
                shutter_s: Some(3.0),
                aperture: Some(22.0),
                focal_length_mm: Some(210.0),
                lens: text("rapid rectilinear"),
                filter: text("none"),
                filter_stops: Some(0.0),
                bellows_mm: Some(225.0),
                time: text("2026-03-14T15:40:00+00:00"),
                latitude: Some(54.1),
                longitude: Some(-2.8),
                holder: text("7 left"),
            },
            development: Development {
                developer: text("metol-hydroquinone"),
                dilution: text("1+15"),
                temperature_c: Some(20.0),
                minutes: Some(7.5),
                agitation: text("continuous tray"),
                fixer_dilution: text("1+4"),
                fix_minutes: Some(8.0),
            },
            copy: CopyRecord {
                camera: Settings {
                    model: text("Copy stand 1"),
                    exposure_s: Some(0.02),
                    f_number: Some(8.0),
                    iso: Some(100.0),
                    taken: text("2026-03-15T10:02:11"),
                    taken_offset: text("+01:00"),
                    ..Default::default()
                },
                blanks: vec!["captures/blank-1.jpg".into()],
                exposure_ratio: 1.0,
                emulsion: Emulsion::TowardCamera,
                rotate: 180,
                profile: "srgb".into(),
                format: "JPEG 8 bit".into(),
            },
            base: BaseRecord {
                density: 0.14,
                stands_on: 0.14,
                from: "rebate".into(),
                spread: 0.004,
                plate_density: Some(0.143),
                batch_density: 0.14,
                uncertainty: Some(0.009),
            },
            density: DensityRecord {
                p01: 0.02,
                p05: 0.1,
                p50: 0.9,
                p95: 1.8,
                p99: 2.1,
                deepest: Some(2.6),
                deepest_by: None,
                uncertainty: None,
            },
            uncertainty: Some(Uncertainty {
                blank: Part::known(0.0002, "noise of 3 blanks"),
                exposure: Part::known(0.0008, "the levels of 3 blanks"),
                ratio: None,
                glare: Part::lacking("not measured"),
                mean_light: 0.21,
                response: Part::known(0.006, "the step tablet"),
                response_at: vec![[0.0, 0.0], [2.5, 0.006]],
            }),
            edges: EdgesRecord { corners_px: None, confidence: 0.97, spread_px: None, tilt_deg: None },
            tiles: vec![TileRecord {
                capture: "captures/k01-1.jpg".into(),
                residual_px: 0.2,
                gain: 1.0,
                left_out: true,
            }],
            stitch: Some(StitchRecord {
                rms_px: 0.2,
                ties: 120,
                p50_px: Some(0.1),
                p95_px: Some(0.3),
                worst_px: Some(0.9),
                gaps_mm: vec![[1.0, 2.0, 30.0, 4.5]],
            }),
            positive: PositiveRecord { tone: "paper".into(), printing_density: 0.3 },
            warnings: vec![Warning::new("bands", "faint bands, 0.2 %: expose longer")],
            inputs: vec![digest("captures/k01-1.jpg", 'a'), digest("captures/blank-1.jpg", 'b')],
            outputs: vec![],
            software: Software::this(),
            steps: vec![Step::new("flat field", serde_json::json!({ "blanks": 1, "left_over": 0.001 }))],
        }
    }

    #[test]
    fn the_same_plate_makes_the_same_bytes() {
        let folder = tempfile::tempdir().unwrap();
        let image = Image::from_rows(Size::new(5, 7), 0, |row, out| out.fill(row as u16 * 9000));
        for kind in [Kind::Negative, Kind::Positive(Curve::Srgb)] {
            let [a, b] = ["a.tif", "b.tif"].map(|name| {
                write_plate_tiff(&folder.path().join(name), &image, kind, &record(), Compression::None).unwrap()
            });
            assert_eq!(a, b);
        }
    }
}
