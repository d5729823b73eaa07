//! Numbers with a fixed number of decimals, quickly.

use std::io::Write;

/// Powers of ten up to the most decimals that are written the quick way.
const POWERS: [f64; 10] = [1.0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9];
/// Whole numbers up to here are exact in a double.
const EXACT: f64 = 9_007_199_254_740_992.0;

/// Rounds `number` to so many decimals, halves away from zero.
pub fn round_decimals(number: f64, decimals: usize) -> f64 {
    let scale = POWERS.get(decimals).copied().unwrap_or_else(|| 10f64.powi(decimals.min(300) as i32));
    let scaled = number * scale;
    if scaled.abs() < EXACT { scaled.round() / scale } else { number }
}

/// Appends `number` rounded as [`round_decimals`] does; what rounds to zero has no sign. The standard library's
/// `{:.n}` is exact for any number and takes several times as long, which a rehearsal with some ten million of
/// them an hour would notice.
pub fn push_decimals(out: &mut Vec<u8>, number: f64, decimals: usize) {
    let scaled = POWERS.get(decimals).map_or(f64::NAN, |scale| (number * scale).round());
    if scaled.is_nan() || scaled.abs() >= EXACT {
        // Not a number, or out of the range of the quick way.
        let _ = write!(out, "{number:.decimals$}");
        return;
    }
    if scaled < 0.0 {
        out.push(b'-');
    }
    let mut digits = [b'0'; 20];
    let mut rest = scaled.abs() as u64;
    let mut at = digits.len();
    while rest > 0 {
        at -= 1;
        digits[at] = b'0' + (rest % 10) as u8;
        rest /= 10;
    }
    let whole = digits.len() - decimals;
    out.extend_from_slice(&digits[at.min(whole - 1)..whole]);
    if decimals > 0 {
        out.push(b'.');
        out.extend_from_slice(&digits[whole..]);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn text(number: f64, decimals: usize) -> String {
        let mut out = Vec::new();
        push_decimals(&mut out, number, decimals);
        String::from_utf8(out).expect("digits")
    }

    #[test]
    fn numbers_are_written_as_people_would() {
        for (number, decimals, expected) in [
            (0.0, 0, "0"),
            (0.0, 2, "0.00"),
            (-0.004, 2, "0.00"),
            (-0.005, 2, "-0.01"),
            (12.345_6, 2, "12.35"),
            (9.999, 2, "10.00"),
            (0.05, 1, "0.1"),
            (-612.44, 1, "-612.4"),
            (1e18, 1, "1000000000000000000.0"),
            (f64::NAN, 1, "NaN"),
            (f64::INFINITY, 1, "inf"),
            (0.25, 12, "0.250000000000"),
        ] {
            assert_eq!(text(number, decimals), expected, "{number} {decimals}");
        }
    }

    proptest::proptest! {
        /// The standard library is the outside value; halves apart, both give the same digits.
        #[test]
        fn agrees_with_the_standard_library(number in -1e6f64..1e6, decimals in 0usize..7) {
            let half = (number * POWERS[decimals]).fract().abs() - 0.5;
            if half.abs() > 1e-6 {
                let expected = format!("{number:.decimals$}");
                let zero = expected.bytes().all(|b| matches!(b, b'-' | b'0' | b'.'));
                let expected = if zero { expected.trim_start_matches('-') } else { &expected };
                proptest::prop_assert_eq!(text(number, decimals), expected);
            }
            let read: f64 = text(number, decimals).parse().expect("a number");
            proptest::prop_assert_eq!(read, round_decimals(number, decimals));
        }
    }
}
