//! Every library that the program is built from has a licence that LICENSE tells of.

use std::process::Command;

/// Terms under which a program may be passed on with no more than a notice.
const FREE: [&str; 14] = [
    "MIT",
    "Apache-2.0",
    "Apache-2.0 WITH LLVM-exception",
    "BSD-2-Clause",
    "BSD-3-Clause",
    "0BSD",
    "Zlib",
    "ISC",
    "Unlicense",
    "CC0-1.0",
    "BSL-1.0",
    "Unicode-3.0",
    "NCSA",
    "MIT-0",
];

/// The one library under other terms, and the feature behind which it stands.
const RAW: (&str, &str) = ("rawloader", "raw");

/// The same with a feature that is off where none is named.
const NEWER: (&str, &str) = ("rawler", "newer-raw");

/// Libraries as `cargo metadata` lists them: name and licence in SPDX form (the older "A/B" means "A OR B").
fn packages(features: &[&str]) -> Vec<(String, String)> {
    let listed = Command::new(env!("CARGO"))
        .args(["metadata", "--format-version", "1", "--locked", "--filter-platform", "x86_64-unknown-linux-gnu"])
        .args(features)
        .current_dir(env!("CARGO_MANIFEST_DIR"))
        .output()
        .expect("cargo runs");
    assert!(listed.status.success(), "{}", String::from_utf8_lossy(&listed.stderr));
    let all: serde_json::Value = serde_json::from_slice(&listed.stdout).unwrap();
    let used: Vec<&str> =
        all["resolve"]["nodes"].as_array().unwrap().iter().map(|n| n["id"].as_str().unwrap()).collect();
    let packages = all["packages"].as_array().unwrap().iter();
    let packages: Vec<_> = packages
        .filter(|p| used.contains(&p["id"].as_str().unwrap()))
        .map(|p| (p["name"].as_str().unwrap().to_string(), p["license"].as_str().unwrap_or("none").to_string()))
        .collect();
    assert!(packages.len() > 50, "only {} libraries listed", packages.len());
    packages
}

/// Some alternative of an SPDX expression with every part of it free. Brackets occur only round alternatives.
fn free(licence: &str) -> bool {
    let all_of = licence.replace('/', " OR ");
    all_of.split(" AND ").all(|part| {
        part.trim_matches(['(', ')']).split(" OR ").any(|one| FREE.contains(&one.trim().trim_matches(['(', ')'])))
    })
}

#[test]
fn expressions_are_read_as_spdx_means_them() {
    assert!(free("MIT OR Apache-2.0") && free("MIT/Apache-2.0") && free("(MIT OR Apache-2.0) AND Unicode-3.0"));
    assert!(free("MIT OR LGPL-2.1-or-later"));
    assert!(!free("LGPL-2.1") && !free("MIT AND GPL-3.0") && !free("none"));
}

#[test]
fn only_raw_decoding_is_under_other_terms() {
    let other: Vec<_> = packages(&[]).into_iter().filter(|(_, licence)| !free(licence)).collect();
    assert_eq!(other, [(RAW.0.to_string(), "LGPL-2.1".to_string())]);
    let all: Vec<_> = packages(&["--features", NEWER.1]).into_iter().filter(|(_, licence)| !free(licence)).collect();
    assert_eq!(all, [NEWER.0, RAW.0].map(|name| (name.to_string(), "LGPL-2.1".to_string())));
}

#[test]
fn without_its_feature_it_is_gone() {
    let without = packages(&["--no-default-features", "--features", "heic"]);
    assert!(without.iter().all(|(name, licence)| name != RAW.0 && free(licence)), "feature {} does not hold it", RAW.1);
}
