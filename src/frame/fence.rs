//! A fence round decoders that were not written for damaged files: what would end the program becomes a fault.
//!
//! In: work that may panic. Out: its result, or a fault where it panicked. The panic's text is kept off standard error, also that
//! of threads that helped: no thread knows whom it helps, so whatever panics elsewhere while a fence stands is held back, and said
//! after all if no fenced work has failed of it.

use super::limits::damaged;
use crate::error::Fault;
use std::cell::Cell;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::{Mutex, MutexGuard, Once, PoisonError};

thread_local! {
    static FENCED: Cell<bool> = const { Cell::new(false) };
}

/// Fences that stand now, on all threads, and the texts that are held back.
struct Standing {
    fences: usize,
    held: Vec<String>,
}

fn standing() -> MutexGuard<'static, Standing> {
    static STANDING: Mutex<Standing> = Mutex::new(Standing { fences: 0, held: Vec::new() });
    STANDING.lock().unwrap_or_else(PoisonError::into_inner)
}

/// Runs the work inside the fence. It must leave nothing half-changed outside itself.
pub fn fenced<T>(work: impl FnOnce() -> Result<T, Fault>) -> Result<T, Fault> {
    static QUIET: Once = Once::new();
    QUIET.call_once(|| {
        let before = std::panic::take_hook();
        std::panic::set_hook(Box::new(move |info| {
            if FENCED.get() {
                return;
            }
            let mut standing = standing();
            if standing.fences > 0 {
                standing.held.push(info.to_string());
            } else {
                drop(standing);
                before(info);
            }
        }));
    });
    let outer = FENCED.replace(true);
    standing().fences += 1;
    let result = catch_unwind(AssertUnwindSafe(work));
    FENCED.set(outer);
    let result = result.unwrap_or_else(|_| Err(damaged("the decoder gave up on it")));
    let mut standing = standing();
    standing.fences -= 1;
    if result.is_err() {
        standing.held.clear();
    } else if standing.fences == 0 {
        standing.held.drain(..).for_each(|text| eprintln!("{text}"));
    }
    result
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_panic_inside_is_a_fault_outside() {
        let bad: Result<(), Fault> = fenced(|| panic!("inside"));
        assert!(bad.unwrap_err().to_string().contains("gave up"));
        assert_eq!(fenced(|| Ok(3)), Ok(3));
    }
}
