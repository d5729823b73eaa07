//! spinproof: an automated hardware-in-the-loop test runner for rebuilt electric drive units.
//!
//! Data flows one way: [`files`] as written become a [`plan`]; the [`engine`] drives it, one input at
//! a time with the time as an argument:
//!
//! ```text
//! engine.handle(now, input);                 // bytes, a deadline, a stop, an answer
//! while let Some(output) = engine.poll() {   // send, record, wake me at, ask, finished
//!     ...
//! }
//! ```
//!
//! The [`shell`] does that against real ports, [`rehearsal`] against the [`twin`] on a virtual clock.
//! What was recorded goes into the [`trace`]; [`results`] computes columns, [`metrics`] and verdicts
//! from the trace alone, and [`report`] lays them out.

// What the tests of a room share with the integration tests names the crate from outside.
#[cfg(test)]
extern crate self as spinproof;

pub mod archive;
pub mod cli;
pub mod columns;
pub mod commissioning;
pub mod diag;
pub mod engine;
pub mod evidence;
pub mod expr;
pub mod files;
pub mod guards;
pub mod hazards;
pub mod metrics;
pub mod outcome;
pub mod plan;
pub mod predicted;
pub mod record;
pub mod rehearsal;
pub mod report;
pub mod results;
pub mod shell;
pub mod states;
pub mod storm;
pub mod time;
pub mod trace;
pub mod twin;
pub mod units;
pub mod verdict;
pub mod wire;
