//! Which rungs are open, what opened them and what closed them.

use super::entry::{Class, Entry, Standing, Told};
use super::guards::{Cap, cap};
use crate::files::suite::Rung;
use crate::outcome::LadderEffect;
use crate::record::Grade;
use crate::trace::{Climb, Opening};

/// Why a rung below has not passed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Closed {
    /// No run of it has passed.
    Never,
    /// It passed, and does not count: what has changed since, or why it opens nothing.
    Changed {
        /// The run folder.
        folder: String,
        /// In words.
        why: Vec<String>,
    },
    /// It passed or not, and a later run closed it.
    By {
        /// The run folder.
        folder: String,
        /// Name of the suite.
        suite: String,
        /// How that run ended, in words.
        how: String,
    },
}

/// One rung.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Step {
    /// Which.
    pub rung: Rung,
    /// The run that passed it, if it counts.
    pub passed: Result<Opening, Closed>,
}

/// The ladder of one unit as it stands.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Ladder {
    /// From the lowest rung up.
    pub steps: Vec<Step>,
    /// Caps by the guards of the rig, the lowest first.
    pub caps: Vec<Cap>,
}

/// A suite of the project that belongs to a rung.
pub fn suite_of(rung: Rung) -> &'static str {
    match rung {
        Rung::Commissioning => "suites/commissioning.toml",
        Rung::FirstSpin => "suites/first-spin.toml",
        Rung::Ramp => "suites/ramp-tracking.toml",
        Rung::RunUp => "suites/vibration-runup.toml",
        Rung::Heat => "suites/heat-soak.toml",
        Rung::Full => "a suite with rung = \"full\"",
    }
}

/// Builds the ladder from the runs in any order. `build` and `settings` are compared as far as they are known.
/// `grades` are the guards of the rig as they stand now.
pub fn ladder(
    now: &Standing,
    (build, settings): (&Told, &Told),
    class: Class,
    grades: &[(String, Grade)],
    runs: &[Entry],
) -> Ladder {
    let mut steps: Vec<Step> =
        Rung::WORDS.iter().map(|(_, rung)| Step { rung: *rung, passed: Err(Closed::Never) }).collect();
    let mut runs: Vec<&Entry> = runs
        .iter()
        .filter(|r| class != Class::Rehearsal && Class::of(r.kind) == class)
        .filter(|r| r.standing.serial == now.serial)
        .collect();
    runs.sort_by(|a, b| (&a.began_utc, &a.folder).cmp(&(&b.began_utc, &b.folder)));
    let newest = runs.iter().filter_map(|r| r.standing.assembly).max();
    for run in runs {
        let index = run.counts_as() as usize;
        match run.effect() {
            LadderEffect::Opens => {
                let why = does_not_count((now, newest), build, settings, run);
                let step = &mut steps[index];
                if why.is_empty() {
                    step.passed = Ok(opening(run));
                } else if step.passed.is_err() && !matches!(step.passed, Err(Closed::By { .. })) {
                    step.passed = Err(Closed::Changed { folder: run.folder.clone(), why });
                }
            }
            // What is above was passed by a unit that has since shown that it cannot do this: climb again from here.
            LadderEffect::Closes if same_unit_and_build(now, build, run) => {
                for step in &mut steps[index..] {
                    step.passed = Err(Closed::By {
                        folder: run.folder.clone(),
                        suite: run.suite.clone(),
                        how: run
                            .outcome
                            .map_or("nobody knows how it ended".to_string(), |c| c.row().headline.into()),
                    });
                }
            }
            LadderEffect::Closes | LadderEffect::Keeps => {}
        }
    }
    Ladder { steps, caps: cap(grades) }
}

fn opening(run: &Entry) -> Opening {
    Opening {
        rung: run.counts_as().word().into(),
        suite: run.suite.clone(),
        suite_sha256: run.suite_sha256.clone(),
        folder: run.folder.clone(),
        began_utc: run.began_utc.clone(),
    }
}

/// Why a passed run opens nothing here; empty if it counts. `newest` is the highest state of assembly that any run knows.
fn does_not_count(
    (now, newest): (&Standing, Option<u32>),
    build: &Told,
    settings: &Told,
    run: &Entry,
) -> Vec<String> {
    let then = &run.standing;
    let mut why = Vec::new();
    match (then.assembly, now.assembly) {
        // The unit file came back from somewhere: what was passed before the unit was opened counts no more.
        (Some(a), Some(b)) if a == b && newest > Some(b) => why.push(format!(
            "the unit file says state of assembly {b}, and there is a run of {}: count on from there",
            newest.unwrap_or(b)
        )),
        (Some(a), Some(b)) if a == b => {}
        (Some(a), Some(b)) => why.push(format!("the unit was opened: state of assembly {a}, now {b}")),
        _ => why.push("the unit file does not say the state of assembly".into()),
    }
    let mut file = |name: &str, a: &str, b: &str| {
        if a != b || a.is_empty() {
            why.push(format!("the {name} file has changed (SHA-256 {}, now {})", short(a), short(b)));
        }
    };
    file("unit", &then.unit_sha256, &now.unit_sha256);
    file("rig", &then.rig_sha256, &now.rig_sha256);
    let word = |text: &Option<String>| text.as_deref().map_or("not told".to_string(), short);
    if let Told::Said(build) = build
        && *build != then.build
    {
        let (then, now) =
            (then.build.as_deref().unwrap_or("not told"), build.as_deref().unwrap_or("not told"));
        why.push(format!("another build: {then}, now {now}"));
    }
    if let Told::Said(settings) = settings
        && *settings != then.settings
    {
        why.push(format!("other settings (SHA-256 {}, now {})", word(&then.settings), word(settings)));
    }
    if run.off_ladder {
        why.push(match run.rung {
            Some(Rung::Commissioning) => {
                "it was a part of a commissioning only, or the ladder was left aside".into()
            }
            _ => {
                "the ladder was left aside for that run, or a test of it that drives has no criterion".into()
            }
        });
    }
    // One of a program that did not ask for it: no stop above it could be relied on.
    if run.counts_as() == Rung::Commissioning && run.controller_us.is_none() {
        why.push("its stop frame was not proved with the command timeout kept fed".into());
    }
    for cap in cap(&run.grades).iter().filter(|c| c.rung < run.counts_as()) {
        why.push(format!(
            "its guard {} was {}, which caps at {}",
            cap.guard,
            cap.grade.words(),
            cap.rung.word()
        ));
    }
    why
}

/// A failure closes for this unit, build and state of assembly, whatever else has changed; what is not known counts as
/// the same.
fn same_unit_and_build(now: &Standing, build: &Told, run: &Entry) -> bool {
    let then = &run.standing;
    let assembly = now.assembly.is_none() || then.assembly.is_none() || now.assembly == then.assembly;
    let build = match (build, &then.build) {
        (Told::Said(Some(now)), Some(then)) => now == then,
        _ => true,
    };
    assembly && build
}

fn short(sha256: &str) -> String {
    sha256.get(..8).map_or_else(|| sha256.to_string(), |s| format!("{s}…"))
}

impl Ladder {
    /// What is missing before `rung` may be driven, in words; empty if it is open.
    pub fn missing(&self, rung: Rung) -> Vec<String> {
        let below = self.steps.iter().filter(|s| s.rung < rung);
        let mut missing: Vec<String> =
            below.filter_map(|s| Some(s.words(s.passed.as_ref().err()?))).collect();
        missing.extend(
            self.caps
                .iter()
                .filter(|c| c.rung < rung)
                .map(|c| format!("guard {} is {}: it caps at {}", c.guard, c.grade.words(), c.rung.word())),
        );
        missing
    }

    /// The lowest rung that has not passed.
    pub fn next(&self) -> Option<&Step> {
        self.steps.iter().find(|s| s.passed.is_err())
    }

    /// The lowest rung below `rung` that has not passed.
    pub fn next_below(&self, rung: Rung) -> Option<Rung> {
        self.next().map(|s| s.rung).filter(|r| *r < rung)
    }

    /// What opened `rung`: the passes of all rungs below it.
    pub fn opened_by(&self, rung: Rung) -> Vec<Opening> {
        self.steps.iter().filter(|s| s.rung < rung).filter_map(|s| s.passed.clone().ok()).collect()
    }
}

impl Step {
    /// Why it is closed, in words.
    pub fn words(&self, closed: &Closed) -> String {
        let rung = self.rung.word();
        match closed {
            Closed::Never => format!("{rung} has not passed"),
            Closed::Changed { folder, why } => format!("{rung} passed in {folder}, but {}", why.join("; ")),
            Closed::By { folder, suite, how } => format!("{rung} is closed by {folder} ({suite}: {how})"),
        }
    }
}

/// What `run.json` keeps of the ladder at the begin of a run.
pub fn climb(ladder: &Ladder, rung: Option<Rung>, enforced: bool) -> Climb {
    let counts_as = rung.unwrap_or(Rung::Full);
    Climb {
        rung: counts_as.word().into(),
        said: rung.is_some(),
        enforced,
        opened_by: ladder.opened_by(counts_as),
        missing: ladder.missing(counts_as),
    }
}
