//! What a run folder says about its run: `run.json`.

use crate::outcome::Cause;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};

/// Against what the run was made.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum RunKind {
    /// A rehearsal: simulated controller and rig on a virtual clock.
    Rehearsal,
    /// The simulated controller behind a pseudo-terminal, in real time.
    Twin,
    /// A device behind a pseudo-terminal that is not the twin, and no machine is declared there.
    Pty,
    /// A port with a machine behind it.
    Bench,
}

impl RunKind {
    /// Whether no machine turned, as far as the files say: printed wherever the result is, and never certified.
    pub fn simulated(self) -> bool {
        !matches!(self, RunKind::Bench)
    }

    /// Whether it was the twin: then it is known that nothing real turned.
    pub fn is_twin(self) -> bool {
        matches!(self, RunKind::Rehearsal | RunKind::Twin)
    }
}

/// A file as used, copied into the run folder.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct FileUsed {
    /// "rig", "unit", "suite", "answers", "cycle", "recording", "unit-after" (the unit file as the run wrote it back) or "band".
    pub role: String,
    /// File name inside the run folder, such as "files/rig.toml".
    pub name: String,
    /// SHA-256 of the bytes, lower-case hexadecimal.
    pub sha256: String,
    /// What the suite calls it, of a file that the suite refers to; of a recording its name in the rig.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub written: Option<String>,
}

/// `run.json`. Written when the run begins, again when it ends, and when a recording is added to it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RunInfo {
    /// Version of the folder's format; 1.
    pub schema: u32,
    /// Version of spinproof.
    pub spinproof: String,
    /// Against what it was made.
    pub kind: RunKind,
    /// Firmware build asked for with `--build`.
    pub build: Option<String>,
    /// Seed of everything random in a simulation.
    pub seed: Option<u64>,
    /// Faults planted in the simulation, as on the command line.
    pub faults: Vec<String>,
    /// UTC at the engine's zero, RFC 3339 with microseconds; the epoch in a rehearsal.
    pub began_utc: String,
    /// UTC at the end and the engine's microseconds there; absent if the run was cut.
    pub ended: Option<(String, i64)>,
    /// The engine's last word and the microseconds at which it came, as its trace has them; absent if it said none, and in
    /// folders from before this was kept.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub finished: Option<(Cause, i64)>,
    /// What the runner found beside the engine: the last-resort stop fired, and no sample confirms that the
    /// torque is off. Where this stands, the run counts as not confirmed, whatever its trace says.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub unconfirmed: Option<String>,
    /// What the recorder could not keep, in its words; absent if it kept everything. Such a run has no `ended`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub unrecorded: Option<String>,
    /// What was known before anything was sent.
    #[serde(default)]
    pub before: Before,
    /// CLOCK_MONOTONIC at the engine's zero in microseconds, to compare with a truth log of the same
    /// machine; 0 in a rehearsal.
    pub began_monotonic: i64,
    /// The files as used.
    pub files: Vec<FileUsed>,
    /// When recordings made beside the run began, of those of which somebody said it.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub recordings: Vec<RecordingBegan>,
}

impl RunInfo {
    /// What tells the trace of this run from that of every other: SHA-256, lower-case hexadecimal, over what is known of it when
    /// it begins. A rehearsal that is made again has the same.
    pub fn mark(&self) -> String {
        // A recording is added afterwards, and what was written back at the end.
        let at_begin = |f: &&FileUsed| !["recording", "unit-after"].contains(&f.role.as_str());
        let files: Vec<_> = self.files.iter().filter(at_begin).map(|f| (&f.role, &f.sha256)).collect();
        let RunInfo { kind, build, seed, faults, began_utc, began_monotonic, .. } = self;
        let known = serde_json::json!([kind, build, seed, faults, began_utc, began_monotonic, files]);
        Sha256::digest(known.to_string()).iter().map(|byte| format!("{byte:02x}")).collect()
    }
}

/// When a recording began in the run's time, as a person said.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RecordingBegan {
    /// Its name in the rig.
    pub name: String,
    /// Seconds since the run began; negative if before.
    pub at: f64,
    /// Standard uncertainty of that in seconds.
    pub u: f64,
}

/// What was known before anything was sent: the rung, the rehearsal, the predicted band.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct Before {
    /// The ladder as it stood.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub climb: Option<Climb>,
    /// Why the ladder was left aside, if it was: such a run opens nothing.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub off_ladder: Option<String>,
    /// How the rehearsal before the run came out, in words.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rehearsal: Option<String>,
    /// Why there was none although one was due.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub no_rehearsal: Option<String>,
    /// What the computer allowed; absent of a rehearsal.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub computer: Option<Computer>,
    /// How the predicted band was made, or why not, in words.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub band: Option<String>,
}

/// What the computer that a run was made on allowed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Computer {
    /// Whether engine and stop went before all other work.
    pub real_time: bool,
    /// Whether the program's memory was locked.
    pub memory_locked: bool,
}

/// The ladder as it stood when a run began.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct Climb {
    /// The rung of the suite.
    pub rung: String,
    /// Whether the suite says it; if not, it counts as the highest.
    pub said: bool,
    /// Whether a closed rung would have been refused.
    pub enforced: bool,
    /// The passes of the rungs below, from the lowest.
    pub opened_by: Vec<Opening>,
    /// What was missing, in words; empty if the rung was open.
    pub missing: Vec<String>,
}

/// A run that passed a rung.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Opening {
    /// The rung.
    pub rung: String,
    /// Name of the suite.
    pub suite: String,
    /// SHA-256 of the suite file.
    pub suite_sha256: String,
    /// Name of the run folder.
    pub folder: String,
    /// UTC at its begin.
    pub began_utc: String,
}
