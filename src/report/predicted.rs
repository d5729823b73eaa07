//! The predicted band behind the lines, and the events of leaving it.

use super::Evidence;
use super::model::{EventLine, Line};
use super::plot::{HEIGHT, Range, WIDTH};
use super::words;
use crate::columns::{Series, Span};
use crate::predicted::{ChannelBand, left};
use crate::units::Unit;
use std::fmt::Write;

/// How far the strokes of a band's hatching are apart, in units of the box. They are upright: however wide or low a chart
/// is drawn, they stay so.
const HATCH: i64 = 12;

/// The pattern of a band: an area, not a line. Its rim and its hatching tell it from the demand where no colour does.
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
        for pair in piece.windows(2) {
            let (from, to) = (pair[0], pair[1]);
            let ((x0, high0), (x1, high1)) = (point(from.0, from.2), point(to.0, to.2));
            let (low0, low1) = (point(from.0, from.1).1, point(to.0, to.1).1);
            // The strokes after this pair's begin up to its end, each where the rim goes straight from one to the other.
            for x in (x0.div_euclid(HATCH) + 1..=x1.div_euclid(HATCH)).map(|k| k * HATCH) {
                let along = |y0: i64, y1: i64| y0 + (y1 - y0) * (x - x0) / (x1 - x0);
                let _ = write!(path, "M{x} {}V{}", along(high0, high1), along(low0, low1));
            }
        }
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

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    /// Cells of 1 s from 0.5 s on: 4 s on 1200 units put their middles at 150, 450, 750 and 1050. The band goes from 2..4 up to
    /// 4..6 on a scale of 0 to 10 over 1000 units, y downwards: rims of 600 and 800 at first, 400 and 600 at last.
    #[test]
    fn a_band_has_a_rim_and_is_hatched_from_rim_to_rim() {
        let some = |v: [f64; 4]| v.map(Some).to_vec();
        let band = ChannelBand {
            name: "speed".into(),
            rise: false,
            step_s: 1.0,
            low: some([2.0, 2.0, 4.0, 4.0]),
            high: some([4.0, 4.0, 6.0, 6.0]),
        };
        let span = Span {
            test: 0,
            segment: None,
            name: "up".into(),
            t0: 0.0,
            t1: 4.0,
            complete: true,
            from: 0.0,
            to: 0.0,
        };
        let (time, range) = (Range::new(0.0, 4.0).unwrap(), Range::new(0.0, 10.0).unwrap());
        let behind = [Behind { band: &band, span: &span, base: 0.0 }];
        let line = area("speed", &behind, time, range, &Unit::one()).unwrap();
        let (rim, hatch) = line.path.split_once('Z').unwrap();
        assert_eq!(rim, "M150 600L450 600L750 400L1050 400L1050 600L750 600L450 800L150 800");
        // 13 x 12 is the first multiple beyond 150, 87 x 12 the last up to 1050.
        let strokes: Vec<&str> = hatch.split('M').skip(1).collect();
        assert_eq!(strokes.len(), 87 - 13 + 1);
        assert_eq!((strokes[0], strokes[74]), ("156 600V800", "1044 400V600"));
        // Half way up, 600 of 450 to 750: half way between the rims.
        assert!(strokes.contains(&"600 500V700"), "{hatch}");
    }
}
