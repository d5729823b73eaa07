//! Boards that say *off* while something drives: the speed in their own samples tells.

use super::board::{Board, Ended, drive_plan, reads};
use super::common::{RIG, UNIT};
use spinproof::outcome::Cause;
use spinproof::record::{Stage, What};
use spinproof::time::{Duration, Instant};

const HOLD: &str = "schema = 1\nname = \"short\"\n[[test]]\nname = \"one\"\n\
    profile = [{ ramp = \"200 rpm\", rate = \"200 rpm/s\" }]\ncriterion = []\n";
const COAST: &str = "schema = 1\nname = \"short\"\n[[test]]\nname = \"one\"\n\
    profile = [{ ramp = \"300 rpm\", rate = \"300 rpm/s\" }, { coast = \"5 s\" }]\ncriterion = []\n";

/// A board that says it is off from its first stop frame on, whose speed, rpm, and phase current are what a test makes of the seconds since.
fn says_off(mut reading: impl FnMut(f64) -> (f64, f64) + 'static) -> Board {
    let mut stopped: Option<Instant> = None;
    Board::new(move |now, request, _| {
        if request.starts_with("CONT:WORD 0") {
            stopped = stopped.or(Some(now));
        }
        let (speed, current) = reading((now - stopped?).secs_f64());
        reads(request, 0x40, speed, current)
    })
}

/// A shaft that was held until a moment, s, falls from there at 220 rpm/s.
fn then_falls(speed: f64, until: f64, since: f64) -> f64 {
    (speed - 220.0 * (since - until).max(0.0)).max(0.0)
}

fn held(suite: &str, reading: impl FnMut(f64) -> (f64, f64) + 'static) -> Ended {
    drive_plan(RIG, suite, says_off(reading), None)
}

/// Seconds from the first stop frame to the end.
fn lasted(ended: &Ended) -> f64 {
    (ended.events.last().expect("an event").at - ended.when(|w| matches!(w, What::StopSent { .. })))
        .secs_f64()
}

fn said(ended: &Ended) -> String {
    let words = ended.events.iter().filter_map(|e| match &e.what {
        What::Stage { stage: Stage::NotDriven, confirmed: false, found } => Some(found.clone()),
        _ => None,
    });
    words.collect::<Vec<_>>().join("\n")
}

/// It is seen after 18 ms of reaction, 300 ms in which readings settle, and the shorter of a turn of the slowest shaft and a part of it
/// (2.57 s at 200 rpm) and twice the slowest coast (1.12 s); twice, since the stop is repeated.
#[test]
fn a_speed_that_is_held_while_the_board_says_off_is_not_confirmed() {
    let ended = held(HOLD, |since| (then_falls(200.0, 8.0, since), 0.3));
    assert_eq!(ended.cause, Cause::NotConfirmed, "{}", ended.why);
    assert_eq!(ended.stages(Stage::NotDriven), [true, false, false], "{}", said(&ended));
    assert!(said(&ended).contains("200.00 rpm"), "{}", said(&ended));
    assert!(lasted(&ended) < 8.0, "it ended after {} s", lasted(&ended));
    assert!(ended.count(|w| matches!(w, What::StopSent { .. })) > 10, "the stop is repeated");
}

#[test]
fn a_speed_that_rises_while_the_board_says_off_is_not_confirmed() {
    for (to, over) in [(650.0, 8.0), (1000.0, 20.0)] {
        let ended = held(HOLD, move |since| (200.0 + (to - 200.0) * (since / over).min(1.0), 0.3));
        assert_eq!(ended.cause, Cause::NotConfirmed, "{}", ended.why);
        assert!(lasted(&ended) < over, "it ended after {} s", lasted(&ended));
    }
}

#[test]
fn a_coast_that_is_held_trips_and_is_not_confirmed() {
    let ended = held(COAST, |since| (then_falls(300.0, 8.0, since), 0.3));
    assert_eq!(ended.cause, Cause::NotConfirmed, "{}", ended.why);
    assert_eq!(ended.count(|w| matches!(w, What::Trip { trip, .. } if trip == "torque off")), 1);
    assert!(lasted(&ended) < 8.0, "it ended after {} s", lasted(&ended));
    assert!(!ended.stages(Stage::NotDriven).contains(&true), "its word was worth nothing any more");
}

/// It falls for 0.4 s by 220 rpm/s and is then held, or brought back to where it was.
#[test]
fn a_drive_that_comes_on_again_unsaid_is_not_confirmed() {
    for back in [false, true] {
        let ended = held(HOLD, move |since| {
            let fallen = 200.0 - 220.0 * since.min(0.4);
            let speed = if back { (fallen + 200.0 * (since - 0.4).max(0.0)).min(200.0) } else { fallen };
            (speed, 0.3)
        });
        assert_eq!(ended.cause, Cause::NotConfirmed, "{}", ended.why);
        assert!(lasted(&ended) < 12.0, "it ended after {} s", lasted(&ended));
    }
}

/// 30 rpm/s where 179 is the least.
#[test]
fn a_speed_that_creeps_down_is_not_confirmed() {
    let ended = held(HOLD, |since| ((200.0 - 30.0 * since).max(0.0), 0.3));
    assert_eq!(ended.cause, Cause::NotConfirmed, "{}", ended.why);
}

#[test]
fn a_speed_that_swings_about_what_it_was_is_not_confirmed() {
    for hertz in [0.7, 3.0] {
        let ended =
            held(HOLD, move |since| (200.0 + 50.0 * (std::f64::consts::TAU * hertz * since).sin(), 0.3));
        assert_eq!(ended.cause, Cause::NotConfirmed, "{hertz} Hz: {}", ended.why);
    }
}

/// A board that lets go after the stop was repeated is off then, and no run has passed.
#[test]
fn a_drive_that_obeys_the_repeated_stop_trips() {
    let mut doubted = None;
    let mut stopped: Option<(Instant, Instant)> = None;
    let board = Board::new(move |now, request, _| {
        if request.starts_with("CONT:WORD 0") {
            let (first, last) = stopped.get_or_insert((now, now));
            if now - *last > Duration::from_millis(500) {
                doubted = doubted.or(Some(now));
            }
            let _ = first;
            *last = now;
        }
        stopped?;
        let falls = doubted.map_or(0.0, |at| (now - at).secs_f64());
        reads(request, 0x40, (200.0 - 220.0 * falls).max(0.0), 0.3)
    });
    let ended = drive_plan(RIG, HOLD, board, None);
    assert_eq!(ended.cause, Cause::Tripped, "{}", ended.why);
    assert_eq!(ended.stages(Stage::NotDriven), [true, false, true], "{}", said(&ended));
    assert_eq!(ended.stages(Stage::AtRest), [true]);
}

/// What a sound unit may do: the slowest coast of its files, with what gears and weight do to the speed once in each turn of the slowest
/// shaft, noise as large as the file says, and a flipped digit.
#[test]
fn a_unit_that_coasts_as_slowly_as_its_files_allow_is_confirmed() {
    use rand::{RngExt, SeedableRng};
    for seed in 0..20 {
        let mut noise = rand_xoshiro::Xoshiro256PlusPlus::seed_from_u64(seed);
        let ended = held(COAST, move |since| {
            let mean = (300.0 - 180.0 * since).max(0.0);
            let turned = (300.0 * since - 90.0 * since * since) / 60.0 / 8.58;
            let swing = 0.02 * mean * (std::f64::consts::TAU * turned).sin();
            let flipped = if noise.random_range(0..200) == 0 { 1000.0 } else { 0.0 };
            let u = f64::sqrt(12.0) * 0.6 * (noise.random::<f64>() - 0.5);
            (if mean > 0.0 { mean + swing + u + flipped } else { u }, 0.3)
        });
        assert_eq!(ended.cause, Cause::Passed, "seed {seed}: {}", ended.why);
    }
}

/// With a kilogram square metre the slowest coast loses (0.6 Nm + 0.003 Nm s/rad x 20.9 rad/s) / 1.032 kg m2, 6.1 rpm/s, at 200 rpm: that takes longer to see.
#[test]
fn what_is_coupled_is_judged_by_its_own_coast() {
    let shaft = "\n[shaft]\ncoupled = \"brake\"\nholds = [\"0 Nm\", \"1 Nm\"]\ninertia = \"1 kg m2\"\n";
    let rig = format!("{RIG}{shaft}").replace("at_rest_within = \"40 s\"", "at_rest_within = \"90 s\"");
    let rig = rig.replace("load = \"friction brake\"", "");
    let of = |rate: f64| {
        let board = says_off(move |since| ((200.0 - rate * since).max(0.0), 0.3));
        drive_plan(&rig, HOLD, board, None)
    };
    let ended = of(6.2);
    assert_eq!(ended.cause, Cause::Passed, "{}", ended.why);
    for slow in [0.0, 3.0] {
        let ended = of(slow);
        assert_eq!(ended.cause, Cause::NotConfirmed, "{slow} rpm/s: {}", ended.why);
        assert!(lasted(&ended) < 12.0, "it ended after {} s", lasted(&ended));
    }
}

/// A single figure for what rubs is no range: a held speed contradicts nothing then, a rise does.
#[test]
fn without_a_range_of_the_drag_only_a_rise_counts() {
    let unit = UNIT
        .replace("[\"0.6 Nm\", \"1.0 Nm\"]", "\"0.8 Nm\"")
        .replace("[\"0.003 Nm s/rad\", \"0.006 Nm s/rad\"]", "\"0.004 Nm s/rad\"");
    let of = |rate: f64| {
        let board = says_off(move |since| {
            let speed = 200.0 + rate * since.min(8.0);
            (then_falls(speed, 8.0, since), 0.3)
        });
        super::board::drive_unit(RIG, &unit, HOLD, board, None)
    };
    assert_eq!(of(0.0).cause, Cause::Passed);
    let rises = of(40.0);
    assert_eq!(rises.cause, Cause::NotConfirmed, "{}", rises.why);
    assert!(said(&rises).contains("rose"), "{}", said(&rises));
}

/// A machine that is coupled may drive the shaft, and so may weight: then the speed shows nothing, and that is said.
#[test]
fn where_something_else_may_drive_the_speed_proves_nothing_and_that_is_said() {
    for (shaft, words) in [
        (
            "coupled = \"machine\"\ndrives = \"5 Nm\"\ninertia = \"0.01 kg m2\"",
            "the machine that is coupled may drive",
        ),
        ("coupled = \"nothing\"\nunbalanced = true", "weight out of balance may drive"),
    ] {
        let rig = format!("{RIG}\n[shaft]\n{shaft}\n");
        let ended = drive_plan(&rig, HOLD, says_off(|since| (then_falls(200.0, 8.0, since), 0.3)), None);
        assert_eq!(ended.cause, Cause::Passed, "{}", ended.why);
        let found = ended.events.iter().find_map(|e| match &e.what {
            What::Stage { stage: Stage::NotDriven, found, .. } => Some(found.clone()),
            _ => None,
        });
        let found = found.expect("a stage");
        assert!(found.contains("the speed proves nothing") && found.contains(words), "{found}");
    }
}

fn first_proof(ended: &Ended) -> (bool, String) {
    let of = ended.events.iter().find_map(|e| match &e.what {
        What::Stage { stage: Stage::NotDriven, confirmed, found } => Some((*confirmed, found.clone())),
        _ => None,
    });
    of.expect("a proof")
}

/// A board that reads a current with the gates off, A rms, and another after the stop.
fn current(rig: &str, zero: f64, then: f64) -> (bool, String) {
    let mut stopped: Option<Instant> = None;
    let board = Board::new(move |now, request, seen| {
        if request.starts_with("CONT:WORD 0") {
            stopped = stopped.or(Some(now));
        }
        let speed = stopped.map_or(seen.speed, |at| then_falls(200.0, 0.0, (now - at).secs_f64()));
        reads(request, seen.state, speed, if stopped.is_some() { then } else { zero })
    });
    first_proof(&drive_plan(rig, HOLD, board, None))
}

/// By hand: 1.055 A rms hold the lightest demo unit, and twice the sensor's uncertainty is 0.8 A rms.
#[test]
fn a_phase_current_proves_only_what_no_drive_could_do_with() {
    let (off, found) = current(RIG, 0.1, 0.2);
    assert!(off && found.contains("phase current 0.20 A rms;"), "{found}");
    // Below the limit of 1.5 A, and enough to hold it.
    let (off, found) = current(RIG, 0.1, 1.2);
    assert!(off && found.contains("1.20 A rms, which proves nothing: 1.06 A rms are enough"), "{found}");
    // What is read with the gates off leaves no room.
    let (off, found) = current(RIG, 0.5, 0.5);
    assert!(
        off && found.contains("reads 0.50 A rms with the gates off and is known to 0.80 A rms"),
        "{found}"
    );
    assert!(!current(RIG, 0.1, 5.0).0, "a current that flows is no proof");
}

/// 217 A rms in the demo unit's shorted windings.
#[test]
fn shorted_windings_carry_a_current_without_a_drive() {
    let rig = RIG.replace("de_energised_bus", "windings = \"shorted\"\nde_energised_bus");
    let (off, found) = current(&rig, 0.1, 217.0);
    assert!(
        off && found.contains("217.00 A rms, which shorted windings let flow without a drive"),
        "{found}"
    );
    assert!(!current(RIG, 0.1, 217.0).0);
}

/// The bus reads 5 V, and 200 rpm make up to sqrt 3 x 4 x 67 mWb x 20.9 rad/s = 9.7 V between lines: a current through the diodes shows no
/// drive.
#[test]
fn a_current_that_the_emf_drives_through_the_diodes_shows_no_drive() {
    let mut stopped: Option<Instant> = None;
    let board = Board::new(move |now, request, seen| {
        if request.starts_with("CONT:WORD 0") {
            stopped = stopped.or(Some(now));
        }
        let since = (now - stopped?).secs_f64();
        let (speed, bus) = (then_falls(200.0, 0.0, since), (155.0 - 1000.0 * since).max(5.0));
        let current = if bus < 9.0 && speed > 120.0 { 8.0 } else { 0.2 };
        (request == "MEAS:DRIV?").then(|| format!("{},{speed},{current},{bus},0.1", seen.state))
    });
    let ended = drive_plan(RIG, HOLD, board, None);
    assert_eq!(ended.stages(Stage::NotDriven), [true], "{}", ended.why);
}
