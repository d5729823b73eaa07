//! A recorder for what is not about the trace.
#![allow(missing_docs)]

use spinproof::record::{LoggedInput, Record};
use spinproof::shell::keep::Recorder;
use spinproof::time::Instant;

/// Keeps nothing.
pub struct Nothing;

impl Recorder for Nothing {
    fn input(&mut self, _: &LoggedInput) -> anyhow::Result<()> {
        Ok(())
    }
    fn record(&mut self, _: u64, _: &Record) -> anyhow::Result<()> {
        Ok(())
    }
    fn tick(&mut self, _: Instant) -> anyhow::Result<()> {
        Ok(())
    }
    fn finish(self) -> anyhow::Result<()> {
        Ok(())
    }
}
