//! Cycles: the table of a CSV file, held point by point against what rig and unit allow.

use super::context::Context;
use super::profiles::{Layer, ROUNDING};
use super::scope::Scope;
use crate::diag::{Diag, Place};
use crate::files::cycle::{CycleTable, Point, read_cycle};
use crate::files::suite;
use crate::time::Duration;
use crate::units::{Quantity, number_text};

/// How many points beyond a limit are told one by one.
const TOLD_MAX: usize = 20;

impl Layer<'_> {
    /// Lays the table of a cycle; `None` if it is not right.
    pub(super) fn cycle(
        &mut self,
        ctx: &mut Context<'_>,
        scope: &Scope<'_>,
        cycle: &suite::Cycle,
        name: String,
    ) -> Option<()> {
        let table = self.table(ctx, cycle);
        let table = table.filter(|table| self.is_of_demand(ctx, table));
        let Some(table) = table else {
            self.known = false;
            return None;
        };
        let (first, last) = (table.points.first()?, table.points.last()?);
        self.ends_at(last.value);
        if first.t != 0.0 {
            let message = format!("the table begins at {}, expected the time 0", ctx.said(first.t_at));
            ctx.refuse(Diag::at(first.t_at, message));
            return None;
        }
        self.check_begin(ctx, &table, first);
        self.check_points(ctx, scope, cycle, &table);
        let pieces: Vec<(Duration, f64)> = table
            .points
            .windows(2)
            .map(|pair| {
                (Duration::from_secs_f64(pair[1].t) - Duration::from_secs_f64(pair[0].t), pair[1].value)
            })
            .collect();
        if pieces.iter().any(|(length, _)| *length <= Duration::ZERO) {
            let message =
                format!("two times of {} are less than a microsecond apart", ctx.said(cycle.cycle.at));
            ctx.refuse(Diag::at(cycle.cycle.at, message));
            return None;
        }
        self.course.table(name, &pieces);
        Some(())
    }

    fn table(&self, ctx: &mut Context<'_>, cycle: &suite::Cycle) -> Option<CycleTable> {
        let file = match ctx.sources.beside(ctx.suite.at.file, &cycle.cycle) {
            Ok(file) => file,
            Err(why) => {
                let message = format!("the table {} cannot be read: {why}", ctx.said(cycle.cycle.at));
                ctx.refuse(Diag::at(cycle.cycle.at, message).help("the path counts from the suite file"));
                return None;
            }
        };
        let (table, diags) = read_cycle(file, &ctx.sources.get(file).text);
        // Several segments may use one file.
        diags.into_iter().for_each(|d| {
            if !ctx.diags.contains(&d) {
                ctx.refuse(d);
            }
        });
        table
    }

    fn is_of_demand(&self, ctx: &mut Context<'_>, table: &CycleTable) -> bool {
        let fits = table.unit.kind == self.demand.kind;
        if !fits {
            let (found, expected) = (table.unit.kind.name(), self.demand.kind.name());
            let message = format!(
                "the column {} is a {found}, expected a {expected} for {}",
                ctx.said(table.header),
                ctx.named("demand", self.demand.name),
            );
            ctx.refuse(Diag::at(table.header, message).other(self.demand.name.at, ""));
        }
        fits
    }

    fn check_begin(&self, ctx: &mut Context<'_>, table: &CycleTable, first: &Point) {
        let stands = self.course.value();
        if !self.known || (first.value - stands).abs() <= ROUNDING * stands.abs().max(1.0) {
            return;
        }
        let shown = |si| Quantity { si, unit: table.unit.clone() };
        let message = format!(
            "the table begins at `{}` ({}), and the demand stands at `{}` there",
            shown(first.value),
            ctx.cite(first.value_at),
            shown(stands),
        );
        ctx.refuse(Diag::at(first.value_at, message).help("ramp to where the table begins"));
    }

    /// Every point within the bounds, every line between two of them no steeper than allowed.
    fn check_points(
        &self,
        ctx: &mut Context<'_>,
        scope: &Scope<'_>,
        cycle: &suite::Cycle,
        table: &CycleTable,
    ) {
        let mut found: Vec<(Place, String, Place, String)> = Vec::new();
        let shown = |si| Quantity { si, unit: table.unit.clone() };
        let (limit, limit_at) = self.moves.rate;
        let mut before: Option<&Point> = None;
        for point in &table.points {
            let at = point.value_at;
            if let Some((limit, words)) = self.beyond(ctx, scope, point.value) {
                let value = shown(point.value);
                let message = format!("`{value}` ({}) {words} {}", ctx.cite(at), ctx.said(limit));
                found.push((at, message, limit, "it must lie within the limit".into()));
            }
            if let Some(before) = before {
                let (height, lasts) = ((point.value - before.value).abs(), point.t - before.t);
                if height > limit * lasts * (1.0 + 1e-6) && !ctx.is_wrong(limit_at) {
                    let unit = &table.unit;
                    let rate = unit.difference_from_si(height / lasts);
                    let message = format!(
                        "from `{}` to `{}` ({}) within {} s are {} {unit}/s, above the rig's limit {}",
                        shown(before.value),
                        shown(point.value),
                        ctx.cite(at),
                        number_text((lasts * 1e6).round() / 1e6),
                        number_text((rate * 10.0).round() / 10.0),
                        ctx.said(limit_at),
                    );
                    let least = (height / limit * 1e3 - 1e-6).ceil() / 1e3;
                    let help = format!("give it at least {} s", number_text(least));
                    found.push((at, message, limit_at, help));
                }
            }
            before = Some(point);
        }
        let more = found.len().saturating_sub(TOLD_MAX);
        for (at, message, other, help) in found.into_iter().take(TOLD_MAX) {
            if !ctx.is_wrong(at) {
                ctx.refuse(Diag::at(at, message).other(other, "the limit").help(help));
            }
        }
        if more > 0 {
            let message = format!("{more} more points of {} are beyond a limit", ctx.said(cycle.cycle.at));
            ctx.refuse(Diag::at(cycle.cycle.at, message));
        }
    }
}
