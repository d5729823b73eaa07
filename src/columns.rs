//! A view of columns over one run: from a trace, or from anybody's log. What metrics work on.

mod burst;

pub use burst::{Burst, Laid, LostBurst, Waveform};

use crate::units::Unit;

/// A measured or derived quantity over time. Times in seconds since the run began, values in SI.
#[derive(Debug, Clone, PartialEq)]
pub struct Series {
    /// Channel name.
    pub name: String,
    /// Unit in which a person wants to read it.
    pub unit: Unit,
    /// Standard uncertainty of one value from the channel's declaration (type B), SI; it is common
    /// to all values, so averaging does not shrink it.
    pub u: f64,
    /// Moments of sampling in seconds, ascending.
    pub t: Vec<f64>,
    /// Standard uncertainty of each moment in seconds.
    pub u_t: Vec<f64>,
    /// Values in SI, one per moment; NaN where the controller said so.
    pub v: Vec<f64>,
    /// Moments in seconds at which a value was asked for and not got.
    pub lost: Vec<f64>,
    /// Moments in seconds at which a value was due and not asked for: the line had no room.
    pub missed: Vec<f64>,
}

/// A demand over time: each value stands until the next (what the controller was told).
#[derive(Debug, Clone, PartialEq)]
pub struct DemandSeries {
    /// Demand name.
    pub name: String,
    /// Unit in which a person wants to read it.
    pub unit: Unit,
    /// Moments of sending in seconds, ascending.
    pub t: Vec<f64>,
    /// Values in SI.
    pub v: Vec<f64>,
}

/// Polls of one link: for its quality.
#[derive(Debug, Clone, PartialEq)]
pub struct LinkSeries {
    /// Link name.
    pub name: String,
    /// Moment of each request in seconds.
    pub t: Vec<f64>,
    /// Round trip of each in seconds; `None` if no good reply came in time.
    pub round_trip: Vec<Option<f64>>,
    /// Slots at which the request could not be sent in time.
    pub missed: Vec<f64>,
}

/// A stretch of time with a name: a test's profile or a segment of it.
#[derive(Debug, Clone, PartialEq)]
pub struct Span {
    /// Index of the test.
    pub test: usize,
    /// Index of the segment; `None` for the whole profile.
    pub segment: Option<usize>,
    /// Name as the suite gives it.
    pub name: String,
    /// Begin in seconds.
    pub t0: f64,
    /// End in seconds (as far as it got).
    pub t1: f64,
    /// Whether it ran to its end.
    pub complete: bool,
    /// Demand at the begin, SI.
    pub from: f64,
    /// Demand at the end as planned, SI.
    pub to: f64,
}

/// All columns of one run.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Columns {
    /// Channels, measured and derived.
    pub series: Vec<Series>,
    /// Demands.
    pub demands: Vec<DemandSeries>,
    /// Links.
    pub links: Vec<LinkSeries>,
    /// Bursts in order of time.
    pub bursts: Vec<Burst>,
    /// Bursts that were begun and did not come whole.
    pub lost_bursts: Vec<LostBurst>,
    /// Profiles and segments in order of time.
    pub spans: Vec<Span>,
}

impl Series {
    /// Indices of the values within `t0..=t1`.
    pub fn within(&self, t0: f64, t1: f64) -> std::ops::Range<usize> {
        let start = self.t.partition_point(|t| *t < t0);
        let end = self.t.partition_point(|t| *t <= t1);
        start..end.max(start)
    }

    /// How many values were asked for and not got within `t0..=t1`.
    pub fn lost_within(&self, t0: f64, t1: f64) -> usize {
        self.lost.iter().filter(|t| **t >= t0 && **t <= t1).count()
    }

    /// How many values were due and not asked for within `t0..=t1`.
    pub fn missed_within(&self, t0: f64, t1: f64) -> usize {
        self.missed.iter().filter(|t| **t >= t0 && **t <= t1).count()
    }
}

impl DemandSeries {
    /// The value that stood at `t`; `None` before the first.
    pub fn at(&self, t: f64) -> Option<f64> {
        let next = self.t.partition_point(|x| *x <= t);
        next.checked_sub(1).map(|i| self.v[i])
    }
}

impl Columns {
    /// The channel of that name.
    pub fn series(&self, name: &str) -> Option<&Series> {
        self.series.iter().find(|s| s.name == name)
    }

    /// The bursts with that channel that lie wholly within `t0..=t1`, in order of time.
    pub fn bursts_within<'a>(
        &'a self,
        channel: &'a str,
        t0: f64,
        t1: f64,
    ) -> impl Iterator<Item = &'a Burst> + 'a {
        self.bursts_of(channel).filter(move |b| b.lies_within(t0, t1))
    }

    /// The first burst with that channel that was begun within `t0..=t1` and did not come whole.
    pub fn lost_burst_within(&self, channel: &str, t0: f64, t1: f64) -> Option<&LostBurst> {
        let here = |b: &&LostBurst| b.t >= t0 && b.t <= t1 && b.channels.iter().any(|c| c == channel);
        self.lost_bursts.iter().find(here)
    }

    /// The bursts with that channel, wherever they lie.
    pub fn bursts_of<'a>(&'a self, channel: &'a str) -> impl Iterator<Item = &'a Burst> + 'a {
        self.bursts.iter().filter(move |b| b.channel(channel).is_some())
    }
}
