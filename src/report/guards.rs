//! The guards with their grades, and how far up the ladder each lets a unit go with this run.

use super::Evidence;
use crate::evidence::{GUARDS, cap, graded};
use crate::files::suite::Rung;
use crate::guards::guards;
use crate::record::Grade;

/// One guard as it stands in the report.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct GuardRow {
    /// Its name, that of its pre-check.
    pub name: String,
    /// How it was known, the worst of all tests.
    pub grade: &'static str,
    /// Whether it was absent: nothing and nobody stood for it.
    pub absent: bool,
    /// Whether it held: held, REFUSED, did not stand.
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
            let of = |name: &str| guard.checks.contains(&name);
            let cap = caps.iter().find(|c| c.guard == guard.name);
            // A cap says how well the best of its pre-checks was known; a guard without one was measured.
            let grade = cap.map_or(Grade::Measured, |c| c.grade);
            let held = all.iter().filter(|g| of(&g.name) && g.grade != Grade::Absent).all(|g| g.holds);
            row(guard.name, grade, held, cap.map_or_else(|| "no cap".into(), |c| upto(c.rung)))
        })
        .collect();
    let capping = |name: &str| GUARDS.iter().any(|guard| guard.checks.contains(&name));
    let others = all.iter().filter(|g| !capping(&g.name));
    rows.extend(others.map(|g| row(&g.name, g.grade, g.holds, String::new())));
    rows
}

fn upto(rung: Rung) -> String {
    format!("caps at {}", rung.word())
}

fn row(name: &str, grade: Grade, held: bool, caps: String) -> GuardRow {
    let stood = match (grade, held) {
        (Grade::Absent, _) => "did not stand",
        (_, true) => "held",
        (_, false) => "REFUSED",
    };
    GuardRow { name: name.into(), grade: grade.words(), absent: grade == Grade::Absent, stood, caps }
}
