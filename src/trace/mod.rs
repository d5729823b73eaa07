//! The trace: everything recorded in one run, in Arrow IPC streams, and the run folder around it.

mod info;

pub use info::{FileUsed, RunInfo, RunKind};
