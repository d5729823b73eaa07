//! The TOML files as written: spans and provenance, nothing interpreted.
//!
//! One field table per TOML table drives the parser (with every mistake reported at its place) and
//! the JSON Schema; see [`read`].

pub mod read;
pub mod rig;
pub mod suite;
pub mod unit;
