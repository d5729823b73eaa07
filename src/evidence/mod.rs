//! What the runs so far prove about a unit: the ladder. Pure: entries in, answers out.
//!
//! A rung opens only when every rung below it has passed with this unit in this state of assembly, this rig file,
//! unit file, build and these settings. A simulated run proves nothing about a real unit.

mod entry;
mod guards;
mod ladder;
mod proved;
mod reaction;
mod shown;
#[cfg(test)]
mod tests;
mod whole;

pub use entry::{Class, Entry, Standing, Told, build_said, entry};
pub use guards::{Cap, GUARDS, Guard, cap, expected_guards, graded};
pub use ladder::{Closed, Ladder, Step, climb, ladder, suite_of};
pub use reaction::slower_than_declared;
pub use whole::{Whole, lacks, opens_nothing, whole};
