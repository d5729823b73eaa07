//! The predicted band that a run is held against.

use super::{BENCH, common};
use spinproof::predicted::{CALIBRATION, Curves, Grid, GridChannel, SHAPE, curves, left, predict};
use std::sync::PoisonError;

/// The band of the crawl of first-spin, from the demo files.
pub fn crawl() -> String {
    let first = common::FIRST_SPIN.find("[[test]]").unwrap();
    let second = common::FIRST_SPIN[first + 1..].find("[[test]]\n").unwrap() + first + 1;
    common::FIRST_SPIN[..second].to_string()
}

fn grid() -> Grid {
    let channel = |name: &str, period, rise| GridChannel { name: name.into(), period, u: 0.0, rise };
    let run = common::load(common::RIG, common::UNIT, &crawl(), None);
    Grid {
        lengths: run.plan.tests.iter().map(|t| t.profile.length().secs_f64()).collect(),
        channels: vec![
            channel("speed", 0.005, false),
            channel("phase_current", 0.005, false),
            channel("bus", 0.005, false),
            channel("winding", 0.1, true),
        ],
    }
}

/// Fresh seeds stay inside as often as stated, and a unit with much more friction than its file says, or a supply with a
/// dead leg, does not. Of 40 fresh runs under one band the number inside is beta-binomial (19, 1): 29 or fewer with a
/// probability below 0.4 %.
#[test]
fn fresh_units_stay_in_the_band_and_faulted_ones_leave_it() {
    let _alone = BENCH.lock().unwrap_or_else(PoisonError::into_inner);
    let suite = crawl();
    let grid = grid();
    let columns = |seed: u64, faults: &[&str]| common::run(&suite, None, seed, faults).results.columns;
    let drawn: Vec<Curves> = spinproof::shell::parallel::in_parallel(
        SHAPE + CALIBRATION,
        |i| curves(&grid, &columns(900_000 + i as u64, &[])).unwrap(),
        |_| {},
    );
    let band = predict(&grid, &drawn).unwrap();
    let fresh = spinproof::shell::parallel::in_parallel(
        40,
        |i| left(&band, &columns(1_000 + i as u64, &[]), 0.0).is_empty(),
        |_| {},
    );
    let inside = fresh.iter().filter(|inside| **inside).count();
    println!("{inside} of 40 fresh units inside");
    assert!(inside >= 30, "{inside} of 40");
    for fault in ["high-friction", "rectifier-leg-dead"] {
        let found = left(&band, &columns(1_000, &[fault]), 0.0);
        assert!(!found.is_empty(), "{fault} stays inside");
    }
}
