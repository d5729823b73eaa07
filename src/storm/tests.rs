//! Each rule catches a machine that breaks it, and a sound one breaks none.

mod liars;
mod spoilt;

use super::*;
use crate::diag::Sources;
use crate::files::load::{read_rig, read_suite, read_unit};
use crate::plan::resolve;
use spoilt::{Defect, Spoilt};

/// Short, with one criterion that a sound unit does not meet: a ramp is followed late.
const SUITE: &str = r#"
schema = 1
name = "short"
[[test]]
name = "up"
profile = [
    { ramp = "300 rpm", rate = "390 rpm/s", name = "up" },
    { hold = "1 s", name = "hold" },
    { ramp = "0 rpm", rate = "390 rpm/s", name = "down" },
]
[[test.criterion]]
metric = "tracking_rms"
of = "speed"
over = "up"
at_most = "4 rpm"
why = "far tighter than any loop, and wide enough for a guard band"
"#;

pub(super) fn ground() -> Ground {
    ground_of(SUITE)
}

fn ground_of(suite: &str) -> Ground {
    let mut sources = Sources::default();
    let rig =
        read_rig(&mut sources, "rig.toml", include_str!("../../fixtures/demo/rig.toml")).0.expect("a rig");
    let unit = read_unit(&mut sources, "unit.toml", include_str!("../../fixtures/demo/unit.toml")).0;
    let unit = unit.expect("a unit");
    let suite = read_suite(&mut sources, "suite.toml", suite).0.expect("a suite");
    let plan = Arc::new(resolve(&sources, &rig, &unit, &suite, None).expect("a plan"));
    Ground { rig, unit, plan }
}

fn at(seconds: f64) -> Instant {
    Instant::from_secs_f64(seconds)
}

fn fault(text: &str) -> Trouble {
    Trouble::Fault(FaultSetting::parse(text).expect(text))
}

fn storm(troubles: &[Trouble]) -> Storm {
    Storm { seed: 3, troubles: troubles.to_vec() }
}

/// One row: what is wrong with the machine, in which storm it shows, which rule catches it.
#[test]
fn each_rule_catches_a_machine_that_breaks_it() {
    let ground = ground();
    let stopped = Trouble::Stopped(at(2.5));
    let rows: &[(Defect, &[Trouble], Rule)] = &[
        (Defect::Deaf, std::slice::from_ref(&stopped), Rule::LateStop),
        (Defect::NoStopFrame, std::slice::from_ref(&stopped), Rule::LateStop),
        (Defect::SlowStopFrame, std::slice::from_ref(&stopped), Rule::LateStop),
        (Defect::BusBelieved, &[fault("bus-low=1.5@2 s")], Rule::LateStop),
        (Defect::DeafAtSpeed, &[fault("stop-loop-open@2.43 s")], Rule::LateStop),
        (Defect::Bold, &[], Rule::AboveThePlan),
        (Defect::YesToAll, &[Trouble::No("guards".into())], Rule::NotReady),
        (Defect::Hasty, &[fault("resolver-reversed=0.88@1.005 s")], Rule::NotReady),
        (Defect::Forgetful, &[], Rule::LostSample),
        (Defect::Misquoting, &[], Rule::LostSample),
        (Defect::Gullible, &[fault("bus-sensor-open@2.5 s")], Rule::FalseProof),
        (Defect::Resigned, &[Trouble::Unplugged(at(2.5), 0)], Rule::LateStop),
        (Defect::Flattering, &[], Rule::LostSample),
        (Defect::Flattering, &[], Rule::FalsePass),
        (Defect::Trusting, std::slice::from_ref(&stopped), Rule::FalseProof),
        (Defect::Modest, &[], Rule::FalseProof),
        (Defect::Endless, &[], Rule::NoEnd),
        (Defect::Bold, &[], Rule::NotRepeatable),
        (Defect::NoSettings, &[], Rule::OtherSettings),
        (Defect::SaysNotConfirmed, &[], Rule::Nuisance),
        (Defect::SaysNotConfirmed, &[fault("link-silence@60 s")], Rule::Nuisance),
    ];
    rows.iter().for_each(|(defect, troubles, rule)| catches(&ground, *defect, troubles, *rule));
}

/// A sound machine breaks nothing in this storm, and one with the defect breaks this rule.
fn catches(ground: &Ground, defect: Defect, troubles: &[Trouble], rule: Rule) {
    let storm = storm(troubles);
    let sound = ground.weather(&storm, true).expect("a twin");
    assert_eq!(sound.breaches, [], "a sound machine in the storm of {defect:?}");
    let spoilt = ground.weather_with(Spoilt::of(ground, defect), &storm, true).expect("a twin");
    let found: Vec<Rule> = spoilt.breaches.iter().map(|b| b.rule).collect();
    assert!(found.contains(&rule), "{defect:?}: {rule:?} expected, found {:?}", spoilt.breaches);
}

/// The same of what follows a stop. The build 1.5.0-rc2 has no command timeout, which the rig would refuse, and a line that is
/// silent for 10 ms loses one stop frame: whoever sends no other leaves the torque on.
#[test]
fn whoever_forgets_a_stop_is_caught() {
    let two = SUITE.to_string()
        + &SUITE[SUITE.find("[[test]]").expect("a test")..].replace("\"up\"\nprofile", "\"again\"\nprofile");
    let mut ground = ground_of(&two);
    let settings = &mut Arc::make_mut(&mut ground.plan).links[0].settings;
    settings.iter_mut().for_each(|setting| setting.must_be = None);
    let stopped = Trouble::Stopped(at(2.5));
    let lost = [Trouble::Build("1.5.0-rc2"), fault("link-silence=0.002@2.499 s"), stopped.clone()];
    // A board that ignores the stop and has no command timeout: whatever is done, the torque goes on.
    let deaf = [Trouble::Build("1.5.0-rc2"), fault("stop-ignored"), stopped.clone()];
    let rows: &[(Defect, &[Trouble], Rule)] = &[
        (Defect::Braking, std::slice::from_ref(&stopped), Rule::LateStop),
        (Defect::GoesOn, std::slice::from_ref(&stopped), Rule::WentOn),
        (Defect::GoesOn, &[fault("link-silence=0.1@2.5 s")], Rule::WentOn),
        (Defect::SaysPassed, std::slice::from_ref(&stopped), Rule::WentOn),
        (Defect::StopsOnce, &lost, Rule::StaysDriven),
        (Defect::GivesUp, &lost, Rule::StaysDriven),
        (Defect::SaysPassed, &deaf, Rule::DrivesOn),
        (Defect::SaysNotConfirmed, std::slice::from_ref(&stopped), Rule::FalseAlarm),
    ];
    rows.iter().for_each(|(defect, troubles, rule)| catches(&ground, *defect, troubles, *rule));
}

/// The same of what must hold before the shaft is told to turn.
#[test]
fn whoever_passes_over_a_pre_check_is_caught() {
    let ground = ground();
    let rows: &[(Defect, &[Trouble], Rule)] = &[
        (Defect::Unchecked, &[fault("no-coolant")], Rule::NotReady),
        (Defect::Unchecked, &[fault("coolant-air-locked")], Rule::NotReady),
        (Defect::Unchecked, &[fault("bus-sensor-off=1.2")], Rule::NotReady),
        (Defect::Unchecked, &[fault("pedal-tracks-apart=0.5")], Rule::NotReady),
        (Defect::Unchecked, &[fault("current-offset")], Rule::NotReady),
        (Defect::Unchecked, &[fault("resolver-weak")], Rule::NotReady),
        (Defect::Unwatched, &[], Rule::AboveThePlan),
    ];
    rows.iter().for_each(|(defect, troubles, rule)| catches(&ground, *defect, troubles, *rule));
}

/// What only watches is never switched on; then a current at an angle that is told, and a speed at little current.
const COMMISSIONING: &str = r#"
schema = 1
name = "like a commissioning"
rung = "commissioning"
poll = ["field"]
[[test]]
name = "gates off"
profile = [{ watch = "1 s", name = "rest" }]
[[test]]
name = "alignment"
demand = "forced_angle"
with = { alignment_current = "20 A peak" }
profile = [
    { hold = "2 s" },
    { ramp = "60 deg electrical", rate = "120 deg/s electrical" },
]
[[test]]
name = "stop frame"
demand = "forced_angle"
with = { alignment_current = "20 A peak" }
profile = [
    { ramp = "60 deg electrical", rate = "120 deg/s electrical" },
    { hold = "1 s" },
    { stop_frame = "200 ms" },
]
[[test]]
name = "closed loop"
with = { current_limit = "6 A peak" }
profile = [{ ramp = "60 rpm", rate = "40 rpm/s" }, { hold = "1 s" }]
[[test]]
name = "command timeout"
with = { current_limit = "6 A peak" }
profile = [
    { ramp = "60 rpm", rate = "40 rpm/s" },
    { hold = "1 s" },
    { silence = "160 ms" },
]
"#;

/// The same where other demands than the shaft speed are told.
#[test]
fn every_demand_of_every_test_is_judged() {
    let ground = ground_of(COMMISSIONING);
    assert_eq!(ground.weather(&storm(&[]), true).expect("a twin").cause, Cause::Passed);
    let rows: &[(Defect, &[Trouble], Rule)] = &[
        (Defect::Lavish, &[], Rule::AboveThePlan),
        (Defect::Bold, &[], Rule::AboveThePlan),
        (Defect::Unasked, &[], Rule::LateStop),
    ];
    rows.iter().for_each(|(defect, troubles, rule)| catches(&ground, *defect, troubles, *rule));
}

/// A defect that shows only with one of several troubles is reduced to that one.
#[test]
fn a_broken_rule_is_reduced_to_what_it_takes() {
    let ground = ground();
    let all = [
        fault("link-split=0.1"),
        fault("weak-magnets=0.1"),
        Trouble::Stopped(at(2.5)),
        fault("unbalance=0.2@1 s"),
    ];
    let left = fewest(&all, &mut |some| {
        let spoilt = Spoilt::of(&ground, Defect::Deaf);
        let weathered = ground.weather_with(spoilt, &storm(some), false).expect("a twin");
        weathered.breaches.iter().any(|b| b.rule == Rule::LateStop)
    });
    assert_eq!(left, [Trouble::Stopped(at(2.5))]);
}

#[test]
fn a_sound_unit_beyond_its_limit_is_judged_and_not_accepted() {
    let ground = ground();
    let weathered = ground.weather(&storm(&[]), false).expect("a twin");
    assert_eq!(weathered.cause, Cause::Passed);
    let Acceptance { judged, beyond, accepted, let_through, backwards, .. } = weathered.acceptance;
    assert_eq!((judged, beyond, accepted, backwards), (1, 1, 0, 0));
    assert!(let_through < 22_750, "{let_through} millionths, and 22750 on the very limit");
}

/// Nobody can tell a shaft that is stuck from a sensor that was dead from the start: on a rig without a trip on it the alarm is right.
#[test]
fn an_alarm_of_a_shaft_that_nobody_saw_turn_is_right() {
    let longer = SUITE.replace("hold = \"1 s\"", "hold = \"4 s\"");
    assert_ne!(longer, SUITE);
    let mut ground = ground_of(&longer);
    Arc::make_mut(&mut ground.plan).trips.retain(|trip| trip.name != "stall");
    let weathered = ground.weather(&storm(&[fault("resolver-stuck@0 s")]), false).expect("a twin");
    assert_eq!((weathered.cause, &weathered.breaches[..]), (Cause::NotConfirmed, &[][..]));
}

#[test]
fn the_engine_breaks_no_rule_in_drawn_storms_and_each_is_the_same_again() {
    let ground = ground();
    for index in 0..40 {
        let storm = draw(&ground.plan, 7, index);
        assert_eq!(draw(&ground.plan, 7, index), storm);
        let weathered = ground.weather(&storm, index % 4 == 0).expect("a twin");
        assert_eq!(weathered.breaches, [], "storm {index}: {:?}", storm.troubles);
        if index % 8 == 0 {
            assert_eq!(ground.weather(&storm, false).expect("a twin").digest, weathered.digest);
        }
    }
}

#[test]
fn storms_are_drawn_from_everything() {
    let ground = ground();
    let storms: Vec<Storm> = (0..2000).map(|i| draw(&ground.plan, 1, i)).collect();
    let mut faults: Vec<_> = storms
        .iter()
        .flat_map(|s| &s.troubles)
        .filter_map(|t| if let Trouble::Fault(fault) = t { Some(fault.name) } else { None })
        .collect();
    faults.sort();
    faults.dedup();
    assert_eq!(faults.len(), crate::twin::every_fault().len());
    for index in 0..7 {
        let sorts = |t: &Trouble| match t {
            Trouble::Fault(_) => 0,
            Trouble::Build(_) => 1,
            Trouble::Late(..) => 2,
            Trouble::Frozen(..) => 3,
            Trouble::Stopped(_) => 4,
            Trouble::No(_) => 5,
            Trouble::Unplugged(..) => 6,
        };
        assert!(storms.iter().flat_map(|s| &s.troubles).any(|t| sorts(t) == index), "sort {index}");
        assert!(storms.iter().any(|s| s.troubles.len() == index), "{index} troubles");
    }
    assert_ne!(storms[0], storms[1]);
}
