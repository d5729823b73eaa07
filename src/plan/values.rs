//! Values of channels as they become known, from rows and demands in the order they were recorded.
//!
//! The engine's guards and the columns made from a trace both use this evaluator, so that a trip and
//! a report cannot see different values. It uses only the past: the same records in the same order
//! give the same values.

use super::{Plan, Reading, Source};
use crate::expr::{Memory, Operand};
use crate::record::{Row, RowStatus, Sent};
use crate::states::DriveState;
use crate::time::Instant;

/// A value of a channel as it became known, or that it was asked for and did not come.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Valued {
    /// Index of the channel in the plan.
    pub channel: usize,
    /// Moment of sampling; of the request, where nothing came. For a derived channel that of the
    /// newest sample it was made from.
    pub at: Instant,
    /// Value in SI after calibration; the code of the state for a drive state. NaN if the controller
    /// said so or if a status word fits no state. `None` if it was asked for and did not come.
    pub si: Option<f64>,
}

/// The newest value of a channel.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Newest {
    t_sample: Instant,
    t_request: Instant,
    si: f64,
}

/// The evaluator: the newest value of every channel and demand, and what expressions remember.
#[derive(Debug, Clone)]
pub struct Values {
    newest: Vec<Option<Newest>>,
    demands: Vec<Option<f64>>,
    memories: Vec<Memory>,
    /// For each group the derived channels that rest on it, in the order of the plan.
    derived_of: Vec<Vec<usize>>,
    /// For each channel those that its expression uses directly.
    uses: Vec<Vec<usize>>,
    /// For each channel whether the row at hand brought no value for it.
    missing: Vec<bool>,
}

impl Values {
    /// An evaluator that has seen nothing yet.
    pub fn new(plan: &Plan) -> Values {
        let mut groups_of: Vec<Vec<usize>> = Vec::with_capacity(plan.channels.len());
        let mut uses: Vec<Vec<usize>> = Vec::with_capacity(plan.channels.len());
        let mut memories = Vec::with_capacity(plan.channels.len());
        for channel in &plan.channels {
            match &channel.source {
                Source::Wire { group, .. } => {
                    groups_of.push(vec![*group]);
                    uses.push(Vec::new());
                    memories.push(Memory::default());
                }
                Source::Derived(expr) => {
                    let operands = expr.operands().into_iter();
                    let channels: Vec<usize> = operands
                        .filter_map(|o| if let Operand::Channel(c) = o { Some(c) } else { None })
                        .collect();
                    groups_of.push(channels.iter().flat_map(|c| groups_of[*c].clone()).collect());
                    uses.push(channels);
                    memories.push(expr.memory());
                }
            }
        }
        let derived = |group: usize| {
            let rests = |c: &usize| {
                matches!(plan.channels[*c].source, Source::Derived(_)) && groups_of[*c].contains(&group)
            };
            (0..plan.channels.len()).filter(rests).collect()
        };
        Values {
            newest: vec![None; plan.channels.len()],
            demands: vec![None; plan.demands.len()],
            memories,
            derived_of: (0..plan.groups.len()).map(derived).collect(),
            uses,
            missing: vec![false; plan.channels.len()],
        }
    }

    /// Learns a demand as it was handed to the link. Demands that the plan has not are passed over.
    pub fn on_sent(&mut self, sent: &Sent) {
        if let Some(demand) = self.demands.get_mut(sent.demand) {
            *demand = Some(sent.value);
        }
    }

    /// A stop began: what was demanded before it is no longer in force, so what is derived from demands
    /// has no value until they are sent again.
    pub fn on_stop(&mut self) {
        self.demands.fill(None);
    }

    /// Takes a row and appends to `out` a value for each channel of its group, in the order of the
    /// fields, and then for every derived channel that rests on the group, in the order of the plan.
    ///
    /// A derived channel is passed over as long as an operand or its past is missing. For a row that
    /// was lost or malformed, and for a field that could not be read, `None` is appended for the
    /// channel and for all that is derived from it. A missed slot asked for nothing and gives nothing.
    /// Rows of a group that the plan has not are passed over.
    pub fn on_row(&mut self, plan: &Plan, row: &Row, out: &mut Vec<Valued>) {
        let Some(group) = plan.groups.get(row.group) else { return };
        if row.status == RowStatus::Missed {
            return;
        }
        for (field, channel) in group.fields.iter().enumerate() {
            let Some(channel) = *channel else { continue };
            let read = match row.status {
                RowStatus::Ok => row.values.get(field).copied().flatten(),
                _ => None,
            };
            let si = read.and_then(|number| calibrated(plan, channel, number));
            self.missing[channel] = si.is_none();
            if let Some(si) = si {
                let newest = Newest { t_sample: row.t_sample, t_request: row.t_request, si };
                self.newest[channel] = Some(newest);
            }
            let at = if si.is_some() { row.t_sample } else { row.t_request };
            out.push(Valued { channel, at, si });
        }
        for i in 0..self.derived_of[row.group].len() {
            let channel = self.derived_of[row.group][i];
            self.derive(plan, row, channel, out);
        }
        // Another group's row must not find this row's losses.
        for channel in group.fields.iter().flatten().chain(&self.derived_of[row.group]) {
            self.missing[*channel] = false;
        }
    }

    /// The channels that a row of the group gives values: those that it reads, and what is derived from them.
    pub fn resting_on<'a>(&'a self, plan: &'a Plan, group: usize) -> impl Iterator<Item = usize> + 'a {
        let read = plan.groups.get(group).into_iter().flat_map(|g| g.fields.iter().flatten());
        read.chain(self.derived_of.get(group).into_iter().flatten()).copied()
    }

    fn derive(&mut self, plan: &Plan, row: &Row, channel: usize, out: &mut Vec<Valued>) {
        let Source::Derived(expr) = &plan.channels[channel].source else { return };
        self.missing[channel] = self.uses[channel].iter().any(|used| self.missing[*used]);
        if self.missing[channel] {
            out.push(Valued { channel, at: row.t_request, si: None });
            return;
        }
        // Samples of two links may come in another order than they were taken: a derived value is as
        // of the newest of them, and its request as old as the oldest, so that "asked for after the
        // stop" is never claimed of a value that was partly asked for before.
        let mut t_sample = row.t_sample;
        let mut t_request = row.t_request;
        for used in &self.uses[channel] {
            let Some(newest) = self.newest[*used] else { return };
            t_sample = t_sample.max(newest.t_sample);
            t_request = t_request.min(newest.t_request);
        }
        let (newest, demands) = (&self.newest, &self.demands);
        let get = |operand: Operand| match operand {
            Operand::Channel(c) => newest[c].map(|n| n.si),
            Operand::Demand(d) => demands[d],
        };
        let si = expr.eval(&mut self.memories[channel], t_sample.secs_f64(), &get);
        if let Some(si) = si {
            self.newest[channel] = Some(Newest { t_sample, t_request, si });
            out.push(Valued { channel, at: t_sample, si: Some(si) });
        }
    }

    /// The newest value of a channel: moment of sampling, moment of the request (of the oldest one it
    /// rests on, if derived), value in SI (may be NaN). `None` as long as there was none; losses do
    /// not take it away.
    pub fn latest(&self, channel: usize) -> Option<(Instant, Instant, f64)> {
        self.newest.get(channel).copied().flatten().map(|n| (n.t_sample, n.t_request, n.si))
    }

    /// The value of a demand as last handed to the link, SI; `None` before the first.
    pub fn demand(&self, demand: usize) -> Option<f64> {
        self.demands.get(demand).copied().flatten()
    }
}

/// The drive state that a value of a drive-state channel stands for; `None` if it stands for none.
pub fn state_of(value: f64) -> Option<DriveState> {
    let word = value as u16;
    if f64::from(word) == value { DriveState::from_status_word(word) } else { None }
}

/// The SI value of a number as read; `None` if the channel is not read from a wire.
fn calibrated(plan: &Plan, channel: usize, number: f64) -> Option<f64> {
    let channel = plan.channels.get(channel)?;
    let Source::Wire { gain, offset, reading, .. } = &channel.source else { return None };
    Some(match reading {
        Reading::StatusWord | Reading::States(_) => {
            state_of(number).map_or(f64::NAN, |state| f64::from(state.code()))
        }
        // The gain belongs to the number on the wire: hundredths of a degree, not of a kelvin.
        Reading::Number | Reading::Words(_) => channel.unit.to_si(gain * number) + offset,
    })
}

#[cfg(test)]
mod tests;
