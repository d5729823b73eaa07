//! Metrics: pure functions over columns that give a value, its uncertainty and the number of
//! samples, or refuse and say why. Registered by id and version.

mod numeric;

use crate::columns::{Columns, Span};
use crate::units::Kind;
use std::fmt;

/// Which way is better.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Direction {
    /// Less is better.
    LowerIsBetter,
    /// More is better.
    HigherIsBetter,
    /// Neither.
    Neither,
}

/// What a metric is of.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Subject {
    /// A channel.
    Channel,
    /// A channel held against the demand of the test.
    Tracked,
    /// A link.
    Link,
}

/// What a metric gets to see.
#[derive(Debug, Clone, Copy)]
pub struct View<'a> {
    /// Everything recorded.
    pub columns: &'a Columns,
    /// Name of the channel or link it is of.
    pub of: &'a str,
    /// Name of the demand, for tracked channels.
    pub against: &'a str,
    /// Over which stretch of time.
    pub span: &'a Span,
    /// Half-width of the band, for metrics that settle into one; SI.
    pub band: Option<f64>,
}

/// A figure with its uncertainty.
#[derive(Debug, Clone, PartialEq)]
pub struct Measured {
    /// The value, SI.
    pub value: f64,
    /// Its standard uncertainty (k = 1), SI.
    pub u: f64,
    /// Number of samples that it rests on.
    pub n: usize,
    /// A remark for the reader.
    pub note: Option<String>,
}

/// Why there is no figure. Not measured is never passed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Refusal {
    /// In words with numbers.
    pub why: String,
}

/// A metric.
pub trait Metric: fmt::Debug + Sync {
    /// Its id in suites.
    fn id(&self) -> &'static str;
    /// Counts up when the same columns could give another figure.
    fn version(&self) -> u32;
    /// One sentence: what it is, how it is made, how its uncertainty is made, what it refuses.
    fn about(&self) -> &'static str;
    /// Which way is better.
    fn direction(&self) -> Direction;
    /// What it is of.
    fn subject(&self) -> Subject;
    /// Kind of the figure, given the kind of the channel (for links the plain number).
    fn kind(&self, of: Kind) -> Kind;
    /// Whether a criterion must give a `band`.
    fn needs_band(&self) -> bool {
        false
    }
    /// The figure.
    fn compute(&self, view: &View<'_>) -> Result<Measured, Refusal>;
}

/// Every metric, by id.
pub fn catalogue() -> &'static [&'static dyn Metric] {
    &[]
}

/// The metric of that id.
pub fn find(id: &str) -> Option<&'static dyn Metric> {
    catalogue().iter().copied().find(|m| m.id() == id)
}
