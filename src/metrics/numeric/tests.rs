use super::*;
use rand::SeedableRng;
use rand_distr::{Distribution, StandardNormal};
use rand_xoshiro::Xoshiro256PlusPlus;

const NORRIS: &str = include_str!("../../../fixtures/nist/Norris.dat");
const MICHELSO: &str = include_str!("../../../fixtures/nist/Michelso.txt");

fn near(found: f64, expected: f64, relative: f64) {
    assert!((found - expected).abs() <= relative * expected.abs(), "{found} is not {expected}");
}

/// NIST StRD Norris, certified values from the file's head. Twelve digits: the certified ones have 15,
/// and a few are lost to the data's own conversion to binary.
#[test]
fn a_line_agrees_with_norris() {
    let points: Vec<(f64, f64)> = NORRIS
        .lines()
        .skip(60)
        .filter(|l| !l.trim().is_empty())
        .map(|l| {
            let mut numbers = l.split_whitespace().map(|w| w.parse::<f64>().expect("a number"));
            (numbers.next().expect("y"), numbers.next().expect("x"))
        })
        .collect();
    assert_eq!(points.len(), 36);
    let (y, x): (Vec<f64>, Vec<f64>) = points.into_iter().unzip();
    let fit = line(&x, &y).expect("36 points");
    near(fit.at(0.0), -0.262323073774029, 1e-11);
    near(fit.slope, 1.00211681802045, 1e-13);
    near(fit.residual, 0.884796396144373, 1e-12);
    near(fit.u_slope, 0.429796848199937e-3, 1e-12);
    near(fit.u_at(0.0), 0.232818234301152, 1e-12);
}

/// NIST StRD Michelso, certified mean, standard deviation and lag-1 autocorrelation.
#[test]
fn mean_deviation_and_lag_agree_with_michelso() {
    let values: Vec<f64> = MICHELSO.lines().skip(1).map(|l| l.parse().expect("a number")).collect();
    assert_eq!(values.len(), 100);
    near(mean(&values), 299.8524, 1e-15);
    near(deviation(&values), 0.0790105478190518, 1e-12);
    near(lag1(&values), 0.535199668621283, 1e-12);
}

/// NIST StRD NumAcc4: mean 10000000.2, standard deviation 0.1, where a one-pass variance goes wrong. The
/// data themselves are rounded to 1.9e-9 in binary, 2e-8 of the deviation.
#[test]
fn large_values_with_a_small_deviation_keep_their_digits() {
    let mut values = vec![10000000.2];
    values.extend((0..1000).map(|i| if i % 2 == 0 { 10000000.1 } else { 10000000.3 }));
    near(mean(&values), 10000000.2, 1e-15);
    near(deviation(&values), 0.1, 2e-8);
    near(lag1(&values), -0.999, 2e-8);
}

/// GUM H.3, calibration of a thermometer; readings as carried by the PyPI package GTC 1.5.1, results as
/// printed in the GUM, compared at the digits printed there.
#[test]
fn a_line_agrees_with_the_thermometer_of_the_gum() {
    let t = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511];
    let b = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160];
    let fit = line(&t, &b).expect("11 points");
    assert_eq!(format!("{:.4} {:.4}", fit.at(20.0), fit.u_at(20.0)), "-0.1712 0.0029");
    assert_eq!(format!("{:.5} {:.5}", fit.slope, fit.u_slope), "0.00218 0.00067");
    assert_eq!(format!("{:.4}", fit.residual), "0.0035");
    assert_eq!(format!("{:.4} {:.4}", fit.at(30.0), fit.u_at(30.0)), "-0.1494 0.0041");
    // Level at the centre and slope are uncorrelated, so intercept and slope correlate as the lever arm says.
    let r = fit.u_slope * (20.0 - fit.centre) / fit.u_at(20.0);
    assert_eq!(format!("{r:.3}"), "-0.930");
}

/// GUM H.1, gauge block: 16.7 effective degrees of freedom are truncated to 16, k99 = 2.92, U99 = 93 nm.
#[test]
fn the_coverage_factor_agrees_with_the_gauge_block_of_the_gum() {
    let k99 = student_factor(0.99, 16.7_f64.trunc());
    assert_eq!(format!("{k99:.2}"), "2.92");
    assert_eq!(format!("{:.0}", k99 * 32.0), "93");
    assert_eq!(format!("{:.3}", student_factor(0.95, f64::INFINITY)), "1.960");
}

#[test]
fn small_sets_give_what_arithmetic_says() {
    assert_eq!(median(&[3.0, 1.0, 2.0]), 2.0);
    assert_eq!(median(&[4.0, 1.0, 2.0, 3.0]), 2.5);
    assert!(median(&[]).is_nan());
    assert!(deviation(&[1.0]).is_nan());
    assert_eq!(noise(&[1.0, 3.0, 1.0]), 2.0_f64.sqrt());
    assert_eq!(joined([3.0, 4.0]), 5.0);
    assert_eq!(resolution(&[20.5, 20.0, 20.25, 20.0]), Some(0.25));
    assert_eq!(resolution(&[20.0, 20.0]), None);
    assert_eq!(sum([1.0, 1e100, 1.0, -1e100]), 2.0);
    assert_eq!(line(&[1.0, 2.0], &[0.0, 1.0]), None);
    assert_eq!(line(&[1.0, 1.0, 1.0], &[0.0, 1.0, 2.0]), None);
}

#[test]
fn ranks_of_quantiles_are_the_smallest_that_leave_the_share_below() {
    for (p, n, rank) in
        [(0.5, 1, 1), (0.5, 4, 2), (0.5, 5, 3), (0.99, 100, 99), (0.99, 101, 100), (0.99, 1000, 990)]
    {
        assert_eq!(nearest_rank(p, n), rank, "{p} of {n}");
    }
}

/// Order statistics and the median: 95 % intervals for n = 10 are ranks 2 and 9 (97.9 %), as tables of
/// the sign test give it; for the 99 % quantile no upper rank exists below 376 values, 0.99^n = 0.0228.
#[test]
fn intervals_of_quantiles_come_from_the_binomial_distribution() {
    assert_eq!(quantile_ranks(0.5, 10), (2, 9));
    assert_eq!(quantile_ranks(0.99, 376).1, 377);
    assert_eq!(quantile_ranks(0.99, 377).1, 377);
}

/// Jeffreys' interval, zero of n: the upper end at 97.5 % is 2.51 / n for large n (chi-squared with one
/// degree of freedom, halved: 5.024 / 2), here taken at 97.725 %: 2.59 / n.
#[test]
fn a_share_of_none_still_has_an_uncertainty() {
    near(share_uncertainty(0, 10_000), 0.5 * 2.594e-4, 2e-3);
    // Half of a large n: the normal approximation sqrt(p (1 - p) / n).
    near(share_uncertainty(5000, 10_000), 0.005, 2e-3);
    near(share_uncertainty(10, 10), share_uncertainty(0, 10), 1e-9);
}

fn autoregression(seed: u64, n: usize, rho: f64) -> Vec<f64> {
    let mut random = Xoshiro256PlusPlus::seed_from_u64(seed);
    let mut draw = || -> f64 { StandardNormal.sample(&mut random) };
    let mut x = draw() / (1.0 - rho * rho).sqrt();
    (0..n)
        .map(|_| {
            let now = x;
            x = rho * x + draw();
            now
        })
        .collect()
}

/// Share of 1,000 series in which |slope - truth| is within `k` of its standard uncertainty.
fn coverage(n: usize, rho: f64, k: f64, u_of: fn(&[f64], &[f64]) -> (f64, f64)) -> f64 {
    let t: Vec<f64> = (0..n).map(|i| 0.1 * i as f64).collect();
    let truth = 0.02;
    let inside = (0..1000).filter(|seed| {
        let y: Vec<f64> =
            autoregression(*seed, n, rho).iter().zip(&t).map(|(e, t)| 300.0 + truth * t + e).collect();
        let (slope, u) = u_of(&t, &y);
        (slope - truth).abs() <= k * u
    });
    inside.count() as f64 / 1000.0
}

/// The aim: a 95 % interval covers the truth in 93 to 97 % of 1,000 first-order autoregressions. With
/// 1,000 series the share itself is known to 0.7 %.
#[test]
fn the_interval_of_a_slope_covers_the_truth_when_neighbours_resemble_each_other() {
    for (n, rho) in [(300, 0.9), (450, 0.9), (600, 0.9), (300, 0.0), (300, 0.5)] {
        let found = coverage(n, rho, 1.96, |t, y| {
            let fit = trend(t, y, 0.0).expect("enough points");
            (fit.slope, fit.u_slope)
        });
        println!("n {n}, rho {rho}: {found}");
        assert!((0.93..=0.97).contains(&found), "n {n}, rho {rho}: covered {found}");
    }
}

/// That test can fail: the plain least-squares uncertainty covers less than half.
#[test]
fn the_plain_interval_of_a_slope_does_not_cover_correlated_series() {
    let found = coverage(300, 0.9, 1.96, |t, y| {
        let fit = line(t, y).expect("enough points");
        (fit.slope, fit.u_slope)
    });
    assert!(found < 0.5, "covered {found}");
}

#[test]
fn the_interval_of_a_mean_covers_the_truth_when_neighbours_resemble_each_other() {
    for (n, rho) in [(200, 0.0), (300, 0.5), (400, 0.8)] {
        let inside = (0..1000).filter(|seed| {
            let y = autoregression(10_000 + *seed, n, rho);
            mean(&y).abs() <= 1.96 * mean_uncertainty(&y)
        });
        let found = inside.count() as f64 / 1000.0;
        println!("n {n}, rho {rho}: {found}");
        assert!((0.93..=0.97).contains(&found), "n {n}, rho {rho}: covered {found}");
    }
}

#[test]
fn a_trend_survives_gaps_and_is_exact_without_noise() {
    let t: Vec<f64> = (0..100).filter(|i| i % 7 != 3).map(|i| 0.1 * f64::from(i)).collect();
    let y: Vec<f64> = t.iter().map(|t| 5.0 - 0.25 * t).collect();
    let fit = trend(&t, &y, 0.0).expect("enough points");
    near(fit.slope, -0.25, 1e-12);
    assert!(fit.u_slope < 1e-12);
    assert_eq!(trend(&t[..7], &y[..7], 0.0), None);
}

/// Solves `a x = b` by elimination with pivots.
fn solve(mut a: Vec<Vec<f64>>, mut b: Vec<f64>) -> Vec<f64> {
    let n = b.len();
    for c in 0..n {
        let pivot = (c..n).max_by(|i, j| a[*i][c].abs().total_cmp(&a[*j][c].abs())).expect("a row");
        a.swap(c, pivot);
        b.swap(c, pivot);
        for r in c + 1..n {
            let f = a[r][c] / a[c][c];
            let above = a[c].clone();
            a[r].iter_mut().zip(above).for_each(|(x, y)| *x -= f * y);
            b[r] -= f * b[c];
        }
    }
    for c in (0..n).rev() {
        let known: f64 = (c + 1..n).map(|k| a[c][k] * b[k]).sum();
        b[c] = (b[c] - known) / a[c][c];
    }
    b
}

/// Textbook generalised least squares, (X' S^-1 X)^-1 X' S^-1 y with S = rho^(|ti - tj| / median step) in full, on
/// twenty points with gaps. Student's factor beside it from the effective degrees of freedom.
#[test]
fn the_whitened_fit_is_generalised_least_squares() {
    let t: Vec<f64> =
        [0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 13, 14, 15, 16, 40, 41, 42, 43, 44, 45].map(f64::from).to_vec();
    let wander = autoregression(3, 46, 0.7);
    let y: Vec<f64> = t.iter().map(|t| 4.0 + 0.3 * t + wander[*t as usize]).collect();
    let n = t.len();
    let fit = trend(&t, &y, 0.0).expect("enough points");
    assert!(fit.rho > 0.3 && fit.rho < 0.95, "{}", fit.rho);
    let s: Vec<Vec<f64>> =
        t.iter().map(|a| t.iter().map(|b| fit.rho.powf((a - b).abs())).collect()).collect();
    let dot = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(x, y)| x * y).sum::<f64>();
    let ones = vec![1.0; n];
    let (p, q) = (solve(s.clone(), ones.clone()), solve(s.clone(), t.clone()));
    let (a11, a12, a22) = (dot(&ones, &p), dot(&ones, &q), dot(&t, &q));
    let (b1, b2, d) = (dot(&y, &p), dot(&y, &q), a11 * a22 - a12 * a12);
    let (level, slope) = ((a22 * b1 - a12 * b2) / d, (a11 * b2 - a12 * b1) / d);
    let r: Vec<f64> = t.iter().zip(&y).map(|(t, y)| y - level - slope * t).collect();
    let variance = dot(&r, &solve(s, r.clone())) / (n - 2) as f64;
    near(fit.slope, slope, 1e-9);
    near(fit.u_slope, (variance * a11 / d).sqrt() * student(freedom(n as f64, fit.rho)), 1e-9);
    near(fit.n_effective, n as f64 * (1.0 - fit.rho) / (1.0 + fit.rho), 1e-12);
    near(fit.innovation, (variance * (1.0 - fit.rho * fit.rho)).sqrt(), 1e-9);
}

/// 300 samples with rho 0.9: 0.5 / (1/600 + 19/300) = 7.692; independent: 0.5 / (1/600 + 1/300) = 100.
/// Half of Student's factor at 95.45 %: 1 for many, 13.97 / 2 for one degree of freedom (GUM table G.2).
#[test]
fn correlation_costs_degrees_of_freedom() {
    near(freedom(300.0, 0.9), 7.692307692, 1e-9);
    near(freedom(300.0, 0.0), 100.0, 1e-12);
    assert_eq!(format!("{:.2}", 2.0 * student(1.0)), "13.97");
    assert_eq!(format!("{:.2}", 2.0 * student(0.2)), "13.97");
    assert_eq!(format!("{:.2}", 2.0 * student(8.0)), "2.37");
    near(student(1e9), 1.0, 1e-6);
}

/// Noise that neighbours do not share makes the correlation look smaller; told of its variance, the fit
/// does not fall for it. Mean over 200 series; the estimate's own spread there is 0.002.
#[test]
fn known_white_noise_is_taken_out_of_the_correlation() {
    let t: Vec<f64> = (0..600).map(f64::from).collect();
    let mean_rho = |told: f64| {
        let all: Vec<f64> = (0..200)
            .map(|seed| {
                let white = autoregression(50_000 + seed, 600, 0.0);
                let y: Vec<f64> =
                    autoregression(seed, 600, 0.9).iter().zip(white).map(|(a, w)| a + w).collect();
                trend(&t, &y, told).expect("enough points").rho
            })
            .collect();
        mean(&all)
    };
    assert!((mean_rho(1.0) - 0.9).abs() < 0.01, "{}", mean_rho(1.0));
    assert!(mean_rho(0.0) < 0.78, "{}", mean_rho(0.0));
}

/// With a million values the binomial distribution is the normal one: n/2 ± 2 sqrt(n)/2 ranks, sqrt(p (1 - p) / n).
#[test]
fn long_records_keep_their_intervals() {
    for n in [10_000_usize, 100_000, 1_000_000] {
        let half = (n as f64).sqrt();
        let (low, high) = quantile_ranks(0.5, n);
        assert!((low as f64 - (n as f64 / 2.0 - half)).abs() <= 2.0, "{n}: {low}");
        assert!((high as f64 - (n as f64 / 2.0 + half)).abs() <= 2.0, "{n}: {high}");
        let (low, high) = quantile_ranks(0.99, n);
        let half = 2.0 * (n as f64 * 0.0099).sqrt();
        assert!((low as f64 - (n as f64 * 0.99 - half)).abs() <= 3.0, "{n}: {low}");
        assert!((high as f64 - (n as f64 * 0.99 + half)).abs() <= 3.0, "{n}: {high}");
        near(share_uncertainty(n / 2, n), 0.5 / (n as f64).sqrt(), 1e-3);
        near(share_uncertainty(0, n), 0.5 * 2.594 / n as f64, 1e-3);
        near(share_uncertainty(n, n), 0.5 * 2.594 / n as f64, 1e-3);
    }
}
