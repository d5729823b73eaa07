//! A board that restarts while nothing is driven: asked again before anything is enabled, and refused if it is another.

use super::board::{Board, Ended, at, driven};
use super::common::RIG;
use spinproof::outcome::Cause;
use spinproof::record::What;
use std::cell::Cell;
use std::rc::Rc;

/// Two tests, one after the other.
const TWO: &str = "schema = 1\nname = \"two\"\n[[test]]\nname = \"one\"\nprofile = [{ ramp = \"60 rpm\", rate = \"120 rpm/s\" }]\ncriterion = []\n\
    [[test]]\nname = \"two\"\nprofile = [{ ramp = \"60 rpm\", rate = \"120 rpm/s\" }]\ncriterion = []\n";

fn drive(suite: &str, board: Board) -> Ended {
    super::board::drive_plan(RIG, suite, board, None)
}

/// What a board answers after it has restarted.
type After = fn(&str) -> Option<String>;

fn another_build(request: &str) -> Option<String> {
    (request == "*IDN?").then(|| "Hollin Clough Motors,HC-7 controller,HC7-0042,1.5.0".into())
}

fn no_timeout(request: &str) -> Option<String> {
    (request == "CONF:COMM:TIM?").then(|| "0".into())
}

fn another_limit(request: &str) -> Option<String> {
    (request == "CONF:CURR:LIM?").then(|| "400".into())
}

fn the_same(_: &str) -> Option<String> {
    None
}

/// Restarts when the first stop frame of the first test has come.
fn restarts_after_one(after: After) -> Board {
    let mut restarted = false;
    Board::new(move |_, request, _| {
        restarted |= request.starts_with("CONT:WORD 0");
        if restarted { after(request) } else { None }
    })
}

fn asked_again(ended: &Ended) -> Vec<(bool, String)> {
    let of = |e: &spinproof::record::Event| match &e.what {
        What::AskedAgain { because, same, found } => Some((*same, format!("{because}; {found}"))),
        _ => None,
    };
    ended.events.iter().filter_map(of).collect()
}

/// No banner, no silence: the board is another before the second test, and that is asked for whatever came before.
#[test]
fn identity_and_settings_are_asked_again_before_each_test() {
    for (after, words) in [
        (another_build as After, "build was `1.4.0`, is `1.5.0`"),
        (no_timeout, "command timeout, ms was `100`, is `0`"),
        (another_limit, "current limit, A peak was `1`, is `400`"),
    ] {
        let ended = drive(TWO, restarts_after_one(after));
        assert_eq!(ended.cause, Cause::Refused, "{}", ended.why);
        assert!(ended.why.contains(words), "{words}: {}", ended.why);
        assert_eq!(ended.count(driven), 1, "the second test is not driven");
    }
    let ended = drive(TWO, restarts_after_one(the_same));
    assert_eq!((ended.cause, ended.count(driven)), (Cause::Passed, 2), "{}", ended.why);
    let again = |w: &What| matches!(w, What::PreCheck { name, test: 1, found, .. } if name == "settings" && found.contains("as at first"));
    assert_eq!(ended.count(again), 1);
    assert_eq!(ended.count(|w| matches!(w, What::PossibleRestart { .. } | What::AskedAgain { .. })), 0);
    assert_eq!(ended.count(|w| matches!(w, What::SettingsHash { .. })), 1, "what is the same is said once");
}

/// A setting that must have a value is held to it again, and so is what whoever looks at the records sees.
#[test]
fn what_is_read_again_is_kept_where_it_differs() {
    let ended = drive(TWO, restarts_after_one(another_build));
    let builds =
        |w: &What| matches!(w, What::Identity { fields, .. } if fields.iter().any(|(_, v)| v == "1.5.0"));
    assert_eq!(ended.count(builds), 1);
    assert_eq!(ended.count(|w| matches!(w, What::SettingsHash { .. })), 2);
    let refused = |w: &What| matches!(w, What::PreCheck { name, holds: false, test: 1, .. } if name == "identity and build");
    assert_eq!(ended.count(refused), 1);
}

/// A board that sends a line in the pre-checks at a moment, by itself or where a reply was expected.
fn banner(line: &'static str, from: i64, until: i64, after: After) -> Board {
    let mut sent = false;
    Board::new(move |now, request, _| {
        let here = now >= at(from) && now < at(until) && request == "MEAS:DRIV?" && !sent;
        if here {
            sent = true;
            return Some(format!("{line}\n64,0.0,0.0,155.0,0.1"));
        }
        if sent { after(request) } else { None }
    })
}

#[test]
fn a_line_that_fits_nothing_is_a_possible_restart() {
    for line in ["# HC-7 ready", "HC-7 ready", "boot 1.4.0, 0 errors"] {
        let ended = drive(TWO, banner(line, 300, 900, the_same));
        assert_eq!(ended.cause, Cause::Passed, "{line}: {}", ended.why);
        let [(same, found)] = &asked_again(&ended)[..] else { panic!("{line}: {:?}", asked_again(&ended)) };
        assert!(*same && found.contains(line) && found.contains("as at first"), "{found}");
        assert_eq!(
            ended.count(|w| matches!(w, What::PossibleRestart { found } if found.contains("drive off"))),
            1
        );
        for (after, words) in [(no_timeout as After, "was `100`, is `0`"), (another_build, "is `1.5.0`")] {
            let ended = drive(TWO, banner(line, 300, 900, after));
            assert_eq!(ended.cause, Cause::Refused, "{line}: {}", ended.why);
            assert!(ended.why.contains(words), "{line}: {}", ended.why);
            assert_eq!(ended.count(driven), 0, "nothing is driven");
        }
    }
}

/// What was seen before the banner was another board's: the watch of one second begins afresh.
#[test]
fn the_pre_checks_begin_afresh_after_a_possible_restart() {
    let ended = drive(TWO, banner("HC-7 ready", 700, 900, the_same));
    let plain = drive(TWO, Board::new(|_, _, _| None));
    let later = ended.when(driven) - plain.when(driven);
    assert!((900..1200).contains(&(later.micros() / 1000)), "later by {later}");
    // One that restarts all the time is not waited for for ever.
    let board = Board::new(|now, request, seen| {
        (request == "MEAS:DRIV?" && seen.state == 0x40 && now.micros() % 100_000 < 5_000)
            .then(|| "HC-7 ready".into())
    });
    let ended = drive(TWO, board);
    assert_eq!(ended.cause, Cause::Refused, "{}", ended.why);
    assert!(ended.why.contains("link quality"), "{}", ended.why);
}

/// By the time the frames of enabling go out the proof is void: another one is made in another run.
#[test]
fn a_restart_between_the_proof_and_the_last_frame_of_enabling_is_refused() {
    let enabling = Rc::new(Cell::new(false));
    let seen_enabling = enabling.clone();
    let mut sent = false;
    let board = Board::new(move |_, request, seen| {
        seen_enabling.set(seen_enabling.get() || request.starts_with("CONT:WORD 6"));
        if seen_enabling.get() && request == "MEAS:DRIV?" && !sent {
            sent = true;
            return Some(format!("HC-7 ready\n{},0.0,0.0,155.0,0.1", seen.state));
        }
        None
    });
    let ended = drive(TWO, board);
    assert_eq!(ended.cause, Cause::Refused, "{}", ended.why);
    assert!(ended.why.contains("pre-checks count no more"), "{}", ended.why);
    assert_eq!(ended.count(driven), 0);
    assert!(asked_again(&ended)[0].0, "and what it is is asked all the same");
}

/// Silent for a while in the pre-checks, and as before after it.
#[test]
fn a_silence_is_a_possible_restart() {
    for (after, cause) in [(the_same as After, Cause::Passed), (no_timeout, Cause::Refused)] {
        for length in [300, 900] {
            let board = Board::new(move |now, request, _| {
                if now >= at(400) && now < at(400 + length) {
                    return Some(String::new());
                }
                if now >= at(400 + length) { after(request) } else { None }
            });
            // Three or more replies in a hundred are lost: on this line that is what a restart costs.
            let rig = RIG.replace("loss = \"0.5 %\"", "loss = \"20 %\"");
            let ended = super::board::drive_plan(&rig, TWO, board, None);
            assert_eq!(ended.cause, cause, "{length} ms: {}", ended.why);
            let said = |w: &What| matches!(w, What::PossibleRestart { found } if found.contains("3 requests in a row"));
            assert_eq!(ended.count(said), 1, "{length} ms");
            assert!(!asked_again(&ended).is_empty());
        }
    }
}

/// One reply that is lost: asked again, and the watch goes on.
#[test]
fn a_single_reply_that_is_lost_makes_the_program_ask_again_and_costs_no_time() {
    let mut lost = false;
    let after: Rc<Cell<After>> = Rc::new(Cell::new(the_same));
    let answers = after.clone();
    let one = move || {
        let answers = answers.clone();
        Board::new(move |now, request, _| {
            if now >= at(500) && request == "MEAS:RES?" && !std::mem::replace(&mut lost, true) {
                return Some(String::new());
            }
            if lost { answers.get()(request) } else { None }
        })
    };
    let rig = RIG.replace("loss = \"0.5 %\"", "loss = \"2 %\"");
    let ended = super::board::drive_plan(&rig, TWO, one.clone()(), None);
    assert_eq!(ended.cause, Cause::Passed, "{}", ended.why);
    let plain = super::board::drive_plan(&rig, TWO, Board::new(|_, _, _| None), None);
    let later = (ended.when(driven) - plain.when(driven)).micros();
    assert!(later < 100_000, "later by {later} us");
    assert_eq!(asked_again(&ended).len(), 1);
    after.set(no_timeout);
    let ended = super::board::drive_plan(&rig, TWO, one(), None);
    assert_eq!(ended.cause, Cause::Refused, "{}", ended.why);
    assert_eq!(ended.count(driven), 0);
}

/// While a person raises the supply the board restarts; in its state nothing shows.
#[test]
fn a_restart_while_a_person_sets_something_is_seen_before_anything_is_enabled() {
    let suite = "schema = 1\nname = \"raised\"\n[[test]]\nname = \"one\"\noperator = [{ id = \"raise\", ask = \"Raise the supply.\", \
        of = \"bus\", between = [\"150 V\", \"160 V\"], within = \"20 s\" }]\n\
        profile = [{ ramp = \"60 rpm\", rate = \"120 rpm/s\" }]\ncriterion = []\n";
    for (after, cause) in [(the_same as After, Cause::Passed), (no_timeout, Cause::Refused)] {
        let mut sent = false;
        let board = Board::new(move |now, request, seen| {
            if request == "MEAS:DRIV?" && seen.state == 0x40 && now < at(3000) {
                let banner = if now >= at(1500) && !std::mem::replace(&mut sent, now >= at(1500)) {
                    "HC-7 ready\n"
                } else {
                    ""
                };
                return Some(format!("{banner}64,0.0,0.0,20.0,0.0"));
            }
            if sent { after(request) } else { None }
        });
        let ended = drive(suite, board);
        assert_eq!(ended.cause, cause, "{}", ended.why);
        assert!(!asked_again(&ended).is_empty());
        assert_eq!(ended.count(driven), usize::from(cause == Cause::Passed));
    }
}

/// Ready to switch on, and nobody asked for it; or not ready to: a board that begins.
#[test]
fn a_state_that_nobody_asked_for_is_a_possible_restart() {
    for state in [0x21, 0x00] {
        for (after, cause) in [(the_same as After, Cause::Passed), (another_limit, Cause::Refused)] {
            let mut begun = false;
            let board = Board::new(move |now, request, seen| {
                if request == "MEAS:DRIV?" && now >= at(500) && now < at(600) {
                    begun = true;
                    return Some(format!("{state},{},0.0,155.0,0.1", seen.speed));
                }
                if begun { after(request) } else { None }
            });
            let ended = drive(TWO, board);
            assert_eq!(ended.cause, cause, "{state}: {}", ended.why);
            let said = |w: &What| matches!(w, What::PossibleRestart { found } if found.contains("nobody asked for it"));
            assert!(ended.count(said) >= 1, "{state}");
        }
    }
}

/// A board that restarts after the last test: what was shown is another board's, and the end says so.
#[test]
fn a_restart_at_the_end_of_the_last_test_is_asked_for_before_the_end() {
    let suite = "schema = 1\nname = \"watch\"\n[[test]]\nname = \"one\"\nprofile = [{ watch = \"2 s\", ask = \"Turn it.\" }]\ncriterion = []\n";
    let watched = |after| drive(suite, banner("HC-7 ready", 2500, 2700, after));
    let ended = watched(the_same as After);
    assert_eq!(ended.cause, Cause::Passed, "{}", ended.why);
    assert_eq!(asked_again(&ended).len(), 1);
    let ended = watched(another_build);
    assert_eq!(ended.cause, Cause::Refused, "{}", ended.why);
    assert!(ended.why.contains("is `1.5.0`"), "{}", ended.why);
}

/// A line while driven is asked about after the stop, and only then: nothing else goes out beside the demands.
#[test]
fn a_line_while_driven_is_asked_about_when_the_drive_is_off() {
    let mut sent = false;
    let log = Rc::new(std::cell::RefCell::new(Vec::new()));
    let seen_log = log.clone();
    let board = Board::new(move |now, request, seen| {
        seen_log.borrow_mut().push((now, request.to_string()));
        if seen.state == 0x27
            && now >= at(1900)
            && request == "MEAS:DRIV?"
            && !std::mem::replace(&mut sent, true)
        {
            return Some(format!("# something\n39,{},1.0,155.0,0.1", seen.speed));
        }
        None
    });
    let ended = drive(TWO, board);
    assert_eq!(ended.cause, Cause::Passed, "{}", ended.why);
    let said = ended.when(|w| matches!(w, What::PossibleRestart { found } if found.contains("drive on")));
    let off = ended.when(|w| matches!(w, What::Stage { confirmed: true, .. }));
    let log = log.borrow();
    assert!(!log.iter().any(|(at, r)| *at >= said && *at < off && r == "*IDN?"));
    assert_eq!(asked_again(&ended).len(), 1);
}
