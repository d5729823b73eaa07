//! A run in cells of time, counted from the begin of each profile.

use crate::columns::{Columns, Series, Span};

/// Most cells of one channel in one test: about as many as a chart can show.
const CELLS_MAX: f64 = 400.0;

/// Shortest cell in s.
const STEP_MIN: f64 = 0.02;

/// What is held against each other, and how finely.
#[derive(Debug, Clone, PartialEq)]
pub struct Grid {
    /// Longest length of the profile of each test, in s.
    pub lengths: Vec<f64>,
    /// The channels.
    pub channels: Vec<GridChannel>,
}

/// One channel.
#[derive(Debug, Clone, PartialEq)]
pub struct GridChannel {
    /// Name.
    pub name: String,
    /// How often it is polled, in s.
    pub period: f64,
    /// Its standard uncertainty, SI.
    pub u: f64,
    /// Whether its rise since the profile began is meant.
    pub rise: bool,
}

/// The cells of one channel in one test: lowest and highest value, if anything was sampled in it.
pub type Cells = Vec<Option<(f64, f64)>>;

/// A run in cells.
#[derive(Debug, Clone, PartialEq)]
pub struct Curves {
    /// By test and channel of the grid.
    pub cells: Vec<Vec<Cells>>,
}

impl Grid {
    /// Length of a cell of that channel in that test, in s. A cell holds two samples at least.
    pub fn step(&self, test: usize, channel: &GridChannel) -> f64 {
        (self.lengths[test] / CELLS_MAX).max(2.5 * channel.period).max(STEP_MIN)
    }
}

/// The profile of a test, if it ran.
pub(super) fn profile(columns: &Columns, test: usize) -> Option<&Span> {
    columns.spans.iter().find(|s| s.test == test && s.segment.is_none())
}

/// What is taken off the values of a channel: its first value in the profile, if the rise is meant.
pub(super) fn base(series: &Series, span: &Span, rise: bool) -> f64 {
    let first = || series.within(span.t0, span.t1).map(|i| series.v[i]).find(|v| v.is_finite());
    if rise { first().unwrap_or(0.0) } else { 0.0 }
}

/// A run in cells; an error names the test that did not run to its end.
pub fn curves(grid: &Grid, columns: &Columns) -> Result<Curves, usize> {
    let mut cells = Vec::new();
    for (test, length) in grid.lengths.iter().enumerate() {
        let span = profile(columns, test).filter(|s| s.complete).ok_or(test)?;
        let of = |channel: &GridChannel| {
            let step = grid.step(test, channel);
            let mut cells = vec![None; (length / step).ceil().max(1.0) as usize];
            if let Some(series) = columns.series(&channel.name) {
                fill(&mut cells, series, span, step, base(series, span, channel.rise));
            }
            cells
        };
        cells.push(grid.channels.iter().map(of).collect());
    }
    Ok(Curves { cells })
}

fn fill(cells: &mut [Option<(f64, f64)>], series: &Series, span: &Span, step: f64, base: f64) {
    for i in series.within(span.t0, span.t1) {
        let v = series.v[i] - base;
        let index = (((series.t[i] - span.t0) / step) as usize).min(cells.len() - 1);
        if v.is_finite() {
            let (low, high) = cells[index].unwrap_or((v, v));
            cells[index] = Some((low.min(v), high.max(v)));
        }
    }
}
