//! `hyaline publish SESSION --url URL --to DIR`: a session's positives as tiles that any viewer of the IIIF shows at full depth.

use super::{Common, Outcome};
use crate::error::{Error, Fault};
use crate::notes;
use crate::progress::Progress;
use crate::publish::{Publication, Published, Site, publish};
use crate::record::PlateRecord;
use std::path::PathBuf;

#[derive(Debug, clap::Args)]
pub struct Args {
    /// The notes file (session.toml) or its folder
    #[arg(default_value = ".")]
    pub session: PathBuf,
    /// The address under which the folder will be found
    #[arg(long, value_parser = address)]
    pub url: String,
    /// The folder for the tiles and manifest.json
    #[arg(long, value_name = "DIR")]
    pub to: PathBuf,
    /// Where the results are, if not in out/ beside the notes
    #[arg(long, value_name = "DIR")]
    pub out: Option<PathBuf>,
    /// Only this plate (may be given several times); what is published of others stays
    #[arg(long = "plate", value_name = "ID")]
    pub plates: Vec<String>,
}

/// Viewers know pictures by their addresses, which must be whole ones (RFC 3986: scheme, host, port, path).
fn address(text: &str) -> Result<String, String> {
    if sound(text) {
        Ok(text.trim_end_matches('/').to_string())
    } else {
        Err("an address is http:// or https://, a host, and a path without spaces, ? or #: https://example.org/kiln"
            .into())
    }
}

fn sound(text: &str) -> bool {
    let Some(rest) = text.strip_prefix("https://").or_else(|| text.strip_prefix("http://")) else { return false };
    let (authority, path) = rest.split_once('/').unwrap_or((rest, ""));
    let (host, port) = authority.rsplit_once(':').unwrap_or((authority, "80"));
    let in_host = |b: u8| b.is_ascii_alphanumeric() || b".-_".contains(&b);
    let in_path = |b: u8| b.is_ascii_alphanumeric() || b"-._~!$&'()*+,;=:@/%".contains(&b);
    let escapes = path.split('%').skip(1);
    !host.is_empty()
        && host.bytes().all(in_host)
        && port.parse::<u16>().is_ok()
        && path.bytes().all(in_path)
        && escapes.into_iter().all(|e| e.len() >= 2 && e.bytes().take(2).all(|b| b.is_ascii_hexdigit()))
}

pub fn run(args: &Args, common: &Common) -> Outcome {
    let session = match notes::load(&args.session) {
        Ok(session) => session,
        Err(errors) => return Outcome::failed(errors),
    };
    let out = args.out.clone().unwrap_or_else(|| session.folder.join("out"));
    let known = |id: &String| session.plates.iter().any(|p| p.id == *id);
    if let Some(odd) = args.plates.iter().find(|id| !known(id)) {
        let mend = format!("its plates are {}", session.plates.iter().map(|p| &*p.id).collect::<Vec<_>>().join(", "));
        return Error::new(&session.file, Fault::new(format!("has no plate {odd}"), mend)).into();
    }
    let wanted = |id: &str| args.plates.is_empty() || args.plates.iter().any(|p| p == id);
    let mut records = Vec::new();
    let mut errors = Vec::new();
    for plate in session.plates.iter().filter(|p| wanted(&p.id)) {
        match crate::bracket::stored::record(&out, &plate.id) {
            Ok(record) => records.push(record),
            Err(error) => errors.push(error),
        }
    }
    if records.is_empty() {
        return Outcome::failed(errors);
    }
    let progress = Progress::new(records.len(), common.silent());
    let begun = |id: &str| progress.stage(id, "cutting into tiles");
    let site = Site { to: &args.to, url: &args.url, in_part: !args.plates.is_empty() };
    let done = publish(&session, &records, &out, &site, &begun);
    progress.done();
    match done {
        Ok(done) => {
            Outcome { summary: told(&site, &done), json: json(&site, &done, &records), errors, ..Outcome::default() }
        }
        Err(error) => {
            errors.push(error);
            Outcome::failed(errors)
        }
    }
}

fn told(site: &Site, done: &Publication) -> String {
    let mut text: String = done.plates.iter().map(|p| format!("{}  {} pictures\n", p.id, p.tiles)).collect();
    text.extend(done.kept.iter().map(|id| format!("{id}  as it was published before\n")));
    if done.removed > 0 {
        text.push_str(&format!("{} files of an earlier publication removed\n", done.removed));
    }
    let (to, url) = (site.to.display(), site.url);
    text.push_str(&format!("{to} is ready; put it where {url} leads, and give viewers {url}/manifest.json; report.html there shows the plates without one\n"));
    text
}

fn json(site: &Site, done: &Publication, records: &[PlateRecord]) -> serde_json::Value {
    let plate =
        |(p, r): (&Published, &PlateRecord)| serde_json::json!({ "id": p.id, "pictures": p.tiles, "pixels": r.pixels });
    serde_json::json!({
        "folder": site.to,
        "manifest": format!("{}/manifest.json", site.url),
        "plates": done.plates.iter().zip(records).map(plate).collect::<Vec<_>>(),
        "kept": done.kept,
        "removed": done.removed,
    })
}
