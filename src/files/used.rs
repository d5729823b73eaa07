//! The rig as a suite uses it. Optional polls, what they bring, and demands that only some suites need are left out
//! where nothing asks for them: a line has no room for everything at once, and an ordinary suite is not to change
//! because a bench can do more.

use super::read::At;
use super::rig::{Demand, Rig, Sets};
use super::suite::Suite;

impl Rig {
    /// The rig without what this suite does not use: optional polls that neither it nor a heat pulse names, their channels and what is
    /// derived from those, and demands of a forced angle, an alignment current, a current limit or a pedal, with what is
    /// derived from these and the trips on it.
    pub fn used_by(&self, suite: &Suite) -> Rig {
        let mut rig = self.clone();
        let (mut left_out, mut read) = (Vec::new(), Vec::new());
        for (_, link) in &mut rig.link.0 {
            let wanted = |name: &str| suite.poll.iter().any(|p| p.value == name);
            // A heat pulse needs what its channels come with.
            let pulsed = |expect: &str| {
                let channels = self.heat_pulse(suite).map(|pulse| [&pulse.of.value, &pulse.angle.value]);
                channels.is_some_and(|both| fields(expect).any(|f| both.iter().any(|c| *c == f)))
            };
            link.poll.retain(|poll| {
                let keep =
                    poll.optional != Some(true) || wanted(&poll.name.value) || pulsed(&poll.expect.value);
                let fields = fields(&poll.expect.value).map(String::from);
                if keep {
                    read.extend(fields)
                } else {
                    left_out.extend(fields)
                }
                keep
            });
        }
        left_out.retain(|name| !read.contains(name));
        let used = |name: &str| {
            suite.test.iter().any(|test| {
                let moved = test.demand.as_ref().is_some_and(|d| d.value == name);
                moved || test.with.iter().any(|(with, _)| with.value == name)
            })
        };
        let mut idle = Vec::new();
        rig.demand.0.retain(|(name, demand)| {
            let keep = !seldom(demand) || used(&name.value);
            if !keep {
                idle.push(name.value.clone());
            }
            keep
        });
        // What is derived from something left out goes with it, and what is derived from that.
        loop {
            let before = rig.channel.0.len();
            rig.channel.0.retain(|(name, channel)| {
                let gone = |text: &str| words(text).any(|word| left_out.iter().any(|l| l == word));
                let keep = match &channel.derived {
                    Some(derived) => !gone(&derived.value) && !demanded(&derived.value, &idle),
                    None => !left_out.contains(&name.value),
                };
                if !keep {
                    left_out.push(name.value.clone());
                }
                keep
            });
            if rig.channel.0.len() == before {
                break;
            }
        }
        rig.trip.0.retain(|(_, trip)| !left_out.contains(&trip.channel.value));
        let here = |name: &Option<At<String>>| name.as_ref().is_none_or(|n| !left_out.contains(&n.value));
        rig.supply.meter.retain(|m| [&m.voltage, &m.current, &m.power].into_iter().all(here));
        if !here(&rig.safe_state.second_speed) {
            rig.safe_state.second_speed = None;
        }
        rig
    }
}

/// A demand that only suites that name it have to do with.
fn seldom(demand: &Demand) -> bool {
    let sets = demand.sets.value;
    matches!(sets, Sets::ForcedAngle | Sets::AlignmentCurrent | Sets::CurrentLimit | Sets::SpeedAtFullPedal)
}

/// Whether an expression takes one of these demands.
fn demanded(expression: &str, names: &[String]) -> bool {
    let after = expression.split("demand.").skip(1);
    after.filter_map(|rest| words(rest).next()).any(|word| names.iter().any(|name| name == word))
}

/// Names in braces of a pattern.
fn fields(pattern: &str) -> impl Iterator<Item = &str> {
    pattern.split('{').skip(1).filter_map(|piece| piece.split_once('}')).map(|(name, _)| name)
}

/// Names in an expression; demands, written `demand.NAME`, give both parts.
fn words(expression: &str) -> impl Iterator<Item = &str> {
    expression.split(|c: char| !c.is_alphanumeric() && c != '_')
}
