//! The highest and the lowest sample of a span.

use super::numeric::{joined, noise};
use super::window::{SAMPLES_MIN, samples};
use super::{Direction, Entry, Measured, Refusal, Subject, View};

pub(super) const HIGHEST: Entry = Entry {
    id: "highest",
    version: 1,
    about: "largest sample of the span; uncertainty from the channel and the noise of one sample; what happens \
            between two samples is not seen; refuses cut spans and missing samples",
    direction: Direction::Neither,
    subject: Subject::Channel,
    kind: |of| of,
    needs_band: false,
    operands: &[],
    compute: |view| extreme(view, f64::max),
};

pub(super) const LOWEST: Entry = Entry {
    id: "lowest",
    about: "smallest sample of the span, otherwise as `highest`; refuses as that does",
    compute: |view| extreme(view, f64::min),
    ..HIGHEST
};

fn extreme(view: &View<'_>, further: fn(f64, f64) -> f64) -> Result<Measured, Refusal> {
    let window = samples(view, SAMPLES_MIN)?;
    // `samples` refuses what is no number, and fewer than a few.
    let value = window.v.iter().copied().fold(window.v[0], further);
    Ok(Measured { value, u: joined([window.series.u, noise(window.v)]), n: window.n(), note: None })
}

#[cfg(test)]
mod tests {
    use crate::metrics::samples::{Bench, near};

    #[test]
    fn the_highest_and_the_lowest_are_samples() {
        let mut bench = Bench::new("%", 0.0, 0.01, 2.0, |t| if (t - 1.0).abs() < 1e-6 { 0.9 } else { 0.2 });
        bench.columns.series[0].u = 0.004;
        near(bench.measured("highest").value, 0.9, 1e-12);
        near(bench.measured("lowest").value, 0.2, 1e-12);
        // Two of 200 steps of 0.7: 0.7 / sqrt(200) of noise, which the channel's own joins.
        near(bench.measured("highest").u, (0.7_f64.powi(2) * 2.0 / 400.0 + 0.004 * 0.004).sqrt(), 1e-12);
        bench.columns.series[0].v[7] = f64::NAN;
        bench.refuses("highest", "1 of 201 samples of `x` in");
    }
}
