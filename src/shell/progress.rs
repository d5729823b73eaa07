//! Live progress: what the engine tells, put on the terminal by a thread of its own.
//!
//! The engine drops what does not fit into the channel. A terminal that takes nothing, such as one
//! stopped with Ctrl-S, blocks this thread and nobody else.

mod view;
mod wrap;

use crate::plan::Plan;
use crate::record::{Record, Row, What};
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
    /// The newest row of each poll group, if it was not told.
    held: Vec<Option<Row>>,
}

impl Teller {
    /// A teller and the end that hears it.
    pub fn new() -> (Teller, Receiver<Told>) {
        let (to, from) = sync_channel(WAITING_MAX);
        (Teller { to, groups: Vec::new(), demands: Vec::new(), held: Vec::new() }, from)
    }

    /// Tells every event, and some of the rows and demands. Before a stage of the safe state come the rows that show it: a
    /// reading from before it must not stay on the glass.
    pub fn tell(&mut self, record: &Record) {
        let timely = match record {
            Record::Event(event) => {
                if matches!(event.what, What::Stage { .. }) {
                    for row in self.held.iter_mut().filter_map(Option::take) {
                        let _ = self.to.try_send(Told::Record(Record::Row(row)));
                    }
                }
                true
            }
            Record::Row(row) => {
                let timely = is_time(&mut self.groups, row.group, row.t_reply);
                self.held.resize(self.groups.len(), None);
                self.held[row.group] = (!timely).then(|| row.clone());
                timely
            }
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

/// Whether a stream is a terminal that takes escapes; one that calls itself `dumb` prints them.
pub fn moves_cursor(stream: &impl IsTerminal) -> bool {
    stream.is_terminal() && std::env::var_os("TERM").is_none_or(|term| term != "dumb")
}

impl Screen {
    /// Standard error, with a bar if it is a terminal.
    pub fn stderr(plan: &Plan) -> Screen {
        let bar = moves_cursor(&std::io::stderr()).then(|| {
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
        let lines = match from.recv_timeout(DRAW_EVERY) {
            Ok(Told::Record(record)) => view.take(&record),
            Ok(Told::Note(text)) => vec![text],
            Err(RecvTimeoutError::Timeout) => Vec::new(),
            Ok(Told::End) | Err(RecvTimeoutError::Disconnected) => break,
        };
        // A line draws what stands below it again, at once: it must be of the same record. Nothing may follow for long.
        if let Some(bar) = &screen.bar {
            bar.set_position(view.now().micros().max(0).unsigned_abs() / 1000);
            bar.set_prefix(view.standing());
            bar.set_message(view.readings(screen.width()));
        }
        for line in lines {
            screen.line(&line);
        }
        if screen.bar.is_none() && view.now() >= plain_next {
            plain_next = view.now() + PLAIN_EVERY;
            screen.line(&format!("{}  {}: {}", view.now(), view.standing(), view.readings(usize::MAX)));
        }
    }
    if let Some(bar) = &screen.bar {
        bar.finish_and_clear();
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::{Event, RowStatus, Stage};

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

    /// Up to a tenth of a second before it the shaft still turned: what shows a stage is told before it, once.
    #[test]
    fn the_rows_that_show_a_stage_are_told_before_it() {
        let (mut teller, heard) = Teller::new();
        for micros in (0..=150_000).step_by(1000) {
            teller.tell(&row(micros));
        }
        let what = What::Stage { stage: Stage::AtRest, confirmed: true, found: "0.4 rpm".into() };
        let stage = Record::Event(Event { at: Instant::from_micros(150_000), what });
        teller.tell(&stage);
        teller.tell(&stage);
        let told: Vec<Told> = heard.try_iter().collect();
        // At 0 and 100 ms by the clock, then the newest, and the stage twice.
        let expected = [row(0), row(100_000), row(150_000), stage.clone(), stage];
        assert_eq!(told, expected.map(Told::Record));
    }

    /// A terminal that keeps what was written last.
    #[derive(Debug, Clone, Default)]
    struct Glass(Arc<std::sync::Mutex<String>>);

    impl indicatif::TermLike for Glass {
        fn width(&self) -> u16 {
            100
        }
        fn move_cursor_up(&self, _: usize) -> std::io::Result<()> {
            Ok(())
        }
        fn move_cursor_down(&self, _: usize) -> std::io::Result<()> {
            Ok(())
        }
        fn move_cursor_right(&self, _: usize) -> std::io::Result<()> {
            Ok(())
        }
        fn move_cursor_left(&self, _: usize) -> std::io::Result<()> {
            Ok(())
        }
        fn write_line(&self, text: &str) -> std::io::Result<()> {
            self.write_str(text)
        }
        fn write_str(&self, text: &str) -> std::io::Result<()> {
            let told = ["demand", "torque off"].into_iter().find(|told| text.contains(told));
            told.into_iter().for_each(|told| *self.0.lock().expect("nobody panics with it") = told.into());
            Ok(())
        }
        fn clear_line(&self) -> std::io::Result<()> {
            Ok(())
        }
        fn flush(&self) -> std::io::Result<()> {
            Ok(())
        }
    }

    /// Nothing may come for long after the last stage: what then stands on the glass must not be of a record before it. The
    /// bar draws by itself only so often, which the many demands use up; what a line draws again it always draws.
    #[test]
    fn what_a_line_draws_again_is_of_the_record_that_it_tells() {
        let plan = Arc::new(crate::shell::support::plan(9600));
        let glass = Glass::default();
        let target = ProgressDrawTarget::term_like_with_hz(Box::new(glass.clone()), 1);
        let style = ProgressStyle::with_template("{wide_msg}").expect("a constant");
        let bar = ProgressBar::with_draw_target(Some(1000), target).with_style(style);
        let (teller, heard) = sync_channel(WAITING_MAX);
        for i in 1..=200 {
            let sent = crate::record::Sent { at: Instant::from_micros(i * 1000), demand: 0, value: i as f64 };
            teller.send(Told::Record(Record::Sent(sent))).expect("it waits");
        }
        let what = What::StopBegan { reason: "a test".into() };
        teller
            .send(Told::Record(Record::Event(Event { at: Instant::from_micros(300_000), what })))
            .expect("it waits");
        teller.send(Told::End).expect("it waits");
        show(plan, false, Screen { bar: Some(bar) }, heard);
        assert_eq!(*glass.0.lock().expect("nobody panics with it"), "torque off");
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
