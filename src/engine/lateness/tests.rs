//! What lateness explains, and what it must not.

use super::*;
use crate::plan::testing::{RIG, SUITE, UNIT, plan_of};

fn at(ms: i64) -> Instant {
    Instant::from_micros(ms * 1000)
}

fn ms(ms: i64) -> Duration {
    Duration::from_millis(ms)
}

fn still(process: Process, from: i64, to: i64) -> Still {
    Still { process, from: at(from), to: at(to) }
}

#[test]
fn a_deadline_handled_late_is_lateness_and_beyond_the_bound_standing_still() {
    for (due, now, late, stood) in [
        (Some(10), 10, None, false),
        (Some(10), 13, Some(3), false),
        (Some(10), 15, Some(5), false),
        (Some(10), 16, Some(6), true),
        (Some(30), 16, None, false),
        (None, 16, None, false),
    ] {
        let mut lateness = Lateness::default();
        let found = lateness.woken(at(now), due.map(at), ms(5));
        assert_eq!(found, stood.then(|| still(Process::Runner, 10, now)), "due {due:?}, handled {now}");
        assert_eq!(lateness.worst.map(|(late, _)| late), late.map(ms), "due {due:?}, handled {now}");
        assert_eq!(lateness.over, u32::from(stood));
    }
}

/// A port that takes no bytes keeps the engine waiting: that is the link's affair.
#[test]
fn what_a_port_held_up_is_not_this_computers_lateness() {
    let mut lateness = Lateness::default();
    lateness.held(at(58));
    assert_eq!(lateness.woken(at(58), Some(at(10)), ms(5)), None);
    assert_eq!(lateness.woken(at(70), Some(at(20)), ms(5)), Some(still(Process::Runner, 58, 70)));
}

fn silence(since: i64, until: i64, allowed: i64) -> Suspect {
    Suspect::Silence { link: 0, since: at(since), until: at(until), allowed: ms(allowed) }
}

/// One row a case: who stood still, what was lost, what was waited for; whether it is explained. The demo rig's round trip
/// may take 36 ms.
#[test]
fn silence_is_put_down_to_this_computer_only_if_nothing_else_explains_it() {
    let plan = plan_of(RIG, UNIT, SUITE);
    let runner = |from, to| still(Process::Runner, from, to);
    let twin = |from, to| still(Process::Twin, from, to);
    for (stills, losses, suspect, explained, why) in [
        (vec![runner(12, 160)], vec![], silence(0, 181, 180), true, "all but 33 ms of it"),
        (vec![runner(12, 160)], vec![], silence(10, 161, 100), true, "all but 3 ms of it"),
        (vec![twin(12, 160)], vec![], silence(10, 161, 100), true, "the twin is a process of this computer"),
        (
            vec![runner(12, 62), twin(60, 130)],
            vec![],
            silence(10, 131, 100),
            true,
            "first one and then the other",
        ),
        (vec![runner(12, 62), twin(12, 62)], vec![], silence(0, 131, 100), false, "both at once count once"),
        (vec![], vec![], silence(10, 161, 100), false, "nobody stood still"),
        (vec![runner(300, 500)], vec![], silence(10, 161, 100), false, "somebody did, at another time"),
        (vec![runner(150, 160)], vec![], silence(10, 161, 150), false, "a quiet link, and a nod at its end"),
        (
            vec![runner(60, 200)],
            vec![(0, 12, 55)],
            silence(10, 201, 100),
            false,
            "a reply was lost while all were awake",
        ),
        (vec![runner(60, 200)], vec![(1, 12, 55)], silence(10, 201, 100), true, "a reply of another link"),
        (
            vec![twin(20, 200)],
            vec![(0, 19, 60)],
            silence(10, 201, 100),
            true,
            "a reply that the twin could not give",
        ),
        (
            vec![twin(12, 160)],
            vec![(0, 161, 205)],
            silence(10, 161, 100),
            true,
            "a reply that was lost after the trip",
        ),
    ] {
        let mut lateness = Lateness::default();
        stills.into_iter().for_each(|s| lateness.stood_still(s));
        for (link, sent, given_up) in losses {
            lateness.lost(link, at(sent), at(given_up));
        }
        lateness.suspect("x", suspect);
        assert_eq!(lateness.explains_one(&plan, "x").is_some(), explained, "{why}");
    }
}

/// The demo controller's command timeout is 100 ms. One row a case: when demands were sent, who stood still, when the reply
/// that shows the drive off was asked for and handled.
#[test]
fn a_drive_that_is_off_is_put_down_to_this_computer_only_if_its_timeout_had_to_come() {
    let plan = plan_of(RIG, UNIT, SUITE);
    let runner = |from, to| still(Process::Runner, from, to);
    let twin = |from, to| still(Process::Twin, from, to);
    let regular = || vec![0, 20, 40, 60, 80, 100, 120, 140, 160, 180];
    for (told, stills, (asked, handled), explained, why) in [
        (vec![0, 20, 170], vec![runner(25, 170)], (171, 173), true, "150 ms between two demands"),
        (vec![0, 20, 80], vec![runner(25, 80)], (81, 83), false, "60 ms are no timeout"),
        (
            vec![0, 20, 170],
            vec![],
            (171, 173),
            false,
            "nobody stood still: demands went missing for another reason",
        ),
        (regular(), vec![], (171, 173), false, "off by itself"),
        (regular(), vec![twin(25, 170)], (171, 173), true, "the board's own process stood still"),
        (
            regular(),
            vec![twin(25, 170)],
            (24, 173),
            true,
            "what it answers afterwards it has sampled afterwards",
        ),
        (
            vec![0, 20, 170],
            vec![runner(25, 170)],
            (24, 170),
            false,
            "a reply from before it was found with it",
        ),
        (regular(), vec![runner(25, 35)], (171, 173), false, "a nod is no reason"),
    ] {
        let mut lateness = Lateness::default();
        stills.into_iter().for_each(|s| lateness.stood_still(s));
        told.into_iter().filter(|t| *t <= handled).for_each(|t| lateness.told(at(t)));
        lateness.seen_enabled(at(15));
        lateness.suspect("drive state", Suspect::Off { asked: at(asked), handled: at(handled) });
        assert_eq!(lateness.explains_one(&plan, "drive state").is_some(), explained, "{why}");
    }
}

/// Still on after the demand that came late: whatever took it off, it was not that.
#[test]
fn a_drive_that_was_seen_on_after_the_gap_is_no_case_of_it() {
    let plan = plan_of(RIG, UNIT, SUITE);
    let mut lateness = Lateness::default();
    lateness.stood_still(still(Process::Runner, 25, 170));
    [0, 20, 170, 190].into_iter().for_each(|t| lateness.told(at(t)));
    lateness.suspect("drive state", Suspect::Off { asked: at(195), handled: at(197) });
    lateness.seen_enabled(at(15));
    assert!(lateness.explains_one(&plan, "drive state").is_some());
    lateness.seen_enabled(at(180));
    assert!(lateness.explains_one(&plan, "drive state").is_none());
}

/// One thing that this computer does not explain, and nothing is put down to it.
#[test]
fn everything_that_fired_must_be_explained() {
    let plan = plan_of(RIG, UNIT, SUITE);
    let mut lateness = Lateness::default();
    lateness.stood_still(still(Process::Runner, 12, 160));
    lateness.suspect("bus stale", silence(10, 161, 100));
    assert_eq!(lateness.explains(&plan), None, "nothing has fired");
    lateness.fired("bus stale");
    assert!(lateness.explains(&plan).is_some());
    lateness.fired("overspeed");
    assert_eq!(lateness.explains(&plan), None);
}

#[test]
fn a_watch_is_excused_reply_by_reply() {
    let mut lateness = Lateness::default();
    lateness.stood_still(still(Process::Twin, 100, 150));
    lateness.lost(0, at(98), at(140));
    assert_eq!(lateness.losses_since(at(50), ms(36)), Some((1, 0)));
    lateness.lost(0, at(200), at(242));
    assert_eq!(lateness.losses_since(at(50), ms(36)), Some((2, 1)));
    assert_eq!(lateness.losses_since(at(150), ms(36)), Some((1, 1)), "only what was asked for since then");
    for _ in 0..KEPT {
        lateness.lost(0, at(300), at(342));
    }
    assert_eq!(lateness.losses_since(at(250), ms(36)), None, "more than is kept");
    assert!(lateness.excuses(at(98), at(152), ms(36)) && !lateness.excuses(at(40), at(152), ms(36)));
}
