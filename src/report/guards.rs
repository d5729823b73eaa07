//! The guards with their grades, and how far up the ladder each lets a unit go with this run.

use super::Evidence;
use crate::evidence::{GUARDS, cap, graded};
use crate::files::suite::Rung;
use crate::guards::{Guard, guards};
use crate::record::Grade;

/// The pre-check that holds serial number and build against the files: each of the two guards stands or falls with it.
const IDENTITY: (&str, [&str; 2]) = ("identity and build", ["serial", "build"]);

/// One guard as it stands in the report.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct GuardRow {
    /// Its name, that of its pre-check.
    pub name: String,
    /// How it was known, the worst of all tests.
    pub grade: &'static str,
    /// Whether it was absent: nothing and nobody stood for it.
    pub absent: bool,
    /// Whether it held: held, REFUSED, not shown.
    pub stood: &'static str,
    /// What it does to the ladder: up to which rung it lets; empty if the ladder does not ask for it.
    pub caps: String,
}

/// The guards that cap rungs first, whether anything stood for them or not; then all others, absent ones last.
pub(super) fn rows(evidence: &Evidence<'_>) -> Vec<GuardRow> {
    let mut grades = graded(evidence.events);
    let absent = evidence.plan.ready.absent.iter().filter(|name| !grades.iter().any(|(n, _)| n == *name));
    let absent: Vec<(String, Grade)> = absent.map(|name| (name.clone(), Grade::Absent)).collect();
    grades.extend(absent);
    let caps = cap(&grades);
    let all = guards(evidence.plan, evidence.events);
    let mut rows: Vec<GuardRow> = GUARDS
        .iter()
        .map(|guard| {
            let identity = guard.checks.iter().any(|check| IDENTITY.1.contains(check));
            let of = |name: &str| guard.checks.contains(&name) || (identity && name == IDENTITY.0);
            let stood: Vec<&Guard> = all.iter().filter(|g| of(&g.name)).collect();
            let cap = caps.iter().find(|c| c.guard == guard.name);
            // A cap says how well the best of its pre-checks was known; a guard without one was measured.
            let grade = cap.map_or(Grade::Measured, |c| c.grade);
            row(guard.name, grade, &stood, cap.map_or_else(|| "no cap".into(), |c| upto(c.rung)))
        })
        .collect();
    let capping = |name: &str| GUARDS.iter().any(|guard| guard.checks.contains(&name));
    let others = all.iter().filter(|g| !capping(&g.name));
    rows.extend(others.map(|g| row(&g.name, g.grade, &[g], String::new())));
    rows
}

fn upto(rung: Rung) -> String {
    format!("caps at {}", rung.word())
}

/// `by`: the pre-checks that stood for it. One that refused is told whatever its grade, and where none was looked at
/// nothing has held.
fn row(name: &str, grade: Grade, by: &[&Guard], caps: String) -> GuardRow {
    let stood = if by.iter().any(|g| g.refused) {
        "REFUSED"
    } else if grade != Grade::Absent && by.iter().any(|g| g.holds) {
        "held"
    } else {
        "not shown"
    };
    GuardRow { name: name.into(), grade: grade.words(), absent: grade == Grade::Absent, stood, caps }
}
