//! The judge: the twin's truth log, the exit code, and what `report` makes of the folder afterwards.

use crate::table::Cell;
use std::path::Path;

/// A row of a truth log: CLOCK_MONOTONIC in microseconds, what happened, whether the gates switch.
pub struct Truth {
    pub at: i64,
    pub event: String,
    pub gates: bool,
}

pub fn truth(log: &Path) -> Vec<Truth> {
    let row = |line: &str| {
        let fields: Vec<&str> = line.split(',').collect();
        let gates = match *fields.get(4)? {
            "1" => true,
            "0" => false,
            _ => return None,
        };
        Some(Truth { at: fields[0].parse().ok()?, event: fields[2].to_string(), gates })
    };
    std::fs::read_to_string(log).unwrap_or_default().lines().skip(1).filter_map(row).collect()
}

/// What is wrong with the gates of a run that ended by itself, if anything: they must be off, and off by a stop frame or the
/// command timeout each time that they were on.
pub fn left_off(truth: &[Truth]) -> Result<(), String> {
    for pair in truth.windows(2).filter(|pair| pair[0].gates && !pair[1].gates) {
        if !matches!(pair[1].event.as_str(), "gates off: control word 0" | "gates off: command timeout") {
            return Err(format!("the gates went off by `{}`", pair[1].event));
        }
    }
    match truth.last() {
        Some(last) if last.gates => Err("the gates are on at the end of the truth log".into()),
        Some(_) => Ok(()),
        None => Err("the truth log is empty".into()),
    }
}

/// Holds what really happened to the gates against the row; what is wrong, if anything. With it how long the gates
/// stayed on after the fault, microseconds, where they were on.
pub fn gates(cell: &Cell, fault_at: i64, truth: &[Truth]) -> Result<Option<i64>, String> {
    let last = truth.last().ok_or("the truth log is empty")?;
    if last.gates {
        return Err("the gates are on at the end of the truth log".into());
    }
    let before = truth.iter().rfind(|t| t.at <= fault_at).is_some_and(|t| t.gates);
    let after: Vec<&Truth> = truth.iter().filter(|t| t.at > fault_at).collect();
    let mut stayed = None;
    let mut rest = after.as_slice();
    if before {
        let off = after.iter().position(|t| !t.gates).ok_or("the gates never went off")?;
        let row = after[off];
        stayed = Some(row.at - fault_at);
        let by = match row.event.strip_prefix("gates off: ") {
            Some("control word 0") => "stop frame",
            Some(words) => words,
            None => "nothing that the log tells",
        };
        if !cell.row.gates_off_by.iter().any(|allowed| allowed == by) {
            let after = (row.at - fault_at) / 1000;
            return Err(format!(
                "the gates went off by {by} after {after} ms, allowed: {:?}",
                cell.row.gates_off_by
            ));
        }
        if let Some(within) = cell.row.within_ms
            && row.at - fault_at > within * 1000
        {
            return Err(format!(
                "the gates went off after {} ms, {within} ms allowed",
                (row.at - fault_at) / 1000
            ));
        }
        rest = &after[off..];
    }
    if let (false, Some(on)) = (cell.row.goes_on && !before, rest.iter().find(|t| t.gates)) {
        return Err(format!("the gates were on again {} ms after the fault", (on.at - fault_at) / 1000));
    }
    Ok(stayed)
}
