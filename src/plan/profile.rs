//! Profiles: the demand over time, made of corners with straight lines between them, and of swings.

use super::Swing;
use crate::time::Duration;

/// A demand over time, from the begin of the profile on.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Profile {
    /// Segments without gaps.
    pub segments: Vec<Segment>,
}

/// A piece of a profile.
#[derive(Debug, Clone, PartialEq)]
pub struct Segment {
    /// Name as the suite gives it, or "ramp 2": the kind and the position in the profile.
    pub name: String,
    /// Which kind: hold, ramp, step, stairs, sine, chirp, cycle, coast, by hand, watch, silence, stop frame.
    pub kind: &'static str,
    /// Corners: time since the profile began, value in SI. At least two; two corners at one time
    /// are a jump.
    pub corners: Vec<(Duration, f64)>,
    /// What happens between the corners.
    pub shape: Shape,
}

/// What happens between the corners of a segment.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub enum Shape {
    /// The demand moves along straight lines.
    #[default]
    Straight,
    /// The demand swings from the first corner to the last.
    Swing(Swing),
    /// The torque is off and no demand is in force; it ends at its last corner, or before that when the
    /// shaft is slower than this, SI.
    Coast {
        /// Speed that ends it, if one does.
        below: Option<f64>,
    },
    /// A person works the pedal; the demand is what the fully pressed pedal asks for.
    ByHand,
    /// The drive is never enabled; how far a hand turns the shaft meanwhile, rad.
    Watch {
        /// Forward above zero; `None` if nobody turns it.
        turned: Option<f64>,
    },
    /// No demand is sent; it ends when the drive has switched itself off, and at its last corner at the latest.
    Silence,
    /// The stop frame is sent once and the demands go on: the torque must go off, and stay off to its last corner.
    StopFrame,
}

impl Profile {
    /// How long the whole profile takes.
    pub fn length(&self) -> Duration {
        self.segments.last().and_then(|s| s.corners.last()).map_or(Duration::ZERO, |(t, _)| *t)
    }

    /// The demand at `since` after the begin, SI. Before the begin its first value, after the end its
    /// last; at a jump the later value; 0 for a profile without segments.
    pub fn demand_at(&self, since: Duration) -> f64 {
        match self.segments.get(self.segments.partition_point(|s| s.end() <= since)) {
            Some(segment) => segment.demand_at(since),
            None => self.segments.last().map_or(0.0, Segment::to),
        }
    }

    /// Index of the segment at `since` after the begin; the last one after the end. A segment that
    /// takes no time is never the answer, unless it is the last.
    pub fn segment_at(&self, since: Duration) -> usize {
        let index = self.segments.partition_point(|s| s.end() <= since);
        index.min(self.segments.len().saturating_sub(1))
    }

    /// Whether it only watches: the drive is never enabled.
    pub fn watches(&self) -> bool {
        !self.segments.is_empty() && self.segments.iter().all(|s| matches!(s.shape, Shape::Watch { .. }))
    }

    /// The value of largest magnitude that is demanded, SI, with its sign.
    pub fn top(&self) -> f64 {
        let swings = self.segments.iter().filter_map(Segment::swing).flat_map(|s| s.reach());
        let values = self.segments.iter().flat_map(|s| &s.corners).map(|(_, v)| *v).chain(swings);
        values.fold(0.0, |top: f64, v| if v.abs() > top.abs() { v } else { top })
    }
}

impl Segment {
    /// The demand at its begin (before its jump, if it begins with one), SI.
    pub fn from(&self) -> f64 {
        self.corners.first().map_or(0.0, |(_, v)| *v)
    }

    /// The demand at its end, SI.
    pub fn to(&self) -> f64 {
        self.corners.last().map_or(0.0, |(_, v)| *v)
    }

    /// The demand at `since` after the profile's begin, a moment of this segment, SI.
    fn demand_at(&self, since: Duration) -> f64 {
        let next = self.corners.partition_point(|(t, _)| *t <= since);
        let Some((t1, v1)) = self.corners.get(next) else { return self.to() };
        let Some((t0, v0)) = next.checked_sub(1).map(|before| self.corners[before]) else { return *v1 };
        match self.swing() {
            Some(swing) => swing.at((since - t0).secs_f64()),
            None => v0 + (since - t0).micros() as f64 / (*t1 - t0).micros() as f64 * (v1 - v0),
        }
    }

    /// The swing, if it is one.
    pub fn swing(&self) -> Option<Swing> {
        match self.shape {
            Shape::Swing(swing) => Some(swing),
            Shape::Straight
            | Shape::Coast { .. }
            | Shape::ByHand
            | Shape::Watch { .. }
            | Shape::Silence
            | Shape::StopFrame => None,
        }
    }

    /// Whether the torque is off during it.
    pub fn coasts(&self) -> bool {
        matches!(self.shape, Shape::Coast { .. })
    }

    /// Whether a person works the pedal during it.
    pub fn by_hand(&self) -> bool {
        matches!(self.shape, Shape::ByHand)
    }

    /// Whether no demand is in force during it: the torque is off.
    pub fn undemanded(&self) -> bool {
        matches!(self.shape, Shape::Coast { .. } | Shape::Watch { .. })
    }

    /// Its end, since the profile began.
    fn end(&self) -> Duration {
        self.corners.last().map_or(Duration::ZERO, |(t, _)| *t)
    }

    /// How long it takes.
    pub fn length(&self) -> Duration {
        match (self.corners.first(), self.corners.last()) {
            (Some((t0, _)), Some((t1, _))) => *t1 - *t0,
            _ => Duration::ZERO,
        }
    }
}

/// Lays segments end to end, beginning at the demand's rest value.
#[derive(Debug)]
pub(super) struct Course {
    at: Duration,
    value: f64,
    segments: Vec<Segment>,
}

impl Course {
    /// A course that begins at `rest`, SI.
    pub fn new(rest: f64) -> Course {
        Course { at: Duration::ZERO, value: rest, segments: Vec::new() }
    }

    /// The demand where the course has got to, SI.
    pub fn value(&self) -> f64 {
        self.value
    }

    /// The segments so far.
    pub fn segments(&self) -> &[Segment] {
        &self.segments
    }

    /// How many segments there are so far.
    pub fn len(&self) -> usize {
        self.segments.len()
    }

    /// Goes on from another value, after a segment that could not be laid.
    pub fn resume_at(&mut self, value: f64) {
        self.value = value;
    }

    /// Stays for `length`.
    pub fn hold(&mut self, name: String, length: Duration) {
        self.lay(name, "hold", &[(length, self.value)]);
    }

    /// Moves steadily to `to` within `lasting`.
    pub fn ramp(&mut self, name: String, to: f64, lasting: Duration) {
        self.lay(name, "ramp", &[(lasting, to)]);
    }

    /// Jumps to `to` and stays for `length`.
    pub fn step(&mut self, name: String, to: f64, length: Duration) {
        self.lay(name, "step", &[(Duration::ZERO, to), (length, to)]);
    }

    /// Climbs or descends to `to` by stairs of `by` (above 0; the last may be lower), moving at `rate`
    /// (above 0) from stair to stair and staying `each` on every one, the last included.
    pub fn stairs(&mut self, name: String, to: f64, by: f64, rate: f64, each: Duration) {
        let from = self.value;
        let count = stair_count(to - from, by);
        let mut pieces = Vec::with_capacity(2 * count);
        let mut before = from;
        for stair in 1..=count {
            let next = if stair == count { to } else { from + by.copysign(to - from) * stair as f64 };
            pieces.push((time_of_ramp(next - before, rate), next));
            pieces.push((each, next));
            before = next;
        }
        self.lay(name, "stairs", &pieces);
    }

    /// Swings through whole cycles, `kind` being "sine" or "chirp", and ends at the value where it began.
    pub fn swing(&mut self, name: String, kind: &'static str, swing: Swing) {
        self.lay(name, kind, &[(swing.length(), self.value)]);
        self.shape(Shape::Swing(swing));
    }

    /// Moves straight from point to point, each so long after the one before.
    pub fn table(&mut self, name: String, pieces: &[(Duration, f64)]) {
        self.lay(name, "cycle", pieces);
    }

    /// Coasts for `length` at most, or until the shaft is slower than `below`.
    pub fn coast(&mut self, name: String, length: Duration, below: Option<f64>) {
        self.lay(name, "coast", &[(length, self.value)]);
        self.shape(Shape::Coast { below });
    }

    /// Hands the drive over for `length`, the fully pressed pedal asking for `full`.
    pub fn by_hand(&mut self, name: String, full: f64, length: Duration) {
        self.lay(name, "by hand", &[(Duration::ZERO, full), (length, full)]);
        self.shape(Shape::ByHand);
    }

    /// Watches for `length` with the torque off, the shaft being `turned` by hand in rad or not at all.
    pub fn watch(&mut self, name: String, length: Duration, turned: Option<f64>) {
        self.lay(name, "watch", &[(length, self.value)]);
        self.shape(Shape::Watch { turned });
    }

    /// Sends nothing for `length` at most.
    pub fn silence(&mut self, name: String, length: Duration) {
        self.lay(name, "silence", &[(length, self.value)]);
        self.shape(Shape::Silence);
    }

    /// Sends the stop frame and goes on for `length`.
    pub fn stop_frame(&mut self, name: String, length: Duration) {
        self.lay(name, "stop frame", &[(length, self.value)]);
        self.shape(Shape::StopFrame);
    }

    /// The profile.
    pub fn finish(self) -> Profile {
        Profile { segments: self.segments }
    }

    fn shape(&mut self, shape: Shape) {
        if let Some(segment) = self.segments.last_mut() {
            segment.shape = shape;
        }
    }

    /// Appends a segment from where the course is, through pieces of (how long, where to).
    fn lay(&mut self, name: String, kind: &'static str, pieces: &[(Duration, f64)]) {
        let mut corners = vec![(self.at, self.value)];
        for (length, value) in pieces {
            self.at = self.at + *length;
            self.value = *value;
            corners.push((self.at, self.value));
        }
        self.segments.push(Segment { name, kind, corners, shape: Shape::Straight });
    }
}

/// How many stairs of `by` make `height`; the last may be lower. A remainder below a millionth of a
/// stair comes from rounding in the conversion to SI, not from the file.
pub(super) fn stair_count(height: f64, by: f64) -> usize {
    ((height / by).abs() - 1e-6).ceil().max(1.0) as usize
}

/// How long a ramp over `height` at `rate` takes. Rounded up to whole microseconds, so that the
/// slope never exceeds the rate, but for a remainder that comes from the conversion to SI.
pub(super) fn time_of_ramp(height: f64, rate: f64) -> Duration {
    let micros = (height / rate).abs() * 1e6;
    Duration::from_micros((micros - 1e-3).ceil().max(1.0) as i64)
}

#[cfg(test)]
mod tests;
