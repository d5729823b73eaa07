//! Arrow encoding and recovery. Pure: bytes in, records out, and back.

mod batch;
mod check;
mod decode;
mod encode;
mod frames;
mod schema;

pub use decode::{Cut, CutKind, Trace};
pub(crate) use decode::{Newer, decode};
pub(crate) use encode::{Encoder, Entry};
pub use schema::VERSION;
pub(crate) use schema::{slug, streams};
