//! A criterion held against a figure with its uncertainty, under a named decision rule.

use crate::files::suite::Rule;
use crate::metrics::{Measured, Refusal};

/// How a figure stands to its limit (after ILAC-G8, guard band w = U = 2u).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Standing {
    /// Inside the limit by more than U.
    Pass,
    /// Inside the limit by less than U.
    ConditionalPass,
    /// Outside the limit by less than U.
    ConditionalFail,
    /// Outside the limit by more than U.
    Fail,
    /// There is no figure.
    NotMeasured,
}

/// The answer.
#[derive(Debug, Clone, PartialEq)]
pub struct Verdict {
    /// The figure, or why there is none.
    pub measured: Result<Measured, Refusal>,
    /// How it stands to the limit.
    pub standing: Standing,
    /// Whether the criterion counts as met under the rule.
    pub met: bool,
    /// Distance to the nearest limit, SI; positive inside.
    pub margin: Option<f64>,
}

/// Judges a figure against `low..=high` (SI, at least one given).
pub fn judge(rule: Rule, low: Option<f64>, high: Option<f64>, measured: Result<Measured, Refusal>) -> Verdict {
    let _ = (rule, low, high, measured);
    todo!()
}
