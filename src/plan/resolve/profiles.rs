//! Tests: their profiles, laid out corner by corner and held against rig and unit.

use super::bursts;
use super::by_hand;
use super::context::{Context, head, length};
use super::criteria;
use super::operator;
use super::quiet;
use super::scope::{Demand, Scope};
use super::torque::{self, Moves};
use super::trial;
use super::with;
use super::withstand;
use crate::diag::{Diag, Place};
use crate::files::read::At;
use crate::files::rig::{Role, Sets};
use crate::files::suite::{self, Segment};
use crate::plan::profile::Course;
use crate::plan::{ByHand, Test};
use crate::time::Duration;
use crate::units::Quantity;
use std::collections::BTreeMap;

/// The most segments that one test may have, counted after repeating.
const SEGMENTS_MAX: u64 = 1000;

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
    let operator = operator::steps(ctx, scope, file);
    by_hand::check_sort(ctx, scope, file, demand.file.sets.value);
    let with = with::standing(ctx, scope, file, index);
    quiet::check_test(ctx, file);
    trial::check(ctx, scope, file, demand);
    let moves = torque::moves(ctx, file, demand)?;
    let mut layer = Layer::new(demand, moves);
    for (position, segment) in file.profile.iter().enumerate() {
        if let Segment::Coast(coast) = &segment.value {
            check_last(ctx, file, position, coast);
        }
        layer.lay(ctx, scope, segment);
    }
    let segments = layer.segments(ctx);
    let by_hand = layer.hands;
    let asks = std::mem::take(&mut layer.asks);
    let profile = layer.course.finish();
    let bursts = bursts::takes(ctx, scope, file, &segments);
    torque::check(ctx, scope, file, demand, profile.top().abs());
    let criteria = criteria::criteria(ctx, scope, file, demand, &segments);
    Some(Test {
        name: file.name.value.clone(),
        about: file.about.clone(),
        demand: index,
        with: with?,
        asks,
        operator: operator?,
        profile,
        by_hand,
        bursts: bursts?,
        criteria: criteria?,
    })
}

/// The demand that a profile is for: the shaft speed, or a torque.
fn demand<'a>(ctx: &mut Context<'_>, scope: &Scope<'a>, file: &suite::Test) -> Option<(usize, Demand<'a>)> {
    let speed = scope.speed_demand();
    let Some(wanted) = &file.demand else { return speed };
    let names: Vec<&str> = scope.demands.iter().map(|d| d.name.value.as_str()).collect();
    let index = ctx.look_up("a demand of the rig", wanted, &names)?;
    let (speed, _) = speed?;
    let sets = &scope.demands[index].file.sets;
    let moved = [Sets::Torque, Sets::SpeedAtFullPedal, Sets::ForcedAngle, Sets::AlignmentCurrent];
    if index != speed && !moved.contains(&sets.value) {
        let message = format!(
            "{} sets {}, expected the demand of the shaft speed",
            ctx.said(wanted.at),
            ctx.said(sets.at)
        );
        ctx.refuse(
            Diag::at(wanted.at, message).other(sets.at, "").help("profiles move the shaft speed or a torque"),
        );
        return None;
    }
    Some((index, scope.demands[index]))
}

/// A coast ends the driving, and something must turn before it.
fn check_last(ctx: &mut Context<'_>, test: &suite::Test, position: usize, coast: &suite::Coast) {
    if position + 1 < test.profile.len() {
        let message = format!("after the coast of {} there is more in this test", ctx.said(coast.coast.at));
        let next = head(test.profile[position + 1].at);
        let help = "a coast ends the driving: put what follows into a test of its own";
        ctx.refuse(Diag::at(coast.coast.at, message).other(next, "this").help(help));
    } else if position == 0 {
        let message = format!("before the coast of {} nothing turns", ctx.said(coast.coast.at));
        ctx.refuse(Diag::at(coast.coast.at, message).help("ramp up first"));
    }
}

fn described(segment: &Segment) -> (&'static str, &Option<At<String>>) {
    match segment {
        Segment::Hold(s) => ("hold", &s.name),
        Segment::Ramp(s) => ("ramp", &s.name),
        Segment::Step(s) => ("step", &s.name),
        Segment::Stairs(s) => ("stairs", &s.name),
        Segment::Sine(s) => ("sine", &s.name),
        Segment::Chirp(s) => ("chirp", &s.name),
        Segment::Cycle(s) => ("cycle", &s.name),
        Segment::Coast(s) => ("coast", &s.name),
        Segment::ByHand(s) => ("by hand", &s.name),
        Segment::Watch(s) => ("watch", &s.name),
        Segment::Silence(s) => ("silence", &s.name),
        Segment::StopFrame(s) => ("stop frame", &s.name),
        Segment::Repeat(_) => ("repeat", &None),
    }
}

/// A profile being laid.
pub(super) struct Layer<'a> {
    pub course: Course,
    /// Whether the value where the course has got to is known.
    pub known: bool,
    pub demand: Demand<'a>,
    pub moves: Moves,
    /// What a person does in the hand-driven segments so far.
    pub hands: Vec<ByHand>,
    /// What a person is to do, by segment.
    pub asks: Vec<(usize, String)>,
    /// Where the demand stands after a segment that could not be laid, if that is known.
    after: Option<f64>,
    /// For each segment laid so far, where it was written and whether it is as written.
    laid: Vec<(Place, bool)>,
    /// The passes of the repeats that the next segment is in, outermost first.
    passes: Vec<u32>,
}

/// What criteria may be over.
pub(super) struct Laid {
    pub name: String,
    /// How long it takes, if that is known.
    pub length: Option<Duration>,
    pub coasts: bool,
    pub by_hand: bool,
    /// No demand is in force: the shaft coasts, or the drive is not enabled at all.
    pub undemanded: bool,
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

/// How many segments a list makes.
fn weight(segments: &[At<Segment>]) -> u64 {
    let one = |s: &At<Segment>| match &s.value {
        Segment::Repeat(repeat) => u64::from(repeat.repeat.value).saturating_mul(weight(&repeat.of)),
        _ => 1,
    };
    segments.iter().map(one).fold(0, u64::saturating_add)
}

impl<'a> Layer<'a> {
    fn new(demand: Demand<'a>, moves: Moves) -> Layer<'a> {
        Layer {
            course: Course::new(demand.file.rest.si),
            known: true,
            demand,
            moves,
            hands: Vec::new(),
            asks: Vec::new(),
            after: None,
            laid: Vec::new(),
            passes: Vec::new(),
        }
    }

    fn lay(&mut self, ctx: &mut Context<'_>, scope: &Scope<'_>, segment: &At<Segment>) {
        if let Segment::Repeat(repeat) = &segment.value {
            return self.repeat(ctx, scope, repeat);
        }
        let name = self.name(&segment.value);
        let laid = match &segment.value {
            Segment::Hold(hold) => {
                self.course.hold(name.clone(), length(&hold.hold));
                Some(())
            }
            Segment::Ramp(s) => self.to(ctx, scope, segment, &s.ramp, &name),
            Segment::Step(s) => self.to(ctx, scope, segment, &s.step, &name),
            Segment::Stairs(s) => self.to(ctx, scope, segment, &s.stairs, &name),
            Segment::Sine(_) | Segment::Chirp(_) => self.swing(ctx, scope, &segment.value, name.clone()),
            Segment::Cycle(cycle) => self.cycle(ctx, scope, cycle, name.clone()),
            Segment::Coast(coast) => self.coast(ctx, coast, name.clone()),
            Segment::ByHand(hand) => self.by_hand(ctx, scope, hand, name.clone()),
            Segment::Watch(watch) => self.watch(watch, name.clone()),
            Segment::Silence(silence) => self.silence(ctx, scope, silence, name.clone()),
            Segment::StopFrame(frame) => self.stop_frame(frame, name.clone()),
            Segment::Repeat(_) => None,
        };
        if laid.is_none() {
            self.course.hold(name, Duration::from_micros(1));
        }
        if let Some(value) = self.after.take() {
            self.course.resume_at(value);
            self.known = true;
        }
        self.laid.push((head(segment.at), laid.is_some()));
    }

    /// What is known of where the demand stands after this segment, whether or not it can be laid.
    pub(super) fn ends_at(&mut self, value: f64) {
        self.after = Some(value);
    }

    /// A segment that moves to a target.
    fn to(
        &mut self,
        ctx: &mut Context<'_>,
        scope: &Scope<'_>,
        segment: &At<Segment>,
        target: &At<Quantity>,
        name: &str,
    ) -> Option<()> {
        let why = format!("for `{}`", self.demand.name.value);
        let Some(to) = ctx.quantity(target, self.demand.kind, &why, self.demand.name.at) else {
            // Where the course goes from here is not known: what is relative to it is passed over.
            self.known = false;
            return None;
        };
        self.check_target(ctx, scope, target);
        self.after = Some(to);
        match &segment.value {
            Segment::Ramp(ramp) => self.ramp(ctx, ramp, name.into(), to),
            Segment::Step(step) => self.step(ctx, segment.at, step, name.into(), to),
            Segment::Stairs(stairs) => self.stairs(ctx, stairs, name.into(), to),
            _ => None,
        }
    }

    fn coast(&mut self, ctx: &mut Context<'_>, coast: &suite::Coast, name: String) -> Option<()> {
        let stop = &ctx.rig.safe_state.not_driven_within;
        if length(&coast.coast) <= length(stop) && !ctx.is_wrong(coast.coast.at) && !ctx.is_wrong(stop.at) {
            let message = format!(
                "a coast of {} may be over before the drive is known to be off, which may take {}",
                ctx.said(coast.coast.at),
                ctx.said(stop.at),
            );
            ctx.refuse(Diag::at(coast.coast.at, message).other(stop.at, "").help("give it more time"));
        }
        if let Some(below) = &coast.below {
            let rest = &ctx.rig.safe_state.at_rest_speed;
            let too_fast = self.known && self.demand.file.sets.value == Sets::ShaftSpeed;
            if below.si < rest.si {
                let message = format!(
                    "{} is below the speed that counts as rest, {}",
                    ctx.said(below.at),
                    ctx.said(rest.at)
                );
                ctx.refuse(Diag::at(below.at, message).other(rest.at, ""));
            } else if too_fast && below.si >= self.course.value().abs() {
                let stands = Quantity { si: self.course.value(), unit: self.demand.file.unit.value.clone() };
                let message =
                    format!("{} is not below `{stands}`, where the coast begins", ctx.said(below.at));
                ctx.refuse(Diag::at(below.at, message));
            }
        }
        self.course.coast(name, length(&coast.coast), coast.below.as_ref().map(|b| b.si));
        Some(())
    }

    /// Lays the segments again and again. What is wrong at one place is said once, whichever pass finds it.
    fn repeat(&mut self, ctx: &mut Context<'_>, scope: &Scope<'_>, repeat: &suite::Repeat) {
        let times = repeat.repeat.value;
        let count = u64::from(times).saturating_mul(weight(&repeat.of));
        if count == 0 || self.course.len() as u64 + count > SEGMENTS_MAX {
            let message = match (times, count) {
                (0, _) => {
                    format!("{} passes repeat nothing, expected at least 1", ctx.said(repeat.repeat.at))
                }
                (_, 0) => format!("{} passes of no segment", ctx.said(repeat.repeat.at)),
                _ => format!(
                    "{} passes make {count} segments, expected at most {SEGMENTS_MAX} in a test",
                    ctx.said(repeat.repeat.at)
                ),
            };
            ctx.refuse(Diag::at(repeat.repeat.at, message));
            return;
        }
        if let Some(coast) = repeat.of.iter().find_map(|s| match &s.value {
            Segment::Coast(coast) => Some(coast),
            _ => None,
        }) {
            let message = format!("the coast of {} stands in a repeat", ctx.said(coast.coast.at));
            let help = "a coast ends the driving: it is the last segment of its test";
            ctx.refuse(Diag::at(coast.coast.at, message).other(repeat.repeat.at, "this").help(help));
        }
        for pass in 1..=times {
            let before = ctx.diags.len();
            self.passes.push(pass);
            for segment in &repeat.of {
                self.lay(ctx, scope, segment);
            }
            self.passes.pop();
            let mut new = ctx.diags.split_off(before);
            let place = |d: &Diag| d.place.as_ref().map(|(place, _)| *place);
            new.retain(|d| pass == 1 || !ctx.diags.iter().any(|old| place(old) == place(d)));
            ctx.diags.append(&mut new);
        }
    }

    /// Name of a segment: its own, followed by its pass in repeats, or its kind and position.
    fn name(&self, segment: &Segment) -> String {
        let (kind, name) = described(segment);
        let Some(name) = name else { return format!("{kind} {}", self.course.len() + 1) };
        let passes: Vec<String> = self.passes.iter().map(u32::to_string).collect();
        format!("{} {}", name.value, passes.join(".")).trim_end().to_string()
    }

    /// What has been laid. Names that come out the same are refused: `over` could mean either.
    fn segments(&self, ctx: &mut Context<'_>) -> Vec<Laid> {
        let segments = self.course.segments();
        let mut first: BTreeMap<&str, Place> = BTreeMap::new();
        for (segment, (place, _)) in segments.iter().zip(&self.laid) {
            let at = *first.entry(segment.name.as_str()).or_insert(*place);
            if at != *place {
                let message = format!(
                    "this segment ({}) has the name `{}`, as another ({}) has already",
                    ctx.cite(*place),
                    segment.name,
                    ctx.cite(at),
                );
                ctx.refuse(Diag::at(*place, message).other(at, "the first").help("give it another `name`"));
            }
        }
        let laid = |(s, (_, sound)): (&crate::plan::Segment, &(Place, bool))| Laid {
            name: s.name.clone(),
            length: sound.then(|| s.length()),
            coasts: s.coasts(),
            by_hand: s.by_hand(),
            undemanded: s.undemanded(),
        };
        segments.iter().zip(&self.laid).map(laid).collect()
    }

    /// A target lies within what rig, unit and demand allow, and where no trip on the speed fires; the
    /// first of them that it violates is named.
    pub(super) fn check_target(&self, ctx: &mut Context<'_>, scope: &Scope<'_>, target: &At<Quantity>) {
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
        let mut bounds = Vec::new();
        if matches!(self.demand.file.sets.value, Sets::ShaftSpeed | Sets::SpeedAtFullPedal) {
            bounds.push(around_zero(rig.si, rig.at, "is above the rig's limit"));
            bounds.push(around_zero(unit.si, unit.at, "is above the unit's highest speed"));
        }
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
        if self.demand.file.sets.value == Sets::AlignmentCurrent
            && let Some((most, at)) = withstand::current_most(ctx)
        {
            bounds.push(around_zero(most, at, withstand::ABOVE_ALL));
        }
        bounds.extend(self.trips(ctx, scope));
        bounds
    }

    fn trips(&self, ctx: &Context<'_>, scope: &Scope<'_>) -> Vec<Bound> {
        let (role, words) = match self.demand.file.sets.value {
            Sets::Torque => (Role::Torque, "lies beyond a trip on the torque,"),
            Sets::ShaftSpeed | Sets::SpeedAtFullPedal | Sets::Pump => {
                (Role::ShaftSpeed, "lies beyond a trip on the speed,")
            }
            Sets::ForcedAngle | Sets::AlignmentCurrent | Sets::CurrentLimit => return Vec::new(),
        };
        let Some(watched) = scope.with_role(role) else { return Vec::new() };
        let watched = scope.channels[watched].name;
        let level = |q: &Option<At<Quantity>>| {
            q.as_ref().filter(|q| q.unit.kind == self.demand.kind).map(|q| (q.si, q.at))
        };
        let trips = ctx.rig.trip.iter().chain(ctx.suite.trip.iter());
        let of_speed = trips.filter(|(_, t)| t.channel.value == watched.value);
        let bound = |ends, at| Bound { ends, open: true, at: (at, at), words: (words, words) };
        of_speed
            .flat_map(|(_, t)| {
                let above = level(&t.above).map(|(si, at)| bound((f64::NEG_INFINITY, si), at));
                let below = level(&t.below).map(|(si, at)| bound((si, f64::INFINITY), at));
                above.into_iter().chain(below)
            })
            .collect()
    }
}
