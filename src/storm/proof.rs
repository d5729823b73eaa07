//! A stop is confirmed or alarmed: every word that it is confirmed is held against the twin's truth.

use super::evidence::Evidence;
use super::{Breach, Rule};
use crate::outcome::Cause;
use crate::record::{Record, Stage, What};
use crate::time::Instant;
use crate::twin::Truth;

pub(super) fn false_proof(evidence: &Evidence<'_>, breaches: &mut Vec<Breach>) {
    let plan = evidence.plan;
    let mut say = |at, found| breaches.push(Breach { rule: Rule::FalseProof, at, found });
    for record in &evidence.records {
        let Record::Event(event) = record else { continue };
        let Some(truth) = truth_at(evidence, event.at) else { continue };
        match &event.what {
            What::Stage { stage: Stage::NotDriven, confirmed: true, .. } | What::TorqueOff { .. }
                if truth.gates =>
            {
                say(event.at, "not driven was confirmed while the gates switched".into());
            }
            What::Stage { stage: Stage::AtRest, confirmed: true, .. } => {
                let (channel, limit) = plan.stop.speed;
                let most = limit + 4.0 * plan.channels[channel].u;
                if truth.speed.abs() > most {
                    say(
                        event.at,
                        format!("at rest was confirmed at {:.2} rad/s, limit {limit:.2}", truth.speed),
                    );
                }
            }
            What::Stage { stage: Stage::DeEnergised, confirmed: true, .. } => {
                let (channel, limit) = plan.stop.bus;
                if truth.bus > limit + 4.0 * plan.channels[channel].u {
                    say(
                        event.at,
                        format!("de-energised was confirmed at {:.1} V, limit {limit:.1} V", truth.bus),
                    );
                }
            }
            _ => {}
        }
    }
    let enabled = evidence.moments.iter().flat_map(|m| &m.told).any(|t| t.enables());
    if evidence.ended.cause == Cause::NotConfirmed || !enabled {
        return;
    }
    if let Some(truth) = evidence.truth.last().map(|r| r.truth) {
        let (channel, limit) = plan.stop.speed;
        if truth.gates {
            say(
                evidence.ended.at,
                format!("the gates switch, and the run ended as {:?}", evidence.ended.cause),
            );
        } else if truth.speed.abs() > limit + 4.0 * plan.channels[channel].u {
            let found = format!(
                "it turns at {:.2} rad/s, and the run ended as {:?}",
                truth.speed, evidence.ended.cause
            );
            say(evidence.ended.at, found);
        }
    }
}

/// The newest truth at a moment: it is noted every 10 ms and whenever the gates change.
pub(super) fn truth_at(evidence: &Evidence<'_>, at: Instant) -> Option<Truth> {
    let next = evidence.truth.partition_point(|row| row.truth.t <= at);
    next.checked_sub(1).map(|i| evidence.truth[i].truth)
}
