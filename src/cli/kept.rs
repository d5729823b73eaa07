//! The trace as what the recorder's thread writes to; and the simulated hand, which does what a person was just asked to.

use crate::plan::{Plan, Shape};
use crate::record::{Event, LoggedInput, Record, What};
use crate::shell::child::TwinChild;
use crate::shell::keep::Recorder;
use crate::time::Instant;
use crate::trace::Writer;
use std::fs::File;
use std::io::Write;
use std::sync::Arc;

/// The trace, and a hand at the shaft of the twin.
pub(super) struct Kept {
    writer: Writer,
    plan: Arc<Plan>,
    hand: Option<File>,
}

impl Kept {
    /// With a hand where the twin runs and somebody is asked to turn its shaft.
    ///
    /// Errors if no descriptor is left.
    pub(super) fn new(writer: Writer, plan: &Arc<Plan>, twin: Option<&TwinChild>) -> std::io::Result<Kept> {
        let mut shapes = plan.tests.iter().flat_map(|t| &t.profile.segments).map(|s| &s.shape);
        let asked = shapes.any(|shape| matches!(shape, Shape::Watch { turned: Some(_) }));
        let hand = twin.filter(|_| asked).map_or(Ok(None), TwinChild::hand)?;
        Ok(Kept { writer, plan: Arc::clone(plan), hand })
    }

    /// Who is asked to turn the shaft does: within four fifths of the time, after which it is left alone.
    fn lend_a_hand(&mut self, record: &Record) {
        let Record::Event(Event { what: What::SegmentBegan { test, segment }, .. }) = record else { return };
        let segment = &self.plan.tests[*test].profile.segments[*segment];
        if let (Shape::Watch { turned: Some(angle) }, Some(hand)) = (&segment.shape, &mut self.hand) {
            let lasting = segment.length().secs_f64() * 0.8;
            // A twin that is gone is told as such elsewhere.
            let _ = writeln!(hand, "turn {angle} rad within {lasting} s");
        }
    }
}

impl Recorder for Kept {
    fn input(&mut self, input: &LoggedInput) -> anyhow::Result<()> {
        Ok(self.writer.input(input)?)
    }
    fn record(&mut self, seq: u64, record: &Record) -> anyhow::Result<()> {
        self.lend_a_hand(record);
        Ok(self.writer.record(seq, record)?)
    }
    fn tick(&mut self, now: Instant) -> anyhow::Result<()> {
        Ok(self.writer.tick(now)?)
    }
    fn finish(self) -> anyhow::Result<()> {
        Ok(self.writer.finish()?)
    }
}
