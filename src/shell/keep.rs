//! The recorder's thread. The engine hands over and never waits: a disk that is slow, full, or does not answer stops the
//! run, it does not stop the engine.

use crate::engine::{Input, StopReason};
use crate::record::{LoggedInput, Record};
use crate::shell::arrivals::{Inbox, Message};
use crate::shell::clock::Clock;
use crate::shell::drive::spawn_watched;
use crate::shell::planted;
use crate::time::Instant;
use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};
use std::sync::mpsc::{self, Receiver, RecvTimeoutError, Sender};
use std::time::Duration;

/// How often the recorder gets a chance to close a batch by age.
const TICK: Duration = Duration::from_millis(50);

/// How far the recorder may be behind the engine before the run is stopped.
const BEHIND_MAX: crate::time::Duration = crate::time::Duration::from_millis(10_000);

/// Something to keep.
#[derive(Debug, Clone, PartialEq)]
pub enum Keep {
    /// An input of the engine, before the records that it led to.
    Input(LoggedInput),
    /// A record with its run-wide sequence number.
    Record(u64, Record),
    /// Nothing follows.
    End,
}

/// What the recorder's thread writes to: the trace, or a stand-in of its shape.
pub trait Recorder: Send + 'static {
    /// Keeps an input.
    ///
    /// # Errors
    /// It could not be kept.
    fn input(&mut self, input: &LoggedInput) -> anyhow::Result<()>;
    /// Keeps a record.
    ///
    /// # Errors
    /// It could not be kept.
    fn record(&mut self, seq: u64, record: &Record) -> anyhow::Result<()>;
    /// Closes what is old enough.
    ///
    /// # Errors
    /// It could not be kept.
    fn tick(&mut self, now: Instant) -> anyhow::Result<()>;
    /// Closes everything. Also called after an error, to save what can be saved.
    ///
    /// # Errors
    /// It could not be kept.
    fn finish(self) -> anyhow::Result<()>;
}

/// What the engine's thread has of the recorder: it hands over, and sees how far the recorder is.
#[derive(Debug, Clone)]
pub struct Hand {
    to: Sender<Keep>,
    reached: Arc<AtomicI64>,
}

impl Hand {
    /// Hands over. A recorder that is gone has said so by itself, as a stop.
    pub fn over(&self, keep: Keep) {
        let _ = self.to.send(keep);
    }

    /// Why the run must stop at `now`, if the recorder is too far behind: nothing else would tell of a write that never returns.
    pub fn too_far_behind(&self, now: Instant) -> Option<StopReason> {
        let reached = Instant::from_micros(self.reached.load(Ordering::Relaxed));
        let why = "recorder: the disk does not keep up with the engine";
        (now - reached > BEHIND_MAX).then(|| StopReason::Trouble(why.to_string()))
    }
}

/// Starts the recorder's thread. On its first error it demands a stop, and goes on keeping what can be
/// kept: a disk that was full may have room again. `ended` hears the first error, or that there was
/// none.
///
/// # Errors
/// The system starts no more threads.
pub fn spawn<R: Recorder>(
    recorder: R,
    clock: Clock,
    inbox: Inbox,
    ended: impl FnOnce(Result<(), String>) + Send + 'static,
) -> std::io::Result<Hand> {
    let (to, from) = mpsc::channel();
    let reached = Arc::new(AtomicI64::new(clock.now().micros()));
    let hand = Hand { to, reached: Arc::clone(&reached) };
    let to_engine = inbox.clone();
    spawn_watched("recorder", clock, inbox, move || {
        let mut keeper = Keeper { recorder, clock, inbox: to_engine, first: None, reached };
        keeper.keep_all(&from);
        let finished = keeper.recorder.finish().map_err(|e| format!("{e:#}"));
        ended(keeper.first.map_or(finished, Err));
    })?;
    Ok(hand)
}

struct Keeper<R> {
    recorder: R,
    clock: Clock,
    inbox: Inbox,
    /// The first error.
    first: Option<String>,
    /// Up to which input everything was kept, us.
    reached: Arc<AtomicI64>,
}

impl<R: Recorder> Keeper<R> {
    fn keep_all(&mut self, from: &Receiver<Keep>) {
        let mut ticked = self.clock.now();
        loop {
            planted::panic_if_asked("recorder");
            let result = match from.recv_timeout(TICK) {
                Ok(Keep::Input(input)) => {
                    let result = self.recorder.input(&input);
                    self.reached.store(input.at.micros(), Ordering::Relaxed);
                    result
                }
                Ok(Keep::Record(seq, record)) => self.recorder.record(seq, &record),
                Ok(Keep::End) | Err(RecvTimeoutError::Disconnected) => return,
                Err(RecvTimeoutError::Timeout) => {
                    self.reached.store(self.clock.now().micros(), Ordering::Relaxed);
                    Ok(())
                }
            };
            self.notice(result);
            let now = self.clock.now();
            if (now - ticked).to_std() >= TICK {
                let result = self.recorder.tick(now);
                self.notice(result);
                ticked = now;
            }
        }
    }

    fn notice(&mut self, result: anyhow::Result<()>) {
        if let (Err(error), None) = (result, &self.first) {
            let why = format!("{error:#}");
            stop(&self.inbox, &self.clock, &why);
            self.first = Some(why);
        }
    }
}

fn stop(inbox: &Inbox, clock: &Clock, why: &str) {
    let reason = StopReason::Trouble(format!("recorder: {why}"));
    // An engine that has ended by itself needs no stop.
    let _ = inbox.send(Message { at: clock.now(), input: Input::Stop(reason) });
}
