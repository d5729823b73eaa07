//! A computer that stands still: what is put down to it, and what never is.

use super::board::{Board, at, drive};
use spinproof::outcome::Cause;
use spinproof::record::{Process, What};
use spinproof::time::{Duration, Instant};

/// The longest time for which this program stood still, in microseconds.
fn longest(events: &[spinproof::record::Event]) -> i64 {
    let still = events.iter().filter_map(|e| match e.what {
        What::StoodStill { process: Process::Runner, from, to } => Some(to - from),
        _ => None,
    });
    still.max().unwrap_or(0)
}

fn blamed(what: &What) -> bool {
    matches!(what, What::BlamesComputer { .. })
}

fn is_lateness(what: &What) -> bool {
    matches!(what, What::Lateness { .. } | What::StoodStill { .. })
}

#[test]
fn a_run_in_which_nothing_was_late_says_nothing_of_it() {
    let ended = drive(Board::new(|_, _, _| None), None);
    assert_eq!(ended.cause, Cause::Passed, "{}", ended.why);
    assert_eq!(ended.count(|w| blamed(w) || is_lateness(w)), 0);
}

/// 60 ms are measured, told, and end nothing.
#[test]
fn standing_still_is_recorded_also_where_nothing_comes_of_it() {
    let mut board = Board::new(|_, _, _| None);
    board.frozen = Some((at(3000), Duration::from_millis(60)));
    let ended = drive(board, None);
    assert_eq!(ended.cause, Cause::Passed, "{}", ended.why);
    assert!((50_000..=60_000).contains(&longest(&ended.events)), "{}", longest(&ended.events));
    let worst = |w: &What| matches!(w, What::Lateness { worst, bound: 5000, over: 1, .. } if (50_000..=60_000).contains(worst));
    assert_eq!(ended.count(worst), 1, "{:?}", ended.events.last());
    assert_eq!(ended.count(blamed), 0);
}

/// A controller that hears nothing for 100 ms switches itself off, as it should: `timeout` makes the board do so.
fn with_timeout(mut script: impl FnMut(Instant, &str) -> Option<String> + 'static) -> Board {
    let mut told: Option<Instant> = None;
    Board::new(move |now, request, seen| {
        if seen.state == 0x27 && told.is_some_and(|told| now - told > Duration::from_millis(100)) {
            seen.state = 0x40;
        }
        if request.starts_with("SOUR:SPE") {
            told = Some(now);
        }
        script(now, request)
    })
}

#[test]
fn a_drive_whose_timeout_came_because_demands_came_late_blames_this_computer() {
    for start in [2700, 2803, 2911] {
        let mut board = with_timeout(|_, _| None);
        board.frozen = Some((at(start), Duration::from_millis(148)));
        let ended = drive(board, None);
        assert_eq!(ended.cause, Cause::NotMade, "frozen at {start} ms: {}", ended.why);
        assert!(ended.why.starts_with("this computer stood still for 14"), "{}", ended.why);
        assert_eq!(ended.count(blamed), 1);
    }
}

/// The same standing still, and something that no lateness explains: what was read once it was over is past its limit.
#[test]
fn a_limit_that_is_crossed_is_never_excused() {
    for (request, from, to, reply, trip) in [
        ("MEAS:DRIV?", 2858, 2880, "64,0.0,1.0,190.0,0.1", "bus_high"),
        ("MEAS:SLOW?", 2858, 9999, "20.0,90.0,20.0,0.0,1", "inverter_hot"),
    ] {
        let mut board = with_timeout(move |now, asked| {
            (asked == request && now > at(from) && now < at(to)).then(|| reply.to_string())
        });
        board.frozen = Some((at(2710), Duration::from_millis(148)));
        let ended = drive(board, None);
        let fired = |w: &What| matches!(w, What::Trip { trip: name, .. } if name == trip);
        assert_eq!(ended.count(fired), 1, "{trip}: {}", ended.why);
        assert!(longest(&ended.events) > 100_000, "{trip}");
        assert!(matches!(ended.cause, Cause::Tripped | Cause::NotConfirmed), "{trip}: {}", ended.why);
        assert_eq!(ended.count(blamed), 0, "{trip}");
    }
}

/// A board that says nothing any more is the link's affair, whatever this computer does meanwhile.
#[test]
fn a_link_that_is_dead_is_not_excused_by_a_nod() {
    let mut board = with_timeout(|now, _| (now > at(2700)).then(String::new));
    board.frozen = Some((at(2760), Duration::from_millis(20)));
    let ended = drive(board, None);
    assert_ne!(ended.cause, Cause::NotMade, "{}", ended.why);
    assert_eq!(ended.count(blamed), 0);
    assert_eq!(
        longest(&ended.events) / 5000,
        3,
        "it stood still for 15 to 20 ms: {}",
        longest(&ended.events)
    );
}

/// Replies that came late only because nobody looked: the watch of the pre-checks begins again, and passes.
#[test]
fn the_watch_of_the_pre_checks_begins_again_after_standing_still() {
    let mut board = Board::new(|_, _, _| None);
    // A reply is on its way then.
    board.frozen = Some((at(602), Duration::from_millis(90)));
    let ended = drive(board, None);
    assert_eq!(ended.cause, Cause::Passed, "{}", ended.why);
    let again = |w: &What| matches!(w, What::Note { text } if text.ends_with("the watch of the pre-checks begins again"));
    assert_eq!(ended.count(again), 1, "{:?}", ended.events);
}
