//! What progress says, without a terminal: records in, lines and readings out.

use crate::files::rig::{Role, Sets};
use crate::plan::{Plan, Shape, Source};
use crate::record::{Event, Record, Stage, What, stood_still};
use crate::time::Instant;
use crate::units::Unit;
use std::fmt::Write;
use std::sync::Arc;

/// Channels shown, in this order; the pedal where a person works it.
const SHOWN: [(Role, &str); 6] = [
    (Role::Pedal, "pedal"),
    (Role::ShaftSpeed, "measured"),
    (Role::BusVoltage, "bus"),
    (Role::WindingTemperature, "winding"),
    (Role::InverterTemperature, "inverter"),
    (Role::CoolantTemperature, "coolant"),
];

/// A computer that stood still for so long, in microseconds, is worth a line at once.
const STILL_WORTH_A_LINE: i64 = 20_000;

/// What is known so far.
#[derive(Debug)]
pub(super) struct View {
    plan: Arc<Plan>,
    simulated: bool,
    now: Instant,
    test: Option<usize>,
    segment: Option<usize>,
    state: String,
    /// Newest value per channel, SI.
    values: Vec<Option<f64>>,
    /// Newest value per demand, SI.
    demands: Vec<Option<f64>>,
    /// From a stop or a coast on, until something is told to turn again: no demand is in force.
    torque_off: bool,
}

impl View {
    pub(super) fn new(plan: Arc<Plan>, simulated: bool) -> View {
        View {
            simulated,
            now: Instant::ZERO,
            test: None,
            segment: None,
            state: "identifying".to_string(),
            values: vec![None; plan.channels.len()],
            demands: vec![None; plan.demands.len()],
            torque_off: false,
            plan,
        }
    }

    /// The moment of the newest record.
    pub(super) fn now(&self) -> Instant {
        self.now
    }

    /// Lines to begin with.
    pub(super) fn opening(&self) -> Vec<String> {
        let plan = &self.plan;
        let twin = plan.links.iter().all(|l| l.port == "twin");
        let mark = match (self.simulated, twin) {
            (false, _) => "",
            (true, true) => "SIMULATED: nothing real turns. ",
            (true, false) => "SIMULATED: the rig file declares no machine behind the pseudo-terminal. ",
        };
        let tests = plan.tests.len();
        vec![format!(
            "{mark}suite `{}`, {tests} test{}, unit {} {}",
            plan.suite,
            plural(tests),
            plan.unit,
            plan.serial
        )]
    }

    /// Takes a record; lines to show at once.
    pub(super) fn take(&mut self, record: &Record) -> Vec<String> {
        match record {
            Record::Row(row) => {
                self.now = self.now.max(row.t_reply);
                self.take_row(row.group, &row.values);
                Vec::new()
            }
            Record::Sent(sent) => {
                self.now = self.now.max(sent.at);
                if let Some(demand) = self.demands.get_mut(sent.demand) {
                    *demand = Some(sent.value);
                    // The pump runs on whatever happens to the torque.
                    self.torque_off &= self.plan.demands[sent.demand].sets == Sets::Pump;
                }
                Vec::new()
            }
            Record::Chunk(_) => Vec::new(),
            Record::Event(event) => {
                self.now = self.now.max(event.at);
                self.note(&event.what);
                line(&self.plan, event)
                    .map(|text| format!("{:>10}  {text}", event.at.to_string()))
                    .into_iter()
                    .collect()
            }
        }
    }

    fn take_row(&mut self, group: usize, values: &[Option<f64>]) {
        let Some(group) = self.plan.groups.get(group) else {
            return;
        };
        for (field, value) in group.fields.iter().zip(values) {
            let (Some(index), Some(value)) = (field, value) else {
                continue;
            };
            let channel = &self.plan.channels[*index];
            if let Source::Wire { gain, offset, .. } = &channel.source {
                self.values[*index] = Some(channel.unit.to_si(gain * *value) + offset);
            }
        }
    }

    fn note(&mut self, what: &What) {
        match what {
            What::TestBegan { test } => (self.test, self.segment) = (Some(*test), None),
            What::SegmentBegan { test, segment } => {
                self.segment = Some(*segment);
                let segments = self.plan.tests.get(*test).map(|t| &t.profile.segments);
                let begun = segments.and_then(|s| s.get(*segment));
                if begun.is_some_and(|s| matches!(s.shape, Shape::Coast { .. })) {
                    self.take_torque_off();
                }
            }
            What::StopBegan { .. } | What::TorqueOff { .. } => self.take_torque_off(),
            What::ProfileEnded { .. } => self.segment = None,
            What::State { state } => self.state.clone_from(state),
            _ => {}
        }
    }

    /// What was demanded before is no longer in force, and is not shown as if it were.
    fn take_torque_off(&mut self) {
        self.torque_off = true;
        self.demands.fill(None);
    }

    /// Where the run stands: test k of n, segment, state.
    pub(super) fn standing(&self) -> String {
        let mut text = String::new();
        if self.simulated {
            text.push_str("SIMULATED  ");
        }
        if let Some(index) = self.test {
            // Writing to a string does not fail.
            let _ = write!(text, "test {} of {}", index + 1, self.plan.tests.len());
            if let Some(test) = self.plan.tests.get(index) {
                let _ = write!(text, " `{}`", test.name);
                if let Some(segment) = self.segment.and_then(|s| test.profile.segments.get(s)) {
                    let _ = write!(text, ", {}", segment.name);
                }
            }
            text.push_str(", ");
        }
        text + &self.state
    }

    /// The newest values, demand first or that the torque is off; only as many as fit `width` characters whole: half a number is another number.
    pub(super) fn readings(&self, width: usize) -> String {
        let plan = &self.plan;
        let mut parts = Vec::new();
        if self.torque_off {
            parts.push("torque off".to_string());
        }
        for (demand, value) in plan.demands.iter().zip(&self.demands) {
            let by_hand = self.test.is_some_and(|test| plan.is_by_hand(test));
            if let (Sets::SpeedAtFullPedal, true, Some(si)) = (demand.sets, by_hand, value) {
                parts.push(format!("full pedal {}", whole(&demand.unit, *si)));
            }
            if let (Sets::ShaftSpeed, false, Some(si)) = (demand.sets, by_hand, value) {
                parts.push(format!("demand {}", whole(&demand.unit, *si)));
            }
        }
        let by_hand = self.test.is_some_and(|test| plan.is_by_hand(test));
        for (role, label) in SHOWN.into_iter().filter(|(role, _)| by_hand || *role != Role::Pedal) {
            let known = plan.channel_with(role).and_then(|i| Some((&plan.channels[i], self.values[i]?)));
            if let Some((channel, si)) = known {
                parts.push(format!("{label} {}", whole(&channel.unit, si)));
            }
        }
        let mut text = String::new();
        for part in parts {
            let gap = if text.is_empty() { "" } else { "  " };
            if text.chars().count() + gap.len() + part.chars().count() > width {
                break;
            }
            text.push_str(gap);
            text.push_str(&part);
        }
        text
    }
}

/// A value in whole numbers of its unit. A shaft at rest reads a little either way: `-0 rpm` is no speed.
fn whole(unit: &Unit, si: f64) -> String {
    let number = format!("{:.0}", unit.from_si(si));
    format!("{} {unit}", if number == "-0" { "0" } else { &number })
}

fn plural(count: usize) -> &'static str {
    if count == 1 { "" } else { "s" }
}

/// The line of an event; `None` for those that only move the bar or fill the trace.
fn line(plan: &Plan, event: &Event) -> Option<String> {
    let test = |index: usize| plan.tests.get(index).map_or("?", |t| t.name.as_str());
    Some(match &event.what {
        What::Identity { link, fields } => {
            let fields: Vec<String> = fields.iter().map(|(name, value)| format!("{name} {value}")).collect();
            format!("link `{link}`: {}", fields.join(", "))
        }
        What::PreCheck { name, holds, grade, found, .. } => {
            let answer = if *holds { "holds" } else { "REFUSED" };
            format!("pre-check `{name}` {answer} ({}): {found}", grade.words())
        }
        What::Answered { id, yes, by } => {
            format!("question `{id}`: {} ({by})", if *yes { "yes" } else { "NO" })
        }
        What::State { state } => format!("state: {state}"),
        What::TestBegan { test: index } => {
            format!("test {} of {} `{}`", index + 1, plan.tests.len(), test(*index))
        }
        What::SegmentBegan { test: index, segment } => {
            let name = plan.tests.get(*index)?.profile.segments.get(*segment)?.name.as_str();
            let hand = plan.tests.get(*index).and_then(|t| t.by_hand.iter().find(|h| h.segment == *segment));
            match hand {
                Some(hand) => format!("segment `{name}`: THE PEDAL IS YOURS. {}", hand.ask),
                None => format!("segment `{name}`"),
            }
        }
        What::Marked { .. } => "MARKED: you heard something".to_string(),
        What::OperatorStep { ask, .. } => format!("PLEASE: {ask}"),
        What::SwitchedOff { found, .. } => format!("silence: {found}"),
        What::StopFrameProved { found, .. } => format!("stop frame: {found}"),
        What::TorqueOff { found, .. } | What::TookOff { found, .. } => format!("torque off: {found}"),
        What::Trip { trip, found, .. } => format!("TRIP `{trip}`: {found}"),
        What::StopBegan { reason } => format!("STOPPING: {reason}"),
        What::Stage { stage, confirmed, found } => stage_line(plan, *stage, *confirmed, found),
        What::BurstLost { burst, number, why } => {
            let name = plan.bursts.get(*burst).map_or("?", |b| b.name.as_str());
            format!("burst {number} `{name}` was given up: {why}")
        }
        What::PossibleRestart { found } => format!("POSSIBLE RESTART: {found}"),
        What::AskedAgain { because, same: true, found } => format!("asked again ({because}): {found}"),
        What::AskedAgain { because, same: false, found } => format!("ASKED AGAIN ({because}): {found}"),
        What::LinkLost { link, why } => format!("LINK LOST `{link}`: {why}"),
        What::TestEnded { test: index, complete } => {
            let how = if *complete { "ended" } else { "broken off" };
            format!("test `{}` {how}", test(*index))
        }
        What::Finished { cause, why } => format!("{}: {why}", cause.row().headline),
        What::Note { text } => text.clone(),
        // Beside a build there are many of a few milliseconds; the report counts them.
        What::StoodStill { process, from, to } if to - from >= STILL_WORTH_A_LINE => {
            stood_still(*process, *from, *to)
        }
        What::StoodStill { .. }
        | What::BlamesComputer { .. }
        | What::Lateness { .. }
        | What::Setting { .. }
        | What::SettingsHash { .. }
        | What::Asked { .. }
        | What::ProfileEnded { .. }
        | What::BurstTriggered { .. }
        | What::StopSent { .. }
        | What::Unsolicited { .. }
        | What::Late { .. }
        | What::Garbage { .. } => return None,
    })
}

fn stage_line(plan: &Plan, stage: Stage, confirmed: bool, found: &str) -> String {
    match (stage, confirmed) {
        (_, true) => format!("{}: {found}", stage.words()),
        (Stage::NotDriven, false) => {
            format!("NOT DRIVEN IS NOT CONFIRMED: {found}; treat the machine as driven")
        }
        (Stage::AtRest, false) => format!("REST IS NOT CONFIRMED: {found}; treat the shaft as turning"),
        (Stage::DeEnergised, false) => format!(
            "BUS LIVE: {found}; {}, wait {}, then measure with your own meter",
            plan.supply.switch_off, plan.supply.discharge
        ),
    }
}

#[cfg(test)]
mod tests;
