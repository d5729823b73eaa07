//! What a stop frame says, held against all else that is said to the same board: a frame that enables, demands, asks or resets takes no
//! torque off, and a board that acknowledges it shows nothing of that. The other way about, what is sent again and again must not enable.

use super::context::{Context, length};
use crate::diag::{Diag, Place};
use crate::files::read::At;
use crate::files::rig::{Channel, Link, Rig, Role, StopFrame};
use crate::time::Duration;
use crate::wire::{Part, Said};

/// What a line is sent for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum For {
    Enable,
    Demand,
    Poll,
    Setting,
    Identity,
    Reset,
    Burst,
}

/// A line that the rig sends.
struct Line<'a> {
    why: For,
    /// What it belongs to, as messages say it: "poll `drive`".
    of: String,
    link: &'a str,
    text: &'a At<String>,
    said: Said,
}

/// Checks stop frames and enabling steps of the whole rig, parts that this suite does not use included: a stop frame that is one of
/// their lines is as wrong then.
pub(super) fn check(ctx: &mut Context<'_>, rig: &Rig) {
    let lines = lines(rig);
    // What is wrong otherwise has its message already.
    for frame in rig.safe_state.send.iter() {
        if !ctx.is_wrong(frame.send.at) {
            check_frame(ctx, rig, frame, &lines);
        }
    }
    let (enabling, others): (Vec<&Line<'_>>, Vec<&Line<'_>>) =
        lines.iter().partition(|line| line.why == For::Enable);
    for line in others {
        let here = |step: &&&Line<'_>| same_board(rig, step.link, line.link) && enables(line, step, &lines);
        if let Some(step) = enabling.iter().find(here)
            && !ctx.is_wrong(line.text.at)
            && !ctx.is_wrong(step.text.at)
        {
            refuse_enabling(ctx, line, step);
        }
    }
    check_repeat(ctx, rig);
}

/// All that is sent but stop frames, in the order in which a message names them.
fn lines<'a>(rig: &'a Rig) -> Vec<Line<'a>> {
    let mut lines = Vec::new();
    let mut add = |why, of: String, link: &'a str, text: &'a At<String>| {
        lines.push(Line { why, of, link, text, said: Said::of(&text.value) });
    };
    for step in &rig.drive.enable {
        add(For::Enable, "a step of `enable`".into(), &step.link.value, &step.send);
    }
    for (name, demand) in rig.demand.iter() {
        add(For::Demand, format!("demand `{}`", name.value), &demand.link.value, &demand.send);
    }
    for step in &rig.drive.reset {
        add(For::Reset, "a step of `reset`".into(), &step.link.value, &step.send);
    }
    for (name, link) in rig.link.iter() {
        let on = name.value.as_str();
        for poll in &link.poll {
            add(For::Poll, format!("poll `{}`", poll.name.value), on, &poll.send);
        }
        for setting in &link.setting {
            add(For::Setting, format!("setting `{}`", setting.name.value), on, &setting.send);
        }
        if let Some(identity) = &link.identity {
            add(For::Identity, "the identity".into(), on, &identity.send);
        }
        for burst in &link.burst {
            let of = format!("burst `{}`", burst.name.value);
            let asked = std::iter::once(&burst.start).chain(&burst.count).map(|exchange| &exchange.send);
            for text in asked.chain(burst.channel.iter().map(|channel| &channel.read)) {
                add(For::Burst, of.clone(), on, text);
            }
        }
    }
    lines
}

/// Links to the simulated controller are ports of one board; of others each has its own.
fn same_board(rig: &Rig, one: &str, other: &str) -> bool {
    let port =
        |name: &str| rig.link.iter().find(|(link, _)| link.value == name).map(|(_, l)| l.port.value.as_str());
    one == other || (port(one) == Some("twin") && port(other) == Some("twin"))
}

fn check_frame(ctx: &mut Context<'_>, rig: &Rig, frame: &StopFrame, lines: &[Line<'_>]) {
    let said = Said::of(&frame.send.value);
    let here: Vec<&Line<'_>> =
        lines.iter().filter(|line| same_board(rig, line.link, &frame.link.value)).collect();
    // One that enables spoils the frame whatever stands beside it. Else it is wrong if nothing in it is its own.
    let enables = here.iter().find(|line| line.why == For::Enable && said.may_say_all_of(&line.said));
    let own = said.sets().any(|part| !here.iter().any(|line| line.said.may_say(part)));
    let asked = said.sets().next().is_none();
    // A board's own words may ask without a question mark: such a frame sets something as far as can be told, and is a poll.
    let like = enables.or_else(|| {
        let shares = |line: &&&Line<'_>| said.sets().any(|part| line.said.may_say(part));
        here.iter().find(shares).filter(|_| !own)
    });
    if let Some(line) = like {
        refuse_frame(ctx, &frame.send, line);
    } else if asked && !frame.send.trim().is_empty() {
        let message = format!(
            "the stop frame {} only asks: every part of it ends in `?`, and the torque stays on",
            ctx.said(frame.send.at)
        );
        ctx.refuse(Diag::at(frame.send.at, message).help(GATES_OFF));
    }
}

const GATES_OFF: &str =
    "send what makes the board switch its gates off, and nothing that is sent for another purpose";

fn refuse_frame(ctx: &mut Context<'_>, frame: &At<String>, line: &Line<'_>) {
    let (which, other) = (ctx.said(frame.at), ctx.said(line.text.at));
    let does = match line.why {
        For::Enable => "it would switch the gates on",
        For::Demand => "a demand leaves the gates on, at zero as well",
        For::Reset => "a reset is for a drive in fault and takes no torque off",
        For::Poll | For::Setting | For::Identity => "it asks for something and takes no torque off",
        For::Burst => "it is for samples and takes no torque off",
    };
    let message = format!("the stop frame {which} says what {} says, {other}: {does}", line.of);
    ctx.refuse(Diag::at(frame.at, message).other(line.text.at, "the same").help(GATES_OFF));
}

/// Whether a line that is sent for another purpose enables: it says a step, or a part of one. What the step shares with a demand by a
/// number that the demand may have is left out, as long as the step says anything else.
fn enables(line: &Line<'_>, step: &Line<'_>, lines: &[Line<'_>]) -> bool {
    let demanded = |part: &&Part| {
        lines
            .iter()
            .filter(|l| l.why == For::Demand)
            .any(|l| l.said.sets().any(|p| p.has_number() && p.may_be(part)))
    };
    let own: Vec<&Part> = step.said.sets().filter(|part| !demanded(part)).collect();
    if own.is_empty() {
        return line.said.may_say_all_of(&step.said);
    }
    own.iter().any(|part| line.said.may_say(part))
}

fn refuse_enabling(ctx: &mut Context<'_>, line: &Line<'_>, step: &Line<'_>) {
    let message = format!(
        "{} sends {}, which holds a step of `enable`, {}: it would switch the gates on out of turn",
        line.of,
        ctx.said(line.text.at),
        ctx.said(step.text.at),
    );
    let help = match line.why {
        For::Demand => "take that part out: a demand says only what is demanded",
        For::Reset => {
            "take that part out: a reset ends with the gates off, and `enable` is sent after the pre-checks"
        }
        _ => "take that part out: only `enable` may switch the gates on, after the pre-checks",
    };
    ctx.refuse(Diag::at(line.text.at, message).other(step.text.at, "the step").help(help));
}

/// The bytes of a frame, which begins with a terminator as well, and its link.
fn frame_bytes<'a>(rig: &'a Rig, frame: &StopFrame) -> Option<(usize, &'a Link)> {
    let same = |(name, link): &&(At<String>, Link)| name.value == frame.link.value && link.baud.value > 0;
    let (_, link) = rig.link.iter().find(same)?;
    let ends = link.ends_with.as_ref().map_or(1, |ends| ends.len());
    Some((frame.send.len() + 2 * ends, link))
}

/// The longest that the stop frames of one link may take, each with its reply. Without a reply the next goes out as soon as the bytes
/// have left.
fn frames_take(rig: &Rig) -> Option<Duration> {
    let takes = |name: &str| -> Option<Duration> {
        let mut sum = Duration::ZERO;
        for frame in rig.safe_state.send.iter().filter(|f| f.link.value == name) {
            let (bytes, link) = frame_bytes(rig, frame)?;
            // Ten bits a byte, eleven or twelve on lines with parity and two stop bits: twelve, so that it is never too few.
            let on_line = Duration::from_secs_f64(bytes as f64 * 12.0 / f64::from(link.baud.value.max(1)));
            sum =
                sum + on_line + frame.expect.as_ref().map_or(Duration::ZERO, |_| length(&link.reply_within));
        }
        Some(sum)
    };
    rig.safe_state.send.iter().filter_map(|frame| takes(&frame.link.value)).max()
}

/// A first stop frame may be lost. A second must go out, be answered, and be shown by a sample before the time is up.
fn check_repeat(ctx: &mut Context<'_>, rig: &Rig) {
    let (every, within) = (&rig.safe_state.every, &rig.safe_state.not_driven_within);
    if rig.link.iter().any(|(_, link)| ctx.is_wrong(link.reply_within.at)) {
        return;
    }
    let shown = state_takes(rig).zip(frames_take(rig));
    let Some(((poll, shows), takes)) = shown.filter(|_| !ctx.is_wrong(every.at) && !ctx.is_wrong(within.at))
    else {
        return;
    };
    if takes == Duration::ZERO || length(every) == Duration::ZERO {
        return;
    }
    // After a frame that was not answered the next goes out at a repeat, and no sooner than the time for its reply is over.
    let repeats = takes.micros().div_euclid(length(every).micros())
        + i64::from(takes.micros() % length(every).micros() != 0);
    let second = Duration::from_micros(repeats.max(1) * length(every).micros());
    let needs = takes + shows;
    if second + needs <= length(within) || ctx.is_wrong(poll) {
        return;
    }
    let message = format!(
        "stop frames repeated every {} are too rare: if the first is lost, the second goes out after {second}, and a sample that \
         shows the torque off takes up to {needs} more; {} are allowed",
        ctx.said(every.at),
        ctx.said(within.at),
    );
    let latest = whole_ms(length(within) - needs);
    // As often as that the first repeat is the second frame, since the time for the first's reply is over by then.
    let help = if latest >= takes && latest < length(every) {
        format!("repeat them every {latest}, or allow more than {}", second + needs)
    } else {
        format!("allow more than {} for `not_driven_within`", second + needs)
    };
    ctx.refuse(Diag::at(every.at, message).other(within.at, "all the time that there is").help(help));
}

/// Rounded down: a figure that fits.
fn whole_ms(time: Duration) -> Duration {
    Duration::from_millis(time.micros().max(0) / 1000)
}

/// The place of the poll that shows the drive's state, and how long it takes at the longest: one period and its reply.
fn state_takes(rig: &Rig) -> Option<(Place, Duration)> {
    let measured = |c: &Channel| c.measures.as_ref().is_some_and(|m| m.value == Role::DriveState);
    let (name, _) = rig.channel.iter().find(|(_, c)| measured(c))?;
    let field = format!("{{{}}}", name.value);
    rig.link.iter().find_map(|(_, link)| {
        let poll = link.poll.iter().find(|p| p.expect.contains(&field))?;
        Some((poll.every.at, length(&poll.every) + length(&link.reply_within)))
    })
}
