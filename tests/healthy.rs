//! Units drawn over the ranges of their files coast and stop without being called driven.
#![allow(missing_docs)]

mod common;

use common::{RIG, UNIT, load, run_bench};
use spinproof::outcome::Cause;
use spinproof::record::{Stage, What};

const BRAKE: &str = include_str!("../fixtures/brake-bench/rig.toml");

/// A coast and a stop at speed, long enough for several turns of the slowest shaft.
fn suite(top: u32, coast: &str) -> String {
    format!(
        "schema = 1\nname = \"short\"\n[[test]]\nname = \"one\"\n\
         profile = [{{ ramp = \"{top} rpm\", rate = \"300 rpm/s\" }}, {{ hold = \"0.2 s\" }}{coast}]\ncriterion = []\n"
    )
}

#[test]
fn healthy_units_are_never_called_driven() {
    let coast = ", { coast = \"6 s\", below = \"60 rpm\" }";
    for seed in 0..seeds() {
        for (rig, suite) in [(RIG, suite(900, coast)), (RIG, suite(1200, "")), (BRAKE, suite(300, ""))] {
            let run = run_bench(load(rig, UNIT, &suite, None), seed, &[], |_| {});
            assert_eq!(run.ended.cause, Cause::Passed, "seed {seed}: {}\n{}", run.ended.why, run.story());
            let doubted =
                |w: &What| matches!(w, What::Stage { stage: Stage::NotDriven, confirmed: false, .. });
            assert!(run.find(doubted).is_none(), "seed {seed}: {}", run.story());
        }
    }
}

/// More of them by `HEALTHY_SEEDS`.
fn seeds() -> u64 {
    std::env::var("HEALTHY_SEEDS").ok().and_then(|n| n.parse().ok()).unwrap_or(3)
}
