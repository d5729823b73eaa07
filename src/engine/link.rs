//! One link from the engine's side: one request at a time, the most urgent first, and lines that
//! are told apart into replies, late replies, lines nobody asked for, and garbage.

use crate::plan::Plan;
use crate::time::{Duration, Instant};
use crate::wire::scpi::block;
use crate::wire::{Line, LineReader, Pattern};

/// What a request is for. The order is the order of urgency.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub(super) enum Purpose {
    /// Stop frame by index in the plan.
    Stop(usize),
    /// Demand by index.
    Demand(usize),
    /// Step of enabling.
    Enable(usize),
    /// Step of resetting a fault.
    Reset(usize),
    /// The identity of the link.
    Identity,
    /// Setting of the link by index.
    Setting(usize),
    /// Poll group by index.
    Poll(usize),
    /// The start of a burst, by index: bursts take what the rest leaves of the line.
    BurstStart(usize),
    /// How many samples of a burst there are.
    BurstCount(usize),
    /// A piece of a burst.
    BurstRead(usize),
}

impl Purpose {
    /// Whether it is part of taking a burst.
    pub(super) fn is_of_a_burst(self) -> bool {
        matches!(self, Purpose::BurstStart(_) | Purpose::BurstCount(_) | Purpose::BurstRead(_))
    }
}

/// What a reply must look like.
#[derive(Debug, Clone, Copy)]
pub(super) enum Expected<'p> {
    /// A line that fits a pattern.
    Line(&'p Pattern),
    /// A definite-length block of IEEE 488.2.
    Block,
}

impl Expected<'_> {
    fn fits(self, line: &[u8]) -> bool {
        match self {
            Expected::Line(pattern) => pattern.fit(line).is_some(),
            Expected::Block => block(line).is_some(),
        }
    }
}

/// A request on its way.
#[derive(Debug, Clone, Copy)]
struct Busy {
    purpose: Purpose,
    sent: Instant,
    bytes: usize,
    deadline: Instant,
}

/// What came of a request, or of a line.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Heard {
    /// The reply to a request: a line that fits what is expected, and the bytes of both on the line.
    Reply { purpose: Purpose, sent: Instant, request: usize, reply: usize, line: Vec<u8> },
    /// A line came where the reply should be and does not fit; the request is over.
    Malformed { purpose: Purpose, sent: Instant, line: Vec<u8> },
    /// No reply in time.
    Lost { purpose: Purpose, sent: Instant },
    /// A request that needs no reply has left the line.
    Gone { purpose: Purpose },
    /// A line that may come unasked.
    Unsolicited(Vec<u8>),
    /// The reply to a request that was given up.
    Late(Vec<u8>),
    /// A line that fits nothing.
    Garbage(Vec<u8>),
}

/// The engine's side of a link.
#[derive(Debug)]
pub(super) struct HostLink {
    index: usize,
    reader: LineReader,
    /// What waits, and when a poll's values are wanted at the latest.
    waiting: Vec<(Purpose, Instant)>,
    busy: Option<Busy>,
    /// Until then a late reply may come; only stop frames go out.
    quiet_until: Instant,
    /// What was given up since the last request other than a stop frame: its replies are still owed.
    owed: Vec<Purpose>,
    /// What the last exchange took beyond the time of its bytes on the line.
    thinks: Duration,
    /// What it took from the request to the reply.
    took: Duration,
    lost: bool,
}

impl HostLink {
    pub(super) fn new(plan: &Plan, index: usize) -> HostLink {
        let link = &plan.links[index];
        HostLink {
            index,
            reader: LineReader::new(&link.ends_with, link.line_max),
            waiting: Vec::new(),
            busy: None,
            quiet_until: Instant::ZERO + link.settle,
            owed: Vec::new(),
            thinks: Duration::ZERO,
            took: Duration::ZERO,
            lost: false,
        }
    }

    /// Asks for a request to be sent when the line is free. False if the same one already waits.
    pub(super) fn ask(&mut self, purpose: Purpose) -> bool {
        self.ask_by(purpose, Instant::ZERO)
    }

    /// The same for a poll whose values are wanted by a moment: of polls that wait, the one goes first that is wanted first,
    /// so that none starves another on a line that is slower than all of them ask for.
    pub(super) fn ask_by(&mut self, purpose: Purpose, wanted: Instant) -> bool {
        if !self.takes(purpose) || self.waits(purpose) {
            return false;
        }
        self.waiting.push((purpose, wanted));
        true
    }

    /// Nothing more is asked of a lost link, but stop frames are tried on it: it may come back, and they cost nothing.
    fn takes(&self, purpose: Purpose) -> bool {
        !self.lost || matches!(purpose, Purpose::Stop(_))
    }

    fn waits(&self, purpose: Purpose) -> bool {
        self.waiting.iter().any(|(waiting, _)| *waiting == purpose)
    }

    /// Forgets what waits and what is under way, so that a stop frame goes out at once. A reply
    /// that is still owed will be passed over.
    pub(super) fn abandon(&mut self, plan: &Plan, now: Instant) {
        self.waiting.clear();
        if let Some(busy) = self.busy.take() {
            let grace = plan.links[self.index].reply_within;
            self.quiet_until = self.quiet_until.max(busy.deadline.max(now) + grace);
            self.owe(busy.purpose);
        }
    }

    fn owe(&mut self, purpose: Purpose) {
        if !self.owed.contains(&purpose) {
            self.owed.push(purpose);
        }
    }

    /// How long the last exchange took, if this request waits although the line is free for requests.
    pub(super) fn keeps_waiting(&self, now: Instant, purpose: Purpose) -> Option<Duration> {
        (self.waits(purpose) && self.quiet_until <= now && !self.lost).then_some(self.took)
    }

    /// Drops waiting requests that match.
    pub(super) fn cancel(&mut self, drop: impl Fn(Purpose) -> bool) {
        self.waiting.retain(|(p, _)| !drop(*p));
    }

    /// The next request that may go out now. A piece of a burst goes only if it is over by `free_until`, when
    /// something more urgent will want the line.
    pub(super) fn next_request(&mut self, plan: &Plan, now: Instant, free_until: Instant) -> Option<Purpose> {
        if self.busy.is_some() {
            return None;
        }
        let (at, (purpose, _)) = self.waiting.iter().copied().enumerate().min_by_key(|(_, w)| turn(*w))?;
        if now < self.quiet_until && !matches!(purpose, Purpose::Stop(_)) {
            return None;
        }
        if let Purpose::BurstRead(index) = purpose {
            let takes = plan.links[self.index].line_time(plan.bursts[index].piece_bytes);
            if now + takes + self.thinks > free_until {
                return None;
            }
        }
        self.waiting.remove(at);
        Some(purpose)
    }

    /// Notes that a request of so many bytes was handed to the line.
    pub(super) fn sent(&mut self, plan: &Plan, now: Instant, purpose: Purpose, bytes: usize) {
        if !matches!(purpose, Purpose::Stop(_)) {
            self.owed.clear();
        }
        let link = &plan.links[self.index];
        let gone = now + link.line_time(bytes);
        let wait =
            if expectation(plan, self.index, purpose).is_some() { link.reply_within } else { Duration::ZERO };
        self.busy = Some(Busy { purpose, sent: now, bytes, deadline: gone + wait });
    }

    /// When something must be looked at: a reply overdue, or the end of the quiet time.
    pub(super) fn deadline(&self, now: Instant) -> Option<Instant> {
        match &self.busy {
            Some(busy) => Some(busy.deadline),
            None if !self.waiting.is_empty() && self.quiet_until > now => Some(self.quiet_until),
            None => None,
        }
    }

    /// Gives up a request whose deadline is past.
    pub(super) fn overdue(&mut self, plan: &Plan, now: Instant) -> Option<Heard> {
        let busy = self.busy.filter(|b| b.deadline <= now)?;
        self.busy = None;
        if expectation(plan, self.index, busy.purpose).is_none() {
            return Some(Heard::Gone { purpose: busy.purpose });
        }
        self.quiet_until = self.quiet_until.max(now + plan.links[self.index].reply_within);
        self.owe(busy.purpose);
        Some(Heard::Lost { purpose: busy.purpose, sent: busy.sent })
    }

    /// Takes bytes as they came.
    pub(super) fn push(&mut self, bytes: &[u8]) {
        self.reader.push(bytes);
    }

    /// What the next line means, if there is one.
    pub(super) fn hear(&mut self, plan: &Plan, now: Instant) -> Option<Heard> {
        let line = match self.reader.next_line()? {
            Line::Whole(line) => line,
            Line::TooLong(bytes) => return Some(Heard::Garbage(bytes)),
        };
        let fits = |p: &Pattern| p.fit(&line).is_some();
        let link = &plan.links[self.index];
        let expected = self.busy.and_then(|b| expectation(plan, self.index, b.purpose).map(|p| (b, p)));
        if let Some((busy, expected)) = expected {
            if expected.fits(&line) {
                self.busy = None;
                let bytes = busy.bytes + line.len() + link.ends_with.len();
                self.took = now - busy.sent;
                self.thinks = (now - busy.sent - link.line_time(bytes)).max(Duration::ZERO);
                return Some(Heard::Reply {
                    purpose: busy.purpose,
                    sent: busy.sent,
                    request: busy.bytes,
                    reply: line.len() + link.ends_with.len(),
                    line,
                });
            }
            if link.unsolicited.iter().any(fits) {
                return Some(Heard::Unsolicited(line));
            }
            // The answer to something abandoned may come before the answer to a stop frame.
            if !matches!(busy.purpose, Purpose::Stop(_)) {
                self.busy = None;
                // The right reply may still come: it must not be taken for the reply to the next.
                self.quiet_until = self.quiet_until.max(now + link.reply_within);
                return Some(Heard::Malformed { purpose: busy.purpose, sent: busy.sent, line });
            }
        } else if link.unsolicited.iter().any(fits) {
            return Some(Heard::Unsolicited(line));
        }
        let is_it = |p: &Purpose| expectation(plan, self.index, *p).is_some_and(|e| e.fits(&line));
        if let Some(at) = self.owed.iter().position(is_it) {
            self.owed.remove(at);
            return Some(Heard::Late(line));
        }
        Some(Heard::Garbage(line))
    }

    pub(super) fn lose(&mut self) {
        self.lost = true;
        self.busy = None;
        self.waiting.clear();
    }

    pub(super) fn is_lost(&self) -> bool {
        self.lost
    }
}

/// What goes first: stops, demands and so on in the order of [`Purpose`]; among polls the one wanted first.
fn turn((purpose, wanted): (Purpose, Instant)) -> (Purpose, Instant, Purpose) {
    let sort = if matches!(purpose, Purpose::Poll(_)) { Purpose::Poll(0) } else { purpose };
    (sort, wanted, purpose)
}

/// What the reply to a request must look like; `None` if none is expected.
pub(super) fn expectation(plan: &Plan, link: usize, purpose: Purpose) -> Option<Expected<'_>> {
    let pattern = match purpose {
        Purpose::Stop(i) => plan.stop.frames[i].expect.as_ref(),
        Purpose::Demand(i) => plan.demands[i].expect.as_ref(),
        Purpose::Enable(i) => plan.drive.enable[i].expect.as_ref(),
        Purpose::Reset(i) => plan.drive.reset[i].expect.as_ref(),
        Purpose::Identity => plan.links[link].identity.as_ref().map(|e| &e.expect),
        Purpose::Setting(i) => Some(&plan.links[link].settings[i].exchange.expect),
        Purpose::Poll(i) => Some(&plan.groups[i].exchange.expect),
        Purpose::BurstStart(i) => Some(&plan.bursts[i].start.expect),
        Purpose::BurstCount(i) => plan.bursts[i].count.as_ref().map(|c| &c.expect),
        Purpose::BurstRead(_) => return Some(Expected::Block),
    };
    pattern.map(Expected::Line)
}

/// What stands in the fields of a reply.
pub(super) fn fields(plan: &Plan, link: usize, purpose: Purpose, line: &[u8]) -> Vec<String> {
    let fields = match expectation(plan, link, purpose) {
        Some(Expected::Line(pattern)) => pattern.fit(line).unwrap_or_default(),
        Some(Expected::Block) | None => Vec::new(),
    };
    fields.into_iter().map(String::from).collect()
}
