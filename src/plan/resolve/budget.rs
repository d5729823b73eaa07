//! The budget of each line: whether it carries what is asked of it, shown with numbers.
//!
//! A link takes turns: a request goes out, its reply comes in, then the next. A slot therefore takes
//! the time of both on the line. What the device takes to think comes on top and is not known here;
//! the share left free is for that, for what is sent once, and for unsolicited lines.

use super::bursts::block_length;
use super::context::{Context, length};
use super::links::Wires;
use super::scope::{self, Scope};
use crate::diag::{Diag, Place};
use crate::files::read::{At, Q, Time};
use crate::files::rig::Sets;
use crate::plan::{Demand, Exchange, Link};
use crate::time::Duration;
use crate::wire::Pattern;

/// Share of the time that a line may be busy (common practice for a line that is polled).
const LOAD_MAX: f64 = 0.8;

/// Bytes of the longest number in a reply: sign, seven digits, point and three decimals, as in
/// `-1234567.891`.
const FIELD_MAX: usize = 12;

/// Bytes of the longest text in a reply that is not polled: an identity of IEEE 488.2 is at most 72
/// characters long as a whole (from memory).
const TEXT_MAX: usize = 72;

/// Line rates in use, for the mend.
const RATES: [u32; 10] =
    [9600, 19200, 38400, 57600, 115_200, 230_400, 460_800, 921_600, 1_000_000, 2_000_000];

/// Something that is sent again and again.
struct Slot<'a> {
    name: &'a At<String>,
    what: &'static str,
    every: &'a Q<Time>,
    out: usize,
    back: usize,
}

/// Completes the links with their longest line and their load.
pub(super) fn links(
    ctx: &mut Context<'_>,
    scope: &Scope<'_>,
    wires: &Wires<'_>,
    demands: &[Option<Demand>],
) -> Option<Vec<Link>> {
    let links: Vec<Option<Link>> = wires
        .links
        .iter()
        .enumerate()
        .map(|(index, line)| {
            let link = line.link.clone()?;
            let slots = slots(scope, wires, demands, index, link.ends_with.len())?;
            let line_max = line_max(&link, scope, wires, demands, index);
            if link.baud > 0 && !slots.iter().any(|s| ctx.is_wrong(s.every.at)) {
                check(ctx, scope, wires, index, &link, &slots);
            }
            let byte = f64::from(link.frame.bits()) / f64::from(link.baud);
            let share = |bytes: &dyn Fn(&Slot<'_>) -> usize| -> f64 {
                slots.iter().map(|s| bytes(s) as f64 * byte / s.every.si).sum()
            };
            Some(Link { load: (share(&|s| s.out), share(&|s| s.back)), line_max, ..link })
        })
        .collect();
    links.into_iter().collect()
}

/// What is sent again and again on a link; `None` if part of it is not known.
fn slots<'a>(
    scope: &Scope<'a>,
    wires: &Wires<'a>,
    demands: &[Option<Demand>],
    link: usize,
    ends: usize,
) -> Option<Vec<Slot<'a>>> {
    let mut slots = Vec::new();
    for poll in wires.polls.iter().filter(|p| p.link == link) {
        let exchange = poll.exchange.as_ref()?;
        let back = reply_max(scope, &exchange.expect) + ends;
        let file = poll.file;
        slots.push(Slot {
            name: &file.name,
            what: "poll",
            every: &file.every,
            out: exchange.send.len(),
            back,
        });
    }
    let mut driving: Vec<Slot<'_>> = Vec::new();
    for (named, demand) in scope.demands.iter().zip(demands) {
        let demand = match demand {
            Some(demand) if demand.link == link => demand,
            Some(_) => continue,
            None => return None,
        };
        let back = demand.expect.as_ref().map_or(0, |e| e.length_max(FIELD_MAX) + ends);
        let out = demand.longest_frame();
        let slot = Slot { name: named.name, what: "demand", every: &named.file.every, out, back };
        if demand.sets == Sets::Pump { &mut slots } else { &mut driving }.push(slot);
    }
    // A test drives by one demand: of those that turn something the one counts that takes most of the line.
    let share = |slot: &Slot<'_>| (slot.out + slot.back) as f64 / slot.every.si;
    slots.extend(driving.into_iter().rev().max_by(|a, b| share(a).total_cmp(&share(b))));
    Some(slots)
}

/// Length of the longest reply to a poll without its terminator: a field is a number, or one of the
/// words of its channel.
fn reply_max(scope: &Scope<'_>, pattern: &Pattern) -> usize {
    let field = |name: &String| {
        let channel = scope.channels.iter().find(|c| c.name.value == *name);
        let words = channel.into_iter().flat_map(|c| {
            let states = c.file.states.iter().map(|(word, _)| word.len());
            states.chain(c.file.words.iter().map(|(word, _)| word.len()))
        });
        words.max().unwrap_or(0).max(FIELD_MAX)
    };
    pattern.length_max(0) + pattern.fields().iter().map(field).sum::<usize>()
}

/// Longest line that may come at all.
fn line_max(
    link: &Link,
    scope: &Scope<'_>,
    wires: &Wires<'_>,
    demands: &[Option<Demand>],
    index: usize,
) -> usize {
    let text = |e: &Exchange| e.expect.length_max(TEXT_MAX);
    let polls = wires.polls.iter().filter(|p| p.link == index).filter_map(|p| p.exchange.as_ref());
    let answers = demands.iter().flatten().filter(|d| d.link == index).filter_map(|d| d.expect.as_ref());
    polls
        .map(|e| reply_max(scope, &e.expect))
        .chain(answers.map(|p| p.length_max(FIELD_MAX)))
        .chain(link.identity.iter().map(text))
        .chain(link.settings.iter().map(|s| text(&s.exchange)))
        .chain(link.unsolicited.iter().map(|p| p.length_max(TEXT_MAX)))
        .chain(scope.links[index].file.burst.iter().map(|b| block_length(b.chunk.value as usize)))
        .max()
        .unwrap_or(0)
        .max(TEXT_MAX)
}

fn check(
    ctx: &mut Context<'_>,
    scope: &Scope<'_>,
    wires: &Wires<'_>,
    index: usize,
    link: &Link,
    slots: &[Slot<'_>],
) {
    let byte = f64::from(link.frame.bits()) / f64::from(link.baud);
    let share = |s: &Slot<'_>| (s.out + s.back) as f64 * byte / s.every.si;
    let busy: f64 = slots.iter().map(share).sum();
    let (name, file) = (scope.links[index].name, scope.links[index].file);
    let Some(most) = slots.iter().max_by(|a, b| share(a).total_cmp(&share(b))) else { return };
    if busy > LOAD_MAX {
        let message = format!(
            "{} would be busy {} of the time at {} baud ({}), expected at most {}",
            ctx.named("link", name),
            percent(busy),
            link.baud,
            ctx.cite(file.baud.at),
            percent(LOAD_MAX),
        );
        let wanted = f64::from(link.baud) * busy / LOAD_MAX;
        let raise =
            RATES.iter().find(|r| f64::from(**r) >= wanted).map(|r| format!("raise `baud` to {r}, or "));
        let help = format!(
            "{}send {} `{}` less often: {} bytes out and {} back every {} are {}",
            raise.unwrap_or_default(),
            most.what,
            most.name.value,
            most.out,
            most.back,
            most.every.text,
            percent(share(most)),
        );
        ctx.refuse(Diag::at(file.baud.at, message).other(most.every.at, "the most of it").help(help));
        return;
    }
    check_reply(ctx, scope, index, link, slots);
    check_longest(ctx, scope, index, link, slots, tightest(ctx, scope, wires, index));
    check_lost_reply(ctx, scope, index, link, slots);
}

/// The longest reply must fit into the time a reply may take.
fn check_reply(ctx: &mut Context<'_>, scope: &Scope<'_>, index: usize, link: &Link, slots: &[Slot<'_>]) {
    let file = scope.links[index].file;
    let Some(longest) = slots.iter().max_by_key(|s| s.back) else { return };
    let takes = link.line_time(longest.back);
    if takes >= length(&file.reply_within) && !ctx.is_wrong(file.reply_within.at) {
        let message = format!(
            "a reply within {} cannot be: {} bytes of {} take {} at {} baud",
            ctx.said(file.reply_within.at),
            longest.back,
            ctx.named(longest.what, longest.name),
            round(takes),
            link.baud,
        );
        let help = format!("allow more than {}, or raise `baud`", round(takes));
        ctx.refuse(Diag::at(file.reply_within.at, message).other(longest.name.at, "").help(help));
    }
}

/// The longest exchange must outlast neither the tightest staleness on the link nor half the
/// heartbeat, or one slow turn would trip the run or silence the demand.
fn check_longest(
    ctx: &mut Context<'_>,
    scope: &Scope<'_>,
    index: usize,
    link: &Link,
    slots: &[Slot<'_>],
    tightest: Option<&Q<Time>>,
) {
    let Some(longest) = slots.iter().max_by_key(|s| s.out + s.back) else { return };
    let takes = link.line_time(longest.out + longest.back);
    let tightest = tightest.map(|s| (length(s), s.at, "the tightest staleness"));
    let heartbeat = heartbeat(scope, index)
        .map(|every| (Duration::from_micros(length(every).micros() / 2), every.at, "half the heartbeat"));
    for (limit, at, words) in tightest.into_iter().chain(heartbeat) {
        if takes <= limit {
            continue;
        }
        let message = format!(
            "{} and its reply take {} at {} baud, longer than {words} {limit} ({})",
            ctx.named(longest.what, longest.name),
            round(takes),
            link.baud,
            ctx.cite(at),
        );
        ctx.refuse(
            Diag::at(longest.name.at, message).other(at, words).help("raise `baud`, or ask for less at once"),
        );
        return;
    }
}

/// The shortest staleness among the channels on a link.
fn tightest<'a>(
    ctx: &Context<'_>,
    scope: &Scope<'a>,
    wires: &Wires<'_>,
    index: usize,
) -> Option<&'a Q<Time>> {
    let on_link = |c: &&scope::Channel<'_>| {
        wires.place_of(c.name).is_some_and(|(group, _)| wires.polls[group].link == index)
    };
    let stale = scope.channels.iter().filter(on_link).filter_map(|c| c.file.stale.as_ref());
    stale.filter(|s| !ctx.is_wrong(s.at)).min_by_key(|s| length(s))
}

/// A reply that never comes holds the line for the whole wait; the heartbeat behind it must still
/// reach the controller before its command timeout.
fn check_lost_reply(ctx: &mut Context<'_>, scope: &Scope<'_>, index: usize, link: &Link, slots: &[Slot<'_>]) {
    let Some(every) = heartbeat(scope, index) else { return };
    let wait = &scope.links[index].file.reply_within;
    let timeout = &ctx.rig.drive.command_timeout;
    let Some(request) = slots.iter().map(|s| s.out).max() else { return };
    let gap = length(every) + link.line_time(request) + length(wait);
    let known = |at: Place| !ctx.is_wrong(at);
    if gap >= length(timeout) && known(every.at) && known(wait.at) && known(timeout.at) {
        let message = format!(
            "one reply lost within {} leaves {} between two demands sent every {}, not less than the command timeout {}",
            ctx.said(wait.at),
            round(gap),
            ctx.said(every.at),
            ctx.said(timeout.at),
        );
        ctx.refuse(
            Diag::at(wait.at, message)
                .other(timeout.at, "command timeout")
                .help("wait less long for a reply, or send the demand more often"),
        );
    }
}

/// Longest period of the demands that keep the controller's command timeout off and go over this link.
fn heartbeat<'a>(scope: &Scope<'a>, index: usize) -> Option<&'a Q<Time>> {
    let driving = scope.demands.iter().filter(|d| d.file.sets.value != Sets::Pump);
    let here = driving.filter(|d| scope.links[index].name.value == d.file.link.value);
    here.map(|d| &d.file.every).max_by(|a, b| a.si.total_cmp(&b.si))
}

fn percent(share: f64) -> String {
    format!("{:.1} %", share * 100.0)
}

/// To the tenth of a millisecond, for messages.
fn round(time: Duration) -> Duration {
    Duration::from_micros((time.micros() + 50) / 100 * 100)
}
