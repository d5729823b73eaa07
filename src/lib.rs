//! spinproof: an automated hardware-in-the-loop test runner for rebuilt electric drive units.
#[cfg(test)]
extern crate self as spinproof;

pub mod columns;
pub mod diag;
pub mod engine;
pub mod expr;
pub mod files;
pub mod metrics;
pub mod outcome;
pub mod plan;
pub mod record;
pub mod shell;
pub mod states;
pub mod trace;
pub mod time;
pub mod units;
pub mod verdict;
pub mod wire;
