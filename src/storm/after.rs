//! What follows a stop, by the twin's truth: the gates go off and stay off until something is enabled again.

use super::drives_on::{hides, lies, noticed_within};
use super::evidence::{Evidence, Moment, Told};
use super::{Breach, Rule, Trouble};
use crate::outcome::Cause;
use crate::states::DriveState;
use crate::time::{Duration, Instant};
use crate::twin::{BUILDS, Truth, find_build};

/// After the first stop frame the gates must be off within the deadline of the plan and the controller's own command timeout
/// together: that timeout needs no line. Where the build has none, or feeds it by polls, and nothing gets through, they
/// may stay on; then stop frames must be tried again and again, for as long as the plan gives the shaft to come to rest.
pub(super) fn stays_driven(evidence: &Evidence<'_>, breaches: &mut Vec<Breach>) {
    let mut driven = false;
    for (index, moment) in evidence.moments.iter().enumerate() {
        if driven && !moment.stops.is_empty() {
            driven = false;
            if let Some((at, found)) = still_on(evidence, &evidence.moments[index..]) {
                breaches.push(Breach { rule: Rule::StaysDriven, at, found });
                return;
            }
        }
        driven |= moment.told.iter().any(|told| told.enables());
    }
}

/// When and how the gates were found on that a stop should have taken off; the first of the moments is that of the stop.
fn still_on(evidence: &Evidence<'_>, moments: &[Moment]) -> Option<(Instant, String)> {
    let plan = evidence.plan;
    let stop = moments.first()?.at;
    let again = moments.iter().find(|m| m.told.iter().copied().any(Told::enables));
    let until = again.map_or(Instant::NEVER, |m| m.at);
    // Of a board that says that it is off only its shaft can tell that it is not, and that takes longer; from when its gates came on
    // again, if they were off meanwhile.
    let due = |truth: &Truth, began: Instant| match lies(truth) {
        true => stop.max(began) + noticed_within(plan, truth.speed),
        false => stop + plan.stop.not_driven_within + plan.drive.command_timeout,
    };
    let mut began = None;
    let with_begin = evidence.truth.iter().map(|row| row.truth).filter_map(|truth| {
        began = if truth.gates { began.or(Some(truth.t)) } else { None };
        Some((truth, began?))
    });
    let late = |(truth, began): &(Truth, Instant)| {
        !hides(plan, truth) && truth.t > due(truth, *began) && truth.t < until
    };
    let (rows, begins): (Vec<Truth>, Vec<Instant>) = with_begin.filter(late).unzip();
    let timed_out = |row: &Truth| {
        let timeout = row.settings.command_timeout > Duration::ZERO && times_out(evidence);
        timeout && row.state == DriveState::OperationEnabled
    };
    if let Some(row) = rows.iter().find(|row| timed_out(row)) {
        let found = format!("the gates switch {} after the stop, and no frame was needed", row.t - stop);
        return Some((row.t, found));
    }
    if let Some(last) = rows.last() {
        // Those of the last time that they were on.
        let same = rows.iter().zip(&begins).find(|(_, began)| Some(*began) == begins.last());
        let since = same.filter(|(row, _)| lies(row)).map(|(row, began)| due(row, *began));
        let tried = moments.iter().filter(|m| !m.stops.is_empty() && m.at <= last.t).map(|m| m.at);
        let tried = tried.filter(|at| since.is_none_or(|since| *at > since));
        let tried: Vec<Instant> = since.into_iter().chain(tried).chain([last.t]).collect();
        let most = longest_pause(evidence, stop, last.t);
        let pause = tried.windows(2).find(|pair| pair[1] - pair[0] > most);
        if let Some(pair) = pause {
            let found = format!(
                "the gates switch, and no stop frame was sent for {}, {most} allowed",
                pair[1] - pair[0]
            );
            return Some((pair[0] + most, found));
        }
    }
    let ended = evidence.ended.at;
    let on_at_the_end =
        evidence.truth.last().filter(|row| until == Instant::NEVER && row.truth.gates).map(|row| row.truth);
    // What such a board does after an alarm is no more in the runner's hands.
    let alarmed =
        |truth: &Truth| hides(plan, truth) || lies(truth) && evidence.ended.cause == Cause::NotConfirmed;
    if on_at_the_end.is_some_and(|truth| !alarmed(&truth)) && ended < stop + plan.stop.at_rest_within {
        let found = format!("the gates switch, and the run was given up {} after the stop", ended - stop);
        return Some((ended, found));
    }
    None
}

/// How long no stop frame need be sent while the gates are on: each waits for a word of the controller or for
/// its reply to be given up, and the runner may be late or frozen.
fn longest_pause(evidence: &Evidence<'_>, from: Instant, to: Instant) -> Duration {
    let plan = evidence.plan;
    let reply = plan.links.iter().map(|link| link.reply_within).max().unwrap_or(Duration::ZERO);
    let around = &evidence.around;
    let frozen = around.frozen.filter(|(at, lasting)| *at <= to && *at + *lasting >= from);
    let frozen = frozen.map_or(Duration::ZERO, |(_, lasting)| lasting);
    plan.stop.not_driven_within + plan.stop.every + reply * 4 + around.latest(to) * 4 + frozen
}

/// Whether the build of the storm takes the torque off by itself when no more demands come.
fn times_out(evidence: &Evidence<'_>) -> bool {
    let drawn = evidence.storm.troubles.iter().rev();
    let drawn = drawn.filter_map(|t| if let Trouble::Build(label) = t { find_build(label) } else { None });
    let build = drawn.chain(evidence.plan.build.as_ref().and_then(|label| find_build(label))).next();
    // The first of them is the sound one.
    build.or(BUILDS.first().copied()).is_some_and(|build| build.command_timeout && !build.queries_feed)
}
