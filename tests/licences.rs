//! Without the features that LICENSE names, nothing under the LGPL is built in. All other terms are held by `cargo deny` (deny.toml).

use std::process::Command;

#[test]
fn without_their_features_decoders_of_raw_files_are_gone() {
    let tree = |features: &[&str]| {
        let tree = ["tree", "--locked", "--edges", "normal", "--prefix", "none", "--format", "{p} {l}"];
        let out = Command::new(env!("CARGO"))
            .args(tree)
            .args(features)
            .current_dir(env!("CARGO_MANIFEST_DIR"))
            .output()
            .expect("cargo runs");
        assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
        String::from_utf8(out.stdout).unwrap()
    };
    let under_lgpl = |features: &[&str]| tree(features).lines().filter(|line| line.ends_with(" LGPL-2.1")).count();
    assert_eq!(under_lgpl(&["--no-default-features", "--features", "heic"]), 0);
    assert_eq!((under_lgpl(&[]), under_lgpl(&["--features", "newer-raw"])), (1, 2));
}
