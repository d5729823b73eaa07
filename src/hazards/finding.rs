//! What is found about one hazard.

use crate::diag::Diag;

/// Whether a hazard forbids the plan.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Answer {
    /// The worst end of everything stays within its limit.
    Fits,
    /// It does not.
    Refused,
    /// Something that it takes is not declared.
    NotJudged,
}

impl Answer {
    /// In words.
    pub fn word(self) -> &'static str {
        match self {
            Answer::Fits => "fits",
            Answer::Refused => "REFUSED",
            Answer::NotJudged => "NOT JUDGED",
        }
    }
}

/// One hazard, judged.
#[derive(Debug, Clone, PartialEq)]
pub struct Finding {
    /// Which hazard.
    pub hazard: &'static str,
    /// Whether it forbids the plan.
    pub answer: Answer,
    /// What was found and what it is held against, with numbers and places; what is missing, if not judged.
    pub told: String,
    /// How much of the limit is left, as a share of it; negative if refused, absent without figures.
    pub margin: Option<f64>,
    /// The message for a person: both places, and what would fit. Absent if it fits.
    pub diag: Option<Diag>,
}

impl Finding {
    /// A figure within its limit or above it; `mend` tells what would fit.
    pub(super) fn held(
        hazard: &'static str,
        value: f64,
        limit: f64,
        told: String,
        diag: impl FnOnce(String) -> Diag,
    ) -> Finding {
        let margin = Some((limit - value) / limit).filter(|m| m.is_finite());
        // A figure that is no number fits nothing.
        if value <= limit {
            return Finding { hazard, answer: Answer::Fits, told, margin, diag: None };
        }
        let diag = diag(format!("{hazard}: {told}"));
        Finding { hazard, answer: Answer::Refused, told, margin, diag: Some(diag) }
    }

    /// A hazard that this plan has not, and why.
    pub(super) fn none(hazard: &'static str, why: impl Into<String>) -> Finding {
        Finding { hazard, answer: Answer::Fits, told: why.into(), margin: None, diag: None }
    }

    /// A hazard that something forbids outright.
    pub(super) fn forbidden(hazard: &'static str, diag: Diag) -> Finding {
        let told = diag.message.clone();
        let diag = Diag { message: format!("{hazard}: {told}"), ..diag };
        Finding { hazard, answer: Answer::Refused, told, margin: None, diag: Some(diag) }
    }
}
