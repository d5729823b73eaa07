//! Criteria: which metric, of what, over which segment, and the limit.

use super::context::{Context, a};
use super::operands::operands;
use super::profiles::Laid;
use super::scope::{Channel, Demand, Scope};
use crate::diag::{Diag, Place};
use crate::files::read::{At, suggestion};
use crate::files::suite;
use crate::metrics::{self, Metric, Subject};
use crate::plan::Criterion;
use crate::time::Duration;
use crate::units::{Kind, Quantity, Unit};

/// Resolves the criteria of a test with these segments.
pub(super) fn criteria(
    ctx: &mut Context<'_>,
    scope: &Scope<'_>,
    test: &suite::Test,
    demand: Demand<'_>,
    segments: &[Laid],
) -> Option<Vec<Criterion>> {
    let names: Vec<String> = segments.iter().map(|s| s.name.clone()).collect();
    let criteria: Vec<Option<Criterion>> = test
        .criterion
        .iter()
        .map(|c| {
            let over = over(ctx, c, segments);
            let criterion = criterion(ctx, scope, c, demand, &names);
            if let (Some(over), Some(criterion)) = (over, &criterion) {
                check_demanded(ctx, c, criterion.metric, over, segments);
            }
            Some(Criterion { over: over?, ..criterion? })
        })
        .collect();
    criteria.into_iter().collect()
}

/// Index of the segment, `Some(None)` for the whole profile.
fn over(ctx: &mut Context<'_>, file: &suite::Criterion, segments: &[Laid]) -> Option<Option<usize>> {
    let Some(over) = &file.over else { return Some(None) };
    let known: Vec<&str> = segments.iter().map(|s| s.name.as_str()).collect();
    let index = ctx.look_up("a segment of this test", over, &known)?;
    if segments[index].length == Some(Duration::ZERO) {
        let message =
            format!("segment {} takes no time: nothing could be measured over it", ctx.said(over.at));
        ctx.refuse(Diag::at(over.at, message).help("give the step a `hold`"));
    }
    Some(Some(index))
}

/// While the shaft coasts, or a person drives, nothing is demanded that a channel could be held against.
fn check_demanded(
    ctx: &mut Context<'_>,
    file: &suite::Criterion,
    metric: &dyn Metric,
    over: Option<usize>,
    segments: &[Laid],
) {
    let meant = match over {
        Some(index) => &segments[index..=index],
        None => segments,
    };
    let (while_, help) = match (meant.iter().any(|s| s.undemanded), meant.iter().any(|s| s.by_hand)) {
        _ if metric.subject() != Subject::Tracked => return,
        (true, _) if !meant.iter().any(|s| s.coasts) => {
            ("the torque is off", "say with `over` which other segment is meant")
        }
        (true, _) => ("the shaft coasts", "say with `over` which segment before the coast is meant"),
        (_, true) => {
            ("a person drives", "hold it against the pedal: `follow_rms` with a channel of what it asks")
        }
        (false, false) => return,
    };
    let message = format!(
        "{} holds a channel against the demand, and while {while_} there is none",
        ctx.said(file.metric.at)
    );
    let at = file.over.as_ref().map_or(file.metric.at, |over| over.at);
    ctx.refuse(Diag::at(at, message).help(help));
}

fn criterion(
    ctx: &mut Context<'_>,
    scope: &Scope<'_>,
    file: &suite::Criterion,
    demand: Demand<'_>,
    names: &[String],
) -> Option<Criterion> {
    let limit = limit(file);
    let Some(metric) = metrics::find(&file.metric) else {
        let message = format!("{} is not a metric", ctx.said(file.metric.at));
        let help = suggestion(&file.metric, metrics::catalogue().iter().map(|m| m.id()));
        ctx.refuse(Diag::at(file.metric.at, message).help(help));
        return None;
    };
    let subject = subject(ctx, scope, file, metric, demand)?;
    let kind = metric.kind(subject.kind);
    let why = format!("for `{}` of {}", metric.id(), subject.words);
    let band = band(ctx, file, metric, &subject);
    let given = operands(ctx, scope, file, metric, &subject, names);
    let limit = limit?;
    let mut value = |q: Option<&At<Quantity>>| match q {
        Some(q) => ctx.quantity(q, kind, &why, subject.at).map(Some),
        None => Some(None),
    };
    let (low, high) = (value(limit.low), value(limit.high));
    let (low, high) = (low?, high?);
    if let (Some(from), Some(to), Some(l), Some(h)) = (low, high, limit.low, limit.high)
        && from >= to
    {
        let message =
            format!("{} is not below {}, expected the lower end first", ctx.said(l.at), ctx.said(h.at));
        ctx.refuse(Diag::at(l.at, message).other(h.at, ""));
    }
    Some(Criterion {
        metric,
        of: subject.name,
        against: demand.name.value.clone(),
        over: None,
        low,
        high,
        unit: limit.unit,
        band: band?,
        given: given?,
        why: file.why.clone(),
    })
}

/// What a metric is of.
pub(super) struct Of {
    name: String,
    /// As messages say it: `` `speed` ``.
    words: String,
    /// Kind of the channel; the plain number for links.
    pub kind: Kind,
    at: Place,
}

fn subject(
    ctx: &mut Context<'_>,
    scope: &Scope<'_>,
    file: &suite::Criterion,
    metric: &dyn Metric,
    demand: Demand<'_>,
) -> Option<Of> {
    let what = if metric.subject() == Subject::Link { "link" } else { "channel" };
    let Some(of) = &file.of else {
        let message = format!("{} does not say of which {what}", ctx.said(file.metric.at));
        ctx.refuse(Diag::at(file.metric.at, message).help(format!("add `of` with the name of the {what}")));
        return None;
    };
    if metric.subject() == Subject::Link {
        let index = ctx.look_up("a link of the rig", of, &scope.link_names())?;
        let at = scope.links[index].name.at;
        return Some(Of {
            name: of.value.clone(),
            words: format!("`{}`", of.value),
            kind: Kind::default(),
            at,
        });
    }
    let of_burst = scope.bursts.iter().find(|b| b.name.value == of.value);
    let may_be_burst = matches!(metric.subject(), Subject::Burst | Subject::Waveform);
    if let Some(burst) = of_burst.filter(|_| may_be_burst) {
        let words = format!("`{}`", of.value);
        return Some(Of { name: of.value.clone(), words, kind: burst.kind, at: burst.name.at });
    }
    if metric.subject() == Subject::Burst {
        ctx.look_up("a channel of a burst", of, &scope.burst_names())?;
    }
    let index = ctx.look_up("a channel of the rig", of, &scope.channel_names())?;
    let channel = scope.channels[index];
    check_channel(ctx, of, channel)?;
    let kind = channel.kind?;
    if metric.subject() == Subject::Tracked && kind != demand.kind {
        let message = format!(
            "{} is {}, but `{}` holds it against {}, {}",
            ctx.said(of.at),
            a(&kind.name()),
            metric.id(),
            ctx.named("demand", demand.name),
            a(&demand.kind.name()),
        );
        ctx.refuse(Diag::at(of.at, message).other(demand.name.at, ""));
        return None;
    }
    Some(Of { name: of.value.clone(), words: format!("`{}`", of.value), kind, at: channel.name.at })
}

/// A verdict needs a number with an uncertainty.
pub(super) fn check_channel(ctx: &mut Context<'_>, of: &At<String>, channel: Channel<'_>) -> Option<()> {
    if channel.is_state {
        let message = format!("{} is a state ({}) and no number", ctx.said(of.at), ctx.cite(channel.name.at));
        ctx.refuse(Diag::at(of.at, message).other(channel.name.at, ""));
        return None;
    }
    if channel.file.uncertainty.is_none() {
        let message = format!(
            "a criterion of {} needs its standard uncertainty, and {} has none",
            ctx.said(of.at),
            ctx.named("channel", channel.name),
        );
        ctx.refuse(
            Diag::at(of.at, message).other(channel.name.at, "").help("add `uncertainty` to the channel"),
        );
    }
    Some(())
}

fn band(ctx: &mut Context<'_>, file: &suite::Criterion, metric: &dyn Metric, of: &Of) -> Option<Option<f64>> {
    match (&file.band, metric.needs_band()) {
        (None, false) => Some(None),
        (None, true) => {
            let message = format!("{} needs a `band` to settle into", ctx.said(file.metric.at));
            let help = format!("add `band`, its half-width: {}", a(&of.kind.difference().name()));
            ctx.refuse(Diag::at(file.metric.at, message).help(help));
            None
        }
        (Some(band), false) => {
            let message =
                format!("{} takes no band, but {} is given", ctx.said(file.metric.at), ctx.said(band.at));
            ctx.refuse(Diag::at(band.at, message).other(file.metric.at, "").help("take it out"));
            None
        }
        (Some(band), true) => {
            let why = format!("for a band around {}", of.words);
            let value = ctx.quantity(band, of.kind.difference(), &why, of.at)?;
            if value <= 0.0 {
                let message = format!("the half-width {} is not above zero", ctx.said(band.at));
                ctx.refuse(Diag::at(band.at, message));
                return None;
            }
            Some(Some(value))
        }
    }
}

/// The limit as written: one of `at_most`, `at_least`, `between`.
struct Limits<'a> {
    low: Option<&'a At<Quantity>>,
    high: Option<&'a At<Quantity>>,
    unit: Unit,
}

fn limit(file: &suite::Criterion) -> Option<Limits<'_>> {
    match (&file.at_least, &file.at_most, file.between.as_slice()) {
        (Some(low), None, []) => Some(Limits { low: Some(low), high: None, unit: low.unit.clone() }),
        (None, Some(high), []) => Some(Limits { low: None, high: Some(high), unit: high.unit.clone() }),
        (None, None, [low, high]) => {
            Some(Limits { low: Some(low), high: Some(high), unit: high.unit.clone() })
        }
        // The reader of the files gives exactly one of the three.
        _ => None,
    }
}
