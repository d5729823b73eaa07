//! Bursts put together from their pieces.

use super::{Plan, Values, state_of};
use crate::columns::{Burst, LostBurst, Waveform};
use crate::record::{Chunk, Event, NO_LONGER_WANTED, What};

/// Bursts as far as they have come.
#[derive(Debug, Default)]
pub(super) struct Bursts {
    open: Vec<Open>,
    lost: Vec<LostBurst>,
}

#[derive(Debug)]
struct Open {
    burst: usize,
    number: u32,
    t0: i64,
    u_t0: f64,
    gates: Option<bool>,
    /// Counts of each channel from the first on.
    raw: Vec<Vec<i16>>,
}

impl Bursts {
    /// A trigger opens a burst. Whether the gates switched is what the drive's state said last. One that is given up
    /// is closed, and kept as lost unless the plan wanted no more of it.
    pub(super) fn event(&mut self, plan: &Plan, event: &Event, values: &Values) {
        let what = &event.what;
        if let What::BurstLost { burst, number, why } = what
            && let Some(sort) = plan.bursts.get(*burst)
        {
            let found = self.open.iter().rposition(|b| (b.burst, b.number) == (*burst, *number));
            let began = found.map(|i| self.open.remove(i).began());
            if why != NO_LONGER_WANTED {
                let t = began.unwrap_or(event.at.secs_f64());
                self.lost.push(lost(sort, t, format!("{why}, given up at {:.3} s", event.at.secs_f64())));
            }
        }
        if let What::BurstTriggered { burst, number, t, u } = what
            && let Some(sort) = plan.bursts.get(*burst)
        {
            let state = values.latest(plan.drive.state).and_then(|(_, _, value)| state_of(value));
            self.open.push(Open {
                burst: *burst,
                number: *number,
                t0: *t,
                u_t0: *u,
                gates: state.map(|s| s.may_drive()),
                raw: vec![Vec::new(); sort.channels.len()],
            });
        }
    }

    /// A piece is taken if it goes on where its channel has got to; after a gap the burst stays incomplete.
    pub(super) fn chunk(&mut self, chunk: &Chunk) {
        let open = self.open.iter_mut().rev().find(|b| b.burst == chunk.burst && b.number == chunk.number);
        if let Some(raw) = open.and_then(|b| b.raw.get_mut(chunk.channel))
            && raw.len() == chunk.offset as usize
        {
            raw.extend_from_slice(&chunk.counts);
        }
    }

    /// Those that came whole, in the order of their triggers, and those that did not, in order of time.
    pub(super) fn finish(mut self, plan: &Plan) -> (Vec<Burst>, Vec<LostBurst>) {
        let whole = |open: &Open| open.raw.iter().all(|raw| raw.len() == plan.bursts[open.burst].samples);
        let (whole, torn): (Vec<Open>, Vec<Open>) = self.open.into_iter().partition(whole);
        let torn = torn.into_iter().map(|open| {
            let why = "not all of its pieces are in the record".to_string();
            lost(&plan.bursts[open.burst], open.began(), why)
        });
        self.lost.extend(torn);
        self.lost.sort_by(|a, b| a.t.total_cmp(&b.t));
        (whole.into_iter().map(|open| burst(plan, open)).collect(), self.lost)
    }
}

impl Open {
    /// Moment of its trigger in seconds since the run began.
    fn began(&self) -> f64 {
        self.t0 as f64 * 1e-6
    }
}

fn lost(sort: &super::Burst, t: f64, why: String) -> LostBurst {
    let channels = sort.channels.iter().map(|c| c.name.clone()).collect();
    LostBurst { name: sort.name.clone(), channels, t, why }
}

fn burst(plan: &Plan, open: Open) -> Burst {
    let sort = &plan.bursts[open.burst];
    let waveform = |(channel, raw): (&super::BurstChannel, Vec<i16>)| Waveform {
        name: channel.name.clone(),
        unit: channel.unit.clone(),
        scale: channel.scale,
        offset: 0.0,
        u_offset: channel.u,
        u_scale: channel.u_scale,
        ends: channel.ends,
        raw,
    };
    Burst {
        name: sort.name.clone(),
        t0: open.t0,
        u_t0: open.u_t0,
        laid: crate::columns::Laid::Triggered,
        rate: sort.rate,
        u_rate: 1e6 * sort.u_rate,
        gates: open.gates,
        channels: sort.channels.iter().zip(open.raw).map(waveform).collect(),
    }
}
