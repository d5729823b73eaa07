//! Heat: what the controller's own current limit does to winding and inverter while nothing carries it away.
//!
//! Nothing here counts on the coolant. A plan fits if even all of it, at the current limit, heats no further than allowed; or if the
//! trip on that temperature comes early enough. A winding that stands has its sensor in another phase than the worst: its trip
//! is not counted on, only one that sees that the shaft stands.

use super::case::{Case, at_least, at_most, either, fitting, largest, shown};
use super::finding::Finding;
use super::physics::{heating_inverter, heating_standing, heating_turning};
use crate::diag::{Diag, Place};
use crate::files::read::{Q, Temperature};
use crate::files::rig::Role;
use crate::plan::Crossing;
use std::f64::consts::SQRT_2;

const TURNING: &str = "winding";
const STANDING: &str = "winding at standstill";
const INVERTER: &str = "inverter";
const COOLANT: &str = "coolant stops";

/// A part that heats.
struct Part<'a> {
    role: Role,
    /// Heating rate at a current in A rms, K/s.
    rate: Box<dyn Fn(f64) -> f64 + 'a>,
    limit: &'a Q<Temperature>,
    capacity_at: Place,
}

/// The lowest trip on a temperature: level K, latency s, where it was written.
type Guarding = Option<(f64, f64, Place)>;

impl Case<'_> {
    /// The controller's current limit in A rms.
    fn current_rms(&self) -> f64 {
        self.current().0 / SQRT_2
    }

    /// How long the suite may be driven, s: all profiles, and what comes before each with the drive enabled.
    fn driven(&self) -> f64 {
        self.plan.tests.iter().map(|t| t.profile.length().secs_f64() + self.before_each()).sum()
    }

    /// How long the drive may be enabled with the shaft at rest before a profile begins, s: enabling, and the watch with the gates
    /// on.
    fn before_each(&self) -> f64 {
        let enabling = self.plan.drive.within.secs_f64() * self.plan.drive.enable.len() as f64;
        enabling + self.plan.ready.quiet.map_or(0.0, |quiet| (quiet.settle + quiet.observe).secs_f64())
    }

    /// How long a shaft that stands may be driven, s: as long as no trip sees that it stands.
    fn stands(&self) -> f64 {
        let before = self.before_each();
        let speed = |test: &crate::plan::Test| {
            self.plan.demands[test.demand].sets == crate::files::rig::Sets::ShaftSpeed
        };
        self.plan
            .tests
            .iter()
            .map(|test| {
                before + if speed(test) { self.stands_in(test) } else { test.profile.length().secs_f64() }
            })
            .sum()
    }

    fn stands_in(&self, test: &crate::plan::Test) -> f64 {
        let seen = |demand: f64| {
            let trips = self
                .plan
                .trips
                .iter()
                .filter(|t| self.fires(t, 0.0, Some((test.demand, demand))) == Some(true));
            trips.filter_map(|t| self.latency(t)).min_by(f64::total_cmp)
        };
        let (mut unseen, mut stretch) = (0.0, 0.0);
        for piece in self.pieces(test).iter().filter(|p| !p.coasts) {
            match (seen(piece.speed.0), seen(piece.speed.1)) {
                (Some(a), Some(b)) => {
                    // Seen for longer than that, it is stopped: what lies behind is not driven, but is counted all the same.
                    let before: f64 = stretch;
                    stretch = (stretch + piece.lasts).min(a.max(b));
                    unseen += (stretch - before).max(0.0);
                }
                _ => {
                    stretch = 0.0;
                    unseen += piece.lasts;
                }
            }
        }
        unseen
    }

    fn guarding(&self, role: Role) -> Guarding {
        let on = |t: &&(usize, &crate::plan::Trip)| self.plan.channels[t.1.channel].role == Some(role);
        let all: Vec<(usize, &crate::plan::Trip)> = self.plan.trips.iter().enumerate().collect();
        let levels = all.iter().filter(on).filter_map(|(index, trip)| {
            let Crossing::Above(level) = trip.when else { return None };
            let u = 2.0 * self.plan.channels[trip.channel].u;
            Some((level + u, self.latency(trip)?, self.trip_at(*index)?))
        });
        levels.min_by(|a, b| a.0.total_cmp(&b.0))
    }

    fn winding(&self) -> Part<'_> {
        let thermal = &self.unit.thermal;
        let (r, c) = (self.resistance_hot(), thermal.winding_capacity.low);
        Part {
            role: Role::WindingTemperature,
            rate: Box::new(move |rms| heating_turning(rms, r, c)),
            limit: &thermal.winding_max,
            capacity_at: thermal.winding_capacity.at,
        }
    }

    fn inverter(&self) -> Option<Part<'_>> {
        let thermal = &self.unit.thermal;
        let (drop, c) = (thermal.inverter_drop.as_ref()?.high, thermal.inverter_capacity.low);
        Some(Part {
            role: Role::InverterTemperature,
            rate: Box::new(move |rms| heating_inverter(rms, drop, c)),
            limit: &thermal.inverter_max,
            capacity_at: thermal.inverter_capacity.at,
        })
    }
}

/// The winding with the field turning.
pub(super) fn turning(case: &Case<'_>) -> Finding {
    by_itself_or_by_its_trip(case, TURNING, &case.winding())
}

/// The inverter, below the leg that carries the peak.
pub(super) fn inverter(case: &Case<'_>) -> Finding {
    match case.inverter() {
        Some(part) => by_itself_or_by_its_trip(case, INVERTER, &part),
        None => missing_drop(case, INVERTER),
    }
}

fn missing_drop(case: &Case<'_>, hazard: &'static str) -> Finding {
    let why = "the unit does not say what its inverter loses";
    super::missing(
        case,
        hazard,
        why,
        "add `inverter_drop` to the unit's [thermal], as `inverter_drop = [\"__ V\", \"__ V\"]`",
    )
}

fn missing_lag(case: &Case<'_>, hazard: &'static str) -> Finding {
    let why = "the unit does not say how late its temperature sensors are, and only a trip on them would stop the heating";
    super::missing(case, hazard, why, "add `sensor_lag` to the unit's [thermal], as `sensor_lag = \"__ s\"`")
}

/// Cool enough to the end of all tests by itself, or else stopped by its trip in time.
fn by_itself_or_by_its_trip(case: &Case<'_>, hazard: &'static str, part: &Part<'_>) -> Finding {
    let (current, current_at) = case.current();
    let (start, limit) = (case.rig.ready.temperature.high, part.limit);
    let (rate, driven) = ((part.rate)(case.current_rms()), case.driven());
    let end = start + rate * driven;
    let heats = format!(
        "{} heat it by {} without any cooling ({})",
        case.said(current_at),
        shown(rate, "K/s"),
        case.said(part.capacity_at)
    );
    if end <= limit.si {
        let told = format!(
            "{heats}: from {} to {} in the {} of all tests, limit {}",
            shown(start, "°C"),
            shown(end, "°C"),
            shown(driven, "s"),
            case.said(limit.at)
        );
        return rise(hazard, end - start, limit.si - start, told, |message| Diag::at(limit.at, message));
    }
    if case.rig.reaction.is_none() {
        return super::reach::missing_reaction(case, hazard);
    }
    let Some((level, latency, at)) = case.guarding(part.role) else {
        let message = format!(
            "{heats}: {} after {} of the {} of all tests, and no trip on it is there; limit {}",
            shown(limit.si, "°C"),
            shown((limit.si - start) / rate, "s"),
            shown(driven, "s"),
            case.said(limit.at),
        );
        return no_trip(hazard, Diag::at(current_at, message).other(limit.at, "the limit"));
    };
    let Some(lag) = &case.unit.thermal.sensor_lag else { return missing_lag(case, hazard) };
    let late = latency + lag.si;
    let end = level + rate * late;
    let told = format!(
        "{heats}; its trip {} takes {} with the sensor's {}: {}, limit {}",
        case.said(at),
        shown(late, "s"),
        case.said(lag.at),
        shown(end, "°C"),
        case.said(limit.at)
    );
    rise(hazard, end - start, limit.si - start, told, |message| {
        let fits = largest(current, |c| level + (part.rate)(c / SQRT_2) * late <= limit.si);
        let trip = limit.si - rate * late - (level - trip_level(case, part.role));
        let trip = (trip > start).then(|| format!("a trip at {} fits", at_most(trip, "°C")));
        let current = fitting(fits, "A peak", |current| format!("a current limit of {current} fits"));
        let help = either(trip, current).unwrap_or_else(|| {
            "it is too hot already without any current: let it cool down, or lower the trip's latency"
                .to_string()
        });
        Diag::at(at, message).other(limit.at, "the limit").help(help)
    })
}

fn no_trip(hazard: &'static str, diag: Diag) -> Finding {
    Finding::forbidden(hazard, diag.help("add a trip on that temperature with `above`, or shorten the tests"))
}

/// The lowest level of a trip as written, K.
fn trip_level(case: &Case<'_>, role: Role) -> f64 {
    let on = case.plan.trips.iter().filter(|t| case.plan.channels[t.channel].role == Some(role));
    on.filter_map(|t| if let Crossing::Above(level) = t.when { Some(level) } else { None })
        .fold(f64::INFINITY, f64::min)
}

/// Temperatures are held as rises over where they begin, so that a margin is a share of what may be heated.
fn rise(
    hazard: &'static str,
    rise: f64,
    room: f64,
    told: String,
    diag: impl FnOnce(String) -> Diag,
) -> Finding {
    Finding::held(hazard, rise, room, told, diag)
}

/// How hot turning makes the winding at most, K: by all of it, or until its trip has stopped it.
fn after_turning(case: &Case<'_>) -> f64 {
    let winding = case.winding();
    let rate = (winding.rate)(case.current_rms());
    let all = case.rig.ready.temperature.high + rate * case.driven();
    let lag = case.unit.thermal.sensor_lag.as_ref();
    let tripped =
        case.guarding(winding.role).zip(lag).map(|((level, late, _), lag)| level + rate * (late + lag.si));
    tripped.map_or(all, |tripped| all.min(tripped))
}

/// The worst phase of a winding that stands, when turning has heated it before.
pub(super) fn standing(case: &Case<'_>) -> Finding {
    let thermal = &case.unit.thermal;
    let (current, current_at) = case.current();
    let rate_of = |peak: f64| heating_standing(peak, case.resistance_hot(), thermal.winding_capacity.low);
    let (start, limit) = (after_turning(case), &thermal.winding_max);
    let (rate, stands) = (rate_of(current), case.stands());
    let value = rate * stands;
    let told = format!(
        "{} heat the worst phase of a shaft that stands by {}: {} in the {} that no trip sees it, from the {} that turning heats it to, to at most {}",
        case.said(current_at),
        shown(rate, "K/s"),
        shown(value, "K"),
        shown(stands, "s"),
        shown(start, "°C"),
        case.said(limit.at),
    );
    rise(STANDING, value, limit.si - start, told, |message| {
        let fits = largest(current, |c| start + rate_of(c) * stands <= limit.si);
        let help = format!(
            "a trip that sees within {} that the shaft stands fits, such as one on speed less demand; or a current limit of {}",
            at_most((limit.si - start) / rate, "s"),
            at_most(fits, "A peak")
        );
        Diag::at(current_at, message).other(limit.at, "the limit").help(help)
    })
}

/// What is left to act when the coolant stops at the worst moment: just below the trips, at the current limit.
pub(super) fn coolant(case: &Case<'_>) -> Finding {
    let Some(inverter) = case.inverter() else { return missing_drop(case, COOLANT) };
    let mut worst: Option<(f64, f64, &'static str, Guarding, Place)> = None;
    for (name, part) in [("winding", case.winding()), ("inverter", inverter)] {
        let rate = (part.rate)(case.current_rms());
        let guarding = case.guarding(part.role);
        // Without a trip it must last for all that is driven.
        let (from, needed) = match guarding {
            Some((level, latency, _)) => {
                let Some(lag) = &case.unit.thermal.sensor_lag else { return missing_lag(case, COOLANT) };
                (level, latency + lag.si)
            }
            None => (case.rig.ready.temperature.high, case.driven()),
        };
        let left = ((part.limit.si - from) / rate).max(0.0);
        if worst.is_none_or(|(l, n, ..)| needed / left > n / l || left == 0.0) {
            worst = Some((left, needed, name, guarding, part.limit.at));
        }
    }
    let Some((left, needed, name, guarding, limit_at)) = worst else {
        return Finding::none(COOLANT, "nothing heats");
    };
    let from = guarding.map_or("the start of the run".to_string(), |(_, _, at)| case.said(at));
    let told = format!(
        "without coolant and at {} the {name} gets from {from} to {} in {}; {} are needed to stop",
        case.said(case.current().1),
        case.said(limit_at),
        shown(left, "s"),
        shown(needed, "s"),
    );
    Finding::held(COOLANT, needed, left, told, |message| {
        let help = format!(
            "a limit that leaves at least {} fits: trip earlier, or lower the current limit",
            at_least(needed, "s")
        );
        Diag::at(guarding.map_or(case.current().1, |(_, _, at)| at), message)
            .other(limit_at, "the limit")
            .help(help)
    })
}
