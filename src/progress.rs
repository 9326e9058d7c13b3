//! What a person waiting sees: plate, stage, and the time left. Silent when standard error is no terminal, and on request.

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use serde::Serialize;
use std::io::IsTerminal;
use std::sync::Mutex;
use std::time::Instant;

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
    /// Each stage and when it began; the end, as a stage without a name.
    begun: Mutex<Vec<(String, &'static str, Instant)>>,
}

/// How long one stage took.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Timing {
    pub of: String,
    pub stage: &'static str,
    pub seconds: f64,
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
        Progress::on(bar)
    }

    pub fn silent() -> Progress {
        Progress::on(ProgressBar::hidden())
    }

    fn on(bar: ProgressBar) -> Progress {
        Progress { bar, begun: Mutex::new(Vec::new()) }
    }

    /// A stage begins: what is worked on, and how.
    pub fn stage(&self, what: &str, stage: &'static str) {
        self.bar.set_message(format!("{what}: {stage}"));
        self.bar.inc(1);
        self.mark(what, stage);
    }

    /// Makes the bar go away.
    pub fn done(&self) {
        self.bar.finish_and_clear();
        self.mark("", "");
    }

    fn mark(&self, what: &str, stage: &'static str) {
        if let Ok(mut begun) = self.begun.lock() {
            begun.push((what.to_string(), stage, Instant::now()));
        }
    }

    /// How long each stage took, in the order of the work: from its beginning to the next one's.
    pub fn timings(&self) -> Vec<Timing> {
        let Ok(begun) = self.begun.lock() else { return Vec::new() };
        begun
            .windows(2)
            .map(|pair| Timing {
                of: pair[0].0.clone(),
                stage: pair[0].1,
                seconds: pair[1].2.duration_since(pair[0].2).as_secs_f64(),
            })
            .filter(|timing| !timing.stage.is_empty())
            .collect()
    }
}
