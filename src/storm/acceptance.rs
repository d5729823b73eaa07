//! Never a pass far beyond the truth. The truth of a figure is computed here from the twin's truth log, by other
//! formulas than the metrics' and over other moments.
//!
//! Judged: `tracking_rms`, `tracking_max`, `tracking_mean`, `steady_ripple` of the shaft speed, `bus_sag` of the bus,
//! `rise_rate` of the inverter's temperature. What they let pass as a whole is judged too: a guard band of 2u bounds the
//! probability that a figure is met *given that the true value lies beyond the limit*. That is 2.3 % with the truth on the
//! very limit and next to nothing a few u beyond it, so each verdict counts with the probability of its own distance, and
//! those far beyond excuse nothing. Not judged: overshoot and settling time (their levels rest on readings),
//! figures of the link (the link is what is read), everything from bursts, and figures of a speed that was read falsely: no figure
//! of a dead sensor is right, and what must see that it is dead are trips.
//!
//! Which way the shaft turns is not judged: a reversed resolver on swapped phases reads in every sample like a sound
//! unit, and only a turn by hand tells them apart. The truth is then taken in the sense of the reading, and counted.

use super::evidence::Evidence;
use super::listen::Sample;
use super::proof::misread;
use super::{Breach, Rule};
use crate::columns::Span;
use crate::files::rig::Role;
use crate::files::suite::Rule as Decision;
use crate::plan::Criterion;
use crate::results::Results;
use crate::time::Instant;
use crate::twin::TruthRow;
use statrs::distribution::{ContinuousCDF, Normal};

/// How many verdicts stand against a truth beyond their limit, and how many of these count as met.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Acceptance {
    /// Verdicts whose truth is known here.
    pub judged: u64,
    /// Of these, those whose truth lies beyond the limit.
    pub beyond: u64,
    /// Of these, those that were met all the same.
    pub accepted: u64,
    /// How many of those beyond the decision rule lets pass in the mean, in millionths: the sum of the probabilities that each
    /// is met, given how many of its u the truth lies beyond the limit.
    pub let_through: u64,
    /// Those met that are beyond their limit only by what the bus does between two samples, of which the criterion says nothing:
    /// they count neither as beyond nor as accepted.
    pub unseen: u64,
    /// Of those judged, those over which the shaft turned the other way than was read.
    pub backwards: u64,
}

impl Acceptance {
    /// Both together.
    pub fn and(self, other: Acceptance) -> Acceptance {
        Acceptance {
            judged: self.judged + other.judged,
            beyond: self.beyond + other.beyond,
            accepted: self.accepted + other.accepted,
            let_through: self.let_through + other.let_through,
            unseen: self.unseen + other.unseen,
            backwards: self.backwards + other.backwards,
        }
    }

    /// How many of those beyond the decision rule lets pass in the mean.
    pub fn expected(self) -> f64 {
        self.let_through as f64 * 1e-6
    }

    /// Whether more were met than the decision rule lets pass: by four standard deviations of a count that rare, and by more
    /// than one.
    pub fn is_too_much(self) -> bool {
        let most = self.expected() + 4.0 * self.expected().sqrt();
        self.accepted as f64 > most.max(1.0)
    }
}

/// Probability that a figure is met, given a true value `beyond` the limit (at least 0) and the figure's standard
/// uncertainty: normally distributed about the truth, the figure must come to lie inside by the guard band, 2u, or inside at all.
fn let_through(rule: Decision, beyond: f64, u: f64) -> f64 {
    let band = match rule {
        Decision::Guarded => 2.0,
        Decision::Simple => 0.0,
    };
    let away = band + beyond / u;
    if away.is_finite() { Normal::standard().cdf(-away) } else { 0.0 }
}

pub(super) fn false_passes(
    evidence: &Evidence<'_>,
    samples: &[Sample],
    results: &Results,
    breaches: &mut Vec<Breach>,
) -> Acceptance {
    let mut acceptance = Acceptance::default();
    for (test, verdicts) in evidence.plan.tests.iter().enumerate().map(|(i, t)| (i, &t.criteria)) {
        for (criterion, verdict) in verdicts.iter().zip(&results.verdicts[test]) {
            let Ok(measured) = &verdict.measured else { continue };
            let span = results.columns.spans.iter().find(|s| s.test == test && s.segment == criterion.over);
            let sense = span.map_or(1.0, |span| sense(evidence, results, criterion, span));
            let truth = span.and_then(|span| match sag_over(evidence, criterion, span) {
                Some(sag) => Some(sag),
                None => Some((truth_of(evidence, results, criterion, span, sense)?, 0.0)),
            });
            let Some((truth, unseen)) = truth else { continue };
            // What reads in the other sense all along is judged, in the sense of the reading.
            let false_speed = |span: &Span| of_a_false_speed(evidence, samples, criterion, span);
            if sense > 0.0 && span.is_some_and(false_speed) {
                continue;
            }
            acceptance.judged += 1;
            acceptance.backwards += u64::from(sense < 0.0);
            let above = criterion.high.map_or(f64::NEG_INFINITY, |high| truth - high);
            let below = criterion.low.map_or(f64::NEG_INFINITY, |low| low - truth);
            let beyond = above.max(below);
            if beyond <= 0.0 {
                continue;
            }
            // What no sample may have shown is said and not held against the figure.
            if beyond <= unseen {
                acceptance.unseen += u64::from(verdict.met);
                continue;
            }
            let beyond = beyond - unseen;
            acceptance.beyond += 1;
            acceptance.accepted += u64::from(verdict.met);
            acceptance.let_through +=
                (1e6 * let_through(evidence.plan.rule, beyond, measured.u)).round() as u64;
            if verdict.met && beyond > 4.0 * measured.u {
                let found = format!(
                    "{} of {} over `{}` passed with {} (u {}); in truth it is {truth} (SI), beyond its limit by {beyond}",
                    criterion.metric.id(),
                    criterion.of,
                    span.map_or("", |s| &s.name),
                    measured.value,
                    measured.u
                );
                breaches.push(Breach { rule: Rule::FalsePass, at: evidence.ended.at, found });
            }
        }
    }
    acceptance
}

/// The figure as it was in truth, SI; `None` if it is not one of those judged.
fn truth_of(
    evidence: &Evidence<'_>,
    results: &Results,
    criterion: &Criterion,
    span: &Span,
    sense: f64,
) -> Option<f64> {
    let role = evidence.plan.channels.iter().find(|c| c.name == criterion.of)?.role?;
    // What began at the very end no sample of the span can show: a reading is a little late, and the next one lies beyond.
    let series = results.columns.series(&criterion.of)?;
    let newest = series.t[series.within(span.t0, span.t1)].last().copied()? - READING_LATE;
    let (t0, t1) = (Instant::from_secs_f64(span.t0), Instant::from_secs_f64(newest));
    let rows = || evidence.truth.iter().map(|r| &r.truth).filter(move |r| r.t >= t0 && r.t <= t1);
    let errors = || -> Option<Vec<f64>> {
        let demand = results.columns.demands.iter().find(|d| d.name == criterion.against)?;
        rows().map(|r| Some(sense * r.speed - demand.at(r.t.secs_f64())?)).collect::<Option<Vec<f64>>>()
    };
    let n = rows().count();
    if n < 20 {
        return None;
    }
    match (criterion.metric.id(), role) {
        ("tracking_mean", Role::ShaftSpeed) => Some(errors()?.iter().sum::<f64>() / n as f64),
        ("tracking_max", Role::ShaftSpeed) => {
            Some(errors()?.iter().fold(0.0, |most: f64, e| most.max(e.abs())))
        }
        ("tracking_rms", Role::ShaftSpeed) => {
            Some((errors()?.iter().map(|e| e * e).sum::<f64>() / n as f64).sqrt())
        }
        ("steady_ripple", Role::ShaftSpeed) => {
            let steady = span.t0 + 0.1 * (span.t1 - span.t0);
            let points: Vec<(f64, f64)> =
                rows().map(|r| (r.t.secs_f64(), sense * r.speed)).filter(|(t, _)| *t >= steady).collect();
            let (slope, at_zero) = line(&points);
            let away = |(t, v): &(f64, f64)| (v - at_zero - slope * t).abs();
            Some(points.iter().map(away).fold(0.0, f64::max))
        }
        ("rise_rate", Role::InverterTemperature) => {
            let points: Vec<(f64, f64)> = rows().map(|r| (r.t.secs_f64(), r.inverter)).collect();
            Some(line(&points).0)
        }
        _ => None,
    }
}

/// How late a reading may be after what it is of, s: a row of the truth.
const READING_LATE: f64 = 0.01;

/// How far a reading of the speed lies from the truth when no figure of it is right, rad/s: some 10 rpm, more than all that a sound
/// sensor may be off and late.
const SPEED_FALSE_BY: f64 = 1.0;

/// Whether a figure is of a speed that was read falsely over its span: no figure of a dead sensor is right.
fn of_a_false_speed(evidence: &Evidence<'_>, samples: &[Sample], criterion: &Criterion, span: &Span) -> bool {
    let channels = &evidence.plan.channels;
    let speed = channels.iter().any(|c| c.name == criterion.of && c.role == Some(Role::ShaftSpeed));
    let stretch = (Instant::from_secs_f64(span.t0), Instant::from_secs_f64(span.t1));
    speed && misread(evidence, samples, stretch, SPEED_FALSE_BY)
}

/// The sag of the bus in truth, V, if that is what the criterion is of, and how much of it samples may have missed.
fn sag_over(evidence: &Evidence<'_>, criterion: &Criterion, span: &Span) -> Option<(f64, f64)> {
    let bus = evidence.plan.channel_with(Role::BusVoltage).map(|c| &evidence.plan.channels[c].name);
    if criterion.metric.id() != "bus_sag" || bus != Some(&criterion.of) {
        return None;
    }
    let within = |r: &&TruthRow| (span.t0..=span.t1).contains(&r.truth.t.secs_f64());
    // What the first row has seen lies before the span.
    let seen: Vec<&TruthRow> = evidence.truth.iter().filter(within).skip(1).collect();
    if seen.len() < 20 {
        return None;
    }
    let (sag, ripple) = sag(&seen, span.t0 + 0.2)?;
    // A figure that is told what the capacitor loses between two samples has no excuse.
    let told = criterion.given.range("capacitance").is_some();
    Some((sag, if told { 0.0 } else { ripple }))
}

/// How far the bus fell below the middle of what it was until a moment, in s: by the lowest and highest between the rows, which
/// come at one and the same point of the mains' ripple. And how much of that is the ripple about the lowest: polls that keep
/// step with the mains come at one point of it too, whichever it is.
fn sag(seen: &[&TruthRow], until: f64) -> Option<(f64, f64)> {
    let early = seen.iter().filter(|r| r.truth.t.secs_f64() <= until);
    let mut first: Vec<f64> = early.map(|r| 0.5 * (r.bus_low + r.bus_high)).collect();
    first.sort_by(f64::total_cmp);
    let (at, lowest) = seen.iter().map(|r| r.bus_low).enumerate().min_by(|a, b| a.1.total_cmp(&b.1))?;
    let about = &seen[at.saturating_sub(1)..(at + 2).min(seen.len())];
    let ripple = about.iter().map(|r| r.bus_high - r.bus_low).fold(0.0, f64::max);
    Some((first.get(first.len() / 2)? - lowest, ripple))
}

/// -1 if the shaft turned the other way than was read, else 1.
fn sense(evidence: &Evidence<'_>, results: &Results, criterion: &Criterion, span: &Span) -> f64 {
    let Some(series) = results.columns.series(&criterion.of) else { return 1.0 };
    let read: f64 = series.v[series.within(span.t0, span.t1)].iter().sum();
    let within = |t: f64| t >= span.t0 && t <= span.t1;
    let rows = evidence.truth.iter().map(|r| &r.truth).filter(|r| within(r.t.secs_f64()));
    let truth: f64 = rows.map(|r| r.speed).sum();
    let speed =
        evidence.plan.channels.iter().any(|c| c.name == criterion.of && c.role == Some(Role::ShaftSpeed));
    if speed && read * truth < 0.0 { -1.0 } else { 1.0 }
}

/// Slope and value at zero of the straight line through points, by sums about their means.
fn line(points: &[(f64, f64)]) -> (f64, f64) {
    let n = points.len() as f64;
    let t_mean = points.iter().map(|p| p.0).sum::<f64>() / n;
    let v_mean = points.iter().map(|p| p.1).sum::<f64>() / n;
    let tv: f64 = points.iter().map(|p| (p.0 - t_mean) * (p.1 - v_mean)).sum();
    let tt: f64 = points.iter().map(|p| (p.0 - t_mean).powi(2)).sum();
    let slope = if tt > 0.0 { tv / tt } else { 0.0 };
    (slope, v_mean - slope * t_mean)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::twin::{Twin, TwinSpec};

    /// Textbook: 2.275 % of a normal distribution lie beyond two standard deviations on one side, 0.135 % beyond three.
    #[test]
    fn the_further_the_truth_lies_beyond_the_less_may_pass() {
        for (rule, beyond, u, expected) in [
            (Decision::Guarded, 0.0, 0.5, 0.022_75),
            (Decision::Guarded, 0.5, 0.5, 0.001_35),
            (Decision::Guarded, 5.0, 0.5, 0.0),
            (Decision::Guarded, 0.5, 0.0, 0.0),
            (Decision::Simple, 0.0, 0.5, 0.5),
            (Decision::Simple, 1.0, 0.5, 0.022_75),
        ] {
            let got = let_through(rule, beyond, u);
            assert!((got - expected).abs() < 5e-6, "{beyond} with {u}: {got}, expected {expected}");
        }
    }

    /// A thousand far beyond do not excuse five that passed near the limit; a hundred on the limit do.
    #[test]
    fn what_is_far_beyond_excuses_nothing() {
        let far = Acceptance { judged: 1000, beyond: 1000, ..Acceptance::default() };
        let near = Acceptance { judged: 100, beyond: 100, let_through: 2_275_000, ..Acceptance::default() };
        let passed = Acceptance { judged: 5, beyond: 5, accepted: 5, ..Acceptance::default() };
        assert!(far.and(passed).is_too_much());
        assert!(!near.and(passed).is_too_much());
        assert!(!Acceptance { accepted: 1, ..far }.is_too_much());
    }

    /// 20 Ohm draw 1.2 kW from a bus of 155 V: its ripple is volts, and a row every 10 ms finds its crest or its foot.
    #[test]
    fn the_ripple_between_the_rows_of_the_truth_counts_as_sag() {
        let mut spec = TwinSpec::demo();
        spec.supply.bleeder = 20.0;
        let mut twin = Twin::new(spec, 1, &[]);
        twin.advance(Instant::from_secs_f64(2.0));
        let rows = twin.drain_truth();
        let steady: Vec<&TruthRow> = rows.iter().filter(|r| r.truth.t.secs_f64() > 1.0).collect();
        let ends = |rows: &mut dyn Iterator<Item = f64>| {
            rows.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(v), h.max(v)))
        };
        let at_rows = ends(&mut steady.iter().map(|r| r.truth.bus));
        let low = ends(&mut steady.iter().map(|r| r.bus_low)).0;
        let high = ends(&mut steady.iter().map(|r| r.bus_high)).1;
        assert!(at_rows.1 - at_rows.0 < 0.5, "the rows lie between {at_rows:?}");
        assert!(high - low > 3.0, "the bus lies between {low} and {high}");
        let (sag, ripple) = sag(&steady, 1.2).expect("a level");
        assert!((sag - 0.5 * (high - low)).abs() < 0.3, "{sag} of {low} to {high}");
        assert!((ripple - (high - low)).abs() < 0.3, "{ripple} of {low} to {high}");
    }
}
