//! The command line: one small file per command. Every command ends with an exit code of the table in
//! [`crate::outcome`].

mod belongs;
mod check;
mod commission;
mod first;
mod index;
mod kept;
mod ladder;
mod load;
mod ports;
mod recordings;
mod rehearse;
mod replay;
mod report;
mod run;
mod runs;
mod say;
mod storm;
mod twin;
mod whole;

use crate::outcome::TABLE;
use clap::{Parser, Subcommand};
use std::path::PathBuf;
use std::process::ExitCode;

/// Automated hardware-in-the-loop tests for rebuilt electric drive units on a bench.
#[derive(Debug, Parser)]
#[command(name = "spinproof", version, about, after_long_help = exit_codes())]
struct Args {
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    /// Drive a unit through a suite, and report.
    ///
    /// Without --rig the demo rig is used, whose controller is simulated behind a pseudo-terminal.
    /// Ctrl-C stops the unit, confirms that it stopped, and reports.
    Run(run::Args),
    /// Run a suite against the simulated unit on a virtual clock: the identical engine, in a moment.
    Rehearse(rehearse::Args),
    /// Rehearse a suite many times with faults drawn at random, and hold every run against what must always be true.
    Storm(storm::Args),
    /// Climb the first rungs of a unit that has just been assembled, up to the first that is not passed.
    ///
    /// From gates off to closed loop, each rung a run of its own; says what a rung that is not passed
    /// points at. What was measured goes into the unit file after a question, or with --write.
    Commission(commission::Args),
    /// Read files and hold them against each other; touches no port.
    Check(check::Args),
    /// Serve the simulated controller on a pseudo-terminal, for any terminal program.
    Twin(twin::Args),
    /// Compute everything again from a run folder and write its documents.
    Report(report::Args),
    /// Feed the recorded inputs of a run to a fresh engine and compare every output.
    Replay(replay::Args),
    /// Show which rungs are open for a unit on a rig, what opened and closed them, and what is next.
    Ladder(ladder::Args),
    /// List the runs that the index remembers, or make the index again from the run folders.
    Runs(runs::Args),
    /// List the serial ports of this machine.
    Ports,
}

/// The files that a run needs.
#[derive(Debug, clap::Args)]
struct Files {
    /// The suite to run.
    suite: PathBuf,
    /// The rig; the demo rig if absent.
    #[arg(long, value_name = "FILE")]
    rig: Option<PathBuf>,
    /// The unit under test; the demo unit if absent (only with the demo rig).
    #[arg(long, value_name = "FILE")]
    unit: Option<PathBuf>,
    /// The firmware build under test: the controller must say that it runs it, and the twin does.
    #[arg(long, value_name = "LABEL")]
    build: Option<String>,
}

/// What `run` and `rehearse` share beside the files.
#[derive(Debug, clap::Args)]
struct Making {
    /// Seed of everything random in the twin: the unit within its nameplate, noise, faults of the link.
    #[arg(long, value_name = "N", default_value_t = 1)]
    seed: u64,
    /// A fault to plant in the twin, such as no-coolant, link-drop=0.5 or bus-low=1@12s; repeatable.
    #[arg(long = "fault", value_name = "NAME[=SEVERITY][@ONSET]")]
    faults: Vec<String>,
    /// Rehearse first with the parameters of rig and unit, refuse if that does not pass, and draw the predicted band
    /// behind what is measured. A run on a real rig always does.
    #[arg(long)]
    rehearse_first: bool,
    /// Run folder to make; runs/TIME-SUITE if absent.
    #[arg(long, value_name = "DIR")]
    out: Option<PathBuf>,
}

/// Parses the command line, runs the command, and gives its exit code.
pub fn main() -> ExitCode {
    let command = Args::parse().command;
    let result = std::panic::catch_unwind(|| match command {
        Command::Run(args) => run::run(&args),
        Command::Rehearse(args) => rehearse::run(&args),
        Command::Storm(args) => storm::run(&args),
        Command::Commission(args) => commission::run(&args),
        Command::Check(args) => check::run(&args),
        Command::Twin(args) => twin::run(args),
        Command::Report(args) => report::run(&args),
        Command::Replay(args) => replay::run(&args),
        Command::Ladder(args) => ladder::run(&args),
        Command::Runs(args) => runs::run(&args),
        Command::Ports => ports::run(),
    });
    match result.unwrap_or_else(|_| Err(broke_off())) {
        Ok(cause) => ExitCode::from(cause.exit_code()),
        Err(stop) => {
            say::err(stop.text);
            ExitCode::from(stop.cause.exit_code())
        }
    }
}

/// What a panic comes to. The stop has been made by then, but nobody is left to say that it was confirmed.
fn broke_off() -> Early {
    let drives = crate::shell::port::was_opened();
    let cause = if drives { crate::outcome::Cause::NotConfirmed } else { crate::outcome::Cause::NotMade };
    let treat = if drives { "; treat the machine as driven until you have looked" } else { "" };
    let text = format!("the program broke off by a mistake of its own{treat}");
    Early::new(cause, text)
}

/// Why a command ended early: the text for a person and the cause for the exit code.
#[derive(Debug)]
struct Early {
    cause: crate::outcome::Cause,
    text: String,
}

impl Early {
    fn new(cause: crate::outcome::Cause, text: impl std::fmt::Display) -> Early {
        Early { cause, text: text.to_string() }
    }
}

fn exit_codes() -> String {
    let rows: Vec<String> =
        TABLE.iter().map(|r| format!("  {}  {:<26} {}", r.exit_code, r.headline, r.means)).collect();
    format!("Exit codes:\n{}", rows.join("\n"))
}
