//! From records to columns: what metrics and plots work on.

use super::bursts::Bursts;
use super::{Plan, Profile, Segment, Valued, Values};
use crate::columns::{Columns, DemandSeries, LinkSeries, Series, Span};
use crate::record::{Event, Record, Row, RowStatus, Sent, What};
use crate::time::Instant;

/// Builds the columns of a run from its records in the order they were recorded. The order matters:
/// derived channels use the demands and values that were known when a row came, as the engine did.
///
/// Channels, demands and links stand in the order of the plan. Records whose indices the plan has not
/// are passed over: the trace was then made with another plan, which its reader must have refused.
pub fn columns<'a>(plan: &Plan, records: impl IntoIterator<Item = &'a Record>) -> Columns {
    let mut assembly = Assembly::new(plan);
    for record in records {
        match record {
            Record::Row(row) => assembly.row(row),
            Record::Sent(sent) => assembly.sent(sent),
            Record::Event(event) => {
                if takes_torque_off(plan, &event.what) {
                    assembly.values.on_stop();
                }
                assembly.bursts.event(plan, event, &assembly.values);
                assembly.spans.event(event);
            }
            Record::Chunk(chunk) => assembly.bursts.chunk(chunk),
        }
    }
    assembly.finish()
}

/// Whether no demand but the pump's is in force from here on: a stop, or a coast.
fn takes_torque_off(plan: &Plan, what: &What) -> bool {
    match what {
        What::StopBegan { .. } => true,
        What::SegmentBegan { test, segment } => plan
            .tests
            .get(*test)
            .and_then(|t| t.profile.segments.get(*segment))
            .is_some_and(Segment::undemanded),
        _ => false,
    }
}

struct Assembly<'p> {
    plan: &'p Plan,
    values: Values,
    fresh: Vec<Valued>,
    columns: Columns,
    spans: Spans<'p>,
    bursts: Bursts,
}

impl<'p> Assembly<'p> {
    fn new(plan: &'p Plan) -> Assembly<'p> {
        let series = plan.channels.iter().map(|c| Series {
            name: c.name.clone(),
            unit: c.unit.clone(),
            u: c.u,
            t: Vec::new(),
            u_t: Vec::new(),
            v: Vec::new(),
            lost: Vec::new(),
            missed: Vec::new(),
        });
        let demands = plan.demands.iter().map(|d| DemandSeries {
            name: d.name.clone(),
            unit: d.unit.clone(),
            t: Vec::new(),
            v: Vec::new(),
        });
        let links = plan.links.iter().map(|l| LinkSeries {
            name: l.name.clone(),
            t: Vec::new(),
            round_trip: Vec::new(),
            missed: Vec::new(),
        });
        let columns = Columns {
            series: series.collect(),
            demands: demands.collect(),
            links: links.collect(),
            bursts: Vec::new(),
            lost_bursts: Vec::new(),
            spans: Vec::new(),
        };
        Assembly {
            plan,
            values: Values::new(plan),
            fresh: Vec::new(),
            columns,
            spans: Spans::new(plan),
            bursts: Bursts::default(),
        }
    }

    fn row(&mut self, row: &Row) {
        let Some(group) = self.plan.groups.get(row.group) else { return };
        self.spans.seen(row.t_reply);
        let link = &mut self.columns.links[group.link];
        let t = row.t_request.secs_f64();
        match row.status {
            RowStatus::Missed => {
                link.missed.push(t);
                for channel in self.values.resting_on(self.plan, row.group) {
                    self.columns.series[channel].missed.push(t);
                }
            }
            status => {
                link.t.push(t);
                link.round_trip
                    .push((status == RowStatus::Ok).then(|| (row.t_reply - row.t_request).secs_f64()));
            }
        }
        self.fresh.clear();
        self.values.on_row(self.plan, row, &mut self.fresh);
        for value in &self.fresh {
            let series = &mut self.columns.series[value.channel];
            match value.si {
                Some(si) => {
                    series.t.push(value.at.secs_f64());
                    series.u_t.push(row.u_sample * 1e-6);
                    series.v.push(si);
                }
                None => series.lost.push(value.at.secs_f64()),
            }
        }
    }

    fn sent(&mut self, sent: &Sent) {
        self.values.on_sent(sent);
        self.spans.seen(sent.at);
        if let Some(series) = self.columns.demands.get_mut(sent.demand) {
            series.t.push(sent.at.secs_f64());
            series.v.push(sent.value);
        }
    }

    fn finish(mut self) -> Columns {
        self.columns.spans = self.spans.finish();
        (self.columns.bursts, self.columns.lost_bursts) = self.bursts.finish(self.plan);
        self.columns
    }
}

/// Spans being made from events. A profile begins with its first segment; what is open when a stop
/// begins, when the test ends or when the records end is closed there as incomplete.
struct Spans<'p> {
    plan: &'p Plan,
    done: Vec<Span>,
    /// Indices into `done` of what is still going on.
    profile: Option<usize>,
    segment: Option<usize>,
    last: Instant,
}

impl<'p> Spans<'p> {
    fn new(plan: &'p Plan) -> Spans<'p> {
        Spans { plan, done: Vec::new(), profile: None, segment: None, last: Instant::ZERO }
    }

    fn seen(&mut self, at: Instant) {
        self.last = self.last.max(at);
    }

    fn event(&mut self, event: &Event) {
        self.seen(event.at);
        match &event.what {
            What::SegmentBegan { test, segment } => self.segment_began(event.at, *test, *segment),
            What::ProfileEnded { .. } => self.close(event.at, true),
            What::TestBegan { .. }
            | What::StopBegan { .. }
            | What::TestEnded { .. }
            | What::Finished { .. } => {
                self.close(event.at, false);
            }
            _ => {}
        }
    }

    fn segment_began(&mut self, at: Instant, test: usize, segment: usize) {
        let Some(planned) = self.plan.tests.get(test) else { return };
        let Some(corners) = planned.profile.segments.get(segment) else { return };
        let same_test = self.profile.is_some_and(|p| self.done[p].test == test);
        if same_test {
            self.end(self.segment, at, true);
        } else {
            self.close(at, false);
            let (from, to) = ends(&planned.profile);
            self.profile = Some(self.begin(at, test, None, planned.name.clone(), (from, to)));
        }
        let ends = (corners.from(), corners.to());
        self.segment = Some(self.begin(at, test, Some(segment), corners.name.clone(), ends));
    }

    fn begin(
        &mut self,
        at: Instant,
        test: usize,
        segment: Option<usize>,
        name: String,
        ends: (f64, f64),
    ) -> usize {
        let t0 = at.secs_f64();
        self.done.push(Span { test, segment, name, t0, t1: t0, complete: false, from: ends.0, to: ends.1 });
        self.done.len() - 1
    }

    fn end(&mut self, span: Option<usize>, at: Instant, complete: bool) {
        if let Some(span) = span {
            self.done[span].t1 = at.secs_f64();
            self.done[span].complete = complete;
        }
    }

    fn close(&mut self, at: Instant, complete: bool) {
        let (segment, profile) = (self.segment.take(), self.profile.take());
        self.end(segment, at, complete);
        self.end(profile, at, complete);
    }

    fn finish(mut self) -> Vec<Span> {
        self.close(self.last, false);
        self.done
    }
}

fn ends(profile: &Profile) -> (f64, f64) {
    let first = profile.segments.first().map_or(0.0, |s| s.from());
    let last = profile.segments.last().map_or(0.0, |s| s.to());
    (first, last)
}

#[cfg(test)]
mod tests;
