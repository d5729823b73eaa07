//! A commissioning: several runs that count as one on the ladder.

use super::entry::Entry;
use super::proved::not_proved;
use super::shown;
use crate::files::suite::Rung;
use crate::outcome::Cause;
use crate::plan::{Plan, Segment, Shape, Test};
use crate::record::Grade;

/// What is known of a commissioning beside the runs of its rungs.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Whole {
    /// Name of its folder.
    pub folder: String,
    /// SHA-256 of the whole suite.
    pub suite_sha256: String,
    /// How many rungs the suite has.
    pub rungs: usize,
    /// What ended it; `None` while it goes on, or if nobody closed it.
    pub ended: Option<Cause>,
    /// SHA-256 of the unit file as it wrote it back; `None` if it did not.
    pub unit_after: Option<String>,
    /// What its suite does not show: see [`lacks`].
    pub lacks: Vec<String>,
}

/// What the tests of a plan would have to show besides, to open the rung that it names. Empty for a plan without a rung.
pub fn lacks(plan: &Plan) -> Vec<String> {
    match plan.rung {
        None => Vec::new(),
        Some(Rung::Commissioning) => {
            let closed_loop = shown::not_for_closed_loop(plan);
            [closed_loop, not_proved(plan), shown::not_by_limits(plan), for_each_test(plan)].concat()
        }
        Some(_) => for_each_test(plan),
    }
}

/// That a suite opens nothing and what it would have to show for that, in words; `None` if it lacks nothing.
pub fn opens_nothing(plan: &Plan) -> Option<String> {
    let lacks = lacks(plan);
    (!lacks.is_empty())
        .then(|| format!("the suite `{}` opens nothing; it does not show {}", plan.suite, lacks.join("; ")))
}

/// What drives and is held against nothing passes whatever the unit does. A silence and a stop frame on trial have an end of
/// their own, and the rig's heat pulse is a pre-check.
fn for_each_test(plan: &Plan) -> Vec<String> {
    let judged = |test: &Test| {
        let own = |s: &Segment| matches!(s.shape, Shape::Silence | Shape::StopFrame);
        !test.criteria.is_empty() || test.profile.watches() || test.profile.segments.iter().any(own)
    };
    let own = plan.tests.iter().skip(usize::from(plan.heat_pulse().is_some()));
    own.filter(|test| !judged(test))
        .map(|test| format!("anything of test `{}`, which drives and has no criterion", test.name))
        .collect()
}

/// The entry of a commissioning from those of its rungs, in their order; `None` before the first has begun.
///
/// It has passed when every rung has, all for the same files, build, settings and state of assembly. What it wrote back
/// into the unit file is what it measured of this very unit, so the pass holds for the file as written.
pub fn whole(whole: &Whole, rungs: &[Entry]) -> Option<Entry> {
    let last = rungs.last()?;
    let mut entry = last.clone();
    entry.folder.clone_from(&whole.folder);
    entry.suite_sha256.clone_from(&whole.suite_sha256);
    entry.began_utc.clone_from(&rungs[0].began_utc);
    // By itself a rung opens nothing, and neither does a part of them.
    entry.off_ladder = !whole.lacks.is_empty();
    entry.grades = worst(rungs);
    entry.controller_us = rungs.iter().filter_map(|rung| rung.controller_us).max();
    entry.outcome = outcome(whole, rungs);
    if let (Some(sha256), Some(Cause::Passed)) = (&whole.unit_after, entry.outcome) {
        entry.standing.unit_sha256.clone_from(sha256);
    }
    Some(entry)
}

/// `None`: nobody knows how it ended, or it has not.
fn outcome(whole: &Whole, rungs: &[Entry]) -> Option<Cause> {
    // A rung that did not pass counts, whatever was said of the whole.
    if let Some(rung) = rungs.iter().find(|r| r.outcome != Some(Cause::Passed)) {
        return rung.outcome;
    }
    let ended = whole.ended?;
    let alike = rungs.iter().all(|r| r.standing == rungs[0].standing && r.kind == rungs[0].kind);
    match (ended, rungs.len() == whole.rungs && alike) {
        (Cause::Passed, true) => Some(Cause::Passed),
        // It says that it passed, and its rungs do not.
        (Cause::Passed, false) => None,
        (other, _) => Some(other),
    }
}

/// Each guard with the worst grade that it had; one that some rung does not name was absent there.
fn worst(rungs: &[Entry]) -> Vec<(String, Grade)> {
    let mut names: Vec<&String> = Vec::new();
    for (name, _) in rungs.iter().flat_map(|r| &r.grades) {
        if !names.contains(&name) {
            names.push(name);
        }
    }
    let in_rung = |name: &String, rung: &Entry| {
        rung.grades.iter().find(|(n, _)| n == name).map_or(Grade::Absent, |(_, grade)| *grade)
    };
    let of = |name: &String| rungs.iter().map(|r| in_rung(name, r)).max().unwrap_or(Grade::Absent);
    names.into_iter().map(|name| (name.clone(), of(name))).collect()
}
