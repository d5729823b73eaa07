//! Where a run left the band.

use super::cells::{base, profile};
use super::{ChannelBand, Predicted};
use crate::columns::{Columns, Series, Span};

/// A channel that left its band during a test.
#[derive(Debug, Clone, PartialEq)]
pub struct Left {
    /// Index of the test.
    pub test: usize,
    /// Name of the channel.
    pub channel: String,
    /// When first, in s since the run began.
    pub at: f64,
    /// By how much it was outside at its furthest, SI: positive above the band, negative below it.
    pub by: f64,
    /// When that was, in s since the run began.
    pub furthest_at: f64,
    /// Number of samples outside.
    pub samples: usize,
    /// Number of samples held against the band.
    pub of: usize,
}

/// Every channel that left its band, by test, as far as the tests ran. `k`: how many standard uncertainties of the channel
/// are let pass beyond the band: 2 for a real sensor, whose own error no rehearsal knows, 0 for a simulated one.
pub fn left(predicted: &Predicted, columns: &Columns, k: f64) -> Vec<Left> {
    let mut all = Vec::new();
    for (test, bands) in predicted.tests.iter().enumerate() {
        let Some(span) = profile(columns, test) else { continue };
        for band in &bands.channels {
            if let Some(series) = columns.series(&band.name) {
                all.extend(of_channel(test, band, series, span, k));
            }
        }
    }
    all
}

fn of_channel(test: usize, band: &ChannelBand, series: &Series, span: &Span, k: f64) -> Option<Left> {
    let base = base(series, span, band.rise);
    let mut left: Option<Left> = None;
    let mut of = 0;
    for i in series.within(span.t0, span.t1) {
        let index = ((series.t[i] - span.t0) / band.step_s) as usize;
        let Some(Some(low)) = band.low.get(index) else { continue };
        let Some(Some(high)) = band.high.get(index) else { continue };
        let v = series.v[i] - base;
        of += 1;
        let room = k * series.u;
        let by = if v > high + room {
            v - high
        } else if v < low - room {
            v - low
        } else {
            continue;
        };
        let t = series.t[i];
        let channel = || series.name.clone();
        let left = left.get_or_insert_with(|| Left {
            test,
            channel: channel(),
            at: t,
            by,
            furthest_at: t,
            samples: 0,
            of: 0,
        });
        left.samples += 1;
        if by.abs() > left.by.abs() {
            (left.by, left.furthest_at) = (by, t);
        }
    }
    left.map(|left| Left { of, ..left })
}
