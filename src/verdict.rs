//! A criterion held against a figure with its uncertainty, under a named decision rule.

use crate::files::suite::Rule;
use crate::metrics::{Measured, Refusal};
use crate::units::number_text;
use statrs::distribution::{ContinuousCDF, Normal};

/// How a figure stands to its limit (after ILAC-G8, guard band w = U = 2u).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Standing {
    /// Inside the limit by at least U.
    Pass,
    /// Inside the limit or on it, by less than U.
    ConditionalPass,
    /// Outside the limit by at most U.
    ConditionalFail,
    /// Outside the limit by more than U.
    Fail,
    /// There is no figure, or none that can be judged.
    NotMeasured,
}

/// The answer.
#[derive(Debug, Clone, PartialEq)]
pub struct Verdict {
    /// The figure, or why there is none.
    pub measured: Result<Measured, Refusal>,
    /// How it stands to the limit.
    pub standing: Standing,
    /// Whether the criterion counts as met under the rule.
    pub met: bool,
    /// Distance to the nearest limit, SI; positive inside.
    pub margin: Option<f64>,
    /// Probability that the true value is inside the limits (JCGM 106, normal distribution).
    pub probability: Option<f64>,
}

/// Judges a figure against `low..=high` (SI, at least one given).
///
/// The guard band is w = U = 2u at each limit (ILAC-G8, from memory): at least w inside is a pass, at most
/// w outside a conditional fail, and the limit itself counts as inside. A figure or uncertainty that is not
/// a finite number, a negative uncertainty, and limits that are missing, not numbers or reversed
/// are never met: the verdict turns them into a refusal that says so.
pub fn judge(
    rule: Rule,
    low: Option<f64>,
    high: Option<f64>,
    measured: Result<Measured, Refusal>,
) -> Verdict {
    let figure = match measured.and_then(|figure| judgeable(low, high, figure)) {
        Ok(figure) => figure,
        Err(refusal) => {
            return Verdict {
                measured: Err(refusal),
                standing: Standing::NotMeasured,
                met: false,
                margin: None,
                probability: None,
            };
        }
    };
    let above = low.map_or(f64::INFINITY, |low| figure.value - low);
    let below = high.map_or(f64::INFINITY, |high| high - figure.value);
    let margin = above.min(below);
    let standing = standing(margin, 2.0 * figure.u);
    let met = match rule {
        Rule::Guarded => standing == Standing::Pass,
        Rule::Simple => matches!(standing, Standing::Pass | Standing::ConditionalPass),
    };
    let probability = conformance_probability(figure.value, figure.u, low, high);
    Verdict { measured: Ok(figure), standing, met, margin: Some(margin), probability }
}

/// Probability that the true value lies in `low..=high`, given the value and its standard uncertainty, for a
/// normal distribution (JCGM 106, 7.2 to 7.4, from memory). A side that is not given is open. With no uncertainty it
/// is 1 inside or on a limit and 0 outside. `None` if anything is not a number, the uncertainty is
/// negative or infinite, or the limits are reversed.
pub fn conformance_probability(value: f64, u: f64, low: Option<f64>, high: Option<f64>) -> Option<f64> {
    let low = low.unwrap_or(f64::NEG_INFINITY);
    let high = high.unwrap_or(f64::INFINITY);
    if !value.is_finite() || !u.is_finite() || u < 0.0 || low.is_nan() || high.is_nan() || low > high {
        return None;
    }
    if u == 0.0 {
        return Some(f64::from(u8::from(low <= value && value <= high)));
    }
    let below = |limit: f64| match limit {
        f64::INFINITY => 1.0,
        f64::NEG_INFINITY => 0.0,
        limit => Normal::standard().cdf((limit - value) / u),
    };
    Some(below(high) - below(low))
}

fn standing(margin: f64, guard: f64) -> Standing {
    if margin >= guard {
        Standing::Pass
    } else if margin >= 0.0 {
        Standing::ConditionalPass
    } else if margin >= -guard {
        Standing::ConditionalFail
    } else {
        Standing::Fail
    }
}

/// The figure, if it and the limits can be held against each other.
fn judgeable(low: Option<f64>, high: Option<f64>, figure: Measured) -> Result<Measured, Refusal> {
    let refuse = |why: String| Err(Refusal { why });
    if !figure.value.is_finite() {
        return refuse(format!("the figure is {}, not a finite number", figure.value));
    }
    if !figure.u.is_finite() || figure.u < 0.0 {
        return refuse(format!("the figure has no usable uncertainty: {}", figure.u));
    }
    match (low, high) {
        (None, None) => refuse("there is no limit to hold the figure against".into()),
        (Some(x), _) | (_, Some(x)) if x.is_nan() => refuse("a limit is not a number".into()),
        (Some(_), Some(x)) if x.is_nan() => refuse("a limit is not a number".into()),
        (Some(low), Some(high)) if low > high => refuse(format!(
            "the limits are reversed: at least {} and at most {} (SI)",
            number_text(low),
            number_text(high)
        )),
        _ => Ok(figure),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use Standing::*;

    fn figure(value: f64, u: f64) -> Result<Measured, Refusal> {
        Ok(Measured { value, u, n: 10, note: None })
    }

    /// ILAC-G8 with a guard band w = U: limit 80, U 2 (so u 1); arithmetic on its definitions. Then limits from
    /// below, from both sides, and the boundaries.
    #[test]
    fn figures_stand_to_their_limits_as_guard_bands_say() {
        let rows = [
            (None, Some(80.0), 77.9, 1.0, Pass, 2.1),
            (None, Some(80.0), 79.0, 1.0, ConditionalPass, 1.0),
            (None, Some(80.0), 81.0, 1.0, ConditionalFail, -1.0),
            (None, Some(80.0), 82.1, 1.0, Fail, -2.1),
            (None, Some(80.0), 78.0, 1.0, Pass, 2.0),
            (None, Some(80.0), 80.0, 1.0, ConditionalPass, 0.0),
            (None, Some(80.0), 82.0, 1.0, ConditionalFail, -2.0),
            (None, Some(80.0), 80.0, 0.0, Pass, 0.0),
            (None, Some(80.0), 80.5, 0.0, Fail, -0.5),
            (Some(80.0), None, 82.1, 1.0, Pass, 2.1),
            (Some(80.0), None, 81.0, 1.0, ConditionalPass, 1.0),
            (Some(80.0), None, 79.0, 1.0, ConditionalFail, -1.0),
            (Some(80.0), None, 77.9, 1.0, Fail, -2.1),
            (Some(-5.0), Some(5.0), 0.0, 2.5, Pass, 5.0),
            (Some(-5.0), Some(5.0), 0.0, 2.6, ConditionalPass, 5.0),
            (Some(-5.0), Some(5.0), -6.0, 1.0, ConditionalFail, -1.0),
            (Some(-5.0), Some(5.0), 8.0, 1.0, Fail, -3.0),
            (Some(5.0), Some(5.0), 5.0, 0.0, Pass, 0.0),
        ];
        for (low, high, value, u, standing, margin) in rows {
            let case = format!("{value} with u {u} in {low:?}..{high:?}");
            for rule in [Rule::Guarded, Rule::Simple] {
                let verdict = judge(rule, low, high, figure(value, u));
                assert_eq!(verdict.standing, standing, "{case}");
                assert!((verdict.margin.expect("a margin") - margin).abs() < 1e-9, "{case}");
                let met = standing == Pass || (rule == Rule::Simple && standing == ConditionalPass);
                assert_eq!(verdict.met, met, "{case} under {rule:?}");
                assert!(verdict.probability.is_some(), "{case}");
            }
        }
    }

    #[test]
    fn what_cannot_be_judged_is_not_measured_and_never_met() {
        let inf = f64::INFINITY;
        let rows = [
            (None, Some(80.0), figure(f64::NAN, 1.0), "not a finite number"),
            (None, Some(80.0), figure(-inf, 1.0), "not a finite number"),
            (None, Some(80.0), figure(1.0, f64::NAN), "no usable uncertainty"),
            (None, Some(80.0), figure(1.0, inf), "no usable uncertainty"),
            (None, Some(80.0), figure(1.0, -0.1), "no usable uncertainty"),
            (None, None, figure(1.0, 0.1), "no limit"),
            (None, Some(f64::NAN), figure(1.0, 0.1), "limit is not a number"),
            (Some(f64::NAN), Some(80.0), figure(1.0, 0.1), "limit is not a number"),
            (Some(0.0), Some(f64::NAN), figure(1.0, 0.1), "limit is not a number"),
            (Some(5.0), Some(-5.0), figure(0.0, 9.0), "reversed: at least 5 and at most -5"),
            (None, Some(80.0), Err(Refusal { why: "3 of 9 are missing".into() }), "3 of 9 are missing"),
        ];
        for (low, high, measured, why) in rows {
            for rule in [Rule::Guarded, Rule::Simple] {
                let verdict = judge(rule, low, high, measured.clone());
                let refusal = verdict.measured.expect_err(why);
                assert!(refusal.why.contains(why), "{} is not about {why}", refusal.why);
                assert_eq!((verdict.standing, verdict.met, verdict.margin), (NotMeasured, false, None));
                assert_eq!(verdict.probability, None);
            }
        }
    }

    /// JCGM 106: 13.6 with u 1.8 within 12.5 and 16.3 gives 0.6626 (inputs from a public copy); 509.7 with u 8.6, at
    /// least 490, gives 0.989 (from memory). The rest is symmetry and arithmetic.
    #[test]
    fn the_probability_of_conformity_is_as_published() {
        let rows = [
            (13.6, 1.8, Some(12.5), Some(16.3), 0.6626, 5e-5),
            (509.7, 8.6, Some(490.0), None, 0.989, 5e-4),
            (490.0, 8.6, None, Some(490.0), 0.5, 1e-12),
            (78.0, 1.0, None, Some(80.0), 0.977_249_868, 1e-9),
            (80.0, 0.0, None, Some(80.0), 1.0, 0.0),
            (80.1, 0.0, None, Some(80.0), 0.0, 0.0),
            (79.9, 0.0, Some(80.0), None, 0.0, 0.0),
        ];
        for (value, u, low, high, expected, tolerance) in rows {
            let found = conformance_probability(value, u, low, high).expect("a probability");
            assert!((found - expected).abs() <= tolerance, "{value} with u {u}: {found} is not {expected}");
            if u > 0.0 {
                assert_eq!(judge(Rule::Simple, low, high, figure(value, u)).probability, Some(found));
            }
        }
        for (value, u, low, high) in [
            (f64::NAN, 1.0, 0.0, 1.0),
            (0.0, f64::NAN, 0.0, 1.0),
            (0.0, -1.0, 0.0, 1.0),
            (0.0, f64::INFINITY, 0.0, 1.0),
            (0.0, 1.0, f64::NAN, 1.0),
            (0.0, 1.0, 0.0, f64::NAN),
            (0.0, 1.0, 1.0, 0.0),
        ] {
            assert_eq!(conformance_probability(value, u, Some(low), Some(high)), None);
        }
    }
}
