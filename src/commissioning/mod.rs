//! The first rungs of a unit that has just been assembled: a suite's tests taken apart, what a rung that is not passed points
//! at, and the unit file with what was measured.
//!
//! A rung is a run of its own, with its own pre-checks, folder and documents: a rung opens only when the one below it
//! passed, criteria included, and an engine knows no criteria.

mod fast;
mod points;
mod rungs;
mod unit;
mod write;

pub use fast::{SPEED_SHARE, too_fast};
pub use points::points_at;
pub use rungs::{RungError, rungs};
pub use unit::{Found, Place, found, places};
pub use write::{writable, write_back};
