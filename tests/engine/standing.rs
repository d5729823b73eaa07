//! A reading that stands still to the last digit where it had noise, and boards that have none.

use super::board::{Board, Ended, at, drive_suite};
use rand::SeedableRng;
use rand_distr::{Distribution, StandardNormal};
use rand_xoshiro::Xoshiro256PlusPlus;
use spinproof::outcome::Cause;
use spinproof::record::What;
use spinproof::time::{Duration, Instant};

/// At 300 rpm from 4.3 s to 6.3 s or so, at 1,200 rpm from 10.8 s on.
const CLIMB: &str = "schema = 1\nname = \"climb\"\n[[test]]\nname = \"one\"\nprofile = [{ ramp = \"300 rpm\", rate = \"120 rpm/s\" }, \
    { hold = \"2 s\" }, { ramp = \"1200 rpm\", rate = \"200 rpm/s\" }, { hold = \"3 s\" }, { ramp = \"0 rpm\", rate = \"200 rpm/s\" }]\ncriterion = []\n";

/// How a board reads: noise in rpm, the step it prints, how often it refreshes in ms.
#[derive(Clone, Copy)]
struct Reads {
    noise: f64,
    step: f64,
    every: i64,
}

const FINE: Reads = Reads { noise: 0.6, step: 0.01, every: 1 };

/// What of a reply hangs.
#[derive(Clone, Copy, PartialEq)]
enum Hangs {
    Nothing,
    Speed,
    Reply,
}

/// A board that reads so, and of which something hangs between two moments. Its poll of the drive is the same to the byte then.
fn board(reads: Reads, hangs: Hangs, from: Instant, until: Instant) -> Board {
    let mut random = Xoshiro256PlusPlus::seed_from_u64(4);
    let mut last: (i64, String, String) = (-1, String::new(), String::new());
    Board::new(move |now, request, seen| {
        if request != "MEAS:DRIV?" {
            return None;
        }
        let mut noisy = |value: f64, sd: f64, step: f64| {
            let noise: f64 = StandardNormal.sample(&mut random);
            format!("{:.2}", ((value + reads.noise * sd * noise) / step).round() * step)
        };
        let slot = now.micros() / 1000 / reads.every;
        let within = now >= from && now < until && seen.state == 0x27;
        if slot != last.0 && !(within && hangs == Hangs::Reply) {
            let speed = noisy(seen.speed, 1.0, reads.step);
            let current = noisy(1.0, 0.05, reads.step / 20.0);
            let bus = noisy(155.0, 0.3, reads.step / 10.0);
            let bus_current = noisy(0.4, 0.1, reads.step / 10.0);
            let speed = if within && hangs == Hangs::Speed { last.1.clone() } else { speed };
            last = (slot, speed.clone(), format!("{speed},{current},{bus},{bus_current}"));
        }
        Some(format!("{},{}", seen.state, last.2))
    })
}

fn stale(ended: &Ended) -> Option<(String, Instant)> {
    ended.events.iter().find_map(|e| match &e.what {
        What::Trip { trip, found, .. } if trip.ends_with("stale") => Some((found.clone(), e.at)),
        _ => None,
    })
}

#[test]
fn a_reading_or_a_reply_that_hangs_is_stale_wherever_it_hangs() {
    for hangs in [Hangs::Speed, Hangs::Reply] {
        // Soon after the profile began, in the hold, in the ramp, in the second hold.
        for ms in [2500, 5500, 8500, 11_500] {
            let ended = drive_suite(CLIMB, board(FINE, hangs, at(ms), Instant::NEVER));
            assert!(matches!(ended.cause, Cause::Tripped | Cause::NotConfirmed), "{ms}: {}", ended.why);
            let (found, tripped) = stale(&ended).unwrap_or_else(|| panic!("{ms} ms: {}", ended.why));
            assert!(found.contains("to the last digit") && found.contains("in a row were alike"), "{found}");
            let after = tripped - at(ms);
            // As soon as it is older than the rig lets it be, 180 ms.
            assert!(after < Duration::from_millis(200), "{ms} ms: {after} {found}");
        }
    }
}

/// Boards without noise, and with steps that hide it; refreshed ten times a second and asked two hundred times.
#[test]
fn a_coarse_a_quiet_or_a_slow_board_is_not_tripped() {
    for (noise, step, every) in [
        (0.0, 1.0, 1),
        (0.0, 10.0, 1),
        (0.0, 0.01, 1),
        (0.6, 1.0, 1),
        (0.6, 10.0, 1),
        (1.0, 10.0, 1),
        (0.6, 0.01, 100),
        (0.6, 0.01, 20),
        (0.6, 1.0, 100),
        (0.0, 10.0, 100),
        (0.3, 0.1, 10),
    ] {
        let ended = drive_suite(CLIMB, board(Reads { noise, step, every }, Hangs::Nothing, at(0), at(0)));
        assert_eq!(ended.cause, Cause::Passed, "{noise} rpm, {step} rpm, {every} ms: {}", ended.why);
    }
}

/// Younger than it may get: kept, and no trip.
#[test]
fn one_that_thaws_in_time_is_kept_in_the_record() {
    let ended = drive_suite(CLIMB, board(FINE, Hangs::Reply, at(5500), at(5640)));
    assert_eq!(ended.cause, Cause::Passed, "{}", ended.why);
    assert!(
        ended.count(
            |w| matches!(w, What::Note { text } if text.contains("speed") && text.contains("changes again"))
        ) == 1
    );
}
