//! The last-resort stop: a thread with its own handles on the ports and stop frames that were encoded
//! before anything turned. It takes the torque off when the engine cannot.
//!
//! It fires when the engine's thread panics or ends without having settled, and when the engine's
//! loop gives no beat for [`BEATLESS`]. It sends no heartbeat: a controller that stops hearing the
//! engine must run into its own command timeout, which comes sooner. It says nothing when the
//! engine settles first.

use crate::shell::port::Handle;
use crate::shell::priority::{Place, take};
use crate::shell::{on_panic, planted};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::atomic::{AtomicU8, AtomicU64, Ordering};
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

/// How often the engine's beats are looked at.
const LOOK_EVERY: Duration = Duration::from_millis(50);

/// Looks in a row without a beat until it fires. Looks are counted, not time: when the whole process
/// was stopped and goes on, this thread has missed its looks as well, and the engine gets its chance.
const LOOKS_MAX: u32 = 10;

/// How long the engine may go without a beat. Five times the demo controller's own command timeout:
/// that one must act first.
pub const BEATLESS: Duration = Duration::from_millis(50 * 10);

/// How often the stop frames are sent, and how far apart.
const REPEATS: u32 = 5;
const REPEAT_EVERY: Duration = Duration::from_millis(20);

/// How long one frame may wait for its port.
const FRAME_WITHIN: Duration = Duration::from_millis(20);

/// One stop frame and the handle that it goes out on.
#[derive(Debug)]
pub struct StopOn {
    /// Name of the link, for messages.
    pub link: String,
    /// A handle that nobody else uses.
    pub handle: Handle,
    /// The frame, terminator first.
    pub bytes: Vec<u8>,
}

/// What the last-resort stop did.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Fired {
    /// Why it fired.
    pub why: String,
    /// Frames handed to ports.
    pub sent: usize,
    /// Frames that no port took, each in words; one entry per link.
    pub refused: Vec<String>,
}

/// Where things stand. From `ARMED` one of two ways is taken, once: the engine settles, or the last-resort thread fires.
const ARMED: u8 = 0;
const SETTLED: u8 = 1;
const FIRING: u8 = 2;
const FIRED: u8 = 3;

/// The engine's thread never takes the lock while all is well: a thread that panics with a lock in its hand keeps it for
/// as long as the message takes to print, and on a blocked terminal that is for ever.
#[derive(Debug)]
struct Shared {
    beats: AtomicU64,
    stand: AtomicU8,
    bell: Mutex<Option<String>>,
    changed: Condvar,
}

impl Shared {
    fn lock(&self) -> MutexGuard<'_, Option<String>> {
        // The lock is held for assignments only, which cannot leave half a state behind.
        self.bell.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn stand(&self) -> u8 {
        self.stand.load(Ordering::SeqCst)
    }

    /// Takes one of the two ways from `ARMED`; false if the other has been taken.
    fn leave_armed(&self, to: u8) -> bool {
        let left = self.stand.compare_exchange(ARMED, to, Ordering::SeqCst, Ordering::SeqCst).is_ok();
        self.changed.notify_all();
        left
    }

    fn ring(&self, why: String) {
        self.lock().get_or_insert(why);
        self.changed.notify_all();
    }
}

/// Starts the thread, armed. `report` is called from it once it has fired. `uneasy` is called if it panics while it
/// waits: it goes on waiting, and the engine should stop while it can; a second panic fires.
///
/// # Errors
/// The system starts no more threads.
pub fn arm(
    stops: Vec<StopOn>,
    report: impl FnOnce(Fired) + Send + 'static,
    uneasy: impl Fn() + Send + 'static,
) -> std::io::Result<(EngineGuard, Watch)> {
    let shared = Arc::new(Shared {
        beats: AtomicU64::new(0),
        stand: AtomicU8::new(ARMED),
        bell: Mutex::new(None),
        changed: Condvar::new(),
    });
    let mine = Arc::clone(&shared);
    std::thread::Builder::new().name("last resort".to_string()).spawn(move || {
        let _first = on_panic::first(uneasy);
        take(Place::LastResort);
        let waited = || catch_unwind(AssertUnwindSafe(|| wait_for_cause(&mine)));
        let cause = waited().or_else(|_| waited());
        let twice = |_| Some("the last-resort thread panicked twice".to_string());
        let Some(why) = cause.unwrap_or_else(twice).filter(|_| mine.leave_armed(FIRING)) else { return };
        let fired = catch_unwind(AssertUnwindSafe(|| fire(&stops, why.clone())));
        let broken =
            |_| Fired { why: why + "; the last-resort stop broke off", sent: 0, refused: Vec::new() };
        report(fired.unwrap_or_else(broken));
        mine.stand.store(FIRED, Ordering::SeqCst);
        mine.changed.notify_all();
    })?;
    Ok((EngineGuard { shared: Arc::clone(&shared) }, Watch { shared }))
}

/// Waits until there is a cause to fire; `None` once the engine settled.
fn wait_for_cause(shared: &Shared) -> Option<String> {
    let (mut beats, mut looks) = (shared.beats.load(Ordering::Relaxed), 0);
    let mut bell = shared.lock();
    loop {
        planted::panic_if_asked("last resort");
        if shared.stand() == SETTLED {
            return None;
        }
        if let Some(why) = bell.take() {
            return Some(why);
        }
        let (again, look) =
            shared.changed.wait_timeout(bell, LOOK_EVERY).unwrap_or_else(PoisonError::into_inner);
        bell = again;
        if !look.timed_out() {
            continue;
        }
        let seen = shared.beats.load(Ordering::Relaxed);
        looks = if seen == beats { looks + 1 } else { 0 };
        beats = seen;
        if looks >= LOOKS_MAX {
            bell.get_or_insert(format!("the engine hung: no beat for {} ms", BEATLESS.as_millis()));
        }
    }
}

fn fire(stops: &[StopOn], why: String) -> Fired {
    let mut fired = Fired { why, sent: 0, refused: Vec::new() };
    for repeat in 0..REPEATS {
        for stop in stops {
            match stop.handle.write_all(&stop.bytes, FRAME_WITHIN) {
                Ok(()) => fired.sent += 1,
                Err(error) if repeat == 0 => fired.refused.push(format!("link `{}`: {error}", stop.link)),
                Err(_) => {}
            }
        }
        std::thread::sleep(REPEAT_EVERY);
    }
    fired
}

/// Held by the engine's thread. Dropped without [`EngineGuard::settled`], it fires.
#[derive(Debug)]
pub struct EngineGuard {
    shared: Arc<Shared>,
}

impl EngineGuard {
    /// The engine's loop is going round.
    pub fn beat(&self) {
        self.shared.beats.fetch_add(1, Ordering::Relaxed);
    }

    /// Whether the last-resort stop has begun: the engine must put out no byte any more.
    pub fn fired(&self) -> bool {
        matches!(self.shared.stand(), FIRING | FIRED)
    }

    /// The engine has come to its end. False if the last-resort stop was faster.
    pub fn settled(self) -> bool {
        self.shared.leave_armed(SETTLED)
    }

    /// Until the value returned is dropped, a panic of the calling thread fires before its message is printed.
    pub fn fire_on_panic(&self) -> on_panic::First {
        let shared = Arc::clone(&self.shared);
        on_panic::first(move || shared.ring("panic in the engine's thread".to_string()))
    }
}

impl Drop for EngineGuard {
    fn drop(&mut self) {
        if self.shared.stand() == ARMED {
            self.shared.ring("the engine's thread ended before it had settled".to_string());
        }
    }
}

/// For the thread that must outlive the engine.
#[derive(Debug, Clone)]
pub struct Watch {
    shared: Arc<Shared>,
}

impl Watch {
    /// Whether the engine has settled or the last-resort stop is done.
    pub fn is_over(&self) -> bool {
        matches!(self.shared.stand(), SETTLED | FIRED)
    }

    /// Waits until the engine has settled or the last-resort stop is done. One of the two is certain:
    /// an engine that does neither stops beating.
    pub fn wait_until_over(&self) {
        let mut bell = self.shared.lock();
        while !self.is_over() {
            // Looked at again and again: the engine settles without the lock, so a call may pass unheard.
            let (again, _) =
                self.shared.changed.wait_timeout(bell, LOOK_EVERY).unwrap_or_else(PoisonError::into_inner);
            bell = again;
        }
    }
}
