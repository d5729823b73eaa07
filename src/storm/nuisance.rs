//! For nuisance: a sound unit on a quiet line is neither stopped nor refused nor alarmed.

use super::evidence::Evidence;
use super::{Breach, Rule, Trouble};
use crate::outcome::Cause;
use crate::time::Instant;
use crate::twin::BUILDS;

/// A run in which nothing was wrong until it ended, and which ended otherwise than at its end. Whether its criteria were met is
/// the unit's and the suite's business.
pub(super) fn nuisance(evidence: &Evidence<'_>, breaches: &mut Vec<Breach>) {
    let ended = &evidence.ended;
    let sound = |label: &str| BUILDS.first().is_some_and(|build| build.label == label);
    let troubles = &evidence.storm.troubles;
    if !evidence.plan.build.as_deref().is_none_or(sound) || !troubles.iter().all(|t| harmless(t, ended.at)) {
        return;
    }
    let stopped = troubles.iter().any(|t| matches!(t, Trouble::Stopped(at) if *at <= ended.at));
    let fine = match ended.cause {
        Cause::Passed | Cause::CriterionFailed => true,
        Cause::Stopped => stopped,
        Cause::FilesInvalid | Cause::NotMade | Cause::Refused | Cause::Tripped | Cause::NotConfirmed => false,
    };
    if !fine {
        let found = format!("nothing was wrong, and the run ended as {:?}: {}", ended.cause, ended.why);
        breaches.push(Breach { rule: Rule::Nuisance, at: ended.at, found });
    }
}

/// What is no excuse for a stop: what begins after the end, what has no severity, the sound build, and an operator's own stop.
fn harmless(trouble: &Trouble, end: Instant) -> bool {
    match trouble {
        Trouble::Fault(fault) => fault.severity == 0.0 || fault.onset > end,
        Trouble::Build(label) => BUILDS.first().is_some_and(|build| build.label == *label),
        Trouble::Late(at, _) | Trouble::Frozen(at, _) | Trouble::Unplugged(at, _) => *at > end,
        Trouble::Stopped(_) => true,
        Trouble::No(_) => false,
    }
}
