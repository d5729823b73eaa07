//! Operator steps: asked for, watched, cross-checked.

use super::board::{Board, Ended, at, drive_plan, driven};
use super::common::RIG;
use spinproof::outcome::Cause;
use spinproof::record::{Grade, Stage, What};
use spinproof::time::{Duration, Instant};

const RAISE: &str = "schema = 1\nname = \"raised\"\n[[test]]\nname = \"one\"\n\
    operator = [{ id = \"raise\", ask = \"Raise the supply.\", of = \"bus\", between = [\"150 V\", \"160 V\"], \
    within = \"20 s\", meter = \"0.4 V\" }]\n\
    profile = [{ ramp = \"120 rpm\", rate = \"120 rpm/s\" }]\ncriterion = []\n";

/// A board whose bus a person raises: the volts at each moment.
fn raised(meter: &'static str, mut bus: impl FnMut(Instant) -> f64 + 'static) -> Board {
    let board = Board::new(move |now, request, seen| {
        let speed = seen.speed;
        (request == "MEAS:DRIV?" && seen.state == 0x40).then(|| format!("64,{speed},0.0,{:.2},0.0", bus(now)))
    });
    Board { meter, ..board }
}

/// Whether the operator step held, how it is known and what was found.
fn step_of(ended: &Ended) -> Option<(bool, Grade, String)> {
    ended.events.iter().find_map(|e| match &e.what {
        What::PreCheck { name, holds, grade, found, .. } if name == "operator step raise" => {
            Some((*holds, *grade, found.clone()))
        }
        _ => None,
    })
}

/// The bus is at 20 V until 3 s: too low trips nothing while a person is turning it up, and the pre-checks begin
/// only when it has been in its window for as long as they watch, one second.
#[test]
fn the_pre_checks_wait_until_a_person_has_raised_the_supply() {
    let ended = drive_plan(RIG, RAISE, raised("155", |now| if now < at(3000) { 20.0 } else { 155.0 }), None);
    assert_eq!(ended.cause, Cause::Passed, "{}", ended.why);
    let (holds, grade, found) = step_of(&ended).expect("the step");
    assert!(holds && grade == Grade::Confirmed, "{found}");
    let asked = ended.when(|w| matches!(w, What::Asked { id } if id == "raise"));
    assert!((4000..4030).contains(&(asked.micros() / 1000)), "asked for the meter at {asked}");
    let watched = ended.when(|w| matches!(w, What::PreCheck { name, .. } if name == "bus in window"));
    assert!(watched >= asked + Duration::from_millis(1000), "watched until {watched}");
}

/// Set to 155 V, read there with a meter, and turned up to 163 V before the pre-checks: within the rig's window, and not where
/// the hazards of this test were judged.
#[test]
fn a_supply_that_is_changed_after_it_was_set_is_refused() {
    let ended = drive_plan(RIG, RAISE, raised("155", |now| if now < at(1500) { 155.0 } else { 163.0 }), None);
    assert!(step_of(&ended).expect("the step").0);
    assert_eq!(ended.cause, Cause::Refused, "{}", ended.why);
    assert!(ended.why.contains("bus as set"), "{}", ended.why);
    let holds = |name: &str| {
        ended.events.iter().find_map(|e| match &e.what {
            What::PreCheck { name: n, holds, .. } if n == name => Some(*holds),
            _ => None,
        })
    };
    assert_eq!((holds("bus in window"), holds("bus as set")), (Some(true), Some(false)));
}

/// Worked by hand: channel 0.5 V, meter 0.4 V: 2 x sqrt(0.25 + 0.16) = 1.2806 V may lie between them. The bus is
/// 155.00 V.
#[test]
fn meter_and_reading_must_agree_within_their_joint_uncertainty() {
    for (typed, holds) in [
        ("153.72", true),
        ("156.28 V", true),
        ("0.15372 kV", true),
        ("153.71", false),
        ("156.29", false),
        ("15.5", false),
        ("-155", false),
    ] {
        let ended = drive_plan(RIG, RAISE, raised(typed, |_| 155.0), None);
        let (held, grade, found) = step_of(&ended).expect("the step");
        assert_eq!((held, grade), (holds, Grade::Confirmed), "{typed}: {found}");
        assert!(found.contains("allowed (k = 2)"), "{found}");
        assert_eq!(ended.cause, if holds { Cause::Passed } else { Cause::Refused }, "{}", ended.why);
        assert_eq!(ended.count(driven) > 0, holds, "{typed}");
    }
}

#[test]
fn a_meter_value_that_is_none_is_asked_for_three_times_and_then_refused() {
    for typed in ["", "about 155", "155 A", "nan"] {
        let ended = drive_plan(RIG, RAISE, raised(typed, |_| 155.0), None);
        assert_eq!(ended.cause, Cause::Refused, "{typed}: {}", ended.why);
        assert_eq!(ended.count(|w| matches!(w, What::Asked { id } if id == "raise")), 3, "{typed}");
        assert_eq!(ended.count(driven), 0);
    }
}

#[test]
fn an_operator_step_that_is_not_done_in_time_is_refused() {
    let ended = drive_plan(RIG, RAISE, raised("155", |_| 20.0), None);
    assert_eq!(ended.cause, Cause::Refused, "{}", ended.why);
    assert!(ended.why.contains("bus 20.00 V after 20 s"), "{}", ended.why);
    // It is not enough to pass through the window: one sample in four is outside.
    let mut n = 0;
    let wavering = move |_| {
        n += 1;
        if n % 4 == 0 { 149.0 } else { 155.0 }
    };
    let ended = drive_plan(RIG, RAISE, raised("155", wavering), None);
    assert_eq!(ended.cause, Cause::Refused, "{}", ended.why);
}

#[test]
fn raising_the_supply_too_far_ends_it() {
    let ended = drive_plan(RIG, RAISE, raised("155", |now| if now < at(2000) { 20.0 } else { 190.0 }), None);
    assert_eq!(ended.cause, Cause::Refused, "{}", ended.why);
    assert!(ended.why.contains("bus_high would trip"), "{}", ended.why);
    assert_eq!(ended.count(driven), 0);
}

/// A person stands at the supply: a drive that comes on is stopped at that very row, and so is what nobody asked them to set.
#[test]
fn what_goes_wrong_beside_a_person_who_raises_the_supply_ends_it_at_once() {
    for (reply, slow, cause, why) in [
        ("39,0.0,0.0,20.0,0.0", "20.0,20.0,20.0,0.0,1", Cause::Tripped, "nobody enabled it"),
        ("64,-1900,0.0,20.0,0.0", "20.0,20.0,20.0,0.0,1", Cause::Refused, "overspeed_back would trip"),
        ("64,0.0,0.0,20.0,0.0", "20.0,20.0,20.0,0.0,0", Cause::Refused, "stop_loop would trip"),
    ] {
        let mut since = None;
        let board = Board::new(move |now, request, seen| {
            since = since.or((now > at(2500)).then_some(now));
            let wrong = now > at(2500) && seen.state == 0x40;
            match request {
                "MEAS:DRIV?" if wrong => Some(reply.into()),
                "MEAS:DRIV?" => Some(format!("{},0.0,0.0,20.0,0.0", seen.state)),
                "MEAS:SLOW?" if wrong => Some(slow.into()),
                _ => None,
            }
        });
        let rig = RIG.replace("[trip.reverse]", "[trip.overspeed_back]\nchannel = \"speed\"\nbelow = \"-1750 rpm\"\nwhy = \"the same backwards\"\n\n[trip.reverse]");
        let ended = drive_plan(&rig, RAISE, board, None);
        assert!(ended.why.contains(why), "{}", ended.why);
        let stop = ended.when(|w| matches!(w, What::StopSent { .. }));
        assert!((2500..2760).contains(&(stop.micros() / 1000)), "{why}: stopped at {stop}");
        assert_eq!(ended.count(driven), 0);
        // A drive that stays on whatever it is told is not called refused.
        let cause = if reply.starts_with("39") { Cause::NotConfirmed } else { cause };
        assert_eq!(ended.cause, cause, "{}", ended.why);
    }
}

/// Ctrl-C while a person is asked is a stop like any other.
#[test]
fn a_stop_during_an_operator_step_ends_stopped_and_proved() {
    let ended = drive_plan(RIG, RAISE, raised("155", |_| 20.0), Some(at(2500)));
    assert_eq!(ended.cause, Cause::Stopped, "{}", ended.why);
    assert_eq!(ended.stages(Stage::NotDriven), [true]);
}
