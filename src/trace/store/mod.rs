//! Files of a run: the only place of the trace that touches a disk.

mod folder;
mod read;
mod replace;
mod sink;
#[cfg(test)]
mod tests;
mod writer;

pub use folder::{FolderError, Held, KeptFile, OpenRun, RunFolder};
pub use read::{TraceError, read, read_streams};
pub use replace::replace;
pub use writer::Writer;
