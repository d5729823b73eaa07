//! The speed-frequency map: spectra of bursts at their speeds, for a report to draw.

use super::Refusal;
use super::bursts::{channel, sound};
use super::orders::turns;
use super::spectrum::spectrum;
use super::window::refuse;
use crate::columns::Columns;
use std::f64::consts::TAU;

/// Spectra of one channel over speed.
#[derive(Debug, Clone, PartialEq)]
pub struct SpeedMap {
    /// Width of a column in Hz; column k spans from k to k + 1 widths.
    pub width: f64,
    /// One row per burst, by ascending speed.
    pub rows: Vec<MapRow>,
    /// Bursts that are not in it, and why.
    pub left_out: Vec<String>,
}

/// The spectrum of one burst.
#[derive(Debug, Clone, PartialEq)]
pub struct MapRow {
    /// Moment of the burst's first sample, seconds since the run began.
    pub t: f64,
    /// Mean speed of the shaft during the burst, rad/s.
    pub speed: f64,
    /// How much the speed changed during the burst, as a share of the mean: lines are smeared by as much.
    pub smear: f64,
    /// Largest peak amplitude in each column, SI.
    pub amplitudes: Vec<f64>,
}

/// The map of a burst channel from zero to `highest` Hz in at most `columns_max` columns. A column holds the largest
/// line that falls in it, so that no line is lost however coarse the map is. Refuses if no burst can be used.
pub fn speed_map(
    columns: &Columns,
    of: &str,
    speed: &str,
    highest: f64,
    columns_max: usize,
) -> Result<SpeedMap, Refusal> {
    let Some(series) = columns.series(speed) else {
        return refuse(format!("channel `{speed}` is not in the record"));
    };
    if columns_max == 0 || highest.is_nan() || highest <= 0.0 {
        return refuse("a map needs columns and a highest frequency");
    }
    let width = highest / columns_max as f64;
    let (mut rows, mut left_out) = (vec![], vec![]);
    for burst in columns.bursts_of(of) {
        let made = sound(burst).and(channel(burst, of)).and_then(|wave| Ok((wave, turns(burst, series)?)));
        let (wave, angle) = match made {
            Ok(made) => made,
            Err(refusal) => {
                left_out.push(refusal.why);
                continue;
            }
        };
        let Some(lines) = spectrum(&wave.values(), burst.rate) else {
            left_out.push(format!("a burst has {} samples", burst.len()));
            continue;
        };
        let mut amplitudes = vec![0.0_f64; columns_max];
        for k in lines.lines(0.0, highest.min(0.5 * burst.rate)) {
            let column = ((k as f64 * lines.step / width) as usize).min(columns_max - 1);
            amplitudes[column] = amplitudes[column].max(lines.amplitude(k));
        }
        let n = angle.len() - 1;
        let mean = angle[n] / n as f64;
        let smear =
            (angle[n] - angle[n - n / 10] - (angle[n / 10] - angle[0])) / (n / 10).max(1) as f64 / mean;
        rows.push(MapRow { t: burst.t(0), speed: TAU * mean * burst.rate, smear: smear.abs(), amplitudes });
    }
    if rows.is_empty() {
        let why =
            left_out.into_iter().next().unwrap_or_else(|| format!("no burst with `{of}` is in the record"));
        return refuse(why);
    }
    rows.sort_by(|a, b| a.speed.total_cmp(&b.speed));
    Ok(SpeedMap { width, rows, left_out })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::metrics::samples::{Bench, near};

    /// An order moves with speed through the columns, a resonance stays.
    #[test]
    fn an_order_climbs_with_speed_and_a_resonance_stays() {
        let mut bench = Bench::new("rpm", 0.0, 0.005, 12.0, |t| TAU * if t < 6.0 { 40.0 } else { 20.0 });
        for (t0, n) in [(1.0, 40.0), (8.0, 20.0)] {
            let course = move |t: f64| (TAU * 4.0 * n * t).sin() + 0.5 * (TAU * 305.0 * t).sin();
            bench = bench.burst(t0, 2000.0, 2000, &[("axial", "m/s2", &course)]);
        }
        let map = speed_map(&bench.columns, "axial", "x", 500.0, 50).expect("a map");
        assert_eq!((map.width, map.rows.len(), map.left_out.len()), (10.0, 2, 0));
        for (row, (n, column)) in map.rows.iter().zip([(20.0, 8), (40.0, 16)]) {
            near(row.speed, TAU * n, 1e-6);
            near(row.amplitudes[column].max(row.amplitudes[column - 1]), 1.0, 1e-3);
            near(row.amplitudes[30], 0.5, 1e-3);
            assert!(row.amplitudes[40] < 1e-3 && row.smear < 1e-9);
        }
        let none = speed_map(&bench.columns, "radial", "x", 500.0, 50).expect_err("nothing");
        assert!(none.why.contains("no burst with `radial`"));
        assert!(speed_map(&bench.columns, "axial", "y", 500.0, 50).is_err());
        assert!(speed_map(&bench.columns, "axial", "x", f64::NAN, 50).is_err());
    }
}
