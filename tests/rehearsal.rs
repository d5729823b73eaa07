//! Whole suites against the twin on a virtual clock.

mod common;

use common::{FIRST_SPIN, SMALL_SIGNAL, run};
use spinproof::engine::replay;
use spinproof::outcome::Cause;
use spinproof::record::{Grade, What};

#[test]
fn the_first_spin_of_a_sound_unit_passes() {
    let run = run(FIRST_SPIN, None, 1, &[]);
    for (test, verdicts) in run.loaded.plan.tests.iter().zip(&run.results.verdicts) {
        for (criterion, verdict) in test.criteria.iter().zip(verdicts) {
            println!("{} {} {:?}", test.name, criterion.metric.id(), verdict);
        }
    }
    assert_eq!(run.results.cause, Cause::Passed, "{}\n{}", run.results.why, run.story());
}

/// Sine, chirp, cycle, repeat and coast, each with its own criterion; the coast is proved to be one: no demand is
/// sent while it lasts, and the drive is never enabled.
#[test]
fn the_small_signal_suite_passes_and_its_coast_is_one() {
    let run = run(SMALL_SIGNAL, None, 1, &[]);
    for (test, verdicts) in run.loaded.plan.tests.iter().zip(&run.results.verdicts) {
        for (criterion, verdict) in test.criteria.iter().zip(verdicts) {
            assert!(criterion.why.is_some(), "{} has a reason", criterion.metric.id());
            println!("{} {} {:?}", test.name, criterion.metric.id(), verdict);
        }
    }
    assert_eq!(run.results.cause, Cause::Passed, "{}\n{}", run.results.why, run.story());
    let spans = &run.results.columns.spans;
    let coast = spans.iter().find(|s| s.name == "coast").expect("the coast was run");
    assert!(coast.complete && coast.t1 - coast.t0 < 39.0, "it ended at its speed, {} s", coast.t1 - coast.t0);
    let demand = run.results.columns.demands.iter().find(|d| d.name == "speed").expect("the demand");
    assert!(!demand.t.iter().any(|t| *t > coast.t0 && *t < coast.t1), "no demand while it coasts");
    let speed = run.results.columns.series("speed").expect("the speed");
    let end = speed.t.iter().rposition(|t| *t < coast.t1).expect("a sample");
    assert!(speed.v[end] < 60.0 * std::f64::consts::TAU / 60.0, "{} rad/s", speed.v[end]);
}

/// A rehearsal has nobody with a meter: the step holds by the reading alone, and says that no meter was read.
#[test]
fn an_operator_step_is_rehearsed_without_a_meter_and_says_so() {
    let suite = SMALL_SIGNAL.replacen(
        "profile = [",
        "operator = [{ id = \"raise\", ask = \"Raise the supply.\", of = \"bus\", between = [\"150 V\", \"165 V\"], \
         within = \"2 min\", meter = \"0.5 V\" }]\nprofile = [",
        1,
    );
    let run = run(&suite, None, 1, &[]);
    assert_eq!(run.results.cause, Cause::Passed, "{}\n{}", run.results.why, run.story());
    let step = run.find(|w| matches!(w, What::PreCheck { name, .. } if name == "operator step raise"));
    let Some(What::PreCheck { holds, grade, found, .. }) = step.map(|e| &e.what) else { panic!("no step") };
    assert!(*holds && *grade == Grade::Absent && found.contains("no meter was read"), "{found}");
    let inputs: Vec<_> = run.steps.iter().map(|s| s.input.clone()).collect();
    let (_, difference) = replay(run.loaded.plan.clone(), &inputs);
    assert_eq!(difference, None, "what was typed is replayed");
}
