//! The run folders that lie beside an index.

use super::{CLIMBED_NAME, Index, IndexError, NAME};
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

/// What makes a folder that of a run.
pub const HELD_NAME: &str = "run.json";

/// Names of the folders of runs and commissionings directly inside `runs`, in order; none if it does not exist.
///
/// # Errors
/// The folder cannot be listed.
pub fn held(runs: &Path) -> std::io::Result<Vec<String>> {
    let entries = match std::fs::read_dir(runs) {
        Ok(entries) => entries,
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => return Ok(Vec::new()),
        Err(e) => return Err(e),
    };
    let mut names = Vec::new();
    for entry in entries {
        let entry = entry?;
        if [HELD_NAME, CLIMBED_NAME].iter().any(|name| entry.path().join(name).is_file())
            && let Some(name) = entry.file_name().to_str()
        {
            names.push(name.to_string());
        }
    }
    names.sort();
    Ok(names)
}

/// Run folders that the index does not know: it was locked, damaged or away when they were made.
///
/// # Errors
/// Those of the index, and a folder that cannot be listed.
pub fn unlisted(index: &Index, runs: &Path) -> Result<Vec<String>, IndexError> {
    let known: BTreeSet<String> = index.all()?.into_iter().map(|e| e.folder).collect();
    let names = held(runs)
        .map_err(|e| IndexError::Other { path: PathBuf::from(runs).join(NAME), what: e.to_string() })?;
    Ok(names.into_iter().filter(|n| !known.contains(n)).collect())
}
