//! Bursts: what is sent for them, and that no piece of one holds up what is more urgent.

use super::context::{Context, length};
use super::links::Wires;
use super::profiles::Laid;
use super::scope::Scope;
use crate::diag::Diag;
use crate::files::read::At;
use crate::files::{rig, suite};
use crate::plan::{Burst, BurstChannel, Exchange};
use crate::time::Duration;
use crate::wire::Counted;

/// Standard uncertainty of a controller's clock, as a ratio, where the file says nothing: within 100 millionths
/// for a quartz (common practice).
const U_RATE: f64 = 100e-6;

/// Relative standard uncertainty of a scale where the file says nothing (common practice).
const U_SCALE: f64 = 0.01;

/// Most samples of one channel of one burst.
const SAMPLES_MAX: u32 = 10_000_000;

/// Bytes of one sample in a block.
const SAMPLE: usize = 2;

/// Bytes of a block for so many samples: `#`, a digit, the digits of the length, the samples.
pub(super) fn block_length(samples: usize) -> usize {
    let bytes = SAMPLE * samples;
    2 + bytes.to_string().len() + bytes
}

/// Resolves the bursts of all links, in the order of the file.
pub(super) fn bursts(ctx: &mut Context<'_>, scope: &Scope<'_>, wires: &Wires<'_>) -> Vec<Option<Burst>> {
    let mut bursts: Vec<Option<Burst>> = Vec::new();
    let mut names: Vec<&At<String>> = Vec::new();
    for (index, link) in scope.links.iter().enumerate() {
        for file in &link.file.burst {
            match names.iter().find(|n| n.value == file.name.value) {
                Some(first) => ctx.twice("burst", file.name.at, first.at),
                None => names.push(&file.name),
            }
            bursts.push(burst(ctx, scope, wires, index, file));
        }
    }
    bursts
}

fn burst(
    ctx: &mut Context<'_>,
    scope: &Scope<'_>,
    wires: &Wires<'_>,
    link: usize,
    file: &rig::Burst,
) -> Option<Burst> {
    ctx.name("a burst", &file.name);
    let ends = &wires.links[link].ends_with;
    let start = ctx.exchange(&file.start.send, &file.start.expect, ends);
    let count = file.count.as_ref().map(|c| counting(ctx, c, ends));
    let channels: Vec<Option<BurstChannel>> =
        file.channel.iter().map(|c| channel(ctx, scope, c, ends)).collect();
    if file.channel.is_empty() {
        let message = format!("{} captures nothing", ctx.named("burst", &file.name));
        ctx.refuse(
            Diag::at(file.name.at, message).help("add `channel = [{ name = ..., read = ..., scale = ... }]`"),
        );
    }
    for (number, most) in [(&file.samples, SAMPLES_MAX), (&file.chunk, file.samples.value)] {
        if number.value == 0 || number.value > most {
            let message = format!("{} samples cannot be, expected 1 to {most}", ctx.said(number.at));
            ctx.refuse(Diag::at(number.at, message));
            return None;
        }
    }
    let channels: Vec<BurstChannel> = channels.into_iter().collect::<Option<_>>()?;
    let burst = Burst {
        name: file.name.value.clone(),
        link,
        start: start?,
        count: match count {
            Some(count) => Some(count?),
            None => None,
        },
        samples: file.samples.value as usize,
        chunk: file.chunk.value as usize,
        piece_bytes: 0,
        rate: file.rate.si,
        u_rate: file.rate_uncertainty.as_ref().map_or(U_RATE, |u| u.si / file.rate.si),
        channels,
    };
    let request = burst.channels.iter().map(|c| c.read.encode(&[burst.samples, burst.chunk]).len()).max();
    let piece_bytes = request.unwrap_or(0) + block_length(burst.chunk) + ends.len();
    let burst = Burst { piece_bytes, ..burst };
    check_pieces(ctx, scope, wires, file, &burst);
    Some(burst)
}

fn counting(ctx: &mut Context<'_>, file: &rig::Exchange, ends: &[u8]) -> Option<Exchange> {
    let exchange = ctx.exchange(&file.send, &file.expect, ends)?;
    if !exchange.expect.fields().iter().any(|f| f == "count") {
        let message = format!("{} does not take {{count}}", ctx.said(file.expect.at));
        ctx.refuse(Diag::at(file.expect.at, message).help("name the number of samples {count}"));
        return None;
    }
    Some(exchange)
}

fn channel(
    ctx: &mut Context<'_>,
    scope: &Scope<'_>,
    file: &rig::BurstChannel,
    ends: &[u8],
) -> Option<BurstChannel> {
    ctx.name("a channel of a burst", &file.name);
    let others = scope.channels.iter().map(|c| c.name).chain(scope.bursts.iter().map(|b| b.name));
    if let Some(other) = others.into_iter().find(|n| n.value == file.name.value && n.at != file.name.at) {
        ctx.twice("channel", file.name.at, other.at);
    }
    let read = Counted::parse(&file.read, &["offset", "count"], ends);
    let read = read.map_err(|e| ctx.pattern_error(&file.read, e)).ok();
    let unit = file.scale.unit.clone();
    let u = match &file.uncertainty {
        Some(u) => ctx.quantity(u, unit.kind, "as the scale is", file.scale.at),
        None => Some(0.5 * file.scale.si.abs()),
    };
    if file.scale.si == 0.0 || unit.offset != 0.0 {
        let message = format!("{} is no scale", ctx.said(file.scale.at));
        ctx.refuse(Diag::at(file.scale.at, message).help("write what one count stands for, as \"__ A\""));
        return None;
    }
    let bits = file.bits.as_ref().map_or(16, |b| b.value);
    if !(2..=16).contains(&bits) {
        let at = file.bits.as_ref().map_or(file.name.at, |b| b.at);
        ctx.refuse(Diag::at(at, format!("{} bits cannot be, expected 2 to 16", ctx.said(at))));
        return None;
    }
    let half = 1i32 << (bits - 1);
    Some(BurstChannel {
        name: file.name.value.clone(),
        read: read?,
        scale: file.scale.si,
        u: u?,
        u_scale: file.scale_uncertainty.as_ref().map_or(U_SCALE, |u| u.si.abs()),
        // At most 16 bits: both ends fit.
        ends: (-half as i16, (half - 1) as i16),
        unit,
    })
}

/// A piece and its request must leave every poll of the link its slot: then they outlast neither the tightest
/// staleness nor the heartbeat, which the polls and demands are held against.
fn check_pieces(
    ctx: &mut Context<'_>,
    scope: &Scope<'_>,
    wires: &Wires<'_>,
    file: &rig::Burst,
    burst: &Burst,
) {
    let Some(link) = wires.links[burst.link].link.as_ref().filter(|l| l.baud > 0) else { return };
    let takes = link.line_time(burst.piece_bytes);
    let polls = wires.polls.iter().filter(|p| p.link == burst.link);
    let polls = polls.map(|p| ("poll", &p.file.name, &p.file.every));
    let demands = scope.demands.iter().filter(|d| d.file.link.value == link.name);
    let demands = demands.map(|d| ("demand", d.name, &d.file.every));
    let Some((what, name, every)) = polls.chain(demands).min_by_key(|(_, _, every)| length(every)) else {
        return check_reply(ctx, scope, wires, file, burst);
    };
    let allowed = length(every);
    if takes < allowed {
        return check_reply(ctx, scope, wires, file, burst);
    }
    if ctx.is_wrong(every.at) || ctx.is_wrong(scope.links[burst.link].file.baud.at) {
        return;
    }
    // What is not a sample of the piece stays; a half of the rest leaves room for the controller to think.
    let byte = link.line_time(1000).secs_f64() / 1000.0;
    let room = (allowed.secs_f64() / byte) as usize;
    let fits = room.saturating_sub(burst.piece_bytes - SAMPLE * burst.chunk) / SAMPLE / 2;
    let message = format!(
        "a piece of {} samples takes {} at {} baud, expected less than the {} between two of {}",
        ctx.said(file.chunk.at),
        Duration::from_micros((takes.micros() + 50) / 100 * 100),
        link.baud,
        every.text,
        ctx.named(what, name),
    );
    let help = if fits > 0 {
        format!("read {fits} samples at once, or give the bursts a link of their own")
    } else {
        "give the bursts a link of their own".to_string()
    };
    ctx.refuse(Diag::at(file.chunk.at, message).other(every.at, "").help(help));
}

/// A piece whose reply lasts longer than a reply may would never be heard to its end.
fn check_reply(
    ctx: &mut Context<'_>,
    scope: &Scope<'_>,
    wires: &Wires<'_>,
    file: &rig::Burst,
    burst: &Burst,
) {
    let written = scope.links[burst.link].file;
    let Some(link) = wires.links[burst.link].link.as_ref() else { return };
    let takes = link.line_time(block_length(burst.chunk) + link.ends_with.len());
    let within = &written.reply_within;
    if takes < length(within) || ctx.is_wrong(within.at) || ctx.is_wrong(written.baud.at) {
        return;
    }
    let message = format!(
        "a piece of {} samples takes {} at {} baud, expected less than the {} in which a reply must come",
        ctx.said(file.chunk.at),
        Duration::from_micros((takes.micros() + 50) / 100 * 100),
        link.baud,
        within.text,
    );
    let help = "read fewer samples at once, or give replies of this link more time";
    ctx.refuse(Diag::at(file.chunk.at, message).other(within.at, "").help(help));
}

/// The bursts of a test: index of the sort, index of the segment. A coast is a segment like any other here; its bursts
/// begin once the torque is proved to be off.
pub(super) fn takes(
    ctx: &mut Context<'_>,
    scope: &Scope<'_>,
    file: &suite::Test,
    segments: &[Laid],
) -> Option<Vec<(usize, Option<usize>)>> {
    let names: Vec<&str> =
        scope.links.iter().flat_map(|l| l.file.burst.iter().map(|b| b.name.value.as_str())).collect();
    let known: Vec<&str> = segments.iter().map(|s| s.name.as_str()).collect();
    let take = |take: &suite::Take| {
        let burst = ctx.look_up("a burst of the rig", &take.take, &names);
        let Some(over) = &take.over else { return Some((burst?, None)) };
        let index = ctx.look_up("a segment of this test", over, &known)?;
        Some((burst?, Some(index)))
    };
    let takes: Vec<Option<(usize, Option<usize>)>> = file.burst.iter().map(take).collect();
    takes.into_iter().collect()
}
