//! One link from the engine's side: one request at a time, the most urgent first, and lines that
//! are told apart into replies, late replies, lines nobody asked for, and garbage.

use super::owed::{Owed, tells_apart};
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
    pub(super) fn fits(self, line: &[u8]) -> bool {
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
    /// Part of a line that may be owed had come when it was sent: the line that this becomes is no reply to it.
    behind_part: bool,
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
    /// The request that has its turn. Stop frames take no turns.
    busy: Option<Busy>,
    /// The newest of each stop frame that is not yet acknowledged.
    stops: Vec<Busy>,
    /// A stop frame was not acknowledged before the next left: nothing else waits for their acknowledgement any more.
    unanswered: bool,
    /// Until then only stop frames go out: the port has just been opened, or a line that came late may come double.
    silent_until: Instant,
    /// Until what is owed has come, or its time is over, only stop frames go out.
    owed: Owed,
    /// When the last byte of what was handed to the line has left.
    gone: Instant,
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
            stops: Vec::new(),
            unanswered: false,
            silent_until: Instant::ZERO + link.settle,
            owed: Owed::default(),
            gone: Instant::ZERO,
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

    /// Forgets what waits and what is under way, so that nothing asked for before a stop counts after it. A reply
    /// that is still owed will be passed over.
    pub(super) fn abandon(&mut self, plan: &Plan, now: Instant) {
        self.waiting.clear();
        if let Some(busy) = self.busy.take() {
            let until = busy.deadline.max(now) + plan.links[self.index].reply_within;
            self.owed.add(plan, self.index, busy.purpose, busy.sent, until);
        }
    }

    /// How long the last exchange took, if this request waits although the line is free for requests.
    pub(super) fn keeps_waiting(&self, now: Instant, purpose: Purpose) -> Option<Duration> {
        let quiet = now < self.silent_until || self.owed.until(now).is_some();
        (self.waits(purpose) && !quiet && !self.lost).then_some(self.took)
    }

    /// Drops waiting requests that match.
    pub(super) fn cancel(&mut self, drop: impl Fn(Purpose) -> bool) {
        self.waiting.retain(|(p, _)| !drop(*p));
    }

    /// The next request that may go out now. A stop frame always may, whatever is under way. A piece of a burst goes only if it is
    /// over by `free_until`, when something more urgent will want the line.
    pub(super) fn next_request(&mut self, plan: &Plan, now: Instant, free_until: Instant) -> Option<Purpose> {
        let (at, (purpose, _)) = self.waiting.iter().copied().enumerate().min_by_key(|(_, w)| turn(*w))?;
        if !matches!(purpose, Purpose::Stop(_)) && self.must_wait(plan, now, purpose, free_until) {
            return None;
        }
        self.waiting.remove(at);
        Some(purpose)
    }

    fn must_wait(&self, plan: &Plan, now: Instant, purpose: Purpose, free_until: Instant) -> bool {
        if self.busy.is_some() || now < self.silent_until {
            return true;
        }
        let apart = |stop: &Busy| self.unanswered && tells_apart(plan, self.index, stop.purpose, purpose);
        if !self.stops.iter().all(apart) || self.owed.holds(plan, self.index, purpose, now).is_some() {
            return true;
        }
        let Purpose::BurstRead(index) = purpose else { return false };
        let takes = plan.links[self.index].line_time(plan.bursts[index].piece_bytes);
        now + takes + self.thinks > free_until
    }

    /// Notes that a request of so many bytes was handed to the line.
    pub(super) fn sent(&mut self, plan: &Plan, now: Instant, purpose: Purpose, bytes: usize) {
        let link = &plan.links[self.index];
        self.gone = self.gone.max(now) + link.line_time(bytes);
        let wait =
            if expectation(plan, self.index, purpose).is_some() { link.reply_within } else { Duration::ZERO };
        // Whose line the part is that has come nobody knows where nothing is owed: it may be noise, and is left alone.
        let behind_part = self.reader.has_part() && !self.owed.is_empty();
        let request = Busy { purpose, sent: now, bytes, deadline: self.gone + wait, behind_part };
        if !matches!(purpose, Purpose::Stop(_)) {
            self.owed.forget(now);
            self.busy = Some(request);
            return;
        }
        if let Some(at) = self.stops.iter().position(|stop| stop.purpose == purpose) {
            let before = self.stops.remove(at);
            self.unanswered = true;
            let until = before.deadline.max(now) + link.reply_within;
            self.owed.add(plan, self.index, before.purpose, before.sent, until);
        }
        self.stops.push(request);
    }

    /// When something must be looked at: a reply overdue, or the end of the quiet time.
    pub(super) fn deadline(&self, plan: &Plan, now: Instant) -> Option<Instant> {
        let overdue = self.busy.iter().chain(&self.stops).map(|request| request.deadline).min();
        let held = |(purpose, _): &(Purpose, Instant)| self.owed.holds(plan, self.index, *purpose, now);
        let silent = Some(self.silent_until).filter(|until| *until > now && !self.waiting.is_empty());
        let quiet = self.waiting.iter().filter_map(held).chain(silent).min();
        overdue.into_iter().chain(quiet).min()
    }

    /// Gives up a request whose deadline is past.
    pub(super) fn overdue(&mut self, plan: &Plan, now: Instant) -> Option<Heard> {
        let request = match self.busy.filter(|busy| busy.deadline <= now) {
            Some(busy) => {
                self.busy = None;
                busy
            }
            None => {
                let at = self.stops.iter().position(|stop| stop.deadline <= now)?;
                self.stops.remove(at)
            }
        };
        let Busy { purpose, sent, .. } = request;
        if expectation(plan, self.index, purpose).is_none() {
            return Some(Heard::Gone { purpose });
        }
        self.unanswered |= matches!(purpose, Purpose::Stop(_));
        self.owed.add(plan, self.index, purpose, sent, now + plan.links[self.index].reply_within);
        Some(Heard::Lost { purpose, sent })
    }

    /// Takes bytes as they came.
    pub(super) fn push(&mut self, bytes: &[u8]) {
        self.reader.push(bytes);
    }

    /// What the next line means, if there is one.
    pub(super) fn hear(&mut self, plan: &Plan, now: Instant) -> Option<Heard> {
        let line = self.reader.next_line()?;
        // The first line after a request ends the part that was there before it.
        let mut behind_part = false;
        for request in self.busy.iter_mut().chain(&mut self.stops) {
            behind_part |= std::mem::take(&mut request.behind_part);
        }
        let line = match line {
            Line::Whole(line) => line,
            Line::TooLong(bytes) => return Some(Heard::Garbage(bytes)),
        };
        let fits = |busy: &Busy| expectation(plan, self.index, busy.purpose).is_some_and(|e| e.fits(&line));
        let asked =
            self.busy.iter().chain(&self.stops).filter(|busy| fits(busy)).min_by_key(|b| b.sent).copied();
        // Of frames that are all alike the newest is the one that is acknowledged: it is the older debt that ends sooner.
        let again = |purpose| self.stops.iter().any(|stop| stop.purpose == purpose);
        let first = self.owed.oldest(plan, self.index, &line, |purpose| !again(purpose));
        let owed = first.filter(|(_, sent)| asked.is_none_or(|asked| *sent < asked.sent));
        let owed = match asked {
            Some(_) if !behind_part => owed,
            _ => owed.or_else(|| self.owed.oldest(plan, self.index, &line, |_| true)),
        };
        if let Some((index, _)) = owed {
            self.owed.settle(index);
            self.wait_for_a_double(plan, now, line.len());
            return Some(Heard::Late(line));
        }
        match asked {
            Some(_) if behind_part => Some(Heard::Late(line)),
            Some(asked) => Some(self.reply(plan, now, asked, line)),
            None => Some(self.unfitting(plan, now, line, behind_part)),
        }
    }

    /// A line that has come late may come double: a copy behind it must not be taken for the reply to what is sent next.
    fn wait_for_a_double(&mut self, plan: &Plan, now: Instant, length: usize) {
        if self.owed.until(now).is_none() {
            let link = &plan.links[self.index];
            self.silent_until = self.silent_until.max(now + link.line_time(length + link.ends_with.len()));
        }
    }

    fn reply(&mut self, plan: &Plan, now: Instant, asked: Busy, line: Vec<u8>) -> Heard {
        match asked.purpose {
            Purpose::Stop(_) => {
                self.stops.retain(|stop| stop.purpose != asked.purpose);
                self.unanswered = false;
            }
            _ => self.busy = None,
        }
        let link = &plan.links[self.index];
        let reply = line.len() + link.ends_with.len();
        self.took = now - asked.sent;
        self.thinks = (now - asked.sent - link.line_time(asked.bytes + reply)).max(Duration::ZERO);
        Heard::Reply { purpose: asked.purpose, sent: asked.sent, request: asked.bytes, reply, line }
    }

    /// A line that fits nothing that was asked for.
    fn unfitting(&mut self, plan: &Plan, now: Instant, line: Vec<u8>, behind_part: bool) -> Heard {
        let link = &plan.links[self.index];
        if link.unsolicited.iter().any(|pattern| pattern.fit(&line).is_some()) {
            return Heard::Unsolicited(line);
        }
        // With something else owed or asked for it need not be the reply to this: it was perhaps the reply to that.
        let alone = self.stops.is_empty() && self.owed.until(now).is_none() && !behind_part;
        let expects = |busy: &Busy| expectation(plan, self.index, busy.purpose).is_some();
        match self.busy.filter(|busy| alone && expects(busy)) {
            Some(busy) => {
                self.busy = None;
                // The right reply may still come: it must not be taken for the reply to the next.
                self.owed.add(plan, self.index, busy.purpose, busy.sent, now + link.reply_within);
                Heard::Malformed { purpose: busy.purpose, sent: busy.sent, line }
            }
            None => Heard::Garbage(line),
        }
    }

    pub(super) fn lose(&mut self) {
        self.lost = true;
        self.busy = None;
        self.stops.clear();
        self.waiting.clear();
    }

    pub(super) fn is_lost(&self) -> bool {
        self.lost
    }
}

/// What goes first: stops, demands and so on in the order of [`Purpose`]; among polls and what the controller is asked of itself
/// the one wanted first.
fn turn((purpose, wanted): (Purpose, Instant)) -> (Purpose, Instant, Purpose) {
    let read = matches!(purpose, Purpose::Poll(_) | Purpose::Identity | Purpose::Setting(_));
    (if read { Purpose::Poll(0) } else { purpose }, wanted, purpose)
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

#[cfg(test)]
mod tests;
