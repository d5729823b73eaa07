//! The stop frame on trial: sent once while the demands go on, it must take the torque off by itself.

use super::board::{Board, Seen, at, began, drive_plan, drive_suite};
use super::common::RIG;
use spinproof::outcome::Cause;
use spinproof::record::{Stage, What};
use spinproof::time::{Duration, Instant};
use std::cell::RefCell;
use std::rc::Rc;

/// What was sent to the board, and when.
type Sent = Rc<RefCell<Vec<(Instant, String)>>>;

/// The stop frame while it turns.
const TRIAL: &str = "schema = 1\nname = \"trial\"\n[[test]]\nname = \"one\"\n\
    profile = [{ ramp = \"60 rpm\", rate = \"120 rpm/s\" }, { hold = \"1 s\" }, { stop_frame = \"200 ms\" }]\ncriterion = []\n";

const FRAME: &str = "CONT:WORD 0;*OPC?";

/// A board on which so much comes about once it drives and has had its stop frame for the first time: the moment since then, the
/// request, the board.
fn after_the_frame(
    mut says: impl FnMut(Duration, &str, &mut Seen) -> Option<String> + 'static,
) -> (Board, Sent) {
    let log = Rc::new(RefCell::new(Vec::new()));
    let (seen, mut framed) = (log.clone(), None);
    let board = Board::new(move |now, request, board| {
        seen.borrow_mut().push((now, request.to_string()));
        if board.state == 0x27 && request == FRAME {
            framed.get_or_insert(now);
        }
        framed.and_then(|framed: Instant| says(now - framed, request, board))
    });
    (board, log)
}

/// A frame that does nothing by itself: it is acknowledged.
fn ignored(request: &str) -> Option<String> {
    (request == FRAME).then(|| "1".into())
}

fn drive_line(state: u16, board: &Seen, current: f64) -> Option<String> {
    Some(format!("{state},{},{current},155.0,0.1", board.speed))
}

fn proved(what: &What) -> bool {
    matches!(what, What::StopFrameProved { .. })
}

#[test]
fn a_board_that_obeys_passes_and_its_time_is_kept() {
    let (board, log) = after_the_frame(|_, _, _| None);
    let ended = drive_suite(TRIAL, board);
    assert_eq!(ended.cause, Cause::Passed, "{}", ended.why);
    let (from, over) = (ended.when(began(2)), ended.when(|w| matches!(w, What::StopBegan { .. })));
    assert_eq!(over - from, Duration::from_millis(200));
    let log = log.borrow();
    let within =
        |word: &str| log.iter().filter(|(at, r)| *at >= from && *at < over && r.contains(word)).count();
    assert_eq!(within(FRAME), 1, "the frame is sent once");
    assert!(
        within("SOUR:SPE 60.0") >= 9,
        "the demands go on at their last value: {}",
        within("SOUR:SPE 60.0")
    );
    let kept = ended.events.iter().find(|e| proved(&e.what)).expect("it is kept");
    let What::StopFrameProved { took: (least, most), controller, .. } = kept.what else { panic!("{kept:?}") };
    // Its first sample that was asked for after the frame shows off: at most one poll of 5 ms later, and a reply takes 1 ms.
    assert_eq!((least, controller), (0, 0));
    assert!((1_000..=7_000).contains(&most), "{most} us");
}

#[test]
fn a_frame_that_is_acknowledged_and_ignored_trips_sooner_than_the_command_timeout() {
    let (board, log) = after_the_frame(|_, request, _| ignored(request));
    let ended = drive_suite(TRIAL, board);
    // Nothing ever takes this board's torque off.
    assert_eq!(ended.cause, Cause::NotConfirmed, "{}", ended.why);
    let trip = ended.when(|w| matches!(w, What::Trip { trip, .. } if trip == "stop frame"));
    let frame =
        log.borrow().iter().find(|(at, r)| *at >= ended.when(began(2)) && r == FRAME).expect("a frame").0;
    // A timeout of 100 ms, a demand every 20 ms: the last of them before the frame lets it expire after 80 ms.
    assert_eq!(trip - frame, Duration::from_millis(80));
    assert!(
        ended.why.contains("`operation enabled`") && ended.why.contains("which was acknowledged"),
        "{}",
        ended.why
    );
    let told = log.borrow().iter().any(|(at, r)| *at > trip && r.starts_with("SOUR:SPE"));
    assert!(!told, "no demand is sent after the trip");
    assert_eq!(ended.count(proved), 0);
    assert_eq!(ended.count(|w| matches!(w, What::ProfileEnded { .. })), 0, "the test is not complete");
}

/// The demands fed its command timeout until the trip; then they stop, and it switches itself off. That is an end by its timeout,
/// never one by the frame.
#[test]
fn the_command_timeout_does_not_pass_for_the_frame() {
    let mut told = at(0);
    let board = Board::new(move |now, request, board| {
        if request.starts_with("SOUR:SPE") {
            told = now;
        }
        if board.state == 0x27 && now - told > Duration::from_millis(100) {
            board.state = 0x08;
        }
        ignored(request)
    });
    let ended = drive_suite(TRIAL, board);
    assert_eq!(ended.cause, Cause::Tripped, "{}", ended.why);
    assert!(ended.why.starts_with("stop frame: "), "{}", ended.why);
    assert_eq!(ended.stages(Stage::NotDriven), [true], "by its timeout, in the winding down");
    assert_eq!(ended.count(proved), 0);
}

/// A frame after which the board takes no demands, so that its timeout takes the torque off 100 ms after the last.
#[test]
fn a_frame_that_only_deafens_the_board_trips() {
    let (board, _) = after_the_frame(|since, request, board| {
        if since > Duration::from_millis(85) {
            board.state = 0x08;
        }
        ignored(request)
    });
    let ended = drive_suite(TRIAL, board);
    assert_eq!(ended.cause, Cause::Tripped, "{}", ended.why);
    assert!(ended.why.starts_with("stop frame: "), "{}", ended.why);
}

#[test]
fn a_demand_that_brings_the_torque_back_trips() {
    let (board, _) = after_the_frame(|since, request, board| {
        if since > Duration::from_millis(100) && request.starts_with("SOUR:SPE") {
            board.state = 0x27;
        }
        None
    });
    let ended = drive_suite(TRIAL, board);
    assert_eq!(ended.cause, Cause::Tripped, "{}", ended.why);
    assert!(ended.why.contains("`operation enabled` again after its stop frame"), "{}", ended.why);
    assert_eq!(ended.count(proved), 0);
}

#[test]
fn a_board_that_says_off_while_current_flows_trips() {
    let (board, _) = after_the_frame(|_, request, board| match request {
        "MEAS:DRIV?" if board.state == 0x40 => drive_line(0x40, board, 12.0),
        _ => None,
    });
    let ended = drive_suite(TRIAL, board);
    assert!(
        ended.why.contains("stop frame: the drive is `switch on disabled`, phase current 12"),
        "{}",
        ended.why
    );
    assert_eq!(ended.count(proved), 0);
}

/// A current that comes back while the board goes on saying that it is off.
#[test]
fn current_that_flows_again_trips() {
    let (board, _) = after_the_frame(|since, request, board| {
        let again = since > Duration::from_millis(100) && since < Duration::from_millis(300);
        (request == "MEAS:DRIV?" && again).then(|| drive_line(0x40, board, 12.0)).flatten()
    });
    let ended = drive_suite(TRIAL, board);
    assert_eq!(ended.cause, Cause::Tripped, "{}", ended.why);
    assert!(
        ended.why.contains("stop frame: phase current 12") && ended.why.contains("again"),
        "{}",
        ended.why
    );
}

/// A board that switches itself off just before the frame, and says so before or after it: what took the torque off was not the frame.
#[test]
fn a_board_that_fails_just_before_the_frame_trips() {
    for before in 0..20 {
        let mut since = None;
        let board = Board::new(move |now, request, board| {
            if request == "SOUR:SPE 60.0;*OPC?" {
                since.get_or_insert(now);
            }
            // The ramp's end is told 1 s before the frame.
            let fails = since.is_some_and(|since| now - since >= Duration::from_millis(1000 - before));
            if board.state == 0x27 && fails {
                board.state = 0x08;
            }
            // A fault stays one, whatever the stop frame says (CiA 402).
            (request == FRAME && board.state == 0x08).then(|| "1".into())
        });
        let ended = drive_suite(TRIAL, board);
        assert_eq!(ended.cause, Cause::Tripped, "{before} ms before: {}", ended.why);
        let words = ["drive state: the drive is `fault`", "stop frame: the drive is `fault`"];
        assert!(words.iter().any(|w| ended.why.starts_with(w)), "{before} ms before: {}", ended.why);
        assert_eq!(ended.count(proved), 0);
    }
}

/// A reply that left the board before the frame and comes after it shows nothing, whatever it says.
#[test]
fn a_reply_under_way_when_the_frame_goes_out_is_no_proof() {
    let (mut board, _) = after_the_frame(|_, request, _| ignored(request));
    board.late = Duration::from_millis(4);
    let ended = drive_suite(TRIAL, board);
    assert_eq!(ended.count(proved), 0, "{}", ended.why);
}

/// A board that refuses demands while its torque is off does what it may; neither the missing acknowledgements nor the line that is
/// quiet after each refusal are held against it.
#[test]
fn a_board_that_refuses_demands_while_it_is_off_passes() {
    for reply in ["refused", ""] {
        let (board, log) = after_the_frame(move |_, request, board| {
            (request.starts_with("SOUR:SPE") && board.state == 0x40).then(|| reply.into())
        });
        let ended = drive_suite(TRIAL, board);
        assert_eq!(ended.cause, Cause::Passed, "`{reply}`: {}", ended.why);
        let from = ended.when(began(2));
        let told = log.borrow().iter().filter(|(at, r)| *at > from && r.starts_with("SOUR:SPE")).count();
        assert!(told <= 2, "`{reply}`: one refusal is enough, and there were {told}");
    }
}

/// The controller takes 30 ms by itself; the rig says 2 ms. What it had acknowledged it had.
#[test]
fn a_controller_slower_than_the_rig_says_trips() {
    let slow = |ms: i64| {
        let (board, _) = after_the_frame(move |since, request, board| {
            if request == FRAME {
                return Some("1".into());
            }
            if since > Duration::from_millis(ms) && board.state == 0x27 {
                board.state = 0x40;
            }
            None
        });
        board
    };
    let ended = drive_suite(TRIAL, slow(30));
    assert_eq!(ended.cause, Cause::Tripped, "{}", ended.why);
    assert!(
        ended.why.contains("the controller took at least") && ended.why.contains("`controller`"),
        "{}",
        ended.why
    );
    let rig = RIG.replacen("controller = \"2 ms\"", "controller = \"40 ms\"", 1);
    assert_ne!(rig, RIG);
    let ended = drive_plan(&rig, TRIAL, slow(30), None);
    assert_eq!(ended.cause, Cause::Passed, "{}", ended.why);
    let kept = ended.events.iter().find(|e| proved(&e.what)).expect("it is kept");
    let What::StopFrameProved { took: (least, most), controller, .. } = kept.what else { panic!("{kept:?}") };
    assert!(least <= 30_000 && (30_000..40_000).contains(&most), "30 ms lie between {least} and {most} us");
    assert!((20_000..=30_000).contains(&controller), "{controller} us");
}

/// A stop from outside, at any moment of the trial, is a stop with frames, and no demand follows.
#[test]
fn a_stop_during_the_trial_ends_it_at_once() {
    let from = drive_suite(TRIAL, after_the_frame(|_, _, _| None).0).when(began(2));
    for after in [0, 1, 7, 60, 199] {
        let (board, log) = after_the_frame(|_, _, _| None);
        let stop = from + Duration::from_millis(after);
        let ended = drive_plan(RIG, TRIAL, board, Some(stop));
        assert_eq!(ended.cause, Cause::Stopped, "{after} ms: {}", ended.why);
        let log = log.borrow();
        assert!(log.iter().any(|(at, r)| *at == stop && r == FRAME), "{after} ms: a frame at once");
        assert!(!log.iter().any(|(at, r)| *at > stop && r.starts_with("SOUR:SPE")), "{after} ms");
    }
}
