//! Spectra of evenly sampled records: Hann's window and the discrete Fourier transform.

use super::numeric::mean;
use realfft::RealFftPlanner;
use std::f64::consts::TAU;

/// Amplitudes of a record by frequency, from zero up in steps of `step`.
pub struct Spectrum {
    /// Distance of two lines in Hz.
    pub step: f64,
    /// Squared magnitudes of the transform of the windowed record, whose mean was taken off.
    squares: Vec<f64>,
    /// Sum of the window and of its squares.
    sums: (f64, f64),
    n: usize,
}

/// The spectrum of evenly sampled values; `None` below eight of them or where the transform fails.
pub fn spectrum(values: &[f64], rate: f64) -> Option<Spectrum> {
    let n = values.len();
    if n < 8 {
        return None;
    }
    let middle = mean(values);
    let window = |i: usize| 0.5 - 0.5 * (TAU * i as f64 / n as f64).cos();
    let plan = RealFftPlanner::<f64>::new().plan_fft_forward(n);
    let mut input: Vec<f64> = values.iter().enumerate().map(|(i, v)| window(i) * (v - middle)).collect();
    let mut output = plan.make_output_vec();
    plan.process(&mut input, &mut output).ok()?;
    let sums = (0..n).map(window).fold((0.0, 0.0), |(s, q), w| (s + w, q + w * w));
    let squares = output.iter().map(|x| x.norm_sqr()).collect();
    Some(Spectrum { step: rate / n as f64, squares, sums, n })
}

impl Spectrum {
    /// Number of lines.
    pub fn len(&self) -> usize {
        self.squares.len()
    }

    /// Peak amplitude of a sine that lies on line `k`.
    pub fn amplitude(&self, k: usize) -> f64 {
        2.0 * self.squares[k].sqrt() / self.sums.0
    }

    /// Mean square that line `k` adds to the record's (Parseval, corrected for the window's power).
    pub fn power(&self, k: usize) -> f64 {
        2.0 * self.squares[k] / (self.n as f64 * self.sums.1)
    }

    /// The lines from `low` to `high` Hz, both included, without the one at zero.
    pub fn lines(&self, low: f64, high: f64) -> std::ops::Range<usize> {
        let first = (low / self.step - 1e-9).ceil().max(1.0) as usize;
        let last = (high / self.step + 1e-9).floor().max(0.0) as usize;
        first.min(self.len())..(last + 1).min(self.len()).max(first.min(self.len()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        /// Parseval: all lines together have the mean square of the windowed record over that of the window.
        #[test]
        fn the_lines_have_the_power_of_the_windowed_record(v in prop::collection::vec(-9.0..9.0_f64, 8..200)) {
            let found = spectrum(&v, 100.0).expect("a spectrum");
            let (n, middle) = (v.len(), mean(&v));
            let window = |i: usize| 0.5 - 0.5 * (TAU * i as f64 / n as f64).cos();
            let squares = (0..n).map(|i| (window(i) * (v[i] - middle)).powi(2)).sum::<f64>();
            let direct = squares / (0..n).map(|i| window(i).powi(2)).sum::<f64>();
            // Zero has no partner of its own, nor has half the rate where the number is even.
            let single = if n % 2 == 0 { found.power(n / 2) } else { 0.0 };
            let lines = (0..found.len()).map(|k| found.power(k)).sum::<f64>();
            prop_assert!((lines - 0.5 * (found.power(0) + single) - direct).abs() < 1e-9 * (1.0 + direct));
        }
    }

    fn sine(n: usize, rate: f64, f: f64) -> Vec<f64> {
        (0..n).map(|i| 3.0 + 2.0 * (TAU * f * i as f64 / rate).sin()).collect()
    }

    /// A sine of peak 2 has a mean square of 2, wherever between two lines it lies (Parseval).
    #[test]
    fn a_sine_keeps_its_power_and_on_a_line_its_amplitude() {
        for (n, f) in [(1000, 50.0), (1000, 50.37), (997, 50.0), (4096, 123.4)] {
            let found = spectrum(&sine(n, 1000.0, f), 1000.0).expect("a spectrum");
            let power: f64 = found.lines(f - 20.0, f + 20.0).map(|k| found.power(k)).sum();
            assert!((power - 2.0).abs() < 2e-3, "{n}, {f}: {power}");
        }
        let found = spectrum(&sine(1000, 1000.0, 50.0), 1000.0).expect("a spectrum");
        assert!((found.amplitude(50) - 2.0).abs() < 1e-9 && found.amplitude(60) < 1e-9);
        assert_eq!((found.len(), found.step, found.lines(10.0, 12.5)), (501, 1.0, 10..13));
        assert!(spectrum(&[1.0; 7], 1.0).is_none());
    }
}
