//! The rows of `table.toml`.

use serde::Deserialize;

/// Where a run is when the fault comes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Phase {
    /// The fault is there before the program is.
    Start,
    /// The program waits for an answer; the controller has said who it is.
    Questions,
    PreChecks,
    Ramp,
    Hold,
    WindingDown,
    /// The trace is closed and documents are written.
    Reporting,
}

#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Row {
    pub fault: String,
    pub phases: Vec<Phase>,
    /// Exit codes allowed; 100 and above: killed by the signal of that number less 100.
    pub exit: Vec<i32>,
    /// What may take the gates off if they are on when the fault comes: "stop frame" or "command timeout".
    #[serde(default)]
    pub gates_off_by: Vec<String>,
    /// How soon after the fault, ms. Absent: whenever the profile ends.
    pub within_ms: Option<i64>,
    /// Whether the run goes on, so that gates may be switched on after the fault.
    #[serde(default)]
    pub goes_on: bool,
    /// Exit codes of `report` on the folder afterwards.
    pub report: Vec<i32>,
    /// Why this is what is required.
    pub why: String,
}

#[derive(Debug, Clone)]
pub struct Cell {
    pub row: Row,
    pub phase: Phase,
}

impl Cell {
    pub fn name(&self) -> String {
        format!("{} / {:?}", self.row.fault, self.phase)
    }
}

/// Every cell of the table.
pub fn cells() -> Vec<Cell> {
    #[derive(Deserialize)]
    struct Table {
        row: Vec<Row>,
    }
    let table: Table = toml::from_str(include_str!("table.toml")).expect("a good table");
    table
        .row
        .iter()
        .flat_map(|row| row.phases.iter().map(|phase| Cell { row: row.clone(), phase: *phase }))
        .collect()
}
