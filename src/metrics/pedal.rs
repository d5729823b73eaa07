//! Whether the two tracks of a pedal agree.

use super::numeric::{joined, noise};
use super::operand::{Operand, Takes};
use super::window::{SAMPLES_MIN, Window, other, paired, refuse, samples, seconds};
use super::{Direction, Entry, Measured, Refusal, Subject, View};
use crate::units::Kind;

pub(super) const APART: Entry = Entry {
    id: "pedal_apart",
    version: 1,
    about: "largest difference between the track and the one under `with` that lasted for at least `lasting`, \
            straight between samples; both in shares of the travel; uncertainty from both channels, their noise, and \
            how fast they moved against their moments; refuses cut spans, missing samples, and any two neighbouring \
            samples of a track further apart than half of `lasting`",
    direction: Direction::LowerIsBetter,
    subject: Subject::Channel,
    kind: Kind::difference,
    needs_band: false,
    operands: &[
        Operand::needed("with", Takes::Channel(|of| of), "the channel of the other track"),
        Operand::optional(
            "lasting",
            Takes::Quantity,
            "how long a difference must last to count; 100 ms if absent",
        ),
    ],
    compute: apart,
};

/// How long tracks may differ, seconds: the rule of a student competition.
const LASTING: f64 = 0.1;

fn apart(view: &View<'_>) -> Result<Measured, Refusal> {
    let (first, second) = (samples(view, SAMPLES_MIN)?, other(view, "with", SAMPLES_MIN)?);
    let lasting = view.range("lasting").map_or(LASTING, |(low, _)| low);
    for track in [&first, &second] {
        // The longest step and not the usual one: where replies are lost the tracks may part unseen.
        let moments = [view.span.t0].into_iter().chain(track.t.iter().copied()).chain([view.span.t1]);
        let moments: Vec<f64> = moments.collect();
        let steps = moments.windows(2).map(|w| (w[1] - w[0], w[0]));
        let (longest, at) = steps.max_by(|a, b| a.0.total_cmp(&b.0)).unwrap_or((0.0, 0.0));
        if longest > 0.5 * lasting + 1e-9 {
            return refuse(format!(
                "no sample of `{}` for {} after {}: a difference of {} can only be told from samples twice as close as that",
                track.series.name,
                seconds(longest),
                seconds(at),
                seconds(lasting)
            ));
        }
    }
    let (t, a, b) = paired(&first, &second);
    let differences: Vec<f64> = a.iter().zip(&b).map(|(a, b)| (a - b).abs()).collect();
    if t.len() < 2 || t[t.len() - 1] - t[0] <= lasting {
        return refuse(format!("the two tracks are known together for less than {}", seconds(lasting)));
    }
    let value = lasting_level(&t, &differences, lasting);
    // A shift of the one against the other shows as a difference only while they move.
    let signed: Vec<f64> = a.iter().zip(&b).map(|(a, b)| a - b).collect();
    let moved = shift(&first).max(shift(&second));
    let u = joined([first.series.u, second.series.u, noise(&signed), moved]);
    Ok(Measured { value, u, n: t.len(), note: None })
}

/// Largest level that the polyline through the points stays at or above for at least `lasting`, by halving. The
/// whole of it must be longer than that.
fn lasting_level(t: &[f64], v: &[f64], lasting: f64) -> f64 {
    let (mut low, mut high) = (v.iter().copied().fold(f64::INFINITY, f64::min), 0.0_f64.max(peak(v)));
    if longest(t, v, high) >= lasting {
        return high;
    }
    for _ in 0..100 {
        let middle = 0.5 * (low + high);
        if longest(t, v, middle) >= lasting { low = middle } else { high = middle }
    }
    low
}

fn peak(v: &[f64]) -> f64 {
    v.iter().copied().fold(f64::NEG_INFINITY, f64::max)
}

/// Longest stretch over which the polyline stays at or above `level`.
fn longest(t: &[f64], v: &[f64], level: f64) -> f64 {
    let mut best: f64 = 0.0;
    let mut since = (v[0] >= level).then_some(t[0]);
    for i in 1..t.len() {
        let crossing = || t[i - 1] + (t[i] - t[i - 1]) * (level - v[i - 1]) / (v[i] - v[i - 1]);
        match (since, v[i] >= level) {
            (None, true) => since = Some(crossing()),
            (Some(begin), false) => {
                best = best.max(crossing() - begin);
                since = None;
            }
            _ => {}
        }
    }
    since.map_or(best, |begin| best.max(t[t.len() - 1] - begin))
}

/// Standard deviation of the value from the uncertainty of the moments, at the mean slope of the track.
fn shift(track: &Window<'_>) -> f64 {
    let n = track.n();
    let squares: f64 = (1..n)
        .map(|i| ((track.v[i] - track.v[i - 1]) / (track.t[i] - track.t[i - 1]).max(1e-9)).powi(2))
        .sum();
    (squares / (n - 1) as f64).sqrt() * track.u_time()
}

#[cfg(test)]
mod tests;
