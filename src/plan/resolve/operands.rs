//! The keys of a criterion that only some metrics take, held against the metric's registry.

use super::context::{Context, a};
use super::criteria::{Of, check_channel};
use super::scope::Scope;
use crate::diag::{Diag, Place};
use crate::files::read::{At, Q, Ranged};
use crate::files::suite::{self, Turn};
use crate::metrics::{Given, Metric, Operand, Takes, Value};
use crate::units::Kind;

/// A key as written.
struct Written<'a> {
    key: &'static str,
    at: Place,
    value: As<'a>,
}

#[derive(Clone, Copy)]
enum As<'a> {
    Name(&'a At<String>),
    Range(f64, f64),
    Turn(Turn),
}

/// The values of a criterion's keys, `names` being the segments of its test.
pub(super) fn operands(
    ctx: &mut Context<'_>,
    scope: &Scope<'_>,
    file: &suite::Criterion,
    metric: &dyn Metric,
    of: &Of,
    names: &[String],
) -> Option<Given> {
    let written = written(file);
    let before = ctx.diags.len();
    let mut given = Given::default();
    for operand in metric.operands() {
        match written.iter().find(|w| w.key == operand.key) {
            Some(written) => {
                if let Some(value) = value(ctx, scope, metric, operand, written, of.kind, names) {
                    given.add(operand.key, value, text(ctx, written.at));
                }
            }
            // A property of the bench: a suite that is made on several must not say it of one of them.
            None if operand.key == "capacitance" && file.current.is_some() => {
                let known = &ctx.rig.supply.capacitance;
                given.add(operand.key, Value::Range(known.low, known.high), text(ctx, known.at));
            }
            None if operand.needed => {
                let message = format!("{} needs `{}`", ctx.said(file.metric.at), operand.key);
                ctx.refuse(Diag::at(file.metric.at, message).help(format!("add it: {}", operand.about)));
            }
            None => {}
        }
    }
    for written in &written {
        if metric.operands().iter().all(|o| o.key != written.key) {
            let message = format!(
                "{} takes no `{}`, but {} is given",
                ctx.said(file.metric.at),
                written.key,
                ctx.said(written.at)
            );
            ctx.refuse(Diag::at(written.at, message).other(file.metric.at, "").help("take it out"));
        }
    }
    (ctx.diags.len() == before).then_some(given)
}

fn written(file: &suite::Criterion) -> Vec<Written<'_>> {
    fn name<'a>(key: &'static str, at: Option<&'a At<String>>) -> Option<Written<'a>> {
        at.map(|name| Written { key, at: name.at, value: As::Name(name) })
    }
    fn range<K>(key: &'static str, range: Option<&Ranged<K>>) -> Option<Written<'static>> {
        range.map(|r| Written { key, at: r.at, value: As::Range(r.low, r.high) })
    }
    fn one<K>(key: &'static str, q: Option<&Q<K>>) -> Option<Written<'static>> {
        q.map(|q| Written { key, at: q.at, value: As::Range(q.si, q.si) })
    }
    let turn = file.turn.as_ref().map(|t| Written { key: "turn", at: t.at, value: As::Turn(t.value) });
    let all = [
        name("with", file.with.as_ref()),
        name("flow", file.flow.as_ref()),
        name("winding", file.winding.as_ref()),
        name("speed", file.speed.as_ref()),
        name("current", file.current.as_ref()),
        range("turned", file.turned.as_ref()),
        range("resistance", file.resistance.as_ref()),
        name("before", file.before.as_ref()),
        name("sine", file.sine.as_ref()),
        name("cosine", file.cosine.as_ref()),
        range("frequencies", file.frequencies.as_ref()),
        one("order", file.order.as_ref()),
        turn,
        one("slip", file.slip.as_ref()),
        one("lasting", file.lasting.as_ref()),
        range("density", file.density.as_ref()),
        range("specific_heat", file.specific_heat.as_ref()),
        range("inertia", file.inertia.as_ref()),
        range("added_inertia", file.added_inertia.as_ref()),
        range("drag_torque", file.drag_torque.as_ref()),
        one("at_speed", file.at_speed.as_ref()),
        range("capacitance", file.capacitance.as_ref()),
    ];
    all.into_iter().flatten().collect()
}

fn value(
    ctx: &mut Context<'_>,
    scope: &Scope<'_>,
    metric: &dyn Metric,
    operand: &Operand,
    written: &Written<'_>,
    of: Kind,
    names: &[String],
) -> Option<Value> {
    match (operand.takes, written.value) {
        (Takes::Channel(kind), As::Name(name)) => {
            let index = ctx.look_up("a channel of the rig", name, &scope.channel_names())?;
            let channel = scope.channels[index];
            check_channel(ctx, name, channel)?;
            fits(ctx, metric, operand, name, channel.kind?, kind(of))?;
            Some(Value::Name(name.value.clone()))
        }
        (Takes::Waveform(kind), As::Name(name)) => {
            let index = ctx.look_up("a channel of a burst", name, &scope.burst_names())?;
            fits(ctx, metric, operand, name, scope.bursts[index].kind, kind(of))?;
            Some(Value::Name(name.value.clone()))
        }
        (Takes::Segment, As::Name(name)) => {
            let known: Vec<&str> = names.iter().map(String::as_str).collect();
            ctx.look_up("a segment of this test", name, &known).map(Value::Segment)
        }
        (Takes::Quantity, As::Range(low, high)) => Some(Value::Range(low, high)),
        (Takes::Turn, As::Turn(turn)) => {
            let pairs = f64::from(ctx.unit.machine.pole_pairs.value);
            let turns = if turn == Turn::Electrical { pairs } else { 1.0 };
            Some(Value::Range(turns, turns))
        }
        // The tables of the two rooms name the same keys: a test goes through every metric.
        _ => None,
    }
}

fn fits(
    ctx: &mut Context<'_>,
    metric: &dyn Metric,
    operand: &Operand,
    name: &At<String>,
    found: Kind,
    expected: Kind,
) -> Option<()> {
    if found == expected {
        return Some(());
    }
    let message = format!(
        "{} is {}, expected {} under `{}` of `{}`",
        ctx.said(name.at),
        a(&found.name()),
        a(&expected.name()),
        operand.key,
        metric.id()
    );
    ctx.refuse(Diag::at(name.at, message));
    None
}

/// What was written, without the marks of the file's syntax.
fn text(ctx: &Context<'_>, at: Place) -> String {
    let plain = ctx.sources.text(at).replace(['"', '\'', '[', ']'], "");
    plain.split(',').map(str::trim).collect::<Vec<_>>().join(" to ")
}
