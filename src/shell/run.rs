//! One run: the threads around the engine, and the main thread that outlives them.
//!
//! The order matters. The last-resort thread is armed before the engine exists as a thread; what
//! keeps and shows things is there before anything is to be kept or shown; the engine starts last. At the end the engine has settled, or the last-resort stop is done, before
//! [`run`] returns: also when it is dropped or panics.

use crate::engine::{Input, Logged, Machine, StopReason};
use crate::outcome::Cause;
use crate::plan::Plan;
use crate::shell::arrivals::{Inbox, Message, inbox};
use crate::shell::child::{TwinChild, Word as TwinWord};
use crate::shell::clock::Clock;
use crate::shell::drive::{Drive, Settled, spawn_watched};
use crate::shell::keep::{self, Hand, Keep, Recorder};
use crate::shell::keys::{self, Terminal};
use crate::shell::last_resort::{self, Fired, StopOn, Watch};
use crate::shell::on_panic;
use crate::shell::operator::{self, Operator};
use crate::shell::planted;
use crate::shell::port::{Handle, Port};
use crate::shell::priority::{Place, take};
use crate::shell::progress::{self, Screen, Teller};
use crate::shell::signals::Signals;
use crate::time::Instant;
use std::io;
use std::sync::Arc;
use std::sync::mpsc;
use std::thread::JoinHandle;
use std::time::Duration;
use tokio::sync::{mpsc as async_mpsc, oneshot};

/// How long the recorder may take to close the trace once the last-resort stop has fired. When the
/// engine settled, it is waited for as long as the disk needs.
const KEPT_WITHIN: Duration = Duration::from_secs(5);

/// How long an engine that has settled may take to let go of its ports.
const FREED_WITHIN: Duration = Duration::from_millis(500);

/// How long the terminal may take to show the last lines. A blocked one is left as it is.
const SHOWN_WITHIN: Duration = Duration::from_secs(1);

/// What a run needs.
#[derive(Debug)]
pub struct Setup<M, R> {
    /// The plan.
    pub plan: Arc<Plan>,
    /// The engine with its log.
    pub machine: Logged<M>,
    /// The trace.
    pub recorder: R,
    /// One open port per link, in the order of the plan.
    pub ports: Vec<Port>,
    /// Who answers questions.
    pub operator: Operator,
    /// Started just now: its zero is the run's.
    pub clock: Clock,
    /// Whether no machine turns, as far as the files say.
    pub simulated: bool,
}

/// How a run ended.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Ending {
    /// As far as the engine knows; criteria come later.
    pub cause: Cause,
    /// In words.
    pub why: String,
    /// The engine's own last word and when it came, on the run's clock; `None` if it never came.
    pub finished: Option<(Cause, Instant)>,
    /// What the last-resort stop did, if it fired.
    pub last_resort: Option<Fired>,
    /// Whether the trace is whole, or what was wrong first.
    pub recorded: Result<(), String>,
    /// How the twin ended, if it did so before the run was over.
    pub twin_ended: Option<String>,
}

/// What the threads tell the main thread.
#[derive(Debug)]
enum Word {
    Settled(Settled),
    Fired(Fired),
}

/// Makes a run, signals and the twin's exit included. Without a twin, pass `None`.
///
/// # Errors
/// Threads, descriptors or signal handlers are lacking: nothing has been sent then.
pub async fn run<M, R>(setup: Setup<M, R>, twin: Option<&mut TwinChild>) -> io::Result<Ending>
where
    M: Machine + Send + 'static,
    R: Recorder,
{
    run_under(Signals::catch()?, setup, twin).await
}

/// As [`run`], with signals that are caught already: one that has come before is a stop at once.
///
/// # Errors
/// As for [`run`].
pub async fn run_under<M, R>(
    mut signals: Signals,
    setup: Setup<M, R>,
    mut twin: Option<&mut TwinChild>,
) -> io::Result<Ending>
where
    M: Machine + Send + 'static,
    R: Recorder,
{
    let mut running = start(setup)?;
    let (inbox, clock) = (running.outlive.inbox.clone(), running.outlive.clock);
    let _first = on_panic::first(move || {
        let why = StopReason::Trouble("panic in the main thread".to_string());
        // An engine that is gone needs no stop.
        let _ = inbox.send(Message { at: clock.now(), input: Input::Stop(why) });
    });
    let mut twin_ended = None;
    let mut stopping = false;
    let word = loop {
        tokio::select! {
            word = running.words.recv() => break word,
            name = signals.next() => {
                if stopping {
                    running.teller.note(format!("{name}: the stop is already under way; wait for it, or use the hard-wired emergency stop"));
                } else {
                    stopping = true;
                    running.outlive.stop(StopReason::Operator(name.to_string()));
                }
            }
            heard = heard(&mut twin), if twin_ended.is_none() => match heard {
                TwinWord::Ended(how) => {
                    running.teller.note(how.clone());
                    twin_ended = Some(how);
                }
                TwinWord::StoodStill { from, to } => running.outlive.twin_stood_still(from, to),
            },
            () = planted::panic_in_main_if_asked() => {}
        }
    };
    Ok(running.close(word, twin_ended, &mut signals).await)
}

async fn heard(twin: &mut Option<&mut TwinChild>) -> TwinWord {
    match twin {
        Some(twin) => twin.heard().await,
        None => std::future::pending().await,
    }
}

struct Running {
    words: async_mpsc::UnboundedReceiver<Word>,
    outlive: Outlive,
    keep: Hand,
    recorded: oneshot::Receiver<Result<(), String>>,
    teller: Teller,
    shown: oneshot::Receiver<()>,
    /// The recorder has had its time.
    kept: bool,
}

fn start<M, R>(setup: Setup<M, R>) -> io::Result<Running>
where
    M: Machine + Send + 'static,
    R: Recorder,
{
    let Setup { plan, machine, recorder, ports, operator, clock, simulated } = setup;
    let (inbox, inbox_end) = inbox()?;
    let (say, words) = async_mpsc::unbounded_channel();

    let (recorded_say, recorded) = oneshot::channel();
    let keep = keep::spawn(recorder, clock, inbox.clone(), move |result| {
        // Nobody may be waiting any more.
        let _ = recorded_say.send(result);
    })?;
    let (teller, told) = Teller::new();
    let (shown_say, shown) = oneshot::channel();
    let screen = Screen::stderr(&plan);
    let (view_plan, view_screen) = (Arc::clone(&plan), screen.clone());
    spawn_watched("terminal", clock, inbox.clone(), move || {
        progress::show(view_plan, simulated, view_screen, told);
        let _ = shown_say.send(());
    })?;
    let (asks, asks_end) = mpsc::channel();
    let answers = inbox.clone();
    spawn_watched("questions", clock, inbox.clone(), move || {
        operator::answer_all(&operator, &screen, &clock, &asks_end, &answers);
    })?;

    let terminal = Terminal::new(io::stdin());
    let (listen, wanted) = mpsc::channel();
    let (keys_inbox, keys_of) = (inbox.clone(), terminal.clone());
    spawn_watched("keys", clock, inbox.clone(), move || {
        take(Place::Keys);
        keys::watch(&keys_of, &wanted, &clock, &keys_inbox);
    })?;

    let handles = || ports.iter().map(Port::handle).collect::<io::Result<Vec<Handle>>>();
    let (links, read_from) = (handles()?, handles()?);
    let fired_say = say.clone();
    let uneasy_inbox = inbox.clone();
    let report = move |fired| {
        let _ = fired_say.send(Word::Fired(fired));
    };
    let uneasy = move || {
        let why = StopReason::Trouble("panic in the thread `last resort`".to_string());
        let _ = uneasy_inbox.send(Message { at: clock.now(), input: Input::Stop(why) });
    };
    let (guard, watch) = last_resort::arm(stop_frames(&plan, &ports)?, report, uneasy)?;
    let drive = Drive {
        machine,
        clock,
        inbox: inbox_end,
        links,
        read_from,
        keep: keep.clone(),
        teller: teller.clone(),
        asks,
        listen,
        guard,
    };
    let engine = std::thread::Builder::new().name("engine".to_string()).spawn(move || {
        if let Some(settled) = drive.run() {
            let _ = say.send(Word::Settled(settled));
        }
    })?;
    let outlive = Outlive { watch, inbox, clock, terminal, engine, _ports: ports };
    Ok(Running { words, outlive, keep, recorded, teller, shown, kept: false })
}

/// The stop frames of the plan, each with a handle that nobody else uses.
fn stop_frames(plan: &Plan, ports: &[Port]) -> io::Result<Vec<StopOn>> {
    let frame = |frame: &crate::plan::StopFrame| {
        let (link, port) = (&plan.links[frame.link], &ports[frame.link]);
        Ok(StopOn { link: link.name.clone(), handle: port.handle()?, bytes: frame.bytes.clone() })
    };
    plan.stop.frames.iter().map(frame).collect()
}

impl Running {
    async fn close(
        mut self,
        word: Option<Word>,
        twin_ended: Option<String>,
        signals: &mut Signals,
    ) -> Ending {
        let watch = self.outlive.watch.clone();
        // It cannot fail but by a panic, and then `outlive` waits when it is dropped.
        let _ = tokio::task::spawn_blocking(move || watch.wait_until_over()).await;
        self.outlive.terminal.give_back();
        self.keep.over(Keep::End);
        let finished = match &word {
            Some(Word::Settled(settled)) => Some((settled.cause, settled.at)),
            Some(Word::Fired(_)) | None => None,
        };
        let (cause, why, last_resort) = match word {
            Some(Word::Settled(settled)) => (settled.cause, settled.why, None),
            Some(Word::Fired(fired)) => (Cause::NotConfirmed, unconfirmed(&fired), Some(fired)),
            None => (Cause::NotConfirmed, "the engine is gone and said nothing".to_string(), None),
        };
        let patience = if last_resort.is_none() { Duration::MAX } else { KEPT_WITHIN };
        let recorded = tokio::select! {
            result = &mut self.recorded => {
                result.unwrap_or_else(|_| Err("the recorder's thread ended early".to_string()))
            }
            () = tokio::time::sleep(patience) => {
                Err(format!("the disk did not take the trace within {} s", patience.as_secs()))
            }
            name = signals.next() => Err(format!("{name} while the disk was still taking the trace")),
        };
        self.kept = true;
        self.teller.end();
        let _ = tokio::time::timeout(SHOWN_WITHIN, &mut self.shown).await;
        Ending { cause, why, finished, last_resort, recorded, twin_ended }
    }
}

/// Only where the main thread panics is there something left to do: the recorder gets its time, or the stop would be
/// missing from the trace.
impl Drop for Running {
    fn drop(&mut self) {
        if self.kept {
            return;
        }
        self.outlive.end();
        self.keep.over(Keep::End);
        let end = std::time::Instant::now() + KEPT_WITHIN;
        while matches!(self.recorded.try_recv(), Err(oneshot::error::TryRecvError::Empty))
            && std::time::Instant::now() < end
        {
            std::thread::sleep(Duration::from_millis(5));
        }
    }
}

fn unconfirmed(fired: &Fired) -> String {
    let mut why = format!("{}; the last-resort stop sent {} stop frames", fired.why, fired.sent);
    for refused in &fired.refused {
        why.push_str(&format!(", but {refused}"));
    }
    why + "; no sample confirms that the torque is off: treat the machine as driven"
}

/// Held by the main thread. However it goes, by return, by panic or by being dropped, the engine has
/// settled or the last-resort stop is done before the ports close.
struct Outlive {
    watch: Watch,
    inbox: Inbox,
    clock: Clock,
    terminal: Terminal<io::Stdin>,
    engine: JoinHandle<()>,
    _ports: Vec<Port>,
}

impl Outlive {
    fn stop(&self, reason: StopReason) {
        // An engine that is gone needs no stop.
        let _ = self.inbox.send(Message { at: self.clock.now(), input: Input::Stop(reason) });
    }

    /// Tells the engine that the twin stood still; CLOCK_MONOTONIC in microseconds.
    fn twin_stood_still(&self, from: i64, to: i64) {
        let at = |monotonic: i64| Instant::from_micros(monotonic - self.clock.began_monotonic());
        let input = Input::TwinStoodStill { from: at(from), to: at(to) };
        // An engine that is gone needs no reason.
        let _ = self.inbox.send(Message { at: self.clock.now(), input });
    }

    /// Sees the engine to its end.
    fn end(&self) {
        if !self.watch.is_over() {
            self.stop(StopReason::Trouble("the main thread is going away".to_string()));
            self.watch.wait_until_over();
        }
        self.terminal.give_back();
    }
}

impl Drop for Outlive {
    fn drop(&mut self) {
        self.end();
        // A port is closed, and exclusive mode over, when nobody has it any more: the next run may be a moment away. An
        // engine that hangs is not waited for.
        let end = std::time::Instant::now() + FREED_WITHIN;
        while !self.engine.is_finished() && std::time::Instant::now() < end {
            std::thread::sleep(Duration::from_millis(1));
        }
    }
}
