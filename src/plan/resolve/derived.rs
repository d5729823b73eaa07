//! Derived channels: their expressions, and the order in which each uses only earlier ones.

use super::context::{Context, a};
use super::scope::Scope;
use crate::diag::Diag;
use crate::expr::{Expr, ExprError, Operand};
use crate::files::read::{At, suggestion};
use crate::units::Kind;

/// Derived channels by their index in the file.
pub(super) struct Derived {
    /// The expression of each channel; `None` for measured ones and where a mistake was noted.
    pub exprs: Vec<Option<Expr>>,
    /// Derived channels, each after those it uses.
    pub order: Vec<usize>,
    /// For each channel the measured channels it rests on.
    pub rests_on: Vec<Vec<usize>>,
}

impl Derived {
    /// Reads the expressions again with the plan's indices, now that the order is known.
    pub fn reindex(&mut self, scope: &Scope<'_>, plan_index: &[usize]) {
        for (i, channel) in scope.channels.iter().enumerate() {
            let (Some(text), Some(_)) = (&channel.file.derived, &self.exprs[i]) else { continue };
            self.exprs[i] = Expr::parse(text, &|name| operand(scope, name, &|c| plan_index[c])).ok();
        }
    }
}

/// Reads all expressions and puts them in order.
pub(super) fn derived(ctx: &mut Context<'_>, scope: &mut Scope<'_>) -> Derived {
    let exprs: Vec<Option<Expr>> = (0..scope.channels.len()).map(|i| expression(ctx, scope, i)).collect();
    check_units(ctx, scope, &exprs);
    let uses: Vec<Vec<usize>> = exprs
        .iter()
        .map(|expr| {
            let operands = expr.as_ref().map(Expr::operands).unwrap_or_default();
            operands
                .into_iter()
                .filter_map(|o| if let Operand::Channel(c) = o { Some(c) } else { None })
                .collect()
        })
        .collect();
    let order = order(ctx, scope, &uses);
    let mut rests_on: Vec<Vec<usize>> = vec![Vec::new(); scope.channels.len()];
    for (i, channel) in scope.channels.iter().enumerate() {
        if channel.file.derived.is_none() {
            rests_on[i].push(i);
        }
    }
    for i in &order {
        let mut all: Vec<usize> = uses[*i].iter().flat_map(|used| rests_on[*used].clone()).collect();
        all.sort_unstable();
        all.dedup();
        rests_on[*i] = all;
    }
    Derived { exprs, order, rests_on }
}

fn operand(scope: &Scope<'_>, name: &str, index: &dyn Fn(usize) -> usize) -> Option<(Operand, Kind)> {
    if let Some(demand) = name.strip_prefix("demand.") {
        let i = scope.demands.iter().position(|d| d.name.value == demand)?;
        return Some((Operand::Demand(i), scope.demands[i].kind));
    }
    let i = scope.channels.iter().position(|c| c.name.value == name && !c.is_state)?;
    Some((Operand::Channel(index(i)), scope.channels[i].kind?))
}

fn expression(ctx: &mut Context<'_>, scope: &Scope<'_>, index: usize) -> Option<Expr> {
    let channel = scope.channels[index];
    let text = channel.file.derived.as_ref()?;
    let expr = match Expr::parse(text, &|name| operand(scope, name, &|c| c)) {
        Ok(expr) => expr,
        Err(error) => {
            refuse(ctx, scope, text, error);
            return None;
        }
    };
    Some(expr)
}

/// What an expression gives must be what its channel says it is; a channel that says it wrongly is
/// of no known kind for the rest of the files.
fn check_units(ctx: &mut Context<'_>, scope: &mut Scope<'_>, exprs: &[Option<Expr>]) {
    for (channel, expr) in scope.channels.iter_mut().zip(exprs) {
        let (Some(expr), Some(text), Some(unit)) = (expr, &channel.file.derived, &channel.file.unit) else {
            continue;
        };
        if expr.kind() == unit.kind {
            continue;
        }
        let message = format!(
            "{} gives {}, but the unit of `{}` is {}",
            ctx.said(text.at),
            a(&expr.kind().name()),
            channel.name.value,
            ctx.said(unit.at),
        );
        let help = expr.kind().blank().map(|e| format!("give it a unit like that of \"{e}\""));
        ctx.refuse(Diag::at(text.at, message).other(unit.at, "the unit declared").help_opt(help));
        channel.kind = None;
    }
}

fn refuse(ctx: &mut Context<'_>, scope: &Scope<'_>, text: &At<String>, error: ExprError) {
    let at = ctx.within(text, error.span.clone());
    let name = text.value.get(error.span).unwrap_or("");
    let named = scope.channels.iter().find(|c| c.name.value == name);
    if let Some(state) = named.filter(|c| c.is_state) {
        let message = format!("{} is a state ({}) and no number", ctx.said(at), ctx.cite(state.name.at));
        ctx.refuse(Diag::at(at, message).other(state.name.at, ""));
        return;
    }
    // A name whose channel has no unit is unknown only because of that, which has its own message.
    if named.is_some_and(|c| c.kind.is_none()) {
        return;
    }
    let looks_like_name =
        !name.is_empty() && name.chars().all(|c| c.is_alphanumeric() || c == '_' || c == '.');
    let known: Vec<String> = scope
        .channels
        .iter()
        .map(|c| c.name.value.clone())
        .chain(scope.demands.iter().map(|d| format!("demand.{}", d.name.value)))
        .collect();
    let unknown = looks_like_name && operand(scope, name, &|c| c).is_none();
    let help = match error.help {
        None if unknown => Some(suggestion(name, known.iter().map(String::as_str))),
        help => help,
    };
    let message = format!("{} ({})", error.message, ctx.cite(at));
    ctx.refuse(Diag::at(at, message).help_opt(help));
}

/// Derived channels such that each comes after those it uses, otherwise in the order of the file;
/// every ring is noted once.
fn order(ctx: &mut Context<'_>, scope: &Scope<'_>, uses: &[Vec<usize>]) -> Vec<usize> {
    let is_derived = |i: usize| scope.channels[i].file.derived.is_some();
    let mut left: Vec<usize> = (0..scope.channels.len()).filter(|i| is_derived(*i)).collect();
    let mut order: Vec<usize> = Vec::new();
    while !left.is_empty() {
        let ready = left.iter().position(|i| uses[*i].iter().all(|u| !left.contains(u)));
        match ready {
            Some(at) => order.push(left.remove(at)),
            None => {
                let ring = ring(&left, uses);
                note_ring(ctx, scope, &ring);
                left.retain(|i| !ring.contains(i));
                order.extend(ring);
            }
        }
    }
    order
}

/// A ring among channels each of which uses another of them.
fn ring(left: &[usize], uses: &[Vec<usize>]) -> Vec<usize> {
    let mut path = vec![left[0]];
    loop {
        let last = path[path.len() - 1];
        let next = uses[last].iter().copied().find(|u| left.contains(u));
        let next = next.expect("a channel that uses none of those left would have been put in order");
        match path.iter().position(|i| *i == next) {
            Some(start) => return path.split_off(start),
            None => path.push(next),
        }
    }
}

fn note_ring(ctx: &mut Context<'_>, scope: &Scope<'_>, ring: &[usize]) {
    let name = |i: &usize| format!("`{}`", scope.channels[*i].name.value);
    let mut names: Vec<String> = ring.iter().map(name).collect();
    names.push(name(&ring[0]));
    let first = scope.channels[ring[0]].name;
    let message = format!("{} is derived from itself: {}", ctx.named("channel", first), names.join(" from "));
    let diag = Diag::at(first.at, message);
    let diag = match ring.get(1) {
        Some(second) => diag.other(scope.channels[*second].name.at, ""),
        None => diag,
    };
    ctx.refuse(diag);
}
