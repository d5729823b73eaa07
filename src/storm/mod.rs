//! Storms: many rehearsals with faults drawn at random, on the link, the unit, the rig and the surroundings, several
//! at once; and the invariants that each of them must keep.
//!
//! The judge believes the bytes on the wire and the twin's truth, never the engine's word. What could be known is
//! worked out from the bytes that came in; what was demanded from the bytes that went out.

mod acceptance;
mod after;
mod demands;
mod draw;
mod drives_on;
mod evidence;
mod kept;
mod listen;
mod nuisance;
mod proof;
mod ready;
mod reduce;
mod settings;
mod stops;
#[cfg(test)]
mod tests;

pub use acceptance::Acceptance;
pub use draw::{Always, Series, Storm, Trouble, draw};
pub use reduce::fewest;

use crate::engine::{Engine, Machine, replay};
use crate::files::rig::Rig;
use crate::files::unit::Unit;
use crate::outcome::Cause;
use crate::plan::Plan;
use crate::rehearsal::{Bench, Surroundings, TwinError, rehearse_with, twin_spec};
use crate::results::{Results, evaluate};
use crate::time::{Duration, Instant};
use crate::twin::{FaultSetting, find_build};
use evidence::Evidence;
use std::fmt;
use std::sync::Arc;

/// What must hold in every storm.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Rule {
    /// The stop is demanded within its deadline once its cause could be known.
    LateStop,
    /// After a cause to stop nothing is enabled again, and the run has not passed.
    WentOn,
    /// The gates go off and stay off after a stop; until they do, it is demanded again and again.
    StaysDriven,
    /// A stop is confirmed, truly, or alarmed.
    FalseProof,
    /// No torque goes on after a stop, beyond the time in which it must be noticed, without an alarm.
    DrivesOn,
    /// A stop that samples confirm is not alarmed.
    FalseAlarm,
    /// A sound unit on a quiet line is neither stopped nor refused nor alarmed.
    Nuisance,
    /// No demand is above the plan for a single frame.
    AboveThePlan,
    /// Nothing is enabled that is not ready.
    NotReady,
    /// Nothing is enabled with other settings or another build than were last read.
    OtherSettings,
    /// No recorded sample is lost, none invented.
    LostSample,
    /// Nothing passes beyond its limit by more than 4u of the truth.
    FalsePass,
    /// Every run ends, in a time that the plan bounds.
    NoEnd,
    /// The same inputs give the same outputs.
    NotRepeatable,
    /// Nothing panics.
    Panic,
}

impl Rule {
    /// As printed.
    pub fn words(self) -> &'static str {
        match self {
            Rule::LateStop => "the stop came late or not at all",
            Rule::WentOn => "the run went on after a cause to stop",
            Rule::StaysDriven => "the gates stayed on after a stop",
            Rule::FalseProof => "a stop was confirmed that was none",
            Rule::DrivesOn => "the torque went on after a stop, and nothing came of it",
            Rule::Nuisance => "a sound unit on a quiet line was stopped",
            Rule::OtherSettings => "something was enabled with settings that were not the last read",
            Rule::FalseAlarm => "a stop was called unconfirmed that was confirmed",
            Rule::AboveThePlan => "a demand was beyond the plan",
            Rule::NotReady => "something was enabled that was not ready",
            Rule::LostSample => "a sample was lost or invented",
            Rule::FalsePass => "a criterion passed far beyond the truth",
            Rule::NoEnd => "the run did not end",
            Rule::NotRepeatable => "the same inputs gave other outputs",
            Rule::Panic => "the runner panicked",
        }
    }
}

/// A rule that was broken.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Breach {
    /// Which.
    pub rule: Rule,
    /// When, on the virtual clock.
    pub at: Instant,
    /// What was found.
    pub found: String,
}

impl fmt::Display for Breach {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} at {}: {}", self.rule.words(), self.at, self.found)
    }
}

/// What storms are drawn over.
#[derive(Debug, Clone)]
pub struct Ground {
    /// The rig, for its twin.
    pub rig: Rig,
    /// The unit, for its twin.
    pub unit: Unit,
    /// The plan that is rehearsed.
    pub plan: Arc<Plan>,
}

/// A storm that was gone through.
#[derive(Debug, Clone, PartialEq)]
pub struct Weathered {
    /// How the engine ended it.
    pub cause: Cause,
    /// Its length on the virtual clock.
    pub length: Duration,
    /// How a report calls it, criteria included, and why.
    pub called: (Cause, String),
    /// Every rule that was broken, each once or more.
    pub breaches: Vec<Breach>,
    /// Verdicts held against the truth.
    pub acceptance: Acceptance,
    /// Over every output of the engine and how it ended: equal for equal runs.
    pub digest: u64,
}

impl Ground {
    /// Goes through a storm with the engine. `again`: its inputs are also fed to a fresh engine, which must do the same.
    ///
    /// Errors if there can be no twin for the files.
    pub fn weather(&self, storm: &Storm, again: bool) -> Result<Weathered, TwinError> {
        self.weather_with(Engine::new(self.plan.clone()), storm, again)
    }

    /// The same with a machine in the engine's place: a test shows with a spoilt one that the judge sees it.
    pub fn weather_with<M: Machine>(
        &self,
        machine: M,
        storm: &Storm,
        again: bool,
    ) -> Result<Weathered, TwinError> {
        let mut spec = twin_spec(&self.rig, &self.unit, &self.plan, storm.seed)?;
        let faults: Vec<FaultSetting> = storm
            .troubles
            .iter()
            .filter_map(|t| if let Trouble::Fault(fault) = t { Some(*fault) } else { None })
            .collect();
        let (mut around, mut stop_at, mut no) = (Surroundings::default(), None, None);
        for trouble in &storm.troubles {
            match trouble {
                Trouble::Fault(_) => {}
                Trouble::Build(label) => spec.build = find_build(label).unwrap_or(spec.build),
                Trouble::Late(from, most) => around.late = Some((*from, *most)),
                Trouble::Frozen(from, lasting) => around.frozen = Some((*from, *lasting)),
                Trouble::Stopped(at) => stop_at = Some(*at),
                Trouble::No(id) => no = Some(id),
                Trouble::Unplugged(at, link) => around.unplugged = Some((*at, *link)),
            }
        }
        let mut bench = Bench::new(spec, storm.seed, &faults);
        (bench.around, bench.stop_at) = (around.clone(), stop_at);
        let mut answer = |id: &str, _: &str| (no.is_none_or(|no| no != id), "drawn".to_string());
        let (mut moments, mut records, mut inputs, mut digest) = (Vec::new(), Vec::new(), Vec::new(), 0);
        let ended = rehearse_with(machine, &self.plan, &mut bench, &mut answer, &mut |step| {
            digest = mixed(digest, step.input.outputs);
            if again {
                inputs.push(step.input.clone());
            }
            moments.push(evidence::moment(&self.plan, step, &mut records));
        });
        let truth = bench.twin.drain_truth();
        digest = mixed(digest, ended.at.micros() as u64);
        let evidence = Evidence { plan: &self.plan, storm, around, moments, records, inputs, truth, ended };
        let results = evaluate(&self.plan, &evidence.records);
        let (breaches, acceptance) = judge(&evidence, &results, &self.plan, again);
        let cause = evidence.ended.cause;
        let called = (results.cause, results.why);
        Ok(Weathered {
            cause,
            length: evidence.ended.at - Instant::ZERO,
            called,
            breaches,
            acceptance,
            digest,
        })
    }
}

fn judge(
    evidence: &Evidence<'_>,
    results: &Results,
    plan: &Arc<Plan>,
    again: bool,
) -> (Vec<Breach>, Acceptance) {
    let mut breaches = Vec::new();
    let lines = listen::lines(evidence);
    let samples = listen::samples(plan, &lines);
    stops::too_late(evidence, &lines, &samples, &mut breaches);
    after::stays_driven(evidence, &mut breaches);
    proof::false_proof(evidence, &samples, &mut breaches);
    drives_on::drives_on(evidence, &mut breaches);
    proof::false_alarm(evidence, &samples, &mut breaches);
    demands::above_the_plan(evidence, &mut breaches);
    ready::not_ready(evidence, &lines, &samples, &mut breaches);
    settings::other_settings(evidence, &lines, &mut breaches);
    nuisance::nuisance(evidence, &mut breaches);
    kept::lost(evidence, &lines, &mut breaches);
    kept::told_otherwise(evidence, &mut breaches);
    let acceptance = acceptance::false_passes(evidence, &samples, results, &mut breaches);
    // Deadlines bound every state; what the surroundings add is bounded too.
    let bound = plan.length_estimate() + Duration::from_millis(30_000);
    if evidence.ended.at > bound {
        let found = format!("it ended at {}, expected by {bound}", evidence.ended.at);
        breaches.push(Breach { rule: Rule::NoEnd, at: evidence.ended.at, found });
    }
    if again && let (_, Some(difference)) = replay(plan.clone(), &evidence.inputs) {
        let rule = Rule::NotRepeatable;
        breaches.push(Breach { rule, at: difference.at, found: difference.what });
    }
    (breaches, acceptance)
}

/// One number after another into one (FNV-1a over their bytes).
fn mixed(digest: u64, number: u64) -> u64 {
    number.to_be_bytes().iter().fold(digest ^ 0xCBF2_9CE4_8422_2325, |hash, byte| {
        (hash ^ u64::from(*byte)).wrapping_mul(0x0000_0100_0000_01B3)
    })
}
