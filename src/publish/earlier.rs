//! Plates that are published already, as the manifest in the folder tells of them.
//!
//! In: the folder and its address. Out: each plate's canvas by its id, as it stands; of a manifest that is of another address or cannot be
//! read none, unless the run is in part, which would then spoil what is there: this fails.

use super::Site;
use crate::error::{Error, Fault, InFile};
use serde_json::Value;

pub fn canvases(site: &Site) -> Result<Vec<(String, Value)>, Error> {
    let path = site.to.join("manifest.json");
    if !path.exists() {
        return Ok(Vec::new());
    }
    let bytes = std::fs::read(&path).in_file(&path)?;
    let manifest: Value = serde_json::from_slice(&bytes).unwrap_or_default();
    let address = format!("{}/manifest.json", site.url);
    if manifest["id"] != address.as_str() {
        if !site.in_part {
            return Ok(Vec::new());
        }
        let what = format!("does not say that it is {address}, and other plates may be published with it");
        let mend = "give the address that it was published for, or publish all plates again, without --plate";
        return Err(Fault::new(what, mend)).in_file(&path);
    }
    let id = |canvas: &Value| {
        let below = canvas["id"].as_str()?.strip_prefix(site.url)?.strip_prefix('/')?;
        below.strip_suffix("/canvas").map(String::from)
    };
    // A person may have taken a plate away.
    let there = |id: &String| site.to.join(id).join("info.json").is_file();
    let canvases = manifest["items"].as_array().into_iter().flatten();
    Ok(canvases.filter_map(|canvas| Some((id(canvas).filter(there)?, canvas.clone()))).collect())
}
