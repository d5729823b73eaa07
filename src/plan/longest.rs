//! The longest frames of a line: what a stop frame may have to wait for.

use super::{Demand, Plan};

impl Demand {
    /// Bytes of the longest frame of this demand: that of an end of its range.
    pub fn longest_frame(&self) -> usize {
        let ends = [self.range.0, self.range.1].map(|end| self.send.encode(self.unit.from_si(end)).len());
        ends[0].max(ends[1])
    }
}

impl Plan {
    /// Bytes of the longest frame that may go out on a link while something is driven, stop frames left aside.
    pub fn longest_frame(&self, link: usize) -> usize {
        let groups = self.groups.iter().filter(|g| g.link == link).map(|g| g.exchange.send.len());
        let demands = self.demands.iter().filter(|d| d.link == link).map(Demand::longest_frame);
        let steps = self.drive.reset.iter().chain(&self.drive.enable);
        let steps = steps.filter(|s| s.link == link).map(|s| s.send.len());
        let bursts = self.bursts.iter().filter(|b| b.link == link).flat_map(|b| {
            let asked = std::iter::once(&b.start).chain(&b.count).map(|e| e.send.len());
            asked.chain(b.channels.iter().map(|c| c.read.encode(&[b.samples, b.chunk]).len()))
        });
        groups.chain(demands).chain(steps).chain(bursts).max().unwrap_or(0)
    }
}
