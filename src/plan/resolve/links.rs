//! Links, their settings and poll groups.

use super::context::{Context, length};
use super::scope::{Link as Named, Scope};
use crate::diag::Diag;
use crate::files::read::suggestion;
use crate::files::rig;
use crate::plan::{Exchange, Frame, Group, Link, Setting};

/// What the links carry, in the order of the files.
pub(super) struct Wires<'a> {
    pub links: Vec<Line>,
    pub polls: Vec<Poll<'a>>,
    /// Every pattern of a poll could be read: only then can a channel be said to be in none.
    pub polls_complete: bool,
}

/// A link without its budget.
pub(super) struct Line {
    /// What ends a line; the usual end if the file's own cannot be used.
    pub ends_with: Vec<u8>,
    /// The link, if nothing is wrong with it.
    pub link: Option<Link>,
}

/// A poll group.
pub(super) struct Poll<'a> {
    pub link: usize,
    pub file: &'a rig::Poll,
    pub exchange: Option<Exchange>,
}

impl Wires<'_> {
    /// Where a channel stands: index of its group and of the field in it.
    pub fn place_of(&self, channel: &str) -> Option<(usize, usize)> {
        self.polls.iter().enumerate().find_map(|(group, poll)| {
            let fields = poll.exchange.as_ref()?.expect.fields();
            Some((group, fields.iter().position(|f| f == channel)?))
        })
    }

    /// The groups, their fields with the channels' indices in the file.
    pub fn groups(&self, scope: &Scope<'_>) -> Option<Vec<Group>> {
        let group = |poll: &Poll<'_>| {
            let exchange = poll.exchange.clone()?;
            let channel = |field: &String| scope.channels.iter().position(|c| c.name.value == *field);
            let fields = exchange.expect.fields().iter().map(channel).collect();
            Some(Group {
                name: poll.file.name.value.clone(),
                link: poll.link,
                every: length(&poll.file.every),
                exchange,
                fields,
            })
        };
        self.polls.iter().map(group).collect()
    }
}

/// Resolves links and polls.
pub(super) fn wires<'a>(ctx: &mut Context<'a>, scope: &Scope<'a>) -> Wires<'a> {
    let mut wires = Wires { links: Vec::new(), polls: Vec::new(), polls_complete: true };
    if scope.links.is_empty() {
        ctx.refuse(Diag::general("the rig has no link").help("add [link.NAME] with a port"));
    }
    for (index, named) in scope.links.iter().enumerate() {
        let line = line(ctx, scope, index);
        for poll in &named.file.poll {
            let exchange = ctx.exchange(&poll.send, &poll.expect, &line.ends_with);
            wires.polls_complete &= exchange.is_some();
            wires.polls.push(Poll { link: index, file: poll, exchange });
        }
        wires.links.push(line);
    }
    check_fields(ctx, scope, &wires);
    check_shapes(ctx, &wires);
    wires
}

/// A reply says nothing of the question: one that comes after its time must not fit what was asked for since.
fn check_shapes(ctx: &mut Context<'_>, wires: &Wires<'_>) {
    for (index, poll) in wires.polls.iter().enumerate() {
        let Some(exchange) = &poll.exchange else { continue };
        let before = wires.polls[..index].iter().find(|p| {
            p.link == poll.link
                && p.exchange.as_ref().is_some_and(|e| e.expect.is_shaped_like(&exchange.expect))
        });
        if let Some(before) = before {
            let (at, first) = (poll.file.expect.at, before.file.expect.at);
            let message = format!(
                "what fits {} fits poll `{}` as well ({}): a reply that comes too late for one would be read as the other's",
                ctx.said(at),
                before.file.name.value,
                ctx.cite(first)
            );
            let help = "let the two differ in how many values they hold, in what stands between them, or in a word of their own; \
                        polls may be joined, and one poll may ask more than one query";
            ctx.refuse(Diag::at(at, message).other(first, "the first").help(help));
        }
    }
}

fn line(ctx: &mut Context<'_>, scope: &Scope<'_>, index: usize) -> Line {
    let Named { name, file } = scope.links[index];
    check_port(ctx, scope, index);
    let ends_with = ends_with(ctx, file);
    let frame = frame(ctx, file);
    if file.baud.value == 0 {
        let message = format!("{} carries nothing, expected the line rate", ctx.said(file.baud.at));
        ctx.refuse(Diag::at(file.baud.at, message).help("write it like `baud = 115200`"));
    }
    let unsolicited: Vec<_> = file.unsolicited.iter().map(|p| ctx.pattern(p, &ends_with)).collect();
    let identity = file.identity.as_ref().map(|i| identity(ctx, i, &ends_with));
    let settings = settings(ctx, file, &ends_with);
    let link = || {
        Some(Link {
            name: name.value.clone(),
            port: file.port.value.clone(),
            machine: file.behind.is_some(),
            baud: file.baud.value,
            frame: frame?,
            ends_with: ends_with.clone(),
            reply_within: length(&file.reply_within),
            settle: file.settle.as_ref().map_or(crate::time::Duration::ZERO, length),
            unsolicited: unsolicited.into_iter().collect::<Option<_>>()?,
            identity: match identity {
                Some(identity) => Some(identity?),
                None => None,
            },
            settings: settings?,
            line_max: 0,
            load: (0.0, 0.0),
        })
    };
    let link = link();
    Line { ends_with, link }
}

fn check_port(ctx: &mut Context<'_>, scope: &Scope<'_>, index: usize) {
    let port = &scope.links[index].file.port;
    if port.trim().is_empty() {
        let message = format!("{} is no port", ctx.said(port.at));
        ctx.refuse(Diag::at(port.at, message).help("write \"twin\" or a device such as \"/dev/ttyUSB0\""));
    }
    let twin = port.value == "twin";
    if twin && ctx.rig.twin.is_none() {
        let message = format!("{} is the simulated controller, but the rig has no [twin]", ctx.said(port.at));
        ctx.refuse(Diag::at(port.at, message).help("add [twin] with the simulated supply, or name a device"));
    }
    if let (true, Some(behind)) = (twin, &scope.links[index].file.behind) {
        let message = format!(
            "{} stands behind this link, but its port is the simulated controller ({})",
            ctx.said(behind.at),
            ctx.cite(port.at)
        );
        let help = "take `behind` out, or name the device that leads to the machine";
        ctx.refuse(Diag::at(behind.at, message).other(port.at, "").help(help));
    }
    // The twin has a port for each link that goes to it.
    let first = scope.links[..index].iter().find(|l| l.file.port.value == port.value);
    if let (Some(first), false) = (first, twin) {
        ctx.twice("port", port.at, first.file.port.at);
    }
}

fn ends_with(ctx: &mut Context<'_>, file: &rig::Link) -> Vec<u8> {
    match &file.ends_with {
        Some(ends) if ends.is_empty() => {
            let message = format!("{} ends no line", ctx.said(ends.at));
            ctx.refuse(Diag::at(ends.at, message).help("write it like \"\\n\" or \"\\r\\n\""));
            b"\n".to_vec()
        }
        Some(ends) => ends.as_bytes().to_vec(),
        None => b"\n".to_vec(),
    }
}

fn frame(ctx: &mut Context<'_>, file: &rig::Link) -> Option<Frame> {
    let Some(text) = &file.frame else { return Some(Frame { data_bits: 8, parity: 'N', stop_bits: 1 }) };
    match text.as_bytes() {
        [data @ (b'7' | b'8'), parity @ (b'N' | b'E' | b'O'), stop @ (b'1' | b'2')] => {
            Some(Frame { data_bits: data - b'0', parity: char::from(*parity), stop_bits: stop - b'0' })
        }
        _ => {
            let message = format!("{} is no frame of characters", ctx.said(text.at));
            let help = "write data bits (7 or 8), parity (N, E or O) and stop bits (1 or 2), such as \"8N1\"";
            ctx.refuse(Diag::at(text.at, message).help(help));
            None
        }
    }
}

/// The fields by which a controller may say who it is.
const IDENTITY: [&str; 4] = ["maker", "model", "serial", "build"];

fn identity(ctx: &mut Context<'_>, file: &rig::Exchange, ends: &[u8]) -> Option<Exchange> {
    let exchange = ctx.exchange(&file.send, &file.expect, ends)?;
    let unknown = |f: &&String| *f != "_" && !IDENTITY.contains(&f.as_str());
    for field in exchange.expect.fields().iter().filter(unknown) {
        let at = ctx.field(&file.expect, field);
        let message = format!("{} is no part of an identity", ctx.said(at));
        ctx.refuse(Diag::at(at, message).help(suggestion(field, IDENTITY)));
    }
    Some(exchange)
}

fn settings(ctx: &mut Context<'_>, file: &rig::Link, ends: &[u8]) -> Option<Vec<Setting>> {
    let mut settings = Vec::new();
    for setting in &file.setting {
        let exchange = ctx.exchange(&setting.send, &setting.expect, ends);
        if let Some(exchange) = &exchange {
            let named: Vec<&String> = exchange.expect.fields().iter().filter(|f| *f != "_").collect();
            if named != ["value"] {
                let message =
                    format!("{} does not take one {{value}} of the setting", ctx.said(setting.expect.at));
                ctx.refuse(Diag::at(setting.expect.at, message).help("other fields are passed over by {_}"));
            }
        }
        settings.push(exchange.map(|exchange| Setting {
            name: setting.name.value.clone(),
            exchange,
            must_be: setting.must_be.as_ref().map(|m| m.value.clone()),
            at_most: None,
        }));
    }
    settings.into_iter().collect()
}

/// Every field of a poll is a channel that is read, and of one poll only.
fn check_fields(ctx: &mut Context<'_>, scope: &Scope<'_>, wires: &Wires<'_>) {
    let names = scope.channel_names();
    let mut seen: Vec<(&str, crate::diag::Place)> = Vec::new();
    for poll in &wires.polls {
        let Some(exchange) = &poll.exchange else { continue };
        let fields: Vec<&String> = exchange.expect.fields().iter().filter(|f| *f != "_").collect();
        if fields.is_empty() {
            let message = format!("{} takes no channel", ctx.said(poll.file.expect.at));
            ctx.refuse(Diag::at(poll.file.expect.at, message).help("name a channel in braces: {speed}"));
        }
        for field in fields {
            let at = ctx.field(&poll.file.expect, field);
            let Some(index) = names.iter().position(|n| n == field) else {
                let message = format!("{} is not a channel of the rig", ctx.said(at));
                ctx.refuse(Diag::at(at, message).help(suggestion(field, names.iter().copied())));
                continue;
            };
            let channel = scope.channels[index];
            if let Some(derived) = &channel.file.derived {
                let message =
                    format!("{} is read here, but it is derived ({})", ctx.said(at), ctx.cite(derived.at));
                ctx.refuse(Diag::at(at, message).other(derived.at, "").help("pass over the field with {_}"));
            }
            match seen.iter().find(|(n, _)| n == field) {
                Some((_, first)) => ctx.twice("channel", at, *first),
                None => seen.push((names[index], at)),
            }
        }
    }
}

/// The controller must say who it is, and which build it runs if one is asked for.
pub(super) fn check_identity(ctx: &mut Context<'_>, wires: &Wires<'_>, build: Option<&str>) {
    if wires.links.iter().any(|l| l.link.is_none()) {
        return;
    }
    let identities: Vec<&Exchange> =
        wires.links.iter().filter_map(|l| l.link.as_ref()?.identity.as_ref()).collect();
    let shows = |field: &str| identities.iter().any(|i| i.expect.fields().iter().any(|f| f == field));
    let Some(link) = ctx.rig.link.iter().next() else { return };
    if !shows("model") {
        let model = &ctx.unit.controller.model;
        let message = format!(
            "no link has an identity with {{model}}: the controller could not be told from another than {}",
            ctx.said(model.at)
        );
        ctx.refuse(
            Diag::at(link.0.at, message)
                .other(model.at, "the model expected")
                .help("add `identity = { send = \"...\", expect = \"...\" }` with {model} to a link"),
        );
    } else if let (Some(build), false) = (build, shows("build")) {
        let message = format!("build `{build}` is asked for, but no link has an identity with {{build}}");
        ctx.refuse(Diag::at(link.0.at, message).help("add {build} to the `expect` of the identity"));
    }
}
