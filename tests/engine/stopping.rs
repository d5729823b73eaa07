//! What must be refused, what must trip, and what is no proof of a stop.

use super::board::{Board, Ended, at, coasting, drive, drive_on, reads};
use super::common::RIG;
use spinproof::outcome::Cause;
use spinproof::record::{Stage, What};
use spinproof::time::{Duration, Instant};

#[test]
fn a_sound_board_is_driven_stopped_and_proved() {
    let ended = drive(Board::new(|_, _, _| None), None);
    assert_eq!(ended.cause, Cause::Passed, "{}", ended.why);
    assert_eq!((ended.stages(Stage::NotDriven), ended.stages(Stage::AtRest)), (vec![true], vec![true]));
    assert_eq!(ended.stages(Stage::DeEnergised), [false], "155 V on a hand-set supply");
}

/// One reading that is no number, early in the watch, with sound ones after it.
#[test]
fn a_reading_that_is_no_number_is_not_forgotten_by_the_pre_checks() {
    let mut spoilt = false;
    let board = Board::new(move |now, request, _| {
        let nan = request == "MEAS:DRIV?" && now > at(100) && !std::mem::replace(&mut spoilt, now > at(100));
        nan.then(|| "64,0.0,1.0,NAN,0.1".into())
    });
    let ended = drive(board, None);
    assert_eq!(ended.cause, Cause::Refused, "{}", ended.why);
    assert!(ended.why.contains("bus in window"), "{}", ended.why);
    assert_eq!(ended.count(|w| matches!(w, What::SegmentBegan { .. })), 0, "nothing was driven");
}

/// The same for each quantity that is looked at more closely: one reading that is no number, sound ones before and after it.
#[test]
fn one_reading_that_is_no_number_spoils_a_closer_look() {
    for (asked, reply, name) in [
        ("MEAS:COOL?", "1.95,3750,NAN,20.0", "coolant moving"),
        ("MEAS:COOL?", "1.95,NAN,7.90,20.0", "coolant moving"),
        ("MEAS:PED?", "0.0,NAN,0.750,0.375,1", "pedal tracks alike"),
        ("MEAS:SUPP?", "NAN", "bus as the mains let it be"),
        ("MEAS:RES?", "0.0,1.0,NAN,1.50", "resolver signals"),
        ("MEAS:RES?", "0.0,1.0,1.0,NAN", "resolver quiet, gates off"),
    ] {
        let mut spoilt = false;
        let board = Board::new(move |now, request, _| {
            let nan = request == asked && now > at(700) && !std::mem::replace(&mut spoilt, now > at(700));
            nan.then(|| reply.into())
        });
        let ended = drive(board, None);
        assert_eq!(ended.cause, Cause::Refused, "{reply}: {}", ended.why);
        assert!(ended.why.contains(name), "{reply}: {}", ended.why);
        assert_eq!(ended.count(|w| matches!(w, What::SegmentBegan { .. })), 0, "nothing was driven");
    }
}

/// Noise with the gates on is no number once: enabled, but no profile, and the stop is proved.
#[test]
fn one_reading_that_is_no_number_spoils_the_watch_with_the_gates_on() {
    let mut spoilt = false;
    let board = Board::new(move |now, request, seen| {
        let watched = seen.state == 0x27 && now > at(1250);
        let nan = request == "MEAS:RES?" && watched && !std::mem::replace(&mut spoilt, watched);
        nan.then(|| "0.0,1.0,1.0,NAN".into())
    });
    let ended = drive(board, None);
    assert_eq!(ended.cause, Cause::Refused, "{}", ended.why);
    assert!(ended.why.contains("resolver quiet, gates on"), "{}", ended.why);
    assert_eq!(ended.count(|w| matches!(w, What::SegmentBegan { .. })), 0, "no profile");
    assert_eq!(ended.stages(Stage::NotDriven), [true]);
}

#[test]
fn a_board_that_ignores_the_stop_is_not_confirmed() {
    let board = Board::new(|_, request, _| request.starts_with("CONT:WORD 0").then(|| "1".into()));
    let ended = drive(board, None);
    assert_eq!(ended.cause, Cause::NotConfirmed, "{}", ended.why);
    assert_eq!(ended.stages(Stage::NotDriven), [false]);
    assert!(ended.count(|w| matches!(w, What::StopSent { .. })) > 10, "it goes on demanding");
}

#[test]
fn a_board_that_goes_silent_at_speed_is_tripped_for_and_not_confirmed() {
    let board = Board::new(|now, _, _| (now > at(2500)).then(String::new));
    let ended = drive(board, None);
    assert_eq!(ended.cause, Cause::NotConfirmed, "{}", ended.why);
    assert!(ended.why.contains("acknowledged"), "{}", ended.why);
    assert!(ended.count(|w| matches!(w, What::StopSent { .. })) > 10, "it goes on demanding");
}

/// The drive comes back on while the shaft still turns: it is stopped again, and the end is no pass.
#[test]
fn a_drive_that_comes_back_on_while_coasting_is_stopped_again() {
    let mut stopped: Option<Instant> = None;
    let mut back = false;
    let board = Board::new(move |now, request, seen| {
        if request.starts_with("CONT:WORD 0") {
            stopped = stopped.or(Some(now));
            seen.state = 0x40;
            return Some("1".into());
        }
        let since = stopped.map(|s| now - s)?;
        if since > Duration::from_millis(100)
            && !std::mem::replace(&mut back, since > Duration::from_millis(100))
        {
            seen.state = 0x27;
        }
        let speed = coasting(100.0, since - Duration::from_millis(400));
        (request == "MEAS:DRIV?").then(|| format!("{},{speed},1.0,155.0,0.1", seen.state))
    });
    let ended = drive(board, None);
    assert_eq!(ended.cause, Cause::Tripped, "{}", ended.why);
    assert!(ended.why.contains("again"), "{}", ended.why);
    assert_eq!(ended.stages(Stage::NotDriven), [true, false, true]);
}

/// Ctrl-C at any moment ends stopped, and where it was driven, proved.
#[test]
fn a_stop_at_any_moment_ends_stopped_and_proved() {
    for ms in [0, 1, 5, 500, 1004, 1010, 1500, 2500, 2900] {
        let ended = drive(Board::new(|_, _, _| None), Some(at(ms)));
        assert_eq!(ended.cause, Cause::Stopped, "at {ms} ms: {}", ended.why);
        assert_eq!(ended.stages(Stage::NotDriven), [true], "at {ms} ms");
    }
}

/// A first stop frame that is lost is repeated, and the proof rests on samples asked for after the last.
#[test]
fn a_lost_stop_frame_is_repeated_until_the_board_obeys() {
    let mut lost = 0;
    let board = Board::new(move |_, request, _| {
        lost += i32::from(request.starts_with("CONT:WORD 0"));
        (request.starts_with("CONT:WORD 0") && lost <= 2).then(String::new)
    });
    let ended = drive(board, Some(at(2500)));
    assert_eq!(ended.cause, Cause::Stopped, "{}", ended.why);
    assert!(ended.count(|w| matches!(w, What::StopSent { .. })) >= 3);
    assert_eq!(ended.stages(Stage::NotDriven), [true]);
}

#[test]
fn a_phase_current_that_stays_is_no_proof() {
    let mut stopped = false;
    let board = Board::new(move |_, request, _| {
        stopped |= request.starts_with("CONT:WORD 0");
        if stopped { reads(request, 0x40, 0.0, 5.0) } else { None }
    });
    let ended = drive(board, None);
    assert_eq!(ended.cause, Cause::NotConfirmed, "{}", ended.why);
    assert!(
        ended
            .events
            .iter()
            .any(|e| matches!(&e.what, What::Stage { found, .. } if found.contains("5.00 A rms")))
    );
}

/// Every other sample is slow for 300 ms: at rest is three in a row, so not before that.
#[test]
fn at_rest_needs_three_slow_samples_in_a_row() {
    let (mut stopped, mut flip) = (None, false);
    let board = Board::new(move |now, request, _| {
        if request.starts_with("CONT:WORD 0") {
            stopped = stopped.or(Some(now));
        }
        let since = now - stopped?;
        flip ^= request == "MEAS:DRIV?";
        let still = Duration::from_millis(300);
        let speed = if !flip && since < still { 0.0 } else { coasting(100.0, since - still) };
        reads(request, 0x40, speed, 0.0)
    });
    let ended = drive(board, Some(at(2500)));
    let rest = ended.when(|w| matches!(w, What::Stage { stage: Stage::AtRest, confirmed: true, .. }));
    assert!(rest > at(2800), "at rest at {rest}");
}

/// The speed comes by a poll of its own and was slow before the stop already: only what was asked for after the
/// last stop frame counts towards rest.
#[test]
fn a_speed_asked_for_before_the_stop_is_no_proof_of_rest() {
    use std::sync::{Arc, Mutex};
    let shaft = "[[link.board.poll]]\nname = \"shaft\"\nevery = \"50 ms\"\nsend = \"MEAS:SHAF?\"\nexpect = \"{speed}\"\n\n";
    let rig = RIG.replace("{state},{speed},", "{state},{_},").replacen(
        "[channel.state]",
        &format!("{shaft}[channel.state]"),
        1,
    );
    let asked: Arc<Mutex<Vec<Instant>>> = Arc::default();
    let seen = Arc::clone(&asked);
    let board = Board::new(move |now, request, _| {
        let mut asked = seen.lock().unwrap();
        if request.starts_with("CONT:WORD 0") {
            asked.clear();
        }
        (request == "MEAS:SHAF?").then(|| {
            asked.push(now);
            "0".to_string()
        })
    });
    let ended = drive_on(&rig, board, Some(at(2500)));
    let rest = ended.when(|w| matches!(w, What::Stage { stage: Stage::AtRest, confirmed: true, .. }));
    let before = asked.lock().unwrap().iter().filter(|t| **t < rest).count();
    assert!(before >= 3, "at rest after {before} samples");
}

#[test]
fn a_drive_that_is_on_already_is_refused() {
    let board = Board::new(|now, request, seen| {
        seen.state = if now < at(500) { 0x27 } else { seen.state };
        reads(request, seen.state, 0.0, 0.0)
    });
    let ended = drive(board, None);
    assert_eq!(ended.cause, Cause::Refused, "{}", ended.why);
    assert!(ended.why.contains("drive at rest"), "{}", ended.why);
    let stop = ended.when(|w| matches!(w, What::StopSent { .. }));
    assert!(stop < at(100), "at the first row, not after the watch: {stop}");
    assert_eq!(ended.count(|w| matches!(w, What::SegmentBegan { .. })), 0, "nothing was driven");
}

#[test]
fn one_sample_above_a_level_trips() {
    let mut once = false;
    let board = Board::new(move |now, request, _| {
        let now = now > at(2000) && request == "MEAS:DRIV?" && !std::mem::replace(&mut once, now > at(2000));
        if now { reads(request, 0x27, 1950.0, 1.0) } else { None }
    });
    let ended = drive(board, None);
    assert_eq!(ended.cause, Cause::Tripped, "{}", ended.why);
    assert!(ended.why.contains("overspeed"), "{}", ended.why);
}

/// The trip on phase current lasts 15 ms: two samples 5 ms apart do not fire it, seven do.
#[test]
fn a_trip_with_a_length_of_time_lets_a_short_crossing_pass() {
    for (ms, cause) in [(8, Cause::Passed), (35, Cause::Tripped)] {
        let board = Board::new(move |now, request, seen| {
            let high = now > at(2000) && now < at(2000 + ms);
            if high { reads(request, seen.state, seen.speed, 100.0) } else { None }
        });
        let ended = drive(board, None);
        assert_eq!(ended.cause, cause, "{ms} ms: {}", ended.why);
    }
}

/// A lost reply keeps the line quiet until 2.53 s or so: a stop does not wait for that.
#[test]
fn a_stop_frame_goes_out_at_once_while_the_line_is_quiet() {
    let mut lost = false;
    let board = Board::new(move |now, request, _| {
        let lose = request == "MEAS:DRIV?" && now > at(2440) && !std::mem::replace(&mut lost, now > at(2440));
        lose.then(String::new)
    });
    let ended = drive(board, Some(at(2500)));
    assert_eq!(ended.when(|w| matches!(w, What::StopSent { .. })), at(2500));
}

#[test]
fn a_drive_that_switches_itself_off_at_speed_trips() {
    let board = Board::new(|now, request, seen| {
        if now > at(2000) && now < at(2200) { reads(request, 0x40, seen.speed, 0.0) } else { None }
    });
    let ended = drive(board, None);
    assert_eq!(ended.cause, Cause::Tripped, "{}", ended.why);
    assert!(ended.why.contains("expected `operation enabled`"), "{}", ended.why);
}

#[test]
fn another_controller_than_the_unit_file_says_is_refused() {
    let board = Board::new(|_, request, _| {
        (request == "*IDN?").then(|| "Hollin Clough Motors,HC-7 controller,HC7-0099,1.4.0".into())
    });
    let ended = drive(board, None);
    assert_eq!(ended.cause, Cause::Refused, "{}", ended.why);
    assert!(ended.why.contains("`HC7-0099`, expected `HC7-0042`"), "{}", ended.why);
}

/// A rig that reads the state, or the current, only with the slow group: the fast group's samples after
/// the stop are no proof as long as that one was asked for before it.
#[test]
fn nothing_asked_for_before_the_stop_is_proof() {
    // A poll under way when the stop comes keeps the line quiet: one of three moments has none.
    for (moved, ms) in [
        ("state", 931),
        ("state", 932),
        ("state", 933),
        ("phase_current", 931),
        ("phase_current", 932),
        ("phase_current", 933),
    ] {
        let rig = RIG
            .replace(&format!("{{{moved}}},"), "{_},")
            .replace("{stop_loop};", &format!("{{stop_loop}},{{{moved}}};"))
            // It gets as old as the slow group lets it.
            .replace("stale = \"180 ms\"", "stale = \"250 ms\"");
        let board = Board::new(move |_, request, seen| match (request, moved) {
            ("MEAS:DRIV?", "state") => Some("0,0,1.0,155.0,0.1".into()),
            ("MEAS:DRIV?", _) => Some(format!("{},0,1.0,155.0,0.1", seen.state)),
            ("MEAS:SLOW?", "state") => Some(format!("20.0,20.0,20.0,0.0,1,{}", seen.state)),
            ("MEAS:SLOW?", _) => Some("20.0,20.0,20.0,0.0,1,1.0".into()),
            _ => None,
        });
        // The slow group is asked at 0.9 s and again at 1.0 s.
        let ended = drive_on(&rig, board, Some(at(ms)));
        assert_eq!(ended.cause, Cause::Stopped, "{moved}: {}", ended.why);
        let proved =
            ended.when(|w| matches!(w, What::Stage { stage: Stage::NotDriven, confirmed: true, .. }));
        assert!(proved > at(980), "{moved}: proved at {proved}");
    }
}

/// Of three moments of a stop at least one finds a request under way; its reply comes to nobody, and is not called garbage.
#[test]
fn a_reply_that_a_stop_overtook_is_late_and_no_garbage() {
    let stopped = |ms| drive(Board::new(|_, _, _| None), Some(at(ms)));
    let ended: Vec<_> = [931, 932, 933].map(stopped).into();
    let late = |e: &Ended| e.count(|w| matches!(w, What::Late { text, .. } if text.matches(',').count() > 2));
    assert!(ended.iter().map(late).sum::<usize>() > 0, "none of them found one under way");
    for one in ended {
        assert_eq!(one.cause, Cause::Stopped, "{}", one.why);
        assert_eq!(one.count(|w| matches!(w, What::Garbage { .. })), 0);
    }
}

/// A reply slower than it may be is told as late, too, and a line that fits nothing is not.
#[test]
fn a_reply_that_came_too_late_is_told_from_garbage() {
    for (reply, late, garbage) in [("20.0,20.0,20.0,0.0,1", 1, 0), ("20.0,20.0", 0, 1)] {
        let mut board = Board::new(move |now, request, _| {
            (request == "MEAS:SLOW?" && (at(880)..at(980)).contains(&now)).then(|| reply.into())
        });
        board.slow = Some(("MEAS:SLOW?", at(880)..at(980), Duration::from_millis(60)));
        let ended = drive(board, None);
        assert_eq!(ended.count(|w| matches!(w, What::Late { .. })), late, "{reply}");
        assert_eq!(ended.count(|w| matches!(w, What::Garbage { .. })), garbage, "{reply}");
    }
}

/// What the pre-checks proved must go on to hold until something is told to turn, the drive on its way to being enabled or
/// enabled already.
#[test]
fn a_shaft_that_moves_after_the_pre_checks_is_not_driven() {
    for (state, words) in [(0x21, "ready"), (0x23, "switched on"), (0x27, "enabled")] {
        let board = Board::new(move |_, request, seen| {
            (seen.state == state).then(|| reads(request, state, 20.0, 1.0)).flatten()
        });
        let ended = drive(board, None);
        assert_eq!(ended.cause, Cause::Refused, "{words}: {}", ended.why);
        let told = "shaft at rest held in the pre-checks and no longer does: speed ";
        assert!(ended.why.contains(told), "{words}: {}", ended.why);
        assert_eq!(ended.count(|w| matches!(w, What::SegmentBegan { .. })), 0, "nothing was driven");
        let enabled = ended.count(|w| matches!(w, What::State { state } if state == "operation enabled"));
        assert_eq!(enabled, usize::from(state == 0x27), "{words}: the gates were on");
        assert_eq!(ended.stages(Stage::NotDriven), [true], "{words}: stopped and proved");
    }
}
