//! The recorder's thread. The engine hands over and never waits: a slow or full disk stops the run,
//! it does not stop the engine.

use crate::engine::{Input, StopReason};
use crate::record::{LoggedInput, Record};
use crate::shell::arrivals::{Inbox, Message};
use crate::shell::clock::Clock;
use crate::shell::drive::spawn_watched;
use crate::shell::planted;
use crate::time::Instant;
use std::sync::mpsc::{Receiver, RecvTimeoutError};
use std::thread::JoinHandle;
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

/// Starts the recorder's thread. On its first error it demands a stop, and goes on keeping what can be
/// kept: a disk that was full may have room again. `ended` hears the first error, or that there was
/// none.
///
/// # Errors
/// The system starts no more threads.
pub fn spawn<R: Recorder>(
    recorder: R,
    clock: Clock,
    from: Receiver<Keep>,
    inbox: Inbox,
    ended: impl FnOnce(Result<(), String>) + Send + 'static,
) -> std::io::Result<JoinHandle<()>> {
    let to_engine = inbox.clone();
    spawn_watched("recorder", clock, inbox, move || {
        let mut keeper = Keeper { recorder, clock, inbox: to_engine, first: None, warned: false };
        keeper.keep_all(&from);
        let finished = keeper.recorder.finish().map_err(|e| format!("{e:#}"));
        ended(keeper.first.map_or(finished, Err));
    })
}

struct Keeper<R> {
    recorder: R,
    clock: Clock,
    inbox: Inbox,
    /// The first error.
    first: Option<String>,
    /// Whether the stop for being behind was demanded.
    warned: bool,
}

impl<R: Recorder> Keeper<R> {
    fn keep_all(&mut self, from: &Receiver<Keep>) {
        let mut ticked = self.clock.now();
        loop {
            planted::panic_if_asked("recorder");
            let result = match from.recv_timeout(TICK) {
                Ok(Keep::Input(input)) => {
                    self.notice_delay(input.at);
                    self.recorder.input(&input)
                }
                Ok(Keep::Record(seq, record)) => self.recorder.record(seq, &record),
                Ok(Keep::End) | Err(RecvTimeoutError::Disconnected) => return,
                Err(RecvTimeoutError::Timeout) => Ok(()),
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

    fn notice_delay(&mut self, at: Instant) {
        if !self.warned && self.clock.now() - at > BEHIND_MAX {
            self.warned = true;
            stop(&self.inbox, &self.clock, "the disk does not keep up with the engine");
        }
    }
}

fn stop(inbox: &Inbox, clock: &Clock, why: &str) {
    let reason = StopReason::Trouble(format!("recorder: {why}"));
    // An engine that has ended by itself needs no stop.
    let _ = inbox.send(Message { at: clock.now(), input: Input::Stop(reason) });
}
