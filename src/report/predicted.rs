//! The predicted band behind the lines, and the events of leaving it.

use super::Evidence;
use super::model::{EventLine, Line};
use super::plot::{HEIGHT, Range, WIDTH};
use super::words;
use crate::columns::{Series, Span};
use crate::predicted::{ChannelBand, left};
use crate::units::Unit;
use std::fmt::Write;

/// The pattern of a band: an area, not a line.
pub(super) const AREA: u8 = 8;

/// A band with the moments at which it holds.
pub(super) struct Behind<'a> {
    band: &'a ChannelBand,
    span: &'a Span,
    /// What the band is counted from, SI.
    base: f64,
}

/// The bands of a channel in every test that ran.
pub(super) fn behind<'a>(evidence: &Evidence<'a>, series: &Series) -> Vec<Behind<'a>> {
    let Some(predicted) = evidence.predicted else { return Vec::new() };
    let profiles = evidence.columns.spans.iter().filter(|s| s.segment.is_none());
    profiles
        .filter_map(|span| {
            let band = predicted.channel(span.test, &series.name)?;
            let first = || series.within(span.t0, span.t1).map(|i| series.v[i]).find(|v| v.is_finite());
            let base = if band.rise { first()? } else { 0.0 };
            Some(Behind { band, span, base })
        })
        .collect()
}

impl Behind<'_> {
    /// Moment, lowest and highest value of each cell within `time`, in runs without a gap.
    fn pieces(&self, time: Range, unit: &Unit) -> Vec<Vec<(f64, f64, f64)>> {
        let mut pieces = vec![Vec::new()];
        for (i, (low, high)) in self.band.low.iter().zip(&self.band.high).enumerate() {
            let t = self.span.t0 + (i as f64 + 0.5) * self.band.step_s;
            match (low, high) {
                (Some(low), Some(high)) if t >= time.low && t <= time.high.min(self.span.t1) => {
                    let at = |v: f64| unit.from_si(v + self.base);
                    if let Some(piece) = pieces.last_mut() {
                        piece.push((t, at(*low), at(*high)));
                    }
                }
                _ => pieces.push(Vec::new()),
            }
        }
        pieces.retain(|p| p.len() > 1);
        pieces
    }
}

/// All values of the bands, for the range of a panel.
pub(super) fn values(bands: &[Behind<'_>], time: Range, unit: &Unit) -> Vec<f64> {
    bands.iter().flat_map(|b| b.pieces(time, unit)).flatten().flat_map(|(_, low, high)| [low, high]).collect()
}

/// The bands of one channel as an area; `None` if there is nothing to draw.
pub(super) fn area(name: &str, bands: &[Behind<'_>], time: Range, range: Range, unit: &Unit) -> Option<Line> {
    let mut path = String::new();
    for piece in bands.iter().flat_map(|b| b.pieces(time, unit)) {
        let point = |t: f64, v: f64| {
            ((time.share(t) * WIDTH).round() as i64, ((1.0 - range.share(v)) * HEIGHT).round() as i64)
        };
        let there = piece.iter().map(|(t, _, high)| point(*t, *high));
        let back = piece.iter().rev().map(|(t, low, _)| point(*t, *low));
        for (i, (x, y)) in there.chain(back).enumerate() {
            // Writing to a String cannot fail.
            let _ = write!(path, "{}{x} {y}", if i == 0 { 'M' } else { 'L' });
        }
        path.push('Z');
    }
    let name = format!("{name} predicted");
    (!path.is_empty()).then(|| Line { name, unit: words::unit_text(unit), pattern: AREA, path })
}

/// A line for each channel that left its band in a test.
pub(super) fn events(evidence: &Evidence<'_>) -> Vec<EventLine> {
    let Some(predicted) = evidence.predicted else { return Vec::new() };
    let simulated = evidence.run.kind.is_twin();
    let line = |l: crate::predicted::Left| {
        let test = evidence.plan.tests.get(l.test).map_or("?", |t| t.name.as_str());
        let unit = evidence.columns.series(&l.channel).map(|s| &s.unit);
        let by = unit.map_or_else(String::new, |unit| {
            let number = unit.difference_from_si(l.by.abs());
            let digits = (1.0 - number.abs().max(1e-9).log10().floor()).clamp(0.0, 6.0) as usize;
            words::with_unit(&format!("{number:.digits$}"), &words::difference_unit_text(unit))
        });
        let side = if l.by > 0.0 { "above" } else { "below" };
        let text = format!(
            "{} left the predicted band in {test}: {by} {side} it at {}, the furthest; {} of {} samples outside",
            l.channel,
            words::seconds(l.furthest_at),
            l.samples,
            l.of
        );
        EventLine { at_s: l.at, sort: "left band".into(), text, grave: true }
    };
    left(predicted, evidence.columns, if simulated { 0.0 } else { 2.0 }).into_iter().map(line).collect()
}
