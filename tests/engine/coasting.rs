//! Coasting: as safe as winding down.

use super::board::{Board, Ended, Seen, at, began, coasting, drive_plan, reads};
use super::common::RIG;
use spinproof::outcome::Cause;
use spinproof::record::{Stage, What};
use spinproof::time::{Duration, Instant};

const COAST: &str = "schema = 1\nname = \"short\"\n[[test]]\nname = \"one\"\n\
    profile = [{ ramp = \"120 rpm\", rate = \"120 rpm/s\" }, { coast = \"5 s\", below = \"60 rpm\" }]\ncriterion = []\n";

/// A kilogram square metre is coupled: the slowest coast of this shaft loses 0.6 Nm / 1.032 kg m2, 5.6 rpm/s.
fn heavy() -> String {
    format!("{RIG}\n[shaft]\ncoupled = \"brake\"\ninertia = \"1 kg m2\"\n")
}

fn drive_suite(suite: &str, board: Board) -> Ended {
    drive_plan(&heavy(), suite, board, None)
}

fn torque_off(what: &What) -> bool {
    matches!(what, What::TorqueOff { .. })
}

/// A board whose shaft runs down at 40 rpm/s from 120 rpm once the first stop frame came.
fn running_down(mut also: impl FnMut(Duration, &str, &mut Seen) -> Option<String> + 'static) -> Board {
    let mut stopped: Option<Instant> = None;
    Board::new(move |now, request, seen| {
        if request.starts_with("CONT:WORD 0") {
            stopped = stopped.or(Some(now));
        }
        let since = now - stopped?;
        if let Some(reply) = also(since, request, seen) {
            return Some(reply);
        }
        reads(request, seen.state, (120.0 - 40.0 * since.secs_f64()).max(0.0), 0.0)
    })
}

#[test]
fn a_coast_is_torque_off_proved_and_watched_until_its_speed() {
    let ended = drive_suite(COAST, running_down(|_, _, _| None));
    assert_eq!(ended.cause, Cause::Passed, "{}", ended.why);
    let (coast, off) = (ended.when(began(1)), ended.when(torque_off));
    assert!(off > coast && off - coast < Duration::from_millis(100), "proved at {off}");
    assert!(ended.when(|w| matches!(w, What::StopSent { .. })) == coast, "stop frames at once");
    // Below 60 rpm after 1.5 s, and three samples of that.
    let over = ended.when(|w| matches!(w, What::ProfileEnded { .. })) - coast;
    assert!((1500..1540).contains(&(over.micros() / 1000)), "over after {over}");
    assert_eq!((ended.stages(Stage::NotDriven), ended.stages(Stage::AtRest)), (vec![true], vec![true]));
}

/// The demand is not sent any more, so nothing derived from it can trip; the pump's goes on.
#[test]
fn while_coasting_no_demand_is_sent_but_the_pumps() {
    let sent = std::rc::Rc::new(std::cell::RefCell::new(Vec::new()));
    let log = sent.clone();
    let board = running_down(move |since, request, _| {
        log.borrow_mut().push((since, request.to_string()));
        None
    });
    let ended = drive_suite(COAST, board);
    assert_eq!(ended.cause, Cause::Passed, "{}", ended.why);
    let sent = sent.borrow();
    assert!(!sent.iter().any(|(_, r)| r.starts_with("SOUR:SPE")), "a speed was demanded");
    assert!(sent.iter().filter(|(_, r)| r.starts_with("SOUR:PUMP")).count() > 2, "the pump stays on");
}

#[test]
fn a_coast_ends_after_its_time_if_the_shaft_is_not_slow_by_then() {
    let ended = drive_suite(
        COAST,
        running_down(|since, request, seen| {
            let speed = coasting(120.0 - 10.0 * since.secs_f64(), since - Duration::from_millis(6000));
            reads(request, seen.state, speed, 0.0)
        }),
    );
    assert_eq!(ended.cause, Cause::Passed, "{}", ended.why);
    let over = ended.when(|w| matches!(w, What::ProfileEnded { .. })) - ended.when(began(1));
    assert_eq!(over, Duration::from_millis(5000));
}

/// The state says that it is off, and 25 A flow for a tenth of a second.
#[test]
fn a_phase_current_that_comes_back_during_a_coast_trips_whatever_the_drive_says() {
    let ended = drive_suite(
        COAST,
        running_down(|since, request, seen| {
            let back = (500..600).contains(&(since.micros() / 1000));
            if back { reads(request, seen.state, 100.0, 25.0) } else { None }
        }),
    );
    assert_eq!(ended.cause, Cause::Tripped, "{}", ended.why);
    assert!(ended.why.contains("flows again while coasting"), "{}", ended.why);
    let (off, again) = (ended.when(began(1)), ended.when(|w| matches!(w, What::Trip { .. })));
    assert!((500..530).contains(&((again - off).micros() / 1000)), "after {}", again - off);
    assert!(ended.events.iter().any(|e| e.at >= again && matches!(e.what, What::StopSent { .. })));
}

#[test]
fn a_drive_that_comes_back_on_during_a_coast_trips() {
    let ended = drive_suite(
        COAST,
        running_down(|since, request, _| {
            let back = (500..600).contains(&(since.micros() / 1000));
            if back { reads(request, 0x27, 100.0, 0.0) } else { None }
        }),
    );
    assert_eq!(ended.cause, Cause::Tripped, "{}", ended.why);
    assert!(ended.why.contains("again while coasting"), "{}", ended.why);
    assert_eq!(ended.count(|w| matches!(w, What::ProfileEnded { .. })), 0);
}

/// The phase current does not go: the coast is broken off after the 250 ms that the rig allows, and the stop that
/// follows cannot be confirmed either.
#[test]
fn a_coast_that_is_not_proved_to_be_one_trips() {
    let ended = drive_suite(COAST, running_down(|_, request, seen| reads(request, seen.state, 100.0, 5.0)));
    assert_eq!(ended.cause, Cause::NotConfirmed, "{}", ended.why);
    assert_eq!(ended.count(torque_off), 0);
    let tripped = ended.when(|w| matches!(w, What::Trip { trip, .. } if trip == "torque off"));
    assert_eq!(tripped - ended.when(began(1)), Duration::from_millis(250));
}

#[test]
fn trips_are_watched_while_coasting() {
    let ended = drive_suite(
        COAST,
        running_down(|since, request, _| {
            let hot = since > Duration::from_millis(500) && request == "MEAS:SLOW?";
            hot.then(|| "20.0,90.0,20.0,0.0,1".into())
        }),
    );
    assert_eq!(ended.cause, Cause::Tripped, "{}", ended.why);
    assert!(ended.why.contains("inverter_hot"), "{}", ended.why);
}

/// A coast's stop frame that is lost is repeated, like that of a stop.
#[test]
fn a_lost_stop_frame_of_a_coast_is_repeated() {
    let mut lost = 0;
    let ended = drive_suite(
        COAST,
        running_down(move |_, request, _| {
            lost += i32::from(request.starts_with("CONT:WORD 0"));
            (request.starts_with("CONT:WORD 0") && lost <= 2).then(String::new)
        }),
    );
    assert_eq!(ended.cause, Cause::Passed, "{}", ended.why);
    let coast = ended.when(began(1));
    let frames = ended.events.iter().filter(|e| matches!(e.what, What::StopSent { .. }));
    assert!(frames.filter(|e| e.at < coast + Duration::from_millis(250)).count() >= 3);
}

/// Ctrl-C during a coast is a stop like any other.
#[test]
fn a_stop_during_a_coast_ends_stopped_and_proved() {
    // The coast begins about 2.4 s after the start: 1 s of watching, the enabling, 0.4 s of watching with the gates on, 1 s of
    // ramp.
    for ms in [2450, 2500, 2900, 3400] {
        let ended = drive_plan(&heavy(), COAST, running_down(|_, _, _| None), Some(at(ms)));
        assert!(ended.when(began(1)) < at(ms), "the coast had begun");
        assert_eq!(ended.cause, Cause::Stopped, "at {ms} ms: {}", ended.why);
        assert_eq!(ended.stages(Stage::NotDriven), [true], "at {ms} ms");
    }
}
