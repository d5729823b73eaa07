//! Polls as they are recorded: what was read, and when it must have been sampled.

use super::Output;
use super::core::{Core, Notice};
use super::guard::Firing;
use super::lateness::Suspect;
use super::link::Purpose;
use crate::plan::{Plan, Source, Valued, state_of};
use crate::record::{Record, Row, RowStatus, What};
use crate::states::DriveState;
use crate::time::{Duration, Instant};

/// The values of a reply, and the time that request and reply took on the line.
pub(super) type Read = (Vec<Option<f64>>, (Duration, Duration));

/// The numbers in a reply to a poll, in the order of its fields; `None` if one cannot be read.
pub(super) fn poll_values(plan: &Plan, group: usize, line: &[u8]) -> Option<Vec<Option<f64>>> {
    let group = &plan.groups[group];
    let texts = group.exchange.expect.fit(line)?;
    let read = |(channel, text): (&Option<usize>, &str)| match channel {
        None => Some(None),
        Some(channel) => plan.channels[*channel].reading()?.read(text).map(Some),
    };
    group.fields.iter().zip(texts).map(read).collect()
}

/// A poll as recorded.
pub(super) fn row(
    plan: &Plan,
    now: Instant,
    asked: Instant,
    group: usize,
    status: RowStatus,
    reply: Option<Read>,
) -> Row {
    let fields = plan.groups[group].fields.len();
    let (values, (out, back)) =
        reply.unwrap_or_else(|| (vec![None; fields], (Duration::ZERO, Duration::ZERO)));
    // The controller took its sample after the request's last byte and before the reply's first.
    let earliest = (asked + out).min(now);
    let latest = (now - back).max(earliest);
    let open = (latest - earliest).micros();
    Row {
        group,
        t_request: asked,
        t_reply: now,
        t_sample: earliest + Duration::from_micros(open / 2),
        u_sample: open.max(1) as f64 / 12f64.sqrt(),
        values,
        status,
    }
}

impl Core {
    /// A value is stale: this computer may be why.
    pub(super) fn suspect_stale(&mut self, plan: &Plan, now: Instant, channel: usize, firing: &Firing) {
        if let Source::Wire { group, .. } = plan.channels[channel].source {
            let (link, allowed) = (plan.groups[group].link, plan.channels[channel].stale);
            let silence = Suspect::Silence { link, since: firing.sampled, until: now, allowed };
            self.late.suspect(&firing.trip, silence);
        }
    }

    /// A value that is stale because its poll never got its turn: the board answers more slowly than another poll comes round.
    pub(super) fn with_what_starved_it(
        &self,
        plan: &Plan,
        now: Instant,
        channel: usize,
        mut firing: Firing,
    ) -> Firing {
        let Source::Wire { group, .. } = plan.channels[channel].source else { return firing };
        let starved = &plan.groups[group];
        let took = self.links[starved.link].keeps_waiting(now, Purpose::Poll(group));
        let fastest = plan.groups.iter().filter(|g| g.link == starved.link).min_by_key(|g| g.every);
        if let (Some(took), Some(fastest)) = (took, fastest)
            && took >= fastest.every
        {
            firing.found += &format!(
                "; its poll `{}` never got its turn: the last reply took {took}, and `{}` is asked for every {}",
                starved.name, fastest.name, fastest.every
            );
        }
        firing
    }

    /// A reply to a poll: passes every value by the guard, says so.
    #[allow(clippy::too_many_arguments)]
    pub(super) fn poll_reply(
        &mut self,
        plan: &Plan,
        now: Instant,
        group: usize,
        sent: Instant,
        times: (Duration, Duration),
        values: Option<Vec<Option<f64>>>,
        line: &[u8],
        notices: &mut Vec<Notice>,
    ) {
        let Some(values) = values else {
            let text = printable(line);
            let link = plan.groups[group].link;
            self.event(now, What::Garbage { link: plan.links[link].name.clone(), text });
            self.strange_line(now, link, line, false);
            self.row_without_values(plan, now, sent, group, RowStatus::Malformed);
            notices.push(Notice::RowLost);
            return;
        };
        let row = row(plan, now, sent, group, RowStatus::Ok, Some((values, times)));
        let (at, read) = (row.t_sample, row.values.clone());
        let mut scratch = std::mem::take(&mut self.scratch);
        scratch.clear();
        self.values.on_row(plan, &row, &mut scratch);
        self.out.push_back(Output::Record(Record::Row(row)));
        self.watch_state(plan, sent, (sent + times.0, now - times.1), &scratch);
        for Valued { channel, at, si } in &scratch {
            let Some(value) = si else { continue };
            if *channel == plan.drive.state {
                self.state_read(now, sent, *value);
            }
            if let Some(firing) = self.guard.value(plan, *channel, (sent, *at, now), *value) {
                notices.push(Notice::Fired(firing));
            }
        }
        self.scratch = scratch;
        if let Some(firing) = self.guard.standing.reply(plan, group, at, &read) {
            notices.push(Notice::Fired(firing));
        }
        while let Some(text) = self.guard.standing.thawed() {
            self.event(now, What::Note { text });
        }
        self.power.row(plan, &self.values, &self.guard, group);
        notices.push(Notice::Row { group, asked: sent });
    }

    fn state_read(&mut self, now: Instant, asked: Instant, value: f64) {
        let state = state_of(value);
        self.guard.begun = state == Some(DriveState::NotReady);
        self.guard.standing.gates(state == Some(DriveState::OperationEnabled));
        let before = self.state.map(|(s, _)| s);
        if state != before {
            let state = state.map_or_else(|| format!("unknown ({value})"), |s| s.words().to_string());
            self.event(now, What::State { state });
            self.state_changed(now, before, state_of(value));
        }
        self.state = state.map(|s| (s, asked));
        if state == Some(DriveState::OperationEnabled) {
            self.late.seen_enabled(asked);
        }
        // Whoever switched it on: what drives must be shown to be off before it is left.
        self.driven |= state.is_some_and(|s| s.may_drive());
        self.enabled |= state.is_some_and(|s| s.may_drive());
        if state.is_some_and(|s| s.may_drive()) {
            self.guard.fall.on(asked);
        }
        if self.guard.begun {
            self.guard.fall.begun(now);
        }
    }

    /// Records a poll that brought nothing.
    pub(super) fn row_without_values(
        &mut self,
        plan: &Plan,
        now: Instant,
        asked: Instant,
        group: usize,
        status: RowStatus,
    ) {
        self.out.push_back(Output::Record(Record::Row(row(plan, now, asked, group, status, None))));
    }
}

/// A line as it can be shown: unprintable bytes escaped, cut to 120 characters.
pub(super) fn printable(line: &[u8]) -> String {
    line.escape_ascii().to_string().chars().take(120).collect()
}
