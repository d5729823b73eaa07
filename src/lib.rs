//! spinproof: an automated hardware-in-the-loop test runner for rebuilt electric drive units.
pub mod columns;
pub mod diag;
pub mod engine;
pub mod expr;
pub mod files;
pub mod metrics;
pub mod outcome;
pub mod plan;
pub mod record;
pub mod states;
pub mod time;
pub mod trace;
pub mod twin;
pub mod units;
pub mod verdict;
pub mod wire;
