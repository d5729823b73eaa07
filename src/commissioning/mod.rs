//! The first rungs of a unit that has just been assembled: a suite's tests taken apart, what a rung that is not passed points
//! at, and the unit file with what was measured.
//!
//! A rung is a run of its own, with its own pre-checks, folder and documents: a rung opens only when the one below it
//! passed, criteria included, and an engine knows no criteria.

mod points;
mod rungs;
mod unit;
mod write;

pub use points::points_at;
pub use rungs::{RungError, rungs};
pub use unit::{Found, Place, found, places};
pub use write::{writable, write_back};

use crate::plan::{Plan, Test};
use crate::units::{number_text, parse_unit};

/// Highest speed of any rung as a share of the highest speed of the unit: what turns away at that speed is still slow
/// enough to be caught (the design's own bound for commissioning).
pub const SPEED_SHARE: f64 = 0.05;

/// The tests of a plan that demand a speed beyond [`SPEED_SHARE`] of `speed_max` (rad/s), each in words.
pub fn too_fast(plan: &Plan, speed_max: f64) -> Vec<String> {
    use crate::files::rig::Sets;
    let limit = SPEED_SHARE * speed_max;
    let rpm = |si: f64| parse_unit("rpm").map_or(String::new(), |u| number_text(u.from_si(si).round()));
    let sets_speed =
        |t: &Test| matches!(plan.demands[t.demand].sets, Sets::ShaftSpeed | Sets::SpeedAtFullPedal);
    let fast = plan.tests.iter().filter(|t| sets_speed(t) && t.profile.top().abs() > limit * (1.0 + 1e-9));
    fast.map(|t| {
        format!(
            "test `{}` demands {} rpm, commissioning stays below 5 % of the unit's highest speed: {} rpm",
            t.name,
            rpm(t.profile.top()),
            rpm(limit)
        )
    })
    .collect()
}
