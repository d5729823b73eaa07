//! How well the links did.

use super::Evidence;
use super::model::EventLine;
use crate::record::What;
use serde::Serialize;

/// Quality of one link over the run.
#[derive(Debug, Clone, Serialize)]
pub struct LinkRow {
    /// Name.
    pub name: String,
    /// Number of requests.
    pub requests: usize,
    /// How many had no good reply in time.
    pub lost: usize,
    /// Slots at which the request could not be sent in time.
    pub missed: usize,
    /// Replies to requests that had been given up: too slow, or a stop went first.
    pub late: usize,
    /// Lines that fit no reply.
    pub garbage: usize,
}

/// Number of lines that nobody asked for.
pub(super) fn unsolicited(evidence: &Evidence<'_>) -> usize {
    count(evidence, |what| matches!(what, What::Unsolicited { .. }))
}

fn count(evidence: &Evidence<'_>, which: impl Fn(&What) -> bool) -> usize {
    evidence.events.iter().filter(|event| which(&event.what)).count()
}

/// Quality of the links.
pub(super) fn links(evidence: &Evidence<'_>) -> Vec<LinkRow> {
    let late = |name: &str| count(evidence, |what| matches!(what, What::Late { link, .. } if link == name));
    let garbage =
        |name: &str| count(evidence, |what| matches!(what, What::Garbage { link, .. } if link == name));
    evidence
        .columns
        .links
        .iter()
        .map(|link| LinkRow {
            name: link.name.clone(),
            requests: link.round_trip.len(),
            lost: link.round_trip.iter().filter(|r| r.is_none()).count(),
            missed: link.missed.len(),
            late: late(&link.name),
            garbage: garbage(&link.name),
        })
        .collect()
}

/// Most lines of a run that are listed one by one: a disturbed line gives thousands, and the trace has them all.
const LISTED_MAX: usize = 40;

/// Every line that nobody asked for or that fits no reply, up to so many, and how many more there are.
pub(super) fn strange_lines(evidence: &Evidence<'_>) -> Vec<EventLine> {
    let strange = |event: &crate::record::Event| {
        let text = match &event.what {
            What::Unsolicited { link, text } => {
                format!("link {link}: `{text}` came, and nobody asked for it")
            }
            What::Garbage { link, text } => format!("link {link}: `{text}` came and fits no reply"),
            _ => return None,
        };
        Some(EventLine { at_s: event.at.secs_f64(), sort: "line".into(), text, grave: false })
    };
    let mut lines: Vec<EventLine> = evidence.events.iter().filter_map(strange).collect();
    let more = lines.len().saturating_sub(LISTED_MAX);
    lines.truncate(LISTED_MAX);
    if let Some(last) = lines.last_mut().filter(|_| more > 0) {
        last.text += &format!("; {more} more such lines are in the trace");
    }
    lines
}
