//! `report`: everything computed again from a run folder; `run` and `rehearse` end by calling this.

use super::belongs::belongs;
use super::load::{Loaded, resolve_texts};
use super::{Early, recordings, say};
use crate::evidence::entry;
use crate::outcome::Cause;
use crate::predicted::Predicted;
use crate::report::{self, Evidence};
use crate::results::{Results, evaluate_with};
use crate::trace::{Held, OpenRun, RunFolder, RunInfo, Trace, replace};
use std::path::{Path, PathBuf};

/// Arguments of `report`.
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    /// The run folder.
    run_dir: PathBuf,
    #[command(flatten)]
    recordings: recordings::Args,
}

pub(super) fn run(args: &Args) -> Result<Cause, Early> {
    // What is written while a run is made would be of a part of it, and what the run writes at its end would be lost to it.
    let _held = Held::take(&args.run_dir).map_err(|e| Early::new(Cause::NotMade, e))?;
    let (folder, loaded, trace) = open(&args.run_dir)?;
    let folder = recordings::keep(&args.run_dir, folder, &loaded, &args.recordings)?;
    let (results, summary) = write_documents(&args.run_dir, &folder, &loaded, trace, false)?;
    say::out(summary);
    Ok(results.cause)
}

/// A run folder with its plan and its trace.
pub(super) fn open(dir: &Path) -> Result<(OpenRun, Loaded, Trace), Early> {
    let not_made = |e: &dyn std::fmt::Display| Early::new(Cause::NotMade, e);
    let folder = RunFolder::open(dir).map_err(|e| not_made(&e))?;
    let text = |role: &str| {
        let file = folder.files.iter().find(|f| f.used.role == role);
        let text = file.and_then(|f| Some((f, String::from_utf8(f.bytes.clone()).ok()?)));
        match text {
            Some((file, text)) => Ok((dir.join(&file.used.name).display().to_string(), text)),
            None => Err(not_made(&format!("{} holds no readable {role} file", dir.display()))),
        }
    };
    // What the suite refers to is what was kept, never a file elsewhere: that may have changed since.
    let beside = |written: &str| {
        let file = folder.files.iter().find(|f| f.used.written.as_deref() == Some(written));
        let file = file.ok_or("the run folder holds no such file")?;
        let text = String::from_utf8(file.bytes.clone()).map_err(|_| "it is no text")?;
        Ok((dir.join(&file.used.name).display().to_string(), text))
    };
    let (rig, unit, suite) = (text("rig")?, text("unit")?, text("suite")?);
    let loaded = resolve_texts(&rig, &unit, &suite, &beside, folder.info.build.as_deref())?;
    let trace = crate::trace::read(dir).map_err(|e| not_made(&e))?;
    belongs(&folder, &loaded, &trace)?;
    Ok((folder, loaded, trace))
}

/// Computes the results of a run folder, writes `junit.xml`, `report.html` and `report.json` into it
/// and prints the summary. The index of the folder around it learns how it ended; `made`: this is a run that was just made,
/// and there may be no index yet.
pub(super) fn documents(dir: &Path, made: bool) -> Result<Cause, Early> {
    let (results, summary) = write(dir, made)?;
    say::out(summary);
    Ok(results.cause)
}

/// Computes the results of a run folder and writes its documents; the results, and the summary for a terminal.
pub(super) fn write(dir: &Path, made: bool) -> Result<(Results, String), Early> {
    let (folder, loaded, trace) = open(dir)?;
    write_documents(dir, &folder, &loaded, trace, made)
}

fn write_documents(
    dir: &Path,
    folder: &OpenRun,
    loaded: &Loaded,
    trace: Trace,
    made: bool,
) -> Result<(Results, String), Early> {
    let (mut results, not_given) = computed(folder, loaded, trace)?;
    // Before anything is written: a full disk may keep the report from being written, and the index need not know less.
    let name = super::index::name_of(dir);
    let known = entry(&name, &loaded.plan, &folder.info, &results.events, results.outcome());
    super::index::note(dir, &known, made);
    let band = folder.files.iter().find(|f| f.used.role == "band");
    let predicted: Option<Predicted> = band
        .map(|f| serde_json::from_slice(&f.bytes))
        .transpose()
        .map_err(|e| Early::new(Cause::NotMade, format!("the predicted band of the run folder: {e}")))?;
    let mut evidence = Evidence {
        plan: &loaded.plan,
        run: &folder.info,
        events: &results.events,
        columns: &results.columns,
        predicted: predicted.as_ref(),
        verdicts: &results.verdicts,
        cause: results.cause,
        why: results.why.clone(),
        hazards: &loaded.hazards,
        cuts: results.missing.clone(),
    };
    // The exit code says no less than the box on the page: who left a machine that may be driven did not just fail to run.
    if report::leaves_driven(&evidence) {
        evidence.cause = Cause::NotConfirmed;
    }
    let model = report::model(&evidence);
    results.cause = evidence.cause;
    // All are made before the first is written. The XML comes last: where it stands, the others stand beside it.
    let html = report::html(&model).map_err(|e| Early::new(Cause::NotMade, e))?;
    let json = report::json(&model).map_err(|e| Early::new(Cause::NotMade, e))?;
    let xml = report::junit(&model).map_err(|e| Early::new(Cause::NotMade, e))?;
    for (name, text) in [("report.html", html), ("report.json", json), ("junit.xml", xml)] {
        put(&dir.join(name), &text)?;
    }
    let mut summary = report::terminal(&model, say::colours(&std::io::stdout()));
    summary += &format!("run folder: {}\n", dir.display());
    for name in not_given {
        summary += &format!(
            "recording `{name}` is not in it: spinproof report {} --recording {name}=FILE.wav\n",
            dir.display()
        );
    }
    Ok((results, summary))
}

/// Everything computed from a run folder, the same for its documents and for the index; and the recordings that the rig
/// has and the folder has not.
pub(super) fn computed(
    folder: &OpenRun,
    loaded: &Loaded,
    trace: Trace,
) -> Result<(Results, Vec<String>), Early> {
    let (recorded, not_given) = recordings::bursts(folder, loaded)?;
    let missing = missing(&folder.info, &trace);
    let records: Vec<_> = trace.records.into_iter().map(|(_, record)| record).collect();
    let results = evaluate_with(&loaded.plan, &records, recorded)
        .with_missing(missing)
        .with_unconfirmed(folder.info.unconfirmed.as_ref());
    Ok((results, not_given))
}

/// What the record of a run lacks, in words; empty if it is whole.
fn missing(info: &RunInfo, trace: &Trace) -> Vec<String> {
    let closed = match (&info.unrecorded, &info.ended) {
        (Some(why), _) => Some(format!("the recorder failed: {why}")),
        (None, None) => Some("the runner ended without closing the trace".into()),
        (None, Some(_)) => None,
    };
    closed.into_iter().chain(trace.cut.iter().map(ToString::to_string)).chain(lost(trace)).collect()
}

/// Records that were counted and are not there: streams may be whole one by one, and something between them be lost.
fn lost(trace: &Trace) -> Option<String> {
    let gaps = trace.gaps();
    let first = gaps.first()?.start;
    let n: u64 = gaps.iter().map(|gap| gap.end - gap.start).sum();
    Some(match n {
        1 => format!("1 record, number {first} of the run, is in no stream"),
        n => format!("{n} records, the first of them number {first} of the run, are in no stream"),
    })
}

/// Writes a document whole in the place of an old one. What is no file, such as a pipe that somebody reads, has nothing to
/// lose and is written into.
fn put(path: &Path, text: &str) -> Result<(), Early> {
    let is_file = std::fs::metadata(path).map_or(true, |found| found.is_file());
    let put = if is_file { replace(path, text.as_bytes()) } else { std::fs::write(path, text) };
    put.map_err(|e| Early::new(Cause::NotMade, format!("{} cannot be written: {e}", path.display())))
}
