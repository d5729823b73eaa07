//! Quality of a link: round trips, lost replies, missed slots.

use super::duration;
use super::numeric::{joined, nearest_rank, quantile_ranks, share_uncertainty};
use super::window::{refuse, whole};
use super::{Direction, Entry, Measured, Refusal, Subject, View};
use crate::columns::LinkSeries;
use crate::units::Kind;

pub(super) const ROUND_TRIP_P50: Entry = Entry {
    id: "round_trip_p50",
    version: 1,
    about: "median round trip of all requests in the span, by nearest rank, a lost reply counting as longer than any; \
            U = 2u is the larger arm of the binomial interval between order statistics; refuses cut spans, too few \
            requests, and a quantile or interval that reaches into the lost replies",
    kind: |_| duration(),
    compute: |view| round_trip(view, 0.5),
    ..REPLY_LOSS
};

pub(super) const ROUND_TRIP_P99: Entry = Entry {
    id: "round_trip_p99",
    version: 1,
    about: "99 % quantile of the round trips of all requests in the span, otherwise as `round_trip_p50`; \
            refuses fewer than 377 requests, which give no interval",
    compute: |view| round_trip(view, 0.99),
    ..ROUND_TRIP_P50
};

pub(super) const REPLY_LOSS: Entry = Entry {
    id: "reply_loss",
    version: 1,
    about: "share of the requests in the span that got no good reply in time; U = 2u is the larger arm of \
            Jeffreys' binomial interval, so that even no loss at all has an uncertainty; refuses cut spans and fewer than \
            20 requests",
    direction: Direction::LowerIsBetter,
    subject: Subject::Link,
    kind: |_| Kind::default(),
    needs_band: false,
    operands: &[],
    compute: reply_loss,
};

pub(super) const SLOTS_MISSED: Entry = Entry {
    id: "slots_missed",
    version: 1,
    about: "share of the slots in the span at which the request could not be sent in time; uncertainty and \
            refusals as for `reply_loss`",
    compute: slots_missed,
    ..REPLY_LOSS
};

/// Fewest requests for a share.
const REQUESTS_MIN: usize = 20;

/// Moments are whole microseconds: a difference of two is uniform-rounded twice.
const RESOLUTION_U: f64 = 1e-6 * 0.408_248_290_463_863;

fn round_trip(view: &View<'_>, p: f64) -> Result<Measured, Refusal> {
    let (_, polls) = polls(view)?;
    let n = polls.len();
    if polls.iter().flatten().any(|x| !x.is_finite()) {
        return refuse(format!("a round trip of link `{}` is not a number", view.of));
    }
    let mut sorted: Vec<f64> = polls.iter().flatten().copied().collect();
    sorted.sort_by(f64::total_cmp);
    let (rank, (low, high)) = (nearest_rank(p, n), quantile_ranks(p, n));
    if low < 1 || high > n {
        return refuse(format!("{n} requests are too few for an interval of the {} % quantile", 100.0 * p));
    }
    let lost = n - sorted.len();
    if high > sorted.len() {
        return refuse(format!(
            "{lost} of {n} replies were lost: the {} % quantile or the upper end of its interval is among them",
            100.0 * p
        ));
    }
    let (value, low, high) = (sorted[rank - 1], sorted[low - 1], sorted[high - 1]);
    let u = joined([0.5 * (high - value).max(value - low), RESOLUTION_U]);
    Ok(Measured {
        value,
        u,
        n,
        note: (lost > 0).then(|| format!("{lost} lost replies count as longer than any")),
    })
}

fn reply_loss(view: &View<'_>) -> Result<Measured, Refusal> {
    let (_, polls) = polls(view)?;
    let lost = polls.iter().filter(|p| p.is_none()).count();
    share(view, lost, polls.len(), "requests")
}

fn slots_missed(view: &View<'_>) -> Result<Measured, Refusal> {
    let (link, polls) = polls(view)?;
    let missed = link.missed.iter().filter(|t| **t >= view.span.t0 && **t <= view.span.t1).count();
    share(view, missed, polls.len() + missed, "slots")
}

fn share(view: &View<'_>, k: usize, n: usize, of: &str) -> Result<Measured, Refusal> {
    if n < REQUESTS_MIN {
        return refuse(format!(
            "link `{}` has {n} {of} in `{}`, at least {REQUESTS_MIN} are needed",
            view.of, view.span.name
        ));
    }
    let u = share_uncertainty(k, n);
    Ok(Measured { value: k as f64 / n as f64, u, n, note: Some(format!("{k} of {n} {of}")) })
}

/// The link and the round trips of the requests in the span.
fn polls<'a>(view: &View<'a>) -> Result<(&'a LinkSeries, Vec<Option<f64>>), Refusal> {
    whole(view.span)?;
    let Some(link) = view.columns.links.iter().find(|l| l.name == view.of) else {
        return refuse(format!("link `{}` is not in the record", view.of));
    };
    let inside =
        link.t.iter().zip(&link.round_trip).filter(|(t, _)| **t >= view.span.t0 && **t <= view.span.t1);
    Ok((link, inside.map(|(_, trip)| *trip).collect()))
}

#[cfg(test)]
mod tests;
