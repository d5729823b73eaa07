//! Evaluation by sample, and what it remembers.

use super::Operand;
use std::collections::VecDeque;

/// Times are whole microseconds: half of one keeps a sample at the very begin of a window inside it in
/// spite of rounding.
const HALF_A_TICK: f64 = 0.5e-6;

/// A part of a checked expression.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Node {
    /// A number in SI.
    Constant(f64),
    /// The newest value of a channel or a demand.
    Operand(Operand),
    /// A function of one value.
    Of(One, Box<Node>),
    /// A function of two values.
    Both(Two, Box<Node>, Box<Node>),
    /// A function with memory: which, the number of its cell, its time in seconds.
    Past(Past, usize, f64, Box<Node>),
}

/// Functions of one value.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum One {
    Negative,
    Absolute,
    Root,
}

/// Functions of two values.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Two {
    Sum,
    Difference,
    Product,
    Quotient,
    Smaller,
    Larger,
}

/// Functions with memory.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Past {
    Rate,
    Lowpass,
    Mean,
}

/// What an expression remembers between samples (for `rate`, `lowpass`, `mean`).
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Memory {
    cells: Vec<Cell>,
}

/// What one function remembers: samples (time in seconds, value) in ascending order of time. A
/// low-pass keeps its output in place of its input, and only that of two moments.
#[derive(Debug, Clone, PartialEq, Default)]
struct Cell {
    samples: VecDeque<(f64, f64)>,
}

impl Memory {
    pub(super) fn with_cells(cells: usize) -> Memory {
        Memory { cells: vec![Cell::default(); cells] }
    }

    /// How many samples are kept.
    #[cfg(test)]
    pub(super) fn samples(&self) -> usize {
        self.cells.iter().map(|cell| cell.samples.len()).sum()
    }

    /// Makes room for an expression that needs more cells than there are.
    pub(super) fn grow(&mut self, cells: usize) {
        if self.cells.len() < cells {
            self.cells.resize(cells, Cell::default());
        }
    }
}

impl Node {
    /// The value at `t`. Every part is evaluated, also beside a missing one, so that what is remembered
    /// does not depend on other parts.
    pub(super) fn eval(
        &self,
        memory: &mut Memory,
        t: f64,
        get: &dyn Fn(Operand) -> Option<f64>,
    ) -> Option<f64> {
        match self {
            Node::Constant(value) => Some(*value),
            Node::Operand(operand) => get(*operand),
            Node::Of(function, x) => x.eval(memory, t, get).map(|x| function.of(x)),
            Node::Both(function, a, b) => {
                let a = a.eval(memory, t, get);
                let b = b.eval(memory, t, get);
                Some(function.of(a?, b?))
            }
            Node::Past(function, cell, length, x) => {
                let x = x.eval(memory, t, get)?;
                memory.cells[*cell].take(*function, *length, t, x)
            }
        }
    }
}

impl One {
    fn of(self, x: f64) -> f64 {
        match self {
            One::Negative => -x,
            One::Absolute => x.abs(),
            One::Root => x.sqrt(),
        }
    }
}

impl Two {
    fn of(self, a: f64, b: f64) -> f64 {
        match self {
            Two::Sum => a + b,
            Two::Difference => a - b,
            Two::Product => a * b,
            Two::Quotient => a / b,
            // The library's own min and max pass over a NaN, which would hide a lost sensor.
            Two::Smaller | Two::Larger if a.is_nan() || b.is_nan() => f64::NAN,
            Two::Smaller => a.min(b),
            Two::Larger => a.max(b),
        }
    }
}

impl Cell {
    /// Takes in the value `x` at `t` and gives the function's value.
    fn take(&mut self, function: Past, length: f64, t: f64, x: f64) -> Option<f64> {
        let t = self.samples.back().map_or(t, |(newest, _)| t.max(*newest));
        if self.samples.back().is_some_and(|(newest, _)| *newest == t) {
            self.samples.pop_back();
        }
        match function {
            Past::Lowpass => Some(self.smooth(length, t, x)),
            Past::Rate => self.fill(length, t, x).then(|| slope(&self.samples)),
            Past::Mean => self.fill(length, t, x).then(|| mean(&self.samples, t - length)),
        }
    }

    fn smooth(&mut self, tau: f64, t: f64, x: f64) -> f64 {
        let y = match self.samples.back() {
            Some((before, y)) if !y.is_nan() => y + (1.0 - (-(t - before) / tau).exp()) * (x - y),
            _ => x,
        };
        self.samples.push_back((t, y));
        while self.samples.len() > 2 {
            self.samples.pop_front();
        }
        y
    }

    /// Adds a sample, forgets what has left the window, and says whether the window is full: whether a
    /// sample at or before its begin is known.
    fn fill(&mut self, window: f64, t: f64, x: f64) -> bool {
        if self.samples.back().is_some_and(|(before, _)| t - before > 2.0 * window) {
            self.samples.clear();
        }
        self.samples.push_back((t, x));
        let begin = t - window + HALF_A_TICK;
        while self.samples.get(1).is_some_and(|(second, _)| *second <= begin) {
            self.samples.pop_front();
        }
        self.samples.front().is_some_and(|(first, _)| *first <= begin)
    }
}

/// Slope of the least-squares line through the samples, per second; at least two moments.
fn slope(samples: &VecDeque<(f64, f64)>) -> f64 {
    let n = samples.len() as f64;
    // Sums about the first sample: large times and values then cancel nothing.
    let (t0, x0) = samples[0];
    let t_mean = samples.iter().map(|(t, _)| t - t0).sum::<f64>() / n;
    let x_mean = samples.iter().map(|(_, x)| x - x0).sum::<f64>() / n;
    let (mut above, mut below) = (0.0, 0.0);
    for (t, x) in samples {
        let dt = t - t0 - t_mean;
        above += dt * (x - x0 - x_mean);
        below += dt * dt;
    }
    above / below
}

/// Mean over time since `begin` of the straight lines from sample to sample; the first sample is at or
/// before `begin`.
fn mean(samples: &VecDeque<(f64, f64)>, begin: f64) -> f64 {
    let mut area = 0.0;
    let mut length = 0.0;
    for ((t0, x0), (t1, x1)) in samples.iter().zip(samples.iter().skip(1)) {
        let from = t0.max(begin);
        let x_from = if from > *t0 { x0 + (x1 - x0) * (from - t0) / (t1 - t0) } else { *x0 };
        area += 0.5 * (x_from + x1) * (t1 - from);
        length += t1 - from;
    }
    area / length
}
