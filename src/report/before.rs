//! What was known before anything was sent: the rung and what opened it, the rehearsal, the predicted band.

use super::Evidence;
use serde::Serialize;

/// Something known before anything was sent.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct BeforeRow {
    /// What: "Rung", "Opened by".
    pub what: String,
    /// In words.
    pub text: String,
}

/// In words; empty for a run that kept none of it.
pub(super) fn rows(evidence: &Evidence<'_>) -> Vec<BeforeRow> {
    let before = &evidence.run.before;
    let mut rows = Vec::new();
    let mut row = |what: &str, text: String| rows.push(BeforeRow { what: what.into(), text });
    if let Some(climb) = &before.climb {
        let said = if climb.said { "" } else { " (the suite does not say, so it counts as the highest)" };
        row("Rung", format!("{}{said}", climb.rung));
        let mut opened: Vec<String> = climb
            .opened_by
            .iter()
            .map(|o| format!("{} passed in {} ({}, {})", o.rung, o.folder, o.suite, o.began_utc))
            .collect();
        if climb.missing.is_empty() && opened.is_empty() {
            opened.push("the lowest rung: nothing has to pass before it".into());
        }
        if !opened.is_empty() {
            row("Opened by", opened.join("; "));
        }
        if !climb.missing.is_empty() {
            let how = if before.off_ladder.is_some() {
                "the ladder was left aside"
            } else if climb.enforced {
                "refused"
            } else {
                "told, not refused: nothing real turned"
            };
            row("Closed", format!("{} ({how})", climb.missing.join("; ")));
        }
    }
    if let Some(reason) = &before.off_ladder {
        row("Ladder left aside", format!("{reason}; this run opens no rung"));
    }
    if let Some(text) = &before.rehearsal {
        row("Rehearsal before", text.clone());
    }
    if let Some(reason) = &before.no_rehearsal {
        row("No rehearsal before", reason.clone());
    }
    if let Some(text) = &before.band {
        row("Predicted band", text.clone());
    }
    rows.extend(super::computer::row(evidence));
    rows
}
