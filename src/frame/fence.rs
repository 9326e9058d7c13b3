//! A fence round decoders that were not written for damaged files: what would end the program becomes a fault.
//!
//! In: work that may panic. Out: its result, or a fault where it panicked. The panic's text is kept off standard error while
//! the fence stands, on the fenced thread only.

use super::limits::damaged;
use crate::error::Fault;
use std::cell::Cell;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Once;

thread_local! {
    static FENCED: Cell<bool> = const { Cell::new(false) };
}

/// Runs the work inside the fence. It must leave nothing half-changed outside itself.
pub fn fenced<T>(work: impl FnOnce() -> Result<T, Fault>) -> Result<T, Fault> {
    static QUIET: Once = Once::new();
    QUIET.call_once(|| {
        let before = std::panic::take_hook();
        std::panic::set_hook(Box::new(move |info| {
            if !FENCED.get() {
                before(info);
            }
        }));
    });
    let outer = FENCED.replace(true);
    let result = catch_unwind(AssertUnwindSafe(work));
    FENCED.set(outer);
    result.unwrap_or_else(|_| Err(damaged("the decoder gave up on it")))
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
