//! Watching without driving, silence, boards that are late, and a runner that is.

use super::board::{Board, Seen, at, began, drive, drive_suite};
use spinproof::outcome::Cause;
use spinproof::record::{Stage, What};
use spinproof::time::{Duration, Instant};

/// Turned by hand: the drive stays off.
const WATCH: &str = "schema = 1\nname = \"watch\"\n[[test]]\nname = \"one\"\n\
    profile = [{ watch = \"2 s\", ask = \"Turn it.\" }, { watch = \"1 s\", name = \"after\" }]\ncriterion = []\n";

/// Demands stop while it turns.
const SILENCE: &str = "schema = 1\nname = \"silence\"\n[[test]]\nname = \"one\"\n\
    profile = [{ ramp = \"60 rpm\", rate = \"120 rpm/s\" }, { hold = \"1 s\" }, { silence = \"400 ms\" }]\ncriterion = []\n";

fn passed_on(request: &str, log: &std::rc::Rc<std::cell::RefCell<Vec<String>>>) {
    log.borrow_mut().push(request.to_string());
}

#[test]
fn watching_enables_nothing_and_demands_nothing() {
    let log = std::rc::Rc::new(std::cell::RefCell::new(Vec::new()));
    let seen = log.clone();
    let ended = drive_suite(
        WATCH,
        Board::new(move |_, request, _| {
            passed_on(request, &seen);
            None
        }),
    );
    assert_eq!(ended.cause, Cause::Passed, "{}", ended.why);
    assert_eq!(ended.when(began(1)) - ended.when(began(0)), Duration::from_millis(2000));
    assert_eq!(ended.count(|w| matches!(w, What::OperatorStep { ask, .. } if ask == "Turn it.")), 1);
    let log = log.borrow();
    let driving =
        |r: &&String| r.starts_with("SOUR:SPE") || r.starts_with("CONT:WORD") && *r != "CONT:WORD 0;*OPC?";
    assert_eq!(log.iter().find(driving), None, "nothing was told to turn");
    assert!(log.iter().any(|r| r.starts_with("SOUR:PUMP")), "the pump runs");
}

#[test]
fn a_drive_that_comes_on_by_itself_while_watched_trips() {
    let mut since = None;
    let ended = drive_suite(
        WATCH,
        Board::new(move |now, request, seen| {
            let since = now - *since.get_or_insert(now);
            let on = (2000..2100).contains(&(since.micros() / 1000));
            (on && request == "MEAS:DRIV?")
                .then(|| format!("{},0,1.0,155.0,0.1", if on { 0x27 } else { seen.state }))
        }),
    );
    assert_eq!(ended.cause, Cause::Tripped, "{}", ended.why);
    assert!(ended.why.contains("nobody enabled it"), "{}", ended.why);
}

/// Nothing was driven, and a shaft that is never shown at rest is no ordinary end all the same: the next test does not begin.
#[test]
fn a_watched_shaft_that_is_never_at_rest_passes_nothing() {
    let twice =
        format!("{WATCH}[[test]]\nname = \"two\"\nprofile = [{{ watch = \"1 s\" }}]\ncriterion = []\n");
    let board = Board::new(|now, request, seen| {
        (request == "MEAS:DRIV?" && now > at(2000)).then(|| format!("{},30.0,0.0,155.0,0.1", seen.state))
    });
    let ended = drive_suite(&twice, board);
    assert_eq!(ended.cause, Cause::Refused, "{}", ended.why);
    assert!(ended.why.contains("did not confirm `at rest`"), "{}", ended.why);
    assert_eq!(ended.count(|w| matches!(w, What::TestEnded { .. })), 1);
}

#[test]
fn trips_are_watched_while_the_shaft_is_watched() {
    let mut since = None;
    let ended = drive_suite(
        WATCH,
        Board::new(move |now, request, _| {
            let since = now - *since.get_or_insert(now);
            let hot = since > Duration::from_millis(2000) && request == "MEAS:SLOW?";
            hot.then(|| "20.0,90.0,20.0,0.0,1".into())
        }),
    );
    assert_eq!(ended.cause, Cause::Tripped, "{}", ended.why);
    assert!(ended.why.contains("inverter_hot"), "{}", ended.why);
}

/// A board that goes on as if nothing had happened is stopped by frames at the end of the silence.
#[test]
fn a_board_that_never_times_out_is_stopped_after_the_silence() {
    let log = std::rc::Rc::new(std::cell::RefCell::new(Vec::new()));
    let seen = log.clone();
    let ended = drive_suite(
        SILENCE,
        Board::new(move |now, request, _| {
            seen.borrow_mut().push((now, request.to_string()));
            None
        }),
    );
    assert_eq!(ended.cause, Cause::Tripped, "{}", ended.why);
    assert!(ended.why.starts_with("command timeout: the drive is `operation enabled`"), "{}", ended.why);
    let (silent, over) = (ended.when(began(2)), ended.when(|w| matches!(w, What::StopBegan { .. })));
    assert_eq!(over - silent, Duration::from_millis(400));
    let log = log.borrow();
    let demanded = log.iter().filter(|(at, r)| *at > silent && *at < over && r.starts_with("SOUR:"));
    assert_eq!(demanded.count(), 0, "no demand in the silence, the pump's neither");
    assert!(log.iter().any(|(at, r)| *at > silent && *at < over && r == "MEAS:DRIV?"), "the polls go on");
    assert!(log.iter().any(|(at, r)| *at == over && r == "CONT:WORD 0;*OPC?"), "stop frames at once");
    assert!(log.iter().any(|(at, r)| *at > over && r.starts_with("SOUR:PUMP")), "the pump is told again");
    assert_eq!(ended.count(|w| matches!(w, What::ProfileEnded { .. })), 0, "and the test is not complete");
}

/// A board that answers so while it is enabled and was told no speed for so many milliseconds.
fn told_nothing_for(ms: i64, mut says: impl FnMut(&str, &mut Seen) -> Option<String> + 'static) -> Board {
    let mut told: Option<Instant> = None;
    Board::new(move |now, request, seen| {
        if request.starts_with("SOUR:SPE") {
            told = Some(now);
        }
        let silent = told.is_some_and(|told| now - told > Duration::from_millis(ms)) && seen.state == 0x27;
        if silent { says(request, seen) } else { None }
    })
}

/// A board that switches itself off passes.
#[test]
fn a_board_that_times_out_in_the_silence_passes() {
    let ended = drive_suite(
        SILENCE,
        told_nothing_for(100, |_, seen| {
            seen.state = 0x08;
            None
        }),
    );
    assert_eq!(ended.cause, Cause::Passed, "{}", ended.why);
    let after = ended.when(|w| matches!(w, What::SwitchedOff { .. })) - ended.when(began(2));
    assert!((80..130).contains(&(after.micros() / 1000)), "seen after {after}");
}

/// A board that needs longer for a reply than the fastest poll has between two: the slower polls still get their turn.
#[test]
fn a_board_slower_than_the_fastest_poll_starves_none_of_the_others() {
    for late in [7, 12] {
        let mut board = Board::new(|_, _, _| None);
        board.late = Duration::from_millis(late);
        let ended = drive(board, None);
        assert_eq!(ended.cause, Cause::Passed, "{late} ms: {}", ended.why);
    }
}

/// On a board that is slower than its demands come round no poll gets a turn. That ends as a value that is too old, and the
/// words say why it is.
#[test]
fn a_board_slower_than_its_demands_is_told_by_name() {
    let mut board = Board::new(|_, _, _| None);
    board.late = Duration::from_millis(25);
    let ended = drive(board, None);
    assert_eq!(ended.cause, Cause::Tripped, "{}", ended.why);
    for words in
        ["ms allowed", "never got its turn: the last reply took 25 ms", "`drive` is asked for every 5 ms"]
    {
        assert!(ended.why.contains(words), "{words}: {}", ended.why);
    }
    // A board that says nothing more at all is another matter, and nothing is said of turns.
    let silent = Board::new(|now, _, _| (now > at(300)).then(String::new));
    let ended = drive(silent, None);
    assert!(ended.why.contains("ms allowed") && !ended.why.contains("turn"), "{}", ended.why);
}

/// A runner that stood still finds an old acknowledgement: it says that the controller was there when it was told, not that
/// it has been told in the meantime.
#[test]
fn an_acknowledgement_found_late_is_as_old_as_its_demand() {
    for start in 3000..3020 {
        let mut board = Board::new(|_, _, _| None);
        board.frozen = Some((at(start), Duration::from_millis(112)));
        let ended = drive(board, None);
        // And it is this computer that is to blame.
        assert_eq!(ended.cause, Cause::NotMade, "frozen at {start} ms: {}", ended.why);
        assert!(ended.why.contains("has not acknowledged `speed`"), "{}", ended.why);
        assert!(ended.why.starts_with("this computer stood still for 1"), "{}", ended.why);
    }
}

/// While no demand is sent every trip counts: the silence is not waited out.
#[test]
fn trips_are_watched_in_the_silence() {
    let ended = drive_suite(
        SILENCE,
        told_nothing_for(40, |request, seen| {
            (request == "MEAS:DRIV?").then(|| format!("39,{},1.0,190.0,0.1", seen.speed))
        }),
    );
    assert_eq!(ended.cause, Cause::Tripped, "{}", ended.why);
    assert!(ended.why.contains("bus_high"), "{}", ended.why);
    let after = ended.when(|w| matches!(w, What::StopBegan { .. })) - ended.when(began(2));
    assert!(after < Duration::from_millis(100), "stopped after {after}");
}

/// A stop that is confirmed only after its time is no ordinary end, even of a profile that ran to its own.
#[test]
fn a_late_confirmation_is_no_ordinary_end() {
    let mut first: Option<Instant> = None;
    let ended = drive(
        Board::new(move |now, request, _| {
            if request != "CONT:WORD 0;*OPC?" {
                return None;
            }
            let since = now - *first.get_or_insert(now);
            (since < Duration::from_millis(400)).then(|| "1".into())
        }),
        None,
    );
    assert_eq!(ended.cause, Cause::Tripped, "{}", ended.why);
    // What took it off is the graver word: neither the frame nor the timeout did, in its time.
    assert!(
        ended.why.starts_with("stop frame: neither the stop frame nor the command timeout"),
        "{}",
        ended.why
    );
    assert_eq!(ended.stages(Stage::NotDriven), [false, true]);
}

/// A state that was asked for before the last demand, and comes after it, tells nothing of the command timeout: the board goes on driving.
#[test]
fn a_state_asked_for_before_the_last_demand_is_no_proof_of_the_timeout() {
    let began_at = drive_suite(
        SILENCE,
        told_nothing_for(100, |_, seen| {
            seen.state = 0x08;
            None
        }),
    )
    .when(began(2));
    let before = began_at - Duration::from_millis(5);
    let mut asked = 0;
    let count = std::sync::Arc::new(std::sync::Mutex::new(0));
    let seen_by = std::sync::Arc::clone(&count);
    let mut board = Board::new(move |now, request, seen| {
        let off = request == "MEAS:DRIV?" && (before..began_at).contains(&now);
        asked += i32::from(off);
        *seen_by.lock().unwrap() = asked;
        off.then(|| format!("64,{},1.0,155.0,0.1", seen.speed))
    });
    board.slow = Some(("MEAS:DRIV?", before..began_at, Duration::from_millis(10)));
    let ended = drive_suite(SILENCE, board);
    assert!(*count.lock().unwrap() > 0, "nothing was asked for just before the silence");
    assert_eq!(ended.cause, Cause::Tripped, "{}", ended.why);
    assert!(ended.why.contains("command timeout"), "{}", ended.why);
    assert_eq!(ended.count(|w| matches!(w, What::SwitchedOff { .. })), 0);
}
