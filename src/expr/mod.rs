//! Expressions for derived channels: syntax tree, unit check, causal evaluation by sample.

use crate::units::Kind;
use std::ops::Range;

/// What a name in an expression stands for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Operand {
    /// A channel, by its index in the plan.
    Channel(usize),
    /// A demand, by its index in the plan; written `demand.NAME`.
    Demand(usize),
}

/// Why a text is not an expression.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{message}")]
pub struct ExprError {
    /// What was found, what was expected.
    pub message: String,
    /// Bytes of the text that it is about.
    pub span: Range<usize>,
    /// How to mend it.
    pub help: Option<String>,
}

/// A checked expression.
#[derive(Debug, Clone, PartialEq)]
pub struct Expr {}

/// What an expression remembers between samples (for `rate`, `lowpass`, `mean`).
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Memory {}

impl Expr {
    /// Reads and checks an expression. `resolve` says what a name stands for and its kind.
    ///
    /// Errors on syntax, unknown names, and units that do not go together.
    pub fn parse(
        text: &str,
        resolve: &dyn Fn(&str) -> Option<(Operand, Kind)>,
    ) -> Result<Expr, ExprError> {
        let _ = (text, resolve);
        todo!()
    }

    /// Kind of the result.
    pub fn kind(&self) -> Kind {
        todo!()
    }

    /// The operands it uses, each once.
    pub fn operands(&self) -> Vec<Operand> {
        todo!()
    }

    /// Fresh memory for evaluation by sample.
    pub fn memory(&self) -> Memory {
        Memory::default()
    }

    /// The value at `t` seconds from the newest values of its operands (SI), using only the past.
    /// `None` as long as an operand is missing or a filter has not enough past.
    pub fn eval(&self, memory: &mut Memory, t: f64, get: &dyn Fn(Operand) -> Option<f64>) -> Option<f64> {
        let _ = (memory, t, get);
        todo!()
    }
}
