//! The trace: everything recorded in one run, in Arrow IPC streams, and the run folder around it.
//!
//! ```text
//! run.json                  what was run, with what; whether it ended
//! files/                    rig, unit, suite and answers as used
//! trace/inputs.arrows       seq, t, kind, link, payload, outputs
//! trace/events.arrows       seq, t, kind, json
//! trace/demands.arrows      seq, t, demand, name, value (SI)
//! trace/poll-<group>.arrows seq, t_request, t_reply, t_sample, u_sample, status, one column per field
//! ```
//!
//! Times are microseconds since the run began. Values are as read, in the unit that stands in the
//! metadata of their column, before calibration; null is *nothing was read*, NaN is *the controller
//! said so*. Every stream has a last column `check`, a CRC-32 over the row. All streams share one
//! sequence of numbers, so that the order of the run can be told again.
//!
//! Any reader of Arrow opens these streams; `pyarrow.ipc.open_stream` for one. Whether a run was cut
//! is said by `run.json`, not by the streams: zeros left by a power cut look like an end to some readers.

mod codec;
mod info;
mod store;

pub use codec::{Cut, CutKind, Trace};
pub use info::{Before, Climb, Computer, FileUsed, Opening, RecordingBegan, RunInfo, RunKind};
pub use store::{
    FolderError, Held, KeptFile, OpenRun, RunFolder, TraceError, Writer, read, read_streams, replace,
};
