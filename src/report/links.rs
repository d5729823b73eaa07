//! How well the links did.

use super::Evidence;
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
