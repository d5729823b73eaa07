//! Never a pass far beyond the truth. The truth of a figure is computed here from the twin's truth log, by other
//! formulas than the metrics' and over other moments.
//!
//! Judged: `tracking_rms`, `tracking_max`, `tracking_mean`, `steady_ripple` of the shaft speed, `bus_sag` of the bus,
//! `rise_rate` of the inverter's temperature. Not judged: overshoot and settling time (their levels rest on readings),
//! figures of the link (the link is what is read), everything from bursts.
//!
//! Which way the shaft turns is not judged: a reversed resolver on swapped phases reads in every sample like a sound
//! unit, and only a turn by hand tells them apart. The truth is then taken in the sense of the reading, and counted.

use super::evidence::Evidence;
use super::{Breach, Rule};
use crate::columns::Span;
use crate::files::rig::Role;
use crate::plan::Criterion;
use crate::results::{Results, evaluate};
use crate::time::Instant;
use crate::twin::Truth;

/// How many verdicts stand against a truth beyond their limit, and how many of these count as met.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Acceptance {
    /// Verdicts whose truth is known here.
    pub judged: u64,
    /// Of these, those whose truth lies beyond the limit.
    pub beyond: u64,
    /// Of these, those that were met all the same.
    pub accepted: u64,
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
            backwards: self.backwards + other.backwards,
        }
    }
}

pub(super) fn false_passes(evidence: &Evidence<'_>, breaches: &mut Vec<Breach>) -> Acceptance {
    let results = evaluate(evidence.plan, &evidence.records);
    let mut acceptance = Acceptance::default();
    for (test, verdicts) in evidence.plan.tests.iter().enumerate().map(|(i, t)| (i, &t.criteria)) {
        for (criterion, verdict) in verdicts.iter().zip(&results.verdicts[test]) {
            let Ok(measured) = &verdict.measured else { continue };
            let span = results.columns.spans.iter().find(|s| s.test == test && s.segment == criterion.over);
            let sense = span.map_or(1.0, |span| sense(evidence, &results, criterion, span));
            let truth = span.and_then(|span| truth_of(evidence, &results, criterion, span, sense));
            let Some(truth) = truth else { continue };
            acceptance.judged += 1;
            acceptance.backwards += u64::from(sense < 0.0);
            let above = criterion.high.map_or(f64::NEG_INFINITY, |high| truth - high);
            let below = criterion.low.map_or(f64::NEG_INFINITY, |low| low - truth);
            let beyond = above.max(below);
            if beyond <= 0.0 {
                continue;
            }
            acceptance.beyond += 1;
            acceptance.accepted += u64::from(verdict.met);
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
    let (t0, t1) = (Instant::from_secs_f64(span.t0), Instant::from_secs_f64(span.t1));
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
        ("bus_sag", Role::BusVoltage) => {
            let early = |r: &&Truth| r.t.secs_f64() <= span.t0 + 0.2;
            let mut first: Vec<f64> = rows().filter(early).map(|r| r.bus).collect();
            first.sort_by(f64::total_cmp);
            let lowest = rows().map(|r| r.bus).fold(f64::INFINITY, f64::min);
            Some(first.get(first.len() / 2)? - lowest)
        }
        ("rise_rate", Role::InverterTemperature) => {
            let points: Vec<(f64, f64)> = rows().map(|r| (r.t.secs_f64(), r.inverter)).collect();
            Some(line(&points).0)
        }
        _ => None,
    }
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
