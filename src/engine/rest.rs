//! What shows that the shaft stands: its reading, a second one where there is one, and time; never time alone where the reading is not
//! believed.

use super::against;
use super::core::Core;
use super::guard::show;
use super::winding::{LOW_IN_A_ROW, Low};
use crate::time::{Duration, Instant};

/// Watches for rest after a stop.
#[derive(Debug, Default)]
pub(super) struct Rest {
    first: Low,
    second: Low,
    /// Since when a source that is off and a bus that is low let nothing drive.
    dead: Option<Instant>,
}

impl Rest {
    /// Takes the newest row; what shows rest, in words. `off`: since when nothing drives; `dead`: the source is off and the bus low.
    pub(super) fn look(
        &mut self,
        core: &Core,
        now: Instant,
        test: Option<usize>,
        off: Instant,
        dead: bool,
    ) -> Option<String> {
        let plan = &core.plan;
        let (channel, limit) = plan.stop.speed;
        self.dead = if dead { self.dead.or(Some(now)) } else { None };
        let shown = core.guard.at_rest(plan, test, off).is_some_and(|at| at <= now);
        let first = self.first.look(core, channel, limit).filter(|_| shown);
        let second = plan.stop.run_down.second_speed.map(|c| (c, self.second.look(core, c, limit)));
        let words = |channel: usize, value: f64| show(&plan.channels[channel], value);
        let found = match (core.guard.doubt(channel), second) {
            (None, None) => format!("{} in {LOW_IN_A_ROW} samples in a row", words(channel, first?)),
            (None, Some((other, second))) => format!(
                "{} and, by `{}`, {} in {LOW_IN_A_ROW} samples in a row",
                words(channel, first?),
                plan.channels[other].name,
                words(other, second?),
            ),
            // One that was never seen to turn shows no rest.
            (Some(_), Some((other, Some(second)))) if core.guard.second_turns => format!(
                "{} in {LOW_IN_A_ROW} samples in a row by `{}`; `{}` is not believed",
                words(other, second),
                plan.channels[other].name,
                plan.channels[channel].name,
            ),
            (Some(_), _) => self.nothing_drives(core, now)?,
        };
        against::is_complete(core, now).then_some(found)
    }

    /// The source is off and the bus low for as long as the shaft may coast.
    fn nothing_drives(&self, core: &Core, now: Instant) -> Option<String> {
        let coasts = core.guard.fall.fastest_before() * core.plan.stop.coast_max;
        // Longer than a day is never.
        let coasts = (coasts < 86_400.0).then(|| Duration::from_secs_f64(coasts))?;
        let since = self.dead.filter(|dead| now - *dead >= coasts)?;
        Some(format!(
            "the source is off and the bus low for {}, longer than the shaft may coast; its speed is not believed",
            now - since
        ))
    }

    /// What the second reading of the speed has against rest, in words.
    pub(super) fn against(&self, core: &Core) -> Option<String> {
        let second = core.plan.stop.run_down.second_speed?;
        let channel = &core.plan.channels[second];
        match core.values.latest(second) {
            None => Some(format!("{} was not read", channel.name)),
            Some((_, _, v)) => (v.abs() > core.plan.stop.speed.1 || v.is_nan())
                .then(|| format!("{} reads {}", channel.name, show(channel, v))),
        }
    }
}
