//! How far the bus gives way under load.

use super::numeric::{joined, median, noise};
use super::window::{difference_text, refuse, rounding, samples};
use super::{Direction, Entry, Measured, Refusal, Subject, View};
use crate::units::Kind;

pub(super) const SAG: Entry = Entry {
    id: "bus_sag",
    version: 2,
    about: "median of the first 0.2 s of the span (or its first 9 samples, if that is longer), before load, minus the \
            lowest sample; uncertainty from ripple and noise of both and from rounding; the channel's common offset cancels in the \
            difference and is left out, a gain error is not known here; a dip between two samples is not seen; \
            refuses cut spans, missing samples, and a first window of more than a fifth of the span",
    direction: Direction::LowerIsBetter,
    subject: Subject::Channel,
    kind: Kind::difference,
    needs_band: false,
    operands: &[],
    compute: sag,
};

/// Length of the first window in seconds: whole turns of twice and once the mains frequency, 50 or 60 Hz.
const FIRST_LENGTH: f64 = 0.2;
/// Fewest samples of the first window.
const FIRST_MIN: usize = 9;
/// Largest part of the span that the first window may take.
const FIRST_SHARE_MAX: f64 = 0.2;

fn sag(view: &View<'_>) -> Result<Measured, Refusal> {
    let samples = samples(view, 2 * FIRST_MIN)?;
    let span = view.span;
    let end = (span.t0 + FIRST_LENGTH).max(samples.t[FIRST_MIN - 1]);
    let share = (end - span.t0) / (span.t1 - span.t0);
    if share > FIRST_SHARE_MAX {
        return refuse(format!(
            "the level before load takes the first {FIRST_MIN} samples or {FIRST_LENGTH} s, {:.0} % of `{}`: at most {:.0} % may be",
            100.0 * share,
            span.name,
            100.0 * FIRST_SHARE_MAX
        ));
    }
    let first = samples.part(span.t0, end);
    let before = median(first.v);
    let lowest = samples.v.iter().copied().fold(f64::INFINITY, f64::min);
    // The figure is of the bus as it was in that window: its own movement there is part of it and no
    // doubt about it, so only the noise from sample to sample counts. The median of normal values is
    // sqrt(pi/2) times as uncertain as their mean; the lowest sample has the noise of one.
    let u_before = (0.5 * std::f64::consts::PI / first.v.len() as f64).sqrt() * noise(first.v);
    // The noise of a reading that stands still is zero; its rounding is not.
    let u = joined([u_before, noise(samples.v), rounding(&samples)]);
    let note = (lowest >= before).then(|| {
        format!(
            "no sag: the lowest sample is {} above the first level",
            difference_text(&first.series.unit, lowest - before)
        )
    });
    Ok(Measured { value: before - lowest, u, n: samples.n(), note })
}

#[cfg(test)]
mod tests;
