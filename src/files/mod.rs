//! The TOML files as written: spans and provenance, nothing interpreted.
//!
//! A rig, a unit, a suite and an answers file each are a tree of tables. Every table is defined once,
//! by [`table!`](self::table), [`words!`](self::table) or [`choice!`](self::table), as a list of
//! fields with their types and docs. That one definition gives the struct, the reader and the JSON
//! Schema, so that the three cannot disagree. The reader goes on after a mistake: [`load`]
//! reports all mistakes of a file at once, each once, each at its place. What a name refers to,
//! and whether values of different tables fit together, is for the plan to say.

pub mod load;
pub mod quantity;
pub mod read;
pub mod rig;
pub mod suite;
mod syntax;
pub mod table;
pub mod unit;

#[cfg(test)]
mod tests;
