//! What a thread does before the message of its panic is printed. Printing may hang on a blocked terminal, and a
//! stop must not wait for it.

use std::cell::RefCell;
use std::marker::PhantomData;
use std::rc::Rc;
use std::sync::Once;
use std::time::Duration;

/// How long a thread that panics keeps quiet after its act: looking up names for a backtrace keeps a core and the memory
/// of the process busy, and was seen to hold up a stop by more than the 100 ms of the demo controller's own timeout.
const HUSH: Duration = Duration::from_millis(300);

/// An act to do first.
type Act = Rc<dyn Fn()>;

thread_local! {
    static FIRST: RefCell<Option<Act>> = const { RefCell::new(None) };
}

/// While it lives, a panic of the thread that made it does its act first.
#[derive(Debug)]
pub struct First {
    /// It belongs to its thread.
    _stays: PhantomData<*const ()>,
}

/// From here on a panic of the calling thread does `act` before anything is printed, until the value returned is
/// dropped. A thread has one such act, the newest.
pub fn first(act: impl Fn() + 'static) -> First {
    static HOOK: Once = Once::new();
    HOOK.call_once(|| {
        let before = std::panic::take_hook();
        std::panic::set_hook(Box::new(move |panic| {
            // A thread that is being torn down has no such variable any more, and nothing left to lose.
            let act = FIRST.try_with(|first| first.try_borrow().ok().and_then(|act| act.clone()));
            if let Ok(Some(act)) = act {
                act();
                std::thread::sleep(HUSH);
            }
            before(panic);
        }));
    });
    FIRST.set(Some(Rc::new(act)));
    First { _stays: PhantomData }
}

impl Drop for First {
    fn drop(&mut self) {
        let _ = FIRST.try_with(|first| first.take());
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::sync::Arc;
    use std::sync::atomic::{AtomicU32, Ordering};

    #[test]
    fn the_act_is_done_once_by_the_thread_that_panics_and_not_after_it_was_dropped() {
        let count = Arc::new(AtomicU32::new(0));
        let mine = Arc::clone(&count);
        let thread = std::thread::spawn(move || {
            let held = first(move || {
                mine.fetch_add(1, Ordering::Relaxed);
            });
            let _ = std::panic::catch_unwind(|| panic!("planted"));
            drop(held);
            let _ = std::panic::catch_unwind(|| panic!("planted after it"));
        });
        thread.join().expect("it caught its panics");
        let _ = std::thread::spawn(|| panic!("planted in another thread")).join();
        assert_eq!(count.load(Ordering::Relaxed), 1);
    }
}
