//! Operator steps: a person is asked to set something, and what they set is watched until it is there; then,
//! if a meter is to be read, what they type is held against the reading. Nothing is driven meanwhile.

use super::core::{Core, Notice};
use super::guard::{Firing, show};
use super::precheck::PreChecking;
use super::watching::on_by_itself;
use super::winding::WindingDown;
use super::{Output, State, Timer};
use crate::outcome::Cause;
use crate::plan::{Channel, Crossing, OperatorStep};
use crate::record::{Grade, What};
use crate::time::Instant;
use crate::units::{Unit, parse_quantity, rounded_text};

/// How often a meter value that cannot be read is asked for again.
const TRIES: u32 = 3;

/// Coverage factor of the comparison of meter and channel: about 95 % (JCGM 100, k = 2).
const COVERAGE: f64 = 2.0;

/// Working through the operator steps before a test.
#[derive(Debug)]
pub(super) struct Operating {
    test: usize,
    step: usize,
    /// Since when the channel has been in its window, without a break.
    inside: Option<Instant>,
    /// A meter value has been asked for so many times.
    asked: u32,
}

impl Operating {
    /// Begins a test: with its first operator step, or, without one, with its pre-checks.
    pub(super) fn begin(core: &mut Core, now: Instant, test: usize) -> State {
        core.begin_test(now, test);
        Operating { test, step: 0, inside: None, asked: 0 }.next(core, now)
    }

    /// Puts the step to the person, or goes on to the pre-checks after the last.
    fn next(self, core: &mut Core, now: Instant) -> State {
        let plan = core.plan.clone();
        let Some(step) = plan.tests[self.test].operator.get(self.step) else {
            core.timers.clear(Timer::Watch);
            return PreChecking::begin(core, now, self.test);
        };
        let ask = format!("{} ({})", step.ask, wanted(&plan.channels[step.channel], step));
        core.event(now, What::OperatorStep { test: self.test, id: step.id.clone(), ask });
        core.timers.set(Timer::Watch, now + step.within);
        State::Operating(self)
    }

    pub(super) fn on(mut self, core: &mut Core, now: Instant, notice: Notice) -> State {
        match notice {
            Notice::Row { group, .. } => match on_by_itself(core, now) {
                Some(firing) => WindingDown::tripped(core, now, self.test, firing),
                None => self.row(core, now, group),
            },
            // Time that nobody saw does not count as time in the window.
            Notice::RowLost => {
                self.inside = None;
                State::Operating(self)
            }
            Notice::Typed { id, text, by, person } => self.typed(core, now, &id, &text, &by, person),
            Notice::Due(Timer::Watch) => self.overdue(core, now),
            Notice::Fired(firing) if core.waits_for_answers(&firing) => State::Operating(self),
            Notice::Fired(firing) if self.matters(core, &firing) => {
                let why = format!("{} would trip: {}", firing.trip, firing.found);
                self.end(core, now, Cause::Refused, why)
            }
            Notice::Ends(cause, why) => self.end(core, now, cause, why),
            Notice::Started
            | Notice::Fired(_)
            | Notice::Reply { .. }
            | Notice::Failed { .. }
            | Notice::Due(_)
            | Notice::Listening { .. }
            | Notice::Key(_)
            | Notice::Answer { .. } => State::Operating(self),
        }
    }

    fn row(mut self, core: &mut Core, now: Instant, group: usize) -> State {
        let plan = core.plan.clone();
        let step = &plan.tests[self.test].operator[self.step];
        if self.asked > 0 || !plan.groups[group].fields.contains(&Some(step.channel)) {
            return State::Operating(self);
        }
        let value = core.values.latest(step.channel).map(|(_, _, v)| v);
        // What is no number lies in no window.
        let inside = value.is_some_and(|v| v >= step.low && v <= step.high);
        self.inside = if inside { self.inside.or(Some(now)) } else { None };
        match (self.inside, value) {
            (Some(since), Some(value)) if now - since >= plan.ready.observe => match step.meter {
                Some(_) => self.ask(core, now, step),
                None => {
                    let channel = &plan.channels[step.channel];
                    let found = format!("{} ({})", reading(channel, value), wanted(channel, step));
                    self.done(core, now, step, true, channel.grade, found)
                }
            },
            _ => State::Operating(self),
        }
    }

    fn ask(mut self, core: &mut Core, now: Instant, step: &OperatorStep) -> State {
        self.asked += 1;
        let channel = &core.plan.channels[step.channel];
        let ask = format!("Read `{}` with a meter of your own and type what it shows", channel.name);
        let unit = channel.unit.text.clone();
        core.event(now, What::Asked { id: step.id.clone() });
        core.out.push_back(Output::AskValue { id: step.id.clone(), ask, unit });
        core.timers.set(Timer::Watch, now + step.within);
        State::Operating(self)
    }

    /// A meter value was typed: do the two agree within what both may be off?
    fn typed(self, core: &mut Core, now: Instant, id: &str, text: &str, by: &str, person: bool) -> State {
        let plan = core.plan.clone();
        let step = &plan.tests[self.test].operator[self.step];
        let channel = &plan.channels[step.channel];
        let (Some(u_meter), true) = (step.meter, self.asked > 0 && id == step.id) else {
            return State::Operating(self);
        };
        if !person {
            return self.done(core, now, step, true, Grade::Absent, format!("no meter was read: {by}"));
        }
        let Some(meter) = meter_value(text, &channel.unit) else {
            if self.asked < TRIES {
                return self.ask(core, now, step);
            }
            let found = format!("the meter value `{text}` is no quantity like `{}`", reading_unit(channel));
            return self.done(core, now, step, false, Grade::Confirmed, found);
        };
        let Some((at, _, value)) = core.values.latest(step.channel) else { return State::Operating(self) };
        let apart = (meter - value).abs();
        let allowed = COVERAGE * channel.u.hypot(u_meter);
        // The difference must be shown to be small, and of a value that still stands: NaN is not, silence is not.
        let fresh = now - at <= channel.stale;
        let holds = fresh && apart <= allowed && value >= step.low && value <= step.high;
        let difference = |si: f64| {
            rounded_text(
                &plain(&channel.unit),
                channel.unit.difference_from_si(si),
                Some(channel.u / channel.unit.scale),
            )
        };
        let found = format!(
            "{}, meter {} ({by}): {} {} apart, {} allowed (k = 2); {}",
            reading(channel, value),
            show(channel, meter),
            difference(apart),
            unit_of_difference(channel),
            difference(allowed),
            wanted(channel, step),
        );
        self.done(core, now, step, holds, Grade::Confirmed, found)
    }

    /// A step is decided: the next, or no test at all.
    fn done(
        mut self,
        core: &mut Core,
        now: Instant,
        step: &OperatorStep,
        holds: bool,
        grade: Grade,
        found: String,
    ) -> State {
        let name = format!("operator step {}", step.id);
        core.event(
            now,
            What::PreCheck { name: name.clone(), holds, grade, found: found.clone(), test: self.test },
        );
        if !holds {
            return self.end(core, now, Cause::Refused, format!("{name}: {found}"));
        }
        (self.step, self.inside, self.asked) = (self.step + 1, None, 0);
        self.next(core, now)
    }

    fn overdue(self, core: &mut Core, now: Instant) -> State {
        let plan = core.plan.clone();
        let step = &plan.tests[self.test].operator[self.step];
        let channel = &plan.channels[step.channel];
        let found = match core.values.latest(step.channel) {
            _ if self.asked > 0 => format!("no meter value was typed within {}", step.within),
            Some((_, _, value)) => {
                format!("{} after {} ({})", reading(channel, value), step.within, wanted(channel, step))
            }
            None => format!("{} was not read", channel.name),
        };
        self.done(core, now, step, false, channel.grade, found)
    }

    /// Whether a trip counts while nothing is driven and a person sets something up. A quantity of the same kind that is
    /// still too low, or on its way, is why they were asked.
    fn matters(&self, core: &Core, firing: &Firing) -> bool {
        let plan = &core.plan;
        let kind = |channel: usize| &plan.channels[channel].unit.kind;
        let set_up = kind(plan.tests[self.test].operator[self.step].channel);
        let trip = plan.trips.iter().find(|t| t.name == firing.trip);
        trip.is_none_or(|t| matches!(t.when, Crossing::Above(_)) || kind(t.channel) != set_up)
    }

    fn end(self, core: &mut Core, now: Instant, cause: Cause, why: String) -> State {
        core.timers.clear(Timer::Watch);
        WindingDown::begin(core, now, Some(self.test), Some((cause, why)))
    }
}

fn wanted(channel: &Channel, step: &OperatorStep) -> String {
    let end = |si: f64| crate::units::number_text(channel.unit.from_si(si));
    format!("{} between {} and {} {}", channel.name, end(step.low), end(step.high), channel.unit)
        .trim_end()
        .into()
}

fn reading(channel: &Channel, si: f64) -> String {
    format!("{} {}", channel.name, show(channel, si))
}

fn reading_unit(channel: &Channel) -> String {
    format!("12.3 {}", channel.unit).trim_end().to_string()
}

/// SI value of what was typed, with or without its unit.
fn meter_value(text: &str, unit: &Unit) -> Option<f64> {
    let typed = parse_quantity(text.trim()).ok()?;
    if typed.unit.kind == unit.kind && (!typed.unit.text.is_empty() || unit.text.is_empty()) {
        return Some(typed.si);
    }
    typed.unit.text.is_empty().then(|| unit.to_si(typed.si))
}

/// A number that is in the channel's unit already.
fn plain(unit: &Unit) -> Unit {
    Unit { scale: 1.0, offset: 0.0, ..unit.clone() }
}

/// A difference of two temperatures on a scale is in kelvin.
fn unit_of_difference(channel: &Channel) -> &str {
    if channel.unit.kind.absolute { "K" } else { &channel.unit.text }
}
