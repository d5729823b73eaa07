//! The computer that the run was made on: how late its processes were, what priority they had, and whether what ended the
//! run is put down to it.

use super::Evidence;
use super::before::BeforeRow;
use super::words;
use crate::outcome::Cause;
use crate::record::{Process, What, stood_still};
use crate::time::Instant;
use serde::Serialize;

/// What is known of the computer.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Computer {
    /// Whether engine and stop went before all other work; `None` of a rehearsal and of runs from before this was kept.
    pub real_time: Option<bool>,
    /// Whether the memory was locked; as before.
    pub memory_locked: Option<bool>,
    /// The latest that this program handled a deadline of its own, in seconds; `None` if none was late or nobody noted it.
    pub late_worst_s: Option<f64>,
    /// When that was, in seconds.
    pub late_worst_at_s: Option<f64>,
    /// From which lateness on it counts as standing still, in seconds.
    pub late_max_s: f64,
    /// Every time that a process stood still for longer.
    pub stood_still: Vec<StoodStill>,
    /// In words, if what ended the run is put down to it.
    pub blamed: Option<String>,
}

/// A time without anything done.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct StoodStill {
    /// Which process: the runner or the simulated board.
    pub process: Process,
    /// From when, in seconds.
    pub from_s: f64,
    /// Until when, in seconds.
    pub to_s: f64,
}

/// A time shorter than this is counted, and has no line of its own, in microseconds: beside a build there are hundreds.
const WORTH_A_LINE: i64 = 20_000;

/// What is known of it.
pub(super) fn computer(evidence: &Evidence<'_>) -> Computer {
    let (mut worst, mut still) = (None, Vec::new());
    for event in evidence.events {
        match event.what {
            What::Lateness { worst: late, at, .. } => worst = Some((late, at)),
            What::StoodStill { process, from, to } => {
                still.push(StoodStill { process, from_s: seconds(from), to_s: seconds(to) });
            }
            _ => {}
        }
    }
    let before = evidence.run.before.computer.as_ref();
    Computer {
        real_time: before.map(|c| c.real_time),
        memory_locked: before.map(|c| c.memory_locked),
        late_worst_s: worst.map(|(late, _)| seconds(late)),
        late_worst_at_s: worst.map(|(_, at)| seconds(at)),
        late_max_s: seconds(evidence.plan.late_max.micros()),
        stood_still: still,
        blamed: blamed(evidence),
    }
}

fn seconds(micros: i64) -> f64 {
    Instant::from_micros(micros).secs_f64()
}

/// That this computer is why the run ended as it did, in words: a run that nothing else ended.
pub(super) fn blamed(evidence: &Evidence<'_>) -> Option<String> {
    let blames = evidence.events.iter().rev().find_map(|event| match event.what {
        What::BlamesComputer { process, from, to } => Some(stood_still(process, from, to)),
        _ => None,
    });
    blames.filter(|_| evidence.cause == Cause::NotMade)
}

/// A line for a time that is worth one.
pub(super) fn line(what: &What) -> Option<(&'static str, String, bool)> {
    let What::StoodStill { process, from, to } = *what else { return None };
    (to - from >= WORTH_A_LINE).then(|| ("computer", stood_still(process, from, to), false))
}

/// The same in a row, beside what else was known of the run; nothing where nothing is known.
pub(super) fn row(evidence: &Evidence<'_>) -> Option<BeforeRow> {
    let known = computer(evidence);
    let mut parts = Vec::new();
    if let Some(real_time) = known.real_time {
        let (not, without) = if real_time { ("", "") } else { ("no ", ": refused to this user") };
        parts.push(format!("{not}real-time priority{without}"));
    }
    if let Some(locked) = known.memory_locked {
        parts.push(format!("memory {}locked", if locked { "" } else { "not " }));
    }
    if let (Some(worst), Some(at)) = (known.late_worst_s, known.late_worst_at_s) {
        parts.push(format!("this program was at most {:.1} ms late, at {}", worst * 1e3, words::seconds(at)));
    }
    let longest = known.stood_still.iter().max_by(|a, b| (a.to_s - a.from_s).total_cmp(&(b.to_s - b.from_s)));
    if let Some(longest) = longest {
        let (times, ms) =
            (words::count(known.stood_still.len(), "time", "times"), longest.to_s - longest.from_s);
        parts.push(format!(
            "it stood still {times} for more than {:.0} ms, for {:.0} ms at most",
            known.late_max_s * 1e3,
            ms * 1e3
        ));
    }
    (!parts.is_empty()).then(|| BeforeRow { what: "This computer".into(), text: parts.join("; ") })
}
