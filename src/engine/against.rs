//! What speaks against a drive that says it is off, beside its own word. Stops and coasts ask at each row; a further sort of evidence
//! is one line here.

use super::core::Core;
use super::power;
use super::slowing::{Slowing, Slows};
use crate::time::{Duration, Instant};

/// What is known so far of a drive that says it is off.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Evidence {
    /// Not enough.
    Open,
    /// Nothing drives, by all that can tell.
    Agrees,
    /// Something does: what was seen, in words with numbers.
    Against(String),
}

/// The torque was confirmed off, or is demanded off once more: from now on evidence against it counts.
pub(super) fn begin(core: &mut Core, now: Instant) {
    core.power.judge(now);
}

/// What the newest row shows.
pub(super) fn look(core: &mut Core, now: Instant) -> Evidence {
    let slows = core.slows();
    if let Some(found) = core.power.against(&core.plan) {
        return Evidence::Against(found);
    }
    let heard_out = is_complete(core, now);
    let blind = core.plan.stop.slowing.blind.is_some();
    match slows {
        Slows::Driven(found) => Evidence::Against(found),
        Slows::Falls if heard_out => Evidence::Agrees,
        // Where the speed shows nothing of what drives, the bus alone has to tell.
        Slows::Open if heard_out && blind => Evidence::Agrees,
        Slows::Falls | Slows::Open => Evidence::Open,
    }
}

/// How long it takes at most, from a repeated stop on, until all of it is heard.
pub(super) fn takes(core: &Core) -> Duration {
    let slowing = core.slowing.as_ref().map_or(Duration::ZERO, |s| Slowing::takes(&core.plan, s.speed()));
    slowing.max(core.plan.stop.not_driven_within + power::TAKES)
}

/// Whether the bus has had the time that it takes to tell.
pub(super) fn is_complete(core: &Core, now: Instant) -> bool {
    core.power.is_complete(&core.plan, now)
}

/// What the evidence can't see, for the record of a stop.
pub(super) fn blind_to(core: &Core) -> String {
    let (channel, _) = core.plan.stop.speed;
    let speed = core.values.latest(channel).map_or(0.0, |(_, _, speed)| speed);
    core.power.sees(&core.plan, speed)
}
