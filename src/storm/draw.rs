//! Drawing a storm: which unit, which build, what is wrong, how bad, and from when on.

use crate::plan::Plan;
use crate::time::{Duration, Instant};
use crate::twin::{BUILDS, FaultError, FaultName, FaultSetting, every_fault};
use rand::{RngExt, SeedableRng};
use rand_xoshiro::Xoshiro256PlusPlus;
use std::fmt;

/// One thing that is wrong.
#[derive(Debug, Clone, PartialEq)]
pub enum Trouble {
    /// With the unit, the rig or the link.
    Fault(FaultSetting),
    /// The controller runs another build than the sound one.
    Build(&'static str),
    /// Wake-ups come late from a moment on, by so much at most.
    Late(Instant, Duration),
    /// The runner is frozen from a moment on, for so long.
    Frozen(Instant, Duration),
    /// The operator stops the run.
    Stopped(Instant),
    /// The operator answers a question with no.
    No(String),
    /// The adapter of a link is pulled.
    Unplugged(Instant, usize),
}

/// As a person reads it; a fault as `--fault` takes it.
impl fmt::Display for Trouble {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Trouble::Fault(fault) => write!(f, "{fault}"),
            Trouble::Build(label) => write!(f, "build {label}"),
            Trouble::Late(from, most) => write!(f, "wake-ups up to {most} late from {from} on"),
            Trouble::Frozen(from, lasting) => write!(f, "the runner frozen for {lasting} at {from}"),
            Trouble::Stopped(at) => write!(f, "the operator stops at {at}"),
            Trouble::No(id) => write!(f, "the answer no to `{id}`"),
            Trouble::Unplugged(at, link) => write!(f, "link {link} unplugged at {at}"),
        }
    }
}

/// A storm.
#[derive(Debug, Clone, PartialEq)]
pub struct Storm {
    /// Seed of the twin: the unit within its nameplate, its noise, the chances of its link.
    pub seed: u64,
    /// What is wrong, in the order drawn.
    pub troubles: Vec<Trouble>,
}

/// A fault that every storm of a series has, with what is drawn of it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Always {
    name: FaultName,
    severity: Option<f64>,
    onset: Option<Instant>,
    alone: bool,
}

impl Always {
    /// Reads a fault as `--fault` has it. Severity and onset that are not said are drawn; `alone`: nothing else is wrong. Errors as
    /// [`FaultSetting::parse`].
    pub fn parse(text: &str, alone: bool) -> Result<Always, FaultError> {
        let FaultSetting { name, severity, onset } = FaultSetting::parse(text)?;
        let said = |mark: char| text.contains(mark);
        let (severity, onset) = (said('=').then_some(severity), said('@').then_some(onset));
        Ok(Always { name, severity, onset, alone })
    }

    /// Puts it into a storm of a plan, in the place of the first fault that was drawn.
    fn within(self, plan: &Plan, mut storm: Storm) -> Storm {
        let mut chance = Xoshiro256PlusPlus::seed_from_u64(storm.seed);
        let (severity, onset) = (severity(&mut chance), onset(plan, &mut chance));
        let fault = Trouble::Fault(FaultSetting {
            name: self.name,
            severity: self.severity.unwrap_or(severity),
            onset: self.onset.unwrap_or(onset),
        });
        if self.alone {
            storm.troubles.clear();
        }
        match storm.troubles.iter_mut().find(|t| matches!(t, Trouble::Fault(_))) {
            Some(first) => *first = fault,
            None => storm.troubles.insert(0, fault),
        }
        storm
    }
}

/// What the storms of a series are.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Series {
    /// Everything is drawn.
    Drawn,
    /// One fault is in each, whatever else is drawn.
    Always(Always),
    /// Nothing is wrong: sound units, of which number K has the seed S + K, as `rehearse --seed` takes it.
    Sound,
}

impl Series {
    /// Storm `index` of a seed; it depends on nothing else but the plan.
    pub fn storm(self, plan: &Plan, seed: u64, index: u64) -> Storm {
        match self {
            Series::Drawn => draw(plan, seed, index),
            Series::Always(fault) => fault.within(plan, draw(plan, seed, index)),
            Series::Sound => Storm { seed: seed.wrapping_add(index), troubles: Vec::new() },
        }
    }
}

/// How many things are wrong at once, in per cent of storms: none, one, two...
const COUNTS: [u32; 7] = [4, 30, 28, 18, 11, 6, 3];
/// Severities are drawn over this range, evenly over their logarithm: from hardly there to far worse than described.
const SEVERITY: (f64, f64) = (0.03, 4.0);

/// Draws storm `index` of a seed. It depends on nothing else but the plan.
pub fn draw(plan: &Plan, seed: u64, index: u64) -> Storm {
    let mut chance = Xoshiro256PlusPlus::seed_from_u64(seed ^ index.wrapping_mul(0x9E37_79B9_7F4A_7C15));
    let twin = chance.random();
    let mut roll = chance.random_range(0..100);
    let mut count = 0;
    while count + 1 < COUNTS.len() && roll >= COUNTS[count] {
        roll -= COUNTS[count];
        count += 1;
    }
    let mut troubles: Vec<Trouble> = Vec::new();
    while troubles.len() < count {
        let trouble = trouble(plan, &mut chance);
        // One of each sort of surroundings: a second would take the place of the first.
        let sort = std::mem::discriminant(&trouble);
        let fault = matches!(trouble, Trouble::Fault(_));
        if fault || troubles.iter().all(|t| std::mem::discriminant(t) != sort) {
            troubles.push(trouble);
        }
    }
    Storm { seed: twin, troubles }
}

fn trouble(plan: &Plan, chance: &mut Xoshiro256PlusPlus) -> Trouble {
    let onset = onset(plan, chance);
    match chance.random_range(0..100) {
        0..72 => {
            let all = every_fault();
            let name = all[chance.random_range(0..all.len())];
            let severity = severity(chance);
            Trouble::Fault(FaultSetting { name, severity, onset })
        }
        72..76 => Trouble::Build(BUILDS[chance.random_range(0..BUILDS.len())].label),
        76..83 => Trouble::Late(onset, milliseconds(even_over_logarithm(chance, (0.1, 40.0)))),
        83..90 => Trouble::Frozen(onset, milliseconds(even_over_logarithm(chance, (1.0, 3000.0)))),
        90..95 => Trouble::Stopped(onset),
        95..97 if !plan.ready.questions.is_empty() => {
            let questions = &plan.ready.questions;
            Trouble::No(questions[chance.random_range(0..questions.len())].id.clone())
        }
        _ => Trouble::Unplugged(onset, chance.random_range(0..plan.links.len())),
    }
}

/// Two decimals: what is printed is what was drawn.
fn severity(chance: &mut Xoshiro256PlusPlus) -> f64 {
    let severity = if chance.random_bool(0.1) { 1.0 } else { even_over_logarithm(chance, SEVERITY) };
    (severity * 100.0).ceil() / 100.0
}

/// In one of six cases from the start on, else anywhere in the run, to the millisecond.
fn onset(plan: &Plan, chance: &mut Xoshiro256PlusPlus) -> Instant {
    let tests =
        plan.tests.iter().map(|t| plan.ready.observe + t.profile.length() + Duration::from_millis(1500));
    let length = tests.fold(Duration::ZERO, |sum, t| sum + t);
    if chance.random_bool(1.0 / 6.0) {
        return Instant::ZERO;
    }
    Instant::from_micros(chance.random_range(0..=length.micros() / 1000) * 1000)
}

fn even_over_logarithm(chance: &mut Xoshiro256PlusPlus, (low, high): (f64, f64)) -> f64 {
    (low.ln() + (high / low).ln() * chance.random::<f64>()).exp()
}

fn milliseconds(ms: f64) -> Duration {
    Duration::from_micros((ms * 1e3).round() as i64)
}
