//! The guards of a run with their grades, in one place: what a ladder caps its rungs by.

use crate::plan::Plan;
use crate::record::{Event, Grade, What};
use serde::Serialize;

/// A guard: something that stood, or did not stand, between a mistake and a person.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Guard {
    /// Its name, that of its pre-check.
    pub name: String,
    /// How it was known, the worst of all tests: a guard that was absent once was absent.
    pub grade: Grade,
    /// Whether it held each time; an absent one holds nothing.
    pub holds: bool,
    /// Whether it refused; one that could tell nothing is absent and may refuse all the same.
    pub refused: bool,
}

/// Every guard of a run by name, in the order in which they were looked at; those that the rig has not come last, and
/// those of pre-checks that were never reached are not there.
pub fn guards<'a>(plan: &Plan, events: impl IntoIterator<Item = &'a Event>) -> Vec<Guard> {
    let mut guards: Vec<Guard> = Vec::new();
    for event in events {
        let What::PreCheck { name, holds, grade, .. } = &event.what else { continue };
        let (holds, refused) = (*holds && *grade != Grade::Absent, !*holds);
        match guards.iter_mut().find(|g| g.name == *name) {
            Some(guard) => {
                guard.grade = guard.grade.max(*grade);
                guard.holds &= holds;
                guard.refused |= refused;
            }
            None => guards.push(Guard { name: name.clone(), grade: *grade, holds, refused }),
        }
    }
    for name in &plan.ready.absent {
        if !guards.iter().any(|g| g.name == *name) {
            guards.push(Guard { name: name.clone(), grade: Grade::Absent, holds: false, refused: false });
        }
    }
    guards.sort_by_key(|guard| guard.grade == Grade::Absent);
    guards
}
