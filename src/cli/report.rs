//! `report`: everything computed again from a run folder; `run` and `rehearse` end by calling this.

use super::Early;
use super::load::{Loaded, resolve_texts};
use crate::outcome::Cause;
use crate::report::{self, Evidence};
use crate::results::{Results, evaluate};
use crate::trace::{OpenRun, RunFolder, Trace};
use std::io::IsTerminal;
use std::path::{Path, PathBuf};

/// Arguments of `report`.
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    /// The run folder.
    run_dir: PathBuf,
}

pub(super) fn run(args: &Args) -> Result<Cause, Early> {
    documents(&args.run_dir)
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
    Ok((folder, loaded, trace))
}

/// Computes the results of a run folder, writes `junit.xml`, `report.html` and `report.json` into it
/// and prints the summary.
pub(super) fn documents(dir: &Path) -> Result<Cause, Early> {
    let (results, summary) = write(dir)?;
    print!("{summary}");
    println!("run folder: {}", dir.display());
    Ok(results.cause)
}

/// Computes the results of a run folder and writes its documents; the results, and the summary for a terminal.
pub(super) fn write(dir: &Path) -> Result<(Results, String), Early> {
    let (folder, loaded, trace) = open(dir)?;
    let records: Vec<_> = trace.records.into_iter().map(|(_, record)| record).collect();
    let results = evaluate(&loaded.plan, &records).with_unconfirmed(folder.info.unconfirmed.as_ref());
    let mut cuts: Vec<String> = trace.cut.iter().map(ToString::to_string).collect();
    if folder.info.ended.is_none() {
        cuts.insert(0, "the run was cut: the runner ended without closing the trace".into());
    }
    let model = report::model(&Evidence {
        plan: &loaded.plan,
        run: &folder.info,
        events: &results.events,
        columns: &results.columns,
        verdicts: &results.verdicts,
        cause: results.cause,
        why: results.why.clone(),
        cuts,
    });
    let write = |name: &str, text: String| {
        std::fs::write(dir.join(name), text).map_err(|e| {
            Early::new(Cause::NotMade, format!("{} cannot be written: {e}", dir.join(name).display()))
        })
    };
    write("junit.xml", report::junit(&model).map_err(|e| Early::new(Cause::NotMade, e))?)?;
    write("report.html", report::html(&model).map_err(|e| Early::new(Cause::NotMade, e))?)?;
    write("report.json", report::json(&model).map_err(|e| Early::new(Cause::NotMade, e))?)?;
    let summary = report::terminal(&model, std::io::stdout().is_terminal());
    Ok((results, summary))
}
