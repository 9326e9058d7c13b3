//! Plates for viewing anywhere: pictures in tiles that any viewer of the IIIF reads, and what is known of them beside.
//!
//! [`pyramid`] cuts a picture into tiles at every sampling; [`describe`] says of the tiles and of the session what the IIIF Image API 3.0
//! and Presentation API 3.0 ask for; [`publish`] does both for a session's positives, with a [`page`] that shows them from the same tiles, and
//! [`folder`] takes away what an earlier publication left. All of it is plain files (level 0): any web server serves them, and none has to know what they are.

mod describe;
mod earlier;
mod folder;
mod page;
mod positive;
mod pyramid;

pub use pyramid::{Cut, Pyramid};

use crate::error::Error;
use crate::notes::Session;
use crate::record::{FileDigest, PlateRecord};
use folder::Folder;
use rayon::prelude::*;
use serde_json::Value;
use std::path::Path;

/// The page's name in the folder.
const PAGE: &str = "report.html";

/// A plate's picture as it was published.
pub struct Published {
    pub id: String,
    pub tiles: usize,
}

/// What came of it all.
pub struct Publication {
    pub plates: Vec<Published>,
    /// Ids of plates that stay as an earlier run published them.
    pub kept: Vec<String>,
    /// Files of earlier runs that nothing refers to any longer, and that were removed.
    pub removed: usize,
}

/// Where plates are published.
pub struct Site<'a> {
    pub to: &'a Path,
    /// The address under which `to` will be found, without a slash at its end.
    pub url: &'a str,
    /// Whether this run is for its own plates alone. What is published of other plates stays then; without it, only of those in the notes.
    pub in_part: bool,
}

/// Writes manifest.json, report.html, and ID/ with the tiles of each plate's positive in `out`. A plate's info.json and the manifest come last, so
/// that they never speak of what is not there; what an earlier run has published and the manifest no longer leads to is removed after them.
/// Fails where a positive cannot be read, a file cannot be written, or a run in part does not fit what is published there.
pub fn publish(
    session: &Session,
    plates: &[PlateRecord],
    out: &Path,
    site: &Site,
    begun: &(dyn Fn(&str) + Sync),
) -> Result<Publication, Error> {
    let anew = |id: &str| plates.iter().any(|record| record.plate == id);
    let stays = |id: &str| !anew(id) && (site.in_part || session.plate(id).is_some());
    let earlier = earlier::canvases(site)?;
    let mut folder = Folder::open(site.to)?;
    let mut published = Vec::new();
    for record in plates {
        begun(&record.plate);
        let id = &record.plate;
        folder.clear_leftovers(id)?;
        let [columns, rows] = record.pixels;
        let mut pyramid = Pyramid::new(columns, rows);
        let mut written: Vec<FileDigest> = Vec::new();
        let put = |cut: &Cut| folder.write(format!("{id}/{}", cut.path()), &cut.jpeg());
        positive::read(out, record, &mut |band| {
            written.extend(pyramid.push(band).par_iter().map(put).collect::<Result<Vec<_>, Error>>()?);
            Ok(())
        })?;
        let views = pyramid.finish();
        written.extend(views.par_iter().map(put).collect::<Result<Vec<_>, Error>>()?);
        let tiles = written.len();
        if let Some(largest) = views.first() {
            written.push(folder.write(format!("{id}/{}", pyramid::LARGEST), &largest.jpeg())?);
        }
        let info = describe::info(record, &views, &format!("{}/{}", site.url, escaped(id)));
        written.push(folder.write(format!("{id}/info.json"), &text(&info))?);
        folder.list(written)?;
        published.push(Published { id: id.clone(), tiles });
    }
    let kept: Vec<(String, Value)> = earlier.into_iter().filter(|(id, _)| stays(id)).collect();
    let new = plates.iter().map(|record| (record.plate.clone(), describe::canvas(record, site.url)));
    let mut canvases: Vec<(String, Value)> = kept.iter().cloned().chain(new).collect();
    // As the notes have them; then what they no longer have.
    let place = |id: &str| session.plates.iter().position(|plate| plate.id == id).unwrap_or(usize::MAX);
    canvases.sort_by_key(|(id, _)| place(id));
    let manifest =
        describe::manifest(&session.about, canvases.into_iter().map(|(_, canvas)| canvas).collect(), site.url);
    let page = folder.write(PAGE.into(), page::page(&manifest).as_bytes())?;
    let manifest = folder.write("manifest.json".into(), &text(&manifest))?;
    folder.list(vec![page, manifest])?;
    let removed = folder.clear(|file| file.split_once('/').is_some_and(|(id, _)| stays(id)))?;
    Ok(Publication { plates: published, kept: kept.into_iter().map(|(id, _)| id).collect(), removed })
}

fn text(json: &Value) -> Vec<u8> {
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
