//! Checks that look closer: what was seen of their channels during a watch, and what follows.

use super::super::core::Core;
use super::{pulse, supply};
use crate::engine::guard::show;
use crate::plan::{Channel, Check, HEAT_PULSE_TEST, Way, When, Window};
use crate::record::{Grade, What};
use crate::time::{Duration, Instant};
use crate::units::number_text;

/// Coverage factor of comparisons: about 95 % (JCGM 100, k = 2).
const COVERAGE: f64 = 2.0;

/// What was seen of a quantity. One value that is no number spoils it: `min` and `max` would forget it.
#[derive(Debug, Clone, Copy)]
pub(super) struct Seen {
    pub low: f64,
    pub high: f64,
    sum: f64,
    pub n: u32,
}

impl Seen {
    pub(super) const NOTHING: Seen = Seen { low: f64::INFINITY, high: f64::NEG_INFINITY, sum: 0.0, n: 0 };

    pub(super) fn add(&mut self, value: f64) {
        let spoilt = value.is_nan() || self.low.is_nan();
        self.low = if spoilt { f64::NAN } else { self.low.min(value) };
        self.high = if spoilt { f64::NAN } else { self.high.max(value) };
        self.sum += value;
        self.n += 1;
    }
}

/// What a way came to.
pub(super) struct Found {
    pub holds: bool,
    pub grade: Grade,
    pub found: String,
}

/// A watch: for every check that is made in it, for every way, what was seen of its channels.
#[derive(Debug)]
pub(super) struct Closer {
    when: Vec<When>,
    seen: Vec<Vec<Vec<Seen>>>,
}

impl Closer {
    /// Begins a watch for the checks that are made `when`.
    pub(super) fn new(core: &Core, when: Vec<When>) -> Closer {
        let nothing = |way: &Way| match way {
            Way::Alike(..) => vec![Seen::NOTHING],
            _ => vec![Seen::NOTHING; way.channels().len()],
        };
        let seen = core.plan.ready.checks.iter().map(|c| c.ways.iter().map(nothing).collect()).collect();
        Closer { when, seen }
    }

    /// Takes the values of a row that was asked for `since` the watch began.
    pub(super) fn row(&mut self, core: &Core, group: usize, since: Duration) {
        let fields = &core.plan.groups[group].fields;
        let latest = |channel: &usize| {
            let there = fields.contains(&Some(*channel));
            core.values.latest(*channel).filter(|_| there).map(|(_, _, value)| value)
        };
        for (check, seen) in core.plan.ready.checks.iter().zip(&mut self.seen) {
            if !self.when.contains(&check.when) {
                continue;
            }
            for (way, seen) in check.ways.iter().zip(seen) {
                match way {
                    Way::Within(_, after, _) if since < *after => {}
                    Way::Alike([first, second], _) => {
                        if let (Some(first), Some(second)) = (latest(first), latest(second)) {
                            seen[0].add((first - second).abs());
                        }
                    }
                    _ => {
                        for (channel, seen) in way.channels().iter().zip(seen) {
                            if let Some(value) = latest(channel) {
                                seen.add(value);
                            }
                        }
                    }
                }
            }
        }
    }

    /// Says of every check of this watch whether it holds, and gives the words of those that do not.
    pub(super) fn conclude(&self, core: &mut Core, now: Instant, test: usize) -> Vec<String> {
        let plan = core.plan.clone();
        let mut refused = Vec::new();
        for (check, seen) in plan.ready.checks.iter().zip(&self.seen) {
            if !self.when.contains(&check.when) {
                continue;
            }
            let Some((holds, grade, found)) = of_check(core, check, seen, now, test) else { continue };
            if !holds {
                refused.push(format!("{}: {found}", check.name));
            }
            core.event(now, What::PreCheck { name: check.name.clone(), holds, grade, found, test });
        }
        refused
    }
}

/// All ways must hold; the best of those that tell something is the grade. `None` if none can tell yet: that before the
/// heat pulse, of a guard that is known by it alone.
fn of_check(
    core: &Core,
    check: &Check,
    seen: &[Vec<Seen>],
    now: Instant,
    test: usize,
) -> Option<(bool, Grade, String)> {
    let yet = |way: &Way| !(matches!(way, Way::Pulse(_)) && test == HEAT_PULSE_TEST);
    let ways = check.ways.iter().zip(seen).filter(|(way, _)| yet(way));
    let found: Vec<Found> = ways.map(|(way, seen)| of_way(core, way, seen, now)).collect();
    if found.is_empty() {
        return None;
    }
    let holds = found.iter().all(|f| f.holds);
    let grade = found.iter().map(|f| f.grade).min().unwrap_or(Grade::Absent);
    let several = found.len() > 1;
    let words = found.into_iter().map(|f| {
        let refused = if f.holds { "" } else { "refused, " };
        if several { format!("{refused}{}: {}", f.grade.words(), f.found) } else { f.found }
    });
    Some((holds, grade, words.collect::<Vec<_>>().join("; ")))
}

fn of_way(core: &Core, way: &Way, seen: &[Seen], now: Instant) -> Found {
    match way {
        Way::Within(window, _, grade) => {
            let (holds, found) = window_holds(core, window, &seen[0]);
            Found { holds, grade: *grade, found }
        }
        Way::Alike([first, second], allowed) => {
            let [one, two] = [first, second].map(|c| &core.plan.channels[*c]);
            let holds = seen[0].n > 0 && seen[0].high <= *allowed;
            let found = match seen[0].n {
                0 => format!("{} and {} were not read", one.name, two.name),
                n => format!(
                    "{} and {} at most {} apart in {n} samples (allowed {})",
                    one.name,
                    two.name,
                    difference(one, seen[0].high),
                    difference(one, *allowed)
                ),
            };
            Found { holds, grade: Grade::Measured, found }
        }
        Way::Together(channels, apart) => together(core, channels, *apart, seen),
        Way::Pulse(pulse) => pulse::holds(core, pulse, now),
        Way::Predicted(prediction) => supply::holds(core, prediction, seen),
        Way::Seen(question) => {
            let person = core.confirmed.contains(question);
            let grade = if person { Grade::Confirmed } else { Grade::Absent };
            let found = if person { "a person saw it" } else { "no person was asked" };
            Found { holds: true, grade, found: found.into() }
        }
    }
}

/// Any two of the means lie no further apart than allowed beside what their sensors may be off together.
fn together(core: &Core, channels: &[usize], apart: f64, seen: &[Seen]) -> Found {
    let mut means = Vec::new();
    for (channel, seen) in channels.iter().zip(seen) {
        match mean_of(core, *channel, seen) {
            Ok(mean) => means.push((&core.plan.channels[*channel], mean)),
            Err(found) => return Found { holds: false, grade: Grade::Absent, found },
        }
    }
    let mut holds = true;
    let mut words: Vec<String> =
        means.iter().map(|(c, mean)| format!("{} {}", c.name, show(c, *mean))).collect();
    for (i, (one, a)) in means.iter().enumerate() {
        for (two, b) in &means[i + 1..] {
            let allowed = apart + COVERAGE * one.u.hypot(two.u);
            let far = (a - b).abs();
            // Shown to be alike: NaN is not.
            if !matches!(
                far.partial_cmp(&allowed),
                Some(std::cmp::Ordering::Less | std::cmp::Ordering::Equal)
            ) {
                holds = false;
                words.push(format!(
                    "{} and {} are {far:.1} K apart, {allowed:.1} K allowed",
                    one.name, two.name
                ));
            }
        }
    }
    Found { holds, grade: Grade::Measured, found: words.join(", ") }
}

/// The mean of what was seen of a channel (SI), or why there is none.
pub(super) fn mean_of(core: &Core, channel: usize, seen: &Seen) -> Result<f64, String> {
    let channel = &core.plan.channels[channel];
    match seen.n {
        0 => Err(format!("{} was not read", channel.name)),
        _ if seen.low.is_nan() => Err(format!("{} reads no number", channel.name)),
        n => Ok(seen.sum / f64::from(n)),
    }
}

/// Whether every sample lay in a window, and what was found.
pub(super) fn window_holds(core: &Core, window: &Window, seen: &Seen) -> (bool, String) {
    let channel = &core.plan.channels[window.channel];
    if seen.n == 0 {
        return (false, format!("{} was not read", channel.name));
    }
    let holds = seen.low >= window.low && seen.high <= window.high;
    let values = match seen.n {
        1 => show(channel, seen.low),
        n => format!("between {} and {} in {n} samples", show(channel, seen.low), show(channel, seen.high)),
    };
    let found = format!(
        "{} {values} (allowed {} to {})",
        channel.name,
        limit(channel, window.low),
        limit(channel, window.high)
    );
    (holds, found)
}

fn limit(channel: &Channel, si: f64) -> String {
    if si.is_infinite() {
        return "any".into();
    }
    format!("{} {}", number_text(channel.unit.from_si(si)), channel.unit).trim_end().to_string()
}

fn difference(channel: &Channel, si: f64) -> String {
    let number = (channel.unit.difference_from_si(si) * 100.0).round() / 100.0;
    format!("{} {}", number_text(number), channel.unit).trim_end().to_string()
}

#[cfg(test)]
mod tests;
