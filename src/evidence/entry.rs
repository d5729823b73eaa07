//! One run as the index keeps it.

use super::guards::graded;
use super::whole::lacks;
use crate::files::suite::Rung;
use crate::outcome::{Cause, LadderEffect};
use crate::plan::Plan;
use crate::record::{Event, Grade, What};
use crate::trace::{RunInfo, RunKind};

/// Which runs prove anything about each other.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Class {
    /// The twin behind a pseudo-terminal.
    Twin,
    /// A device behind a pseudo-terminal with no machine declared there.
    Pty,
    /// A port with a machine behind it.
    Bench,
    /// A rehearsal: it has no date, so it has no place in any ladder.
    Rehearsal,
}

impl Class {
    /// Of a kind of run.
    pub fn of(kind: RunKind) -> Class {
        match kind {
            RunKind::Rehearsal => Class::Rehearsal,
            RunKind::Twin => Class::Twin,
            RunKind::Pty => Class::Pty,
            RunKind::Bench => Class::Bench,
        }
    }

    /// Whether a closed rung is refused. The twin's is only told: nothing can be hurt, and suites and builds are tried
    /// out there in any order.
    pub fn enforced(self) -> bool {
        matches!(self, Class::Pty | Class::Bench)
    }
}

/// What a pass holds for.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Standing {
    /// Serial number of the unit.
    pub serial: String,
    /// Number of the state of assembly; `None` if the unit file does not say it.
    pub assembly: Option<u32>,
    /// SHA-256 of the unit file.
    pub unit_sha256: String,
    /// SHA-256 of the rig file.
    pub rig_sha256: String,
    /// Build that the controller said; `None` if it said none.
    pub build: Option<String>,
    /// SHA-256 over the settings read back; `None` if none were.
    pub settings: Option<String>,
}

/// Something that only the controller can say.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Told {
    /// It has not been asked yet.
    NotYet,
    /// What it said, if anything.
    Said(Option<String>),
}

/// One run.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Entry {
    /// Name of the run folder, which is the run's id: it lies beside the index.
    pub folder: String,
    /// UTC at the begin, RFC 3339; the epoch for a rehearsal.
    pub began_utc: String,
    /// Against what it was made.
    pub kind: RunKind,
    /// Name of the suite.
    pub suite: String,
    /// SHA-256 of the suite file.
    pub suite_sha256: String,
    /// Its rung; `None` if the suite does not say.
    pub rung: Option<Rung>,
    /// What it holds for.
    pub standing: Standing,
    /// What ended it, or a failure before that which counts for more; `None` while nobody knows, or if the record is not whole.
    pub outcome: Option<Cause>,
    /// Guards and how each was known.
    pub grades: Vec<(String, Grade)>,
    /// Whether it opens nothing: the ladder was left aside for it, or its suite does not show what its rung asks for.
    pub off_ladder: bool,
    /// What the controller took by itself, at least, from a stop frame that was proved to torque off, in microseconds; the most of
    /// several. `None` if none was proved.
    pub controller_us: Option<i64>,
}

impl Entry {
    /// What it does to the ladder. A run whose end nobody knows closes its rung: it may have ended in the worst way.
    pub fn effect(&self) -> LadderEffect {
        self.outcome.map_or(LadderEffect::Closes, |cause| cause.row().ladder)
    }

    /// Whether both are of one run: its begin and its kind tell. Rehearsals have no date, so all of one name are one.
    pub fn same_run(&self, other: &Entry) -> bool {
        (&self.began_utc, self.kind) == (&other.began_utc, other.kind)
    }

    /// What it was, for a person.
    pub fn words(&self) -> String {
        let rung = self.rung.map_or("no rung", Rung::word);
        let outcome = self.outcome.map_or("not known", |c| c.row().headline);
        let assembly = self.standing.assembly.map_or("?".to_string(), |n| n.to_string());
        let build = self.standing.build.as_deref().unwrap_or("no build told");
        let began = match self.kind {
            RunKind::Rehearsal => String::new(),
            _ => format!(", began at {}", self.began_utc),
        };
        let simulated = if self.kind.simulated() { ", SIMULATED" } else { "" };
        format!(
            "{} ({rung}): {outcome}; {} assembly {assembly}, {build}{began}{simulated}",
            self.suite, self.standing.serial
        )
    }

    /// Its rung; a suite that does not say counts as the highest.
    pub fn counts_as(&self) -> Rung {
        self.rung.unwrap_or(Rung::Full)
    }
}

/// The entry of a run. `outcome` is `None` at its begin. A unit file that the run itself has written back, kept as
/// "unit-after", is the one that the pass holds for.
pub fn entry(folder: &str, plan: &Plan, info: &RunInfo, events: &[Event], outcome: Option<Cause>) -> Entry {
    let sha256 = |role: &str| info.files.iter().find(|f| f.role == role).map(|f| f.sha256.clone());
    let settings = events.iter().rev().find_map(|e| match &e.what {
        What::SettingsHash { sha256 } => Some(sha256.clone()),
        _ => None,
    });
    Entry {
        folder: folder.into(),
        began_utc: info.began_utc.clone(),
        kind: info.kind,
        suite: plan.suite.clone(),
        suite_sha256: sha256("suite").unwrap_or_default(),
        rung: plan.rung,
        standing: Standing {
            serial: plan.serial.clone(),
            assembly: plan.assembly,
            unit_sha256: sha256("unit-after").or_else(|| sha256("unit")).unwrap_or_default(),
            rig_sha256: sha256("rig").unwrap_or_default(),
            build: build_said(events),
            settings,
        },
        outcome,
        grades: graded(events),
        off_ladder: info.before.off_ladder.is_some() || !lacks(plan).is_empty(),
        controller_us: events.iter().filter_map(controller).max(),
    }
}

fn controller(event: &Event) -> Option<i64> {
    if let What::StopFrameProved { controller, .. } = event.what { Some(controller) } else { None }
}

/// The build that the controllers said: of several, all that differ.
pub fn build_said(events: &[Event]) -> Option<String> {
    let mut said: Vec<&str> = Vec::new();
    for event in events {
        let What::Identity { fields, .. } = &event.what else { continue };
        for (name, text) in fields {
            if name == "build" && !said.contains(&text.as_str()) {
                said.push(text);
            }
        }
    }
    (!said.is_empty()).then(|| said.join(" + "))
}
