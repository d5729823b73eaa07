//! How late this computer is, measured as what it is (a deadline due, and handled), and what that lateness explains.
//!
//! A trip is put down to this computer only if it cannot have come otherwise: what was waited for would have come in time
//! had nobody stood still, and no reply was lost while everybody was awake. A limit that a value crosses is never
//! explained: a value that came is a value.

use super::core::Core;
use crate::outcome::Cause;
use crate::plan::Plan;
use crate::record::{Process, What, stood_still};
use crate::time::{Duration, Instant};
use std::collections::VecDeque;

/// How many of each sort are kept; the oldest go. Enough for seconds of a computer that stands still again and again.
const KEPT: usize = 256;

/// A process of ours that did nothing from a moment on, until another.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Still {
    pub process: Process,
    pub from: Instant,
    pub to: Instant,
}

impl Still {
    fn words(&self) -> String {
        stood_still(self.process, self.from.micros(), self.to.micros())
    }
}

/// What a trip waited for in vain.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Suspect {
    /// Something that had to come on a link, from when until when it was waited for, and how long it may take.
    Silence { link: usize, since: Instant, until: Instant, allowed: Duration },
    /// The drive is off, by a reply that was asked for and handled at these moments: its own command timeout may have come
    /// because demands came late.
    Off { asked: Instant, handled: Instant },
    /// Replies that were lost or slow in a watch since a moment, each of them excused by [`Lateness::excuses`].
    Replies { since: Instant },
}

/// A request that was given up.
#[derive(Debug, Clone, Copy)]
struct Loss {
    link: usize,
    sent: Instant,
    given_up: Instant,
}

/// What is known of it.
#[derive(Debug, Default)]
pub(super) struct Lateness {
    stills: VecDeque<Still>,
    losses: VecDeque<Loss>,
    /// When the demand that turns something was handed to its link.
    told: VecDeque<Instant>,
    /// When the newest reply was asked for that showed the drive enabled.
    enabled: Option<Instant>,
    /// Until when a port took no bytes: that lateness is the link's.
    held_until: Option<Instant>,
    suspects: Vec<(String, Suspect)>,
    /// What ended the run, and what came on top of it.
    fired: Vec<String>,
    /// Whether the first of them refused the pre-checks.
    refused: bool,
    /// The worst wake-up: how late, and when.
    worst: Option<(Duration, Instant)>,
    /// Wake-ups later than the bound.
    over: u32,
}

fn keep<T>(queue: &mut VecDeque<T>, one: T) {
    if queue.len() == KEPT {
        queue.pop_front();
    }
    queue.push_back(one);
}

impl Lateness {
    /// An input comes at `now`, and the earliest deadline that was asked for is `due`: how long this program stood still, if
    /// that is longer than the bound.
    pub(super) fn woken(&mut self, now: Instant, due: Option<Instant>, bound: Duration) -> Option<Still> {
        let due = due?.max(self.held_until.unwrap_or(Instant::ZERO));
        let late = now - due;
        if late <= Duration::ZERO {
            return None;
        }
        if self.worst.is_none_or(|(worst, _)| late > worst) {
            self.worst = Some((late, now));
        }
        if late <= bound {
            return None;
        }
        self.over += 1;
        let still = Still { process: Process::Runner, from: due, to: now };
        keep(&mut self.stills, still);
        Some(still)
    }

    /// A port took no bytes until now, and kept this program waiting.
    pub(super) fn held(&mut self, now: Instant) {
        self.held_until = Some(now);
    }

    pub(super) fn stood_still(&mut self, still: Still) {
        keep(&mut self.stills, still);
    }

    pub(super) fn lost(&mut self, link: usize, sent: Instant, given_up: Instant) {
        keep(&mut self.losses, Loss { link, sent, given_up });
    }

    pub(super) fn told(&mut self, now: Instant) {
        keep(&mut self.told, now);
    }

    pub(super) fn seen_enabled(&mut self, asked: Instant) {
        self.enabled = self.enabled.max(Some(asked));
    }

    /// Lateness may be why this trip is about to fire.
    pub(super) fn suspect(&mut self, trip: &str, suspect: Suspect) {
        self.suspects.retain(|(name, _)| name != trip);
        self.suspects.push((trip.to_string(), suspect));
    }

    /// This trip has fired.
    pub(super) fn fired(&mut self, trip: &str) {
        self.fired.push(trip.to_string());
    }

    /// The pre-checks were refused because of this.
    pub(super) fn refused(&mut self, why: &str) {
        self.refused = self.fired.is_empty();
        self.fired(why);
    }

    /// How much of a span somebody of ours stood still.
    pub(super) fn stood(&self, from: Instant, to: Instant) -> Duration {
        let mut spans: Vec<(Instant, Instant)> = self
            .stills
            .iter()
            .map(|s| (s.from.max(from), s.to.min(to)))
            .filter(|(from, to)| to > from)
            .collect();
        spans.sort_unstable();
        let (mut stood, mut upto) = (Duration::ZERO, from);
        for (from, to) in spans {
            stood = stood + (to - from.max(upto)).max(Duration::ZERO);
            upto = upto.max(to);
        }
        stood
    }

    /// Whether an exchange that took so long took no longer than `allowed` but for somebody of ours who stood still.
    pub(super) fn excuses(&self, sent: Instant, over: Instant, allowed: Duration) -> bool {
        let stood = self.stood(sent, over);
        stood > Duration::ZERO && (over - sent) - stood <= allowed
    }

    /// Requests given up since a moment: how many, and how many of them this computer does not excuse. `None` if more than
    /// are kept.
    pub(super) fn losses_since(&self, since: Instant, allowed: Duration) -> Option<(u32, u32)> {
        if self.losses.len() == KEPT && self.losses.front().is_some_and(|l| l.sent >= since) {
            return None;
        }
        let (mut all, mut unexcused) = (0, 0);
        for loss in self.losses.iter().filter(|l| l.sent >= since) {
            all += 1;
            unexcused += u32::from(!self.excuses(loss.sent, loss.given_up, allowed));
        }
        Some((all, unexcused))
    }

    /// The longest standing still within a span.
    pub(super) fn longest(&self, from: Instant, to: Instant) -> Option<Still> {
        let within = self.stills.iter().filter(|s| s.to > from && s.from < to);
        within.max_by_key(|s| s.to - s.from).copied()
    }

    /// What explains everything that has fired, if all of it is explained.
    fn explains(&self, plan: &Plan) -> Option<Still> {
        let each: Option<Vec<Still>> = self.fired.iter().map(|trip| self.explains_one(plan, trip)).collect();
        each?.into_iter().max_by_key(|s| s.to - s.from)
    }

    /// What explains a trip.
    pub(super) fn explains_one(&self, plan: &Plan, trip: &str) -> Option<Still> {
        let (_, suspect) = self.suspects.iter().find(|(name, _)| name == trip)?;
        match *suspect {
            Suspect::Silence { link, since, until, allowed } => {
                let stood = self.stood(since, until);
                let rest = (until - since) - stood;
                // A link that went quiet by itself is no better for a computer that nodded at its end.
                let mostly = stood * 2 >= until - since;
                // What was lost after the trip is another matter.
                let by_itself = |l: &Loss| {
                    l.link == link
                        && l.given_up > since
                        && l.given_up <= until
                        && !self.excuses(l.sent, l.given_up, plan.ready.round_trip_max)
                };
                let explained = mostly && rest <= allowed && !self.losses.iter().any(by_itself);
                explained.then(|| self.longest(since, until)).flatten()
            }
            Suspect::Off { asked, handled } => self.timed_out(plan, asked, handled),
            Suspect::Replies { since } => self.longest(since, Instant::NEVER),
        }
    }

    /// Whoever stood still so long between two demands that the controller's own command timeout had to come, before the
    /// sample that shows the drive off and after the last one that shows it on.
    fn timed_out(&self, plan: &Plan, asked: Instant, handled: Instant) -> Option<Still> {
        let timeout = plan.drive.command_timeout - plan.late_max;
        let mut heard: Vec<Instant> = self.told.iter().map(|at| self.reaches(*at)).collect();
        heard.push(handled);
        heard.sort_unstable();
        // What a twin that stood still answers afterwards it has sampled afterwards; a reply that was found together with
        // this program's own lateness may be from before it.
        let found_late = self.stills.iter().any(|s| s.process == Process::Runner && s.to == handled);
        let twin = self.stills.iter().filter(|s| s.process == Process::Twin);
        let answered = twin.filter(|s| s.to > asked && s.to <= handled).map(|s| s.to).max();
        let sampled = answered.filter(|_| !found_late).unwrap_or(asked);
        heard.windows(2).find_map(|gap| {
            let (from, to) = (gap[0], gap[1]);
            let long = to - from >= timeout && self.stood(from, to) * 2 >= to - from;
            let between = sampled >= from + timeout && self.enabled.is_none_or(|enabled| enabled <= to);
            (long && between).then(|| self.longest(from, to)).flatten()
        })
    }

    /// When the board comes to hear of what was handed to its link: a twin that stands still hears it afterwards.
    fn reaches(&self, at: Instant) -> Instant {
        let twin = self.stills.iter().filter(|s| s.process == Process::Twin);
        twin.filter(|s| at > s.from && at < s.to).map(|s| s.to).max().unwrap_or(at)
    }
}

impl Core {
    /// Looks how late an input is handled, before anything is made of it.
    pub(super) fn look_at_lateness(&mut self, now: Instant) {
        let due = self.timers.next().map(|(at, _)| at);
        if let Some(still) = self.late.woken(now, due, self.plan.late_max) {
            self.stood_still(now, still);
        }
    }

    /// Records that a process of ours stood still.
    fn stood_still(&mut self, now: Instant, still: Still) {
        let (from, to) = (still.from.micros(), still.to.micros());
        self.event(now, What::StoodStill { process: still.process, from, to });
    }

    /// The twin, a process of this computer, says that it stood still.
    pub(super) fn twin_stood_still(&mut self, now: Instant, from: Instant, to: Instant) {
        let still = Still { process: Process::Twin, from: from.max(Instant::ZERO), to: to.min(now) };
        if still.to > still.from {
            self.late.stood_still(still);
            self.stood_still(now, still);
        }
    }

    /// What ends the run, put down to this computer where its lateness explains all of it: then it says nothing of the unit
    /// or the rig, and counts as not made. A stop that nobody confirmed stays one.
    pub(super) fn put_down(&mut self, now: Instant, cause: Cause, why: String) -> (Cause, String) {
        let plan = std::sync::Arc::clone(&self.plan);
        let may_be = match cause {
            Cause::Tripped | Cause::NotConfirmed => true,
            Cause::Refused | Cause::NotMade => self.late.refused,
            _ => false,
        };
        let Some(still) = self.late.explains(&plan).filter(|_| may_be) else { return (cause, why) };
        if cause == Cause::NotConfirmed {
            return (cause, format!("{why}; {}", still.words()));
        }
        let (from, to) = (still.from.micros(), still.to.micros());
        self.event(now, What::BlamesComputer { process: still.process, from, to });
        (Cause::NotMade, format!("{}; {why}", still.words()))
    }

    /// The worst of this program's lateness, at the end of the run.
    pub(super) fn note_lateness(&mut self, now: Instant) {
        if let Some((worst, at)) = self.late.worst {
            let (worst, at, bound) = (worst.micros(), at.micros(), self.plan.late_max.micros());
            self.event(now, What::Lateness { worst, at, bound, over: self.late.over });
        }
    }
}

#[cfg(test)]
mod tests;
