//! One link by itself: what is owed, what a line is taken for, and when the next request may go out.

use super::*;
use crate::plan::testing::{RIG, SUITE, UNIT, ms, plan_of};

const STOP: Purpose = Purpose::Stop(0);
const ENABLE: Purpose = Purpose::Enable(0);

/// A link, its plan and the moment, in ms; replies may take 40 ms on the demo bench.
struct Line {
    plan: Plan,
    link: HostLink,
}

impl Line {
    fn new() -> Line {
        let plan = plan_of(RIG, UNIT, SUITE);
        let link = HostLink::new(&plan, 0);
        Line { plan, link }
    }

    fn poll(&self, name: &str) -> Purpose {
        Purpose::Poll(self.plan.groups.iter().position(|g| g.name == name).expect("a poll"))
    }

    /// Asks for a request and hands it to the line if it may go out at `t` ms.
    fn sends(&mut self, t: i64, purpose: Purpose) -> bool {
        self.link.ask(purpose);
        let next = self.link.next_request(&self.plan, ms(t), Instant::NEVER);
        if let Some(next) = next {
            self.link.sent(&self.plan, ms(t), next, 12);
        }
        next == Some(purpose)
    }

    /// Whether a request may go out at `t` ms; it is not sent.
    fn is_free(&mut self, t: i64, purpose: Purpose) -> bool {
        self.link.ask(purpose);
        let next = self.link.next_request(&self.plan, ms(t), Instant::NEVER);
        self.link.cancel(|_| true);
        next == Some(purpose)
    }

    fn bytes(&mut self, t: i64, bytes: &str) -> Vec<Heard> {
        self.link.push(bytes.as_bytes());
        std::iter::from_fn(|| self.link.hear(&self.plan, ms(t))).collect()
    }

    fn hears(&mut self, t: i64, line: &str) -> Heard {
        let mut heard = self.bytes(t, &format!("{line}\n"));
        assert_eq!(heard.len(), 1, "{line} at {t} ms: {heard:?}");
        heard.remove(0)
    }
}

const DRIVE: &str = "64,0.0,0.1,155.0,0.1";

fn is_reply(heard: &Heard, to: Purpose) -> bool {
    matches!(heard, Heard::Reply { purpose, .. } if *purpose == to)
}

fn is_late(heard: &Heard) -> bool {
    matches!(heard, Heard::Late(_))
}

/// The stop overtakes a poll: the line is free again as soon as both replies have come, whichever comes first, and not before.
#[test]
fn the_quiet_time_ends_when_what_is_owed_has_come() {
    for stop_first in [false, true] {
        let mut line = Line::new();
        let drive = line.poll("drive");
        assert!(line.sends(0, drive));
        line.link.abandon(&line.plan, ms(1));
        assert!(line.sends(1, STOP));
        let (first, second) = if stop_first { ("1", DRIVE) } else { (DRIVE, "1") };
        let heard = line.hears(3, first);
        assert_eq!(is_reply(&heard, STOP), stop_first, "{heard:?}");
        assert!(!line.is_free(4, drive), "one is still owed");
        let heard = line.hears(6, second);
        assert_eq!(is_late(&heard), stop_first, "{heard:?}");
        assert!(line.is_free(8, drive), "both have come");
    }
}

/// What does not come holds the line for one more reply time, and what comes in it is late.
#[test]
fn a_lost_reply_holds_the_line_until_it_has_come_or_its_time_is_over() {
    for comes in [true, false] {
        let mut line = Line::new();
        let drive = line.poll("drive");
        assert!(line.sends(0, drive));
        assert!(matches!(line.link.overdue(&line.plan, ms(41)), Some(Heard::Lost { .. })));
        assert!(!line.is_free(60, drive));
        if comes {
            assert!(is_late(&line.hears(60, DRIVE)));
        }
        assert_eq!(line.is_free(62, drive), comes);
        line.link.ask(drive);
        assert_eq!(line.link.deadline(&line.plan, ms(62)), (!comes).then_some(ms(81)));
        assert!(line.is_free(81, drive));
    }
}

/// After a line that is no reply the right one may still come: it is late, and not the reply to what is asked next.
#[test]
fn the_right_reply_after_a_malformed_one_is_not_taken_for_the_next() {
    let mut line = Line::new();
    let drive = line.poll("drive");
    assert!(line.sends(0, drive));
    assert!(matches!(line.hears(2, "64,0.0"), Heard::Malformed { .. }));
    assert!(!line.is_free(3, drive), "the right reply may still come");
    assert!(is_late(&line.hears(10, DRIVE)));
    assert!(line.is_free(12, drive));
    // Where none comes the line is quiet for a reply time.
    assert!(line.sends(20, drive));
    assert!(matches!(line.hears(22, "64,0.0"), Heard::Malformed { .. }));
    assert!(!line.is_free(61, drive));
    assert!(line.is_free(62, drive));
}

/// An acknowledgement of enabling looks like that of the stop: the first line is the reply to what was asked first.
#[test]
fn two_replies_of_one_shape_settle_two_debts() {
    let mut line = Line::new();
    assert!(line.sends(0, ENABLE));
    line.link.abandon(&line.plan, ms(1));
    assert!(line.sends(1, STOP));
    assert!(is_late(&line.hears(3, "1")), "that of enabling");
    assert!(is_reply(&line.hears(4, "1"), STOP));
    // Two stops in a row: the reply to each request is owed by itself.
    let mut line = Line::new();
    assert!(line.sends(0, ENABLE));
    line.link.abandon(&line.plan, ms(1));
    assert!(line.sends(1, ENABLE) || line.link.next_request(&line.plan, ms(1), Instant::NEVER).is_none());
    line.link.cancel(|_| true);
    assert!(line.sends(2, STOP));
    assert!(matches!(line.link.overdue(&line.plan, ms(43)), Some(Heard::Lost { purpose: STOP, .. })));
    assert!(is_late(&line.hears(50, "1")));
    assert!(!line.is_free(52, ENABLE), "the other is still owed");
    assert!(is_late(&line.hears(53, "1")));
    assert!(line.is_free(55, ENABLE));
}

/// A reply that comes in parts, the rest of it after its time: the line that it becomes is not the reply to the next request.
#[test]
fn a_line_that_had_begun_before_a_request_is_no_reply_to_it() {
    let mut line = Line::new();
    let drive = line.poll("drive");
    assert!(line.sends(0, drive));
    assert!(line.link.overdue(&line.plan, ms(41)).is_some());
    assert!(line.bytes(80, "64,0.0,0.1").is_empty());
    assert!(line.sends(81, drive), "its time is over");
    assert!(is_late(&line.hears(82, ",155.0,0.1")));
    assert!(is_reply(&line.hears(84, DRIVE), drive));
}

/// A reply that comes in parts in its time is one.
#[test]
fn a_reply_in_parts_settles_what_is_owed_when_it_is_whole() {
    let mut line = Line::new();
    let drive = line.poll("drive");
    assert!(line.sends(0, drive));
    line.link.abandon(&line.plan, ms(1));
    assert!(line.sends(1, STOP));
    assert!(line.bytes(2, "64,0.0").is_empty());
    assert!(!line.is_free(3, drive));
    let heard = line.bytes(4, ",0.1,155.0,0.1\n1\n");
    assert!(is_late(&heard[0]) && is_reply(&heard[1], STOP), "{heard:?}");
    assert!(line.is_free(6, drive));
}

/// A late line that comes double is heard out before the next request leaves.
#[test]
fn the_copy_of_a_late_line_is_not_taken_for_the_next_reply() {
    let mut line = Line::new();
    let drive = line.poll("drive");
    assert!(line.sends(0, drive));
    assert!(line.link.overdue(&line.plan, ms(41)).is_some());
    line.link.ask(drive);
    let heard = line.bytes(50, &format!("{DRIVE}\n{DRIVE}\n"));
    assert!(is_late(&heard[0]) && matches!(heard[1], Heard::Garbage(_)), "{heard:?}");
    assert!(line.bytes(50, &DRIVE[..9]).is_empty());
    assert_eq!(line.link.next_request(&line.plan, ms(50), Instant::NEVER), None, "a line takes its time");
    assert!(line.link.deadline(&line.plan, ms(50)).is_some_and(|at| at < ms(52)));
    assert_eq!(line.link.next_request(&line.plan, ms(52), Instant::NEVER), Some(drive));
}

/// The reply to what a stop overtook is itself spoilt: nobody knows that it was this, and the line is quiet for its whole time.
#[test]
fn a_spoilt_reply_settles_nothing() {
    let mut line = Line::new();
    let drive = line.poll("drive");
    assert!(line.sends(0, drive));
    line.link.abandon(&line.plan, ms(1));
    assert!(line.sends(1, STOP));
    assert!(matches!(line.hears(3, "64,0.0,0."), Heard::Garbage(_)));
    assert!(is_reply(&line.hears(4, "1"), STOP), "the stop frame goes on waiting");
    assert!(!line.is_free(79, drive));
    assert!(line.is_free(81, drive));
}

/// A stop frame goes out whatever the line is busy with, and what is under way keeps its reply.
#[test]
fn a_stop_frame_waits_for_nothing() {
    let mut line = Line::new();
    let drive = line.poll("drive");
    assert!(line.sends(0, STOP));
    assert!(line.sends(20, STOP), "its own acknowledgement is outstanding");
    assert!(is_reply(&line.hears(21, "1"), STOP));
    assert!(line.sends(22, drive));
    assert!(line.sends(40, STOP), "a poll is outstanding");
    assert!(is_reply(&line.hears(41, DRIVE), drive), "it is still wanted");
    assert!(is_reply(&line.hears(42, "1"), STOP));
    assert!(line.sends(43, drive));
    assert!(matches!(line.link.overdue(&line.plan, ms(84)), Some(Heard::Lost { .. })));
    assert!(line.sends(85, STOP), "the line is quiet");
}

/// A board that acknowledges no stop frame is asked all the same, but for what such an acknowledgement could be taken for.
#[test]
fn what_proves_a_stop_does_not_wait_for_a_board_that_acknowledges_none() {
    let mut line = Line::new();
    let drive = line.poll("drive");
    assert!(line.sends(0, STOP));
    assert!(!line.is_free(1, drive), "it is waited for");
    assert!(line.sends(20, STOP));
    assert!(!line.is_free(21, ENABLE), "`1` is what both expect");
    assert!(line.sends(21, drive));
    assert!(is_reply(&line.hears(22, DRIVE), drive));
    assert!(is_reply(&line.hears(23, "1"), STOP), "the newest is acknowledged first");
    assert!(is_late(&line.hears(24, "1")), "and then the one before it");
    assert!(line.is_free(26, ENABLE));
}
