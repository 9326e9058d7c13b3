//! DEVELOPERS.md is the map of the program: it must name every module.

use std::path::{Path, PathBuf};

/// Every source file under `dir`.
fn sources(dir: &Path) -> Vec<PathBuf> {
    let mut found = Vec::new();
    for entry in std::fs::read_dir(dir).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            found.extend(sources(&path));
        } else if path.extension().is_some_and(|end| end == "rs") {
            found.push(path);
        }
    }
    found
}

/// A module stands in the map as its folder's name in a heading or row, `light/`, and its own name in backquotes, `blank`.
#[test]
fn the_map_names_every_module() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let map = std::fs::read_to_string(root.join("DEVELOPERS.md")).unwrap();
    let src = root.join("src");
    let files = sources(&src);
    assert!(files.len() > 20, "only {} source files found", files.len());
    let mut missing = Vec::new();
    for file in files {
        let place = file.strip_prefix(&src).unwrap();
        let stem = place.file_stem().unwrap().to_str().unwrap();
        let folder = place.parent().unwrap().to_str().unwrap();
        let row = map.lines().find(|line| line.starts_with(&format!("| `{folder}/`")));
        let named = match folder {
            "" => map.contains(&format!("`{stem}.rs`")),
            _ => row.is_some_and(|row| stem == "mod" || row.contains(&format!("`{stem}`"))),
        };
        if !named {
            missing.push(place.display().to_string());
        }
    }
    missing.sort();
    assert!(missing.is_empty(), "DEVELOPERS.md does not name {}", missing.join(", "));
}
