//! What a build that is not sound puts into the DC link: all that turns, braked at once, from as fast as it runs away.

use super::case::{Case, at_most, rpm, shown};
use super::finding::Finding;
use super::physics::{charged, kinetic};
use crate::diag::{Diag, Place};
use crate::files::rig::{Limiting, Role};
use crate::plan::Crossing;

const FAULTY: &str = "faulty braking";

/// One of the things that end such braking at last.
struct End {
    /// The DC link by then, V.
    value: f64,
    /// What it is, with numbers.
    told: String,
    /// Where it was written.
    at: Place,
}

impl Case<'_> {
    /// By how much a bus may be higher than it reads, V (k = 2): of several channels the worst.
    fn bus_u(&self) -> f64 {
        let of_bus = self.plan.channels.iter().filter(|c| c.role == Some(Role::BusVoltage));
        of_bus.map(|c| 2.0 * c.u).fold(0.0, f64::max)
    }

    /// Energy that no trip on the speed keeps from turning, J, with its speed; nothing bounds what something that is coupled
    /// turns in the meantime.
    fn all_that_turns(&self, runs: &[(f64, f64)]) -> Option<End> {
        if self.coupling().is_some() {
            return None;
        }
        let (speed, mass) =
            runs.iter().copied().max_by(|a, b| kinetic(a.1, a.0).total_cmp(&kinetic(b.1, b.0)))?;
        let energy = kinetic(mass, speed);
        let at = self.unit.rotor.inertia.at;
        let told = format!(
            "{} of {} at {}, as far as it runs away, braked at once, and {} of the windings",
            shown(energy, "J"),
            self.said(at),
            rpm(speed),
            shown(self.energy_of_windings(), "J"),
        );
        let energy = energy + self.energy_of_windings();
        let value = charged(self.rig.supply.capacitance.low, self.rig.supply.bus.high, energy);
        Some(End { value, told, at })
    }

    /// The trips on the bus, each with its latency.
    fn trips_on_the_bus(&self, speed: f64, power: f64) -> Vec<End> {
        let of_bus = |channel: usize| self.plan.channels[channel].role == Some(Role::BusVoltage);
        let trips = self.plan.trips.iter().enumerate().filter(|(_, trip)| of_bus(trip.channel));
        let end = trips.filter_map(|(index, trip)| {
            let Crossing::Above(level) = trip.when else { return None };
            let (latency, at) = (self.latency(trip)?, self.trip_at(index)?);
            let from = level + 2.0 * self.plan.channels[trip.channel].u;
            Some(self.ended(from, latency, speed, power, at, "the trip"))
        });
        end.collect()
    }

    /// Braking with all its power for as long as it takes from a voltage of the DC link to torque off, and what the windings hold
    /// then.
    fn ended(&self, from: f64, latency: f64, speed: f64, power: f64, at: Place, what: &str) -> End {
        let windings = self.energy_of_windings();
        let value = charged(self.rig.supply.capacitance.low, from, power * latency + windings);
        let told = format!(
            "{} of braking at {}, as far as it runs away, go on for {} beyond {what} {}, and {} of the windings follow",
            shown(power, "W"),
            rpm(speed),
            shown(latency, "ms"),
            self.said(at),
            shown(windings, "J"),
        );
        End { value, told, at }
    }
}

/// From as fast as the speed runs away a faulty build brakes with the largest torque, whatever is demanded, and nothing takes
/// that energy: a supply that would may have lost its contactor or a fuse. What ends it first must end it below the ratings.
pub(super) fn judge(case: &Case<'_>) -> Finding {
    if case.rig.supply.rated.is_none() {
        return super::speed::missing_rating(case, FAULTY);
    }
    let Some(reaction) = &case.rig.reaction else { return super::reach::missing_reaction(case, FAULTY) };
    if let Some(missing) = case.missing_drives(FAULTY) {
        return missing;
    }
    if case.plan.tests.is_empty() {
        return Finding::none(FAULTY, "nothing is driven");
    }
    let (limit, limit_at) = case.rating();
    let Some(runs) = case.runs_away() else {
        let message =
            "no trip bounds how far the speed runs away, and with it what braking gives back".to_string();
        let diag = case.undeclared(message).other(limit_at, "the limit").help("see `runaway`");
        return Finding::forbidden(FAULTY, diag);
    };
    let fastest = runs.iter().map(|(speed, _)| *speed).fold(0.0, f64::max);
    let power = case.torque_of(case.current().0) * fastest;
    let latency = reaction.controller.si;
    let own = case.rig.limited(Limiting::BusVoltage).map(|(level, at)| {
        case.ended(level + case.bus_u(), latency, fastest, power, at, "the board's own limit")
    });
    let ends = case.trips_on_the_bus(fastest, power).into_iter().chain(own).chain(case.all_that_turns(&runs));
    let Some(end) = ends.min_by(|a, b| a.value.total_cmp(&b.value)) else {
        let diag = case
            .undeclared("nothing ends the braking of what is coupled".into())
            .other(limit_at, "the limit");
        return Finding::forbidden(FAULTY, diag.help("add a trip on the bus, and see `runaway`"));
    };
    let told = format!(
        "{}: {} on {}, limit {}",
        end.told,
        shown(end.value, "V"),
        case.said(case.rig.supply.capacitance.at),
        case.said(limit_at),
    );
    Finding::held(FAULTY, end.value, limit, told, |message| {
        let energy = power * latency + case.energy_of_windings();
        let room = limit * limit - 2.0 * energy / case.rig.supply.capacitance.low;
        let fits = room.max(0.0).sqrt() - case.bus_u();
        let help = if fits > case.rig.supply.bus.high {
            format!(
                "a board that takes the torque off by itself at {} or less fits: read that back in a setting with `limits = \"bus voltage\"`, `unit = \"V\"` and the value that it `must_be`",
                at_most(fits, "V")
            )
        } else {
            "no limit on the bus is quick enough: lower the trips on the speed or the current limit"
                .to_string()
        };
        Diag::at(end.at, message).other(limit_at, "the limit").help(help)
    })
}
