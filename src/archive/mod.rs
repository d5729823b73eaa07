//! The run index: one SQLite file beside the run folders, which remembers what each run was and how it ended.
//!
//! It is a convenience and never the only truth: it can be made again from the folders. Whatever is wrong with it is
//! said in words and stops no run that has begun.

mod climbed;
mod rows;
mod scan;
#[cfg(test)]
mod tests;

pub use climbed::{CLIMBED_NAME, Climbed, StopFrame};
pub use scan::{HELD_NAME, held, unlisted};

use crate::evidence::Entry;
use crate::trace::RunKind;
use rusqlite::{Connection, ErrorCode, OpenFlags};
use std::path::{Path, PathBuf};
use std::time::Duration;

/// Its name, beside the run folders.
pub const NAME: &str = "index.sqlite";

/// Version of the tables.
const VERSION: i64 = 2;

/// How long another process may hold it.
const LOCKED_WITHIN: Duration = Duration::from_secs(3);

/// What is wrong with an index.
#[derive(Debug, thiserror::Error)]
pub enum IndexError {
    /// Its bytes are no index.
    #[error(
        "the run index {path} is damaged ({what}); the runs themselves are in their folders: make it again with `spinproof runs {dir} --rebuild`"
    )]
    Damaged {
        /// The file.
        path: PathBuf,
        /// The folder of runs.
        dir: PathBuf,
        /// What was found.
        what: String,
    },
    /// Another process keeps it.
    #[error("the run index {path} has been locked by another process for {} s; end that one, then look again", LOCKED_WITHIN.as_secs())]
    Locked {
        /// The file.
        path: PathBuf,
    },
    /// It was made by a newer version.
    #[error(
        "the run index {path} has version {found}, expected {VERSION} or older: use the spinproof that made it, or `spinproof runs {dir} --rebuild`"
    )]
    Newer {
        /// The file.
        path: PathBuf,
        /// The folder of runs.
        dir: PathBuf,
        /// The version found.
        found: i64,
    },
    /// The name is that of another run.
    #[error(
        "the run index {path} knows {folder} for another run ({known}), and what it remembers of that is never written over: \
         name another folder"
    )]
    Taken {
        /// The file.
        path: PathBuf,
        /// Name of the run folder.
        folder: String,
        /// The run that it knows, in words.
        known: String,
    },
    /// The system refuses.
    #[error("the run index {path} cannot be used: {what}; check the disk and that you may write there")]
    Other {
        /// The file.
        path: PathBuf,
        /// What was said.
        what: String,
    },
}

/// An open index.
#[derive(Debug)]
pub struct Index {
    db: Connection,
    path: PathBuf,
}

impl Index {
    /// Opens the index of a folder of runs, or makes it.
    ///
    /// # Errors
    /// See [`IndexError`].
    pub fn open(runs: &Path) -> Result<Index, IndexError> {
        std::fs::create_dir_all(runs)
            .map_err(|e| IndexError::Other { path: runs.join(NAME), what: e.to_string() })?;
        Index::at(runs.join(NAME), OpenFlags::default())
    }

    /// Opens the index of a folder of runs if there is one.
    ///
    /// # Errors
    /// See [`IndexError`].
    pub fn existing(runs: &Path) -> Result<Option<Index>, IndexError> {
        let path = runs.join(NAME);
        match path.exists() {
            true => Index::at(path, OpenFlags::default()).map(Some),
            false => Ok(None),
        }
    }

    fn at(path: PathBuf, flags: OpenFlags) -> Result<Index, IndexError> {
        let db = Connection::open_with_flags(&path, flags).map_err(|e| wrong(&path, &e))?;
        let index = Index { db, path };
        index.prepare().map_err(|e| wrong(&index.path, &e))?;
        let found = index.version().map_err(|e| wrong(&index.path, &e))?;
        if found > VERSION {
            let dir = parent(&index.path);
            return Err(IndexError::Newer { path: index.path, dir, found });
        }
        Ok(index)
    }

    fn version(&self) -> rusqlite::Result<i64> {
        self.db.pragma_query_value(None, "user_version", |row| row.get(0))
    }

    fn prepare(&self) -> rusqlite::Result<()> {
        self.db.busy_timeout(LOCKED_WITHIN)?;
        if self.version()? == 0 {
            // Two processes may both find it new: the second waits, then finds it made.
            self.db.execute_batch(&format!(
                "BEGIN IMMEDIATE; {} PRAGMA user_version = {VERSION}; COMMIT;",
                rows::TABLE
            ))?;
        }
        if self.version()? == 1 {
            self.db.execute_batch("BEGIN IMMEDIATE;")?;
            // Another process may have done it while this one waited.
            let more = if self.version()? == 1 { rows::SINCE_1 } else { "" };
            self.db.execute_batch(&format!("{more} PRAGMA user_version = {VERSION}; COMMIT;"))?;
        }
        Ok(())
    }

    /// Keeps an entry in the place of what was known of the same run. `quick`: do not wait for the disk (a rehearsal can be
    /// made again).
    ///
    /// # Errors
    /// See [`IndexError`]; [`IndexError::Taken`] if the name is that of another run.
    pub fn put(&self, entry: &Entry, quick: bool) -> Result<(), IndexError> {
        let keep = || {
            self.db.pragma_update(None, "synchronous", if quick { "OFF" } else { "FULL" })?;
            rows::put(&self.db, entry)
        };
        match keep().map_err(|e| wrong(&self.path, &e))? {
            true => Ok(()),
            false => Err(self.taken(&entry.folder)?),
        }
    }

    /// Whether a new run of this kind may be put into a folder of this name.
    ///
    /// # Errors
    /// See [`IndexError`]; [`IndexError::Taken`] if the name is that of another run. A rehearsal may follow a rehearsal.
    pub fn is_free(&self, folder: &str, kind: RunKind) -> Result<(), IndexError> {
        match self.known(folder)? {
            None => Ok(()),
            Some(known) if known.kind == RunKind::Rehearsal && kind == RunKind::Rehearsal => Ok(()),
            Some(_) => Err(self.taken(folder)?),
        }
    }

    fn known(&self, folder: &str) -> Result<Option<Entry>, IndexError> {
        let row = rows::of(&self.db, folder).map_err(|e| wrong(&self.path, &e))?;
        row.transpose().map_err(|what| self.damaged(what))
    }

    fn taken(&self, folder: &str) -> Result<IndexError, IndexError> {
        let known = self.known(folder)?.map_or_else(String::new, |known| known.words());
        Ok(IndexError::Taken { path: self.path.clone(), folder: folder.into(), known })
    }

    fn damaged(&self, what: String) -> IndexError {
        IndexError::Damaged { path: self.path.clone(), dir: parent(&self.path), what }
    }

    /// Every entry, by begin and folder.
    ///
    /// # Errors
    /// See [`IndexError`]; also if any row cannot be understood: a ladder read from half of an index could be open where
    /// the whole one is closed.
    pub fn all(&self) -> Result<Vec<Entry>, IndexError> {
        self.rows()?.into_iter().collect::<Result<_, _>>().map_err(|what| self.damaged(what))
    }

    /// Every row that can be understood, and what is wrong with the others, in words: for an index that is made again.
    ///
    /// # Errors
    /// See [`IndexError`].
    pub fn understood(&self) -> Result<(Vec<Entry>, Vec<String>), IndexError> {
        let (good, bad): (Vec<_>, Vec<_>) = self.rows()?.into_iter().partition(Result::is_ok);
        Ok((good.into_iter().flatten().collect(), bad.into_iter().filter_map(Result::err).collect()))
    }

    fn rows(&self) -> Result<Vec<Result<Entry, String>>, IndexError> {
        let checked: String = self
            .db
            .pragma_query_value(None, "quick_check", |row| row.get(0))
            .map_err(|e| wrong(&self.path, &e))?;
        if checked != "ok" {
            return Err(self.damaged(checked));
        }
        rows::all(&self.db).map_err(|e| wrong(&self.path, &e))
    }

    /// Makes the index of a folder of runs again from entries: beside the old one, then in its place.
    ///
    /// # Errors
    /// See [`IndexError`]; the old one stands then.
    pub fn rebuild(runs: &Path, entries: &[Entry]) -> Result<(), IndexError> {
        let (path, beside) = (runs.join(NAME), runs.join(format!("{NAME}.new")));
        let other = |e: std::io::Error| IndexError::Other { path: path.clone(), what: e.to_string() };
        match std::fs::remove_file(&beside) {
            Err(e) if e.kind() != std::io::ErrorKind::NotFound => return Err(other(e)),
            _ => {}
        }
        let index = Index::at(beside.clone(), OpenFlags::default())?;
        index.db.execute_batch("BEGIN").map_err(|e| wrong(&beside, &e))?;
        for entry in entries {
            rows::put(&index.db, entry).map_err(|e| wrong(&beside, &e))?;
        }
        index.db.execute_batch("COMMIT").map_err(|e| wrong(&beside, &e))?;
        drop(index);
        // What a process that died left half done belongs to the old file alone.
        let _ = std::fs::remove_file(runs.join(format!("{NAME}-journal")));
        std::fs::rename(&beside, &path).map_err(other)
    }
}

fn parent(path: &Path) -> PathBuf {
    path.parent().unwrap_or(Path::new(".")).to_path_buf()
}

fn wrong(path: &Path, error: &rusqlite::Error) -> IndexError {
    let path = path.to_path_buf();
    let what = error.to_string();
    match error.sqlite_error_code() {
        Some(ErrorCode::NotADatabase | ErrorCode::DatabaseCorrupt) => {
            IndexError::Damaged { dir: parent(&path), path, what }
        }
        Some(ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked) => IndexError::Locked { path },
        // A table that is not as it was made: it was changed by another program.
        Some(ErrorCode::Unknown) | None => IndexError::Damaged { dir: parent(&path), path, what },
        _ => IndexError::Other { path, what },
    }
}
