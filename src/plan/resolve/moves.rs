//! Ramps, steps and stairs: held against what rig and unit allow before they are laid.

use super::context::{Context, a, head, length};
use super::profiles::{Layer, ROUNDING};
use crate::diag::{Diag, Place};
use crate::files::read::At;
use crate::files::rig::Sets;
use crate::files::suite;
use crate::plan::profile::{stair_count, time_of_ramp};
use crate::time::Duration;
use crate::units::Quantity;

/// The most stairs that one segment may have; more is a slip of the pen and would fill the memory.
const STAIRS_MAX: usize = 1000;

impl Layer<'_> {
    /// Height from where the course is; refuses none at all.
    fn height(&self, ctx: &mut Context<'_>, at: Place, target: &At<Quantity>, to: f64) -> Option<f64> {
        if !self.known {
            return None;
        }
        let height = to - self.course.value();
        if height.abs() <= ROUNDING * to.abs() {
            let message = format!("{} is where the demand stands already", ctx.said(target.at));
            ctx.refuse(Diag::at(at, message).help("use `hold` to stay, or another target"));
            return None;
        }
        Some(height)
    }

    pub(super) fn ramp(
        &mut self,
        ctx: &mut Context<'_>,
        ramp: &suite::Ramp,
        name: String,
        to: f64,
    ) -> Option<()> {
        let height = self.height(ctx, ramp.ramp.at, &ramp.ramp, to);
        let lasting = match (&ramp.rate, &ramp.lasting) {
            (Some(rate), None) => {
                let rate = self.rate(ctx, rate)?;
                time_of_ramp(height?, rate)
            }
            (None, Some(lasting)) => {
                let rate = height?.abs() / lasting.si;
                let (limit, limit_at) = self.moves.rate;
                if rate > limit * (1.0 + ROUNDING) && !ctx.is_wrong(lasting.at) {
                    let unit = &ramp.ramp.unit;
                    let message = format!(
                        "the ramp to {} within {} rises by {} {unit}/s, above the rig's limit {}",
                        ctx.said(ramp.ramp.at),
                        ctx.said(lasting.at),
                        crate::units::number_text((unit.difference_from_si(rate) * 10.0).round() / 10.0),
                        ctx.said(limit_at),
                    );
                    ctx.refuse(
                        Diag::at(lasting.at, message).other(limit_at, "the limit").help("give it more time"),
                    );
                }
                length(lasting)
            }
            // The reader of the files gives exactly one of the two.
            _ => return None,
        };
        self.course.ramp(name, to, lasting);
        Some(())
    }

    /// A rate above zero and within the rig's limit, SI.
    fn rate(&self, ctx: &mut Context<'_>, rate: &At<Quantity>) -> Option<f64> {
        let why = format!("for a rate of `{}`", self.demand.name.value);
        let value = ctx.quantity(rate, self.demand.kind.per_second(), &why, self.demand.name.at)?;
        let (limit, limit_at) = self.moves.rate;
        if value <= 0.0 {
            let message = format!("the rate {} is not above zero", ctx.said(rate.at));
            ctx.refuse(Diag::at(rate.at, message).help("a rate has no sign: the target says up or down"));
            return None;
        }
        if value > limit * (1.0 + ROUNDING) {
            let message = format!("{} is above the rig's limit {}", ctx.said(rate.at), ctx.said(limit_at));
            ctx.refuse(Diag::at(rate.at, message).other(limit_at, "the limit"));
        }
        Some(value)
    }

    pub(super) fn step(
        &mut self,
        ctx: &mut Context<'_>,
        at: Place,
        step: &suite::Step,
        name: String,
        to: f64,
    ) -> Option<()> {
        let height = self.height(ctx, step.step.at, &step.step, to);
        match (self.moves.step, height) {
            (None, _) if self.demand.file.sets.value != Sets::ShaftSpeed => {
                let sets = self.demand.file.sets.value.word();
                let message = format!(
                    "the step to {} is not allowed: {} moves by ramps",
                    ctx.said(step.step.at),
                    a(sets)
                );
                ctx.refuse(Diag::at(head(at), message).help("use a ramp"));
            }
            (None, _) => {
                let limits = head(ctx.rig.limits.at);
                let message = format!(
                    "the step to {} is not allowed: the rig's limits ({}) have no `speed_step`",
                    ctx.said(step.step.at),
                    ctx.cite(limits),
                );
                ctx.refuse(Diag::at(head(at), message).other(limits, "").help("use a ramp"));
            }
            (Some((limit, limit_at)), Some(height)) if height.abs() > limit * (1.0 + ROUNDING) => {
                let from = Quantity { si: self.course.value(), unit: step.step.unit.clone() };
                let message = format!(
                    "the step from `{from}` to {} is higher than the rig's limit {}",
                    ctx.said(step.step.at),
                    ctx.said(limit_at),
                );
                ctx.refuse(
                    Diag::at(step.step.at, message)
                        .other(limit_at, "the limit")
                        .help("use a ramp, or several steps"),
                );
            }
            _ => {}
        }
        height?;
        self.course.step(name, to, step.hold.as_ref().map_or(Duration::ZERO, length));
        Some(())
    }

    pub(super) fn stairs(
        &mut self,
        ctx: &mut Context<'_>,
        stairs: &suite::Stairs,
        name: String,
        to: f64,
    ) -> Option<()> {
        let height = self.height(ctx, stairs.stairs.at, &stairs.stairs, to);
        let rate = self.rate(ctx, &stairs.rate);
        let why = format!("for the height of a stair of `{}`", self.demand.name.value);
        let by = ctx.quantity(&stairs.by, self.demand.kind.difference(), &why, self.demand.name.at)?;
        if by <= 0.0 {
            let message = format!("{} is no height of {}", ctx.said(stairs.by.at), a("stair"));
            ctx.refuse(
                Diag::at(stairs.by.at, message).help("a height has no sign: the target says up or down"),
            );
            return None;
        }
        let height = height?;
        let rise = Quantity { si: height.abs(), unit: stairs.by.unit.clone() };
        if by > height.abs() * (1.0 + ROUNDING) {
            let message = format!(
                "a stair of {} is higher than the whole rise of `{rise}` to {}",
                ctx.said(stairs.by.at),
                ctx.said(stairs.stairs.at)
            );
            ctx.refuse(Diag::at(stairs.by.at, message).other(stairs.stairs.at, "").help("use a ramp"));
            return None;
        }
        let count = stair_count(height, by);
        if count > STAIRS_MAX {
            let message = format!(
                "stairs of {} over `{rise}` are {count}, expected at most {STAIRS_MAX}",
                ctx.said(stairs.by.at)
            );
            ctx.refuse(Diag::at(stairs.by.at, message).help("make them higher"));
            return None;
        }
        self.course.stairs(name, to, by, rate?, length(&stairs.each));
        Some(())
    }
}
