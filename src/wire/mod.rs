//! Bytes and messages: templates out, patterns in, lines put together from pieces, IEEE 488.2/SCPI
//! syntax for the controller's side. Sans-I/O and incremental; shared by both ends of a link.

mod alike;
mod line;
mod pattern;
pub mod scpi;

pub use alike::{Part, Said};
pub use line::{Line, LineReader};
pub use pattern::{Counted, Pattern, PatternError, Template};
