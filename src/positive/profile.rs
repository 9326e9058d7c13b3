//! A tone profile as its TOML file states it.
//!
//! In: a name of a built-in profile, or a path inside the session's folder. Out: the file's figures, each checked for its range.
//! Fails for a name that is not known (and says which are), a path that leaves the folder or cannot be read, and for an unknown,
//! missing or impossible key, which it names.

use crate::error::{Fault, io_fault};
use serde::Deserialize;
use std::path::Path;

/// Built-in profiles, in the order in which they are best told of.
pub const BUILT_IN: [(&str, &str); 4] = [
    ("paper", include_str!("../../profiles/tone/paper.toml")),
    ("long", include_str!("../../profiles/tone/long.toml")),
    ("thin", include_str!("../../profiles/tone/thin.toml")),
    ("study", include_str!("../../profiles/tone/study.toml")),
];

/// A profile of more bytes than this is not one.
const MOST_BYTES: u64 = 64 << 10;

#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Profile {
    /// One sentence for people: what the profile is for.
    pub about: String,
    pub paper: Option<PaperKeys>,
    pub printing: Option<PrintingKeys>,
    pub straight: Option<StraightKeys>,
}

/// A photographic paper; see [`super::paper::Paper::new`].
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PaperKeys {
    pub black: f64,
    pub range: f64,
    pub toe: f64,
    pub shoulder: f64,
}

/// How long the paper is exposed: so that this density above base prints as that share of the deepest black.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PrintingKeys {
    pub density: f64,
    pub prints_as: f64,
}

/// Lightness along a straight line between two densities above base.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct StraightKeys {
    pub black: f64,
    pub white: f64,
}

/// Finds a profile by name or path: its name for people, and its keys.
pub fn find(name_or_path: &str, folder: &Path) -> Result<(String, Profile), Fault> {
    if let Some((name, text)) = BUILT_IN.iter().find(|(name, _)| *name == name_or_path) {
        return Ok((name.to_string(), parse(name, text)?));
    }
    if !name_or_path.contains(['/', '\\']) && !name_or_path.ends_with(".toml") {
        let names = BUILT_IN.map(|(name, _)| name).join(", ");
        return Err(Fault::new(
            format!("there is no tone profile `{name_or_path}`"),
            format!("use one of {names}, or the path of a profile of your own, ending in .toml"),
        ));
    }
    let text = read(name_or_path, folder)?;
    let name =
        Path::new(name_or_path).file_stem().map_or(name_or_path.into(), |stem| stem.to_string_lossy().into_owned());
    Ok((name, parse(name_or_path, &text)?))
}

/// A profile's text from a path inside the folder, links followed.
fn read(path: &str, folder: &Path) -> Result<String, Fault> {
    let failed = |e: std::io::Error| {
        let fault = io_fault(&e);
        Fault::new(format!("tone profile `{path}`: {}", fault.what()), fault.mend())
    };
    let root = folder.canonicalize().map_err(failed)?;
    let file = root.join(path).canonicalize().map_err(failed)?;
    if !file.starts_with(&root) {
        return Err(Fault::new(
            format!("tone profile `{path}` leaves the session's folder"),
            "copy it into the folder",
        ));
    }
    let about = file.metadata().map_err(failed)?;
    if !about.is_file() || about.len() > MOST_BYTES {
        return Err(Fault::new(
            format!("tone profile `{path}` is no file of at most 64 KiB"),
            "name a tone profile in TOML",
        ));
    }
    std::fs::read_to_string(&file).map_err(failed)
}

/// Keys of a profile's text; `name` is what messages call it.
fn parse(name: &str, text: &str) -> Result<Profile, Fault> {
    let profile: Profile = toml::from_str(text).map_err(|e| {
        let line = e.span().map_or(1, |span| text[..span.start.min(text.len())].matches('\n').count() + 1);
        let what = e.message().trim().replace('\n', ", ");
        Fault::new(
            format!("tone profile `{name}`, line {line}: {what}"),
            "mend the line; profiles/tone/paper.toml shows every key",
        )
    })?;
    let bad = |what: &str, mend: &str| Err(Fault::new(format!("tone profile `{name}`: {what}"), mend));
    match (&profile.paper, &profile.printing, &profile.straight) {
        (Some(paper), Some(printing), None) => {
            within(name, "paper.black", paper.black, 0.5, 3.0)?;
            within(name, "paper.range", paper.range, 0.3, 4.0)?;
            within(name, "paper.toe", paper.toe, 0.01, 1.0)?;
            within(name, "paper.shoulder", paper.shoulder, 0.01, 1.0)?;
            within(name, "printing.density", printing.density, -0.5, 4.0)?;
            within(name, "printing.prints_as", printing.prints_as, 0.01, 0.99)?;
        }
        (None, None, Some(straight)) => {
            within(name, "straight.black", straight.black, -0.5, 4.0)?;
            within(name, "straight.white", straight.white, straight.black + 0.1, 6.0)?;
        }
        (Some(_), None, None) => {
            return bad("`paper` needs `printing`", "say which density prints as which share of black");
        }
        _ => return bad("it has to be of one kind", "give [paper] and [printing], or [straight] alone"),
    }
    Ok(profile)
}

fn within(name: &str, key: &str, value: f64, least: f64, most: f64) -> Result<(), Fault> {
    if (least..=most).contains(&value) {
        return Ok(());
    }
    Err(Fault::new(
        format!("tone profile `{name}`: `{key}` is {value}"),
        format!("give a number from {least} to {most}"),
    ))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn fault(text: &str) -> String {
        parse("own.toml", text).unwrap_err().to_string()
    }

    #[test]
    fn every_built_in_profile_reads_and_says_what_it_is_for() {
        for (name, text) in BUILT_IN {
            let profile = parse(name, text).unwrap();
            assert!(text.starts_with('#') && profile.about.ends_with('.'), "{name}");
        }
    }

    #[test]
    fn faults_name_the_key_and_the_line() {
        let text = "about = \"x\"\n[straight]\nblack = 0\nwhite = 3\nwite = 2\n";
        let said = fault(text);
        assert!(said.contains("own.toml") && said.contains("line 5") && said.contains("wite"), "{said}");
        assert!(fault("about = \"x\"\n[straight]\nblack = 0\n").contains("white"));
        assert!(fault("about = \"x\"\n[straight]\nblack = 0\nwhite = -1\n").contains("straight.white"));
        assert!(fault("about = \"x\"\n[straight]\nblack = nan\nwhite = 2\n").contains("straight.black"));
        assert!(fault("about = \"x\"").contains("one kind"));
        assert!(fault("about = ").contains("line 1"));
    }

    #[test]
    fn unknown_names_are_told_the_known_ones() {
        let said = find("papr", Path::new(".")).unwrap_err().to_string();
        assert!(said.contains("papr") && said.contains("long"), "{said}");
    }

    #[test]
    fn a_profile_lies_inside_the_session() {
        let folder = tempfile::tempdir().unwrap();
        let session = folder.path().join("session");
        std::fs::create_dir(&session).unwrap();
        std::fs::write(folder.path().join("out.toml"), BUILT_IN[3].1).unwrap();
        std::fs::write(session.join("in.toml"), BUILT_IN[3].1).unwrap();
        assert_eq!(find("in.toml", &session).unwrap().0, "in");
        assert!(find("../out.toml", &session).unwrap_err().what().contains("leaves"));
        assert!(find("./missing.toml", &session).unwrap_err().what().contains("missing.toml"));
        #[cfg(unix)]
        {
            std::os::unix::fs::symlink("../out.toml", session.join("link.toml")).unwrap();
            assert!(find("link.toml", &session).unwrap_err().what().contains("leaves"));
        }
    }
}
