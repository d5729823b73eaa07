//! `run`: drive a unit through a suite, and report.

use super::first::{First, rehearse_first};
use super::ladder::Rungs;
use super::load::{Loaded, Text, answers, load};
use super::rehearse::{keep_files, parse_faults};
use super::{Early, Files, Making, say};
use crate::engine::Logged;
use crate::evidence::{Class, entry};
use crate::files::suite::Answers;
use crate::hazards;
use crate::outcome::Cause;
use crate::plan::{Plan, layout};
use crate::record::{LoggedInput, Record};
use crate::rehearsal::twin_spec;
use crate::report::cautions_text;
use crate::shell::child::TwinChild;
use crate::shell::clock::{Clock, utc_now};
use crate::shell::keep::Recorder;
use crate::shell::operator::choose;
use crate::shell::port::{Port, PortKind, admitted};
use crate::shell::run::{Ending, Setup, run_under};
use crate::shell::signals::Signals;
use crate::time::Instant;
use crate::trace::{Before, RunFolder, RunInfo, RunKind, Writer};
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
    let (dir, ended) = make_loaded(args, &loaded)?;
    super::report::documents(&dir, true).map_err(|early| match ended {
        // A full disk that keeps the report from being written must not hide that nobody confirmed the stop.
        Cause::NotConfirmed => Early::new(ended, format!("{}\n{}", ended.row().headline, early.text)),
        _ => early,
    })
}

/// Makes the run of files that are read already; the run folder and the engine's word.
pub(super) fn make_loaded(args: &Args, loaded: &Loaded) -> Result<(PathBuf, Cause), Early> {
    let mut loaded = loaded.clone();
    let answers = args.answers.as_deref().map(answers).transpose()?;
    if let Some((_, text)) = &answers {
        loaded.texts.push(Text::of("answers", text));
    }
    let kinds = admit(&loaded)?;
    let real = hazards::is_real(&loaded.plan);
    loaded.allowed(real)?;
    if real {
        let terminal = std::io::stdin().is_terminal() && std::io::stderr().is_terminal();
        if answers.is_some() && !terminal {
            hazards::nobody_beside(&loaded.rig).map_err(|why| Early::new(Cause::Refused, why))?;
        }
        say::err(cautions_text(&loaded.plan).trim_end());
    }
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
    let rungs = rungs(args, &loaded, &kinds, answers.is_some())?;
    let first = first(args, &loaded, twins == 0)?;
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build();
    let runtime = runtime.map_err(|e| Early::new(Cause::NotMade, format!("no runtime: {e}")))?;
    runtime.block_on(make(args, &loaded, answers.as_ref().map(|(a, _)| a), &kinds, (&rungs, &first)))
}

/// Which ports may be opened; every refusal at once, under the cause of the first.
fn admit(loaded: &Loaded) -> Result<Vec<PortKind>, Early> {
    let mut kinds = Vec::new();
    let mut refused = Vec::new();
    for link in &loaded.plan.links {
        match admitted(&link.port) {
            Ok(kind) => kinds.push(kind),
            Err(error) => refused.push(error.on(&link.name)),
        }
    }
    match refused.first() {
        None => Ok(kinds),
        Some(first) => {
            let text: Vec<String> = refused.iter().map(ToString::to_string).collect();
            Err(Early::new(first.cause(), text.join("\n")))
        }
    }
}

/// The ladder as it stands before the run.
fn rungs(args: &Args, loaded: &Loaded, kinds: &[PortKind], answered: bool) -> Result<Rungs, Early> {
    let class = if kinds.contains(&PortKind::Twin) { Class::Twin } else { Class::Pty };
    let enforced = class.enforced() || args.enforce_ladder;
    let person = answered || std::io::stdin().is_terminal() || class == Class::Twin;
    let home = super::index::home(args.making.out.as_deref());
    super::ladder::before(loaded, &args.files, (class, enforced), person, &home, args.off_ladder.as_deref())
}

/// The rehearsal before the run: always on a real rig, unless somebody says why not. Against the twin it would be the same
/// again, so there it is made if asked for.
fn first(args: &Args, loaded: &Loaded, real: bool) -> Result<First, Early> {
    let home = super::index::home(args.making.out.as_deref());
    match (&args.no_rehearsal, real || args.making.rehearse_first) {
        (Some(reason), _) if reason.trim().is_empty() => Err(Early::new(
            Cause::FilesInvalid,
            "--no-rehearsal needs a reason in words: it lands in the report",
        )),
        (Some(_), _) => Ok(First::none("not made: there was no rehearsal before the run")),
        (None, true) => rehearse_first(loaded, &home),
        (None, false) => Ok(First::none("not made: --rehearse-first makes one")),
    }
}

/// Makes the run and closes its folder.
async fn make(
    args: &Args,
    loaded: &Loaded,
    answers: Option<&Answers>,
    kinds: &[PortKind],
    (rungs, first): (&Rungs, &First),
) -> Result<(PathBuf, Cause), Early> {
    let not_made = |e: &dyn std::fmt::Display| Early::new(Cause::NotMade, e);
    // Before the ports open: a board may take its time until it listens, and Ctrl-C has to be a stop then as well.
    let signals = Signals::catch().map_err(|e| not_made(&e))?;
    let plan = &loaded.plan;
    let twin_runs = kinds.contains(&PortKind::Twin);
    let terminal = std::io::stdin().is_terminal() && std::io::stderr().is_terminal();
    let operator =
        choose(plan, kinds, answers, terminal, time::OffsetDateTime::now_utc()).map_err(|why| {
            let why: Vec<String> = why.iter().map(ToString::to_string).collect();
            Early::new(Cause::Refused, why.join("\n"))
        })?;
    let folder =
        RunFolder::create(args.making.out.as_deref(), &plan.suite, &utc_now()).map_err(|e| not_made(&e))?;
    let mut twin = if twin_runs { Some(start_twin(args, folder.path()).await?) } else { None };
    let ports = open_ports(plan, kinds, twin.as_ref())?;
    let mut files = keep_files(&folder, &loaded.texts).map_err(|e| not_made(&e))?;
    files.extend(first.keep(&folder).map_err(|e| not_made(&e))?);
    let writer = Writer::create(folder.path(), &layout(plan)).map_err(|e| not_made(&e))?;
    let clock = Clock::start();
    let kind = kind(kinds);
    let mut info = RunInfo {
        schema: 1,
        spinproof: env!("CARGO_PKG_VERSION").into(),
        kind,
        build: args.files.build.clone(),
        seed: twin_runs.then_some(args.making.seed),
        faults: args.making.faults.clone(),
        began_utc: clock.began_utc(),
        ended: None,
        unconfirmed: None,
        before: Before {
            climb: Some(rungs.climb()),
            off_ladder: args.off_ladder.clone(),
            rehearsal: first.rehearsal.clone(),
            no_rehearsal: args.no_rehearsal.clone(),
            band: first.band.clone(),
        },
        began_monotonic: clock.began_monotonic(),
        files,
        recordings: Vec::new(),
    };
    folder.write_info(&info).map_err(|e| not_made(&e))?;
    begun(&folder, plan, &info, rungs)?;
    let setup = Setup {
        plan: plan.clone(),
        machine: Logged::new(plan.clone()).with_gate(Some(rungs.gate())),
        recorder: Kept(writer),
        ports,
        operator,
        clock,
        simulated: kind == RunKind::Twin,
    };
    let ending = run_under(signals, setup, twin.as_mut()).await.map_err(|e| not_made(&e))?;
    if let Some(twin) = twin {
        // The truth log is whole once the twin has ended; how it ended is no part of the result.
        let _ = twin.finish().await;
    }
    info.before.climb = Some(rungs.climb());
    close(&folder, &mut info, &clock, &ending)?;
    Ok((folder.path().to_path_buf(), ending.cause))
}

/// Puts the run into the index without an end, so that a run of which nothing more is heard closes its rung. A real one
/// does not begin without that.
fn begun(folder: &RunFolder, plan: &Plan, info: &RunInfo, rungs: &Rungs) -> Result<(), Early> {
    let name = super::index::name_of(folder.path());
    let entry = entry(&name, plan, info, &[], None);
    match super::index::try_note(folder.path(), &entry, true) {
        Err(error) if rungs.enforced() => Err(super::index::unusable(error)),
        Err(error) => {
            say::err(format_args!("{error}; the run goes on, and stays whole in its folder"));
            Ok(())
        }
        Ok(()) => Ok(()),
    }
}

/// The most real of the ports decides what the run is called.
fn kind(ports: &[PortKind]) -> RunKind {
    if ports.iter().any(|port| matches!(port, PortKind::Real(_))) {
        RunKind::Bench
    } else if ports.contains(&PortKind::Twin) {
        RunKind::Twin
    } else {
        RunKind::Pty
    }
}

fn open_ports(plan: &Plan, kinds: &[PortKind], twin: Option<&TwinChild>) -> Result<Vec<Port>, Early> {
    let mut ports = Vec::new();
    for (index, (link, kind)) in plan.links.iter().zip(kinds).enumerate() {
        let path = match (kind, twin) {
            (PortKind::Pty(path) | PortKind::Real(path), _) => Some(path.as_path()),
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
    if ending.recorded.is_ok() {
        info.ended = Some((utc_now(), clock.now().micros()));
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
    arguments.extend(["--suite".into(), args.files.suite.clone().into()]);
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

/// The trace as what the recorder's thread writes to.
struct Kept(Writer);

impl Recorder for Kept {
    fn input(&mut self, input: &LoggedInput) -> anyhow::Result<()> {
        Ok(self.0.input(input)?)
    }
    fn record(&mut self, seq: u64, record: &Record) -> anyhow::Result<()> {
        Ok(self.0.record(seq, record)?)
    }
    fn tick(&mut self, now: Instant) -> anyhow::Result<()> {
        Ok(self.0.tick(now)?)
    }
    fn finish(self) -> anyhow::Result<()> {
        Ok(self.0.finish()?)
    }
}
