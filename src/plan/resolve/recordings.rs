//! Recordings made beside a run.

use super::context::Context;
use super::scope::Scope;
use crate::diag::Diag;
use crate::files::rig;
use crate::plan::{RecordedChannel, Recording};
use crate::time::Duration;

/// Relative standard uncertainty of a recorder's clock where the file says nothing (common practice for a quartz).
const U_RATE: f64 = 100e-6;
/// Counts of one side of full scale at 16 bits.
const FULL: f64 = 32768.0;

/// Resolves the recordings in the order of the file.
pub(super) fn recordings(ctx: &mut Context<'_>, scope: &Scope<'_>) -> Option<Vec<Recording>> {
    let rig = ctx.rig;
    let recordings: Vec<Option<Recording>> = rig
        .recording
        .iter()
        .map(|(name, file)| {
            ctx.name("recording", name);
            if file.channel.is_empty() {
                let message = format!("{} holds nothing", ctx.named("recording", name));
                let help =
                    "add `channel = [{ name = ..., track = 1, full_scale = ..., scale_uncertainty = ... }]`";
                ctx.refuse(Diag::at(name.at, message).help(help));
            }
            let channels: Vec<Option<RecordedChannel>> =
                file.channel.iter().map(|c| channel(ctx, scope, c)).collect();
            Some(Recording {
                name: name.value.clone(),
                u_rate: file.clock_uncertainty.as_ref().map_or(U_RATE, |u| u.si.abs()),
                piece: Duration::from_secs_f64(file.piece.si),
                channels: channels.into_iter().collect::<Option<_>>()?,
            })
        })
        .collect();
    recordings.into_iter().collect()
}

fn channel(ctx: &mut Context<'_>, scope: &Scope<'_>, file: &rig::RecordedChannel) -> Option<RecordedChannel> {
    ctx.name("a channel of a recording", &file.name);
    let others = scope.channels.iter().map(|c| c.name).chain(scope.bursts.iter().map(|b| b.name));
    if let Some(other) = others.into_iter().find(|n| n.value == file.name.value && n.at != file.name.at) {
        ctx.twice("channel", file.name.at, other.at);
    }
    if file.track.value == 0 {
        let message = format!("track {} cannot be, expected 1 or more", ctx.said(file.track.at));
        ctx.refuse(Diag::at(file.track.at, message).help("tracks are counted from 1: left is 1, right is 2"));
        return None;
    }
    let unit = file.full_scale.unit.clone();
    if file.full_scale.si == 0.0 || unit.offset != 0.0 {
        let message = format!("{} is no full scale", ctx.said(file.full_scale.at));
        let help = "write what full scale of the file stands for, such as \"50 m/s2\"";
        ctx.refuse(Diag::at(file.full_scale.at, message).help(help));
        return None;
    }
    let u = match &file.uncertainty {
        Some(u) => ctx.quantity(u, unit.kind, "as the full scale is", file.full_scale.at)?,
        None => 0.5 * (file.full_scale.si / FULL).abs(),
    };
    Some(RecordedChannel {
        name: file.name.value.clone(),
        track: file.track.value as usize - 1,
        full_scale: file.full_scale.si,
        u,
        u_scale: file.scale_uncertainty.si.abs(),
        unit,
    })
}
