//! What the trip that ended a run had watched, why its limit stands where it does, and whether the emergency-stop loop was
//! open: what a reader wants beside the trip's own words.

use super::Evidence;
use super::words;
use crate::files::rig::Role;
use crate::outcome::{Blame, Cause, Watched};
use crate::plan::{Channel, Crossing, Plan};
use crate::record::What;

/// The trip by which the engine says that a stop frame did nothing, or too late.
const STOP_FRAME: &str = "stop frame";

/// A loop that reads less is open; the pre-check and the rig files take it so.
const CLOSED: f64 = 0.5;

/// A trip's name and what it found, with the reason that the rig or the suite gives for its limit.
pub(super) fn with_why(plan: &Plan, trip: &str, found: &str) -> String {
    let why = why(plan, trip).map_or_else(String::new, |why| format!(" ({why})"));
    format!("{trip}: {found}{why}")
}

fn why<'a>(plan: &'a Plan, trip: &str) -> Option<&'a str> {
    let why = plan.trips.iter().find(|t| t.name == trip)?.why.as_deref()?;
    (!why.trim().is_empty()).then_some(why)
}

/// The trip that ended the run, if one did. Others may have fired while the machine wound down: the run's own words say
/// which came first.
fn ended_it<'a>(evidence: &Evidence<'a>) -> Option<&'a str> {
    let trips = evidence.events.iter().filter_map(|event| match &event.what {
        What::Trip { trip, found, .. } => Some((trip, format!("{trip}: {found}"))),
        _ => None,
    });
    let mut trips = trips.filter(|(_, told)| evidence.why.contains(told.as_str()));
    trips.next().map(|(trip, _)| trip.as_str())
}

/// What a reader wants to know beside how the run ended: an open emergency-stop loop first, since it explains the rest.
pub(super) fn besides(evidence: &Evidence<'_>) -> Vec<String> {
    let why = ended_it(evidence).and_then(|trip| why(evidence.plan, trip));
    let why = why.map(|why| format!("why the limit stands there: {why}"));
    loop_open(evidence).into_iter().chain(why).collect()
}

/// That the emergency-stop loop read open after the last stop, by its newest sample.
pub(super) fn loop_open(evidence: &Evidence<'_>) -> Option<String> {
    let open = open(evidence)?;
    let when = if open.from_the_stop_on { "was open" } else { "was opened after the stop" };
    let (read, at) = (words::exact(&open.channel.unit, open.value), words::seconds(open.at));
    Some(format!("the emergency-stop loop {when}: `{}` read {read} at {at}", open.channel.name))
}

/// A loop that was left open.
struct Open<'a> {
    channel: &'a Channel,
    /// When it was read last, and as what.
    at: f64,
    value: f64,
    /// Whether the first sample after the stop read open as well: nobody is so quick that the stop made them do it.
    from_the_stop_on: bool,
}

/// The loop is asked for less often than the drive, and a drive that loses its torque by it is mostly seen first: so the
/// samples after the stop are looked at, and none before.
fn open<'a>(evidence: &Evidence<'a>) -> Option<Open<'a>> {
    let stopped = evidence.events.iter().rev().find(|e| matches!(e.what, What::StopBegan { .. }))?;
    let channel = &evidence.plan.channels[evidence.plan.channel_with(Role::EmergencyStopLoop)?];
    let series = evidence.columns.series(&channel.name)?;
    let read = series.t.iter().copied().zip(series.v.iter().copied());
    let after: Vec<(f64, f64)> = read.filter(|(t, v)| v.is_finite() && *t >= stopped.at.secs_f64()).collect();
    let ((_, first), (at, value)) = (*after.first()?, *after.last()?);
    (value < CLOSED).then_some(Open { channel, at, value, from_the_stop_on: first < CLOSED })
}

/// Whom the end of the run points at, and that as advice.
pub(super) fn look(evidence: &Evidence<'_>) -> (Blame, &'static str) {
    if super::computer::blamed(evidence).is_some() {
        return (Blame::Computer, words::look(Blame::Computer));
    }
    let blame = evidence.cause.row().blame;
    let Some(trip) = ended_it(evidence).filter(|_| evidence.cause == Cause::Tripped) else {
        return (blame, words::look(blame));
    };
    let watched = watched(evidence.plan, trip);
    // The contact takes torque, supply or answers away. What else trips has its own cause, and may be why somebody pressed.
    let by_the_loop =
        trip == "drive state" || !matches!(watched, Watched::Unit | Watched::PumpedBus | Watched::StopFrame);
    match open(evidence) {
        Some(open) if open.from_the_stop_on && by_the_loop => Watched::StopLoop.look(),
        _ => watched.look(),
    }
}

/// What a trip watches: one of the files by its channel, one of the engine's own by its name.
fn watched(plan: &Plan, trip: &str) -> Watched {
    if let Some(trip) = plan.trips.iter().find(|t| t.name == trip) {
        let falls = matches!(trip.when, Crossing::Below(_) | Crossing::FallsFaster(..));
        return match plan.channels.get(trip.channel).and_then(|c| c.role) {
            Some(Role::EmergencyStopLoop) => Watched::StopLoop,
            Some(Role::BusVoltage) if falls => Watched::Supply,
            Some(Role::BusVoltage) => Watched::PumpedBus,
            _ => Watched::Unit,
        };
    }
    if trip == "stop frame" {
        return Watched::StopFrame;
    }
    let channel = |end: &str| {
        let name = trip.strip_suffix(end)?;
        plan.channels.iter().find(|c| c.name == name)
    };
    let demand = trip.strip_prefix("demand ").and_then(|t| t.strip_suffix(" acknowledged"));
    // What a stop frame does is the rig file's word for it, its line, or the board.
    if channel(" stale").is_some() || demand.is_some() || trip == STOP_FRAME {
        return Watched::Link;
    }
    match channel(" plausible").and_then(|c| c.role) {
        Some(Role::BusVoltage) => Watched::Supply,
        // A loop that reads neither open nor closed says nothing of who stands there.
        Some(Role::EmergencyStopLoop) => Watched::Link,
        _ => Watched::Unit,
    }
}
