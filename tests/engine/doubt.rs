//! A stop whose proof does not hold, or that the line does not carry.

use super::board::{Board, SUITE, at, coasting, drive, drive_changed, drive_on, reads};
use super::common::RIG;
use spinproof::outcome::Cause;
use spinproof::plan::Plan;
use spinproof::record::{Stage, What};
use spinproof::time::{Duration, Instant};

fn stop_sent(what: &What) -> bool {
    matches!(what, What::StopSent { .. })
}

/// A board that obeys, and from its first stop frame on reads so: how long after that frame, what is asked.
fn after_the_stop(mut reading: impl FnMut(Duration, &str) -> Option<String> + 'static) -> Board {
    let mut stopped: Option<Instant> = None;
    Board::new(move |now, request, _| {
        if request.starts_with("CONT:WORD 0") {
            stopped = stopped.or(Some(now));
        }
        reading(now - stopped?, request)
    })
}

/// A link that took no bytes once may take them again: stop frames are tried on it, at once and again and again.
#[test]
fn stop_frames_are_tried_on_a_link_that_was_lost() {
    let ended = drive(Board { lost: at(2500), ..Board::new(|_, _, _| None) }, None);
    assert_eq!(ended.when(stop_sent), at(2500));
    assert!(ended.count(stop_sent) > 10, "{} stop frames", ended.count(stop_sent));
    assert_ne!(ended.cause, Cause::Passed);
}

/// Whoever switched it on: a drive that is on and stays on is not left after the first deadline.
#[test]
fn a_drive_that_was_on_before_and_ignores_the_stop_is_not_confirmed() {
    let board = Board::new(|_, request, _| reads(request, 0x27, 0.0, 0.0));
    let ended = drive(board, None);
    assert_eq!(ended.cause, Cause::NotConfirmed, "{}", ended.why);
    assert!(ended.count(stop_sent) > 10, "{} stop frames", ended.count(stop_sent));
}

/// The supply dips, the board begins anew and says zero of everything before it has measured anything. The shaft turns for
/// another second, the bus stays live.
#[test]
fn the_zeros_of_a_board_that_has_just_begun_prove_no_rest() {
    let board = Board::new(|now, request, _| {
        let since = now - at(2500);
        let read = if since < Duration::ZERO {
            return None;
        } else if since < Duration::from_millis(60) {
            "0,0,0,0,0".into()
        } else {
            format!("64,{},0.0,155.0,0.0", coasting(100.0, since - Duration::from_millis(1000)))
        };
        (request == "MEAS:DRIV?").then_some(read)
    });
    let ended = drive(board, None);
    let rest = ended.when(|w| matches!(w, What::Stage { stage: Stage::AtRest, .. }));
    assert!(rest >= at(3500), "at rest at {rest}");
    assert_eq!((ended.stages(Stage::AtRest), ended.stages(Stage::DeEnergised)), (vec![true], vec![false]));
}

/// Its word says that it is off, and current flows all the same.
#[test]
fn a_phase_current_that_comes_back_is_stopped_again_whatever_the_drive_says() {
    let board = after_the_stop(|since, request| {
        let flows = (Duration::from_millis(100)..Duration::from_millis(300)).contains(&since);
        let speed = coasting(100.0, since - Duration::from_millis(600));
        reads(request, 0x40, speed, if flows { 50.0 } else { 0.0 })
    });
    let ended = drive(board, Some(at(2500)));
    assert_eq!(ended.stages(Stage::NotDriven), [true, false, true], "{}", ended.why);
    assert!(ended.count(stop_sent) >= 3, "{} stop frames", ended.count(stop_sent));
}

/// A trip or a person's stop after the proof sends a stop frame again: it costs nothing.
#[test]
fn a_trip_after_the_proof_sends_a_stop_frame_again() {
    let board = after_the_stop(|since, request| {
        // For one sample.
        let fast = since > Duration::from_millis(200) && since < Duration::from_millis(206);
        let speed = if fast { 1900.0 } else { coasting(100.0, since - Duration::from_millis(400)) };
        reads(request, 0x40, speed, 0.0)
    });
    let ended = drive(board, Some(at(2500)));
    assert_eq!(ended.stages(Stage::NotDriven), [true], "{}", ended.why);
    let tripped = ended.when(|w| matches!(w, What::Trip { trip, .. } if trip == "overspeed"));
    let again = ended.events.iter().filter(|e| stop_sent(&e.what) && e.at >= tripped).count();
    assert_eq!(again, 1, "one for the trip");
}

/// It comes on a moment before the deadline for rest and obeys the third stop frame: as much patience as at first. Weight out of balance
/// may keep this shaft turning, so that its speed proves nothing.
#[test]
fn a_drive_that_comes_on_at_the_last_moment_is_stopped_as_patiently() {
    let (mut stopped, mut back, mut told) = (None::<Instant>, None::<Instant>, 0);
    let board = Board::new(move |now, request, _| {
        if request.starts_with("CONT:WORD 0") {
            stopped = stopped.or(Some(now));
            told += i32::from(back.is_some());
            return Some("1".into());
        }
        let since = now - stopped?;
        if since > Duration::from_millis(39_980) {
            back = back.or(Some(now));
        }
        let state = if back.is_some() && told < 3 { 0x27 } else { 0x40 };
        reads(request, state, 500.0, 0.0)
    });
    let rig = format!("{RIG}\n[shaft]\ncoupled = \"nothing\"\nunbalanced = true\n");
    let ended = drive_on(&rig, board, Some(at(2500)));
    assert_eq!(ended.stages(Stage::NotDriven), [true, false, true], "{}", ended.why);
    assert_eq!(ended.cause, Cause::NotConfirmed, "the shaft never came to rest: {}", ended.why);
}

/// Every fourth reading is no number: what has lasted so far has lasted all the same.
#[test]
fn readings_that_are_no_number_do_not_begin_a_trip_anew() {
    let mut n = 0;
    let board = Board::new(move |now, request, seen| {
        if now < at(2000) || request != "MEAS:DRIV?" || seen.state != 0x27 {
            return None;
        }
        n += 1;
        let current = if n % 4 == 0 { "NAN" } else { "100.0" };
        Some(format!("39,{},{current},155.0,0.1", seen.speed))
    });
    let ended = drive(board, None);
    assert_eq!(ended.cause, Cause::Tripped, "{}", ended.why);
    assert!(ended.why.contains("phase_current"), "{}", ended.why);
}

/// A run that was killed left the drive on, and the next one asks whether nobody is in its plane: it is stopped at the first row,
/// whether anybody answers or not.
#[test]
fn a_drive_that_is_on_while_a_question_is_open_is_stopped_at_once() {
    let mut stopped = false;
    let mut board = Board::new(move |_, request, seen| {
        stopped |= request.starts_with("CONT:WORD 0");
        reads(request, if stopped { 0x40 } else { 0x27 }, seen.speed, 0.3)
    });
    board.answered = false;
    let ended = drive(board, None);
    assert_eq!(ended.cause, Cause::Refused, "{}", ended.why);
    assert!(ended.why.contains("drive at rest"), "{}", ended.why);
    assert!(ended.when(stop_sent) < at(50), "{}", ended.when(stop_sent));
    assert_eq!(ended.stages(Stage::NotDriven), [true]);
}

/// A phase current that is no number after the stop, from a sensor or a divider that broke, proves nothing.
#[test]
fn a_phase_current_that_is_no_number_is_no_proof() {
    for word in ["NAN", "9.91E37"] {
        let board = after_the_stop(move |since, request| {
            let speed = coasting(100.0, since);
            (request == "MEAS:DRIV?").then(|| format!("64,{speed},{word},155.0,0.1"))
        });
        let ended = drive(board, Some(at(2500)));
        assert_eq!(ended.stages(Stage::NotDriven), [false], "{word}: {}", ended.why);
        assert_eq!(ended.cause, Cause::NotConfirmed, "{word}: {}", ended.why);
    }
}

/// The mains were never read: a bus that reads low behind a bridge that they may feed is not de-energised.
#[test]
fn mains_that_were_never_read_speak_against_a_dead_bus() {
    for (silent, confirmed) in [(true, false), (false, true)] {
        let board = Board::new(move |_, request, _| match request {
            "MEAS:DRIV?" => Some("64,0.0,0.1,10.0,0.1".into()),
            "MEAS:SUPP?" if silent => Some(String::new()),
            "MEAS:SUPP?" => Some("0.0".into()),
            _ => None,
        });
        let ended = drive(board, Some(at(400)));
        assert_eq!(ended.stages(Stage::DeEnergised), [confirmed], "mains silent: {silent}; {}", ended.why);
        let said = |w: &What| matches!(w, What::Stage { stage: Stage::DeEnergised, found, .. } if found.contains("mains was not read"));
        assert_eq!(ended.count(said), usize::from(silent));
    }
}

/// A proof is good for so long: what is enabled later than that, since nobody read keys or the line was not free, is not enabled.
#[test]
fn a_proof_that_is_too_old_enables_nothing() {
    let by_hand = "schema = 1\nname = \"pedal\"\n[[test]]\nname = \"one\"\ndemand = \"hand\"\nprofile = [{ by_hand = \"1 s\", \
        up_to = \"200 rpm\", ask = \"Press.\", rehearsed = \"pedal-sweep.csv\", name = \"travel\" }]\ncriterion = []\n";
    for (valid_for, enabled) in [(5000, true), (201, true), (199, false)] {
        let board = Board { keys: Some(Duration::from_millis(200)), ..Board::new(|_, _, _| None) };
        let valid = |plan: &mut Plan| plan.ready.valid_for = Duration::from_millis(valid_for);
        let ended = drive_changed(RIG, by_hand, board, valid);
        let ready = ended.count(|w| matches!(w, What::State { state } if state == "ready to switch on"));
        assert_eq!(ready > 0, enabled, "{valid_for}: {}", ended.why);
        if !enabled {
            assert_eq!(ended.cause, Cause::Refused, "{}", ended.why);
            assert!(ended.why.contains("expired 1 ms before anything was enabled"), "{}", ended.why);
        }
    }
}

/// A reply is lost just before the pre-checks have held: the line is quiet for longer than their proof is good for.
#[test]
fn a_proof_expires_while_the_line_is_quiet() {
    let held = |w: &What| matches!(w, What::PreCheck { name, .. } if name == "link quality");
    let checked = drive(Board::new(|_, _, _| None), None).when(held);
    for (valid_for, enabled) in [(200, true), (20, false)] {
        let mut lost = false;
        let board = Board::new(move |now, request, _| {
            let lose = request == "MEAS:DRIV?" && now + Duration::from_millis(6) > checked && !lost;
            lost |= lose;
            lose.then(String::new)
        });
        let valid = |plan: &mut Plan| plan.ready.valid_for = Duration::from_millis(valid_for);
        let ended = drive_changed(RIG, SUITE, board, valid);
        let ready = ended.count(|w| matches!(w, What::State { state } if state == "ready to switch on"));
        assert_eq!(ready > 0, enabled, "{valid_for}: {}", ended.why);
        if !enabled {
            assert_eq!(ended.cause, Cause::Refused, "{}", ended.why);
            assert!(ended.why.contains("before anything was enabled"), "{}", ended.why);
        }
    }
}
