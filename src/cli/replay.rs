//! `replay`: the recorded inputs fed to a fresh engine.

use super::{Early, say};
use crate::engine::replay;
use crate::outcome::Cause;
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
    match replay(loaded.plan, &trace.inputs) {
        (fed, None) => {
            say::out(format_args!("identical: {fed} inputs fed, every output as recorded\n"));
            Ok(Cause::Passed)
        }
        (fed, Some(difference)) => {
            say::out(format_args!("DIFFERENT after {fed} of {} inputs\n", trace.inputs.len()));
            say::out(format_args!("input {} at {}: {}\n", difference.seq, difference.at, difference.what));
            Ok(Cause::CriterionFailed)
        }
    }
}
