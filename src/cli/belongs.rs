//! Whether a trace is that of the files beside it: a folder that was put together from two runs must open nothing.

use super::Early;
use super::load::Loaded;
use crate::outcome::Cause;
use crate::plan::layout;
use crate::record::{Layout, Record, What};
use crate::trace::{OpenRun, Trace};

/// Refuses a trace of other columns, of streams of two runs, or of another controller than the files and `run.json` name.
pub(super) fn belongs(folder: &OpenRun, loaded: &Loaded, trace: &Trace) -> Result<(), Early> {
    let wrong =
        other_columns(loaded, trace).or_else(|| two_runs(trace)).or_else(|| other_unit(loaded, trace));
    let Some(wrong) = wrong else { return Ok(()) };
    let text = format!(
        "{}: {wrong}; one of the two was brought here from another run, restore the folder from a copy of the whole",
        folder.dir.display()
    );
    Err(Early::new(Cause::NotMade, text))
}

fn other_columns(loaded: &Loaded, trace: &Trace) -> Option<String> {
    // Of a trace of which nothing can be read nobody knows the columns; its cuts say so.
    let differs = trace.layout != Layout::default() && trace.layout != layout(&loaded.plan);
    differs.then(|| "the trace has other columns than rig and suite beside it ask for".into())
}

fn two_runs(trace: &Trace) -> Option<String> {
    let mut all: Vec<u64> = trace.records.iter().map(|(seq, _)| *seq).collect();
    all.extend(trace.inputs.iter().map(|input| input.seq));
    all.sort_unstable();
    let twice = all.windows(2).find(|pair| pair[0] == pair[1])?;
    Some(format!("number {} stands in two streams of the trace, and a run gives each once", twice[0]))
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
    let fields = events()
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
