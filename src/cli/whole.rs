//! A commissioning in the run index: its rungs are runs with folders of their own, and on the ladder it counts as one.

use super::index::{entry_of, name_of};
use super::{Early, say};
use crate::archive::{Climbed, Index, StopFrame};
use crate::evidence::{Entry, whole};
use crate::outcome::Cause;
use crate::record::{Event, What};
use crate::trace::{RunFolder, RunKind};
use std::cell::RefCell;
use std::path::{Path, PathBuf};

/// Why a rung by itself opens nothing.
pub(super) const PART: &str = "one rung of a commissioning, which counts as a whole";

/// A commissioning that is being made.
#[derive(Debug)]
pub(super) struct Commissioning {
    dir: PathBuf,
    /// Name and text of the whole suite.
    suite: (String, String),
    climbed: RefCell<Climbed>,
    /// The entries of the rungs that have begun.
    rungs: RefCell<Vec<Entry>>,
}

impl Commissioning {
    /// One with rungs in these folders of `dir`. Nothing is written before the first has begun.
    pub(super) fn new(
        dir: &Path,
        rungs: Vec<String>,
        lacks: Vec<String>,
        suite: &(String, String),
    ) -> Commissioning {
        let climbed = RefCell::new(Climbed::new(rungs, lacks));
        Commissioning { dir: dir.into(), suite: suite.clone(), climbed, rungs: RefCell::default() }
    }

    /// The folder whose index knows it.
    pub(super) fn home(&self) -> PathBuf {
        super::index::home(Some(&self.dir))
    }

    /// Refuses a name that the index knows for another run. Once its first rung has begun the name is its own.
    pub(super) fn free(&self, kind: RunKind) -> Result<(), Early> {
        if self.rungs.borrow().is_empty() { super::index::free(&self.dir, kind) } else { Ok(()) }
    }

    /// Puts it into the index without an end before anything is sent: one of which nothing more is heard closes its rung.
    ///
    /// Errors if it cannot be kept.
    pub(super) fn begun(&self, rung: &Entry) -> Result<(), Early> {
        self.take(rung.clone())?;
        self.note()
    }

    /// A rung has ended; the entry of its folder.
    pub(super) fn rung_ended(&self, dir: &Path) -> Result<Entry, Early> {
        let entry = entry_of(dir)?;
        self.take(entry.clone())?;
        Ok(entry)
    }

    /// Keeps what a rung that passed has measured of the stop frame.
    pub(super) fn stop_frames(&self, rung: &str, events: &[Event]) {
        let mut climbed = self.climbed.borrow_mut();
        for event in events {
            let What::StopFrameProved { took, controller, .. } = event.what else { continue };
            climbed.stop_frames.push(StopFrame {
                rung: rung.into(),
                took_us: took,
                controller_us: controller,
            });
        }
    }

    /// It has ended. Nothing is kept of one that was refused before its first rung began.
    pub(super) fn close(&self, cause: Cause) {
        if self.rungs.borrow().is_empty() {
            // It is left if there is something in it.
            let _ = std::fs::remove_dir(&self.dir);
            return;
        }
        self.climbed.borrow_mut().ended = Some(cause);
        self.keep_or_say();
    }

    /// Keeps the unit file as it is about to be written back, or, of a simulated unit, as it would be; the copy. The pass
    /// holds for the former.
    pub(super) fn keep_unit_file(&self, text: &str, simulated: bool) -> Result<PathBuf, Early> {
        let role = if simulated { "unit-simulated" } else { "unit-after" };
        let used = RunFolder::at(&self.dir).keep(role, &format!("{role}.toml"), text.as_bytes());
        let used = used.map_err(|e| Early::new(Cause::NotMade, e))?;
        let path = self.dir.join(&used.name);
        self.climbed.borrow_mut().files.push(used);
        if simulated {
            self.keep_or_say();
        }
        Ok(path)
    }

    /// The unit file was written back: the pass holds for it as it is now.
    pub(super) fn unit_file_written(&self) {
        self.keep_or_say();
    }

    fn keep_or_say(&self) {
        if let Err(early) =
            self.climbed.borrow().write(&self.dir).map_err(not_made).and_then(|()| self.note())
        {
            say::err(format_args!("{}; the commissioning is whole in {}", early.text, self.dir.display()));
        }
    }

    fn take(&self, entry: Entry) -> Result<(), Early> {
        self.free(entry.kind)?;
        let mut rungs = self.rungs.borrow_mut();
        if rungs.is_empty() {
            let mut climbed = self.climbed.borrow_mut();
            let kept = RunFolder::at(&self.dir).keep("suite", &self.suite.0, self.suite.1.as_bytes());
            climbed.files.push(kept.map_err(not_made)?);
            climbed.write(&self.dir).map_err(not_made)?;
        }
        if rungs.last().is_some_and(|last| last.folder == entry.folder) {
            rungs.pop();
        }
        rungs.push(entry);
        Ok(())
    }

    fn note(&self) -> Result<(), Early> {
        let known = self.climbed.borrow().whole(&name_of(&self.dir));
        let Some(entry) = whole(&known, &self.rungs.borrow()) else { return Ok(()) };
        let quick = entry.kind == RunKind::Rehearsal;
        let put = Index::open(&self.home()).and_then(|index| index.put(&entry, quick));
        put.map_err(super::index::unusable)
    }
}

fn not_made(error: std::io::Error) -> Early {
    Early::new(Cause::NotMade, error)
}

/// The entry of a commissioning's folder, from the traces of its rungs; `None` if it is no such folder.
pub(super) fn entry_of_whole(dir: &Path) -> Result<Option<Entry>, Early> {
    let Some(climbed) = Climbed::of(dir).map_err(not_made)? else { return Ok(None) };
    let begun = |name: &&String| dir.join(name).join(crate::archive::HELD_NAME).is_file();
    let rungs = climbed.rungs.iter().filter(begun).map(|name| entry_of(&dir.join(name)));
    let rungs: Vec<Entry> = rungs.collect::<Result<_, _>>()?;
    let nothing = || Early::new(Cause::NotMade, format!("{} holds no rung that has begun", dir.display()));
    whole(&climbed.whole(&name_of(dir)), &rungs).ok_or_else(nothing).map(Some)
}
