//! Bursts: started, waited for, and read piece by piece while the line has nothing more urgent to do.

use super::Timer;
use super::core::Core;
use super::link::Purpose;
use crate::plan::{Burst, Plan, Segment};
use crate::record::{Chunk, NO_LONGER_WANTED, Record, What};
use crate::time::{Duration, Instant};
use crate::wire::scpi::block;

/// How often in a row a request of a burst may fail before the burst is given up.
const FAILURES_MAX: u32 = 3;
/// How long to wait before asking again for a burst that is not yet whole.
const ASK_AGAIN: Duration = Duration::from_millis(10);

/// Which bursts are wanted, and the one under way.
#[derive(Debug, Default)]
pub(super) struct Bursts {
    /// Indices in the plan; they take turns.
    wanted: Vec<usize>,
    turn: usize,
    /// How many were begun.
    begun: u32,
    capture: Option<Capture>,
}

/// A burst under way.
#[derive(Debug, Clone, Copy)]
struct Capture {
    burst: usize,
    /// When it was begun: what was sent before belongs to another.
    since: Instant,
    number: u32,
    /// Channel and sample that are read next.
    channel: usize,
    offset: usize,
    failures: u32,
}

impl Capture {
    /// Samples of the next piece.
    fn count(&self, burst: &Burst) -> usize {
        burst.chunk.min(burst.samples - self.offset)
    }
}

impl Core {
    /// From now on these bursts are taken, one after the other; none stops it. What is under way and no longer
    /// wanted is given up.
    pub(super) fn take_bursts(&mut self, now: Instant, wanted: &[usize]) {
        self.bursts.wanted = wanted.to_vec();
        if let Some(capture) = self.bursts.capture
            && !wanted.contains(&capture.burst)
        {
            self.give_up_burst(now, NO_LONGER_WANTED.into());
        }
        if self.bursts.capture.is_none() {
            self.begin_burst(now);
        }
    }

    /// The bursts that a segment of a test wants, from now on. What is wanted all through a test is of its driven
    /// segments: a coast that is to be heard is named.
    pub(super) fn take_bursts_of(&mut self, now: Instant, test: usize, segment: usize) {
        let plan = self.plan.clone();
        let Some(planned) = plan.tests.get(test) else { return };
        let coasts = planned.profile.segments.get(segment).is_some_and(Segment::coasts);
        let here = |over: &Option<usize>| over.map_or(!coasts, |s| s == segment);
        let wanted = planned.bursts.iter().filter(|(_, over)| here(over)).map(|(burst, _)| *burst);
        self.take_bursts(now, &wanted.collect::<Vec<usize>>());
    }

    /// When the next poll or demand of a link will be due.
    pub(super) fn free_until(&self, plan: &Plan, link: usize) -> Instant {
        let here = |timer: Timer| match timer {
            Timer::Poll(group) => plan.groups[group].link == link,
            Timer::Heartbeat(demand) => plan.demands[demand].link == link,
            _ => false,
        };
        self.timers.first(here).unwrap_or(Instant::NEVER)
    }

    fn begin_burst(&mut self, now: Instant) {
        let bursts = &mut self.bursts;
        bursts.capture = None;
        if bursts.wanted.is_empty() {
            return;
        }
        bursts.turn = (bursts.turn + 1) % bursts.wanted.len();
        let burst = bursts.wanted[bursts.turn];
        let number = bursts.begun;
        bursts.begun += 1;
        bursts.capture = Some(Capture { burst, since: now, number, channel: 0, offset: 0, failures: 0 });
        self.ask(self.plan.bursts[burst].link, Purpose::BurstStart(burst));
    }

    fn give_up_burst(&mut self, now: Instant, why: String) {
        let Some(Capture { burst, number, .. }) = self.bursts.capture.take() else { return };
        self.timers.clear(Timer::Burst);
        self.cancel(self.plan.bursts[burst].link, Purpose::is_of_a_burst);
        self.event(now, What::BurstLost { burst, number, why });
    }

    /// The request for the next piece.
    pub(super) fn burst_request(&self, plan: &Plan, index: usize) -> Vec<u8> {
        let burst = &plan.bursts[index];
        let (channel, offset, count) =
            self.bursts.capture.map_or((0, 0, 0), |c| (c.channel, c.offset, c.count(burst)));
        burst.channels[channel].read.encode(&[offset, count])
    }

    /// A reply to a request of a burst. `earliest` and `latest`: when the controller acted on it.
    pub(super) fn burst_reply(
        &mut self,
        plan: &Plan,
        now: Instant,
        purpose: Purpose,
        sent: Instant,
        (earliest, latest): (Instant, Instant),
        line: &[u8],
    ) {
        let Some(mut capture) = self.bursts.capture.filter(|c| c.since <= sent) else { return };
        capture.failures = 0;
        let burst = &plan.bursts[capture.burst];
        match purpose {
            Purpose::BurstStart(_) => {
                let open = (latest - earliest).micros();
                let t = (earliest + Duration::from_micros(open / 2)).micros();
                let u = open.max(1) as f64 / 12f64.sqrt();
                self.event(now, What::BurstTriggered { burst: capture.burst, number: capture.number, t, u });
                self.timers.set(Timer::Burst, latest + Duration::from_secs_f64(burst.length()));
            }
            Purpose::BurstCount(_) => {
                let pattern = burst.count.as_ref().map(|c| &c.expect);
                let fields = pattern.and_then(|p| p.fit(line).map(|texts| (p.fields(), texts)));
                let count = fields.and_then(|(names, texts)| {
                    let at = names.iter().position(|n| n == "count")?;
                    texts.get(at)?.parse::<f64>().ok()
                });
                if count.is_some_and(|count| count >= burst.samples as f64) {
                    self.ask(burst.link, Purpose::BurstRead(capture.burst));
                } else {
                    self.timers.set(Timer::Burst, now + ASK_AGAIN);
                }
            }
            _ => {
                let count = capture.count(burst);
                let counts: Vec<i16> = block(line)
                    .unwrap_or_default()
                    .chunks_exact(2)
                    .map(|pair| i16::from_be_bytes([pair[0], pair[1]]))
                    .collect();
                if counts.len() != count {
                    return self.burst_failed(now, purpose, sent, "a block of another length came");
                }
                let offset = capture.offset as u32;
                let Capture { burst: index, number, channel, .. } = capture;
                let chunk = Chunk { at: now, burst: index, number, channel, offset, counts };
                self.out.push_back(super::Output::Record(Record::Chunk(chunk)));
                capture.offset += count;
                if capture.offset >= burst.samples {
                    (capture.channel, capture.offset) = (channel + 1, 0);
                }
                if capture.channel >= burst.channels.len() {
                    return self.begin_burst(now);
                }
                self.ask(burst.link, Purpose::BurstRead(capture.burst));
            }
        }
        self.bursts.capture = Some(capture);
    }

    /// A request of a burst got no fitting reply: it is put again, a few times.
    pub(super) fn burst_failed(&mut self, now: Instant, purpose: Purpose, sent: Instant, why: &str) {
        let Some(capture) = self.bursts.capture.as_mut().filter(|c| c.since <= sent) else { return };
        capture.failures += 1;
        let (burst, failures) = (capture.burst, capture.failures);
        if failures >= FAILURES_MAX {
            self.give_up_burst(now, format!("{why}, {failures} times in a row"));
            return self.begin_burst(now);
        }
        self.ask(self.plan.bursts[burst].link, purpose);
    }

    /// The burst should be whole by now.
    pub(super) fn burst_due(&mut self) {
        let Some(Capture { burst, .. }) = self.bursts.capture else { return };
        let Burst { link, count, .. } = &self.plan.bursts[burst];
        let purpose = if count.is_some() { Purpose::BurstCount(burst) } else { Purpose::BurstRead(burst) };
        self.ask(*link, purpose);
    }
}
