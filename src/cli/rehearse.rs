//! `rehearse`: the identical engine on a virtual clock.

use super::first::{First, rehearse_first};
use super::load::{Loaded, Text, load};
use super::{Early, Files, Making};
use crate::engine::{Output, Step};
use crate::outcome::Cause;
use crate::plan::{Plan, layout};
use crate::record::Layout;
use crate::rehearsal::{Bench, Ended, rehearse, twin_spec};
use crate::time::Instant;
use crate::trace::{Before, RunFolder, RunInfo, RunKind, Writer};
use crate::twin::{FaultSetting, TruthRow};
use crate::units::parse_quantity;
use std::collections::VecDeque;
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::mpsc::{Receiver, sync_channel};

/// Steps handed to the writer at once, and how many such batches it may be behind.
const BATCH: usize = 256;
const BATCHES: usize = 64;

/// Arguments of `rehearse`.
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    #[command(flatten)]
    files: Files,
    #[command(flatten)]
    making: Making,
    /// A key that somebody presses while a test is driven by hand, such as m@12s; repeatable.
    #[arg(long = "key", value_name = "KEY@MOMENT")]
    keys: Vec<String>,
}

pub(super) fn run(args: &Args) -> Result<Cause, Early> {
    let loaded = load(&args.files)?;
    // Nothing real turns: what the rig does not declare is only printed.
    loaded.allowed(false)?;
    let keys = parse_keys(&args.keys)?;
    let dir = rehearse_loaded(&loaded, args.files.build.as_deref(), &args.making, keys)?;
    super::report::documents(&dir, true)
}

/// Rehearses files that are read already, with keys that somebody presses; the run folder.
pub(super) fn rehearse_loaded(
    loaded: &Loaded,
    build: Option<&str>,
    making: &Making,
    keys: VecDeque<(Instant, u8)>,
) -> Result<PathBuf, Early> {
    let faults = parse_faults(&making.faults)?;
    let spec = twin_spec(&loaded.rig, &loaded.unit, &loaded.plan, making.seed)
        .map_err(|e| Early::new(Cause::FilesInvalid, e))?;
    if let Some(out) = &making.out {
        super::index::free(out, RunKind::Rehearsal)?;
    }
    let first = match making.rehearse_first {
        true => rehearse_first(loaded, &super::index::home(making.out.as_deref()))?,
        false => First::none("not made: --rehearse-first makes one"),
    };
    let mut bench = Bench::new(spec, making.seed, &faults);
    bench.keys = keys;

    let io = |e: std::io::Error| Early::new(Cause::NotMade, e);
    let now = crate::shell::clock::utc_now();
    let folder = RunFolder::create(making.out.as_deref(), &loaded.plan.suite, &now).map_err(io)?;
    let mut files = keep_files(&folder, &loaded.texts).map_err(io)?;
    files.extend(first.keep(&folder).map_err(io)?);
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
        finished: None,
        unconfirmed: None,
        unrecorded: None,
        before: Before { rehearsal: first.rehearsal.clone(), band: first.band.clone(), ..Before::default() },
        began_monotonic: 0,
        files,
        recordings: Vec::new(),
    };
    folder.write_info(&info).map_err(io)?;
    let marked = Layout { run: Some(info.mark()), ..layout(&loaded.plan) };
    let writer = Writer::hurried(folder.path(), &marked).map_err(io)?;
    let ended = rehearse_into(writer, &loaded.plan, &mut bench).map_err(io)?;
    info.ended = Some((info.began_utc.clone(), ended.at.micros()));
    info.finished = Some((ended.cause, ended.at.micros()));
    folder.write_info(&info).map_err(io)?;
    write_truth(&folder, &bench.twin.drain_truth()).map_err(io)?;
    Ok(folder.path().to_path_buf())
}

/// Rehearses with yes to every question, and keeps every step by a thread of its own.
fn rehearse_into(writer: Writer, plan: &Arc<Plan>, bench: &mut Bench) -> std::io::Result<Ended> {
    std::thread::scope(|scope| {
        let (hand_over, steps) = sync_channel(BATCHES);
        let writing = scope.spawn(move || keep_steps(writer, steps));
        let mut batch = Vec::with_capacity(BATCH);
        let mut pass_on = |step: Option<Step>| {
            let last = step.is_none();
            batch.extend(step);
            if last || batch.len() == BATCH {
                // A writer that has given up says why in the end.
                let _ = hand_over.send(std::mem::replace(&mut batch, Vec::with_capacity(BATCH)));
            }
        };
        let yes = &mut |_: &str, _: &str| (true, "assumed: simulated".to_string());
        let ended = rehearse(plan, bench, yes, &mut |step| pass_on(Some(step)));
        pass_on(None);
        drop(hand_over);
        let kept = writing.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic));
        kept.map(|()| ended)
    })
}

/// Keeps what the engine did, in its order; the first error is told, and what can still be kept is.
fn keep_steps(mut writer: Writer, steps: Receiver<Vec<Step>>) -> std::io::Result<()> {
    let mut first = None;
    for step in steps.iter().flatten() {
        let kept = writer.input(&step.input).and_then(|()| {
            step.outputs.iter().try_for_each(|(seq, output)| match (seq, output) {
                (Some(seq), Output::Record(record)) => writer.record(*seq, record),
                _ => Ok(()),
            })
        });
        if let Err(error) = kept {
            first.get_or_insert(error);
        }
    }
    let finished = writer.finish();
    first.map_or(finished, Err)
}

/// Reads the keys of the command line, in the order of their moments.
fn parse_keys(texts: &[String]) -> Result<VecDeque<(Instant, u8)>, Early> {
    let parse = |text: &String| {
        let (key, at) = text.split_once('@')?;
        let &[key] = key.as_bytes() else { return None };
        let at = parse_quantity(at.trim()).ok().filter(|q| q.unit.text == "s" && q.si >= 0.0)?;
        Some((Instant::from_secs_f64(at.si), key))
    };
    let wrong = |text: &String| {
        let words =
            format!("--key {text}: expected one key and the second at which it is pressed, such as m@12s");
        Early::new(Cause::FilesInvalid, words)
    };
    let keys: Result<Vec<_>, Early> = texts.iter().map(|t| parse(t).ok_or_else(|| wrong(t))).collect();
    let mut keys = keys?;
    keys.sort();
    Ok(keys.into())
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
