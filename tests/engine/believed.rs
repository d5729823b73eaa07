//! A reading that falls as nothing can: it ends the run, and proves nothing.

use super::board::{Board, at, drive, drive_suite};
use spinproof::outcome::Cause;
use spinproof::record::{Stage, What};
use spinproof::time::{Duration, Instant};

/// A board whose readings of speed and bus, rpm and V, are what a test makes of the sound ones from a moment on.
fn reading(from: Instant, mut what: impl FnMut(f64, f64) -> (f64, f64) + 'static) -> Board {
    Board::new(move |now, request, seen| {
        let (speed, bus) = if now < from { (seen.speed, 155.0) } else { what(seen.speed, 155.0) };
        (request == "MEAS:DRIV?" && now >= from).then(|| format!("{},{speed},0.5,{bus},0.1", seen.state))
    })
}

fn found(events: &[spinproof::record::Event], stage: Stage) -> (bool, String) {
    let of = events.iter().find_map(|e| match &e.what {
        What::Stage { stage: s, confirmed, found } if *s == stage => Some((*confirmed, found.clone())),
        _ => None,
    });
    of.expect("such a stage")
}

/// Driven since about 1.7 s, at 120 rpm from 2.7 s on: the hold lasts a second.
const IN_THE_HOLD: i64 = 3300;

#[test]
fn a_speed_that_dies_while_driven_trips_and_shows_no_rest() {
    let ended = drive(reading(at(IN_THE_HOLD), |_, bus| (0.0, bus)), None);
    assert_eq!(ended.cause, Cause::NotConfirmed, "{}", ended.why);
    let trip = |w: &What| matches!(w, What::Trip { trip, .. } if trip == "speed believed");
    let tripped = ended.when(trip) - at(IN_THE_HOLD);
    assert!(tripped < Duration::from_millis(35), "six samples at 5 ms: {tripped}");
    assert!(found(&ended.events, Stage::NotDriven).0, "the state and the current are believed");
    let (confirmed, why) = found(&ended.events, Stage::AtRest);
    assert!(!confirmed && why.contains("speed fell from 120.00 rpm to 0.00 rpm within"), "{why}");
}

/// The torque is off, the shaft coasts at 110 rpm, and its reading is gone within 20 ms, which a shaft that is braked could do and one
/// that has no torque could not.
#[test]
fn a_speed_that_dies_while_the_shaft_coasts_shows_no_rest() {
    let mut stopped = None;
    let board = Board::new(move |now, request, seen| {
        if request.starts_with("CONT:WORD 0") {
            stopped = stopped.or(Some(now));
        }
        let since = now - stopped?;
        let dies = Duration::from_millis(300);
        let speed = 110.0 - if since < dies { 0.0 } else { 5500.0 * (since - dies).secs_f64() };
        (request == "MEAS:DRIV?").then(|| format!("{},{:.1},0.1,155.0,0.1", seen.state, f64::max(speed, 0.0)))
    });
    let ended = drive(board, None);
    assert_eq!(ended.cause, Cause::NotConfirmed, "{}", ended.why);
    let (confirmed, why) = found(&ended.events, Stage::AtRest);
    assert!(!confirmed && why.contains("without torque this shaft falls by no more than"), "{why}");
}

/// Slower than half of what the controller could do, 0.3 s from 120 rpm: it may be a shaft that brakes.
#[test]
fn a_speed_that_falls_as_it_can_is_believed() {
    let mut speed = 120.0;
    let board = reading(at(IN_THE_HOLD), move |_, bus| {
        speed = f64::max(speed - 2.0, 0.0);
        (speed, bus)
    });
    let ended = drive(board, None);
    assert!(
        !ended.events.iter().any(|e| matches!(&e.what, What::Trip { trip, .. } if trip.contains("believed")))
    );
    assert_eq!(ended.cause, Cause::Passed, "{}", ended.why);
}

#[test]
fn a_bus_that_dies_is_not_called_de_energised() {
    let ended = drive(reading(at(IN_THE_HOLD), |speed, _| (speed, 0.1)), None);
    assert_eq!(ended.cause, Cause::Tripped, "{}", ended.why);
    let (confirmed, why) = found(&ended.events, Stage::DeEnergised);
    assert!(!confirmed && why.contains("bus fell from 155.00 V to 0.10 V within"), "{why}");
}

/// Slowly enough to be believed, while the transformer still gives 110 V.
#[test]
fn a_bus_that_reads_low_behind_mains_that_are_on_is_not_called_de_energised() {
    let suite = "schema = 1\nname = \"short\"\n[[test]]\nname = \"one\"\n\
        profile = [{ ramp = \"120 rpm\", rate = \"120 rpm/s\" }]\ncriterion = []\n";
    let of = |mains: &'static str| {
        let mut bus = 155.0;
        let board = Board::new(move |now, request, seen| match request {
            "MEAS:SUPP?" if now >= at(1800) => Some(mains.into()),
            "MEAS:DRIV?" if now >= at(2000) => {
                bus = f64::max(bus - 8.0, 0.2);
                Some(format!("{},{},0.5,{bus},0.1", seen.state, seen.speed))
            }
            _ => None,
        });
        drive_suite(suite, board)
    };
    let (confirmed, why) = found(&of("110.2").events, Stage::DeEnergised);
    assert!(!confirmed && why.contains("mains still reads 110.20 V rms"), "{why}");
    let off = of("0.3");
    let (confirmed, why) = found(&off.events, Stage::DeEnergised);
    assert!(confirmed, "{why} {:#?}", off.events.iter().rev().take(12).collect::<Vec<_>>());
}

/// The speed reads none from the first enabling on, while the board follows its demand. By hand: the trip on a speed that lacks comes
/// 0.84 s + 0.2 s after the ramp begins, and told more than 8 rpm it is since 0.08 s. In 0.96 s 1.5 x 4 x 24 A x (67 mWb + 0.45 mH x
/// 24 A) - 0.6 Nm = 10.6 Nm gain 364 rad/s on 0.028 kg m2, each of which coasts for 53.3 ms: 19.4 s, and what the stop takes on top.
#[test]
fn a_speed_that_never_was_read_shows_rest_only_when_the_fastest_shaft_is_there() {
    let ended = drive(reading(at(0), |_, bus| (0.0, bus)), None);
    assert_eq!(ended.cause, Cause::Tripped, "{}", ended.why);
    let trip = ended.when(|w| matches!(w, What::Trip { trip, .. } if trip == "stall"));
    let rest = ended.when(|w| matches!(w, What::Stage { stage: Stage::AtRest, confirmed: true, .. })) - trip;
    assert!((19_400..20_400).contains(&(rest.micros() / 1000)), "at rest {rest} after the trip");
}

/// Driven for longer than that, below what its rig trips on: a shaft may be faster than what is at rest in time.
#[test]
fn a_speed_that_lacks_too_long_shows_no_rest() {
    let suite = "schema = 1\nname = \"short\"\n[[test]]\nname = \"one\"\n\
        profile = [{ ramp = \"60 rpm\", rate = \"120 rpm/s\" }, { hold = \"4 s\" }, { ramp = \"0 rpm\", rate = \"120 rpm/s\" }]\ncriterion = []\n";
    let ended = drive_suite(suite, reading(at(0), |_, bus| (0.0, bus)));
    assert_eq!(ended.cause, Cause::NotConfirmed, "{}", ended.why);
    let (confirmed, why) = found(&ended.events, Stage::AtRest);
    assert!(!confirmed && why.contains("no speed was read while one was demanded"), "{why}");
}
