//! What a metric needs to be told beside the channel that it is of: the registry of keys in a
//! criterion, and the values that a suite gave.

use super::{Refusal, View};
use crate::columns::Span;
use crate::units::Kind;

/// A key of a criterion that a metric takes.
#[derive(Debug, Clone, Copy)]
pub struct Operand {
    /// The key.
    pub key: &'static str,
    /// What stands there.
    pub takes: Takes,
    /// Whether a criterion must give it.
    pub needed: bool,
    /// What it is for, with the value that holds where it is absent.
    pub about: &'static str,
}

/// What stands under a key.
#[derive(Debug, Clone, Copy)]
pub enum Takes {
    /// Name of a channel of the rig; its kind, given that of the channel that the metric is of.
    Channel(fn(Kind) -> Kind),
    /// Name of a channel in the same burst; its kind likewise.
    Waveform(fn(Kind) -> Kind),
    /// Name of another segment of the test.
    Segment,
    /// A quantity, or the two ends between which it is known to lie; the file's table knows its kind.
    Quantity,
    /// "mechanical" or "electrical": what a turn is. Given to the metric as the number of such turns in a
    /// turn of the shaft.
    Turn,
}

impl Operand {
    /// A key that must be given.
    pub(super) const fn needed(key: &'static str, takes: Takes, about: &'static str) -> Operand {
        Operand { key, takes, needed: true, about }
    }

    /// A key that may be given.
    pub(super) const fn optional(key: &'static str, takes: Takes, about: &'static str) -> Operand {
        Operand { key, takes, needed: false, about }
    }
}

/// A value that a criterion gives.
#[derive(Debug, Clone, PartialEq)]
pub enum Value {
    /// Name of a channel.
    Name(String),
    /// Index of a segment.
    Segment(usize),
    /// Two ends of a range in SI; equal where one value was written.
    Range(f64, f64),
}

/// Everything that a criterion gives beside `of`, `over` and `band`.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Given {
    items: Vec<Item>,
}

#[derive(Debug, Clone, PartialEq)]
struct Item {
    key: &'static str,
    value: Value,
    text: String,
}

impl Given {
    /// Adds a value with the text that it was written as.
    pub fn add(&mut self, key: &'static str, value: Value, text: impl Into<String>) {
        self.items.push(Item { key, value, text: text.into() });
    }

    /// Keys and texts in the order in which they were added, for a reader.
    pub fn texts(&self) -> impl Iterator<Item = (&'static str, &str)> {
        self.items.iter().map(|item| (item.key, item.text.as_str()))
    }

    /// The range given under a key, SI; `None` where none is.
    pub fn range(&self, key: &str) -> Option<(f64, f64)> {
        match self.get(key) {
            Some(Value::Range(low, high)) => Some((*low, *high)),
            _ => None,
        }
    }

    fn get(&self, key: &str) -> Option<&Value> {
        self.items.iter().find(|item| item.key == key).map(|item| &item.value)
    }
}

/// A figure that was given, not measured.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Known {
    /// Middle of the range, SI.
    pub value: f64,
    /// Standard uncertainty, SI: the range taken as uniform, half of it over sqrt(3) (GUM 4.3.7).
    pub u: f64,
}

impl<'a> View<'a> {
    /// The name given under a key; refuses where there is none.
    pub(super) fn name(&self, key: &str) -> Result<&'a str, Refusal> {
        match self.given.get(key) {
            Some(Value::Name(name)) => Ok(name),
            _ => Err(Refusal { why: format!("`{key}` is not given") }),
        }
    }

    /// The range given under a key that may be absent.
    pub(super) fn range(&self, key: &str) -> Option<(f64, f64)> {
        self.given.range(key)
    }

    /// The figure given under a key with its uncertainty; refuses where there is none.
    pub(super) fn known(&self, key: &str) -> Result<Known, Refusal> {
        match self.range(key) {
            Some((low, high)) if low.is_finite() && high.is_finite() && low <= high => {
                Ok(Known { value: 0.5 * (low + high), u: 0.5 * (high - low) / 3.0_f64.sqrt() })
            }
            _ => Err(Refusal { why: format!("`{key}` is not given") }),
        }
    }

    /// The other segment given under a key, as it went in this test; refuses where it was not run to its end.
    pub(super) fn segment(&self, key: &str) -> Result<&'a Span, Refusal> {
        let Some(Value::Segment(index)) = self.given.get(key) else {
            return Err(Refusal { why: format!("`{key}` is not given") });
        };
        let mine = |s: &&Span| s.test == self.span.test && s.segment == Some(*index);
        match self.columns.spans.iter().find(mine) {
            Some(span) if span.complete => Ok(span),
            Some(span) => Err(Refusal { why: format!("`{}` did not run to its end", span.name) }),
            None => Err(Refusal { why: format!("the segment under `{key}` was not run") }),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::metrics::catalogue;

    #[test]
    fn a_range_is_taken_as_uniform() {
        let mut bench = crate::metrics::samples::Bench::new("V", 0.0, 0.1, 1.0, |t| t);
        bench.given.add("density", Value::Range(1050.0, 1070.0), "1050 to 1070 kg/m3");
        bench.given.add("with", Value::Name("y".into()), "y");
        let view = bench.view("x");
        let known = view.known("density").expect("a figure");
        assert_eq!((known.value, known.u), (1060.0, 10.0 / 3.0_f64.sqrt()));
        assert_eq!(view.name("with"), Ok("y"));
        assert!(
            view.name("density").is_err() && view.known("with").is_err() && view.segment("with").is_err()
        );
        assert_eq!(bench.given.texts().next(), Some(("density", "1050 to 1070 kg/m3")));
    }

    #[test]
    fn every_metric_says_what_its_keys_are_for_and_none_twice() {
        for metric in catalogue() {
            let operands = metric.operands();
            for (i, operand) in operands.iter().enumerate() {
                assert!(operand.about.len() > 10, "{}: {}", metric.id(), operand.key);
                assert!(
                    operands[..i].iter().all(|o| o.key != operand.key),
                    "{}: {}",
                    metric.id(),
                    operand.key
                );
            }
        }
    }
}
