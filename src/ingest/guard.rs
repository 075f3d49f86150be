//! Keeps a fault of a library that reads binary files from ending the program.
//!
//! In: the call. Out: its answer, or `None` where the library gave up by a panic, as libraries for compressed tables and
//! old sheets do on files that were cut or made up. The message that a panic prints is kept back for that while.

use std::panic::{AssertUnwindSafe, catch_unwind, set_hook, take_hook};
use std::sync::Once;
use std::sync::atomic::{AtomicUsize, Ordering};

/// Guarded calls under way, on whatever thread their work is done.
static UNDER_WAY: AtomicUsize = AtomicUsize::new(0);
static HOOK: Once = Once::new();

/// Runs what may panic.
pub(super) fn guarded<T>(read: impl FnOnce() -> T) -> Option<T> {
    HOOK.call_once(|| {
        let before = take_hook();
        set_hook(Box::new(move |info| {
            if UNDER_WAY.load(Ordering::Acquire) == 0 {
                before(info);
            }
        }));
    });
    UNDER_WAY.fetch_add(1, Ordering::AcqRel);
    let answer = catch_unwind(AssertUnwindSafe(read)).ok();
    UNDER_WAY.fetch_sub(1, Ordering::AcqRel);
    answer
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_panic_is_no_answer_and_anything_else_is_handed_on() {
        assert_eq!(guarded(|| 7), Some(7));
        assert_eq!(guarded(|| -> i32 { panic!("cut short") }), None);
    }
}
