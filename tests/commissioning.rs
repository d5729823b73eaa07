//! The commissioning rungs against the twin: a sound unit climbs them all, and each thing that is wired wrongly is
//! caught at its rung, before the shaft turns faster than a crawl.

mod common;

use common::{RIG, UNIT, load, run_bench};
use spinproof::outcome::Cause;

const SUITE: &str = include_str!("../suites/commissioning.toml");

#[test]
fn look() {
    let run = common::run(SUITE, None, 1, &[]);
    for (test, verdicts) in run.loaded.plan.tests.iter().zip(&run.results.verdicts) {
        for (criterion, verdict) in test.criteria.iter().zip(verdicts) {
            println!("{} {} {} {:?}", test.name, criterion.metric.id(), criterion.of, verdict);
        }
    }
    let fastest =
        run.truth.iter().map(|r| r.truth.speed.abs()).fold(0.0, f64::max) * 60.0 / std::f64::consts::TAU;
    println!("fastest {fastest} rpm");
    assert_eq!(run.results.cause, Cause::Passed, "{}\n{}", run.results.why, run.story());
}
