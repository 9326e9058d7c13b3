//! Paths in manifests.
//!
//! In and out: '/'-separated paths below a folder, as text. Encoded as RFC 8493, 2.1.3, says: line feed, carriage return and percent
//! sign as `%0A`, `%0D`, `%25`, nothing else. A path from a manifest is taken only if it stays below the folder that it is read in.

use crate::error::Fault;
use std::path::{Component, Path, PathBuf};

/// A path as a manifest writes it.
pub fn encode(path: &str) -> String {
    path.replace('%', "%25").replace('\n', "%0A").replace('\r', "%0D")
}

/// The path that a manifest's text stands for; other percent signs stand for themselves.
pub fn decode(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    let mut rest = text;
    while let Some(at) = rest.find('%') {
        out.push_str(&rest[..at]);
        let sign = rest.get(at..at + 3).unwrap_or_default().to_ascii_uppercase();
        let (c, length) = match sign.as_str() {
            "%25" => ('%', 3),
            "%0A" => ('\n', 3),
            "%0D" => ('\r', 3),
            _ => ('%', 1),
        };
        out.push(c);
        rest = &rest[at + length..];
    }
    out + rest
}

/// A path that can be joined to a folder without leaving it. Fails for absolute paths, for `.` and `..`, for a home directory's
/// sign, and for empty ones.
pub fn below(path: &str) -> Result<PathBuf, Fault> {
    let plain = !path.is_empty()
        && !path.starts_with(['/', '~'])
        && path.split('/').all(|part| !["", ".", ".."].contains(&part))
        && Path::new(path).components().all(|part| matches!(part, Component::Normal(_)));
    if plain && !path.contains('\0') {
        Ok(PathBuf::from(path))
    } else {
        Err(Fault::new(
            format!("the path `{}` leads out of the folder", path.escape_debug()),
            "do not trust this listing",
        ))
    }
}

/// A path below a folder, as manifests write it before encoding. Fails for names that are not UTF-8, which manifests cannot hold.
pub fn text(path: &Path) -> Result<String, Fault> {
    let parts: Option<Vec<&str>> = path.components().map(|part| part.as_os_str().to_str()).collect();
    let parts = parts.ok_or_else(|| Fault::new("its name is not UTF-8", "give it a plain name"))?;
    Ok(parts.join("/"))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// RFC 8493, 2.1.3: LF, CR and %, "those characters (and only those)".
    #[test]
    fn only_three_characters_are_encoded() {
        assert_eq!(encode("data/a%b\nc\rd e:é&?.jpg"), "data/a%25b%0Ac%0Dd e:é&?.jpg");
        assert_eq!(decode("100%0a%0D%25%41%"), "100\n\r%%41%");
        assert_eq!(decode("%250A"), "%0A", "an encoded percent sign is not read twice");
    }

    #[test]
    fn paths_that_lead_out_are_refused() {
        for path in ["../a", "data/../../a", "/etc/passwd", "~/a", "~x/a", "", ".", "a/./b", "a//b", "a/", "a\0b"] {
            assert!(below(path).is_err(), "{path}");
        }
        for path in ["data/a", "a b/c..d/…", "data/~a", "data/..a"] {
            assert_eq!(below(path).unwrap(), PathBuf::from(path));
        }
    }

    proptest! {
        #[test]
        fn any_name_comes_back(name in "\\PC*[%\r\n0AD25]*\\PC*") {
            prop_assert_eq!(decode(&encode(&name)), name);
        }
    }
}
