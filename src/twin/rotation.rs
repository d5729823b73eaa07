//! Sines and cosines by power series: quick, and the same on every machine.

use std::f64::consts::TAU;

/// Sine and cosine of an angle in turns, not negative. Within 3e-8.
pub(super) fn sine_cosine(turns: f64) -> [f64; 2] {
    // The nearest quarter turn, and at most an eighth of a turn besides.
    let quarters = (4.0 * turns + 0.5) as u64;
    let [s, c] = series(TAU * (turns - 0.25 * quarters as f64));
    match quarters & 3 {
        0 => [s, c],
        1 => [c, -s],
        2 => [-s, -c],
        _ => [-c, s],
    }
}

/// Sine and cosine of an angle turned on by `by` in rad, at most an eighth of a turn either way.
pub(super) fn turned([s, c]: [f64; 2], by: f64) -> [f64; 2] {
    let [sine, cosine] = series(by);
    [s * cosine + c * sine, c * cosine - s * sine]
}

/// The power series to the ninth and eighth order, for up to an eighth of a turn. Terms are joined in pairs, and pairs in
/// pairs: no term waits for all that come after it.
#[inline]
fn series(x: f64) -> [f64; 2] {
    let q = x * x;
    let r = q * q;
    let sine = (1.0 - q * (1.0 / 6.0)) + r * ((1.0 / 120.0 - q * (1.0 / 5040.0)) + r * (1.0 / 362_880.0));
    let cosine = (1.0 - q * 0.5) + r * ((1.0 / 24.0 - q * (1.0 / 720.0)) + r * (1.0 / 40_320.0));
    [x * sine, cosine]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn series_agree_with_the_standard_library_all_around() {
        for i in 0..20_000 {
            let turns = f64::from(i) * 1.234e-3;
            let (s, c) = (TAU * turns).sin_cos();
            let [got_s, got_c] = sine_cosine(turns);
            assert!((got_s - s).abs() < 3e-8 && (got_c - c).abs() < 3e-8, "{turns} turns");
        }
        for i in -785..=785 {
            let by = f64::from(i) * 1e-3;
            let (s, c) = (1.0 + by).sin_cos();
            let [got_s, got_c] = turned([1f64.sin(), 1f64.cos()], by);
            assert!((got_s - s).abs() < 5e-8 && (got_c - c).abs() < 5e-8, "{by} rad");
        }
    }
}
