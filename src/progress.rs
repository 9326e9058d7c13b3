//! What a person waiting sees: plate, stage, and the time left. Silent when standard error is no terminal, and on request.

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use std::io::IsTerminal;

/// A bar of bytes, for work that reads files through.
pub struct Bytes {
    bar: ProgressBar,
}

impl Bytes {
    pub fn new(what: &'static str, quiet: bool) -> Bytes {
        if quiet || !std::io::stderr().is_terminal() {
            return Bytes { bar: ProgressBar::hidden() };
        }
        let bar = ProgressBar::with_draw_target(Some(0), ProgressDrawTarget::stderr());
        let style = ProgressStyle::with_template("{bar:24} {bytes}/{total_bytes}  {msg}  ({eta} left)");
        bar.set_style(style.unwrap_or_else(|_| ProgressStyle::default_bar()));
        bar.set_message(what);
        Bytes { bar }
    }
}

impl crate::archive::bag::Progress for Bytes {
    fn total(&self, bytes: u64) {
        self.bar.inc_length(bytes);
    }

    fn read(&self, bytes: u64) {
        self.bar.inc(bytes);
    }
}

impl Drop for Bytes {
    fn drop(&mut self) {
        self.bar.finish_and_clear();
    }
}

/// One bar for the whole run.
pub struct Progress {
    bar: ProgressBar,
}

impl Progress {
    /// `steps`: how many stages will be reported.
    pub fn new(steps: usize, quiet: bool) -> Progress {
        if quiet || !std::io::stderr().is_terminal() {
            return Progress::silent();
        }
        let bar = ProgressBar::with_draw_target(Some(steps as u64), ProgressDrawTarget::stderr());
        let style = ProgressStyle::with_template("{bar:24} {pos}/{len}  {msg}  ({eta} left)");
        bar.set_style(style.unwrap_or_else(|_| ProgressStyle::default_bar()));
        bar.enable_steady_tick(std::time::Duration::from_millis(200));
        Progress { bar }
    }

    pub fn silent() -> Progress {
        Progress { bar: ProgressBar::hidden() }
    }

    /// A stage begins: what is worked on, and how.
    pub fn stage(&self, what: &str, stage: &str) {
        self.bar.set_message(format!("{what}: {stage}"));
        self.bar.inc(1);
    }

    /// Makes the bar go away.
    pub fn done(&self) {
        self.bar.finish_and_clear();
    }
}
