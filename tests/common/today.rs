//! Until when answers that are given in a test hold.
#![allow(missing_docs)]

use time::format_description::well_known::Rfc3339;
use time::{Duration, OffsetDateTime};

/// Half a day from now: a whole one is the most that is taken, and no test takes half of it.
pub fn expires() -> String {
    (OffsetDateTime::now_utc() + Duration::hours(12)).format(&Rfc3339).unwrap()
}
