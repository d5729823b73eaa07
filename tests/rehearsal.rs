//! Whole suites against the twin on a virtual clock.

mod common;

use common::{FIRST_SPIN, run};
use spinproof::outcome::Cause;

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
