//! What could be known from the bytes that came in, found without the engine: lines, which request each answers, and
//! the values in it.

use super::evidence::{Evidence, Told, What, told};
use crate::plan::{Plan, Reading, Source};
use crate::time::Instant;

/// How SCPI writes that there is no number (SCPI-99, from memory).
const NOT_A_NUMBER: f64 = 9.91e37;

/// A line that came in, with what it answers.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Heard {
    /// Index of the moment at which its last byte came.
    pub moment: usize,
    pub at: Instant,
    pub line: Vec<u8>,
    /// When the request that it answers was sent, and what that asked for; `None` if nothing was asked.
    pub answers: Option<(Instant, Asked)>,
}

/// What a request is for, as far as the judge needs to know.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Asked {
    /// Values of a poll group.
    Group(usize),
    /// That a demand was taken.
    Demand(usize),
    /// Anything else.
    Other,
}

/// The values of a poll as they could be known: for each field the channel and its value in SI.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Sample {
    pub moment: usize,
    pub known: Instant,
    pub asked: Instant,
    pub group: usize,
    pub numbers: Vec<f64>,
}

impl Sample {
    /// Channels and their values in SI; a status word as it is.
    pub fn values<'s>(&'s self, plan: &'s Plan) -> impl Iterator<Item = (usize, f64)> + 's {
        let fields = plan.groups[self.group].fields.iter().zip(&self.numbers);
        fields.filter_map(move |(channel, number)| {
            let channel = (*channel)?;
            let Source::Wire { gain, offset, reading, .. } = &plan.channels[channel].source else {
                return None;
            };
            let unit = &plan.channels[channel].unit;
            match reading {
                Reading::Number => Some((channel, gain * number * unit.scale + unit.offset + offset)),
                Reading::StatusWord => Some((channel, *number)),
                Reading::States(_) | Reading::Words(_) => None,
            }
        })
    }
}

/// Every line that came in, each with the newest request that nothing had answered in time before it.
pub(super) fn lines(evidence: &Evidence<'_>) -> Vec<Heard> {
    let plan = evidence.plan;
    let links = plan.links.len();
    let mut pending: Vec<Vec<u8>> = vec![Vec::new(); links];
    let mut open: Vec<Option<(Instant, Instant, Asked)>> = vec![None; links];
    let mut lines = Vec::new();
    for (index, moment) in evidence.moments.iter().enumerate() {
        if let What::Heard(link, bytes) = &moment.input {
            for byte in bytes {
                if *byte != b'\n' {
                    pending[*link].push(*byte);
                    continue;
                }
                let mut line = std::mem::take(&mut pending[*link]);
                if line.last() == Some(&b'\r') {
                    line.pop();
                }
                if line.is_empty() {
                    continue;
                }
                let unasked = plan.links[*link].unsolicited.iter().any(|p| p.fit(&line).is_some());
                let taken = if unasked { None } else { open[*link].take() };
                let answers =
                    taken.filter(|(_, until, _)| moment.at < *until).map(|(sent, _, asked)| (sent, asked));
                lines.push(Heard { moment: index, at: moment.at, line, answers });
            }
        }
        for (link, bytes) in &moment.sent {
            let until = moment.at + plan.links[*link].line_time(bytes.len()) + plan.links[*link].reply_within;
            open[*link] = Some((moment.at, until, asked(plan, *link, bytes)));
        }
    }
    lines
}

fn asked(plan: &Plan, link: usize, bytes: &[u8]) -> Asked {
    if let Some(group) = plan.groups.iter().position(|g| g.link == link && g.exchange.send == bytes) {
        return Asked::Group(group);
    }
    if told(bytes).iter().any(|t| matches!(t, Told::Speed(..))) {
        let sets = crate::files::rig::Sets::ShaftSpeed;
        return plan.demands.iter().position(|d| d.sets == sets).map_or(Asked::Other, Asked::Demand);
    }
    Asked::Other
}

/// The samples among the lines.
pub(super) fn samples(plan: &Plan, lines: &[Heard]) -> Vec<Sample> {
    let sample = |heard: &Heard| {
        let Some((asked, Asked::Group(group))) = heard.answers else { return None };
        let numbers = numbers(&heard.line, &between(plan.groups[group].exchange.expect.text()))?;
        Some(Sample { moment: heard.moment, known: heard.at, asked, group, numbers })
    };
    lines.iter().filter_map(sample).collect()
}

/// What stands between the fields of a pattern as a rig file has it, one character each: `{a},{b};{c}` gives `,` and `;`.
pub(super) fn between(pattern: &str) -> Vec<char> {
    let mut inside = false;
    let outside = |c: &char| {
        inside = if *c == '{' { true } else { inside && *c != '}' };
        !inside && *c != '}'
    };
    pattern.chars().filter(outside).collect()
}

/// Numbers with just these characters between, in this order; SCPI's *not a number* is NaN.
pub(super) fn numbers(line: &[u8], between: &[char]) -> Option<Vec<f64>> {
    let text = std::str::from_utf8(line).ok()?;
    let number = |t: &str| {
        let plain = !t.is_empty() && t.bytes().all(|b| b.is_ascii_digit() || b"+-.eE".contains(&b));
        let number = t.parse::<f64>().ok().filter(|_| plain)?;
        Some(if number == NOT_A_NUMBER { f64::NAN } else { number })
    };
    let mut rest = text;
    let mut numbers = Vec::new();
    for between in between {
        let (first, after) = rest.split_once(*between)?;
        numbers.push(number(first)?);
        rest = after;
    }
    numbers.push(number(rest)?);
    Some(numbers)
}
