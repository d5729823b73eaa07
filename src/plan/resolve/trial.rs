//! The stop frame on trial: whether what is seen of it can be told from what the command timeout does.

use super::context::{Context, head, length};
use super::profiles::Layer;
use super::quiet::seen_after;
use super::scope::{Demand, Scope};
use crate::diag::Diag;
use crate::files::suite::{self, Segment};
use crate::time::Duration;

/// It is the last segment of its test and not the first, and long enough for what the frame does, or a demand after it, to be
/// seen. A drive that obeys must be seen to be off before its command timeout can have taken it off.
pub(super) fn check(ctx: &mut Context<'_>, scope: &Scope<'_>, test: &suite::Test, demand: Demand<'_>) {
    for (position, segment) in test.profile.iter().enumerate() {
        let Segment::StopFrame(frame) = &segment.value else { continue };
        let said = ctx.said(frame.stop_frame.at);
        if let Some(next) = test.profile.get(position + 1) {
            let message = format!("after the stop frame of {said} there is more in this test");
            let help = "the frame has taken the torque off: put what follows into a test of its own";
            ctx.refuse(Diag::at(frame.stop_frame.at, message).other(head(next.at), "this").help(help));
        } else if position == 0 {
            let message = format!("before the stop frame of {said} nothing is demanded");
            ctx.refuse(Diag::at(frame.stop_frame.at, message).help("ramp up or hold first"));
        }
        check_times(ctx, scope, test, demand, frame);
    }
}

fn check_times(
    ctx: &mut Context<'_>,
    scope: &Scope<'_>,
    test: &suite::Test,
    demand: Demand<'_>,
    frame: &suite::StopFrame,
) {
    let timeout = &ctx.rig.drive.command_timeout;
    let beside = |demand: &&Demand<'_>| test.with.iter().any(|(name, _)| name.value == demand.name.value);
    let told = scope.demands.iter().filter(beside).map(|d| &d.file.every).chain([&demand.file.every]);
    let Some(slowest) = told.max_by_key(|every| length(every)) else { return };
    if [timeout.at, slowest.at, frame.stop_frame.at].into_iter().any(|at| ctx.is_wrong(at)) {
        return;
    }
    let seen = seen_after(scope);
    let needed = length(timeout) + seen;
    if length(&frame.stop_frame) <= needed {
        let message = format!(
            "the demands go on for {} after the stop frame, which may be over before a drive is seen that goes on, or comes \
             back, by its command timeout {}",
            ctx.said(frame.stop_frame.at),
            ctx.said(timeout.at),
        );
        let help = format!("allow more than {needed}");
        ctx.refuse(Diag::at(frame.stop_frame.at, message).other(timeout.at, "command timeout").help(help));
    }
    let window = (length(timeout) - length(slowest)).max(Duration::ZERO);
    if window <= seen {
        let message = format!(
            "a drive that obeys the stop frame of {} may be seen to be off only after {seen}, and its command timeout {} may have \
             taken it off {window} after the frame, since a demand is sent every {}: nothing would tell which of the two it was",
            ctx.said(frame.stop_frame.at),
            ctx.said(timeout.at),
            ctx.said(slowest.at),
        );
        let help = "ask for the drive's state more often or with a shorter `reply_within`, or send that demand more often";
        ctx.refuse(Diag::at(frame.stop_frame.at, message).other(slowest.at, "this demand").help(help));
    }
}

impl Layer<'_> {
    pub(super) fn stop_frame(&mut self, frame: &suite::StopFrame, name: String) -> Option<()> {
        self.course.stop_frame(name, length(&frame.stop_frame));
        Some(())
    }
}
