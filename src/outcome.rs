//! One table: what ended a run, who is to blame, which exit code and JUnit kind it gets, and what
//! it does to the ladder. Exit codes, reports and documentation all come from here.

use serde::{Deserialize, Serialize};

/// What ended a run.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Cause {
    /// Every test ran and every criterion was met.
    Passed,
    /// A criterion was not met, or what it asks for was not measured.
    CriterionFailed,
    /// A file could not be read, or the files do not fit each other.
    FilesInvalid,
    /// The run could not be made: no port, no controller, lost link, recorder failed.
    NotMade,
    /// Hazards, the ladder or a pre-check refused; tests before it may have been driven.
    Refused,
    /// A trip started the safe state.
    Tripped,
    /// The operator stopped it.
    Stopped,
    /// The safe state was demanded and could not be confirmed.
    NotConfirmed,
}

/// Where to look first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Blame {
    /// Nobody.
    Nobody,
    /// The unit under test or its firmware build.
    Unit,
    /// The rig, its wiring, its links.
    Rig,
    /// The files.
    Files,
    /// The person at the bench.
    Operator,
    /// The computer that the run is made on: it stood still.
    Computer,
}

/// How JUnit readers count it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum JunitKind {
    /// A test case without a child element.
    Pass,
    /// A criterion was not met.
    Failure,
    /// The run could not be made or did not end as planned.
    Error,
    /// It was not attempted.
    Skipped,
}

/// What it does to the ladder of this unit, build and state of assembly.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum LadderEffect {
    /// The rung above may open.
    Opens,
    /// The ladder stays as it was.
    Keeps,
    /// The rung is closed until it has passed again.
    Closes,
}

/// One row of the table.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Row {
    /// The key.
    pub cause: Cause,
    /// Where to look first.
    pub blame: Blame,
    /// The exit code of the process.
    pub exit_code: u8,
    /// How it is counted in JUnit XML.
    pub junit: JunitKind,
    /// What it does to the ladder.
    pub ladder: LadderEffect,
    /// A word or two for a headline.
    pub headline: &'static str,
    /// A sentence for documentation.
    pub means: &'static str,
}

/// The table, in the order of exit codes.
pub const TABLE: [Row; 8] = [
    row(
        Cause::Passed,
        Blame::Nobody,
        0,
        JunitKind::Pass,
        LadderEffect::Opens,
        "passed",
        "every test ran and every criterion was met",
    ),
    row(
        Cause::CriterionFailed,
        Blame::Unit,
        1,
        JunitKind::Failure,
        LadderEffect::Closes,
        "failed",
        "a criterion was not met, or what it needs was not measured",
    ),
    row(
        Cause::FilesInvalid,
        Blame::Files,
        2,
        JunitKind::Error,
        LadderEffect::Keeps,
        "files invalid",
        "a file or the command line is wrong; nothing was sent",
    ),
    row(
        Cause::NotMade,
        Blame::Rig,
        3,
        JunitKind::Error,
        LadderEffect::Keeps,
        "could not be made",
        "no port, no controller, a lost link, a recorder that failed, or a computer that stood still",
    ),
    row(
        Cause::Refused,
        Blame::Rig,
        4,
        JunitKind::Error,
        LadderEffect::Keeps,
        "refused",
        "hazards, the ladder or a pre-check refused, or what had to be shown was not; no profile was driven after that",
    ),
    row(
        Cause::Tripped,
        Blame::Unit,
        5,
        JunitKind::Error,
        LadderEffect::Closes,
        "tripped",
        "a limit was crossed and the safe state was started",
    ),
    row(
        Cause::Stopped,
        Blame::Operator,
        6,
        JunitKind::Error,
        LadderEffect::Keeps,
        "stopped",
        "the operator stopped the run",
    ),
    row(
        Cause::NotConfirmed,
        Blame::Rig,
        7,
        JunitKind::Error,
        LadderEffect::Closes,
        "SAFE STATE NOT CONFIRMED",
        "torque off was demanded and samples did not confirm it: treat the machine as driven",
    ),
];

const fn row(
    cause: Cause,
    blame: Blame,
    exit_code: u8,
    junit: JunitKind,
    ladder: LadderEffect,
    headline: &'static str,
    means: &'static str,
) -> Row {
    Row { cause, blame, exit_code, junit, ladder, headline, means }
}

impl Cause {
    /// The row of the table that belongs to this cause.
    pub fn row(self) -> &'static Row {
        let index = match self {
            Cause::Passed => 0,
            Cause::CriterionFailed => 1,
            Cause::FilesInvalid => 2,
            Cause::NotMade => 3,
            Cause::Refused => 4,
            Cause::Tripped => 5,
            Cause::Stopped => 6,
            Cause::NotConfirmed => 7,
        };
        &TABLE[index]
    }

    /// The exit code of the process.
    pub fn exit_code(self) -> u8 {
        self.row().exit_code
    }
}

/// What the trip that ended a run had watched: where to look first depends on it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Watched {
    /// The hard-wired emergency stop: somebody opened it, or a wire of it.
    StopLoop,
    /// A bus that was too low, or that was read as nothing sensible.
    Supply,
    /// A bus that was too high: the supply, or braking into it.
    PumpedBus,
    /// Whether anything came and was answered in time.
    Link,
    /// What the stop frame does by itself.
    StopFrame,
    /// Anything else: what the unit and its build make of it.
    Unit,
}

/// Where to look first after a trip: what it watched, whom that points at, and the same as advice. Exit code, JUnit kind and
/// ladder are those of [`Cause::Tripped`] whatever it watched.
pub const AFTER_A_TRIP: [(Watched, Blame, &str); 6] = [
    (
        Watched::StopLoop,
        Blame::Operator,
        "ask whoever is at the bench: the emergency-stop loop was open, by hand or by a broken wire",
    ),
    (Watched::Supply, Blame::Rig, "look first at the rig and its supply"),
    (
        Watched::PumpedBus,
        Blame::Rig,
        "look first at the rig and its supply, then at whether the unit or its build braked",
    ),
    (Watched::Link, Blame::Rig, "look first at the rig, its wiring, its links and the board's supply"),
    (
        Watched::StopFrame,
        Blame::Rig,
        "look first at the stop frame in the rig file, `send` under [safe_state], then at the firmware build",
    ),
    (Watched::Unit, Blame::Unit, "look first at the unit or its firmware build"),
];

impl Watched {
    /// Whom a trip that watched this points at, and that as advice.
    pub fn look(self) -> (Blame, &'static str) {
        let (_, blame, advice) = AFTER_A_TRIP[self as usize];
        (blame, advice)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_cause_finds_its_own_row_and_codes_are_unique() {
        for (index, row) in TABLE.iter().enumerate() {
            assert_eq!(row.cause.row().cause, row.cause);
            assert_eq!(usize::from(row.exit_code), index);
        }
    }

    #[test]
    fn everything_a_trip_watches_finds_its_own_advice() {
        for (watched, blame, advice) in AFTER_A_TRIP {
            assert_eq!(watched.look(), (blame, advice));
        }
        // Where nothing else is known it is what the table of causes says.
        assert_eq!(Watched::Unit.look().0, Cause::Tripped.row().blame);
    }
}
