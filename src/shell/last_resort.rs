//! The last-resort stop: a thread with its own handles on the ports and stop frames that were encoded
//! before anything turned. It takes the torque off when the engine cannot.
//!
//! It fires when the engine's thread panics or ends without having settled, and when the engine's
//! loop gives no beat for [`BEATLESS`]. It sends no heartbeat: a controller that stops hearing the
//! engine must run into its own command timeout, which comes sooner. It says nothing when the
//! engine settles first.

use crate::shell::port::Handle;
use crate::shell::{on_panic, planted};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::atomic::{AtomicU64, Ordering};
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

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Stand {
    Armed,
    Settled,
    Firing,
    Fired,
}

#[derive(Debug)]
struct Shared {
    beats: AtomicU64,
    inner: Mutex<Inner>,
    changed: Condvar,
}

#[derive(Debug)]
struct Inner {
    stand: Stand,
    bell: Option<String>,
}

impl Shared {
    fn lock(&self) -> MutexGuard<'_, Inner> {
        // The lock is held for assignments only, which cannot leave half a state behind.
        self.inner.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Takes the stand `Firing`; `None` if the engine has settled meanwhile.
    fn take_over(&self, why: &str) -> Option<String> {
        let mut inner = self.lock();
        if inner.stand == Stand::Settled {
            return None;
        }
        inner.stand = Stand::Firing;
        Some(why.to_string())
    }

    fn ring(&self, why: String) {
        let mut inner = self.lock();
        inner.bell.get_or_insert(why);
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
    let inner = Mutex::new(Inner { stand: Stand::Armed, bell: None });
    let shared = Arc::new(Shared { beats: AtomicU64::new(0), inner, changed: Condvar::new() });
    let mine = Arc::clone(&shared);
    std::thread::Builder::new().name("last resort".to_string()).spawn(move || {
        let _first = on_panic::first(uneasy);
        let waited = || catch_unwind(AssertUnwindSafe(|| wait_for_cause(&mine)));
        let cause = waited().or_else(|_| waited());
        let Some(why) = cause.unwrap_or_else(|_| mine.take_over("the last-resort thread panicked twice")) else {
            return;
        };
        let fired = catch_unwind(AssertUnwindSafe(|| fire(&stops, why.clone())));
        let broken = |_| Fired { why: why + "; the last-resort stop broke off", sent: 0, refused: Vec::new() };
        report(fired.unwrap_or_else(broken));
        mine.lock().stand = Stand::Fired;
        mine.changed.notify_all();
    })?;
    Ok((EngineGuard { shared: Arc::clone(&shared) }, Watch { shared }))
}

/// Waits until there is a cause to fire, and takes the stand `Firing`; `None` once the engine settled.
fn wait_for_cause(shared: &Shared) -> Option<String> {
    let (mut beats, mut looks) = (shared.beats.load(Ordering::Relaxed), 0);
    let mut inner = shared.lock();
    loop {
        planted::panic_if_asked("last resort");
        if inner.stand == Stand::Settled {
            return None;
        }
        if let Some(why) = inner.bell.take() {
            inner.stand = Stand::Firing;
            return Some(why);
        }
        let (again, look) =
            shared.changed.wait_timeout(inner, LOOK_EVERY).unwrap_or_else(PoisonError::into_inner);
        inner = again;
        if !look.timed_out() {
            continue;
        }
        let seen = shared.beats.load(Ordering::Relaxed);
        looks = if seen == beats { looks + 1 } else { 0 };
        beats = seen;
        if looks >= LOOKS_MAX {
            inner.bell.get_or_insert(format!("the engine hung: no beat for {} ms", BEATLESS.as_millis()));
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
        matches!(self.shared.lock().stand, Stand::Firing | Stand::Fired)
    }

    /// The engine has come to its end. False if the last-resort stop was faster.
    pub fn settled(self) -> bool {
        let mut inner = self.shared.lock();
        let in_time = inner.stand == Stand::Armed && inner.bell.is_none();
        if in_time {
            inner.stand = Stand::Settled;
            self.shared.changed.notify_all();
        }
        in_time
    }

    /// Until the value returned is dropped, a panic of the calling thread fires before its message is printed.
    pub fn fire_on_panic(&self) -> on_panic::First {
        let shared = Arc::clone(&self.shared);
        on_panic::first(move || shared.ring("panic in the engine's thread".to_string()))
    }
}

impl Drop for EngineGuard {
    fn drop(&mut self) {
        if self.shared.lock().stand == Stand::Armed {
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
        matches!(self.shared.lock().stand, Stand::Settled | Stand::Fired)
    }

    /// Waits until the engine has settled or the last-resort stop is done. One of the two is certain:
    /// an engine that does neither stops beating.
    pub fn wait_until_over(&self) {
        let mut inner = self.shared.lock();
        while matches!(inner.stand, Stand::Armed | Stand::Firing) {
            inner = self.shared.changed.wait(inner).unwrap_or_else(PoisonError::into_inner);
        }
    }
}
