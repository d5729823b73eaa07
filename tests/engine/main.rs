//! The engine alone, against a scripted board: what it must refuse, and what it must not believe.
#![allow(clippy::unwrap_used)]

mod believed;
mod board;
mod coasting;
#[path = "../common/mod.rs"]
mod common;
mod doubt;
mod falls;
mod late;
mod line;
mod operating;
mod power;
mod proving;
mod restarting;
mod slowing;
mod standing;
mod stopping;
mod took_off;
mod torque;
mod watching;
