//! What the phase current shows once the torque should be off: whether there is none. It proves something only between what the
//! sensor reads without any and the current that already holds the lightest unit; shorted windings and an EMF above the bus make one
//! flow without a drive.

use super::core::Core;
use super::guard::show;
use crate::states::DriveState;

/// What the phase current reads with the gates off, before anything is enabled.
#[derive(Debug, Default)]
pub(super) struct Zero {
    sum: f64,
    n: u32,
}

impl Zero {
    /// Takes a reading while nothing is enabled.
    pub(super) fn read(&mut self, current: f64) {
        if current.is_finite() {
            self.sum += current.abs();
            self.n += 1;
        }
    }

    /// The mean of the readings; 0 without any.
    fn error(&self) -> f64 {
        if self.n > 0 { self.sum / f64::from(self.n) } else { 0.0 }
    }
}

/// What a reading of the phase current shows.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Shows {
    /// That nothing drives.
    Off(String),
    /// Nothing; why, in words.
    Nothing(String),
    /// That something drives.
    Driven(String),
}

/// What a reading shows, SI, of the channel that has the role; `limit` is what the rig takes for none.
pub(super) fn shows(core: &Core, (channel, limit): (usize, f64), current: f64) -> Shows {
    let holding = &core.plan.stop.holding;
    let described = &core.plan.channels[channel];
    let shown = show(described, current);
    if holding.shorted {
        return Shows::Nothing(format!("{shown}, which shorted windings let flow without a drive"));
    }
    if let Some(why) = by_emf(core) {
        return Shows::Nothing(format!("{shown}, which proves nothing: {why}"));
    }
    if current.is_nan() || current.abs() > limit {
        return Shows::Driven(shown);
    }
    let least = show(described, holding.least);
    let (zero, doubt) = (core.zero.error(), 2.0 * described.u);
    if zero + doubt >= holding.least {
        let (zero, doubt) = (show(described, zero), show(described, doubt));
        return Shows::Nothing(format!(
            "{shown}, which proves nothing: {least} are enough to keep the shaft turning, and the sensor reads {zero} with the gates off and \
             is known to {doubt}"
        ));
    }
    if current.abs() >= holding.least {
        return Shows::Nothing(format!(
            "{shown}, which proves nothing: {least} are enough to keep the shaft turning"
        ));
    }
    Shows::Off(shown)
}

/// Why a current may flow without a drive, in words, where the EMF of the fastest shaft that fits the reading may be above the bus. Both
/// are taken at the end that makes more of it; what was not read counts as nothing.
fn by_emf(core: &Core) -> Option<String> {
    let plan = &core.plan;
    let ((speed, _), (bus, _)) = (plan.stop.speed, plan.stop.bus);
    let (_, _, turns) = core.values.latest(speed)?;
    let (_, _, volts) = core.values.latest(bus)?;
    let emf = plan.stop.holding.emf * (turns.abs() + 2.0 * plan.channels[speed].u);
    // A drive without a bus has nothing to drive with; a shaft at rest has no EMF.
    let turning = turns.abs() > plan.stop.speed.1;
    (turning && emf > volts - 2.0 * plan.channels[bus].u).then(|| {
        format!(
            "up to {emf:.0} V of EMF at {} are above the bus of {}",
            show(&plan.channels[speed], turns),
            show(&plan.channels[bus], volts)
        )
    })
}

impl Core {
    /// Learns what the phase current reads with the gates off, from a row of the watch before anything is enabled.
    pub(super) fn learn_zero(&mut self, group: usize) {
        let Some((channel, _)) = self.plan.stop.current else { return };
        let off = self.state.is_some_and(|(state, _)| !state.may_drive() && state != DriveState::NotReady);
        if off
            && self.plan.groups[group].fields.contains(&Some(channel))
            && let Some((_, _, current)) = self.values.latest(channel)
        {
            self.zero.read(current);
        }
    }
}
