//! Run folders and their index, as the commands use them.

use super::report::{computed, open};
use super::{Early, say};
use crate::archive::{Index, IndexError};
use crate::evidence::{Entry, entry};
use crate::outcome::Cause;
use crate::trace::RunKind;
use std::path::{Path, PathBuf};

/// The folder in which a run folder lies: its index is there.
pub(super) fn home(out: Option<&Path>) -> PathBuf {
    match out.and_then(|out| absolute(out).parent().map(Path::to_path_buf)) {
        Some(parent) => parent,
        None => PathBuf::from("runs"),
    }
}

/// The name of a run folder in its index.
pub(super) fn name_of(dir: &Path) -> String {
    absolute(dir).file_name().map_or_else(String::new, |n| n.to_string_lossy().into_owned())
}

fn absolute(path: &Path) -> PathBuf {
    std::path::absolute(path).unwrap_or_else(|_| path.to_path_buf())
}

/// Keeps an entry, whatever comes of it: a run that was made is not undone by its index. `make`: also where there is
/// no index yet.
pub(super) fn note(dir: &Path, entry: &Entry, make: bool) {
    if let Err(error) = try_note(dir, entry, make) {
        say::err(format_args!("{error}; the run is not in the index, and whole in {}", dir.display()));
    }
}

/// The same, for whom it matters.
pub(super) fn try_note(dir: &Path, entry: &Entry, make: bool) -> Result<(), IndexError> {
    let home = home(Some(dir));
    let index = if make { Some(Index::open(&home)?) } else { Index::existing(&home)? };
    let quick = entry.kind == RunKind::Rehearsal;
    index.map_or(Ok(()), |index| index.put(entry, quick))
}

/// Refuses a name that the index knows for another run: its folder may be gone, and what it did to the ladder holds. A
/// rehearsal may follow a rehearsal.
pub(super) fn free(dir: &Path, kind: RunKind) -> Result<(), Early> {
    let index = Index::existing(&home(Some(dir)));
    match index.and_then(|index| index.map_or(Ok(()), |index| index.is_free(&name_of(dir), kind))) {
        Err(taken @ IndexError::Taken { .. }) => Err(unusable(taken)),
        // What else is wrong with it is told by who reads and writes it.
        Ok(()) | Err(_) => Ok(()),
    }
}

/// The entry of a run folder, computed as its report is.
pub(super) fn entry_of(dir: &Path) -> Result<Entry, Early> {
    let (folder, loaded, trace) = open(dir)?;
    let (results, _) = computed(&folder, &loaded, trace)?;
    Ok(entry(&name_of(dir), &loaded.plan, &folder.info, &results.events, results.outcome()))
}

/// An early end for an index that cannot be read or written where it must be.
pub(super) fn unusable(error: IndexError) -> Early {
    let cause = if matches!(error, IndexError::Taken { .. }) { Cause::Refused } else { Cause::NotMade };
    Early::new(cause, error)
}
