//! Segments in which no demand is sent: watching with the torque off, and silence.

use super::context::{Context, head, length};
use super::profiles::Layer;
use super::scope::Scope;
use crate::diag::Diag;
use crate::files::rig::Role;
use crate::files::suite::{self, Segment, each_segment};
use crate::time::Duration;

/// A test watches or drives, never both; silence is the last of what it does and not the first.
pub(super) fn check_test(ctx: &mut Context<'_>, test: &suite::Test) {
    let watch = test.profile.iter().find(|s| matches!(s.value, Segment::Watch(_)));
    let other = test.profile.iter().find(|s| !matches!(s.value, Segment::Watch(_)));
    if let (Some(watch), Some(other)) = (watch, other) {
        let message = format!(
            "the torque is off in this segment ({}), and another ({}) drives",
            ctx.cite(head(watch.at)),
            ctx.cite(head(other.at))
        );
        let help = "put the segments that watch into a test of their own";
        ctx.refuse(Diag::at(head(watch.at), message).other(head(other.at), "drives").help(help));
    }
    if let (Some(watch), Some((with, _))) = (watch, test.with.iter().next()) {
        let message = format!(
            "{} is demanded while the torque is off ({})",
            ctx.said(with.at),
            ctx.cite(head(watch.at))
        );
        ctx.refuse(Diag::at(with.at, message).other(head(watch.at), "watches").help("take it out"));
    }
    for segment in &test.profile {
        if let Segment::Repeat(repeat) = &segment.value {
            let quiet =
                |s: &&Segment| matches!(s, Segment::Watch(_) | Segment::Silence(_) | Segment::StopFrame(_));
            if each_segment(&repeat.of).iter().any(quiet) {
                let message = "a segment that leaves the torque off stands in a repeat".to_string();
                let message = format!("{message} ({})", ctx.cite(head(segment.at)));
                ctx.refuse(Diag::at(head(segment.at), message).help("write it out, each in its place"));
            }
        }
    }
    for (position, segment) in test.profile.iter().enumerate() {
        let Segment::Silence(silence) = &segment.value else { continue };
        if position + 1 < test.profile.len() {
            let next = head(test.profile[position + 1].at);
            let message =
                format!("after the silence of {} there is more in this test", ctx.said(silence.silence.at));
            let help = "the controller has switched itself off: put what follows into a test of its own";
            ctx.refuse(Diag::at(silence.silence.at, message).other(next, "this").help(help));
        } else if position == 0 {
            let message =
                format!("before the silence of {} nothing is demanded", ctx.said(silence.silence.at));
            ctx.refuse(Diag::at(silence.silence.at, message).help("ramp up or hold first"));
        }
    }
}

impl Layer<'_> {
    pub(super) fn watch(&mut self, watch: &suite::Watch, name: String) -> Option<()> {
        if let Some(ask) = &watch.ask {
            self.asks.push((self.course.len(), ask.clone()));
        }
        self.course.watch(name, length(&watch.watch), watch.turned.as_ref().map(|t| t.si));
        Some(())
    }

    /// A controller that keeps its timeout must be seen to have done so before the silence is over.
    pub(super) fn silence(
        &mut self,
        ctx: &mut Context<'_>,
        scope: &Scope<'_>,
        silence: &suite::Silence,
        name: String,
    ) -> Option<()> {
        let timeout = &ctx.rig.drive.command_timeout;
        let needed = length(timeout) + seen_after(scope);
        if length(&silence.silence) <= needed
            && !ctx.is_wrong(silence.silence.at)
            && !ctx.is_wrong(timeout.at)
        {
            let message = format!(
                "a silence of {} may be over before a drive that keeps its command timeout {} is seen to be off, which may take {needed}",
                ctx.said(silence.silence.at),
                ctx.said(timeout.at),
            );
            let help = format!("allow more than {needed}");
            ctx.refuse(Diag::at(silence.silence.at, message).other(timeout.at, "command timeout").help(help));
        }
        self.course.silence(name, length(&silence.silence));
        Some(())
    }
}

/// How long a change of the drive's state may go unseen: one period of its poll and one whole wait for a reply.
pub(super) fn seen_after(scope: &Scope<'_>) -> Duration {
    let Some(state) = scope.with_role(Role::DriveState) else { return Duration::ZERO };
    let field = format!("{{{}}}", scope.channels[state].name.value);
    let polls = scope.links.iter().flat_map(|l| l.file.poll.iter().map(move |p| (l, p)));
    let of_state = polls.filter(|(_, p)| p.expect.contains(&field));
    of_state.map(|(l, p)| length(&p.every) + length(&l.file.reply_within)).max().unwrap_or(Duration::ZERO)
}
