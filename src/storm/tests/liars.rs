//! Storms with boards that lie: what the judge makes of them, and how they are drawn.

use super::super::*;
use super::spoilt::{Defect, Spoilt};
use super::{SUITE, at, fault, ground, ground_of, storm};
use crate::twin::every_fault;

/// Two tests, one like the other.
fn two_tests() -> Ground {
    let second = &SUITE[SUITE.find("[[test]]").expect("a test")..];
    ground_of(&(SUITE.to_string() + &second.replace("\"up\"\nprofile", "\"again\"\nprofile")))
}

/// The board restarts while the shaft runs down after the first test: 60 ms, the drive off, everything set as before. Whoever does
/// not ask again enables what it has not asked since.
#[test]
fn whoever_remembers_settings_over_a_restart_is_caught() {
    let ground = two_tests();
    let restart = storm(&[fault("board-restarts=0.2@5.2 s")]);
    let spoilt =
        ground.weather_with(Spoilt::of(&ground, Defect::Remembers), &restart, false).expect("a twin");
    let found: Vec<&Breach> = spoilt.breaches.iter().filter(|b| b.rule == Rule::OtherSettings).collect();
    assert_eq!(found.len(), 1, "{:?}", spoilt.breaches);
    assert!(found[0].found.contains("the board restarted at 5.2"), "{}", found[0].found);
}

/// A board that says that it is off and holds the speed: a run that passes all the same is caught, by a machine that calls every
/// run passed.
#[test]
fn whoever_passes_a_board_that_drives_on_is_caught() {
    let ground = ground();
    let storm = storm(&[fault("gates-stuck-on=0.5"), Trouble::Stopped(at(2.5))]);
    let spoilt = ground.weather_with(Spoilt::of(&ground, Defect::SaysPassed), &storm, false).expect("a twin");
    let found: Vec<Rule> = spoilt.breaches.iter().map(|b| b.rule).collect();
    assert!(found.contains(&Rule::DrivesOn), "{:?}", spoilt.breaches);
}

#[test]
fn a_fault_that_is_always_there_is_in_every_storm_and_alone_if_asked() {
    let plan = ground().plan;
    for name in every_fault().iter().map(|name| name.text()) {
        let among = Series::Always(Always::parse(name, false).expect(name));
        let alone = Series::Always(Always::parse(&format!("{name}=0.5@2 s"), true).expect(name));
        for index in 0..20 {
            let is = |t: &&Trouble| matches!(t, Trouble::Fault(fault) if fault.name.text() == name);
            let drawn = among.storm(&plan, 5, index);
            assert!(drawn.troubles.iter().any(|t| is(&t)), "{name}: {:?}", drawn.troubles);
            assert_eq!(among.storm(&plan, 5, index), drawn);
            assert!(drawn.troubles.len() <= Series::Drawn.storm(&plan, 5, index).troubles.len().max(1) + 1);
            let only = alone.storm(&plan, 5, index);
            assert_eq!(only.troubles, [fault(&format!("{name}=0.5@2 s"))]);
        }
    }
    assert!(Always::parse("no-such-fault", false).is_err());
}

#[test]
fn sound_units_have_nothing_wrong_and_seeds_one_after_the_other() {
    let ground = ground();
    for index in 0..3 {
        let storm = Series::Sound.storm(&ground.plan, 40, index);
        assert_eq!(storm, Storm { seed: 40 + index, troubles: Vec::new() });
        let weathered = ground.weather(&storm, false).expect("a twin");
        assert_eq!((weathered.cause, &weathered.breaches[..]), (Cause::Passed, &[][..]));
        // The suite's only criterion is one that a sound unit does not meet.
        assert_eq!(weathered.called.0, Cause::CriterionFailed);
    }
}
