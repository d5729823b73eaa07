//! `rehearse`: the identical engine on a virtual clock.

use super::load::{Loaded, Text, load};
use super::{Early, Files, Making};
use crate::engine::Output;
use crate::outcome::Cause;
use crate::plan::layout;
use crate::rehearsal::{Bench, rehearse, twin_spec};
use crate::trace::{RunFolder, RunInfo, RunKind, Writer};
use crate::twin::{FaultSetting, TruthRow};
use std::path::PathBuf;

/// Arguments of `rehearse`.
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    #[command(flatten)]
    files: Files,
    #[command(flatten)]
    making: Making,
}

pub(super) fn run(args: &Args) -> Result<Cause, Early> {
    let loaded = load(&args.files)?;
    let dir = rehearse_loaded(&loaded, args.files.build.as_deref(), &args.making)?;
    super::report::documents(&dir)
}

/// Rehearses files that are read already; the run folder.
pub(super) fn rehearse_loaded(
    loaded: &Loaded,
    build: Option<&str>,
    making: &Making,
) -> Result<PathBuf, Early> {
    let faults = parse_faults(&making.faults)?;
    let spec = twin_spec(&loaded.rig, &loaded.unit, &loaded.plan, making.seed)
        .map_err(|e| Early::new(Cause::FilesInvalid, e))?;
    let mut bench = Bench::new(spec, making.seed, &faults);

    let io = |e: std::io::Error| Early::new(Cause::NotMade, e);
    let now = crate::shell::clock::utc_now();
    let folder = RunFolder::create(making.out.as_deref(), &loaded.plan.suite, &now).map_err(io)?;
    let mut info = RunInfo {
        schema: 1,
        spinproof: env!("CARGO_PKG_VERSION").into(),
        kind: RunKind::Rehearsal,
        build: build.map(String::from),
        seed: Some(making.seed),
        faults: faults.iter().map(ToString::to_string).collect(),
        // A virtual clock has no date: the epoch says so, and keeps the documents reproducible.
        began_utc: "1970-01-01T00:00:00.000000Z".into(),
        ended: None,
        unconfirmed: None,
        began_monotonic: 0,
        files: keep_files(&folder, &loaded.texts).map_err(io)?,
    };
    folder.write_info(&info).map_err(io)?;
    let mut writer = Writer::hurried(folder.path(), &layout(&loaded.plan)).map_err(io)?;
    let mut trouble = None;
    let ended =
        rehearse(&loaded.plan, &mut bench, &mut |_, _| (true, "assumed: simulated".into()), &mut |step| {
            let kept = writer.input(&step.input).and_then(|()| {
                step.outputs.iter().try_for_each(|(seq, output)| match (seq, output) {
                    (Some(seq), Output::Record(record)) => writer.record(*seq, record),
                    _ => Ok(()),
                })
            });
            if let Err(error) = kept {
                trouble.get_or_insert(error);
            }
        });
    writer.finish().map_err(io)?;
    if let Some(error) = trouble {
        return Err(io(error));
    }
    write_truth(&folder, &bench.twin.drain_truth()).map_err(io)?;
    info.ended = Some((info.began_utc.clone(), ended.at.micros()));
    folder.write_info(&info).map_err(io)?;
    Ok(folder.path().to_path_buf())
}

/// Reads the faults of the command line.
pub(super) fn parse_faults(texts: &[String]) -> Result<Vec<FaultSetting>, Early> {
    let parse = |text: &String| {
        FaultSetting::parse(text).map_err(|e| {
            let help = e.help.map_or(String::new(), |h| format!("; {h}"));
            Early::new(Cause::FilesInvalid, format!("--fault {text}: {}{help}", e.message))
        })
    };
    texts.iter().map(parse).collect()
}

/// Copies the files as used into the run folder.
pub(super) fn keep_files(folder: &RunFolder, texts: &[Text]) -> std::io::Result<Vec<crate::trace::FileUsed>> {
    let keep = |text: &Text| {
        let used = folder.keep(text.role, &text.name, text.text.as_bytes())?;
        Ok(crate::trace::FileUsed { written: text.written.clone(), ..used })
    };
    texts.iter().map(keep).collect()
}

fn write_truth(folder: &RunFolder, rows: &[TruthRow]) -> std::io::Result<()> {
    let mut text = format!("{}\n", TruthRow::CSV_HEADER).into_bytes();
    for row in rows {
        row.csv(&mut text);
        text.push(b'\n');
    }
    std::fs::write(folder.path().join("truth.csv"), text)
}
