//! `runs`: what the index remembers; made again from the run folders if asked to.

use super::index::{entry_of, unusable};
use super::whole::entry_of_whole;
use super::{Early, say};
use crate::archive::{Index, held, unlisted};
use crate::evidence::Entry;
use crate::outcome::Cause;
use std::path::PathBuf;

/// Arguments of `runs`.
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    /// The folder that holds the run folders and their index.
    #[arg(default_value = "runs")]
    runs: PathBuf,
    /// Make the index again from the run folders.
    #[arg(long)]
    rebuild: bool,
}

pub(super) fn run(args: &Args) -> Result<Cause, Early> {
    if args.rebuild {
        return rebuild(args);
    }
    let Some(index) = Index::existing(&args.runs).map_err(unusable)? else {
        let text = format!(
            "{} holds no run index; `spinproof runs {} --rebuild` makes one from the run folders",
            args.runs.display(),
            args.runs.display()
        );
        return Err(Early::new(Cause::NotMade, text));
    };
    for entry in index.all().map_err(unusable)? {
        say::line(line(&entry));
    }
    for name in unlisted(&index, &args.runs).map_err(unusable)? {
        say::line(format_args!(
            "{name}  not in the index: `spinproof runs {} --rebuild`",
            args.runs.display()
        ));
    }
    Ok(Cause::Passed)
}

/// Reads every run folder; one that cannot be read is told, and the index is made without it only if nobody could have
/// read it either way.
fn rebuild(args: &Args) -> Result<Cause, Early> {
    let not_made = |e: &dyn std::fmt::Display| Early::new(Cause::NotMade, e);
    let names = held(&args.runs).map_err(|e| not_made(&format!("{}: {e}", args.runs.display())))?;
    let mut entries = Vec::new();
    let mut lost = Vec::new();
    for name in &names {
        let dir = args.runs.join(name);
        match entry_of_whole(&dir).and_then(|entry| entry.map_or_else(|| entry_of(&dir), Ok)) {
            Ok(entry) => entries.push(entry),
            Err(early) => lost.push(format!("{name}: {}", early.text)),
        }
    }
    Index::rebuild(&args.runs, &entries).map_err(unusable)?;
    say::line(format_args!(
        "{} of {} runs in the index of {}",
        entries.len(),
        names.len(),
        args.runs.display()
    ));
    if lost.is_empty() {
        return Ok(Cause::Passed);
    }
    // They stay unlisted, and a real run refuses to begin beside a folder that nobody could read.
    Err(not_made(&format!("not read, and not in the index:\n{}", lost.join("\n"))))
}

fn line(entry: &Entry) -> String {
    let rung = entry.rung.map_or("no rung", |r| r.word());
    let outcome = entry.outcome.map_or("not known", |c| c.row().headline);
    let assembly = entry.standing.assembly.map_or("?".to_string(), |n| n.to_string());
    let build = entry.standing.build.as_deref().unwrap_or("no build told");
    let simulated = if entry.kind.simulated() { ", SIMULATED" } else { "" };
    format!(
        "{}  {} ({rung}): {outcome}; {} assembly {assembly}, {build}{simulated}",
        entry.folder, entry.suite, entry.standing.serial
    )
}
