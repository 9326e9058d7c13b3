//! Plates for viewing anywhere: pictures in tiles that any viewer of the IIIF reads, and what is known of them beside.
//!
//! [`pyramid`] cuts a picture into tiles at every sampling; [`describe`] says of the tiles and of the session what the IIIF Image API 3.0
//! and Presentation API 3.0 ask for; [`publish`] does both for a session's positives. All of it is plain files (level 0): any web server
//! serves them, and none has to know what they are.

mod describe;
mod positive;
mod pyramid;

pub use pyramid::{Cut, Pyramid};

use crate::archive::atomic::write_whole;
use crate::error::Error;
use crate::notes::About;
use crate::record::PlateRecord;
use rayon::prelude::*;
use std::path::Path;

/// A plate's picture as it was published.
pub struct Published {
    pub id: String,
    pub tiles: usize,
}

/// Writes `to`/manifest.json, and `to`/ID/ with the tiles of each plate's positive in `out`. `url`: where `to` will be found, without a
/// slash at its end. A plate's info.json and the manifest are written last, so that they never speak of what is not there.
/// Fails where a positive cannot be read or a file cannot be written.
pub fn publish(
    about: &About,
    plates: &[PlateRecord],
    out: &Path,
    url: &str,
    to: &Path,
    begun: &(dyn Fn(&str) + Sync),
) -> Result<Vec<Published>, Error> {
    let mut published = Vec::new();
    for record in plates {
        begun(&record.plate);
        let folder = to.join(&record.plate);
        let [columns, rows] = record.pixels;
        let mut pyramid = Pyramid::new(columns, rows);
        let mut tiles = 0;
        positive::read(out, record, &mut |band| {
            let cuts = pyramid.push(band);
            tiles += cuts.len();
            cuts.into_par_iter().try_for_each(|cut| write_whole(&folder.join(cut.path()), &cut.jpeg()))
        })?;
        let views = pyramid.finish();
        views.par_iter().try_for_each(|view| write_whole(&folder.join(view.path()), &view.jpeg()))?;
        if let Some(largest) = views.first() {
            write_whole(&folder.join(pyramid::LARGEST), &largest.jpeg())?;
        }
        tiles += views.len();
        let info = describe::info(record, &views, &format!("{url}/{}", escaped(&record.plate)));
        write_whole(&folder.join("info.json"), &text(&info))?;
        published.push(Published { id: record.plate.clone(), tiles });
    }
    write_whole(&to.join("manifest.json"), &text(&describe::manifest(about, plates, url)))?;
    Ok(published)
}

fn text(json: &serde_json::Value) -> Vec<u8> {
    format!("{json:#}\n").into_bytes()
}

/// A name as a part of a URL's path (RFC 3986, section 2.3: letters, digits and four signs stand for themselves).
fn escaped(name: &str) -> String {
    let plain = |b: u8| b.is_ascii_alphanumeric() || b"-._~".contains(&b);
    name.bytes().map(|b| if plain(b) { char::from(b).to_string() } else { format!("%{b:02X}") }).collect()
}

#[cfg(test)]
mod tests {
    #[test]
    fn names_are_parts_of_a_path() {
        assert_eq!(super::escaped("K-01"), "K-01");
        assert_eq!(super::escaped("a b/é"), "a%20b%2F%C3%A9");
    }
}
