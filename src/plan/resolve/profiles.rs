//! Tests: their profiles, laid out corner by corner and held against rig and unit.

use super::context::{Context, a, head, length};
use super::criteria;
use super::scope::{Demand, Scope};
use crate::diag::{Diag, Place};
use crate::files::read::At;
use crate::files::rig::Role;
use crate::files::suite::{self, Segment};
use crate::plan::Test;
use crate::plan::profile::{Course, stair_count, time_of_ramp};
use crate::time::Duration;
use crate::units::Quantity;

/// The most stairs that one segment may have; more is a slip of the pen and would fill the memory.
const STAIRS_MAX: usize = 1000;

/// Room for what is lost in the conversion of a written quantity to SI.
pub(super) const ROUNDING: f64 = 1e-9;

/// Resolves the tests, in order.
pub(super) fn tests(ctx: &mut Context<'_>, scope: &Scope<'_>) -> Vec<Option<Test>> {
    let suite = ctx.suite;
    suite.test.iter().map(|test| self::test(ctx, scope, test)).collect()
}

fn test(ctx: &mut Context<'_>, scope: &Scope<'_>, file: &suite::Test) -> Option<Test> {
    let (index, demand) = demand(ctx, scope, file)?;
    if file.profile.is_empty() {
        let message = format!("{} has no profile", ctx.named("test", &file.name));
        ctx.refuse(
            Diag::at(file.name.at, message).help("add `profile = [{ ramp = \"...\", rate = \"...\" }]`"),
        );
    }
    let mut layer = Layer { course: Course::new(demand.file.rest.si), known: true, demand };
    for segment in &file.profile {
        layer.lay(ctx, scope, segment);
    }
    let profile = layer.course.finish();
    let complete = profile.segments.len() == file.profile.len();
    let names: Vec<String> = file.profile.iter().enumerate().map(|(i, s)| name(&s.value, i)).collect();
    let lengths: Vec<Option<Duration>> =
        (0..names.len()).map(|i| if complete { Some(profile.segments[i].length()) } else { None }).collect();
    let criteria = criteria::criteria(ctx, scope, file, demand, &names, &lengths);
    Some(Test {
        name: file.name.value.clone(),
        about: file.about.clone(),
        demand: index,
        profile,
        criteria: criteria?,
    })
}

/// The demand that a profile is for: in this version the shaft speed.
fn demand<'a>(ctx: &mut Context<'_>, scope: &Scope<'a>, file: &suite::Test) -> Option<(usize, Demand<'a>)> {
    let speed = scope.speed_demand();
    let Some(wanted) = &file.demand else { return speed };
    let names: Vec<&str> = scope.demands.iter().map(|d| d.name.value.as_str()).collect();
    let index = ctx.look_up("a demand of the rig", wanted, &names)?;
    let (speed, _) = speed?;
    if index != speed {
        let sets = &scope.demands[index].file.sets;
        let message = format!(
            "{} sets {}, expected the demand of the shaft speed",
            ctx.said(wanted.at),
            ctx.said(sets.at)
        );
        ctx.refuse(
            Diag::at(wanted.at, message)
                .other(sets.at, "")
                .help("profiles of this version move the shaft speed alone"),
        );
        return None;
    }
    Some((index, scope.demands[index]))
}

/// Name of a segment: its own, or its kind and position.
fn name(segment: &Segment, position: usize) -> String {
    let (kind, name) = described(segment);
    name.as_ref().map_or_else(|| format!("{kind} {}", position + 1), |n| n.value.clone())
}

fn described(segment: &Segment) -> (&'static str, &Option<At<String>>) {
    match segment {
        Segment::Hold(s) => ("hold", &s.name),
        Segment::Ramp(s) => ("ramp", &s.name),
        Segment::Step(s) => ("step", &s.name),
        Segment::Stairs(s) => ("stairs", &s.name),
        Segment::Sine(s) => ("sine", &s.name),
        Segment::Chirp(s) => ("chirp", &s.name),
    }
}

/// A profile being laid.
pub(super) struct Layer<'a> {
    pub course: Course,
    /// Whether the value where the course has got to is known.
    pub known: bool,
    pub demand: Demand<'a>,
}

/// What no demand may go beyond.
#[derive(Debug, Clone, Copy)]
pub(super) struct Bound {
    /// Lowest and highest value, SI; infinite where it bounds only one side.
    pub ends: (f64, f64),
    /// Whether the ends themselves are beyond it.
    pub open: bool,
    /// Where the lower and where the upper end was written.
    pub at: (Place, Place),
    /// Words for a value below and for one above, before the end itself.
    pub words: (&'static str, &'static str),
}

impl Bound {
    /// Where the end stands that a value is beyond, with the words for it.
    fn broken_by(&self, si: f64) -> Option<(Place, &'static str)> {
        let slack = |end: f64| if self.open { 0.0 } else { ROUNDING * end.abs() };
        let (low, high) = self.ends;
        if si > high + slack(high) || self.open && si == high {
            Some((self.at.1, self.words.1))
        } else if si < low - slack(low) || self.open && si == low {
            Some((self.at.0, self.words.0))
        } else {
            None
        }
    }
}

impl Layer<'_> {
    fn lay(&mut self, ctx: &mut Context<'_>, scope: &Scope<'_>, segment: &At<Segment>) {
        let name = name(&segment.value, self.course.len());
        if let Segment::Sine(_) | Segment::Chirp(_) = &segment.value {
            if self.swing(ctx, scope, &segment.value, name.clone()).is_none() {
                self.course.hold(name, Duration::from_micros(1));
            }
            return;
        }
        let target = match &segment.value {
            Segment::Hold(hold) => {
                self.course.hold(name, length(&hold.hold));
                return;
            }
            Segment::Ramp(ramp) => &ramp.ramp,
            Segment::Step(step) => &step.step,
            Segment::Stairs(stairs) => &stairs.stairs,
            Segment::Sine(_) | Segment::Chirp(_) => return,
        };
        let why = format!("for `{}`", self.demand.name.value);
        let to = ctx.quantity(target, self.demand.kind, &why, self.demand.name.at);
        let Some(to) = to else {
            // Where the course goes from here is not known: what is relative to it is passed over.
            self.course.hold(name, Duration::from_micros(1));
            self.known = false;
            return;
        };
        self.check_target(ctx, scope, target);
        let laid = match &segment.value {
            Segment::Hold(_) | Segment::Sine(_) | Segment::Chirp(_) => None,
            Segment::Ramp(ramp) => self.ramp(ctx, ramp, name, to),
            Segment::Step(step) => self.step(ctx, segment.at, step, name, to),
            Segment::Stairs(stairs) => self.stairs(ctx, stairs, name, to),
        };
        if laid.is_none() {
            self.course.hold(String::new(), Duration::from_micros(1));
        }
        self.course.resume_at(to);
        self.known = true;
    }

    /// A target lies within what rig, unit and demand allow, and where no trip on the speed fires; the
    /// first of them that it violates is named.
    fn check_target(&self, ctx: &mut Context<'_>, scope: &Scope<'_>, target: &At<Quantity>) {
        if let Some((limit, words)) = self.beyond(ctx, scope, target.si) {
            let message = format!("{} {words} {}", ctx.said(target.at), ctx.said(limit));
            ctx.refuse(Diag::at(target.at, message).other(limit, "the limit"));
        }
    }

    /// Where the limit stands that a value is beyond, with the words before it.
    pub(super) fn beyond(
        &self,
        ctx: &Context<'_>,
        scope: &Scope<'_>,
        si: f64,
    ) -> Option<(Place, &'static str)> {
        let found = self.bounds(ctx, scope).iter().find_map(|bound| bound.broken_by(si));
        found.filter(|(at, _)| !ctx.is_wrong(*at))
    }

    /// Everything that bounds the demand: rig, unit, the demand's own range, trips on the speed.
    pub(super) fn bounds(&self, ctx: &Context<'_>, scope: &Scope<'_>) -> Vec<Bound> {
        let around_zero = |si: f64, at: Place, words| Bound {
            ends: (-si.abs(), si.abs()),
            open: false,
            at: (at, at),
            words: (words, words),
        };
        let (rig, unit) = (&ctx.rig.limits.speed, &ctx.unit.machine.speed_max);
        let mut bounds = vec![
            around_zero(rig.si, rig.at, "is above the rig's limit"),
            around_zero(unit.si, unit.at, "is above the unit's highest speed"),
        ];
        if let [low, high] = self.demand.file.range.as_slice() {
            bounds.push(Bound {
                ends: (low.si, high.si),
                open: false,
                at: (low.at, high.at),
                words: (
                    "is below the range of the demand, which begins at",
                    "is above the range of the demand, which ends at",
                ),
            });
        }
        bounds.extend(self.trips(ctx, scope));
        bounds
    }

    fn trips(&self, ctx: &Context<'_>, scope: &Scope<'_>) -> Vec<Bound> {
        let Some(speed) = scope.with_role(Role::ShaftSpeed) else { return Vec::new() };
        let speed = scope.channels[speed].name;
        let level = |q: &Option<At<Quantity>>| {
            q.as_ref().filter(|q| q.unit.kind == self.demand.kind).map(|q| (q.si, q.at))
        };
        let trips = ctx.rig.trip.iter().chain(ctx.suite.trip.iter());
        let of_speed = trips.filter(|(_, t)| t.channel.value == speed.value);
        let words = "lies beyond a trip on the speed,";
        let bound = |ends, at| Bound { ends, open: true, at: (at, at), words: (words, words) };
        of_speed
            .flat_map(|(_, t)| {
                let above = level(&t.above).map(|(si, at)| bound((f64::NEG_INFINITY, si), at));
                let below = level(&t.below).map(|(si, at)| bound((si, f64::INFINITY), at));
                above.into_iter().chain(below)
            })
            .collect()
    }

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

    fn ramp(&mut self, ctx: &mut Context<'_>, ramp: &suite::Ramp, name: String, to: f64) -> Option<()> {
        let height = self.height(ctx, ramp.ramp.at, &ramp.ramp, to);
        let lasting = match (&ramp.rate, &ramp.lasting) {
            (Some(rate), None) => {
                let rate = self.rate(ctx, rate)?;
                time_of_ramp(height?, rate)
            }
            (None, Some(lasting)) => {
                let rate = height?.abs() / lasting.si;
                let limit = &ctx.rig.limits.speed_rate;
                if rate > limit.si * (1.0 + ROUNDING) && !ctx.is_wrong(lasting.at) {
                    let unit = crate::units::parse_unit("rpm/s").map_or(1.0, |u| u.scale);
                    let message = format!(
                        "the ramp to {} within {} rises by {} rpm/s, above the rig's limit {}",
                        ctx.said(ramp.ramp.at),
                        ctx.said(lasting.at),
                        crate::units::number_text((rate / unit * 10.0).round() / 10.0),
                        ctx.said(limit.at),
                    );
                    ctx.refuse(
                        Diag::at(lasting.at, message).other(limit.at, "the limit").help("give it more time"),
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
        let limit = &ctx.rig.limits.speed_rate;
        if value <= 0.0 {
            let message = format!("the rate {} is not above zero", ctx.said(rate.at));
            ctx.refuse(Diag::at(rate.at, message).help("a rate has no sign: the target says up or down"));
            return None;
        }
        if value > limit.si * (1.0 + ROUNDING) {
            let message = format!("{} is above the rig's limit {}", ctx.said(rate.at), ctx.said(limit.at));
            ctx.refuse(Diag::at(rate.at, message).other(limit.at, "the limit"));
        }
        Some(value)
    }

    fn step(
        &mut self,
        ctx: &mut Context<'_>,
        at: Place,
        step: &suite::Step,
        name: String,
        to: f64,
    ) -> Option<()> {
        let height = self.height(ctx, step.step.at, &step.step, to);
        match (&ctx.rig.limits.speed_step, height) {
            (None, _) => {
                let limits = head(ctx.rig.limits.at);
                let message = format!(
                    "the step to {} is not allowed: the rig's limits ({}) have no `speed_step`",
                    ctx.said(step.step.at),
                    ctx.cite(limits),
                );
                ctx.refuse(Diag::at(head(at), message).other(limits, "").help("use a ramp"));
            }
            (Some(limit), Some(height)) if height.abs() > limit.si * (1.0 + ROUNDING) => {
                let from = Quantity { si: self.course.value(), unit: step.step.unit.clone() };
                let message = format!(
                    "the step from `{from}` to {} is higher than the rig's limit {}",
                    ctx.said(step.step.at),
                    ctx.said(limit.at),
                );
                ctx.refuse(
                    Diag::at(step.step.at, message)
                        .other(limit.at, "the limit")
                        .help("use a ramp, or several steps"),
                );
            }
            _ => {}
        }
        height?;
        self.course.step(name, to, step.hold.as_ref().map_or(Duration::ZERO, length));
        Some(())
    }

    fn stairs(&mut self, ctx: &mut Context<'_>, stairs: &suite::Stairs, name: String, to: f64) -> Option<()> {
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
