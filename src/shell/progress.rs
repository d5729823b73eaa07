//! Live progress: what the engine tells, put on the terminal by a thread of its own.
//!
//! The engine drops what does not fit into the channel. A terminal that takes nothing, such as one
//! stopped with Ctrl-S, blocks this thread and nobody else.

mod view;
mod wrap;

use crate::plan::Plan;
use crate::record::Record;
use crate::shell::planted;
use crate::time::{Duration, Instant};
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use std::io::{IsTerminal, Write};
use std::sync::Arc;
use std::sync::mpsc::{Receiver, RecvTimeoutError, SyncSender, sync_channel};
use view::View;

/// Messages that may wait for a slow terminal; more are dropped.
const WAITING_MAX: usize = 1024;

/// How often rows of one poll group, and values of one demand, are told.
const TELL_EVERY: Duration = Duration::from_millis(100);

/// How often the bar is drawn again, and how often a plain line of readings is written.
const DRAW_EVERY: std::time::Duration = std::time::Duration::from_millis(100);
const PLAIN_EVERY: Duration = Duration::from_millis(10_000);

/// What the terminal's thread is told.
#[derive(Debug, Clone, PartialEq)]
pub enum Told {
    /// A record of the engine.
    Record(Record),
    /// A remark of the shell.
    Note(String),
    /// Nothing follows.
    End,
}

/// The engine's end of the channel. It never waits.
#[derive(Debug, Clone)]
pub struct Teller {
    to: SyncSender<Told>,
    /// When each poll group and each demand was last told.
    groups: Vec<Option<Instant>>,
    demands: Vec<Option<Instant>>,
}

impl Teller {
    /// A teller and the end that hears it.
    pub fn new() -> (Teller, Receiver<Told>) {
        let (to, from) = sync_channel(WAITING_MAX);
        (Teller { to, groups: Vec::new(), demands: Vec::new() }, from)
    }

    /// Tells every event, and some of the rows and demands.
    pub fn tell(&mut self, record: &Record) {
        let timely = match record {
            Record::Event(_) => true,
            Record::Row(row) => is_time(&mut self.groups, row.group, row.t_reply),
            Record::Sent(sent) => is_time(&mut self.demands, sent.demand, sent.at),
            Record::Chunk(_) => false,
        };
        if timely {
            // Full: the terminal is slow. Gone: nobody looks. The trace has it all.
            let _ = self.to.try_send(Told::Record(record.clone()));
        }
    }

    /// Tells a remark, if there is room.
    pub fn note(&self, text: impl Into<String>) {
        let _ = self.to.try_send(Told::Note(text.into()));
    }

    /// Nothing follows.
    pub fn end(&self) {
        let _ = self.to.try_send(Told::End);
    }
}

fn is_time(told: &mut Vec<Option<Instant>>, index: usize, now: Instant) -> bool {
    if told.len() <= index {
        told.resize(index + 1, None);
    }
    let due = told[index].is_none_or(|last| now - last >= TELL_EVERY);
    if due {
        told[index] = Some(now);
    }
    due
}

/// The terminal, shared by progress and questions.
#[derive(Debug, Clone)]
pub struct Screen {
    /// `None`: standard error is no terminal, and lines are plain.
    bar: Option<ProgressBar>,
}

impl Screen {
    /// Standard error, with a bar if it is a terminal.
    pub fn stderr(plan: &Plan) -> Screen {
        let bar = std::io::stderr().is_terminal().then(|| {
            let length = plan.length_estimate().micros().max(0).unsigned_abs() / 1000;
            let bar = ProgressBar::with_draw_target(Some(length), ProgressDrawTarget::stderr());
            bar.with_style(
                ProgressStyle::with_template("{wide_msg}\n{bar:30} {prefix}")
                    .expect("the template is a constant with known names"),
            )
        });
        Screen { bar }
    }

    /// A line above the bar, or a plain line.
    pub fn line(&self, text: &str) {
        // `println` of the bar says nothing when standard error is redirected; `suspend` does.
        self.suspend(|| {
            // A closed terminal cannot be told anything.
            for line in wrap::wrapped(text, self.width()) {
                let _ = writeln!(std::io::stderr().lock(), "{line}");
            }
        });
    }

    /// Columns of the terminal; without one no line is broken.
    fn width(&self) -> usize {
        let size = self.bar.as_ref().and_then(|_| rustix::termios::tcgetwinsize(std::io::stderr()).ok());
        size.map(|s| usize::from(s.ws_col)).filter(|columns| *columns > 0).unwrap_or(usize::MAX)
    }

    /// Takes the bar away while `show` has the terminal.
    pub fn suspend<R>(&self, show: impl FnOnce() -> R) -> R {
        match &self.bar {
            Some(bar) => bar.suspend(show),
            None => show(),
        }
    }
}

/// The terminal's thread: shows what it is told until the end.
pub fn show(plan: Arc<Plan>, simulated: bool, screen: Screen, from: Receiver<Told>) {
    let mut view = View::new(plan, simulated);
    let mut plain_next = Instant::ZERO + PLAIN_EVERY;
    for line in view.opening() {
        screen.line(&line);
    }
    loop {
        planted::panic_if_asked("terminal");
        match from.recv_timeout(DRAW_EVERY) {
            Ok(Told::Record(record)) => {
                for line in view.take(&record) {
                    screen.line(&line);
                }
            }
            Ok(Told::Note(text)) => screen.line(&text),
            Err(RecvTimeoutError::Timeout) => {}
            Ok(Told::End) | Err(RecvTimeoutError::Disconnected) => break,
        }
        match &screen.bar {
            Some(bar) => {
                bar.set_position(view.now().micros().max(0).unsigned_abs() / 1000);
                bar.set_prefix(view.standing());
                bar.set_message(view.readings(screen.width()));
            }
            None if view.now() >= plain_next => {
                plain_next = view.now() + PLAIN_EVERY;
                screen.line(&format!("{}  {}: {}", view.now(), view.standing(), view.readings(usize::MAX)));
            }
            None => {}
        }
    }
    if let Some(bar) = &screen.bar {
        bar.finish_and_clear();
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::{Event, Row, RowStatus, What};

    fn row(micros: i64) -> Record {
        let t = Instant::from_micros(micros);
        Record::Row(Row {
            group: 2,
            t_request: t,
            t_reply: t,
            t_sample: t,
            u_sample: 0.0,
            values: vec![],
            status: RowStatus::Ok,
        })
    }

    #[test]
    fn rows_are_told_ten_times_a_second_and_events_always() {
        let (mut teller, heard) = Teller::new();
        for micros in (0..1_000_000).step_by(1000) {
            teller.tell(&row(micros));
        }
        let event = Record::Event(Event { at: Instant::ZERO, what: What::Note { text: "n".into() } });
        teller.tell(&event);
        teller.tell(&event);
        let told: Vec<Told> = heard.try_iter().collect();
        assert_eq!(told.len(), 10 + 2);
        assert_eq!(told[11], Told::Record(event));
    }

    /// Nobody takes anything out: were the teller to wait, this test would not end.
    #[test]
    fn a_terminal_that_takes_nothing_holds_nobody_up() {
        let (mut teller, heard) = Teller::new();
        for _ in 0..10 * WAITING_MAX {
            teller.tell(&Record::Event(Event { at: Instant::ZERO, what: What::Note { text: "n".into() } }));
            teller.note("n");
        }
        teller.end();
        assert_eq!(heard.try_iter().count(), WAITING_MAX);
    }
}
