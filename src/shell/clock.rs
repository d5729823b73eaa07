//! The one place where the machine's clocks become an [`Instant`].

use crate::time::Instant;
use ::time::OffsetDateTime;
use ::time::format_description::BorrowedFormatItem;
use ::time::macros::format_description;
use rustix::time::{ClockId, Timespec, clock_gettime};

/// RFC 3339 in UTC with six digits of the second.
const RFC_3339_MICROS: &[BorrowedFormatItem<'static>] =
    format_description!("[year]-[month]-[day]T[hour]:[minute]:[second].[subsecond digits:6]Z");

/// CLOCK_MONOTONIC, counted from the moment the run began.
#[derive(Debug, Clone, Copy)]
pub struct Clock {
    began_monotonic: i64,
    began_utc: OffsetDateTime,
}

impl Clock {
    /// A clock that stands at zero now.
    pub fn start() -> Clock {
        Clock { began_monotonic: monotonic_micros(), began_utc: OffsetDateTime::now_utc() }
    }

    /// The present, in whole microseconds since the clock was started.
    pub fn now(&self) -> Instant {
        Instant::from_micros(monotonic_micros() - self.began_monotonic)
    }

    /// How long it is until `at`; nothing if it has passed.
    pub fn until(&self, at: Instant) -> std::time::Duration {
        (at - self.now()).to_std()
    }

    /// CLOCK_MONOTONIC in microseconds at this clock's zero: what two processes of one machine share.
    pub fn began_monotonic(&self) -> i64 {
        self.began_monotonic
    }

    /// UTC at this clock's zero, RFC 3339 with microseconds.
    pub fn began_utc(&self) -> String {
        rfc_3339(self.began_utc)
    }
}

/// UTC now, RFC 3339 with microseconds. It may step; nothing is timed by it.
pub fn utc_now() -> String {
    rfc_3339(OffsetDateTime::now_utc())
}

/// CLOCK_MONOTONIC in microseconds.
pub fn monotonic_micros() -> i64 {
    let Timespec { tv_sec, tv_nsec } = clock_gettime(ClockId::Monotonic);
    tv_sec * 1_000_000 + tv_nsec / 1000
}

/// CLOCK_MONOTONIC in nanoseconds, for spacing bytes at line rates above a million bits a second.
pub(crate) fn monotonic_nanos() -> u64 {
    let Timespec { tv_sec, tv_nsec } = clock_gettime(ClockId::Monotonic);
    // CLOCK_MONOTONIC starts at boot and does not go below zero.
    (tv_sec * 1_000_000_000 + tv_nsec).unsigned_abs()
}

/// Asks the kernel not to round this thread's waits up by its usual 50 us, so that slots are met.
/// Best effort: where it is refused, waits are as late as they were.
pub(crate) fn wake_sharply() {
    let _ = rustix::thread::set_current_timer_slack(std::num::NonZeroU64::new(1));
}

fn rfc_3339(moment: OffsetDateTime) -> String {
    moment
        .format(RFC_3339_MICROS)
        .expect("a UTC date and time has every component that the description names")
}

#[cfg(test)]
mod tests {
    use super::*;
    use ::time::format_description::well_known::Rfc3339;

    #[test]
    fn utc_text_is_rfc_3339_with_six_digits() {
        let moment = OffsetDateTime::from_unix_timestamp_nanos(1_796_083_199_000_120_999).expect("in range");
        let text = rfc_3339(moment);
        assert_eq!(text, "2026-11-30T23:59:59.000120Z");
        assert!(OffsetDateTime::parse(&text, &Rfc3339).is_ok());
    }

    #[test]
    fn the_clock_counts_from_its_start_and_never_goes_back() {
        let clock = Clock::start();
        let mut last = Instant::ZERO;
        for _ in 0..1000 {
            let now = clock.now();
            assert!(now >= last);
            last = now;
        }
        assert!(clock.began_monotonic() + last.micros() <= monotonic_micros());
        assert_eq!(clock.until(Instant::ZERO), std::time::Duration::ZERO);
    }
}
