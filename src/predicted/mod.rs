//! The predicted band: where the polled channels should run, from rehearsals with drawn parameters, and where a run
//! left it.
//!
//! How wide it is: the first [`SHAPE`] rehearsals give an envelope, time cell by time cell. Each of the next
//! [`CALIBRATION`] then says how much wider, in units of the envelope's own mean half-width, it would have had to be to
//! hold the whole of that run. The band is the envelope widened by the largest of these. A further unit drawn in the same
//! way is as likely as each of the others to need the most, so it stays inside from begin to end, in every channel at
//! once, in at least 19 of 20 runs (exchangeability; known as split conformal prediction, from memory). Nothing is
//! assumed of how anything is distributed.
//!
//! Temperatures are held against their value at the begin of the test's profile: a bench is never as warm as planned.

mod cells;
mod left;
#[cfg(test)]
mod tests;

pub use cells::{Cells, Curves, Grid, GridChannel, curves};
pub use left::{Left, left};

use serde::{Deserialize, Serialize};

/// Rehearsals that give the envelope.
pub const SHAPE: usize = 20;
/// Rehearsals that say how much wider it must be.
pub const CALIBRATION: usize = 19;

/// The band of every test.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Predicted {
    /// Version of the form; 1.
    pub schema: u32,
    /// Rehearsals that gave the envelope.
    pub shape: usize,
    /// Rehearsals that gave its width.
    pub calibration: usize,
    /// How much the envelope was widened, in its mean half-widths.
    pub widened: f64,
    /// The tests, in the order of the plan.
    pub tests: Vec<TestBand>,
}

/// The band of one test.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TestBand {
    /// Its channels.
    pub channels: Vec<ChannelBand>,
}

/// The band of one channel over the profile of a test.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ChannelBand {
    /// Name.
    pub name: String,
    /// Whether it is of the rise since the profile began.
    pub rise: bool,
    /// Length of a cell in s.
    pub step_s: f64,
    /// Lowest value of each cell from the profile's begin, SI; nothing where nothing was sampled.
    pub low: Vec<Option<f64>>,
    /// Highest value of each cell, SI.
    pub high: Vec<Option<f64>>,
}

impl Predicted {
    /// The share of sound units that stay inside throughout, at least.
    pub fn share(&self) -> f64 {
        self.calibration as f64 / (self.calibration as f64 + 1.0)
    }

    /// The band of a channel in a test.
    pub fn channel(&self, test: usize, name: &str) -> Option<&ChannelBand> {
        self.tests.get(test)?.channels.iter().find(|c| c.name == name)
    }
}

/// The band from the curves of rehearsals with drawn parameters; `None` if there are fewer than both numbers together.
pub fn predict(grid: &Grid, runs: &[Curves]) -> Option<Predicted> {
    if runs.len() < SHAPE + CALIBRATION {
        return None;
    }
    let (shape, rest) = runs.split_at(SHAPE);
    let mut tests = Vec::new();
    let mut widened: f64 = 0.0;
    let mut scales = Vec::new();
    for test in 0..grid.lengths.len() {
        let mut channels = Vec::new();
        for (c, channel) in grid.channels.iter().enumerate() {
            let (low, high) = envelope(shape, test, c);
            let scale = mean_half_width(&low, &high) + channel.u.max(f64::MIN_POSITIVE);
            for run in &rest[..CALIBRATION] {
                widened = widened.max(beyond(&run.cells[test][c], &low, &high) / scale);
            }
            scales.push(scale);
            let (rise, step_s) = (channel.rise, grid.step(test, channel));
            channels.push(ChannelBand { name: channel.name.clone(), rise, step_s, low, high });
        }
        tests.push(TestBand { channels });
    }
    let mut scale = scales.into_iter();
    for band in tests.iter_mut().flat_map(|t| &mut t.channels) {
        let by = widened * scale.next().unwrap_or(0.0);
        band.low.iter_mut().flatten().for_each(|v| *v = outward(*v - by, false));
        band.high.iter_mut().flatten().for_each(|v| *v = outward(*v + by, true));
    }
    Some(Predicted { schema: 1, shape: SHAPE, calibration: CALIBRATION, widened, tests })
}

/// Lowest and highest value of each cell over the runs, and of its neighbours: a sample near the edge of a cell may fall
/// on either side of it.
fn envelope(runs: &[Curves], test: usize, channel: usize) -> (Vec<Option<f64>>, Vec<Option<f64>>) {
    let n = runs.iter().map(|r| r.cells[test][channel].len()).max().unwrap_or(0);
    let around = |i: usize| i.saturating_sub(1)..=(i + 1).min(n.saturating_sub(1));
    let at = |i: usize| runs.iter().filter_map(move |r| *r.cells[test][channel].get(i)?);
    let low = |i| around(i).flat_map(at).map(|(low, _)| low).reduce(f64::min);
    let high = |i| around(i).flat_map(at).map(|(_, high)| high).reduce(f64::max);
    ((0..n).map(low).collect(), (0..n).map(high).collect())
}

fn mean_half_width(low: &[Option<f64>], high: &[Option<f64>]) -> f64 {
    let widths: Vec<f64> = low.iter().zip(high).filter_map(|(l, h)| Some(0.5 * ((*h)? - (*l)?))).collect();
    widths.iter().sum::<f64>() / widths.len().max(1) as f64
}

/// How far a run lies outside of the envelope at most.
fn beyond(cells: &[Option<(f64, f64)>], low: &[Option<f64>], high: &[Option<f64>]) -> f64 {
    let mut most: f64 = 0.0;
    for (cell, (low, high)) in cells.iter().zip(low.iter().zip(high)) {
        if let (Some((least, greatest)), Some(low), Some(high)) = (cell, low, high) {
            most = most.max(low - least).max(greatest - high);
        }
    }
    most
}

/// With six digits, rounded away from the middle of the band: the file stays small.
fn outward(v: f64, up: bool) -> f64 {
    if v == 0.0 || !v.is_finite() {
        return v;
    }
    let unit = 10f64.powi(v.abs().log10().floor() as i32 - 5);
    let rounded = if up { (v / unit).ceil() * unit } else { (v / unit).floor() * unit };
    // Digits alone: what multiplication leaves in the last places is dropped when it is written and read again.
    format!("{rounded:.5e}").parse().unwrap_or(v)
}
