//! Guards, their grades, and how far up the ladder they let a run go.
//!
//! Why: a guard that only a person's eyes stand for holds while somebody looks; nobody looks for an hour. One that
//! nothing stands for leaves the first spin, which is over before heat or speed can do much (common practice).

use crate::files::suite::Rung;
use crate::plan::{Check, Plan, Way};
use crate::record::{Event, Grade, What};

/// A guard that caps rungs.
#[derive(Debug)]
pub struct Guard {
    /// In words.
    pub name: &'static str,
    /// Names of the pre-checks that can stand for it; the best of them counts.
    pub checks: &'static [&'static str],
    /// Highest rung if nothing stands for it.
    pub absent: Rung,
    /// Highest rung if a person does.
    pub confirmed: Rung,
    /// Highest rung if it is inferred from other quantities.
    pub inferred: Rung,
}

/// The guards that cap.
pub const GUARDS: &[Guard] = &[
    Guard {
        name: "coolant moving",
        checks: &["coolant moving", "coolant flow", "question coolant"],
        absent: Rung::FirstSpin,
        confirmed: Rung::RunUp,
        inferred: Rung::Heat,
    },
    Guard {
        name: "emergency-stop loop",
        checks: &["emergency-stop loop closed", "emergency-stop loop"],
        absent: Rung::FirstSpin,
        confirmed: Rung::RunUp,
        inferred: Rung::RunUp,
    },
    // Without them nobody can tell that they changed between two rungs.
    Guard {
        name: "settings read back",
        checks: &["settings"],
        absent: Rung::FirstSpin,
        confirmed: Rung::FirstSpin,
        inferred: Rung::FirstSpin,
    },
    // Another unit on the bench would climb on what this one has passed.
    Guard {
        name: "serial read back",
        checks: &["serial"],
        absent: Rung::FirstSpin,
        confirmed: Rung::FirstSpin,
        inferred: Rung::FirstSpin,
    },
    Guard {
        name: "build read back",
        checks: &["build"],
        absent: Rung::FirstSpin,
        confirmed: Rung::FirstSpin,
        inferred: Rung::FirstSpin,
    },
];

/// A cap and the guard that makes it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Cap {
    /// The highest rung.
    pub rung: Rung,
    /// Name of the guard.
    pub guard: &'static str,
    /// How it is known.
    pub grade: Grade,
}

/// How good a grade is; higher is better.
fn rank(grade: Grade) -> u8 {
    match grade {
        Grade::Measured => 3,
        Grade::Inferred => 2,
        Grade::Confirmed => 1,
        Grade::Absent => 0,
    }
}

/// Every cap below the highest rung, the lowest first. A guard that is not in the list is absent.
pub fn cap(grades: &[(String, Grade)]) -> Vec<Cap> {
    let mut caps: Vec<Cap> = GUARDS
        .iter()
        .filter_map(|guard| {
            let found = grades.iter().filter(|(name, _)| guard.checks.contains(&name.as_str()));
            let grade = found.map(|(_, g)| *g).max_by_key(|g| rank(*g)).unwrap_or(Grade::Absent);
            let rung = match grade {
                Grade::Measured => return None,
                Grade::Inferred => guard.inferred,
                Grade::Confirmed => guard.confirmed,
                Grade::Absent => guard.absent,
            };
            Some(Cap { rung, guard: guard.name, grade })
        })
        .collect();
    caps.sort_by_key(|cap| cap.rung);
    caps
}

/// The guards of a run as recorded, each once with the worst grade that it had.
pub fn graded(events: &[Event]) -> Vec<(String, Grade)> {
    let mut grades: Vec<(String, Grade)> = Vec::new();
    let mut note = |name: &str, grade: Grade| match grades.iter_mut().find(|(n, _)| n == name) {
        Some((_, worst)) => *worst = if rank(grade) < rank(*worst) { grade } else { *worst },
        None => grades.push((name.into(), grade)),
    };
    for event in events {
        match &event.what {
            What::PreCheck { name, grade, .. } => note(name, *grade),
            What::Identity { fields, .. } => {
                for what in ["serial", "build"] {
                    let told = fields.iter().any(|(name, _)| name == what);
                    note(what, if told { Grade::Measured } else { Grade::Absent });
                }
            }
            _ => {}
        }
    }
    grades
}

/// The guards as they can be at best, from the plan alone: before anything is sent. `person`: whether somebody answers
/// the questions.
pub fn expected_guards(plan: &Plan, person: bool) -> Vec<(String, Grade)> {
    let ready = &plan.ready;
    // What every test wants first, then what some have set before them.
    let mut windows: Vec<(String, Grade)> = Vec::new();
    for window in ready.windows.iter().cloned().chain((0..plan.tests.len()).flat_map(|t| plan.windows(t))) {
        if windows.iter().all(|(name, _)| *name != window.name) {
            windows.push((window.name, plan.channels[window.channel].grade));
        }
    }
    let windows = windows.into_iter();
    let absent = ready.absent.iter().map(|name| (name.clone(), Grade::Absent));
    let answered = if person { Grade::Confirmed } else { Grade::Absent };
    let asked = ready.questions.iter().map(|q| (format!("question {}", q.id), answered));
    let known = |any: bool| if any { Grade::Measured } else { Grade::Absent };
    let settings = known(plan.links.iter().any(|l| !l.settings.is_empty()));
    let told = |what: &str| {
        let names = |link: &crate::plan::Link| {
            link.identity.as_ref().is_some_and(|i| i.expect.fields().iter().any(|f| f == what))
        };
        (what.to_string(), known(plan.links.iter().any(names)))
    };
    let way = |way: &Way| match way {
        Way::Within(_, _, grade) => *grade,
        Way::Seen(_) => answered,
        Way::Alike(..) | Way::Together(..) | Way::Predicted(_) | Way::Pulse(_) => Grade::Measured,
    };
    let best = |check: &Check| check.ways.iter().map(way).min().unwrap_or(Grade::Absent);
    let checks = ready.checks.iter().map(|check| (check.name.clone(), best(check)));
    windows
        .chain(checks)
        .chain(absent)
        .chain(asked)
        .chain([("settings".to_string(), settings), told("serial"), told("build")])
        .collect()
}
