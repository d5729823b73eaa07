//! `commission`: the first rungs of a unit that has just been assembled, one after the other, up to the first that is not
//! passed.

use super::load::{Loaded, beside, demo_rig, demo_unit, read, resolve_texts};
use super::whole::Commissioning;
use super::{Early, Files, Making, rehearse, report, run, say};
use crate::commissioning::{
    Found, RungError, found, places, points_at, rungs, too_fast, writable, write_back,
};
use crate::evidence::{Standing, lacks};
use crate::hazards;
use crate::outcome::Cause;
use crate::plan::Plan;
use crate::record::{Stage, What};
use crate::results::Results;
use crate::shell::operator::hands_are_off;
use crate::trace::{RunFolder, replace};
use std::collections::VecDeque;
use std::io::{IsTerminal, Write};
use std::path::{Path, PathBuf};

/// The suite of the demo unit's commissioning, so that the command works anywhere.
const SUITE: (&str, &str) = ("commissioning.toml", include_str!("../../suites/commissioning.toml"));

/// Arguments of `commission`.
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    /// The rungs, a suite; the project's own if absent.
    #[arg(long, value_name = "FILE")]
    suite: Option<PathBuf>,
    /// The rig; the demo rig if absent.
    #[arg(long, value_name = "FILE")]
    rig: Option<PathBuf>,
    /// The unit; the demo unit if absent (only with the demo rig).
    #[arg(long, value_name = "FILE")]
    unit: Option<PathBuf>,
    /// The firmware build that the controller must say that it runs.
    #[arg(long, value_name = "LABEL")]
    build: Option<String>,
    /// Rehearse: the simulated unit on a virtual clock, in a moment.
    #[arg(long)]
    rehearse: bool,
    /// Write what was measured into the unit file without asking.
    #[arg(long, requires = "unit")]
    write: bool,
    /// A person's answers to the questions of rig and suite, for runs without a terminal.
    #[arg(long, value_name = "FILE", conflicts_with = "rehearse")]
    answers: Option<PathBuf>,
    /// Do not rehearse each rung before it is climbed on a real rig; the reason lands in its run.json and report.
    #[arg(long, value_name = "REASON", conflicts_with_all = ["rehearse", "rehearse_first"])]
    no_rehearsal: Option<String>,
    #[command(flatten)]
    making: Making,
}

pub(super) fn run(args: &Args) -> Result<Cause, Early> {
    if args.rig.is_some() && args.unit.is_none() {
        let text = "--rig without --unit: the demo unit belongs to the demo rig; give --unit FILE as well";
        return Err(Early::new(Cause::FilesInvalid, text));
    }
    let texts = Texts::read(args)?;
    let whole = texts.resolve(&texts.suite, args)?;
    let fast = too_fast(&whole.plan, &whole.rig, &whole.unit);
    if !fast.is_empty() {
        return Err(Early::new(Cause::FilesInvalid, fast.join("\n")));
    }
    // What forbids the last rung is told before the first is driven, and so is a file that could not be written back to.
    whole.allowed(!args.rehearse && hazards::is_real(&whole.plan))?;
    if args.unit.is_some() {
        writable(&texts.unit.1, &whole.unit, &whole.plan).map_err(invalid)?;
    }
    let all = rungs(&texts.suite.1).map_err(invalid)?;
    let folder = folder(args)?;
    let names: Vec<String> =
        all.iter().enumerate().map(|(i, (name, _))| format!("{:02}-{}", i + 1, file_name(name))).collect();
    let lacks = lacks(&whole.plan);
    if !lacks.is_empty() {
        say::out(format_args!(
            "this suite is a part of a commissioning and opens nothing; it does not show {}\n",
            lacks.join("; ")
        ));
    }
    let whole = Commissioning::new(&folder, names.clone(), lacks, &texts.suite);
    let climbed = climb(args, &texts, &all, &names, &folder, &whole);
    whole.close(climbed.as_ref().map_or_else(|early| early.cause, |climbed| climbed.cause));
    let climbed = climbed?;
    if climbed.cause == Cause::Passed {
        let simulated = if climbed.simulated { "; SIMULATED" } else { "" };
        say::out(format_args!("every rung passed{simulated}; run folders below {}\n", folder.display()));
        if let Some(sha256) = climbed.first.as_ref().and_then(|first| first.settings.as_ref()) {
            say::out(format_args!("settings read back and the same at every rung, SHA-256 {sha256}\n"));
        }
        into_unit_file(args, &texts, &climbed, &whole)?;
    }
    climbed.tell_of_the_bus();
    Ok(climbed.cause)
}

/// How far it went.
struct Climbed {
    cause: Cause,
    simulated: bool,
    /// What the first rung holds for.
    first: Option<Standing>,
    measured: Vec<Found>,
    /// What to say of a bus that the newest rung has not shown low.
    live: Option<String>,
}

impl Climbed {
    /// Nothing said afterwards may push it off the screen.
    fn tell_of_the_bus(&self) {
        if let Some(live) = &self.live {
            say::out(format_args!("{live}\n"));
        }
    }
}

/// What to say of a bus that a run has not shown low at its end; nothing of one that was.
fn bus_live(plan: &Plan, results: &Results) -> Option<String> {
    let stage = results.events.iter().rev().find_map(|event| match &event.what {
        What::Stage { stage: Stage::DeEnergised, confirmed, found } => Some((*confirmed, found.as_str())),
        _ => None,
    });
    let (shown, found) = stage.unwrap_or((false, "it was not read"));
    let supply = &plan.supply;
    (!shown).then(|| {
        format!(
            "BUS LIVE: {found}; {}, wait {}, then measure with your own meter",
            supply.switch_off, supply.discharge
        )
    })
}

/// One rung after the other, up to the first that is not passed.
fn climb(
    args: &Args,
    texts: &Texts,
    all: &[(String, String)],
    names: &[String],
    folder: &Path,
    whole: &Commissioning,
) -> Result<Climbed, Early> {
    let (cause, measured) = (Cause::Passed, Vec::new());
    let mut climbed = Climbed { cause, simulated: true, first: None, measured, live: None };
    for (index, (name, text)) in all.iter().enumerate() {
        let loaded = texts.resolve(&(texts.suite.0.clone(), text.clone()), args)?;
        let dir = folder.join(&names[index]);
        let results = rung(args, &loaded, &dir, whole)?;
        let entry = whole.rung_ended(&dir).map_err(|early| run::unconfirmed_first(results.cause, early))?;
        climbed.simulated = entry.kind.simulated();
        let simulated = if climbed.simulated { "; SIMULATED" } else { "" };
        say::out(format_args!(
            "rung {} of {} `{name}`: {}{simulated}\n",
            index + 1,
            all.len(),
            results.cause.row().headline
        ));
        climbed.cause = results.cause;
        climbed.live = bus_live(&loaded.plan, &results);
        if results.cause != Cause::Passed {
            stopped(&loaded, &results, &all[index + 1..], &dir);
            break;
        }
        whole.stop_frames(name, &results.events);
        same_controller(climbed.first.get_or_insert_with(|| entry.standing.clone()), &entry.standing)?;
        let hands_on = loaded.plan.tests.iter().any(|test| !test.asks.is_empty());
        if hands_on && !climbed.simulated && index + 1 < all.len() && !hands_are_off() {
            let text = format!(
                "rung `{name}` had hands on the shaft, and nobody said that they are off it; begin again"
            );
            return Err(Early::new(Cause::Refused, text));
        }
        climbed.measured.extend(found(&loaded.plan, &loaded.unit, &results, climbed.simulated));
    }
    Ok(climbed)
}

/// Rig, unit and suite as texts with the names they go by.
struct Texts {
    rig: (String, String),
    unit: (String, String),
    suite: (String, String),
    suite_path: PathBuf,
}

impl Texts {
    fn read(args: &Args) -> Result<Texts, Early> {
        let one = |path: &Option<PathBuf>, role: &str, demo: (String, String)| {
            path.as_ref().map_or(Ok(demo), |path| read(path, role))
        };
        Ok(Texts {
            rig: one(&args.rig, "rig", demo_rig())?,
            unit: one(&args.unit, "unit", demo_unit())?,
            suite: one(&args.suite, "suite", (SUITE.0.into(), SUITE.1.into()))?,
            suite_path: args.suite.clone().unwrap_or_default(),
        })
    }

    fn resolve(&self, suite: &(String, String), args: &Args) -> Result<Loaded, Early> {
        let beside = |written: &str| beside(&self.suite_path, written);
        resolve_texts(&self.rig, &self.unit, suite, &beside, args.build.as_deref())
    }
}

/// The folder in which every rung gets one of its own.
fn folder(args: &Args) -> Result<PathBuf, Early> {
    let made =
        RunFolder::create(args.making.out.as_deref(), "commissioning", &crate::shell::clock::utc_now());
    made.map(|folder| folder.path().to_path_buf()).map_err(|e| Early::new(Cause::NotMade, e.to_string()))
}

/// A rung's name as that of a folder.
fn file_name(name: &str) -> String {
    let plain: String = name.chars().map(|c| if c.is_ascii_alphanumeric() { c } else { '-' }).collect();
    plain.split('-').filter(|part| !part.is_empty()).collect::<Vec<_>>().join("-")
}

/// Runs or rehearses one rung and writes its documents.
fn rung(args: &Args, loaded: &Loaded, dir: &Path, whole: &Commissioning) -> Result<Results, Early> {
    let making = Making {
        seed: args.making.seed,
        faults: args.making.faults.clone(),
        out: Some(dir.into()),
        rehearse_first: args.making.rehearse_first,
    };
    if args.rehearse {
        rehearse::rehearse_loaded(loaded, args.build.as_deref(), &making, VecDeque::new())?;
        report::write(dir, false).map(|(results, _)| results)
    } else {
        let files = Files {
            suite: args.suite.clone().unwrap_or_default(),
            rig: args.rig.clone(),
            unit: args.unit.clone(),
            build: args.build.clone(),
        };
        let made = run::Args {
            files,
            answers: args.answers.clone(),
            making,
            enforce_ladder: false,
            off_ladder: None,
            no_rehearsal: args.no_rehearsal.clone(),
        };
        let (_, ended) = run::make_loaded(&made, loaded, Some(whole))?;
        let written = report::write(dir, false).map_err(|early| run::unconfirmed_first(ended, early));
        written.map(|(results, _)| results)
    }
}

/// Says what the rung points at, and which rungs stay shut.
fn stopped(loaded: &Loaded, results: &Results, above: &[(String, String)], dir: &Path) {
    say::out(format_args!("  {}\n", results.why));
    for line in points_at(&loaded.plan, results) {
        say::out(format_args!("  points at: {line}\n"));
    }
    if !above.is_empty() {
        let names: Vec<String> = above.iter().map(|(name, _)| format!("`{name}`")).collect();
        say::out(format_args!("  not opened: {}\n", names.join(", ")));
    }
    say::out(format_args!("  run folder: {}\n", dir.display()));
}

/// What a lower rung proved holds only for the settings and the build that it was proved with.
fn same_controller(first: &Standing, now: &Standing) -> Result<(), Early> {
    let told = |text: &Option<String>| text.clone().unwrap_or_else(|| "not told".into());
    for (what, before, now) in
        [("settings (SHA-256)", &first.settings, &now.settings), ("build", &first.build, &now.build)]
    {
        if before != now {
            let text = format!(
                "the controller's {what} changed between two rungs ({}, then {}): what the lower rungs proved no longer holds; begin again",
                told(before),
                told(now)
            );
            return Err(Early::new(Cause::Refused, text));
        }
    }
    Ok(())
}

/// Puts what was measured into the unit file, after a question or with `--write`.
fn into_unit_file(args: &Args, texts: &Texts, climbed: &Climbed, whole: &Commissioning) -> Result<(), Early> {
    let measured = &climbed.measured;
    if measured.is_empty() {
        return Ok(());
    }
    say::out("measured, for the unit file (ends: two standard uncertainties either way):\n");
    places(measured).iter().for_each(|place| say::out(format_args!("  {}\n", place.line())));
    measured
        .iter()
        .filter_map(Found::differs)
        .for_each(|words| say::out(format_args!("NOT what the unit file said: {words}\n")));
    let Some(path) = &args.unit else { return Ok(()) };
    if !climbed.simulated && !args.write {
        climbed.tell_of_the_bus();
    }
    if !climbed.simulated && !args.write && !asked(path) {
        say::out(format_args!("{} is left as it is; --write writes without asking\n", path.display()));
        return Ok(());
    }
    let text = write_back(&texts.unit.1, measured).map_err(invalid)?;
    // What is written is read again: a unit file that no longer holds is worse than an old one.
    let new = (texts.unit.0.clone(), text.clone());
    resolve_texts(&texts.rig, &new, &texts.suite, &|w| beside(&texts.suite_path, w), args.build.as_deref())?;
    // The copy first: it is whole, whatever becomes of the file itself.
    let copy = whole.keep_unit_file(&text, climbed.simulated)?;
    if climbed.simulated {
        // Figures of a simulated unit would be taken by every hazard for those of the real one.
        say::out(format_args!(
            "SIMULATED: {} is left as it is; as it would be: {}\n",
            path.display(),
            copy.display()
        ));
        return Ok(());
    }
    let not_written = |why: String| {
        let text = format!("{} is left as it is: {why}; as it would be: {}", path.display(), copy.display());
        Early::new(Cause::NotMade, text)
    };
    match std::fs::read_to_string(path) {
        Ok(now) if now == texts.unit.1 => {}
        Ok(_) => return Err(not_written("somebody has changed it since the commissioning began".into())),
        Err(e) => return Err(not_written(format!("it cannot be read again ({e})"))),
    }
    replace(path, text.as_bytes()).map_err(|e| not_written(format!("it cannot be written ({e})")))?;
    whole.unit_file_written();
    say::out(format_args!("written into {}; a copy is {}\n", path.display(), copy.display()));
    Ok(())
}

/// Asks at the terminal; no where there is none.
fn asked(path: &Path) -> bool {
    if !std::io::stdin().is_terminal() || !std::io::stdout().is_terminal() {
        return false;
    }
    say::out(format_args!("Write these into {}? yes or no: ", path.display()));
    let mut answer = String::new();
    std::io::stdout().flush().is_ok()
        && std::io::stdin().read_line(&mut answer).is_ok()
        && answer.trim().eq_ignore_ascii_case("yes")
}

fn invalid(error: RungError) -> Early {
    Early::new(Cause::FilesInvalid, error)
}
