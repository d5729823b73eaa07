//! A small writer of SVG paths: decimation, gaps, ticks. Whatever goes in, only finite whole numbers
//! come out, and the length of a path is bounded by its columns.

use super::model::Tick;
use std::fmt::Write;

/// Width of the box that paths are drawn in.
pub(super) const WIDTH: f64 = 1200.0;
/// Height of the box that paths are drawn in; y points down.
pub(super) const HEIGHT: f64 = 1000.0;

/// A stretch of an axis: finite, and of a finite length above zero.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Range {
    /// Lower end.
    pub low: f64,
    /// Upper end.
    pub high: f64,
}

impl Range {
    /// The range, if it can be drawn.
    pub(super) fn new(low: f64, high: f64) -> Option<Range> {
        let length = high - low;
        // Below this share of its own size a range is rounding dust, and ticks would fall together.
        let dust = low.abs().max(high.abs()) * 1e-9;
        (length.is_finite() && length > dust && length > f64::MIN_POSITIVE).then_some(Range { low, high })
    }

    /// Around all finite values, with a little air; a constant gets room on both sides.
    pub(super) fn around(values: impl Iterator<Item = f64>) -> Option<Range> {
        let finite = values.filter(|v| v.is_finite() && v.abs() < 1e300);
        let (low, high) = finite.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(v), h.max(v)));
        if low > high {
            return None;
        }
        match Range::new(low, high) {
            Some(range) => range.widened(0.06),
            None => {
                let room = (low.abs() * 0.05).max(1e-3);
                Range::new(low - room, high + room)
            }
        }
    }

    /// With `share` of its length more on both sides.
    fn widened(self, share: f64) -> Option<Range> {
        let room = self.length() * share;
        Range::new(self.low - room, self.high + room)
    }

    /// Not shorter than `length`, about the same middle.
    pub(super) fn at_least(self, length: f64) -> Range {
        let more = 0.5 * (length - self.length());
        if more > 0.0 { Range::new(self.low - more, self.high + more).unwrap_or(self) } else { self }
    }

    /// Upper less lower end.
    pub(super) fn length(self) -> f64 {
        self.high - self.low
    }

    /// Where `v` lies: 0 at the lower end, 1 at the upper. Outside it is cut to the ends.
    pub(super) fn share(self, v: f64) -> f64 {
        ((v - self.low) / self.length()).clamp(0.0, 1.0)
    }

    /// About `about` ticks at 1, 2 or 5 times a power of ten, with their values.
    pub(super) fn ticks(self, about: usize) -> Vec<(f64, String)> {
        let raw = self.length() / about.max(1) as f64;
        let decade = 10f64.powf(raw.log10().floor());
        let step = [1.0, 2.0, 5.0, 10.0].map(|s| s * decade).into_iter().find(|s| *s >= raw * 0.999_999);
        let Some(step) = step.filter(|s| s.is_finite() && *s > 0.0) else { return Vec::new() };
        let decimals = (-(step * 1.000_001).log10().floor()).clamp(0.0, 12.0) as usize;
        let (first, last) = ((self.low / step).ceil(), (self.high / step).floor());
        if !(first.is_finite() && last.is_finite() && last - first <= 4.0 * about.max(1) as f64) {
            return Vec::new();
        }
        (0..=(last - first).max(0.0) as usize)
            .map(|i| (first + i as f64) * step)
            .filter(|v| *v >= self.low && *v <= self.high)
            .map(|v| (v, tick_text(v, decimals)))
            .collect()
    }
}

/// A value with about three digits of what the range tells apart.
pub(super) fn short(v: f64, range: Range) -> String {
    let decimals = (2.0 - range.length().log10().floor()).clamp(0.0, 6.0) as usize;
    tick_text(v, decimals)
}

fn tick_text(v: f64, decimals: usize) -> String {
    let text = format!("{v:.decimals$}");
    let zero = text.bytes().all(|b| matches!(b, b'-' | b'0' | b'.'));
    if zero { text.trim_start_matches('-').into() } else { text.replace('-', "−") }
}

/// Ticks of a horizontal axis, in per cent from the left.
pub(super) fn across(range: Range, about: usize) -> Vec<Tick> {
    range.ticks(about).into_iter().map(|(v, text)| Tick { at: range.share(v) * 100.0, text }).collect()
}

/// Ticks of a vertical axis, in per cent from the top.
pub(super) fn upright(range: Range, about: usize) -> Vec<Tick> {
    range
        .ticks(about)
        .into_iter()
        .map(|(v, text)| Tick { at: (1.0 - range.share(v)) * 100.0, text })
        .collect()
}

/// What is to be drawn: moments ascending, values; NaN and infinite ones are left out.
#[derive(Debug, Clone, Copy)]
pub(super) struct Points<'a> {
    /// Moments in seconds.
    pub t: &'a [f64],
    /// Values.
    pub v: &'a [f64],
    /// Moments at which a value is missing: the line breaks there.
    pub lost: &'a [f64],
    /// Whether a value stands until the next one (a demand), or the line goes straight to it.
    pub stands: bool,
}

/// A line as an SVG path: the lowest and the highest value of each of `columns` columns, in their
/// order of time. The line breaks at lost values, at values that are no numbers, and at pauses.
pub(super) fn line(points: Points<'_>, x: Range, y: Range, columns: usize) -> String {
    let columns = columns.max(1);
    let pause = pause_of(points.t);
    let mut pen = Pen::default();
    let mut column = Column::default();
    let mut before: Option<(f64, f64)> = None;
    let mut lost = points.lost.iter().copied().peekable();
    for (t, v) in points.t.iter().copied().zip(points.v.iter().copied()) {
        let mut broken = false;
        while lost.next_if(|l| *l <= t).is_some() {
            broken = true;
        }
        if !(t.is_finite() && t >= x.low && t <= x.high) {
            continue;
        }
        if !v.is_finite() {
            column.break_next = true;
            before = None;
            continue;
        }
        broken |= before.is_none_or(|(t0, _)| t - t0 > pause);
        column.break_next |= broken;
        let at = |t: f64, v: f64| (x.share(t), (1.0 - y.share(v)) * HEIGHT);
        if let (true, false, Some((_, stood))) = (points.stands, broken, before) {
            column.add(&mut pen, at(t, stood), columns);
        }
        column.add(&mut pen, at(t, v), columns);
        before = Some((t, v));
    }
    column.flush(&mut pen);
    pen.finish()
}

/// Longest step between two values that still counts as one line.
fn pause_of(t: &[f64]) -> f64 {
    let mut steps: Vec<f64> = t.windows(2).map(|pair| pair[1] - pair[0]).filter(|d| d.is_finite()).collect();
    if steps.is_empty() {
        return f64::INFINITY;
    }
    let middle = steps.len() / 2;
    let (_, median, _) = steps.select_nth_unstable_by(middle, f64::total_cmp);
    (5.0 * *median).max(0.05)
}

/// Short strokes at the bottom where values were asked for and not got, at most one a column.
pub(super) fn strokes(lost: &[f64], x: Range, columns: usize) -> String {
    let mut path = String::new();
    let mut last = None;
    for t in lost.iter().filter(|t| t.is_finite() && **t >= x.low && **t <= x.high) {
        let column = (x.share(*t) * columns.max(1) as f64).floor() as i64;
        if last != Some(column) {
            last = Some(column);
            let x = (x.share(*t) * WIDTH).round() as i64;
            path += &format!("M{x} {HEIGHT}v-60");
        }
    }
    path
}

/// Values that fall into one column of the picture.
#[derive(Debug, Default)]
struct Column {
    index: Option<usize>,
    low: (f64, f64),
    high: (f64, f64),
    /// Whether the highest value came after the lowest. Their moments do not tell: at a jump of
    /// a demand both have the same.
    high_last: bool,
    /// Whether the line breaks before the first value of this column.
    break_before: bool,
    /// Whether it breaks before the next value; within a column nobody could see that.
    break_next: bool,
}

impl Column {
    fn add(&mut self, pen: &mut Pen, (share, y): (f64, f64), columns: usize) {
        let index = ((share * columns as f64) as usize).min(columns - 1);
        let at = (share * WIDTH, y);
        if self.index != Some(index) {
            self.flush(pen);
            self.index = Some(index);
            (self.low, self.high) = (at, at);
            self.break_before = std::mem::take(&mut self.break_next);
            return;
        }
        self.break_next = false;
        if y < self.low.1 {
            (self.low, self.high_last) = (at, false);
        }
        if y > self.high.1 {
            (self.high, self.high_last) = (at, true);
        }
    }

    fn flush(&mut self, pen: &mut Pen) {
        if self.index.take().is_none() {
            return;
        }
        let (first, second) = if self.high_last { (self.low, self.high) } else { (self.high, self.low) };
        pen.to(first, self.break_before);
        if first != second {
            pen.to(second, false);
        }
    }
}

/// Writes relative commands in whole numbers; level stretches are put together.
#[derive(Debug, Default)]
struct Pen {
    path: String,
    at: Option<(i64, i64)>,
    level: i64,
}

impl Pen {
    fn to(&mut self, (x, y): (f64, f64), breaks: bool) {
        let (x, y) = (x.round() as i64, y.round() as i64);
        match self.at {
            Some((x0, y0)) if !breaks => {
                let (dx, dy) = (x - x0, y - y0);
                if dy == 0 {
                    self.level += dx;
                } else {
                    self.end_level();
                    // A minus sign parts two numbers as well as a space does.
                    let gap = if dy < 0 { "" } else { " " };
                    self.write(format_args!("l{dx}{gap}{dy}"));
                }
            }
            _ => {
                self.end_level();
                // The stroke of no length makes a single value a dot.
                self.write(format_args!("M{x} {y}h0"));
            }
        }
        self.at = Some((x, y));
    }

    fn end_level(&mut self) {
        let level = std::mem::take(&mut self.level);
        if level != 0 {
            self.write(format_args!("h{level}"));
        }
    }

    fn write(&mut self, text: std::fmt::Arguments<'_>) {
        self.path.write_fmt(text).expect("writing to a String does not fail");
    }

    fn finish(mut self) -> String {
        self.end_level();
        self.path
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use proptest::prelude::*;

    fn plain<'a>(t: &'a [f64], v: &'a [f64], lost: &'a [f64]) -> Points<'a> {
        Points { t, v, lost, stands: false }
    }

    #[test]
    fn a_straight_line_goes_from_corner_to_corner() {
        let x = Range::new(0.0, 1.0).unwrap();
        let y = Range::new(0.0, 2.0).unwrap();
        assert_eq!(line(plain(&[0.0, 1.0], &[0.0, 2.0], &[]), x, y, 600), "M0 1000h0l1200-1000");
    }

    #[test]
    fn a_demand_stands_until_the_next() {
        let x = Range::new(0.0, 2.0).unwrap();
        let y = Range::new(0.0, 1.0).unwrap();
        let points = Points { t: &[0.0, 1.0, 2.0], v: &[0.0, 1.0, 1.0], lost: &[], stands: true };
        assert_eq!(line(points, x, y, 1200), "M0 1000h0h600l0-1000h600");
    }

    #[test]
    fn the_line_breaks_where_a_value_was_lost_or_is_no_number() {
        let x = Range::new(0.0, 4.0).unwrap();
        let y = Range::new(0.0, 1.0).unwrap();
        let t = [0.0, 1.0, 2.0, 3.0, 4.0];
        let whole = line(plain(&t, &[0.5; 5], &[]), x, y, 600);
        let lost = line(plain(&t, &[0.5; 5], &[1.5]), x, y, 600);
        let nan = line(plain(&t, &[0.5, 0.5, f64::NAN, 0.5, 0.5], &[]), x, y, 600);
        assert_eq!(whole.matches('M').count(), 1);
        assert_eq!(lost.matches('M').count(), 2);
        assert_eq!(nan.matches('M').count(), 2);
    }

    #[test]
    fn a_peak_of_one_sample_survives_decimation() {
        let t: Vec<f64> = (0..60_000).map(|i| f64::from(i) * 1e-3).collect();
        let mut v = vec![0.0; t.len()];
        v[31_234] = 1.0;
        let path =
            line(plain(&t, &v, &[]), Range::new(0.0, 60.0).unwrap(), Range::new(0.0, 1.0).unwrap(), 600);
        assert!(path.contains("-1000"), "{path}");
    }

    #[test]
    fn ticks_are_one_two_five() {
        let rows: [(f64, f64, &[&str]); 4] = [
            (0.0, 60.0, &["0", "10", "20", "30", "40", "50", "60"]),
            (-12.0, 13.0, &["−10", "−5", "0", "5", "10"]),
            (0.0, 0.9, &["0.0", "0.2", "0.4", "0.6", "0.8"]),
            (148.3, 156.9, &["150", "152", "154", "156"]),
        ];
        for (low, high, expected) in rows {
            let ticks = Range::new(low, high).unwrap().ticks(6);
            let texts: Vec<&str> = ticks.iter().map(|(_, text)| text.as_str()).collect();
            assert_eq!(texts, expected, "{low} to {high}");
        }
    }

    #[test]
    fn a_range_that_cannot_be_drawn_is_refused() {
        for (low, high) in [
            (0.0, 0.0),
            (1.0, 0.0),
            (0.0, f64::INFINITY),
            (f64::NAN, 1.0),
            (-f64::MAX, f64::MAX),
            (1.0, 1.0 + 1e-15),
        ] {
            assert_eq!(Range::new(low, high), None, "{low} to {high}");
        }
        assert_eq!(Range::around([f64::NAN, f64::INFINITY].into_iter()), None);
        assert!(Range::around([5.0, 5.0].into_iter()).is_some());
    }

    fn any_value() -> impl Strategy<Value = f64> {
        prop_oneof![4 => -1e4..1e4, 1 => any::<f64>(), 1 => Just(f64::NAN), 1 => Just(f64::INFINITY)]
    }

    proptest! {
        #[test]
        fn a_path_holds_only_finite_numbers_and_is_bounded(
            mut t in proptest::collection::vec(any_value(), 0..500),
            v in proptest::collection::vec(any_value(), 0..500),
            lost in proptest::collection::vec(any_value(), 0..50),
            columns in 1usize..200,
            stands in any::<bool>(),
        ) {
            t.sort_by(f64::total_cmp);
            let x = Range::around(t.iter().copied());
            let y = Range::around(v.iter().copied());
            if let (Some(x), Some(y)) = (x, y) {
                let path = line(Points { t: &t, v: &v, lost: &lost, stands }, x, y, columns);
                prop_assert!(path.bytes().all(|b| b.is_ascii_digit() || b"Mlh -".contains(&b)), "{path}");
                prop_assert!(path.len() <= columns * 40, "{} bytes in {columns} columns", path.len());
                let strokes = strokes(&lost, x, columns);
                prop_assert!(strokes.bytes().all(|b| b.is_ascii_digit() || b"Mv -".contains(&b)), "{strokes}");
                for tick in across(x, 8).into_iter().chain(upright(y, 4)) {
                    prop_assert!((0.0..=100.0).contains(&tick.at));
                }
                prop_assert!(across(x, 8).len() <= 33);
            }
        }
    }
}
