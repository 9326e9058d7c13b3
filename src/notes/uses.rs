//! Which capture is used for what, so that none serves twice.
//!
//! In: every file of the notes with its purpose and line. Out: an error for each file with more than one. A blank that is also a
//! plate would divide the plate away; a capture of two plates is most likely a slip, and is let pass only where both plates mark
//! their own corners in it.

use super::tree::Notes;
use crate::error::Fault;
use std::cell::RefCell;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

struct Use {
    purpose: String,
    line: usize,
    /// A plate that marks its own corners may share its capture with another such plate.
    shares: bool,
}

#[derive(Default)]
pub(super) struct Uses {
    by_file: RefCell<BTreeMap<PathBuf, Vec<Use>>>,
}

impl Uses {
    /// `purpose` as a message says it: "a blank", "plate K-01".
    pub fn add(&self, file: &Path, purpose: &str, line: usize, shares: bool) {
        // Two names of one file, by a link, are one file.
        let real = file.canonicalize().unwrap_or_else(|_| file.to_path_buf());
        let used = Use { purpose: purpose.to_string(), line, shares };
        self.by_file.borrow_mut().entry(real).or_default().push(used);
    }

    pub fn report_doubles(&self, notes: &Notes, folder: &Path) {
        for (file, uses) in self.by_file.borrow().iter() {
            let mut uses: Vec<&Use> = uses.iter().collect();
            uses.sort_by_key(|used| used.line);
            let Some((first, later)) = uses.split_first() else { continue };
            for used in later.iter().filter(|used| !(used.shares && first.shares && used.purpose != first.purpose)) {
                let file = super::paths::relative(folder, file);
                let what = if used.purpose == first.purpose {
                    format!("{file} stands twice in {}", used.purpose)
                } else {
                    format!("{file} is {} and also {} (line {})", used.purpose, first.purpose, first.line)
                };
                notes.report(used.line, Fault::new(what, "take it out where it does not belong"));
            }
        }
    }
}
