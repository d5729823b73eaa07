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
    /// Whether it came in time. What came later may be believed and need not be.
    pub in_time: bool,
}

/// What a request is for, as far as the judge needs to know.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub(super) enum Asked {
    /// Values of a poll group.
    Group(usize),
    /// That a demand was taken.
    Demand(usize),
    /// A setting: link, and its index there.
    Setting(usize, usize),
    /// Who the board of a link is.
    Identity(usize),
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

/// Every line that came in, each with the newest request that nothing had answered before it.
pub(super) fn lines(evidence: &Evidence<'_>) -> Vec<Heard> {
    let plan = evidence.plan;
    let links = plan.links.len();
    let mut pending: Vec<Vec<u8>> = vec![Vec::new(); links];
    let mut open: Vec<Option<(Instant, Instant, Asked)>> = vec![None; links];
    // A poll that a stop frame overtook may still be answered; whether it is believed then is the engine's own affair.
    let mut overtaken: Vec<Option<(Instant, Asked)>> = vec![None; links];
    let shapes = shapes(plan);
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
                let is_it = |(_, asked): &(Instant, Asked)| match asked {
                    Asked::Group(group) => numbers(&line, &shapes[*group]).is_some(),
                    Asked::Demand(_) | Asked::Setting(..) | Asked::Identity(_) | Asked::Other => false,
                };
                if let Some((sent, asked)) = overtaken[*link].take_if(|before| !unasked && is_it(before)) {
                    let answers = Some((sent, asked));
                    lines.push(Heard { moment: index, at: moment.at, line, answers, in_time: false });
                    continue;
                }
                let taken = if unasked { None } else { open[*link].take() };
                let in_time = taken.is_some_and(|(_, until, _)| moment.at < until);
                let answers = taken.map(|(sent, _, asked)| (sent, asked));
                lines.push(Heard { moment: index, at: moment.at, line, answers, in_time });
            }
        }
        for (link, bytes) in &moment.sent {
            let until = moment.at + plan.links[*link].line_time(bytes.len()) + plan.links[*link].reply_within;
            let asked = asked(plan, *link, bytes);
            let before = open[*link].replace((moment.at, until, asked));
            overtaken[*link] = if moment.stops.contains(link) {
                let poll = before.filter(|(_, _, before)| matches!(before, Asked::Group(_)));
                poll.map(|(sent, _, before)| (sent, before)).or(overtaken[*link])
            } else {
                None
            };
        }
    }
    lines
}

fn asked(plan: &Plan, link: usize, bytes: &[u8]) -> Asked {
    if let Some(group) = plan.groups.iter().position(|g| g.link == link && g.exchange.send == bytes) {
        return Asked::Group(group);
    }
    let of_link = &plan.links[link];
    // The first message on a link may have a terminator before it, which ends whatever was half sent.
    let message = bytes.strip_prefix(of_link.ends_with.as_slice()).unwrap_or(bytes);
    if let Some(setting) = of_link.settings.iter().position(|s| s.exchange.send == message) {
        return Asked::Setting(link, setting);
    }
    if of_link.identity.as_ref().is_some_and(|identity| identity.send == message) {
        return Asked::Identity(link);
    }
    let sets =
        told(bytes).iter().find_map(|t| if let Told::Demand(sets, ..) = t { Some(*sets) } else { None });
    let demand = plan.demands.iter().position(|d| Some(d.sets) == sets);
    demand.map_or(Asked::Other, Asked::Demand)
}

/// The samples among the lines.
pub(super) fn samples(plan: &Plan, lines: &[Heard]) -> Vec<Sample> {
    let shapes = shapes(plan);
    let sample = |heard: &Heard| {
        let Some((asked, Asked::Group(group))) = heard.answers.filter(|_| heard.in_time) else { return None };
        let numbers = numbers(&heard.line, &shapes[group])?;
        Some(Sample { moment: heard.moment, known: heard.at, asked, group, numbers })
    };
    lines.iter().filter_map(sample).collect()
}

/// What a reply looks like, read from the pattern as a rig file has it: `{a},{_};{c}` is three fields with `,` and `;`
/// between them, of which the second need not be a number.
#[derive(Debug)]
pub(super) struct Shape {
    between: Vec<char>,
    fields: Vec<Field>,
}

#[derive(Debug, Clone, Copy, PartialEq)]
enum Field {
    /// A number.
    Number,
    /// The status word of CiA 402, an UNSIGNED16: with a point it is none.
    Word,
    /// Anything.
    PassedOver,
}

/// The shapes of the replies to all polls.
pub(super) fn shapes(plan: &Plan) -> Vec<Shape> {
    let shape = |g: &crate::plan::Group| {
        let mut shape = Shape::of(g.exchange.expect.text());
        for (field, channel) in shape.fields.iter_mut().zip(&g.fields) {
            let source = channel.map(|c| &plan.channels[c].source);
            if matches!(source, Some(Source::Wire { reading: Reading::StatusWord, .. })) {
                *field = Field::Word;
            }
        }
        shape
    };
    plan.groups.iter().map(shape).collect()
}

impl Shape {
    fn of(pattern: &str) -> Shape {
        let mut shape = Shape { between: Vec::new(), fields: Vec::new() };
        let mut rest = pattern;
        while let Some((before, after)) = rest.split_once('{') {
            shape.between.extend(before.chars());
            let (name, after) = after.split_once('}').unwrap_or((after, ""));
            shape.fields.push(if name == "_" { Field::PassedOver } else { Field::Number });
            rest = after;
        }
        shape
    }
}

/// Numbers with just these characters between, in this order; SCPI's *not a number* is NaN, and so is what is passed
/// over.
pub(super) fn numbers(line: &[u8], shape: &Shape) -> Option<Vec<f64>> {
    let text = std::str::from_utf8(line).ok()?;
    let number = |t: &str| {
        // White space around a number is nothing (IEEE 488.2, 7.4.1, from memory).
        let t = t.trim();
        let plain = !t.is_empty() && t.bytes().all(|b| b.is_ascii_digit() || b"+-.eE".contains(&b));
        let number = t.parse::<f64>().ok().filter(|_| plain)?;
        Some(if number == NOT_A_NUMBER { f64::NAN } else { number })
    };
    let read = |t: &str, field: Field| match field {
        Field::PassedOver => (!t.contains(&shape.between[..])).then_some(f64::NAN),
        Field::Word => number(t).filter(|n| (0.0..=65535.0).contains(n) && !t.contains(['.', 'e', 'E'])),
        Field::Number => number(t),
    };
    let mut rest = text;
    let mut numbers = Vec::with_capacity(shape.fields.len());
    for (between, field) in shape.between.iter().zip(&shape.fields) {
        let (first, after) = rest.split_once(*between)?;
        numbers.push(read(first, *field)?);
        rest = after;
    }
    numbers.push(read(rest, *shape.fields.last()?)?);
    Some(numbers)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// By hand: pattern, line, the numbers that stand there (`_` what is passed over), or `-` if it cannot be that reply.
    #[test]
    fn numbers_stand_where_the_pattern_has_fields() {
        for (pattern, line, expected) in [
            ("{a},{b}", "1.5,-2e1", "1.5|-20"),
            ("{a},{b}", " 1.5 ,2", "1.5|2"),
            ("{a},{b}", "9.91E37,2", "_|2"),
            ("{a},{_};{c}", "1,on;3", "1|_|3"),
            ("{a},{_};{c}", "1,2,3;4", "-"),
            ("{a},{_};{c}", "1;2;3", "-"),
            ("{_},{b}", "0.;3,2", "_|2"),
            ("{a},{b}", "1,2,3", "-"),
            ("{a},{b}", "1,0.;3", "-"),
            ("{a},{b}", "1,inf", "-"),
            ("{a},{b}", "1,", "-"),
            ("{a}-{b}", "1--2", "1|-2"),
            ("{a}", "7", "7"),
        ] {
            let one = |n: f64| if n.is_nan() { "_".to_string() } else { n.to_string() };
            let read = numbers(line.as_bytes(), &Shape::of(pattern));
            let read = read.map_or("-".into(), |n| n.into_iter().map(one).collect::<Vec<_>>().join("|"));
            assert_eq!(read, expected, "{pattern} on {line}");
        }
    }

    /// Two flipped bits swap a comma and a point: `567,555.33` gives `567.555,33`, which no status word is.
    #[test]
    fn a_status_word_is_whole_or_the_line_is_none() {
        let shape = Shape { fields: vec![Field::Word, Field::Number], ..Shape::of("{state},{speed}") };
        for (line, read) in [
            ("567,33", true),
            ("567.555,33", false),
            ("567.0,33", false),
            ("70000,33", false),
            ("-1,33", false),
        ] {
            assert_eq!(numbers(line.as_bytes(), &shape).is_some(), read, "{line}");
        }
    }
}
