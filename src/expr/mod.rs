//! Expressions for derived channels: syntax, unit check, causal evaluation by sample.
//!
//! An expression is written in the rig file, such as `speed - demand.speed` or
//! `lowpass(torque * speed, "20 ms")`:
//!
//! - **Names** are channels, or demands as `demand.NAME`.
//! - **Quantities** stand in single or double quotes: `'155 V'`, `"20 ms"`. A bare number has no unit.
//! - **Operators** `+ - * /`, the sign `-`, and parentheses. There is no power and no comparison:
//!   powers invite the -2^2 trap, and comparing is what trips and criteria do.
//! - **Functions of values**: `abs(x)`, `sqrt(x)`, `min(x, y, ...)`, `max(x, y, ...)`.
//! - **Functions with memory**, which look at the past only: `rate(x, "100 ms")`, `mean(x, "1 s")`,
//!   `lowpass(x, "20 ms")`.
//!
//! # Units
//!
//! Every expression has a [`Kind`], found while it is read:
//!
//! - `+`, `-`, `min` and `max` need the same dimension and the same marks: electrical or mechanical,
//!   peak or rms, line or phase. A temperature on a scale less another is a difference; a temperature
//!   plus or less a difference is a temperature; two temperatures cannot be added.
//! - `*` and `/` join dimensions. A temperature on a scale cannot be multiplied: take a difference first.
//!   A mark of one factor stays; a mark of both stays in a product (so that `sqrt(id * id + iq * iq)` is a
//!   peak again) and goes in a quotient; peak with rms and line with phase are refused, but for the ratio
//!   of two values of one dimension, such as a crest factor. Power and energy keep no mark but peak.
//! - The radian is kept apart so that a speed is not a frequency, but the published equations of machines
//!   drop it. So do we, exactly where they do: where a mechanical angle is left in
//!   what would otherwise be a power or an energy (torque x speed, inertia x speed x speed), and where an
//!   electrical angle is left in a voltage, a flux linkage, an impedance or an inductance (speed x flux linkage). Torque x
//!   *electrical* speed stays what it is, and is no power. `x * '4 electrical'` and `x / '4 electrical'`
//!   turn a mechanical speed into an electrical one and back, for 4 pole pairs.
//! - `sqrt` halves exponents, which must be even.
//!
//! # Values
//!
//! All values are SI; a temperature is in kelvin. A missing operand gives `None`, and never another
//! value in its place. NaN in gives NaN out, also through `min` and `max`. Dividing by zero and
//! the root of a negative number follow IEEE 754 (an infinity, NaN).
//!
//! # Memory
//!
//! [`Expr::eval`] is called in the order of time; the same calls give the same values, bit for bit.
//! A second call for the same moment replaces the first, so that operands which arrive together
//! count once; a moment before the newest is taken as the newest. With `dt` the time since the
//! sample before:
//!
//! - `lowpass(x, tau)` is first order, `y += (1 - exp(-dt/tau)) (x - y)`: exact for any spacing of
//!   the samples if each value has held since the one before. It starts at the first value.
//! - `rate(x, window)` is the slope, per second, of the straight line that fits the samples of the
//!   window best (least squares).
//! - `mean(x, window)` is the mean over time of straight lines from sample to sample.
//!
//! A window reaches from `t - window` to `t`. It is measured with the samples in it and the newest one
//! at or before its begin, and is empty until there is such a one, so that a half-filled window never
//! passes for a full one. After a gap longer than two windows it fills anew. A NaN stays in a window
//! until it has left it; `lowpass` starts again at the next number.

mod eval;
mod kinds;
mod lex;
mod parse;

pub use eval::Memory;

use crate::units::Kind;
use eval::Node;
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
    /// Bytes of the text that it is about; always on character boundaries inside it.
    pub span: Range<usize>,
    /// How to mend it.
    pub help: Option<String>,
}

/// A checked expression.
#[derive(Debug, Clone, PartialEq)]
pub struct Expr {
    root: Node,
    kind: Kind,
    operands: Vec<Operand>,
    cells: usize,
}

impl Expr {
    /// Reads and checks an expression. `resolve` says what a name stands for and its kind.
    ///
    /// Errors on syntax, unknown names, and units that do not go together: the first mistake from the
    /// left, with the bytes it is about.
    pub fn parse(text: &str, resolve: &dyn Fn(&str) -> Option<(Operand, Kind)>) -> Result<Expr, ExprError> {
        parse::parse(text, resolve)
    }

    /// Kind of the result.
    pub fn kind(&self) -> Kind {
        self.kind
    }

    /// The operands it uses, each once, in the order in which they are first named.
    pub fn operands(&self) -> Vec<Operand> {
        self.operands.clone()
    }

    /// Fresh memory for evaluation by sample.
    pub fn memory(&self) -> Memory {
        Memory::with_cells(self.cells)
    }

    /// The value at `t` seconds from the newest values of its operands (SI), using only the past.
    /// `None` as long as an operand is missing or a filter has not enough past, or if `t` is not finite.
    pub fn eval(&self, memory: &mut Memory, t: f64, get: &dyn Fn(Operand) -> Option<f64>) -> Option<f64> {
        memory.grow(self.cells);
        if !t.is_finite() {
            return None;
        }
        self.root.eval(memory, t, get)
    }
}

#[cfg(test)]
mod tests;
