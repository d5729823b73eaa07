use super::*;
use crate::plan::testing::{RIG, SUITE, UNIT, plan_of};
use std::sync::Arc;

fn core() -> Core {
    Core::new(Arc::new(plan_of(RIG, UNIT, SUITE)))
}

fn channel(core: &Core, name: &str) -> usize {
    core.plan.channels.iter().position(|c| c.name == name).expect("a channel")
}

fn of(values: &[f64]) -> Seen {
    let mut seen = Seen::NOTHING;
    values.iter().for_each(|value| seen.add(*value));
    seen
}

/// By hand: 2 K apart beside what both sensors of u = 0.8 K may be off together, 2 x sqrt(0.8^2 + 0.8^2) = 2.263 K (JCGM 100, 5.1.2), are
/// 4.263 K. Added one to the other the uncertainties would let 5.2 K pass.
#[test]
fn temperatures_are_alike_within_their_joint_uncertainty() {
    let core = core();
    let channels = ["winding", "inverter"].map(|name| channel(&core, name));
    let holds = |apart: f64| together(&core, &channels, 2.0, &[of(&[293.15]), of(&[293.15 + apart])]).holds;
    for (apart, alike) in
        [(0.0, true), (4.26, true), (-4.26, true), (4.27, false), (-4.27, false), (5.0, false)]
    {
        assert_eq!(holds(apart), alike, "{apart} K");
    }
    assert!(!holds(f64::NAN), "what is no number is not alike");
}

/// What was never read is like nothing.
#[test]
fn tracks_that_were_not_read_are_not_alike() {
    let core = core();
    let way = Way::Alike(["pedal", "pedal_second"].map(|name| channel(&core, name)), 0.05);
    let found = of_way(&core, &way, &[Seen::NOTHING], Instant::ZERO);
    assert!(!found.holds, "{}", found.found);
    assert!(of_way(&core, &way, &[of(&[0.05])], Instant::ZERO).holds);
    assert!(!of_way(&core, &way, &[of(&[0.051])], Instant::ZERO).holds);
    assert!(!of_way(&core, &way, &[of(&[f64::NAN, 0.0])], Instant::ZERO).holds);
}
