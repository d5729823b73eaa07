//! A trace back from a disk.

use crate::trace::codec::{Newer, Trace, VERSION, decode};
use std::io;
use std::path::{Path, PathBuf};

/// Why a trace cannot be read at all. What is wrong with parts of it is in [`Trace::cut`].
#[derive(Debug, thiserror::Error)]
pub enum TraceError {
    /// There is none.
    #[error(
        "no trace in {dir}: expected streams such as trace/events.arrows; give the folder of a run, \
         as `run` or `rehearse` printed it"
    )]
    Missing {
        /// The run folder as given.
        dir: PathBuf,
    },
    /// The file system refuses.
    #[error("cannot read {path}: {source}; check the disk and that you may read it")]
    Unreadable {
        /// Which file or folder.
        path: PathBuf,
        /// What the system says.
        source: io::Error,
    },
    /// It was written by a newer version.
    #[error(
        "{path} has schema {found}, expected {VERSION} or older: read it with the spinproof that wrote it"
    )]
    Newer {
        /// Which stream.
        path: PathBuf,
        /// The version found.
        found: String,
    },
}

/// Reads the trace in the run folder `dir`: all streams, merged by sequence number. A trace that was
/// cut at any byte, or damaged anywhere, gives every row that is whole and says what it passed over.
///
/// # Errors
/// See [`TraceError`].
pub fn read(dir: &Path) -> Result<Trace, TraceError> {
    let folder = dir.join("trace");
    let unreadable = |path: &Path, source| TraceError::Unreadable { path: path.into(), source };
    let entries = match std::fs::read_dir(&folder) {
        Ok(entries) => entries,
        Err(e) if e.kind() == io::ErrorKind::NotFound => return Err(TraceError::Missing { dir: dir.into() }),
        Err(e) => return Err(unreadable(&folder, e)),
    };
    let mut files = Vec::new();
    for entry in entries {
        let path = entry.map_err(|e| unreadable(&folder, e))?.path();
        if path.extension().is_some_and(|e| e == "arrows")
            && let Some(name) = path.file_name().and_then(|n| n.to_str())
        {
            let bytes = std::fs::read(&path).map_err(|e| unreadable(&path, e))?;
            files.push((name.to_string(), bytes));
        }
    }
    if files.is_empty() {
        return Err(TraceError::Missing { dir: dir.into() });
    }
    // The order in which a file system lists its files is nobody's choice.
    files.sort();
    decode(files).map_err(|Newer { stream, found }| TraceError::Newer { path: folder.join(stream), found })
}

/// The same from the streams themselves: file names such as `events.arrows`, and contents.
///
/// # Errors
/// If a stream was written by a newer version.
pub fn read_streams(files: Vec<(String, Vec<u8>)>) -> Result<Trace, TraceError> {
    decode(files).map_err(|Newer { stream, found }| TraceError::Newer { path: stream.into(), found })
}
