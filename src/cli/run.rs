//! `run`: drive a unit through a suite, and report.

use super::first::{First, rehearse_first};
use super::kept::Kept;
use super::ladder::Rungs;
use super::load::{Loaded, Text, answers, load};
use super::rehearse::{keep_files, parse_faults};
use super::whole::{Commissioning, PART};
use super::{Early, Files, Making, say};
use crate::engine::Logged;
use crate::evidence::{Class, entry, opens_nothing};
use crate::files::suite::{Answers, Rung};
use crate::hazards;
use crate::outcome::Cause;
use crate::plan::{Link, Plan, layout};
use crate::record::Layout;
use crate::rehearsal::twin_spec;
use crate::report::cautions_text;
use crate::shell::child::TwinChild;
use crate::shell::clock::{Clock, utc_now};
use crate::shell::operator::{Operator, choose};
use crate::shell::port::{Need, Port, PortError, PortKind, Shown, look_at, may_open, may_yet_open};
use crate::shell::priority;
use crate::shell::run::{Ending, Setup, run_under};
use crate::shell::signals::Signals;
use crate::trace::{Before, FileUsed, Held, RunFolder, RunInfo, RunKind, Writer};
use std::ffi::OsString;
use std::io::IsTerminal;
use std::path::{Path, PathBuf};

/// Arguments of `run`.
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    #[command(flatten)]
    pub(super) files: Files,
    /// A person's answers to the questions of rig and suite, for runs without a terminal.
    #[arg(long, value_name = "FILE")]
    pub(super) answers: Option<PathBuf>,
    #[command(flatten)]
    pub(super) making: Making,
    /// Refuse a closed rung on the twin as well, as on a real rig.
    #[arg(long)]
    pub(super) enforce_ladder: bool,
    /// Leave the ladder aside on a pseudo-terminal; the reason lands in run.json and report, and the run opens nothing.
    #[arg(long, value_name = "REASON")]
    pub(super) off_ladder: Option<String>,
    /// Do not rehearse before a run on a real rig; the reason lands in run.json and report.
    #[arg(long, value_name = "REASON", conflicts_with = "rehearse_first")]
    pub(super) no_rehearsal: Option<String>,
}

pub(super) fn run(args: &Args) -> Result<Cause, Early> {
    let loaded = load(&args.files)?;
    let (dir, ended) = make_loaded(args, &loaded, None)?;
    super::report::documents(&dir, true).map_err(|early| unconfirmed_first(ended, early))
}

/// A full disk that keeps the report from being written must not hide that nobody confirmed the stop.
pub(super) fn unconfirmed_first(ended: Cause, early: Early) -> Early {
    match ended {
        Cause::NotConfirmed => Early::new(ended, format!("{}\n{}", ended.row().headline, early.text)),
        _ => early,
    }
}

/// Makes the run of files that are read already; the run folder and the engine's word. `part_of`: the commissioning that
/// it is a rung of.
pub(super) fn make_loaded(
    args: &Args,
    loaded: &Loaded,
    part_of: Option<&Commissioning>,
) -> Result<(PathBuf, Cause), Early> {
    let mut loaded = loaded.clone();
    let answers = args.answers.as_deref().map(answers).transpose()?;
    if let Some((_, text)) = &answers {
        loaded.texts.push(Text::of("answers", text));
    }
    let answers = answers.map(|(answers, _)| answers);
    let kinds = look_at_all(&loaded.plan)?;
    let real = hazards::is_real(&loaded.plan);
    let terminal = std::io::stdin().is_terminal() && std::io::stderr().is_terminal();
    let mut shown = Shown::default();
    loaded.allowed(real)?;
    shown.say(Need::Hazards, true);
    shown.say(Need::Reaction, loaded.rig.reaction.is_some());
    if real {
        if answers.is_some() && !terminal {
            hazards::nobody_beside(&loaded.rig).map_err(|why| Early::new(Cause::Refused, why))?;
        }
        say::err(cautions_text(&loaded.plan).trim_end());
    }
    if part_of.is_none() {
        rung_by_rung(&loaded.plan, &kinds)?;
        if let Some(told) = opens_nothing(&loaded.plan) {
            say::err(format_args!("note: {told}"));
        }
    }
    let operator = operator(&loaded.plan, &kinds, answers.as_ref(), terminal)?;
    shown.say(Need::Guards, answered_for(&operator, terminal, &loaded));
    each(&loaded.plan, &kinds, |link, kind| may_yet_open(link, kind, &shown))?;
    let faults = parse_faults(&args.making.faults)?;
    let twins = kinds.iter().filter(|k| **k == PortKind::Twin).count();
    if twins > 0 {
        // Wrong builds and rigs without a simulated self are told before anything is started.
        twin_spec(&loaded.rig, &loaded.unit, &loaded.plan, args.making.seed)
            .map_err(|e| Early::new(Cause::FilesInvalid, e))?;
    } else if !faults.is_empty() {
        return Err(Early::new(
            Cause::FilesInvalid,
            "--fault is for the twin, and no link of this rig goes to it",
        ));
    }
    let home = part_of.map_or_else(|| super::index::home(args.making.out.as_deref()), Commissioning::home);
    name_is_free(args, part_of, kind(&kinds))?;
    let rungs = rungs(args, &loaded, &kinds, answers.is_some(), &home)?;
    // What is closed was refused; where that is only told, nothing was shown.
    shown.say(Need::Rung, rungs.enforced());
    let first = first(args, &loaded, twins == 0, &home)?;
    shown.say(Need::Rehearsal, first.rehearsal.is_some() || args.no_rehearsal.is_some());
    each(&loaded.plan, &kinds, |link, kind| may_open(link, kind, &shown))?;
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build();
    let runtime = runtime.map_err(|e| Early::new(Cause::NotMade, format!("no runtime: {e}")))?;
    let making = Ready { args, loaded: &loaded, answers, kinds, shown, rungs, first, part_of };
    runtime.block_on(make(&making))
}

/// Refuses a name that the index knows for another run.
fn name_is_free(args: &Args, part_of: Option<&Commissioning>, kind: RunKind) -> Result<(), Early> {
    match (part_of, &args.making.out) {
        (Some(whole), _) => whole.free(kind),
        (None, Some(out)) => super::index::free(out, kind),
        (None, None) => Ok(()),
    }
}

/// A run that may begin.
struct Ready<'a> {
    args: &'a Args,
    loaded: &'a Loaded,
    answers: Option<Answers>,
    kinds: Vec<PortKind>,
    shown: Shown,
    rungs: Rungs,
    first: First,
    part_of: Option<&'a Commissioning>,
}

/// What the ports are; every one that cannot be used at once, under the cause of the first.
fn look_at_all(plan: &Plan) -> Result<Vec<PortKind>, Early> {
    let (kinds, wrong): (Vec<_>, Vec<_>) = plan.links.iter().map(look_at).partition(Result::is_ok);
    let kinds: Vec<PortKind> = kinds.into_iter().flatten().collect();
    all_at_once(wrong.into_iter().filter_map(Result::err).collect())?;
    let machine = kinds.iter().any(|k| matches!(k, PortKind::Machine(_)));
    if machine && kinds.contains(&PortKind::Twin) {
        let text = "a link of this rig leads to a machine and another to the twin: nobody could say of a result whether it \
                    was simulated; give every link its device, or every link to the twin";
        return Err(Early::new(Cause::Refused, text));
    }
    Ok(kinds)
}

/// Refuses ports that lead elsewhere than when they were looked at: what was shown since was shown for those. A name that follows
/// an adapter, such as one of those by its serial number, may by now be another device.
fn same_ports(plan: &Plan, before: &[PortKind]) -> Result<(), Early> {
    let now = look_at_all(plan)?;
    let place = |kind: &PortKind| match kind {
        PortKind::Twin => "the twin".to_string(),
        PortKind::Pty(path) | PortKind::Machine(path) => path.display().to_string(),
    };
    let moved = plan.links.iter().zip(before.iter().zip(&now)).filter(|(_, (before, now))| before != now);
    let moved: Vec<String> = moved
        .map(|(link, (before, now))| {
            format!(
                "link `{}`: port `{}` led to {} when it was looked at, and leads to {} now: see to it that the board hangs there, \
                 then run again",
                link.name,
                link.port,
                place(before),
                place(now)
            )
        })
        .collect();
    if moved.is_empty() { Ok(()) } else { Err(Early::new(Cause::Refused, moved.join("\n"))) }
}

/// In one run every rung of a commissioning is climbed, whatever the one below it has shown: a machine is not driven so. Nor by
/// one of its tests alone: which ones come below it, and how fast they may turn, only `commission` knows.
fn rung_by_rung(plan: &Plan, kinds: &[PortKind]) -> Result<(), Early> {
    let machine = kinds.iter().any(|k| matches!(k, PortKind::Machine(_)));
    if machine && plan.rung == Some(Rung::Commissioning) {
        let text = "this suite is a commissioning and a machine is behind the port: `run` goes on to the next test whatever the \
                    one before has shown; climb rung by rung with `spinproof commission --suite FILE`";
        return Err(Early::new(Cause::Refused, text));
    }
    Ok(())
}

/// Asks for every link; every refusal at once.
fn each(
    plan: &Plan,
    kinds: &[PortKind],
    ask: impl Fn(&Link, &PortKind) -> Result<(), PortError>,
) -> Result<(), Early> {
    all_at_once(plan.links.iter().zip(kinds).filter_map(|(link, kind)| ask(link, kind).err()).collect())
}

fn all_at_once(wrong: Vec<PortError>) -> Result<(), Early> {
    let Some(first) = wrong.first() else { return Ok(()) };
    let text: Vec<String> = wrong.iter().map(ToString::to_string).collect();
    Err(Early::new(first.cause(), text.join("\n")))
}

/// Who answers, or every reason why nobody can.
fn operator(
    plan: &Plan,
    kinds: &[PortKind],
    answers: Option<&Answers>,
    terminal: bool,
) -> Result<Operator, Early> {
    choose(plan, kinds, answers, terminal, time::OffsetDateTime::now_utc()).map_err(|why| {
        let why: Vec<String> = why.iter().map(ToString::to_string).collect();
        Early::new(Cause::Refused, why.join("\n"))
    })
}

/// Whether somebody beside the bench answers for its guards, or they act by wires of their own. A yes that is assumed, and a
/// file by itself, stand for nothing.
fn answered_for(operator: &Operator, terminal: bool, loaded: &Loaded) -> bool {
    // Nobody who is asked nothing has answered for anything. A suite's own questions are about the suite: the bench's guards
    // are the rig's to ask for.
    let asked = !loaded.rig.ready.question.is_empty();
    match operator {
        Operator::Terminal => terminal && asked,
        Operator::File { .. } => hazards::nobody_beside(&loaded.rig).is_ok(),
        Operator::Simulated => false,
    }
}

/// The ladder as it stands before the run.
fn rungs(
    args: &Args,
    loaded: &Loaded,
    kinds: &[PortKind],
    answered: bool,
    home: &Path,
) -> Result<Rungs, Early> {
    let class = Class::of(kind(kinds));
    let enforced = class.enforced() || args.enforce_ladder;
    let person = answered || std::io::stdin().is_terminal() || class == Class::Twin;
    super::ladder::before(loaded, &args.files, (class, enforced), person, home, args.off_ladder.as_deref())
}

/// The rehearsal before the run: always on a real rig, unless somebody says why not. Against the twin it would be the same
/// again, so there it is made if asked for.
fn first(args: &Args, loaded: &Loaded, real: bool, home: &Path) -> Result<First, Early> {
    match (&args.no_rehearsal, real || args.making.rehearse_first) {
        (Some(reason), _) if reason.trim().is_empty() => Err(Early::new(
            Cause::FilesInvalid,
            "--no-rehearsal needs a reason in words: it lands in the report",
        )),
        (Some(_), _) => Ok(First::none("not made: there was no rehearsal before the run")),
        (None, true) => rehearse_first(loaded, home),
        (None, false) => Ok(First::none("not made: --rehearse-first makes one")),
    }
}

/// Makes the run and closes its folder.
async fn make(ready: &Ready<'_>) -> Result<(PathBuf, Cause), Early> {
    let Ready { args, loaded, kinds, first, .. } = ready;
    let not_made = |e: &dyn std::fmt::Display| Early::new(Cause::NotMade, e);
    // Before the ports open: a board may take its time until it listens, and Ctrl-C has to be a stop then as well.
    let signals = Signals::catch().map_err(|e| not_made(&e))?;
    let plan = &loaded.plan;
    let twin_runs = kinds.contains(&PortKind::Twin);
    let terminal = std::io::stdin().is_terminal() && std::io::stderr().is_terminal();
    // Once more, since it was rehearsed meanwhile: answers may have ceased to hold, a rung been closed, an adapter come back
    // under another name.
    let operator = operator(plan, kinds, ready.answers.as_ref(), terminal)?;
    let rungs = ready.rungs.again()?;
    same_ports(plan, kinds)?;
    let folder =
        RunFolder::create(args.making.out.as_deref(), &plan.suite, &utc_now()).map_err(|e| not_made(&e))?;
    let _held = Held::take(folder.path()).map_err(|e| not_made(&e))?;
    let mut twin = if twin_runs { Some(start_twin(args, folder.path()).await?) } else { None };
    let ports = open_ports(plan, kinds, &ready.shown, twin.as_ref())?;
    let mut files = keep_files(&folder, &loaded.texts).map_err(|e| not_made(&e))?;
    files.extend(first.keep(&folder).map_err(|e| not_made(&e))?);
    let computer = priority::prepare(|text| say::err(text));
    let clock = Clock::start();
    let mut info = info(ready, &rungs, &clock, files);
    info.before.computer = Some(computer);
    let marked = Layout { run: Some(info.mark()), ..layout(plan) };
    let writer = Writer::create(folder.path(), &marked).map_err(|e| not_made(&e))?;
    folder.write_info(&info).map_err(|e| not_made(&e))?;
    begun(&folder, plan, &info, ready)?;
    let setup = Setup {
        plan: plan.clone(),
        machine: Logged::new(plan.clone()).with_gate(Some(rungs.gate())),
        recorder: Kept::new(writer, plan, twin.as_ref()).map_err(|e| not_made(&e))?,
        ports,
        operator,
        clock,
        simulated: info.kind.simulated(),
    };
    let ending = run_under(signals, setup, twin.as_mut()).await;
    priority::release();
    let ending = ending.map_err(|e| not_made(&e))?;
    if let Some(twin) = twin {
        // The truth log is whole once the twin has ended; how it ended is no part of the result.
        let _ = twin.finish().await;
    }
    info.before.climb = Some(rungs.climb());
    close(&folder, &mut info, &clock, &ending)?;
    Ok((folder.path().to_path_buf(), ending.cause))
}

/// `run.json` as it stands while the run goes on.
fn info(ready: &Ready<'_>, rungs: &Rungs, clock: &Clock, files: Vec<FileUsed>) -> RunInfo {
    let Ready { args, kinds, first, part_of, .. } = ready;
    RunInfo {
        schema: 1,
        spinproof: env!("CARGO_PKG_VERSION").into(),
        kind: kind(kinds),
        build: args.files.build.clone(),
        seed: kinds.contains(&PortKind::Twin).then_some(args.making.seed),
        faults: args.making.faults.clone(),
        began_utc: clock.began_utc(),
        ended: None,
        finished: None,
        unconfirmed: None,
        unrecorded: None,
        before: Before {
            climb: Some(rungs.climb()),
            off_ladder: part_of.map(|_| PART.to_string()).or_else(|| args.off_ladder.clone()),
            rehearsal: first.rehearsal.clone(),
            no_rehearsal: args.no_rehearsal.clone(),
            band: first.band.clone(),
            computer: None,
        },
        began_monotonic: clock.began_monotonic(),
        files,
        recordings: Vec::new(),
    }
}

/// Puts the run into the index without an end, so that a run of which nothing more is heard closes its rung. A real one
/// does not begin without that.
fn begun(folder: &RunFolder, plan: &Plan, info: &RunInfo, ready: &Ready<'_>) -> Result<(), Early> {
    let name = super::index::name_of(folder.path());
    let entry = entry(&name, plan, info, &[], None);
    let noted = match ready.part_of {
        Some(whole) => whole.begun(&entry),
        None => super::index::try_note(folder.path(), &entry, true).map_err(super::index::unusable),
    };
    match noted {
        Err(early) if !ready.rungs.enforced() && early.cause != Cause::Refused => {
            say::err(format_args!("{}; the run goes on, and stays whole in its folder", early.text));
            Ok(())
        }
        noted => noted,
    }
}

/// The most real of the ports decides what the run is called.
fn kind(ports: &[PortKind]) -> RunKind {
    if ports.iter().any(|port| matches!(port, PortKind::Machine(_))) {
        RunKind::Bench
    } else if ports.iter().any(|port| matches!(port, PortKind::Pty(_))) {
        RunKind::Pty
    } else {
        RunKind::Twin
    }
}

fn open_ports(
    plan: &Plan,
    kinds: &[PortKind],
    shown: &Shown,
    twin: Option<&TwinChild>,
) -> Result<Vec<Port>, Early> {
    let mut ports = Vec::new();
    for (index, (link, kind)) in plan.links.iter().zip(kinds).enumerate() {
        may_open(link, kind, shown).map_err(|e| Early::new(e.cause(), e))?;
        let path = match (kind, twin) {
            (PortKind::Pty(path) | PortKind::Machine(path), _) => Some(path.as_path()),
            (PortKind::Twin, twin) => twin.and_then(|twin| twin.port_of(index)),
        };
        let Some(path) = path else {
            let why = format!("link {}: the twin gave no port for it", link.name);
            return Err(Early::new(Cause::NotMade, why));
        };
        ports.push(Port::open(link, path).map_err(|e| Early::new(Cause::NotMade, e))?);
    }
    Ok(ports)
}

fn close(folder: &RunFolder, info: &mut RunInfo, clock: &Clock, ending: &Ending) -> Result<(), Early> {
    // A stop that nobody confirmed must not come out as anything milder, whatever the trace holds.
    if ending.cause == Cause::NotConfirmed {
        info.unconfirmed = Some(ending.why.clone());
    }
    info.finished = ending.finished.map(|(cause, at)| (cause, at.micros()));
    match &ending.recorded {
        Ok(()) => info.ended = Some((utc_now(), clock.now().micros())),
        // Without an end: what could not be kept may have been the worst of it, and nothing passes on the rest.
        Err(why) => info.unrecorded = Some(why.clone()),
    }
    let written = folder.write_info(info).map_err(|e| {
        let cause = if info.unconfirmed.is_some() { Cause::NotConfirmed } else { Cause::NotMade };
        Early::new(cause, format!("{}: {e}", ending.why))
    });
    // After what must be on the disk: a blocked terminal may hold this up.
    if let Err(why) = &ending.recorded {
        say::err(format_args!("the trace is not whole: {why}"));
    }
    written
}

/// Starts the twin as a child of its own session.
async fn start_twin(args: &Args, dir: &Path) -> Result<TwinChild, Early> {
    let program = std::env::current_exe().map_err(|e| Early::new(Cause::NotMade, e))?;
    let mut arguments: Vec<OsString> = vec!["twin".into(), "--own-session".into(), "--truth".into()];
    arguments.push(dir.join("truth.csv").into());
    if !args.files.suite.as_os_str().is_empty() {
        arguments.extend(["--suite".into(), args.files.suite.clone().into()]);
    }
    arguments.extend(["--seed".into(), args.making.seed.to_string().into()]);
    for (flag, value) in [("--rig", &args.files.rig), ("--unit", &args.files.unit)] {
        if let Some(value) = value {
            arguments.extend([flag.into(), value.into()]);
        }
    }
    if let Some(build) = &args.files.build {
        arguments.extend(["--build".into(), build.into()]);
    }
    for fault in &args.making.faults {
        arguments.extend(["--fault".into(), fault.into()]);
    }
    TwinChild::start(&program, &arguments, &dir.join("twin.log"))
        .await
        .map_err(|e| Early::new(Cause::NotMade, e))
}

#[cfg(test)]
mod tests;
