//! Whether a trace is that of the files beside it: a folder that was put together from two runs must open nothing.

use super::Early;
use super::load::Loaded;
use crate::outcome::Cause;
use crate::plan::layout;
use crate::record::{Event, Layout, Record, What};
use crate::trace::{OpenRun, RunInfo, Trace};

/// Refuses a trace of other columns, of streams of two runs, of another controller than the files and `run.json` name, or of
/// another run of the same files.
pub(super) fn belongs(folder: &OpenRun, loaded: &Loaded, trace: &Trace) -> Result<(), Early> {
    let wrong = other_columns(loaded, trace)
        .or_else(|| two_runs(trace))
        .or_else(|| other_unit(loaded, trace))
        .or_else(|| other_end(&folder.info, trace))
        .or_else(|| other_run(&folder.info, trace));
    let Some(wrong) = wrong else { return Ok(()) };
    let text = format!(
        "{}: {wrong}; one of the two was brought here from another run, restore the folder from a copy of the whole",
        folder.dir.display()
    );
    Err(Early::new(Cause::NotMade, text))
}

fn other_columns(loaded: &Loaded, trace: &Trace) -> Option<String> {
    // Of a trace of which nothing can be read nobody knows the columns; its cuts say so.
    let asked = Layout { run: trace.layout.run.clone(), ..layout(&loaded.plan) };
    let differs = trace.layout != Layout::default() && trace.layout != asked;
    differs.then(|| "the trace has other columns than rig and suite beside it ask for".into())
}

fn two_runs(trace: &Trace) -> Option<String> {
    let mut all: Vec<u64> = trace.records.iter().map(|(seq, _)| *seq).collect();
    all.extend(trace.inputs.iter().map(|input| input.seq));
    all.sort_unstable();
    let twice = all.windows(2).find(|pair| pair[0] == pair[1])?;
    Some(format!("number {} stands in two streams of the trace, and a run gives each once", twice[0]))
}

/// The engine's last word as the trace has it, held against that of `run.json`: to the microsecond, since both are the same. Of a
/// folder from before it stood there, only when the run was over is known.
fn other_end(info: &RunInfo, trace: &Trace) -> Option<String> {
    let last = trace.records.iter().rev().find_map(|(_, record)| match record {
        Record::Event(Event { at, what: What::Finished { cause, .. } }) => Some((*cause, at.micros())),
        _ => None,
    });
    let (cause, at) = last?;
    let seconds = |micros: i64| format!("{:.3} s", micros as f64 / 1e6);
    let said = match (info.finished, &info.ended) {
        (Some(said), _) if said != (cause, at) => {
            format!("ended after {} ({})", seconds(said.1), said.0.row().headline)
        }
        (None, Some((_, over))) if *over < at => format!("was over after {}", seconds(*over)),
        _ => return None,
    };
    let found = format!("{} ({})", seconds(at), cause.row().headline);
    Some(format!("run.json says that the run {said}, and the trace ends after {found}"))
}

/// Each stream bears the mark of its run since there is one; only a folder from before that may be without.
fn other_run(info: &RunInfo, trace: &Trace) -> Option<String> {
    match &trace.layout.run {
        Some(mark) if *mark != info.mark() => {
            Some("the trace bears the mark of another run than run.json".into())
        }
        None if info.finished.is_some() && trace.layout != Layout::default() => {
            Some("the trace bears no mark of a run, as that of each run does by now".into())
        }
        _ => None,
    }
}

/// What a controller said that was driven then: the engine drives none that says another serial or build than it should.
fn other_unit(loaded: &Loaded, trace: &Trace) -> Option<String> {
    let events = || {
        trace.records.iter().filter_map(|(_, r)| if let Record::Event(e) = r { Some(&e.what) } else { None })
    };
    if !events().any(|what| matches!(what, What::SegmentBegan { .. })) {
        return None;
    }
    let plan = &loaded.plan;
    let expected = [
        ("model", Some(plan.model.as_str())),
        ("serial", Some(plan.serial.as_str())),
        ("build", plan.build.as_deref()),
    ];
    // What a board says after a restart is why its run was refused, and not whose trace it is.
    let fields = events()
        .take_while(|what| !matches!(what, What::SegmentBegan { .. }))
        .filter_map(|what| if let What::Identity { fields, .. } = what { Some(fields) } else { None });
    fields.flatten().find_map(|(name, found)| {
        let (_, wanted) = expected.iter().find(|(of, wanted)| of == name && wanted.is_some())?;
        let wanted = (*wanted)?;
        (found != wanted).then(|| {
            format!(
                "the controller in the trace has the {name} `{found}`, the files beside it say `{wanted}`"
            )
        })
    })
}
