//! Which readings stand still although the gates are on and the shaft is told to turn: they are stale, whatever their age.

use super::frozen::{Follow, Reply, Still};
use super::guard::{Firing, show};
use crate::files::rig::Sets;
use crate::plan::{Channel, Plan, Reading, Source};
use crate::time::{Duration, Instant};
use crate::units::number_text;

/// Follows every channel that is read as a number, and every reply.
#[derive(Debug)]
pub(super) struct Standing {
    channels: Vec<Follow>,
    replies: Vec<Reply>,
    gates: bool,
    /// Demand by demand: whether it tells the shaft to turn.
    turning: Vec<bool>,
    /// Channels that were called stale and have not changed since.
    said: Vec<bool>,
    /// What stood still and no longer does, in words.
    thawed: Vec<String>,
}

impl Standing {
    pub(super) fn new(plan: &Plan) -> Standing {
        Standing {
            channels: vec![Follow::default(); plan.channels.len()],
            replies: vec![Reply::default(); plan.groups.len()],
            gates: false,
            turning: vec![false; plan.demands.len()],
            said: vec![false; plan.channels.len()],
            thawed: Vec::new(),
        }
    }

    /// Whether the gates are on, as the controller says.
    pub(super) fn gates(&mut self, on: bool) {
        if self.gates && !on {
            self.channels.iter_mut().for_each(Follow::pause);
            self.replies.iter_mut().for_each(Reply::pause);
        }
        self.gates = on;
    }

    /// A demand was sent, SI.
    pub(super) fn told(&mut self, plan: &Plan, index: usize, value: f64) {
        let demand = &plan.demands[index];
        let turns = !matches!(demand.sets, Sets::Pump | Sets::CurrentLimit);
        self.turning[index] = turns && value != demand.rest;
    }

    /// No demand is in force any more.
    pub(super) fn told_nothing(&mut self) {
        self.turning.fill(false);
    }

    /// Takes a value (SI) of a channel, and the demand that it follows if it follows one. Says if it stands still for too long.
    pub(super) fn value(
        &mut self,
        plan: &Plan,
        index: usize,
        at: Instant,
        value: f64,
        demand: Option<f64>,
    ) -> Option<Firing> {
        let channel = &plan.channels[index];
        if !self.gates || !is_number(channel) || value.is_nan() {
            return None;
        }
        let follow = &mut self.channels[index];
        let before = std::mem::replace(&mut self.said[index], false);
        if let Some(still) = follow.sample(at, value, demand) {
            self.thawed.push(format!("{}: {} and changes again", channel.name, words(channel, &still)));
        }
        let still = follow.still(at, channel.stale).filter(|_| self.turning.contains(&true))?;
        self.said[index] = true;
        (!before).then(|| Firing {
            trip: format!("{} stale", channel.name),
            found: words(channel, &still),
            sampled: at,
        })
    }

    /// Takes all values of a reply as read. Says if the reply as a whole stands still for too long.
    pub(super) fn reply(
        &mut self,
        plan: &Plan,
        group: usize,
        at: Instant,
        values: &[Option<f64>],
    ) -> Option<Firing> {
        if !self.gates {
            return None;
        }
        self.replies[group].sample(at, values);
        if !self.turning.contains(&true) {
            return None;
        }
        let of = || plan.groups[group].fields.iter().flatten().copied();
        let toggling = of().filter(|channel| self.channels[*channel].is_noisy()).count();
        let first = of().min_by_key(|channel| plan.channels[*channel].stale)?;
        let allowed = plan.channels[first].stale;
        let (lasting, samples, longest) = self.replies[group].still(at, allowed, toggling)?;
        if std::mem::replace(&mut self.said[first], true) {
            return None;
        }
        let found = format!(
            "the reply to the poll `{}` has been the same, to the last byte, for {} ms in {samples} samples; before, never more than {longest} in a row were alike",
            plan.groups[group].name,
            lasting.micros() / 1000,
        );
        Some(Firing { trip: format!("{} stale", plan.channels[first].name), found, sampled: at })
    }

    /// What stood still for too long and has changed again, in words.
    pub(super) fn thawed(&mut self) -> Option<String> {
        self.thawed.pop()
    }
}

/// Whether it is read as a number that may get too old: what may be as old as it likes may stand still.
fn is_number(channel: &Channel) -> bool {
    let number = matches!(channel.source, Source::Wire { reading: Reading::Number, .. });
    number && channel.stale < Duration::from_micros(i64::MAX)
}

fn words(channel: &Channel, still: &Still) -> String {
    let ms = still.lasting.micros() / 1000;
    let read = show(channel, still.value);
    let begin = format!("it has read {read}, to the last digit, for {ms} ms in {} samples", still.samples);
    match still.moved {
        Some(moved) => {
            let by = number_text((channel.unit.difference_from_si(moved) * 10.0).round() / 10.0);
            format!("{begin}, while its demand moved by {by} {}", channel.unit)
        }
        None => format!("{begin}; before, never more than {} in a row were alike", still.longest),
    }
}
