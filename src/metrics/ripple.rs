//! What alternates on a bus that should be direct: how much, and how often.

use super::bursts::{Heard, Record, largest};
use super::numeric::{deviation, joined, line, median};
use super::spectrum::spectrum;
use super::window::{difference_text, refuse, seconds};
use super::{Direction, Entry, Measured, Refusal, Subject, View};
use crate::units::{Dim, Kind};
use std::f64::consts::TAU;

pub(super) const PEAK_TO_PEAK: Entry = Entry {
    id: "bus_ripple",
    version: 2,
    about: "ripple from peak to peak, beside a straight drift: the record is cut into pieces of 0.4 s, and each gives the \
            median of largest minus smallest sample over stretches of two periods of its slowest frequency that has a \
            tenth of the strongest, 40 ms at least where the record allows; the largest of all pieces and bursts in \
            the span; noise lifts that by at most 2 s sqrt(2 ln m), half of which is taken off, a corner between two \
            samples is missed by up to a step of the flank, half of which is added; both and rounding in the \
            uncertainty; refuses cut spans, missing samples, sampling below 480 Hz (four samples a period of 120 Hz), \
            fewer than five periods, and if any burst is clipped, stands still or was lost",
    direction: Direction::LowerIsBetter,
    subject: Subject::Waveform,
    kind: Kind::difference,
    needs_band: false,
    operands: &[],
    compute: |view| each(view, peak_to_peak),
};

pub(super) const FREQUENCY: Entry = Entry {
    id: "bus_ripple_frequency",
    version: 1,
    about: "frequency of the strongest alternating part of the ripple: the largest line of the spectrum, made finer \
            by least squares; twice the mains' for a sound bridge, the mains' own where one leg is dead; uncertainty \
            by the bound of Cramer and Rao for a sine in what is left beside it, and from the rate; refuses as \
            `bus_ripple` does, and a ripple within the noise",
    direction: Direction::Neither,
    kind: |_| Kind { dim: Dim { time: -1, ..Dim::default() }, ..Kind::default() },
    compute: |view| each(view, frequency),
    ..PEAK_TO_PEAK
};

/// Lowest sampling rate: four samples a period of twice 60 Hz.
const RATE_MIN: f64 = 480.0;
/// Fewest periods of the strongest frequency.
const PERIODS: f64 = 5.0;
/// A record is cut into pieces of this length, seconds: what lasts for one of them counts, however sound the rest is.
const PIECE: f64 = 0.4;
/// Shortest stretch of which largest and smallest sample are taken, seconds: two periods of 50 Hz.
const STRETCH_MIN: f64 = 0.04;
/// Share of the strongest amplitude from which on a slower frequency must be seen whole.
const SLOWER: f64 = 0.1;
/// Amplitude in standard uncertainties of it below which there is no ripple to time.
const CLEAR: f64 = 5.0;

/// The strongest sine of a record, drift taken off.
struct Strongest {
    /// Values beside a straight line.
    v: Vec<f64>,
    frequency: f64,
    /// The slowest frequency with at least a tenth of the amplitude.
    slowest: f64,
    amplitude: f64,
    /// Standard deviation of what is left beside the sine.
    left: f64,
}

fn each(view: &View<'_>, hear: fn(&Record) -> Heard) -> Result<Measured, Refusal> {
    let of_burst = view.columns.bursts.iter().any(|b| b.channel(view.of).is_some());
    if of_burst {
        return largest(view, |burst| Ok(hear(&checked(view, Record::of_burst(burst, view.of)?)?)));
    }
    let record = checked(view, Record::of_series(view, 64)?)?;
    hear(&record).map_err(|why| Refusal { why })
}

fn checked(view: &View<'_>, record: Record) -> Result<Record, Refusal> {
    if record.t.len() < 64 || record.rate() < RATE_MIN {
        return refuse(format!(
            "`{}` is sampled at {:.0} Hz: ripple of rectified mains comes at 100 or 120 Hz and needs {RATE_MIN} Hz at least",
            view.of,
            record.rate()
        ));
    }
    Ok(record)
}

fn strongest(record: &Record) -> Result<Strongest, String> {
    let Some(drift) = line(&record.t, &record.v) else { return Err("no line fits the record".into()) };
    let v: Vec<f64> = record.t.iter().zip(&record.v).map(|(t, v)| v - drift.at(*t)).collect();
    let Some(lines) = spectrum(&v, record.rate()) else { return Err("no spectrum of the record".into()) };
    let range = lines.lines(PERIODS / record.length(), 0.45 * record.rate());
    let best = range.clone().max_by(|a, b| lines.amplitude(*a).total_cmp(&lines.amplitude(*b)));
    let Some(best) = best else {
        return Err(format!("the record is shorter than {PERIODS} periods of any ripple"));
    };
    let rough = best as f64 * lines.step;
    // The skirt of a stronger line or of a bent drift is no line of its own: only what is above its neighbours is.
    let own = |k: usize| (k - 1..=k + 1).all(|beside| lines.amplitude(beside) <= lines.amplitude(k));
    let slow = range.take_while(|k| *k < best);
    let slow = slow.filter(|k| own(*k) && lines.amplitude(*k) >= SLOWER * lines.amplitude(best)).min();
    let frequency = finest(&record.t, &v, rough - lines.step, rough + lines.step);
    let (a, b) = sine(&record.t, &v, frequency);
    let left: Vec<f64> = record
        .t
        .iter()
        .zip(&v)
        .map(|(t, v)| {
            let (s, c) = (TAU * frequency * (t - record.t[0])).sin_cos();
            v - a * c - b * s
        })
        .collect();
    let slowest = slow.map_or(frequency, |k| k as f64 * lines.step);
    Ok(Strongest { v, frequency, slowest, amplitude: a.hypot(b), left: deviation(&left) })
}

/// Cosine and sine amplitude at a frequency by least squares; whole turns or not.
fn sine(t: &[f64], v: &[f64], frequency: f64) -> (f64, f64) {
    let (mut cc, mut cs, mut ss, mut vc, mut vs) = (0.0, 0.0, 0.0, 0.0, 0.0);
    let begin = t[0];
    for (t, v) in t.iter().zip(v) {
        let (s, c) = (TAU * frequency * (t - begin)).sin_cos();
        cc += c * c;
        cs += c * s;
        ss += s * s;
        vc += v * c;
        vs += v * s;
    }
    let determinant = cc * ss - cs * cs;
    ((ss * vc - cs * vs) / determinant, (cc * vs - cs * vc) / determinant)
}

/// The frequency between two at which a sine takes most out of the record, by golden section.
fn finest(t: &[f64], v: &[f64], low: f64, high: f64) -> f64 {
    let power = |f: f64| {
        let (a, b) = sine(t, v, f);
        a * a + b * b
    };
    let golden = 0.5 * (5.0_f64.sqrt() - 1.0);
    let (mut low, mut high) = (low, high);
    for _ in 0..40 {
        let (left, right) = (high - golden * (high - low), low + golden * (high - low));
        if power(left) > power(right) { high = right } else { low = left }
    }
    0.5 * (low + high)
}

fn frequency(record: &Record) -> Heard {
    let found = strongest(record)?;
    let n = found.v.len() as f64;
    // Variance of a frequency: 6 s^2 / (pi^2 A^2 T^2 n); of an amplitude 2 s^2 / n (Rife and Boorstyn 1974, from memory).
    let u_amplitude = found.left * (2.0 / n).sqrt();
    if found.amplitude.is_nan() || found.amplitude <= CLEAR * u_amplitude {
        return Err(format!(
            "the strongest alternating part is {}: within the noise",
            difference_text(&record.unit, found.amplitude)
        ));
    }
    let bound = 6.0_f64.sqrt() * found.left / (0.5 * TAU * found.amplitude * record.length() * n.sqrt());
    let u = joined([bound, found.frequency * record.u_rate]);
    Ok(Measured { value: found.frequency, u, n: found.v.len(), note: None })
}

/// The largest among the pieces of a record.
fn peak_to_peak(record: &Record) -> Heard {
    let n = record.t.len();
    let pieces = ((record.length() / PIECE + 1e-6) as usize).max(1);
    let mut worst: Option<(Measured, f64)> = None;
    for i in 0..pieces {
        let piece = record.part(i * n / pieces..(i + 1) * n / pieces);
        let found = height(&piece)?;
        if worst.as_ref().is_none_or(|(w, _)| found.value > w.value) {
            worst = Some((found, piece.t[0]));
        }
    }
    let Some((mut worst, at)) = worst else { return Err("the record is empty".into()) };
    if let (Some(note), true) = (&mut worst.note, pieces > 1) {
        note.push_str(&format!("; largest of {pieces} pieces, at {}", seconds(at)));
    }
    Ok(Measured { n, ..worst })
}

/// Height of the ripple in one piece of a record.
fn height(record: &Record) -> Heard {
    let found = strongest(record)?;
    let whole = (2.0 / found.slowest * record.rate()).round().max(2.0);
    let least = (STRETCH_MIN * record.rate()).round().min(0.5 * found.v.len() as f64);
    let per = whole.max(least) as usize;
    let heights: Vec<f64> = found
        .v
        .chunks_exact(per)
        .map(|part| {
            let ends =
                part.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), x| (l.min(*x), h.max(*x)));
            ends.1 - ends.0
        })
        .collect();
    if heights.len() < 2 {
        return Err(format!("fewer than {PERIODS} periods of {:.1} Hz", found.slowest));
    }
    // Noise from second differences by their median: the corners of a sawtooth do not count, its straight flanks are zero.
    let second: Vec<f64> = found.v.windows(3).map(|w| (w[2] - 2.0 * w[1] + w[0]).abs()).collect();
    let noise = median(&second) / (0.6745 * 6.0_f64.sqrt());
    let lifted = noise * (2.0 * (per as f64).ln()).sqrt();
    let raw = median(&heights);
    // A corner between two samples is missed by up to a step of the flank, a round top by hardly anything.
    let flank = median(&found.v.windows(2).map(|w| (w[1] - w[0]).abs()).collect::<Vec<_>>());
    let value = (raw - lifted + 0.5 * flank).max(0.0);
    let scatter = (0.5 * std::f64::consts::PI / heights.len() as f64).sqrt() * deviation(&heights);
    // Rounding of the largest and of the smallest sample.
    let rounding = 2.0_f64.sqrt() * record.rounding;
    let root = 3.0_f64.sqrt();
    let u = joined([scatter, lifted / root, flank / root, rounding, value * record.u_scale]);
    let note = match value < 2.0 * u {
        true => "no larger than its uncertainty".to_string(),
        false => format!("strongest at {:.1} Hz", found.frequency),
    };
    Ok(Measured { value, u, n: found.v.len(), note: Some(note) })
}

#[cfg(test)]
mod tests;
