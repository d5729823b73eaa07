//! `ladder`: which rungs are open for a unit on a rig, what opened and what closed them, what is next. And the same
//! before a run.

use super::index::unusable;
use super::load::{Loaded, Text, demo_rig, demo_unit, read, resolve_texts};
use super::{Early, Files, say};
use crate::archive::{Index, unlisted};
use crate::engine::Gate;
use crate::evidence::{
    Class, Entry, Ladder, Standing, Told, climb, expected_guards, ladder, slower_than_declared, suite_of,
};
use crate::files::suite::Rung;
use crate::outcome::Cause;
use crate::plan::Link;
use crate::record::{Grade, Record, What};
use crate::shell::clock::utc_now;
use crate::shell::port::{PortKind, look_at};
use crate::time::Duration;
use crate::trace::Climb;
use sha2::{Digest, Sha256};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};

/// Arguments of `ladder`.
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    /// The rig; the demo rig if absent.
    #[arg(long, value_name = "FILE")]
    rig: Option<PathBuf>,
    /// The unit; the demo unit if absent (only with the demo rig).
    #[arg(long, value_name = "FILE")]
    unit: Option<PathBuf>,
    /// The build to look for; that of the newest run of this unit if absent.
    #[arg(long, value_name = "LABEL")]
    build: Option<String>,
    /// The folder that holds the run folders and their index.
    #[arg(long, value_name = "DIR", default_value = "runs")]
    runs: PathBuf,
}

/// A suite that drives nothing: enough to hold rig and unit against each other.
const NO_SUITE: &str =
    "schema = 1\nname = \"ladder\"\n[[test]]\nname = \"none\"\nprofile = [{ hold = \"1 s\" }]\n";

pub(super) fn run(args: &Args) -> Result<Cause, Early> {
    if args.rig.is_some() && args.unit.is_none() {
        return Err(Early::new(Cause::FilesInvalid, "--rig without --unit: give --unit FILE as well"));
    }
    let rig = args.rig.as_deref().map_or_else(|| Ok(demo_rig()), |p| read(p, "rig"))?;
    let unit = args.unit.as_deref().map_or_else(|| Ok(demo_unit()), |p| read(p, "unit"))?;
    let suite = ("ladder".to_string(), NO_SUITE.to_string());
    let loaded = resolve_texts(&rig, &unit, &suite, &|_| Err("no file".into()), None)?;
    let class = class_of(&loaded);
    let runs = match Index::existing(&args.runs).map_err(unusable)? {
        Some(index) => {
            for name in unlisted(&index, &args.runs).map_err(unusable)? {
                say::line(format_args!(
                    "note: {name} is not in the index: `spinproof runs {} --rebuild`",
                    args.runs.display()
                ));
            }
            index.all().map_err(unusable)?
        }
        None => Vec::new(),
    };
    let now = standing(&loaded);
    let newest = runs
        .iter()
        .filter(|r| Class::of(r.kind) == class && r.standing.serial == now.serial)
        .max_by(|a, b| (&a.began_utc, &a.folder).cmp(&(&b.began_utc, &b.folder)));
    let build = args.build.clone().or_else(|| newest.and_then(|r| r.standing.build.clone()));
    let settings = newest.and_then(|r| r.standing.settings.clone());
    let told = |known: &Option<String>| known.clone().map_or(Told::NotYet, |k| Told::Said(Some(k)));
    let grades = expected_guards(&loaded.plan, true);
    let steps = ladder(&now, (&told(&build), &told(&settings)), class, &grades, &runs);
    say::out(page(&loaded, class, (&build, &settings), &steps, args));
    Ok(Cause::Passed)
}

fn page(
    loaded: &Loaded,
    class: Class,
    (build, settings): (&Option<String>, &Option<String>),
    ladder: &Ladder,
    args: &Args,
) -> String {
    let plan = &loaded.plan;
    let assembly =
        plan.assembly.map_or("state of assembly not said".to_string(), |n| format!("assembly {n}"));
    let mut text = format!("{} {}, {assembly}, on {}\n", plan.unit, plan.serial, plan.rig);
    text += &format!(
        "build {}, settings {}\n",
        build.as_deref().unwrap_or("not yet told"),
        settings.as_deref().map_or("not yet read", |s| s.get(..12).unwrap_or(s)),
    );
    if class == Class::Twin {
        text += "SIMULATED: the ladder of the twin. It opens nothing for a real unit, and a closed rung is told, not refused.\n";
    }
    if class == Class::Pty {
        text += "SIMULATED: the rig file declares no machine behind the pseudo-terminal, so it counts for itself alone.\n";
    }
    for step in &ladder.steps {
        let open = if ladder.missing(step.rung).is_empty() { "open" } else { "closed" };
        let told = match &step.passed {
            Ok(by) => format!("passed by {} ({}, {})", by.folder, by.suite, by.began_utc),
            Err(closed) => step.words(closed),
        };
        text += &format!("  {:<13} {open:<6}  {told}\n", step.rung.word());
    }
    for cap in &ladder.caps {
        text += &format!("guard {} is {}: it caps at {}\n", cap.guard, cap.grade.words(), cap.rung.word());
    }
    if let Some(step) = ladder.next() {
        let command = command(step.rung, args.rig.as_deref(), args.unit.as_deref());
        text += &format!("next: {}: {command}\n", step.rung.word());
    }
    text
}

/// The command that passes a rung.
fn command(rung: Rung, rig: Option<&Path>, unit: Option<&Path>) -> String {
    // Rung by rung, up to the first that is not passed; in one run the later ones would be climbed either way.
    let mut text = match rung {
        Rung::Commissioning => "spinproof commission".to_string(),
        _ => format!("spinproof run {}", suite_of(rung)),
    };
    for (flag, path) in [("--rig", rig), ("--unit", unit)] {
        if let Some(path) = path {
            text += &format!(" {flag} {}", path.display());
        }
    }
    text
}

/// Which ladder a rig climbs, as its ports say: the most real of them decides. A port that is not there now is a real one.
fn class_of(loaded: &Loaded) -> Class {
    let class = |link: &Link| match look_at(link) {
        Ok(PortKind::Twin) => Class::Twin,
        Ok(PortKind::Pty(_)) => Class::Pty,
        Ok(PortKind::Machine(_)) | Err(_) => Class::Bench,
    };
    let classes: Vec<Class> = loaded.plan.links.iter().map(class).collect();
    let real = [Class::Bench, Class::Pty].into_iter().find(|c| classes.contains(c));
    real.unwrap_or(Class::Twin)
}

/// What a pass would hold for, as far as the files say.
fn standing(loaded: &Loaded) -> Standing {
    let sha256 = |role: &str| {
        let text = loaded.texts.iter().find(|t: &&Text| t.role == role).map_or("", |t| t.text.as_str());
        Sha256::digest(text.as_bytes()).iter().map(|b| format!("{b:02x}")).collect()
    };
    Standing {
        serial: loaded.plan.serial.clone(),
        assembly: loaded.plan.assembly,
        unit_sha256: sha256("unit"),
        rig_sha256: sha256("rig"),
        build: None,
        settings: None,
    }
}

/// The ladder before a run.
#[derive(Clone)]
pub(super) struct Rungs {
    now: Standing,
    class: Class,
    grades: Vec<(String, Grade)>,
    runs: Vec<Entry>,
    rung: Option<Rung>,
    enforced: bool,
    /// What the rig says that the controller takes from the stop to torque off.
    controller: Option<Duration>,
    /// The build that was asked for.
    build: Told,
    /// Rig and unit as given, for the command that comes next.
    files: [Option<PathBuf>; 2],
    home: PathBuf,
    command: String,
    /// As it stands with what is known: at first from the files alone, then with what the controller said.
    found: Arc<Mutex<Climb>>,
}

/// Reads the ladder for a run. What is closed is refused where the ladder is enforced.
///
/// `person`: whether somebody answers the questions. `off`: why the ladder is left aside.
pub(super) fn before(
    loaded: &Loaded,
    files: &Files,
    (class, enforced): (Class, bool),
    person: bool,
    home: &Path,
    off: Option<&str>,
) -> Result<Rungs, Early> {
    if off.is_some() && class == Class::Bench {
        let text = "--off-ladder is not for a port with a machine behind it: climb from the lowest rung that is closed (`spinproof ladder`)";
        return Err(Early::new(Cause::Refused, text));
    }
    let rungs = Rungs {
        now: standing(loaded),
        class,
        grades: expected_guards(&loaded.plan, person),
        runs: Vec::new(),
        rung: loaded.plan.rung,
        enforced: enforced && off.is_none(),
        controller: loaded.plan.stop.reaction.map(|reaction| reaction.controller),
        build: files.build.clone().map_or(Told::NotYet, |b| Told::Said(Some(b))),
        files: [files.rig.clone(), files.unit.clone()],
        home: home.into(),
        command: String::new(),
        found: Arc::default(),
    };
    match entries(home) {
        Ok(runs) => rungs.with(runs, &utc_now()),
        Err(early) if rungs.enforced => Err(early),
        Err(early) => {
            say::err(&early.text);
            rungs.with(Vec::new(), &utc_now())
        }
    }
}

/// The runs of an index that is whole and knows every folder beside it.
fn entries(home: &Path) -> Result<Vec<Entry>, Early> {
    let index = Index::open(home).map_err(unusable)?;
    let unlisted = unlisted(&index, home).map_err(unusable)?;
    if !unlisted.is_empty() {
        let text = format!(
            "the run index does not know {}: how they ended may close a rung; `spinproof runs {} --rebuild`",
            unlisted.join(", "),
            home.display()
        );
        return Err(Early::new(Cause::Refused, text));
    }
    index.all().map_err(unusable)
}

/// What counts is which run was last: after a clock set back, a failure would lie before an older pass. `runs`: those of the
/// same ladder and unit, since no other has a place in that order. `clock`: UTC now.
fn goes_on<'a>(runs: impl IntoIterator<Item = &'a Entry>, clock: &str, home: &Path) -> Result<(), Early> {
    let Some(later) = runs.into_iter().find(|r| r.began_utc.as_str() > clock) else { return Ok(()) };
    let (folder, home) = (&later.folder, home.display());
    let text = format!(
        "this machine's clock says {clock}, and {folder} of this unit began at {}: set the clock, or the order of the runs is \
         lost; if that run's date is the wrong one, move its folder out of {home} and drop it by `spinproof runs {home} --rebuild \
         --drop {folder}`",
        later.began_utc
    );
    Err(Early::new(Cause::Refused, text))
}

fn refusal(found: &Climb, command: &str) -> String {
    let said =
        if found.said { "" } else { " (the suite does not say its rung, so it counts as the highest)" };
    format!("the rung {}{said} is closed: {}; next: {command}", found.rung, found.missing.join("; "))
}

impl Rungs {
    /// The ladder with these runs. `clock`: UTC now.
    fn with(mut self, runs: Vec<Entry>, clock: &str) -> Result<Rungs, Early> {
        if self.enforced {
            let same = |r: &&Entry| Class::of(r.kind) == self.class && r.standing.serial == self.now.serial;
            goes_on(runs.iter().filter(same), clock, &self.home)?;
        }
        let slower = self
            .controller
            .and_then(|declared| slower_than_declared(declared, (&self.now, &self.build), self.class, &runs));
        match slower {
            Some(why) if self.enforced => return Err(Early::new(Cause::Refused, why)),
            Some(why) => say::err(format_args!("warning: {why}")),
            None => {}
        }
        let steps = ladder(&self.now, (&self.build, &Told::NotYet), self.class, &self.grades, &runs);
        let found = climb(&steps, self.rung, self.enforced);
        let next = steps.next_below(self.rung.unwrap_or(Rung::Full)).unwrap_or(Rung::Commissioning);
        self.command = command(next, self.files[0].as_deref(), self.files[1].as_deref());
        if self.enforced && self.now.assembly.is_none() {
            let text = "the unit file does not say the state of assembly, and what was passed holds for one alone: add \
                        `[assembly]` with `number = 1`, and raise the number whenever the unit is opened";
            return Err(Early::new(Cause::Refused, text));
        }
        if self.enforced && !found.missing.is_empty() {
            return Err(Early::new(Cause::Refused, refusal(&found, &self.command)));
        }
        self.found = Arc::new(Mutex::new(found));
        Ok(Rungs { runs, ..self })
    }

    /// Reads it once more: while this run was rehearsed another may have failed or begun, or somebody set the clock. It only
    /// refuses where the ladder is enforced.
    pub(super) fn again(&self) -> Result<Rungs, Early> {
        if self.enforced { self.clone().with(entries(&self.home)?, &utc_now()) } else { Ok(self.clone()) }
    }

    /// Looks at what the controller says of itself: with another build, or other settings, a rung that looked open is
    /// closed. It only refuses where the ladder is enforced.
    pub(super) fn gate(&self) -> Gate {
        let (now, class, grades, rung) = (self.now.clone(), self.class, self.grades.clone(), self.rung);
        let (runs, enforced, command) = (self.runs.clone(), self.enforced, self.command.clone());
        let found = Arc::clone(&self.found);
        let mut identities: Vec<crate::record::Event> = Vec::new();
        Gate(Box::new(move |record| {
            let Record::Event(event) = record else { return None };
            let settings = match &event.what {
                What::Identity { .. } => {
                    identities.push(event.clone());
                    return None;
                }
                What::SettingsHash { sha256 } => Some(sha256.clone()),
                What::PreCheck { name, grade: Grade::Absent, .. } if name == "settings" => None,
                _ => return None,
            };
            let build = Told::Said(crate::evidence::build_said(&identities));
            let steps = ladder(&now, (&build, &Told::Said(settings)), class, &grades, &runs);
            let with_all = climb(&steps, rung, enforced);
            let why = (enforced && !with_all.missing.is_empty()).then(|| refusal(&with_all, &command));
            *found.lock().unwrap_or_else(PoisonError::into_inner) = with_all;
            why
        }))
    }

    /// Whether a closed rung is refused.
    pub(super) fn enforced(&self) -> bool {
        self.enforced
    }

    /// The ladder as it stood, with all that is known by now.
    pub(super) fn climb(&self) -> Climb {
        self.found.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::trace::RunKind;

    /// A suite of the first spin, on the demo bench.
    fn first_spin() -> Loaded {
        let suite = NO_SUITE.replace("name = \"ladder\"", "name = \"ladder\"\nrung = \"first spin\"");
        resolve_texts(&demo_rig(), &demo_unit(), &("suite".into(), suite), &|_| Err("no file".into()), None)
            .map_err(|early| early.text)
            .expect("it resolves")
    }

    fn files() -> Files {
        Files { suite: PathBuf::new(), rig: None, unit: None, build: None }
    }

    fn entry(loaded: &Loaded, folder: &str, began: &str, outcome: Cause) -> Entry {
        Entry {
            folder: folder.into(),
            began_utc: began.into(),
            kind: RunKind::Bench,
            suite: "commissioning".into(),
            suite_sha256: String::new(),
            rung: Some(Rung::Commissioning),
            standing: standing(loaded),
            outcome: Some(outcome),
            grades: Vec::new(),
            off_ladder: false,
            controller_us: Some(1_500),
        }
    }

    /// The ladder of a real bench.
    fn read(loaded: &Loaded, home: &Path) -> Result<Rungs, String> {
        let read = before(loaded, &files(), (Class::Bench, true), true, home, None);
        read.map_err(|early| early.text)
    }

    #[test]
    fn a_failure_while_it_was_rehearsed_refuses_the_run() {
        let (loaded, home) = (first_spin(), tempfile::tempdir().expect("a folder"));
        let index = Index::open(home.path()).expect("an index");
        let put = |folder: &str, began: &str, outcome| {
            index.put(&entry(&loaded, folder, began, outcome), false).expect("kept");
        };
        put("a", "2026-11-20T08:00:00.000000Z", Cause::Passed);
        let rungs = read(&loaded, home.path()).expect("it is open");
        rungs.again().map_err(|early| early.text).expect("it is still open");
        put("b", "2026-11-20T08:01:00.000000Z", Cause::Tripped);
        let early = rungs.again().err().expect("it is closed");
        assert_eq!(early.cause, Cause::Refused);
        assert!(
            early.text.contains("commissioning is closed by b (commissioning: tripped)"),
            "{}",
            early.text
        );
        // What the run then keeps is the ladder as it is by now.
        put("c", "2026-11-20T08:02:00.000000Z", Cause::Passed);
        let climb = rungs.again().map_err(|early| early.text).expect("it is open again").climb();
        assert_eq!(climb.opened_by.iter().map(|o| o.folder.as_str()).collect::<Vec<_>>(), ["c"]);
        std::fs::create_dir(home.path().join("beside")).expect("made");
        std::fs::write(home.path().join("beside/run.json"), "{}").expect("written");
        assert!(rungs.again().is_err_and(|early| early.text.contains("does not know beside")));
    }

    /// A run dated ahead has no place in the order of another unit's runs, nor a simulated one in that of real ones.
    #[test]
    fn only_a_run_of_the_same_unit_and_sort_holds_the_clock() {
        let (loaded, home) = (first_spin(), tempfile::tempdir().expect("a folder"));
        let index = Index::open(home.path()).expect("an index");
        let put = |entry: &Entry| index.put(entry, false).expect("kept");
        put(&entry(&loaded, "a", "2026-11-20T08:00:00.000000Z", Cause::Passed));
        let ahead = |folder: &str| entry(&loaded, folder, "2999-01-01T08:00:00.000000Z", Cause::Passed);
        put(&Entry { kind: RunKind::Twin, ..ahead("twin") });
        let mut other = ahead("other");
        other.standing.serial = "HC7-0043".into();
        put(&other);
        read(&loaded, home.path()).expect("neither is of this ladder");
        put(&ahead("ahead"));
        let why = read(&loaded, home.path()).err().expect("it is");
        let mend = format!("spinproof runs {} --rebuild --drop ahead", home.path().display());
        assert!(why.contains("ahead of this unit began at 2999-01-01") && why.contains(&mend), "{why}");
    }
}
