//! How far the bus gives way under load.

use super::numeric::{joined, median, noise};
use super::operand::{Operand, Takes};
use super::window::{Window, difference_text, other, refuse, rounding, samples};
use super::{Direction, Entry, Measured, Refusal, Subject, View};
use crate::units::{Dim, Kind};

pub(super) const SAG: Entry = Entry {
    id: "bus_sag",
    version: 3,
    about: "median of the first 0.2 s of the span (or its first 9 samples, if that is longer), before load, minus the \
            lowest sample; uncertainty from ripple and noise of both and from rounding; the channel's common offset cancels in the \
            difference and is left out, a gain error is not known here; with `current` and `capacitance` what the capacitor may \
            have lost between two samples, I dt / C, is half in the figure and the rest in its uncertainty (uniform), the \
            same of the level; without them a dip between two samples is not seen, and ripple that keeps step with the polls \
            is such a dip; a load that lasts for less than the time between two samples is seen by neither; refuses cut \
            spans, missing samples, and a first window of more than a fifth of the span",
    direction: Direction::LowerIsBetter,
    subject: Subject::Channel,
    kind: Kind::difference,
    needs_band: false,
    operands: &[
        Operand::optional(
            "current",
            Takes::Channel(|_| current()),
            "the bus current, for what is lost between two samples; nothing is added if absent",
        ),
        Operand::optional(
            "capacitance",
            Takes::Quantity,
            "capacitance of the DC link, with `current`; that of the rig if absent",
        ),
    ],
    compute: sag,
};

/// Length of the first window in seconds: whole turns of twice and once the mains frequency, 50 or 60 Hz.
const FIRST_LENGTH: f64 = 0.2;
/// Fewest samples of the first window.
const FIRST_MIN: usize = 9;
/// Largest part of the span that the first window may take.
const FIRST_SHARE_MAX: f64 = 0.2;

/// The kind of the bus current.
const fn current() -> Kind {
    let dim = Dim { current: 1, mass: 0, length: 0, time: 0, temperature: 0, angle: 0 };
    let plain = crate::units::Form::Plain;
    Kind { dim, absolute: false, electrical: false, form: plain, across: crate::units::Across::Plain }
}

/// How much a capacitor may have lost after each sample but the last before the next came, V: whatever the supply does meanwhile, it
/// falls no faster than the load discharges it, I/C (any textbook). The current is the larger of those read at both ends, and
/// twice its uncertainty more.
fn lost_between(view: &View<'_>, bus: &Window<'_>) -> Result<Option<Vec<f64>>, Refusal> {
    let (current, low) = match (view.name("current"), view.range("capacitance")) {
        (Ok(_), Some((low, _))) if low > 0.0 => (other(view, "current", 2 * FIRST_MIN)?, low),
        (Err(_), None) => return Ok(None),
        _ => return refuse("`current` and `capacitance` are given together or not at all"),
    };
    let u = 2.0 * current.series.u;
    let most = |t0: f64, t1: f64| {
        // Those read within, and the nearest on either side: the channels need not come in one reply.
        let start = current.t.partition_point(|t| *t <= t0).saturating_sub(1);
        let end = (current.t.partition_point(|t| *t < t1) + 1).min(current.t.len());
        current.v[start..end.max(start)].iter().fold(0.0, |most: f64, i| most.max(*i + u))
    };
    let lost = bus.t.windows(2).map(|t| most(t[0], t[1]) * (t[1] - t[0]) / low);
    Ok(Some(lost.collect()))
}

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
    let (mut missed, mut u_level) = (0.0, 0.0);
    if let Some(lost) = lost_between(view, &samples)? {
        let fallen = samples.v.iter().zip(&lost).map(|(v, lost)| v - lost).fold(lowest, f64::min);
        missed = 0.5 * (lowest - fallen);
        // Polls that keep step with the ripple meet it at one point all along, at most half of it from its middle.
        u_level = 0.5 * lost.iter().take(first.n()).copied().fold(0.0, f64::max) / 3.0_f64.sqrt();
    }
    let between = missed / 3.0_f64.sqrt();
    let u = joined([u_before, noise(samples.v), rounding(&samples), between, u_level]);
    let note = (lowest >= before).then(|| {
        format!(
            "no sag: the lowest sample is {} above the first level",
            difference_text(&first.series.unit, lowest - before)
        )
    });
    Ok(Measured { value: before - lowest + missed, u, n: samples.n(), note })
}

#[cfg(test)]
mod tests;
