//! The safe state: what was demanded, what samples confirmed, and what a person must know.
//!
//! It never says that anything may be touched. What the record does not show counts as not so.

use super::model::{SafeState, StageProof, StopProof, TorqueOff, Warning};
use super::story::Story;
use super::{Evidence, words};
use crate::outcome::Cause;
use crate::record::{By, Event, Stage, What};
use crate::states::DriveState;
use crate::time::Instant;
use crate::units::number_text;

/// What the record shows of the way to rest. One that does not reach the end, or lacks a part, shows nothing: what was
/// sent a moment before it breaks off is not in it.
pub(super) fn proof(evidence: &Evidence<'_>, story: &Story) -> SafeState {
    let stops = stops(evidence, story);
    let last = Last::of(evidence.events);
    let whole = story.cut(evidence).is_none();
    let (channel, limit) = evidence.plan.stop.bus;
    let bus_last = evidence.plan.channels.get(channel).and_then(|c| last_reading(evidence, &c.name));
    let unconfirmed = evidence.cause == Cause::NotConfirmed;
    // The engine counts from the enabling frame, and a state that tells of it may never have come.
    let was_driven = last.was_driven || unconfirmed;
    // What samples did not show is not so, whoever drove.
    let not_driven = whole && !unconfirmed && last.not_driven.unwrap_or(!was_driven);
    let at_rest = whole && last.at_rest.unwrap_or(!was_driven && last.not_driven != Some(false));
    // A reading above the limit after the stage was confirmed takes the proof away again.
    let rose_again = bus_last.is_some_and(|(volts, at)| at >= last.de_energised_at && volts > limit);
    let mut safe = SafeState {
        was_driven,
        driven_since_stop: last.since_stop,
        not_driven,
        at_rest,
        de_energised: whole && last.de_energised && !rose_again,
        bus_last,
        summary: String::new(),
        ends_with_stop: last.stopped,
        stops,
    };
    safe.summary = summary(&safe, whole);
    safe
}

/// Whether the machine may have been left driven: by this program, or by what a record that is not `whole` does not show.
pub(super) fn leaves_driven(safe: &SafeState, whole: bool) -> bool {
    !safe.not_driven && (safe.was_driven || !whole)
}

/// What the events say of the stages, each as it stood at the end; `None`: nothing.
#[derive(Debug, Default)]
struct Last {
    was_driven: bool,
    since_stop: bool,
    /// Whether a stop began and nothing has begun since.
    stopped: bool,
    not_driven: Option<bool>,
    at_rest: Option<bool>,
    de_energised: bool,
    de_energised_at: f64,
}

impl Last {
    fn of(events: &[Event]) -> Last {
        let mut last = Last::default();
        for event in events {
            match &event.what {
                What::SegmentBegan { .. } => last.drive(),
                // Within a stop it goes on stopping; what was shown before holds no more.
                What::State { state } if may_drive(state) && last.stopped => {
                    last = Last { was_driven: true, stopped: true, ..Last::default() };
                }
                What::State { state } if may_drive(state) => last.drive(),
                What::TestBegan { .. } => {
                    last =
                        Last { was_driven: last.was_driven, since_stop: last.since_stop, ..Last::default() };
                }
                What::StopBegan { .. } => {
                    last = Last { was_driven: last.was_driven, stopped: true, ..Last::default() };
                }
                What::Stage { stage, confirmed, .. } => match stage {
                    Stage::NotDriven => last.not_driven = Some(*confirmed),
                    Stage::AtRest => last.at_rest = Some(*confirmed),
                    Stage::DeEnergised => {
                        last.de_energised = *confirmed;
                        last.de_energised_at = event.at.secs_f64();
                    }
                },
                _ => {}
            }
        }
        last
    }

    fn drive(&mut self) {
        *self = Last { was_driven: true, since_stop: true, ..Last::default() };
    }
}

/// Whether the gates may be switching in a state told in words; an unknown word is not trusted.
fn may_drive(words: &str) -> bool {
    DriveState::ALL.iter().find(|s| s.words() == words).is_none_or(|s| s.may_drive())
}

fn last_reading(evidence: &Evidence<'_>, name: &str) -> Option<(f64, f64)> {
    let series = evidence.columns.series(name)?;
    series.v.iter().zip(&series.t).rev().find(|(v, t)| v.is_finite() && t.is_finite()).map(|(v, t)| (*v, *t))
}

fn stops(evidence: &Evidence<'_>, story: &Story) -> Vec<StopProof> {
    let mut stops: Vec<StopProof> = Vec::new();
    // Stop frames of a coast are no part of the stop before it.
    let mut stopping = false;
    for event in evidence.events {
        let at_s = event.at.secs_f64();
        match &event.what {
            What::SegmentBegan { .. } => stopping = false,
            What::StopBegan { reason } => {
                stopping = true;
                stops.push(StopProof {
                    at_s,
                    test: story
                        .test_at(event.at)
                        .and_then(|t| evidence.plan.tests.get(t))
                        .map(|t| t.name.clone()),
                    reason: reason.clone(),
                    frames: 0,
                    torque_off: None,
                    stages: [Stage::NotDriven, Stage::AtRest, Stage::DeEnergised].map(silent).to_vec(),
                })
            }
            What::StopSent { .. } if stopping => {
                if let Some(stop) = stops.last_mut() {
                    stop.frames += 1;
                }
            }
            What::TookOff { by, finding, between, found } if stopping => {
                if let Some(stop) = stops.last_mut() {
                    let seconds = |micros: i64| Instant::from_micros(micros).secs_f64();
                    let between_s = (seconds(between.0), seconds(between.1));
                    let (by, finding, found) = (*by, *finding, found.clone());
                    stop.torque_off = Some(TorqueOff { by, finding, between_s, found });
                }
            }
            What::Stage { stage, confirmed, found } => {
                if let Some(stop) = stops.last_mut() {
                    let before = &stop.stages[*stage as usize];
                    // A confirmation does not undo what went wrong before it in the same stop.
                    let found = match before.confirmed {
                        Some(false) => format!("{found}; before that NOT confirmed: {}", before.found),
                        _ => found.clone(),
                    };
                    stop.stages[*stage as usize] = StageProof {
                        stage: stage.words().into(),
                        confirmed: Some(*confirmed),
                        found,
                        at_s: Some(at_s),
                    };
                }
            }
            _ => {}
        }
    }
    stops
}

fn silent(stage: Stage) -> StageProof {
    StageProof { stage: stage.words().into(), confirmed: None, found: "nothing recorded".into(), at_s: None }
}

fn summary(safe: &SafeState, whole: bool) -> String {
    let mut parts = vec![match (safe.not_driven, safe.was_driven) {
        _ if safe.driven_since_stop => {
            "The record ends while the machine was driven, without a stop. Treat it as driven."
        }
        _ if !whole => "The record does not show how the machine was left. Treat it as driven.",
        (true, true) => "Not driven: confirmed by samples asked for after the last stop frame.",
        (true, false) => "Nothing was driven by this program.",
        (false, true) => "Not driven: NOT confirmed. Treat the machine as driven.",
        (false, false) => {
            "Nothing was driven by this program, and samples did not show that nothing else drives. \
             Treat the machine as driven."
        }
    }];
    match (safe.at_rest, safe.was_driven) {
        // Said with the first.
        _ if safe.driven_since_stop => {}
        (false, _) => parts.push("At rest: NOT confirmed. Treat the shaft as turning."),
        (true, true) => parts.push("At rest: confirmed."),
        (true, false) => {}
    }
    parts.push(if safe.de_energised {
        "Bus: shown below its limit at that moment; stored charge and a supply left on can change that."
    } else {
        "Bus: not shown below its limit. It counts as live."
    });
    parts.join(" ")
}

/// The warnings, gravest first.
pub(super) fn warnings(evidence: &Evidence<'_>, story: &Story, safe: &SafeState) -> Vec<Warning> {
    let mut list = Vec::new();
    let switch_off = &evidence.plan.supply.switch_off;
    if !safe.not_driven {
        let mut lines = vec![
            "Torque off was not confirmed by samples: treat the machine as driven.".to_string(),
            "Use the hard-wired emergency stop. Stay out of the plane of everything that turns.".into(),
            format!("Then take the supply away: {switch_off}."),
        ];
        let cut = story.cut(evidence);
        if safe.driven_since_stop {
            lines.insert(0, "The record ends while the machine was driven, without a stop.".into());
        } else if cut.is_some() {
            lines.insert(0, "The record does not show how the machine was left.".into());
        }
        lines.extend(found_at_last(safe, Stage::NotDriven));
        lines.extend(found_at_last(safe, Stage::AtRest));
        // The exit code of this box is 7; where nothing was driven the run ended for another reason, and says so.
        let title = if leaves_driven(safe, cut.is_none()) {
            "SAFE STATE NOT CONFIRMED"
        } else {
            "NOT SHOWN TO BE OFF"
        };
        list.push(Warning { title: title.into(), lines });
    } else if !safe.at_rest {
        let mut lines = vec!["The shaft was not shown at rest: treat it as turning.".to_string()];
        lines.extend(found_at_last(safe, Stage::AtRest));
        list.push(Warning { title: "NOT SHOWN AT REST".into(), lines });
    }
    list.extend(stop_frame(evidence.events));
    if !safe.de_energised {
        list.push(bus_live(evidence, safe));
    }
    if let Some(cut) = story.cut(evidence) {
        let last = words::seconds(cut.last_record_s);
        let (title, first) = if story.finished() {
            let lost = "Parts of the record are missing. What happened in them is not in this report.";
            ("RECORD NOT WHOLE", lost.to_string())
        } else {
            let lost = "What happened after it is not in this report.";
            ("RECORD CUT", format!("The last record is at {last}. {lost}"))
        };
        let lines = std::iter::once(first).chain(cut.what).collect();
        list.push(Warning { title: title.into(), lines });
    }
    list
}

/// A stop frame that did not do its work, at a stop or a coast: nothing else stops a drive whose demands go on.
fn stop_frame(events: &[Event]) -> Option<Warning> {
    let found = events.iter().filter_map(|event| match &event.what {
        What::TookOff { by, finding: true, found, .. } => Some((event.at.secs_f64(), *by, found)),
        _ => None,
    });
    let found: Vec<(f64, By, &String)> = found.collect();
    let late = found.iter().all(|(_, by, _)| *by == By::Frame);
    let title = if late { "STOP FRAME TOO LATE" } else { "STOP FRAME WITHOUT EFFECT" };
    let mut lines: Vec<String> = found
        .iter()
        .map(|(at, _, found)| words::sentence(&format!("at {}: {found}", words::seconds(*at))))
        .collect();
    if lines.is_empty() {
        return None;
    }
    let what_to_do = if late {
        "The speed that a fault can reach is worked out from `[reaction] controller`: drive nothing before the two agree."
    } else {
        "This program cannot stop this drive while demands go on: drive nothing before the stop frame is right."
    };
    lines.push(what_to_do.into());
    Some(Warning { title: title.into(), lines })
}

fn found_at_last(safe: &SafeState, stage: Stage) -> Option<String> {
    let stop = safe.stops.last().filter(|_| safe.ends_with_stop)?;
    let stage = stop.stages.get(stage as usize)?;
    (stage.confirmed == Some(false)).then(|| format!("Found: {}.", stage.found))
}

/// Why the bus was not shown to be dead, by the last stop.
fn found_of_bus(safe: &SafeState) -> Option<&str> {
    let stop = safe.stops.last().filter(|_| safe.ends_with_stop)?;
    let stage = stop.stages.get(Stage::DeEnergised as usize)?;
    (stage.confirmed == Some(false)).then_some(stage.found.as_str())
}

fn bus_live(evidence: &Evidence<'_>, safe: &SafeState) -> Warning {
    let plan = evidence.plan;
    let limit = number_text(plan.stop.bus.1);
    let found = match safe.bus_last {
        Some((volts, at)) if volts <= plan.stop.bus.1 => format!(
            "The last reading, {volts:.1} V at {}, does not show a dead bus. Do not rely on it: {}.",
            words::seconds(at),
            found_of_bus(safe).unwrap_or("nothing confirmed it by samples after the last stop frame")
        ),
        Some((volts, at)) => format!(
            "The bus was not shown below {limit} V. Last reading: {volts:.1} V at {}.",
            words::seconds(at)
        ),
        None => {
            format!("The bus was not shown below {limit} V: there is no reading of it. Treat it as live.")
        }
    };
    let wait = number_text(plan.supply.discharge.secs_f64());
    let mut lines = vec![
        found,
        format!(
            "Switch off: {}. Keep the plug in your hand, or lock the isolator off.",
            plan.supply.switch_off
        ),
        format!("Then wait at least {wait} s, and until the shaft stands."),
        "Then measure with your own meter before you touch anything: one rated for the bus, proved on a known \
         source before and after; pole to pole, and each pole to earth."
            .into(),
    ];
    if evidence.run.kind.is_twin() {
        lines.push("This bus was simulated; on the bench the same words would hold.".into());
    }
    Warning { title: "BUS LIVE".into(), lines }
}
