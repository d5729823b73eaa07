//! `replay`: the recorded inputs fed to a fresh engine.

use super::{Early, say};
use crate::engine::{Output, Step, replay_with, same};
use crate::outcome::Cause;
use crate::record::Record;
use std::path::PathBuf;

/// Arguments of `replay`.
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    /// The run folder.
    run_dir: PathBuf,
}

pub(super) fn run(args: &Args) -> Result<Cause, Early> {
    let (_, loaded, trace) = super::report::open(&args.run_dir)?;
    if trace.inputs.is_empty() {
        return Err(Early::new(Cause::NotMade, "the trace has no inputs: nothing to replay"));
    }
    for cut in &trace.cut {
        say::out(format_args!("note: {cut}\n"));
    }
    let mut held = Held { records: &trace.records, found: 0, absent: 0, finished: false };
    match replay_with(loaded.plan, &trace.inputs, |step| held.against(step)) {
        (fed, None) => {
            say::out(format_args!("identical: {fed} inputs fed, {}\n", held.told()));
            Ok(Cause::Passed)
        }
        (fed, Some(difference)) => {
            say::out(format_args!("DIFFERENT after {fed} of {} inputs\n", trace.inputs.len()));
            say::out(format_args!("input {} at {}: {}\n", difference.seq, difference.at, difference.what));
            Ok(Cause::CriterionFailed)
        }
    }
}

/// What the engine gives, held against what the trace has of it: reports are made of the one, a replay of the other.
struct Held<'a> {
    /// As recorded, ascending by number.
    records: &'a [(u64, Record)],
    /// How many were given again, and how many are given that the trace has not.
    found: usize,
    absent: usize,
    /// Whether the run came to its end.
    finished: bool,
}

impl Held<'_> {
    fn against(&mut self, step: &Step) -> Option<String> {
        for (seq, output) in &step.outputs {
            self.finished |= matches!(output, Output::Finished { .. });
            let (Some(seq), Output::Record(given)) = (seq, output) else { continue };
            match self.records.binary_search_by_key(seq, |(seq, _)| *seq) {
                Ok(at) if same(&self.records[at].1, given) => self.found += 1,
                Ok(at) => {
                    let found = &self.records[at].1;
                    return Some(format!("record {seq} is {found:?} in the trace; here it is {given:?}"));
                }
                Err(_) => self.absent += 1,
            }
        }
        None
    }

    /// How far the record goes.
    fn told(&self) -> String {
        let beyond = self.records.len() - self.found;
        if self.absent == 0 && beyond == 0 && self.finished {
            return "every output as recorded".into();
        }
        let mut text = "every output as recorded as far as the record goes".to_string();
        if self.absent > 0 {
            text += &format!("; {} records that come of them are not in the trace", self.absent);
        }
        if beyond > 0 {
            text += &format!("; {beyond} records are in the trace whose inputs are not");
        }
        if !self.finished {
            text += "; the end of the run is not in it";
        }
        text
    }
}
