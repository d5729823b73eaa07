//! The shell: threads, serial ports, pseudo-terminals, the clock, signals and the terminal.
//!
//! It reads, feeds, drains and sleeps, and decides nothing: what to do is the engine's. Its threads:
//!
//! | thread | waits for | never waits for |
//! |---|---|---|
//! | engine ([`drive`], [`arrivals`]) | bytes, its inbox, its own deadline, at most [`port::WRITE_WITHIN`] for a port that takes none | disk, terminal |
//! | last resort ([`last_resort`]) | a bell, or the engine's beats to stay away | anybody else |
//! | recorder ([`keep`]) | what the engine hands over, the disk | the terminal |
//! | terminal ([`progress`]) | what the engine tells, the terminal | |
//! | questions ([`operator`]) | a question, the person | |
//! | keys ([`keys`]) | the engine's wish, the terminal | |
//! | main ([`run`]) | signals, the twin's exit, the engine's end | |

pub mod arrivals;
pub mod child;
pub mod clock;
pub mod drive;
pub mod keep;
pub mod keys;
pub mod last_resort;
mod latency;
pub mod on_panic;
pub mod operator;
pub mod parallel;
mod planted;
pub mod port;
pub mod ports;
pub mod priority;
pub mod progress;
pub mod pty;
pub mod run;
pub mod serve;
pub mod signals;

#[cfg(test)]
#[path = "../../tests/shell/support.rs"]
pub(crate) mod support;
