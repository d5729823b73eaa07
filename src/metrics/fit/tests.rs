use super::*;
use proptest::prelude::*;

const MISRA: [(f64, f64); 14] = [
    (77.6, 10.07),
    (114.9, 14.73),
    (141.1, 17.94),
    (190.8, 23.93),
    (239.9, 29.61),
    (289.0, 35.18),
    (332.8, 40.02),
    (378.4, 44.82),
    (434.8, 50.76),
    (477.3, 55.05),
    (536.8, 61.01),
    (593.1, 66.40),
    (689.1, 75.47),
    (760.0, 81.78),
];

const BOX: [(f64, f64); 6] =
    [(1.0, 109.0), (2.0, 149.0), (3.0, 149.0), (5.0, 191.0), (7.0, 213.0), (10.0, 224.0)];

/// b1 (1 - exp(-b2 x)).
fn saturating(p: &[f64; 2], x: f64) -> (f64, [f64; 2]) {
    let left = (-p[1] * x).exp();
    (p[0] * (1.0 - left), [1.0 - left, p[0] * x * left])
}

fn near(found: f64, expected: f64, relative: f64) {
    assert!((found - expected).abs() <= relative * expected.abs(), "{found} is not {expected}");
}

/// NIST StRD Misra1a from both published starts: certified parameters, their standard deviations and the sum of
/// squares (deviations from memory, 2.7070075241E+00 and 7.2668688436E-06). Eight digits: what the start leaves of 11.
#[test]
fn misra1a_is_found_from_both_starts() {
    let (x, y): (Vec<f64>, Vec<f64>) = MISRA.into_iter().unzip();
    for start in [[500.0, 0.0001], [250.0, 0.0005]] {
        let fit = least_squares(&x, &y, start, &saturating).expect("it arrives");
        near(fit.p[0], 238.94212918, 1e-8);
        near(fit.p[1], 5.5015643181e-4, 1e-8);
        near(fit.squares, 0.12455138894, 1e-8);
        near(fit.covariance[0][0].sqrt(), 2.7070075241, 1e-6);
        near(fit.covariance[1][1].sqrt(), 7.2668688436e-6, 1e-6);
    }
}

/// NIST StRD BoxBOD: from the bad start either it arrives or it refuses; never a wrong figure.
#[test]
fn boxbod_is_found_or_refused() {
    let (x, y): (Vec<f64>, Vec<f64>) = BOX.into_iter().unzip();
    let good = least_squares(&x, &y, [100.0, 0.75], &saturating).expect("it arrives from the good start");
    near(good.p[0], 213.80940889, 1e-7);
    near(good.p[1], 0.54723748542, 1e-7);
    for start in [[1.0, 1.0], [1e3, 30.0], [-5.0, -1.0], [1.0, 1e-9]] {
        if let Some(fit) = least_squares(&x, &y, start, &saturating) {
            near(fit.p[0], 213.80940889, 1e-6);
        }
    }
}

#[test]
fn what_the_data_do_not_tell_is_refused() {
    let x: Vec<f64> = (0..20).map(f64::from).collect();
    let line: Vec<f64> = x.iter().map(|x| 3.0 + x).collect();
    // Two parameters that do the same.
    let twice = |p: &[f64; 2], x: f64| ((p[0] + p[1]) * x, [x, x]);
    assert!(least_squares(&x, &line, [1.0, 1.0], &twice).is_none());
    let one = |p: &[f64; 2], _: f64| (p[0], [1.0, 0.0]);
    assert!(least_squares(&x, &line, [1.0, 1.0], &one).is_none());
    assert!(least_squares(&x[..2], &line[..2], [1.0, 1.0], &saturating).is_none());
    let nan: Vec<f64> = x.iter().map(|_| f64::NAN).collect();
    assert!(least_squares(&x, &nan, [1.0, 1.0], &saturating).is_none());
}

#[test]
fn a_small_system_is_solved() {
    let solved = solve([[4.0, 2.0], [2.0, 3.0]], [10.0, 9.0]).expect("regular");
    near(solved[0], 1.5, 1e-14);
    near(solved[1], 2.0, 1e-14);
    assert!(solve([[1.0, 1.0], [1.0, 1.0]], [1.0, 1.0]).is_none());
}

proptest! {
    /// Whatever the exponential and wherever the search begins within a factor of ten, what is found is what was there.
    #[test]
    fn a_clean_exponential_is_found_from_afar(level in 1.0..500.0_f64, rate in 0.02..0.5_f64, off in 0.1..10.0_f64) {
        let x: Vec<f64> = (0..40).map(f64::from).collect();
        let y: Vec<f64> = x.iter().map(|x| saturating(&[level, rate], *x).0).collect();
        if let Some(fit) = least_squares(&x, &y, [level * off, rate / off], &saturating) {
            prop_assert!((fit.p[0] / level - 1.0).abs() < 1e-6 && (fit.p[1] / rate - 1.0).abs() < 1e-6, "{:?}", fit.p);
        } else {
            prop_assert!(!(0.5..2.0).contains(&off), "near the truth it must arrive: {level} {rate} {off}");
        }
    }
}
