//! What is left when nothing is asked to move.

use super::numeric::{joined, line, noise};
use super::window::{SAMPLES_MIN, refuse, rounding, seconds, whole, window};
use super::{Direction, Entry, Measured, Refusal, Subject, View};
use crate::metrics::window::channel;
use crate::units::Kind;

pub(super) const RIPPLE: Entry = Entry {
    id: "steady_ripple",
    version: 1,
    about: "largest deviation of a sample from a straight line through the span, so that slow drift does not count; \
            the largest and not a mean one, since a limit is meant for every moment; uncertainty from noise, line and \
            resolution (an offset cancels); refuses spans with a changing demand, cut spans, missing samples",
    direction: Direction::LowerIsBetter,
    subject: Subject::Channel,
    kind: Kind::difference,
    needs_band: false,
    operands: &[],
    compute: ripple,
};

/// Part of the span in which the last frame of the ramp before may still come.
const LATE_FRAME: f64 = 0.1;

fn ripple(view: &View<'_>) -> Result<Measured, Refusal> {
    whole(view.span)?;
    let begin = steady_since(view)?;
    let samples = window(channel(view)?, view.span, begin, SAMPLES_MIN)?;
    let Some(fit) = line(samples.t, samples.v) else {
        return refuse(format!("no line fits the samples of `{}`: their moments are all the same", view.of));
    };
    let (at, value) = samples
        .t
        .iter()
        .zip(samples.v)
        .map(|(t, v)| (*t, (v - fit.at(*t)).abs()))
        .max_by(|a, b| a.1.total_cmp(&b.1))
        .expect("window() gives at least SAMPLES_MIN samples");
    // Rounding is in the noise already unless the reading stands still.
    let u = joined([noise(samples.v), fit.u_at(at), rounding(&samples)]);
    Ok(Measured { value, u, n: samples.n(), note: None })
}

/// Since when no demand of the rig has changed; refuses a change later than the first tenth of the span.
fn steady_since(view: &View<'_>) -> Result<f64, Refusal> {
    let span = view.span;
    if span.from != span.to {
        return refuse(format!("the demand changes in `{}`: ripple is of a steady demand", span.name));
    }
    let mut since = span.t0;
    for demand in &view.columns.demands {
        let mut changes =
            (1..demand.t.len()).filter(|i| demand.v[*i] != demand.v[i - 1]).map(|i| demand.t[i]);
        let Some(last) = changes.rfind(|t| *t > span.t0 && *t <= span.t1) else { continue };
        if last > span.t0 + LATE_FRAME * (span.t1 - span.t0) {
            return refuse(format!(
                "demand `{}` changed as late as {} into `{}`: ripple is of a steady demand",
                demand.name,
                seconds(last - span.t0),
                span.name
            ));
        }
        since = since.max(last);
    }
    Ok(since)
}

#[cfg(test)]
mod tests;
