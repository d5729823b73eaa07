//! How hard it shakes: velocity in a band, from acceleration.

use super::bursts::{Heard, Record, largest};
use super::numeric::{deviation, joined, mean, student};
use super::operand::{Operand, Takes};
use super::spectrum::spectrum;
use super::window::refuse;
use super::{Direction, Entry, Measured, Refusal, Subject, View};
use crate::columns::Burst;
use crate::units::{Dim, Form, Kind};
use std::f64::consts::{PI, TAU};

pub(super) const VELOCITY: Entry = Entry {
    id: "vibration_velocity",
    version: 1,
    about: "root mean square of the velocity in a band (10 Hz to 1 kHz as in ISO 20816, unless `frequencies` says \
            otherwise), from acceleration: power spectrum under Hann's window, corrected for the window's power, \
            over the square of the angular frequency; of several bursts in the span the largest; uncertainty from \
            how pieces of the burst differ (Student), scale, rate and rounding of the converter; refuses channels \
            that are no acceleration, bursts that are clipped, shorter than eight turns of the lowest frequency, or \
            sampled at less than 2.5 times the highest",
    direction: Direction::LowerIsBetter,
    subject: Subject::Burst,
    kind: |of| {
        let mut kind = Kind { form: Form::Rms, ..of.difference() };
        kind.dim.time += 1;
        kind
    },
    needs_band: false,
    operands: &[Operand::optional(
        "frequencies",
        Takes::Quantity,
        "lowest and highest frequency of the band; 10 Hz and 1 kHz if absent",
    )],
    compute: |view| largest(view, |burst| velocity(view, burst)),
};

/// The band of ISO 20816 (formerly 10816) for machines above 600 rpm, Hz.
const BAND: (f64, f64) = (10.0, 1000.0);
/// Fewest turns of the lowest frequency in a burst, and in each piece of it.
const TURNS: f64 = 8.0;
const PIECE_TURNS: f64 = 4.0;
/// Samples a turn of the highest frequency, at least.
const PER_TURN: f64 = 2.5;

/// One window over the whole burst makes less of it than pieces that overlap: its figure scatters more than theirs. What makes
/// 2u hold 95.45 % of white records (1500 simulated: 89.7 % without, 95.5 % with it).
const WHOLE: f64 = 1.28;

fn velocity(view: &View<'_>, burst: &Burst) -> Result<Heard, Refusal> {
    let record = Record::of_burst(burst, view.of)?;
    let acceleration = Dim { length: 1, time: -2, ..Dim::default() };
    if record.unit.kind != (Kind { dim: acceleration, ..Kind::default() }) {
        return refuse(format!("`{}` is a {} and no acceleration", view.of, record.unit.kind.name()));
    }
    let (low, high) = view.range("frequencies").unwrap_or(BAND);
    if low.is_nan() || low <= 0.0 || high <= low {
        return refuse("the band has no width above zero");
    }
    if high * PER_TURN > burst.rate {
        return refuse(format!(
            "`{}` is sampled at {:.0} Hz: a band up to {high:.0} Hz needs {:.0}",
            view.of,
            burst.rate,
            high * PER_TURN
        ));
    }
    if burst.length() * low < TURNS {
        return Ok(Err(format!(
            "a burst is {:.3} s long: {TURNS} turns of {low} Hz take {:.3} s",
            burst.length(),
            TURNS / low
        )));
    }
    let Some(square) = mean_square(&record.v, burst.rate, low, high) else {
        return Ok(Err("no spectrum of the burst".into()));
    };
    let value = square.sqrt();
    let scatter = pieces(&record.v, burst.rate, low, high);
    // Rounding to a count is white, of variance q^2 / 12 over half the rate.
    let step = burst.channel(view.of).map_or(0.0, |c| c.scale);
    let rounding = step * step / 12.0 / (0.5 * burst.rate) * (1.0 / low - 1.0 / high) / (4.0 * PI * PI);
    let raised = 0.5 * rounding / value.max(rounding.sqrt()).max(f64::MIN_POSITIVE);
    let scatter = if value > 0.0 { 0.5 * scatter / value } else { 0.0 };
    let u = joined([scatter, raised, value * record.u_scale, value * record.u_rate]);
    let note =
        (value * value < 4.0 * rounding).then(|| "no larger than the converter's rounding".to_string());
    Ok(Ok(Measured { value, u, n: record.v.len(), note }))
}

/// Mean square of the velocity in the band.
///
/// The window spreads a line over its neighbours by one third of a step squared (second moment of Hann's
/// window); to that order 1/f^2 averaged over them is 1/f^2 (1 + (step/f)^2), which is taken off again.
fn mean_square(values: &[f64], rate: f64, low: f64, high: f64) -> Option<f64> {
    let spectrum = spectrum(values, rate)?;
    let by_line = spectrum.lines(low, high).map(|k| {
        let f = k as f64 * spectrum.step;
        spectrum.power(k) / (TAU * f).powi(2) * (1.0 - (spectrum.step / f).powi(2))
    });
    Some(by_line.sum())
}

/// Standard uncertainty of the mean square, from pieces that overlap by half.
fn pieces(values: &[f64], rate: f64, low: f64, high: f64) -> f64 {
    let length = (PIECE_TURNS / low * rate).ceil() as usize;
    let wanted = (2 * values.len() / length).saturating_sub(1).clamp(1, 16);
    let length = 2 * values.len() / (wanted + 1);
    let squares: Vec<f64> = (0..wanted)
        .filter_map(|i| mean_square(values.get(i * length / 2..i * length / 2 + length)?, rate, low, high))
        .collect();
    if squares.len() < 3 {
        return mean(&squares);
    }
    let n = squares.len() as f64;
    WHOLE * deviation(&squares) / n.sqrt() * student(n - 1.0)
}

#[cfg(test)]
mod tests;
