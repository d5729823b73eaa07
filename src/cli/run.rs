//! `run`: drive a unit through a suite, and report.

use super::load::{Loaded, Text, answers, load};
use super::rehearse::{keep_files, parse_faults};
use super::{Early, Files, Making};
use crate::engine::Logged;
use crate::files::suite::Answers;
use crate::outcome::Cause;
use crate::plan::{Plan, layout};
use crate::record::{LoggedInput, Record};
use crate::rehearsal::twin_spec;
use crate::shell::child::TwinChild;
use crate::shell::clock::{Clock, utc_now};
use crate::shell::keep::Recorder;
use crate::shell::operator::choose;
use crate::shell::port::{Port, PortKind, admitted};
use crate::shell::run::{Ending, Setup};
use crate::time::Instant;
use crate::trace::{RunFolder, RunInfo, RunKind, Writer};
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
}

pub(super) fn run(args: &Args) -> Result<Cause, Early> {
    let loaded = load(&args.files)?;
    let (dir, ended) = make_loaded(args, &loaded)?;
    super::report::documents(&dir).map_err(|early| match ended {
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
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build();
    let runtime = runtime.map_err(|e| Early::new(Cause::NotMade, format!("no runtime: {e}")))?;
    runtime.block_on(make(args, &loaded, answers.as_ref().map(|(a, _)| a), &kinds))
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

/// Makes the run and closes its folder.
async fn make(
    args: &Args,
    loaded: &Loaded,
    answers: Option<&Answers>,
    kinds: &[PortKind],
) -> Result<(PathBuf, Cause), Early> {
    let plan = &loaded.plan;
    let not_made = |e: &dyn std::fmt::Display| Early::new(Cause::NotMade, e);
    let simulated = kinds.contains(&PortKind::Twin);
    let terminal = std::io::stdin().is_terminal() && std::io::stderr().is_terminal();
    let operator =
        choose(plan, kinds, answers, terminal, time::OffsetDateTime::now_utc()).map_err(|why| {
            let why: Vec<String> = why.iter().map(ToString::to_string).collect();
            Early::new(Cause::Refused, why.join("\n"))
        })?;
    let folder =
        RunFolder::create(args.making.out.as_deref(), &plan.suite, &utc_now()).map_err(|e| not_made(&e))?;
    let mut twin = if simulated { Some(start_twin(args, folder.path()).await?) } else { None };
    let ports = open_ports(plan, kinds, twin.as_ref())?;
    let files = keep_files(&folder, &loaded.texts).map_err(|e| not_made(&e))?;
    let writer = Writer::create(folder.path(), &layout(plan)).map_err(|e| not_made(&e))?;
    let clock = Clock::start();
    let mut info = RunInfo {
        schema: 1,
        spinproof: env!("CARGO_PKG_VERSION").into(),
        kind: if simulated { RunKind::Twin } else { RunKind::Pty },
        build: args.files.build.clone(),
        seed: simulated.then_some(args.making.seed),
        faults: args.making.faults.clone(),
        began_utc: clock.began_utc(),
        ended: None,
        unconfirmed: None,
        began_monotonic: clock.began_monotonic(),
        files,
    };
    folder.write_info(&info).map_err(|e| not_made(&e))?;
    let setup = Setup {
        plan: plan.clone(),
        machine: Logged::new(plan.clone()),
        recorder: Kept(writer),
        ports,
        operator,
        clock,
        simulated,
    };
    let ending = crate::shell::run::run(setup, twin.as_mut()).await.map_err(|e| not_made(&e))?;
    if let Some(twin) = twin {
        // The truth log is whole once the twin has ended; how it ended is no part of the result.
        let _ = twin.finish().await;
    }
    close(&folder, &mut info, &clock, &ending)?;
    Ok((folder.path().to_path_buf(), ending.cause))
}

fn open_ports(plan: &Plan, kinds: &[PortKind], twin: Option<&TwinChild>) -> Result<Vec<Port>, Early> {
    let mut ports = Vec::new();
    for (link, kind) in plan.links.iter().zip(kinds) {
        let path = match (kind, twin) {
            (PortKind::Pty(path), _) => path,
            (PortKind::Twin, Some(twin)) => twin.port(),
            (PortKind::Twin, None) => continue,
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
    match &ending.recorded {
        Ok(()) => info.ended = Some((utc_now(), clock.now().micros())),
        Err(why) => eprintln!("the trace is not whole: {why}"),
    }
    folder.write_info(info).map_err(|e| {
        let cause = if info.unconfirmed.is_some() { Cause::NotConfirmed } else { Cause::NotMade };
        Early::new(cause, format!("{}: {e}", ending.why))
    })
}

/// Starts the twin as a child of its own session.
async fn start_twin(args: &Args, dir: &Path) -> Result<TwinChild, Early> {
    let program = std::env::current_exe().map_err(|e| Early::new(Cause::NotMade, e))?;
    let mut arguments: Vec<OsString> = vec!["twin".into(), "--own-session".into(), "--truth".into()];
    arguments.push(dir.join("truth.csv").into());
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
