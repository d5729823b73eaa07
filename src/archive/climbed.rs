//! What lies in the folder of a commissioning beside the folders of its rungs: `commissioning.json`. With the traces of the
//! rungs it is enough to make the entry of the whole again.

use crate::evidence::Whole;
use crate::outcome::Cause;
use crate::trace::{FileUsed, replace};
use serde::{Deserialize, Serialize};
use std::path::Path;

/// What makes a folder that of a commissioning.
pub const CLIMBED_NAME: &str = "commissioning.json";

/// Version of the file.
const SCHEMA: u32 = 1;

/// `commissioning.json`. Written when the first rung begins, and again at the end.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Climbed {
    /// Version of the file; 1.
    schema: u32,
    /// Version of spinproof.
    spinproof: String,
    /// Names of the folders of all rungs, in order, begun or not.
    pub rungs: Vec<String>,
    /// What ended it; absent if it was cut.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub ended: Option<Cause>,
    /// What its suite does not show that a commissioning must: then it opens nothing.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub lacks: Vec<String>,
    /// What was measured of the stop frame, rung by rung.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub stop_frames: Vec<StopFrame>,
    /// The whole suite, and "unit-after": the unit file as it was written back.
    pub files: Vec<FileUsed>,
}

/// A stop frame that was proved. Times in microseconds.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct StopFrame {
    /// Name of the rung.
    pub rung: String,
    /// From the frame to torque off: no less, and no more.
    pub took_us: (i64, i64),
    /// What the controller took of it by itself, no less.
    pub controller_us: i64,
}

impl Climbed {
    /// One that begins.
    pub fn new(rungs: Vec<String>, lacks: Vec<String>) -> Climbed {
        let spinproof = env!("CARGO_PKG_VERSION").into();
        let (stop_frames, files) = (Vec::new(), Vec::new());
        Climbed { schema: SCHEMA, spinproof, rungs, ended: None, lacks, stop_frames, files }
    }

    /// Reads the one of a folder; `None` if there is none.
    ///
    /// # Errors
    /// It cannot be read or understood, or was written by a newer version.
    pub fn of(dir: &Path) -> std::io::Result<Option<Climbed>> {
        let text = match std::fs::read(dir.join(CLIMBED_NAME)) {
            Ok(text) => text,
            Err(e) if e.kind() == std::io::ErrorKind::NotFound => return Ok(None),
            Err(e) => return Err(e),
        };
        let climbed: Climbed = serde_json::from_slice(&text)?;
        if climbed.schema > SCHEMA {
            let what = format!("{CLIMBED_NAME} has schema {}, expected {SCHEMA} or older", climbed.schema);
            return Err(std::io::Error::other(what));
        }
        Ok(Some(climbed))
    }

    /// Writes it whole or not at all.
    ///
    /// # Errors
    /// It cannot be written; the old one stands then.
    pub fn write(&self, dir: &Path) -> std::io::Result<()> {
        let mut text = serde_json::to_vec_pretty(self)?;
        text.push(b'\n');
        replace(&dir.join(CLIMBED_NAME), &text)
    }

    /// What the ladder wants to know of it. `folder` is its name.
    pub fn whole(&self, folder: &str) -> Whole {
        let sha256 = |role: &str| self.files.iter().find(|f| f.role == role).map(|f| f.sha256.clone());
        Whole {
            folder: folder.into(),
            suite_sha256: sha256("suite").unwrap_or_default(),
            rungs: self.rungs.len(),
            ended: self.ended,
            unit_after: sha256("unit-after"),
            lacks: self.lacks.clone(),
        }
    }
}
