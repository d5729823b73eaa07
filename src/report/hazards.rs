//! The hazards of the plan, as they were judged from the files before anything was sent.

use super::Evidence;
use crate::hazards::percent;
use serde::Serialize;

/// One hazard, judged.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct HazardRow {
    /// Which.
    pub hazard: String,
    /// Fits, refused, not judged: as printed.
    pub answer: String,
    /// What was found and what it is held against.
    pub told: String,
    /// How much of the limit is left, as a share of it; absent without figures.
    pub margin: Option<f64>,
    /// The same as printed; may be empty.
    pub margin_text: String,
}

pub(super) fn rows(evidence: &Evidence<'_>) -> Vec<HazardRow> {
    let row = |f: &crate::hazards::Finding| HazardRow {
        hazard: f.hazard.into(),
        answer: f.answer.word().into(),
        told: f.told.clone(),
        margin: f.margin,
        margin_text: percent(f),
    };
    evidence.hazards.iter().map(row).collect()
}
