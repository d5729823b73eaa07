//! `replay`: the recorded inputs fed to a fresh engine.

use super::Early;
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
        println!("note: {cut}");
    }
    match replay(loaded.plan, &trace.inputs) {
        (fed, None) => {
            println!("identical: {fed} inputs fed, every output as recorded");
            Ok(Cause::Passed)
        }
        (fed, Some(difference)) => {
            println!("DIFFERENT after {fed} of {} inputs", trace.inputs.len());
            println!("input {} at {}: {}", difference.seq, difference.at, difference.what);
            Ok(Cause::CriterionFailed)
        }
    }
}
