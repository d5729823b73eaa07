//! Sound units on a quiet line: what speaks against a drive that is off, makes a speed disbelieved, calls a reading stale that stands
//! still, or takes something for a restart, never does so of one of them. `SEEDS=500 cargo test --release --test sound_units` goes through more of them.

mod common;

use common::{FIRST_SPIN, RIG, SMALL_SIGNAL, UNIT, load, run_bench};
use spinproof::record::{Stage, What};

const BRAKE_BENCH: &str = include_str!("../fixtures/brake-bench/rig.toml");
const SUITES: [(&str, &str, &str); 6] = [
    ("first spin", RIG, FIRST_SPIN),
    ("small signal", RIG, SMALL_SIGNAL),
    ("ramp tracking", RIG, include_str!("../suites/ramp-tracking.toml")),
    ("vibration run-up", RIG, include_str!("../suites/vibration-runup.toml")),
    ("pedal", RIG, include_str!("../suites/pedal.toml")),
    ("heat soak", BRAKE_BENCH, include_str!("../suites/heat-soak.toml")),
];

/// What says that a stop is not as it was shown, a reading hangs, or a board began anew.
fn speaks_against(what: &What) -> bool {
    match what {
        What::Stage { stage: Stage::NotDriven | Stage::AtRest, confirmed, .. } => !confirmed,
        What::Trip { trip, .. } => {
            trip.contains("believed") || trip == "torque off" || trip.ends_with("stale")
        }
        What::Note { text } => text.contains("changes again"),
        What::PossibleRestart { .. } => true,
        _ => false,
    }
}

#[test]
fn nothing_speaks_against_a_sound_unit_that_is_stopped() {
    let seeds: u64 = std::env::var("SEEDS").ok().and_then(|n| n.parse().ok()).unwrap_or(1);
    let (first, suites) = (std::env::var("FIRST").ok().and_then(|n| n.parse().ok()).unwrap_or(1), SUITES);
    let long = |name: &str| name == "heat soak" && seeds < 10;
    for (name, rig, suite) in suites.into_iter().filter(|(name, ..)| !long(name)) {
        for seed in first..first + seeds {
            let run = run_bench(load(rig, UNIT, suite, None), seed, &[], |_| {});
            let against = run.find(speaks_against).map(|e| format!("{} {:?}", e.at, e.what));
            assert_eq!(against, None, "{name}, seed {seed}\n{}", run.story());
            assert!(run.find(|w| matches!(w, What::Stage { stage: Stage::AtRest, .. })).is_some(), "{name}");
            println!("{name} {seed}: {:?}", run.results.cause);
        }
    }
}
