//! Channels: kinds, ranges, readings, calibration, and where they come from.

use super::context::{Context, a, length};
use super::derived;
use super::links::Wires;
use super::scope::{Channel as Named, Scope};
use crate::diag::{Diag, Place};
use crate::expr::Expr;
use crate::plan::{Channel, Reading, Source};
use crate::record::Grade;
use crate::states::DriveState;
use crate::time::Duration;
use crate::units::Unit;

/// The channels of the plan and how to find them.
pub(super) struct Channels {
    /// In the order of the plan: measured first, then derived, each after those it uses.
    pub list: Vec<Option<Channel>>,
    /// For each channel of the file its index in the plan.
    pub plan_index: Vec<usize>,
    /// For each channel of the file the measured channels that it rests on (itself, if measured), by
    /// their index in the file.
    pub rests_on: Vec<Vec<usize>>,
}

impl Channels {
    /// The groups that a channel of the file rests on, by index.
    pub fn groups_of(&self, channel: usize, scope: &Scope<'_>, wires: &Wires<'_>) -> Vec<usize> {
        let place = |m: &usize| wires.place_of(scope.channels[*m].name).map(|(group, _)| group);
        self.rests_on[channel].iter().filter_map(place).collect()
    }
}

/// Resolves the channels.
pub(super) fn channels(ctx: &mut Context<'_>, scope: &mut Scope<'_>, wires: &Wires<'_>) -> Channels {
    let mut derived = derived::derived(ctx, scope);
    let measured = |i: &usize| scope.channels[*i].file.derived.is_none();
    let order: Vec<usize> =
        (0..scope.channels.len()).filter(measured).chain(derived.order.iter().copied()).collect();
    let mut plan_index = vec![0; scope.channels.len()];
    order.iter().enumerate().for_each(|(plan, file)| plan_index[*file] = plan);
    derived.reindex(scope, &plan_index);
    let list: Vec<Option<Channel>> = order
        .iter()
        .map(|file| channel(ctx, scope.channels[*file], wires, derived.exprs[*file].take()))
        .collect();
    Channels { list, plan_index, rests_on: derived.rests_on }
}

fn channel(
    ctx: &mut Context<'_>,
    named: Named<'_>,
    wires: &Wires<'_>,
    expr: Option<Expr>,
) -> Option<Channel> {
    let file = named.file;
    let reading = reading(ctx, named);
    check_unit(ctx, named);
    let range = range(ctx, named);
    let u = uncertainty(ctx, named);
    let source = match &file.derived {
        Some(derived) => {
            check_derived_alone(ctx, named, derived.at);
            expr.map(Source::Derived)
        }
        None => wired(ctx, named, wires, reading),
    };
    Some(Channel {
        name: named.name.value.clone(),
        unit: file.unit.as_ref().map_or_else(Unit::one, |u| u.value.clone()),
        role: file.measures.as_ref().map(|m| m.value),
        range: range?,
        u: u?,
        stale: file.stale.as_ref().map_or(Duration::from_micros(i64::MAX), length),
        source: source?,
        grade: if file.derived.is_some() { Grade::Inferred } else { Grade::Measured },
        belongs_to: file.belongs_to.as_ref().unwrap_or(&ctx.unit.name).value.clone(),
    })
}

/// A channel that is read stands in exactly one poll.
fn wired(
    ctx: &mut Context<'_>,
    named: Named<'_>,
    wires: &Wires<'_>,
    reading: Option<Reading>,
) -> Option<Source> {
    let file = named.file;
    let offset = match (&file.offset, named.kind) {
        (Some(offset), Some(kind)) => ctx.quantity(
            offset,
            kind.difference(),
            &format!("for the offset of `{}`", named.name.value),
            named.name.at,
        ),
        (Some(_), None) => None,
        (None, _) => Some(0.0),
    };
    if file.gain == Some(0.0) {
        let message =
            format!("the gain of {} is 0: every reading would be the same", ctx.named("channel", named.name));
        ctx.refuse(Diag::at(named.name.at, message));
    }
    let Some((group, field)) = wires.place_of(named.name) else {
        if wires.polls_complete {
            let message =
                format!("{} stands in no poll and is not derived", ctx.named("channel", named.name));
            let help = format!("name it in the `expect` of a poll: {{{}}}", named.name.value);
            ctx.refuse(Diag::at(named.name.at, message).help(help));
        }
        return None;
    };
    Some(Source::Wire { group, field, gain: file.gain.unwrap_or(1.0), offset: offset?, reading: reading? })
}

fn check_unit(ctx: &mut Context<'_>, named: Named<'_>) {
    let file = named.file;
    if named.is_state {
        // A state is no number: what belongs to numbers has no business here.
        let extra = [
            file.unit.as_ref().map(|u| u.at),
            file.range.first().map(|q| q.at),
            file.uncertainty.as_ref().map(|q| q.at),
            file.offset.as_ref().map(|q| q.at),
        ];
        for at in extra.into_iter().flatten() {
            let message =
                format!("{} belongs to a number, but `{}` is a state", ctx.said(at), named.name.value);
            ctx.refuse(Diag::at(at, message).other(named.name.at, "").help("take it out"));
        }
    } else if file.unit.is_none() && file.words.0.is_empty() {
        let message = format!("{} has no unit", ctx.named("channel", named.name));
        ctx.refuse(Diag::at(named.name.at, message).help("add `unit`; a plain number has the unit \"1\""));
    }
}

fn range(ctx: &mut Context<'_>, named: Named<'_>) -> Option<(f64, f64)> {
    let file = named.file;
    let why = format!("for the range of `{}`", named.name.value);
    match named.kind {
        _ if named.is_state => Some((0.0, f64::from(u16::MAX))),
        Some(kind) if !file.range.is_empty() => ctx.range(&file.range, kind, &why, named.name),
        Some(_) if !file.words.0.is_empty() => {
            let to_si = |(_, number): &(_, f64)| file.unit.as_ref().map_or(*number, |u| u.to_si(*number));
            let values: Vec<f64> = file.words.iter().map(to_si).collect();
            let low = values.iter().copied().fold(f64::INFINITY, f64::min);
            Some((low, values.iter().copied().fold(f64::NEG_INFINITY, f64::max)))
        }
        Some(_) if file.derived.is_some() => Some((f64::NEG_INFINITY, f64::INFINITY)),
        Some(kind) => {
            let message = format!("{} has no range of plausible values", ctx.named("channel", named.name));
            let blank = kind.blank().unwrap_or("__".into());
            ctx.refuse(
                Diag::at(named.name.at, message)
                    .help(format!("add `range = [\"{blank}\", \"{blank}\"]`, the lowest and the highest")),
            );
            None
        }
        None => None,
    }
}

fn uncertainty(ctx: &mut Context<'_>, named: Named<'_>) -> Option<f64> {
    let Some(u) = &named.file.uncertainty else { return Some(0.0) };
    let why = format!("for the uncertainty of `{}`", named.name.value);
    let value = ctx.quantity(u, named.kind?.difference(), &why, named.name.at)?;
    if value < 0.0 {
        let message = format!("the uncertainty {} is below zero", ctx.said(u.at));
        ctx.refuse(Diag::at(u.at, message));
        return None;
    }
    Some(value)
}

/// How the text becomes a number; states need exactly one way to be told.
fn reading(ctx: &mut Context<'_>, named: Named<'_>) -> Option<Reading> {
    let file = named.file;
    let status_word = file.status_word == Some(true);
    let (states, words) = (!file.states.0.is_empty(), !file.words.0.is_empty());
    let ways = [status_word, states, words].into_iter().filter(|w| *w).count();
    let channel = ctx.named("channel", named.name);
    let wrong = if ways > 1 {
        Some((
            format!("{channel} is read in {ways} ways at once"),
            "keep one of `status_word`, `states`, `words`",
        ))
    } else if named.is_state && !(status_word || states) {
        Some((
            format!("{channel} measures the drive state but is not read as one"),
            "add `status_word = true` or `states = { WORD = \"fault\" }`",
        ))
    } else if !named.is_state && (status_word || states) {
        Some((
            format!("{channel} is read as a state but does not measure the drive state"),
            "add `measures = \"drive state\"`",
        ))
    } else {
        None
    };
    if let Some((message, help)) = wrong {
        ctx.refuse(Diag::at(named.name.at, message).help(help));
        return None;
    }
    if states {
        check_states(ctx, named);
    }
    Some(if status_word {
        Reading::StatusWord
    } else if states {
        Reading::States(file.states.iter().map(|(word, state)| (word.value.clone(), state.value)).collect())
    } else if words {
        Reading::Words(file.words.iter().map(|(word, number)| (word.value.clone(), *number)).collect())
    } else {
        Reading::Number
    })
}

/// A drive whose words never say "gates off" could never be confirmed as not driven; one whose words
/// never say "driving" could never be seen to turn.
fn check_states(ctx: &mut Context<'_>, named: Named<'_>) {
    let states = &named.file.states;
    let any = |f: &dyn Fn(DriveState) -> bool| states.iter().any(|(_, s)| f(s.value));
    let missing = if !any(&|s| s == DriveState::OperationEnabled) {
        Some("operation enabled")
    } else if !any(&|s| !s.may_drive()) {
        Some("a state with the gates off, such as switch on disabled")
    } else {
        None
    };
    if let Some(missing) = missing {
        let message = format!("no word of {} means {missing}", ctx.named("channel", named.name));
        ctx.refuse(Diag::at(named.name.at, message).help("map the board's word for it in `states`"));
    }
}

fn check_derived_alone(ctx: &mut Context<'_>, named: Named<'_>, derived: Place) {
    let file = named.file;
    let extra = if file.status_word.is_some() {
        "status_word"
    } else if !file.states.0.is_empty() {
        "states"
    } else if !file.words.0.is_empty() {
        "words"
    } else if file.gain.is_some() {
        "gain"
    } else if file.offset.is_some() {
        "offset"
    } else {
        return;
    };
    let message =
        format!("`{extra}` belongs to a reading, but {} is derived", ctx.named("channel", named.name));
    ctx.refuse(
        Diag::at(named.name.at, message).other(derived, "derived here").help("take one of the two out"),
    );
}

/// A sentence about what a channel is, for messages about something else.
pub(super) fn what(ctx: &Context<'_>, named: Named<'_>) -> String {
    let kind = named.kind.map_or("of unknown kind".to_string(), |k| a(&k.name()));
    format!("`{}` is {kind} ({})", named.name.value, ctx.cite(named.name.at))
}
