//! The run folders that lie beside an index.

use super::{CLIMBED_NAME, Climbed, Index, IndexError, NAME};
use crate::trace::RunKind;
use std::collections::BTreeMap;
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

/// Run folders that the index does not know: it was locked, damaged or away when they were made, or it knows the name for
/// another run. Rehearsals, which count for nothing, are passed over: one that was killed, or goes on, is none of its business.
///
/// # Errors
/// Those of the index, and a folder that cannot be listed.
pub fn unlisted(index: &Index, runs: &Path) -> Result<Vec<String>, IndexError> {
    let known: BTreeMap<String, Made> =
        index.all()?.into_iter().map(|e| (e.folder, Made { kind: e.kind, began_utc: e.began_utc })).collect();
    let names = held(runs)
        .map_err(|e| IndexError::Other { path: PathBuf::from(runs).join(NAME), what: e.to_string() })?;
    let unlisted = |name: &String| match (known.get(name), made(&runs.join(name))) {
        (_, Some(found)) if found.kind == RunKind::Rehearsal => false,
        (None, _) => true,
        (Some(known), Some(found)) => *known != found,
        (Some(_), None) => false,
    };
    Ok(names.into_iter().filter(unlisted).collect())
}

/// Which run lies in a folder: what tells it from every other of its name.
#[derive(Debug, PartialEq, Eq, serde::Deserialize)]
struct Made {
    kind: RunKind,
    began_utc: String,
}

/// Of a commissioning it is its first rung that tells; `None` if nobody can.
fn made(dir: &Path) -> Option<Made> {
    let of = |dir: &Path| serde_json::from_slice(&std::fs::read(dir.join(HELD_NAME)).ok()?).ok();
    match Climbed::of(dir) {
        Ok(None) => of(dir),
        Ok(Some(climbed)) => climbed.rungs.iter().find_map(|rung| of(&dir.join(rung))),
        Err(_) => None,
    }
}
