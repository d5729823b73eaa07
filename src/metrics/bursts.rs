//! What every metric of a burst asks first, and how several bursts of a span make one figure.

use super::window::{refuse, rounding, samples, seconds, whole};
use super::{Measured, Refusal, View};
use crate::columns::{Burst, Laid, Waveform};
use crate::units::Unit;
use std::ops::Range;

/// What one burst gives: a figure, or why it is passed over.
pub type Heard = Result<Measured, String>;

/// The bursts of the view's channel within its span: at least one, all sound, none clipped, and none lost, since the one
/// that is missing may have been the worst.
pub fn bursts<'a>(view: &View<'a>) -> Result<Vec<&'a Burst>, Refusal> {
    whole(view.span)?;
    let mut found: Vec<&Burst> = view.columns.bursts_within(view.of, view.span.t0, view.span.t1).collect();
    let mut unknown = view.columns.bursts_of(view.of).filter(|b| b.laid == Laid::Unknown).peekable();
    if let Some(burst) = unknown.peek().filter(|_| view.span.segment.is_some()) {
        return refuse(format!(
            "nobody said when recording `{}` began: what of it lies within `{}` is not known (criteria without `over` are of all of it)",
            burst.name, view.span.name
        ));
    }
    found.extend(unknown);
    if let Some(lost) = view.columns.lost_burst_within(view.of, view.span.t0, view.span.t1) {
        return refuse(format!(
            "burst `{}` at {} within `{}` was lost: {}; what it held is not in the figure",
            lost.name,
            seconds(lost.t),
            view.span.name,
            lost.why
        ));
    }
    if found.is_empty() {
        return refuse(format!("no burst with `{}` lies within `{}`", view.of, view.span.name));
    }
    for burst in &found {
        sound(burst)?;
    }
    Ok(found)
}

/// Refuses a burst that cannot be used.
pub fn sound(burst: &Burst) -> Result<(), Refusal> {
    match burst.flaw() {
        Some(flaw) => refuse(format!("burst `{}` at {} is of no use: {flaw}", burst.name, moment(burst))),
        None => Ok(()),
    }
}

/// When a burst began, as a person reads it.
pub fn moment(burst: &Burst) -> String {
    let began = seconds(burst.ends().0);
    if burst.laid == Laid::Unknown { format!("{began} of its recording") } else { began }
}

/// A channel of a burst; refuses one that is not there, one that touches the ends of its converter, since what
/// was cut off there is lost to every figure, and one that stands still: a sensor at work shows its own noise at least,
/// and one that is dead or torn off would pass every limit that asks for little.
pub fn channel<'a>(burst: &'a Burst, name: &str) -> Result<&'a Waveform, Refusal> {
    let Some(channel) = burst.channel(name) else {
        return refuse(format!("burst `{}` has no channel `{name}`", burst.name));
    };
    let n = channel.raw.len();
    match channel.clipped() {
        0 if n > 1 && channel.stands() => refuse(format!(
            "all {n} samples of `{name}` in the burst at {} are the same: no sensor at work is so still",
            moment(burst)
        )),
        0 => Ok(channel),
        clipped => refuse(format!(
            "{clipped} of {n} samples of `{name}` in the burst at {} stand at an end of the converter's range: it may be clipped",
            moment(burst)
        )),
    }
}

/// The figure of largest magnitude among the bursts of the span: a limit is meant for every moment. Says which
/// burst it is of, and how many were passed over; refuses if all were.
pub fn largest<'a>(
    view: &View<'a>,
    hear: impl Fn(&'a Burst) -> Result<Heard, Refusal>,
) -> Result<Measured, Refusal> {
    let all = bursts(view)?;
    let mut worst: Option<(Measured, &Burst)> = None;
    let mut passed = vec![];
    for burst in &all {
        match hear(burst)? {
            Ok(figure) if worst.as_ref().is_none_or(|(w, _)| figure.value.abs() > w.value.abs()) => {
                worst = Some((figure, burst));
            }
            Ok(_) => {}
            Err(why) => passed.push(why),
        }
    }
    let Some((mut figure, at)) = worst else {
        return refuse(passed.swap_remove(0));
    };
    let mut notes: Vec<String> = figure.note.take().into_iter().collect();
    if all.len() > 1 {
        notes.push(format!("largest of {} bursts, at {}", all.len() - passed.len(), moment(at)));
    }
    if let Some(why) = passed.first() {
        notes.push(format!("{} passed over: {why}", passed.len()));
    }
    figure.note = (!notes.is_empty()).then(|| notes.join("; "));
    Ok(figure)
}

/// A record as the metrics of a waveform see it: moments, values and their doubts.
pub struct Record {
    /// Moments in seconds.
    pub t: Vec<f64>,
    /// Values in SI.
    pub v: Vec<f64>,
    /// Relative standard uncertainty of the scale; zero where a channel does not tell.
    pub u_scale: f64,
    /// Standard uncertainty of one value from rounding, SI.
    pub rounding: f64,
    /// Relative standard uncertainty of the rate.
    pub u_rate: f64,
    /// Unit for messages.
    pub unit: Unit,
}

impl Record {
    /// Samples per second on average.
    pub fn rate(&self) -> f64 {
        let n = self.t.len();
        (n - 1) as f64 / (self.t[n - 1] - self.t[0])
    }

    /// How long it is in seconds, the last sample's own interval included.
    pub fn length(&self) -> f64 {
        self.t.len() as f64 / self.rate()
    }

    /// Some of its samples.
    pub fn part(&self, samples: Range<usize>) -> Record {
        let (t, v) = (self.t[samples.clone()].to_vec(), self.v[samples].to_vec());
        Record { t, v, unit: self.unit.clone(), ..*self }
    }

    /// Of a burst.
    pub fn of_burst(burst: &Burst, name: &str) -> Result<Record, Refusal> {
        let channel = channel(burst, name)?;
        Ok(Record {
            t: (0..burst.len()).map(|i| burst.t(i)).collect(),
            v: channel.values(),
            u_scale: channel.u_scale,
            rounding: channel.rounding(),
            u_rate: burst.u_rate * 1e-6,
            unit: channel.unit.clone(),
        })
    }

    /// Of a polled channel over the span of the view.
    pub fn of_series(view: &View<'_>, least: usize) -> Result<Record, Refusal> {
        let window = samples(view, least)?;
        let unit = &window.series.unit;
        let length = window.t[window.n() - 1] - window.t[0];
        Ok(Record {
            t: window.t.to_vec(),
            v: window.v.to_vec(),
            u_scale: 0.0,
            rounding: rounding(&window),
            u_rate: 2.0_f64.sqrt() * window.u_time() / length,
            unit: unit.clone(),
        })
    }
}

#[cfg(test)]
mod tests;
