//! Time as an argument: integer microseconds since the run began.
//!
//! No pure room reads a clock. The shell converts the machine's monotonic clock to an [`Instant`]
//! at one place, and a rehearsal makes instants up.

use std::fmt;
use std::ops::{Add, AddAssign, Sub};

/// A moment: whole microseconds since the run began. Never negative in a trace.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default)]
pub struct Instant(i64);

/// A length of time in whole microseconds; may be negative as a difference.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default)]
pub struct Duration(i64);

impl Instant {
    /// The moment the run began.
    pub const ZERO: Instant = Instant(0);
    /// Later than any moment of a run.
    pub const NEVER: Instant = Instant(i64::MAX);

    /// The moment `micros` microseconds after the run began.
    pub const fn from_micros(micros: i64) -> Self {
        Instant(micros)
    }

    /// The moment `seconds` after the run began, to the nearest microsecond.
    pub fn from_secs_f64(seconds: f64) -> Self {
        Instant((seconds * 1e6).round() as i64)
    }

    /// Microseconds since the run began.
    pub const fn micros(self) -> i64 {
        self.0
    }

    /// Seconds since the run began.
    pub fn secs_f64(self) -> f64 {
        self.0 as f64 / 1e6
    }
}

impl Duration {
    /// No time at all.
    pub const ZERO: Duration = Duration(0);

    /// A length of `micros` microseconds.
    pub const fn from_micros(micros: i64) -> Self {
        Duration(micros)
    }

    /// A length of `millis` milliseconds.
    pub const fn from_millis(millis: i64) -> Self {
        Duration(millis * 1000)
    }

    /// A length of `seconds`, to the nearest microsecond.
    pub fn from_secs_f64(seconds: f64) -> Self {
        Duration((seconds * 1e6).round() as i64)
    }

    /// The length in microseconds.
    pub const fn micros(self) -> i64 {
        self.0
    }

    /// The length in seconds.
    pub fn secs_f64(self) -> f64 {
        self.0 as f64 / 1e6
    }

    /// The length as the standard library's type; a negative length becomes zero.
    pub fn to_std(self) -> std::time::Duration {
        std::time::Duration::from_micros(self.0.max(0) as u64)
    }
}

impl Add<Duration> for Instant {
    type Output = Instant;
    fn add(self, d: Duration) -> Instant {
        Instant(self.0.saturating_add(d.0))
    }
}

impl AddAssign<Duration> for Instant {
    fn add_assign(&mut self, d: Duration) {
        *self = *self + d;
    }
}

impl Sub<Duration> for Instant {
    type Output = Instant;
    fn sub(self, d: Duration) -> Instant {
        Instant(self.0.saturating_sub(d.0))
    }
}

impl Sub for Instant {
    type Output = Duration;
    fn sub(self, other: Instant) -> Duration {
        Duration(self.0.saturating_sub(other.0))
    }
}

impl Add for Duration {
    type Output = Duration;
    fn add(self, other: Duration) -> Duration {
        Duration(self.0.saturating_add(other.0))
    }
}

impl Sub for Duration {
    type Output = Duration;
    fn sub(self, other: Duration) -> Duration {
        Duration(self.0.saturating_sub(other.0))
    }
}

impl std::ops::Mul<i64> for Duration {
    type Output = Duration;
    fn mul(self, times: i64) -> Duration {
        Duration(self.0.saturating_mul(times))
    }
}

/// Seconds with three decimals, as in `2.140 s`.
impl fmt::Display for Instant {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:.3} s", self.secs_f64())
    }
}

/// Milliseconds below a second, seconds from there on.
impl fmt::Display for Duration {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.0.abs() < 1_000_000 {
            write!(f, "{} ms", self.0 as f64 / 1e3)
        } else {
            write!(f, "{} s", self.0 as f64 / 1e6)
        }
    }
}
