//! What must be usable before anything is held against it: lengths of time as whole microseconds, and
//! limits above zero.

use super::context::{Context, head};
use crate::diag::Diag;
use crate::files::read::{Q, Time};
use crate::files::rig::Trip;
use crate::files::suite::{Segment, each_segment};

/// The longest time that any entry may give: 30 days, far from where sums of microseconds overflow.
pub(super) const LONGEST_S: f64 = 30.0 * 86_400.0;

/// Notes every limit of the rig that allows nothing.
pub(super) fn check_limits(ctx: &mut Context<'_>) {
    let limits = &ctx.rig.limits;
    for (si, at) in [(limits.speed.si, limits.speed.at), (limits.bus.si, limits.bus.at)]
        .into_iter()
        .chain(limits.speed_step.as_ref().map(|s| (s.si, s.at)))
    {
        if si <= 0.0 {
            let message = format!("the limit {} is not above zero", ctx.said(at));
            ctx.refuse(Diag::at(at, message));
        }
    }
}

/// Notes every length of time that is below a microsecond or beyond all use.
pub(super) fn check(ctx: &mut Context<'_>) {
    let (rig, suite) = (ctx.rig, ctx.suite);
    let mut times: Vec<&Q<Time>> = vec![
        &rig.supply.discharge,
        &rig.drive.command_timeout,
        &rig.drive.within,
        &rig.safe_state.every,
        &rig.safe_state.not_driven_within,
        &rig.safe_state.at_rest_within,
        &rig.ready.observe,
        &rig.ready.valid_for,
        &rig.ready.round_trip,
    ];
    for (_, link) in rig.link.iter() {
        times.push(&link.reply_within);
        times.extend(&link.settle);
        times.extend(link.poll.iter().map(|p| &p.every));
    }
    times.extend(rig.channel.iter().filter_map(|(_, c)| c.stale.as_ref()));
    times.extend(rig.demand.iter().map(|(_, d)| &d.every));
    times.extend(rig.recording.iter().map(|(_, r)| &r.piece));
    for trip in rig.trip.iter().chain(suite.trip.iter()).map(|(_, t)| t) {
        let Trip { over, r#for: lasting, .. } = trip;
        times.extend(over.iter().chain(lasting));
    }
    for segment in suite.test.iter().flat_map(|t| each_segment(&t.profile)) {
        match segment {
            Segment::Hold(hold) => times.push(&hold.hold),
            Segment::Ramp(ramp) => times.extend(&ramp.lasting),
            Segment::Step(step) => times.extend(&step.hold),
            Segment::Stairs(stairs) => times.push(&stairs.each),
            Segment::Sine(sine) => times.extend(sine.period.iter().chain(&sine.lasting)),
            Segment::Chirp(chirp) => times.push(&chirp.lasting),
            Segment::Coast(coast) => times.push(&coast.coast),
            Segment::ByHand(hand) => times.push(&hand.by_hand),
            Segment::Watch(watch) => times.push(&watch.watch),
            Segment::Silence(silence) => times.push(&silence.silence),
            Segment::Cycle(_) | Segment::Repeat(_) => {}
        }
    }
    times.extend(suite.test.iter().flat_map(|t| &t.operator).map(|s| &s.within));
    for time in times {
        let message = match time.si {
            s if s < 1e-6 => format!("{} is shorter than a microsecond", ctx.said(time.at)),
            s if s > LONGEST_S => format!("{} is longer than 30 days", ctx.said(time.at)),
            _ => continue,
        };
        ctx.refuse(Diag::at(time.at, message));
    }
    if suite.test.is_empty() {
        ctx.refuse(Diag::at(head(suite.at), "the suite has no test").help("add a [[test]] with a profile"));
    }
}
