//! What took the torque off: the stop frame, or the board's own command timeout.

use super::board::{Board, Ended, Seen, at, drive, drive_on, drive_suite};
use super::common::RIG;
use spinproof::outcome::Cause;
use spinproof::record::{By, Stage, What};
use spinproof::time::{Duration, Instant};

const COAST: &str = "schema = 1\nname = \"short\"\n[[test]]\nname = \"one\"\n\
    profile = [{ ramp = \"120 rpm\", rate = \"120 rpm/s\" }, { coast = \"5 s\", below = \"60 rpm\" }]\ncriterion = []\n";
const SILENCE: &str = "schema = 1\nname = \"short\"\n[[test]]\nname = \"one\"\n\
    profile = [{ ramp = \"60 rpm\", rate = \"120 rpm/s\" }, { hold = \"1 s\" }, { silence = \"400 ms\" }]\ncriterion = []\n";
const TWICE: &str = "schema = 1\nname = \"two\"\n[[test]]\nname = \"one\"\n\
    profile = [{ ramp = \"120 rpm\", rate = \"120 rpm/s\" }]\ncriterion = []\n[[test]]\nname = \"two\"\n\
    profile = [{ ramp = \"120 rpm\", rate = \"120 rpm/s\" }]\ncriterion = []\n";

fn is_stop(request: &str) -> bool {
    request.starts_with("CONT:WORD 0")
}

/// A board whose command timeout of 100 ms ends in a state, and which answers a stop frame as `says`: nothing else is done about it.
fn times_out(state: u16, mut says: impl FnMut(Instant, &mut Seen) -> Option<String> + 'static) -> Board {
    let mut told = Instant::ZERO;
    Board::new(move |now, request, seen| {
        if request.starts_with("SOUR:SPE") || request.starts_with("CONT:WORD 15") {
            told = now;
        }
        if seen.state == 0x27 && now - told > Duration::from_millis(100) {
            seen.state = state;
        }
        if is_stop(request) { says(now, seen) } else { None }
    })
}

/// What each stop of a run says: which, whether it is a finding, the words.
fn said(ended: &Ended) -> Vec<(By, bool, String)> {
    let said = ended.events.iter().filter_map(|event| match &event.what {
        What::TookOff { by, finding, found, .. } => Some((*by, *finding, found.clone())),
        _ => None,
    });
    said.collect()
}

fn only(ended: &Ended) -> (By, bool, String) {
    let said = said(ended);
    assert_eq!(said.len(), 1, "{said:?}");
    said[0].clone()
}

#[test]
fn a_stop_frame_that_works_is_said_to_have_taken_the_torque_off() {
    let ended = drive(times_out(0x40, |_, _| None), None);
    assert_eq!(ended.cause, Cause::Passed, "{}", ended.why);
    let (by, finding, found) = only(&ended);
    assert_eq!((by, finding), (By::Frame, false), "{found}");
    assert!(found.contains("`[reaction] controller` allows 2 ms"), "{found}");
    let between = ended.events.iter().find_map(|e| match e.what {
        What::TookOff { between, .. } => Some(between),
        _ => None,
    });
    let (from, to) = between.unwrap();
    assert!(from >= 0 && to > from && to < 10_000, "{from} to {to} us after the first stop frame");
}

#[test]
fn every_stop_of_a_run_says_so() {
    let ended = drive_suite(TWICE, times_out(0x40, |_, _| None));
    assert_eq!(ended.cause, Cause::Passed, "{}", ended.why);
    assert_eq!(said(&ended).iter().map(|(by, ..)| *by).collect::<Vec<_>>(), [By::Frame, By::Frame]);
}

/// The board answers, and does nothing; its command timeout switches it off. Into no fault: nothing else would tell.
#[test]
fn a_stop_frame_that_is_acknowledged_and_ignored_is_found() {
    let ended = drive(times_out(0x40, |_, _| Some("1".into())), None);
    let (by, finding, found) = only(&ended);
    assert_eq!((by, finding), (By::CommandTimeout, true), "{found}");
    assert_eq!(ended.cause, Cause::Tripped, "{}", ended.why);
    assert_eq!(ended.cause.exit_code(), 5);
    for words in ["stop frame: the board's own command timeout took the torque off", "100 ms is over between"]
    {
        assert!(ended.why.contains(words), "{}", ended.why);
    }
    assert_eq!(ended.stages(Stage::NotDriven), [true], "it is off all the same");
    assert_eq!(ended.count(|w| matches!(w, What::TestEnded { complete: true, .. })), 0);
}

/// Whoever stops it, and whatever tripped before it: the finding stands in the record, and the first cause stays.
#[test]
fn a_stop_from_outside_says_so_too() {
    for ms in [2450, 2502, 2507] {
        let ended = drive(times_out(0x40, |_, _| Some("1".into())), Some(at(ms)));
        assert_eq!(ended.cause, Cause::Stopped, "{}", ended.why);
        let (by, _, found) = only(&ended);
        assert!(matches!(by, By::CommandTimeout | By::Unknown), "{found}");
    }
}

/// A run does not go on to its next test with such a frame.
#[test]
fn nothing_is_driven_after_a_stop_frame_that_did_nothing() {
    let ended = drive_suite(TWICE, times_out(0x40, |_, _| Some("1".into())));
    assert_eq!(ended.cause, Cause::Tripped, "{}", ended.why);
    assert_eq!(ended.count(|w| matches!(w, What::TestBegan { .. })), 1);
}

#[test]
fn a_coast_that_the_command_timeout_began_is_no_coast() {
    let ended = drive_suite(COAST, times_out(0x40, |_, _| Some("1".into())));
    assert_eq!(ended.cause, Cause::Tripped, "{}", ended.why);
    assert_eq!(only(&ended).0, By::CommandTimeout);
    let sound = drive_suite(COAST, times_out(0x40, |_, _| None));
    assert_eq!(sound.cause, Cause::Passed, "{}", sound.why);
    assert_eq!(only(&sound).0, By::Frame, "the stop after it had nothing to take off");
}

/// Obeyed 30 ms after it was acknowledged, where the rig declares 2 ms.
#[test]
fn a_stop_frame_that_takes_longer_than_the_rig_declares_is_a_finding() {
    let mut since: Option<Instant> = None;
    let slow = Board::new(move |now, request, seen| {
        if is_stop(request) {
            since = since.or(Some(now));
        }
        if since.is_some_and(|since| now - since >= Duration::from_millis(30)) {
            seen.state = 0x40;
        }
        is_stop(request).then(|| "1".into())
    });
    let ended = drive(slow, None);
    let (by, finding, found) = only(&ended);
    assert_eq!((by, finding), (By::Frame, true), "{found}");
    assert!(found.contains("too late") && found.contains("`[reaction] controller` allows 2 ms"), "{found}");
    assert_eq!(ended.cause, Cause::Tripped, "{}", ended.why);
}

/// A rig that does not declare a reaction has nothing to hold it against; what its stop frame did is said all the same.
#[test]
fn a_rig_without_a_reaction_says_what_took_the_torque_off() {
    let start = RIG.find("[reaction]").unwrap();
    let end = start + RIG[start..].find("[current]").unwrap();
    let rig = format!("{}{}", &RIG[..start], &RIG[end..]);
    let sound = drive_on(&rig, times_out(0x40, |_, _| None), None);
    assert_eq!((sound.cause, only(&sound).0), (Cause::Passed, By::Frame), "{}", sound.why);
    let dead = drive_on(&rig, times_out(0x40, |_, _| Some("1".into())), None);
    assert_eq!((dead.cause, only(&dead).0), (Cause::Tripped, By::CommandTimeout), "{}", dead.why);
}

/// No answer to any stop frame. Repeated as often as on the demo bench they leave no time for a sample, and nothing is confirmed; with
/// time between them samples show what did it.
#[test]
fn a_stop_frame_that_is_never_acknowledged_is_no_pass() {
    let dead = || times_out(0x40, |_, _| Some(String::new()));
    let often = drive(dead(), None);
    assert_eq!(often.cause, Cause::NotConfirmed, "{}", often.why);
    let rig =
        RIG.replacen("every = \"20 ms\"\nnot_driven_within", "every = \"150 ms\"\nnot_driven_within", 1);
    let seldom = drive_on(&rig, dead(), None);
    assert_eq!(seldom.cause, Cause::Tripped, "{}", seldom.why);
    assert!(
        seldom.why.starts_with("stop frame: ") && seldom.why.contains("not acknowledged"),
        "{}",
        seldom.why
    );
}

/// One acknowledgement that is lost: the frame had worked, and the next shows it.
#[test]
fn one_acknowledgement_that_is_lost_is_no_finding() {
    let mut lost = false;
    let board = times_out(0x40, move |_, seen| {
        seen.state = 0x40;
        (!std::mem::replace(&mut lost, true)).then(String::new)
    });
    let ended = drive(board, None);
    assert_eq!(ended.cause, Cause::Passed, "{}", ended.why);
    assert!(!only(&ended).1);
}

/// A state that is asked for every 120 ms cannot tell a frame from a timeout of 100 ms.
#[test]
fn samples_that_are_too_rare_to_tell_are_said_to_be() {
    let rig = RIG
        .replacen("{state},{speed},", "{_},{speed},", 1)
        .replacen("not_driven_within = \"250 ms\"", "not_driven_within = \"400 ms\"", 1)
        .replace("stale = \"180 ms\"", "stale = \"290 ms\"")
        .replacen(
            "[channel.state]\n",
            "[[link.board.poll]]\nname = \"word\"\nevery = \"120 ms\"\nsend = \"MEAS:WORD?\"\nexpect = \"{state}\"\n\n[channel.state]\n",
            1,
        );
    let word = |dead: bool| {
        let mut told = Instant::ZERO;
        Board::new(move |now, request, seen| {
            if request.starts_with("SOUR:SPE") || request.starts_with("CONT:WORD 15") {
                told = now;
            }
            if seen.state == 0x27 && now - told > Duration::from_millis(100) {
                seen.state = 0x40;
            }
            match request {
                "MEAS:WORD?" => Some(format!("{}", seen.state)),
                _ if dead && is_stop(request) => Some("1".into()),
                _ => None,
            }
        })
    };
    let mut open = 0;
    for stop in [2400, 2420, 2440, 2460, 2480] {
        for dead in [false, true] {
            let ended = drive_on(&rig, word(dead), Some(at(stop)));
            let (by, finding, found) = only(&ended);
            let wrong = if dead { by == By::Frame } else { finding };
            assert!(!wrong, "{dead} at {stop}: {by:?}: {found}");
            if by == By::Unknown {
                open += 1;
                assert!(found.contains("the state is asked for every 120 ms"), "{found}");
            }
        }
    }
    assert!(open > 0, "at least one of them cannot be told");
}

/// A drive that is in fault after an ordinary profile, whatever put it there.
#[test]
fn a_test_that_ends_with_the_drive_in_fault_has_not_passed() {
    for state in [0x08, 0x0F] {
        let mut stopped = false;
        let board = Board::new(move |_, request, seen| {
            stopped |= is_stop(request);
            if stopped {
                // The reaction to a fault goes over into the fault.
                seen.state = if state == 0x0F && seen.state == 0x27 { 0x0F } else { 0x08 };
            }
            is_stop(request).then(|| "1".into())
        });
        let ended = drive(board, None);
        assert_eq!(ended.cause, Cause::Tripped, "{}", ended.why);
        assert!(ended.why.contains("the drive ended in `fault`"), "{}", ended.why);
        assert_eq!(ended.stages(Stage::NotDriven), [true]);
    }
}

/// One flipped bit makes a fault of `switch on disabled`: 24 for 64.
#[test]
fn one_sample_that_shows_a_fault_is_none() {
    let (mut stopped, mut seen) = (false, 0);
    let board = Board::new(move |_, request, state| {
        stopped |= is_stop(request);
        seen += i32::from(stopped && request == "MEAS:DRIV?");
        (request == "MEAS:DRIV?" && (1..=2).contains(&seen))
            .then(|| format!("24,{},0.0,155.0,0.1", state.speed))
    });
    let ended = drive(board, None);
    assert_eq!(ended.cause, Cause::Passed, "{}", ended.why);
}

/// The command timeout of a board may end in `fault`, and its silence passes. One that is in fault long before its timeout can be over
/// has another reason.
#[test]
fn a_fault_before_the_command_timeout_can_be_over_is_no_proof_of_it() {
    let faults_after = |ms: i64| {
        let mut told = Instant::ZERO;
        let board = Board::new(move |now, request, seen| {
            if request.starts_with("SOUR:SPE") {
                told = now;
            }
            if seen.state == 0x27 && now > at(2000) && now - told > Duration::from_millis(ms) {
                seen.state = 0x08;
            }
            (is_stop(request) && seen.state == 0x08).then(|| "1".into())
        });
        drive_suite(SILENCE, board)
    };
    let due = faults_after(100);
    assert_eq!(due.cause, Cause::Passed, "{}", due.why);
    assert_eq!(only(&due).0, By::Before);
    let soon = faults_after(40);
    assert_eq!(soon.cause, Cause::Tripped, "{}", soon.why);
    assert!(soon.why.contains("something else took the torque off"), "{}", soon.why);
}

/// After a silence in which it went on it is the frame that stopped it: the timeout had been over.
#[test]
fn a_board_without_a_timeout_is_stopped_by_the_frame() {
    let ended = drive_suite(SILENCE, Board::new(|_, _, _| None));
    assert_eq!(ended.cause, Cause::Tripped, "{}", ended.why);
    let (by, finding, found) = only(&ended);
    assert_eq!((by, finding), (By::Frame, false), "{found}");
    assert!(found.contains("had been over before"), "{found}");
}
