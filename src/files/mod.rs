//! The TOML files as written: spans and provenance, nothing interpreted.
//!
//! A rig, a unit, a suite and an answers file each are a tree of tables. Every table is defined once,
//! by `table!`, `words!` or `choice!` (in `macros`), as a list of fields with their types and docs,
//! and of rules about which keys go together. That one definition gives the struct, the reader and
//! the JSON Schema, so that the three cannot disagree. The reader goes on after a mistake:
//! [`load`] reports all mistakes of a file at once, each once, each at its place; a misspelled key is read as the
//! key it was meant to be, so that what stands behind it is checked too. What a name
//! refers to, and whether values of different tables fit together, is for the plan to say.

mod burst;
pub mod cycle;
pub mod load;
mod macros;
mod pulse;
pub mod quantity;
pub mod read;
mod ready;
mod recording;
pub mod rig;
pub mod suite;
mod syntax;
mod table;
pub mod unit;
mod used;
mod withstand;
