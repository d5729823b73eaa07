//! The folder of a run: files as used, `run.json`, and the trace beside them.

use super::replace::replace;
use crate::trace::codec::slug;
use crate::trace::info::{FileUsed, RunInfo};
use sha2::{Digest, Sha256};
use std::fs::{self, File, TryLockError};
use std::io::{self, Write};
use std::path::{Component, Path, PathBuf};

/// Version of `run.json` and of the folder.
const SCHEMA: u64 = 1;
const INFO: &str = "run.json";

/// Why the folder of a run cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum FolderError {
    /// It is no such folder.
    #[error(
        "{dir} is not the folder of a run: it has no run.json; give a folder as `run` or `rehearse` printed it"
    )]
    NotARun {
        /// The folder as given.
        dir: PathBuf,
    },
    /// The file system refuses.
    #[error("cannot read {path}: {source}; check the disk and that you may read it")]
    Unreadable {
        /// Which file.
        path: PathBuf,
        /// What the system says.
        source: io::Error,
    },
    /// `run.json` is not as this program writes it.
    #[error(
        "cannot understand {path}: {what}; it was changed after the run, restore it from a copy of the folder"
    )]
    Malformed {
        /// Which file.
        path: PathBuf,
        /// What was found.
        what: String,
    },
    /// It was written by a newer version.
    #[error(
        "{path} has schema {found}, expected {SCHEMA} or older: read it with the spinproof that wrote it"
    )]
    Newer {
        /// Which file.
        path: PathBuf,
        /// The version found.
        found: u64,
    },
    /// Somebody else is writing there.
    #[error("a run is being made in {dir}, or a report of it: wait until that has ended")]
    Held {
        /// The folder.
        dir: PathBuf,
    },
    /// A file as used is not there any more.
    #[error("{path} is missing, the {role} file of this run: restore it from a copy of the folder")]
    Missing {
        /// Which file.
        path: PathBuf,
        /// Its role.
        role: String,
    },
    /// A file as used was changed after the run.
    #[error(
        "{path} was changed after the run: its SHA-256 is {found}, run.json says {expected}; the results of \
         this run belong to the file as it was, restore it from a copy of the folder"
    )]
    Changed {
        /// Which file.
        path: PathBuf,
        /// SHA-256 in `run.json`.
        expected: String,
        /// SHA-256 of what is there.
        found: String,
    },
}

/// The folder of a run that is being made.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RunFolder {
    dir: PathBuf,
}

/// A run folder that nobody else writes to for as long as this lives. It binds programs that ask, on file systems that know
/// locks; on others it binds nobody.
#[derive(Debug)]
pub struct Held {
    _folder: File,
}

impl Held {
    /// Takes hold of a folder.
    ///
    /// # Errors
    /// If it cannot be opened, or somebody else has it.
    pub fn take(dir: &Path) -> Result<Held, FolderError> {
        let unreadable = |source| FolderError::Unreadable { path: dir.into(), source };
        let folder = match File::open(dir) {
            Ok(folder) => folder,
            Err(e) if e.kind() == io::ErrorKind::NotFound => {
                return Err(FolderError::NotARun { dir: dir.into() });
            }
            Err(source) => return Err(unreadable(source)),
        };
        match folder.try_lock() {
            Err(TryLockError::WouldBlock) => Err(FolderError::Held { dir: dir.into() }),
            Ok(()) | Err(TryLockError::Error(_)) => Ok(Held { _folder: folder }),
        }
    }
}

/// A run read back.
#[derive(Debug, Clone, PartialEq)]
pub struct OpenRun {
    /// Where it is.
    pub dir: PathBuf,
    /// `run.json`.
    pub info: RunInfo,
    /// The files as used, in the order of `run.json`, their SHA-256 verified.
    pub files: Vec<KeptFile>,
}

/// A file as used.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct KeptFile {
    /// Role, name and SHA-256.
    pub used: FileUsed,
    /// Its bytes.
    pub bytes: Vec<u8>,
}

impl RunFolder {
    /// Makes a folder for a run. `out` names it; without it, it is `runs/<time>-<suite>`, with `-2`,
    /// `-3`, ... where that is taken. `now_utc` is RFC 3339, as in `RunInfo::began_utc`.
    ///
    /// # Errors
    /// If `out` has something in it already (a run never writes over another), or nothing can be made there.
    pub fn create(out: Option<&Path>, suite: &str, now_utc: &str) -> io::Result<RunFolder> {
        let dir = match out {
            Some(out) => {
                fs::create_dir_all(out).map_err(|e| making(e, out))?;
                if fs::read_dir(out).map_err(|e| making(e, out))?.next().is_some() {
                    let what = format!(
                        "the folder {} is not empty, and a run never writes over another: name a new folder",
                        out.display()
                    );
                    return Err(io::Error::new(io::ErrorKind::AlreadyExists, what));
                }
                out.to_path_buf()
            }
            None => fresh(Path::new("runs"), &default_name(suite, now_utc))?,
        };
        Ok(RunFolder { dir })
    }

    /// The folder of a run that was made, to add a recording to it.
    pub fn at(dir: &Path) -> RunFolder {
        RunFolder { dir: dir.to_path_buf() }
    }

    /// Where it is.
    pub fn path(&self) -> &Path {
        &self.dir
    }

    /// Keeps a file as used under `files/` and says what to write into `run.json`. `role` is "rig", "unit",
    /// "suite", "answers", "cycle" or "recording"; `name` is the file's own name, of which only the last part counts.
    ///
    /// # Errors
    /// If it cannot be written.
    pub fn keep(&self, role: &str, name: &str, bytes: &[u8]) -> io::Result<FileUsed> {
        let folder = self.dir.join("files");
        fs::create_dir_all(&folder).map_err(|e| making(e, &folder))?;
        let name = Path::new(name).file_name().and_then(|n| n.to_str()).unwrap_or(role);
        let (stem, end) = name.rsplit_once('.').map_or((name, String::new()), |(s, e)| (s, format!(".{e}")));
        let mut n = 1;
        let (path, mut file) = loop {
            let name = if n == 1 { name.to_string() } else { format!("{stem}-{n}{end}") };
            match File::create_new(folder.join(&name)) {
                Ok(file) => break (name, file),
                Err(e) if e.kind() == io::ErrorKind::AlreadyExists => n += 1,
                Err(e) => return Err(making(e, &folder.join(name))),
            }
        };
        let written = file.write_all(bytes).and_then(|()| file.sync_all());
        written.map_err(|e| making(e, &folder.join(&path)))?;
        Ok(FileUsed {
            role: role.into(),
            name: format!("files/{path}"),
            sha256: sha256(bytes),
            written: None,
        })
    }

    /// Writes `run.json` whole or not at all: beside the old one, then in its place. Call it when the
    /// run begins and again when it ends.
    ///
    /// # Errors
    /// If it cannot be written; the old one stands then.
    pub fn write_info(&self, info: &RunInfo) -> io::Result<()> {
        let path = self.dir.join(INFO);
        let mut text = serde_json::to_vec_pretty(info)?;
        text.push(b'\n');
        replace(&path, &text).map_err(|e| making(e, &path))
    }

    /// Reads a run folder back, all but its trace, and verifies the files as used.
    ///
    /// # Errors
    /// See [`FolderError`].
    pub fn open(dir: &Path) -> Result<OpenRun, FolderError> {
        let path = dir.join(INFO);
        let text = match fs::read(&path) {
            Ok(text) => text,
            Err(e) if matches!(e.kind(), io::ErrorKind::NotFound | io::ErrorKind::NotADirectory) => {
                return Err(FolderError::NotARun { dir: dir.into() });
            }
            Err(source) => return Err(FolderError::Unreadable { path, source }),
        };
        let info = info(&path, &text)?;
        let files = info.files.iter().map(|used| kept(dir, &path, used)).collect::<Result<_, _>>()?;
        Ok(OpenRun { dir: dir.into(), info, files })
    }
}

fn info(path: &Path, text: &[u8]) -> Result<RunInfo, FolderError> {
    let malformed = |what: String| FolderError::Malformed { path: path.into(), what };
    let value: serde_json::Value = serde_json::from_slice(text).map_err(|e| malformed(e.to_string()))?;
    // The version first: a newer file may differ in everything else.
    let found = value["schema"].as_u64().ok_or_else(|| malformed("it has no schema number".into()))?;
    if found > SCHEMA {
        return Err(FolderError::Newer { path: path.into(), found });
    }
    serde_json::from_value(value).map_err(|e| malformed(e.to_string()))
}

fn kept(dir: &Path, info: &Path, used: &FileUsed) -> Result<KeptFile, FolderError> {
    let name = Path::new(&used.name);
    // A run folder may come from anybody: it must not make us read files outside of it.
    if !name.components().all(|c| matches!(c, Component::Normal(_))) {
        let what = format!("the file `{}` lies outside of the folder", used.name);
        return Err(FolderError::Malformed { path: info.into(), what });
    }
    let path = dir.join(name);
    let bytes = match fs::read(&path) {
        Ok(bytes) => bytes,
        Err(e) if e.kind() == io::ErrorKind::NotFound => {
            return Err(FolderError::Missing { path, role: used.role.clone() });
        }
        Err(source) => return Err(FolderError::Unreadable { path, source }),
    };
    let found = sha256(&bytes);
    if found != used.sha256 {
        return Err(FolderError::Changed { path, expected: used.sha256.clone(), found });
    }
    Ok(KeptFile { used: used.clone(), bytes })
}

/// `20261125T142531Z-first-spin` of the suite "First spin" at `2026-11-25T14:25:31.123456Z`.
pub(super) fn default_name(suite: &str, now_utc: &str) -> String {
    let seconds = now_utc.split_once('.').map_or(now_utc.trim_end_matches('Z'), |(s, _)| s);
    let compact: String = seconds.chars().filter(char::is_ascii_alphanumeric).collect();
    format!("{compact}Z-{}", slug(&suite.to_lowercase()))
}

/// Makes `base/name`, or `base/name-2`, ...; two runs that begin at once get one each.
pub(super) fn fresh(base: &Path, name: &str) -> io::Result<PathBuf> {
    fs::create_dir_all(base).map_err(|e| making(e, base))?;
    let mut n = 1;
    loop {
        let dir = base.join(if n == 1 { name.to_string() } else { format!("{name}-{n}") });
        match fs::create_dir(&dir) {
            Ok(()) => return Ok(dir),
            Err(e) if e.kind() == io::ErrorKind::AlreadyExists => n += 1,
            Err(e) => return Err(making(e, &dir)),
        }
    }
}

fn making(error: io::Error, path: &Path) -> io::Error {
    let what =
        format!("cannot write {}: {error}; check the disk and that you may write there", path.display());
    io::Error::new(error.kind(), what)
}

fn sha256(bytes: &[u8]) -> String {
    Sha256::digest(bytes).iter().map(|byte| format!("{byte:02x}")).collect()
}
