//! A stop is confirmed or alarmed: every word that it is confirmed is held against the twin's truth.

use super::drives_on::{hides, lies};
use super::evidence::{Evidence, Told};
use super::listen::Sample;
use super::{Breach, Rule};
use crate::files::rig::Sets;
use crate::outcome::Cause;
use crate::record::{By, Record, Stage, What};
use crate::time::{Duration, Instant};
use crate::twin::Truth;

/// A confirmation that was false when it was made. A board that says that it is off and drives on is believed until its shaft shows
/// it: what must come of that confirmation is `drives_on`'s business.
pub(super) fn false_proof(evidence: &Evidence<'_>, samples: &[Sample], breaches: &mut Vec<Breach>) {
    let plan = evidence.plan;
    let mut say = |at, found| breaches.push(Breach { rule: Rule::FalseProof, at, found });
    for record in &evidence.records {
        let Record::Event(event) = record else { continue };
        let Some(truth) = truth_at(evidence, event.at) else { continue };
        match &event.what {
            What::Stage { stage: Stage::NotDriven, confirmed: true, .. }
            | What::TorqueOff { .. }
            | What::StopFrameProved { .. }
                if truth.gates && !(lies(&truth) && said_off(evidence, samples, event.at)) =>
            {
                say(event.at, "not driven was confirmed while the gates switched".into());
            }
            What::Stage { stage: Stage::AtRest, confirmed: true, .. } => {
                let (channel, limit) = plan.stop.speed;
                let most = limit + 4.0 * plan.channels[channel].u;
                if truth.speed.abs() > most {
                    say(
                        event.at,
                        format!("at rest was confirmed at {:.2} rad/s, limit {limit:.2}", truth.speed),
                    );
                }
            }
            What::TookOff { by, .. } => {
                if let Some(words) = took_off(evidence, event.at).filter(|words| contradicts(*by, words)) {
                    say(event.at, format!("torque off was put down to {by:?}, and in truth: {words}"));
                }
            }
            What::Stage { stage: Stage::DeEnergised, confirmed: true, .. } => {
                let (channel, limit) = plan.stop.bus;
                if truth.bus > limit + 4.0 * plan.channels[channel].u {
                    say(
                        event.at,
                        format!("de-energised was confirmed at {:.1} V, limit {limit:.1} V", truth.bus),
                    );
                }
            }
            _ => {}
        }
    }
    let enabled = evidence.moments.iter().flat_map(|m| &m.told).any(|t| t.enables());
    if evidence.ended.cause == Cause::NotConfirmed || !enabled {
        return;
    }
    if let Some(truth) = evidence.truth.last().map(|r| r.truth) {
        let (channel, limit) = plan.stop.speed;
        if truth.gates && !hides(plan, &truth) {
            say(
                evidence.ended.at,
                format!("the gates switch, and the run ended as {:?}", evidence.ended.cause),
            );
        } else if truth.speed.abs() > limit + 4.0 * plan.channels[channel].u {
            let found = format!(
                "it turns at {:.2} rad/s, and the run ended as {:?}",
                truth.speed, evidence.ended.cause
            );
            say(evidence.ended.at, found);
        }
    }
}

/// What last took the gates off in truth before a moment, in the words of the log.
fn took_off<'e>(evidence: &'e Evidence<'_>, at: Instant) -> Option<&'e str> {
    let before = evidence.truth.iter().rev().skip_while(|row| row.truth.t > at);
    before.filter_map(|row| row.event.as_deref()).find(|words| words.starts_with("gates off"))
}

/// Whether what was said to have taken the torque off had nothing to do with it. What else a board may trip by is no part of this.
fn contradicts(by: By, words: &str) -> bool {
    match by {
        By::Frame => words == "gates off: command timeout",
        By::CommandTimeout => words == "gates off: control word 0",
        By::Before | By::Neither | By::Unknown => false,
    }
}

/// Whether the newest sample of the drive before a moment, asked for after the last stop frame, says that the drive is off and that
/// no more current flows than a stop leaves.
fn said_off(evidence: &Evidence<'_>, samples: &[Sample], at: Instant) -> bool {
    let plan = evidence.plan;
    let stop = evidence.moments.iter().rev().find(|m| m.at < at && !m.stops.is_empty()).map(|m| m.at);
    let newest = |channel: usize| {
        let known = samples.iter().rev().filter(|s| s.known <= at);
        let mut of = known.filter_map(|s| Some((s.asked, s.values(plan).find(|(c, _)| *c == channel)?.1)));
        of.next()
    };
    let Some(stop) = stop else { return false };
    let off = newest(plan.drive.state).is_some_and(|(asked, word)| asked > stop && is_off(word));
    let none = plan.stop.current.is_none_or(|(channel, limit)| {
        newest(channel).is_some_and(|(asked, value)| asked > stop && value.abs() <= limit)
    });
    off && none
}

/// Samples in a row that must show a drive that is off and a shaft at rest.
const SHOWN_IN_A_ROW: usize = 3;

/// An end that is not confirmed, although the newest samples, all asked for after the last stop frame, say in one
/// reply each that the drive is off, that no current flows and that the shaft stands. Judged where one reply has all of it.
pub(super) fn false_alarm(evidence: &Evidence<'_>, samples: &[Sample], breaches: &mut Vec<Breach>) {
    let plan = evidence.plan;
    let last_stop = evidence.moments.iter().rev().find(|m| !m.stops.is_empty()).map(|m| m.at);
    let (Some(last_stop), Cause::NotConfirmed) = (last_stop, evidence.ended.cause) else { return };
    let group = plan.groups.iter().position(|g| g.fields.contains(&Some(plan.drive.state)));
    let asked_since = |s: &&Sample| s.asked > last_stop && Some(s.group) == group;
    let first_stop = evidence.moments.iter().find(|m| !m.stops.is_empty()).map_or(last_stop, |m| m.at);
    let mut shown = 0;
    for sample in samples.iter().filter(asked_since) {
        let value = |wanted| sample.values(plan).find(|(channel, _)| *channel == wanted).map(|(_, v)| v);
        let off = value(plan.drive.state).is_some_and(is_off);
        let low = |(channel, limit)| value(channel).is_some_and(|v: f64| v.abs() <= limit);
        shown = if off && plan.stop.current.is_none_or(low) && low(plan.stop.speed) { shown + 1 } else { 0 };
    }
    let proves = || {
        !misread(evidence, samples, (Instant::ZERO, Instant::NEVER), FALSE_BY)
            && !misread(evidence, samples, (first_stop, Instant::NEVER), FALLEN_BY)
            && !never_seen(evidence, samples)
            && !evidence.truth.iter().any(|row| lies(&row.truth))
            && !rubs(evidence, first_stop)
    };
    if shown >= SHOWN_IN_A_ROW && proves() {
        let found = format!("the last {shown} samples show a drive that is off and a shaft at rest");
        breaches.push(Breach { rule: Rule::FalseAlarm, at: evidence.ended.at, found });
    }
}

/// Over how many rows of the truth log, 10 ms apart, a fall counts: a shaft that swings falls quickly for less.
const RUBS_OVER: usize = 10;

/// Whether the shaft in truth ran down faster after a stop than its files let it: a reading that falls so shows no rest by itself,
/// since nothing tells it from one that is false, and an alarm is right.
fn rubs(evidence: &Evidence<'_>, stop: Instant) -> bool {
    let rows: Vec<_> =
        evidence.truth.iter().map(|row| row.truth).filter(|t| t.t > stop && !t.gates).collect();
    rows.windows(RUBS_OVER + 1).any(|rows| {
        let (first, last) = (rows[0], rows[RUBS_OVER]);
        let allowed = evidence.plan.stop.run_down.fastest_at(first.speed) * (last.t - first.t).secs_f64();
        first.speed.abs() - last.speed.abs() > allowed
    })
}

/// How long a speed must have been told and none read until rest is no more shown in time. By hand for the demo files: 10.6 Nm on
/// 0.028 kg m2 gain 379 rad/s2, and a rad/s coasts for 53.3 ms: two seconds from 8 rpm on take 40 s, of which some 0.4 s pass before
/// four times that is told.
const UNSEEN: Duration = Duration::from_millis(1000);

/// Whether a speed well above rest was told for long while nothing above rest was read: what then reads none may be a sensor that was
/// dead from the start, and an alarm is right.
fn never_seen(evidence: &Evidence<'_>, samples: &[Sample]) -> bool {
    let plan = evidence.plan;
    let (channel, limit) = plan.stop.speed;
    let (mut turns, mut seen) = (0, Instant::ZERO);
    for sample in samples {
        let Some((_, read)) = sample.values(plan).find(|(c, _)| *c == channel) else { continue };
        turns = if read.abs() > limit { turns + 1 } else { 0 };
        if turns >= SHOWN_IN_A_ROW {
            seen = sample.known;
        }
    }
    let Some(demand) = plan.demands.iter().find(|d| d.sets == Sets::ShaftSpeed) else { return false };
    let fast = |told: &Told| match told {
        Told::Demand(Sets::ShaftSpeed, number, _) => demand.unit.to_si(*number).abs() >= 4.0 * limit,
        _ => false,
    };
    let mut told = evidence.moments.iter().filter(|m| m.at > seen && m.told.iter().any(fast)).map(|m| m.at);
    let (first, last) = (told.next(), told.next_back());
    first.zip(last).is_some_and(|(first, last)| last - first >= UNSEEN)
}

/// How far a reading of the speed lies from the truth when it is false for certain, rad/s: some 100 rpm.
const FALSE_BY: f64 = 10.0;

/// The same after a stop, rad/s: a shaft without torque has no ramp that a tracking filter would be late for. By hand: 40 rad/s2 for
/// 20 ms are 0.8 rad/s.
const FALLEN_BY: f64 = 2.5;

/// Whether the speed was read falsely in several samples in a row of a stretch of time, by the truth at any moment at which each can
/// have been taken, by more than so much, rad/s: then what the newest ones show proves nothing, and an alarm is right.
pub(super) fn misread(
    evidence: &Evidence<'_>,
    samples: &[Sample],
    (from, to): (Instant, Instant),
    by: f64,
) -> bool {
    let (channel, _) = evidence.plan.stop.speed;
    let mut wrong = 0;
    for sample in samples.iter().filter(|s| s.asked >= from && s.asked <= to) {
        let Some((_, read)) = sample.values(evidence.plan).find(|(c, _)| *c == channel) else { continue };
        let from = evidence.truth.partition_point(|row| row.truth.t < sample.asked).saturating_sub(1);
        let around = evidence.truth[from..].iter().map(|row| row.truth);
        let around = around.take_while(|truth| truth.t <= sample.known + TRUTH_EVERY);
        let apart = around.map(|truth| (truth.speed - read).abs()).fold(f64::INFINITY, f64::min);
        wrong = if apart.is_finite() && apart > by { wrong + 1 } else { 0 };
        if wrong >= SHOWN_IN_A_ROW {
            return true;
        }
    }
    false
}

/// How often the truth is noted.
const TRUTH_EVERY: Duration = Duration::from_millis(10);

/// A status word of a drive that has measured and whose gates are off: ready to switch on, switched on, switch on disabled or
/// fault (CiA 402, from memory).
fn is_off(word: f64) -> bool {
    if !(0.0..=65535.0).contains(&word) || word.fract() != 0.0 {
        return false;
    }
    let word = word as u16;
    matches!(word & 0x6F, 0x21 | 0x23) || matches!(word & 0x4F, 0x40 | 0x08)
}

/// The newest truth at a moment: it is noted every 10 ms and whenever the gates change.
pub(super) fn truth_at(evidence: &Evidence<'_>, at: Instant) -> Option<Truth> {
    let next = evidence.truth.partition_point(|row| row.truth.t <= at);
    next.checked_sub(1).map(|i| evidence.truth[i].truth)
}
