//! The line around a stop: how long it is quiet, and that no stop frame is late for it.

use super::board::{Board, Script, at, drive_plan, reads};
use super::common::RIG;
use spinproof::outcome::Cause;
use spinproof::record::{Stage, What};
use spinproof::time::{Duration, Instant};
use std::sync::{Arc, Mutex};

const HELD: &str = "schema = 1\nname = \"short\"\n[[test]]\nname = \"one\"\n\
    profile = [{ ramp = \"120 rpm\", rate = \"120 rpm/s\" }, { hold = \"1 s\" }]\ncriterion = []\n";

/// The demo bench whose replies may take 60 ms, with as much `stale` as `check` asks for.
fn patient() -> String {
    let changes = [
        ("reply_within = \"40 ms\"", "reply_within = \"60 ms\""),
        ("stale = \"180 ms\"", "stale = \"186 ms\""),
    ];
    let rig = changes.iter().fold(RIG.to_string(), |rig, (from, to)| rig.replace(from, to));
    rig.replace("command_timeout = \"100 ms\"", "command_timeout = \"150 ms\"")
        .replace("must_be = \"100\"", "must_be = \"150\"")
}

type Asked = Arc<Mutex<Vec<(Instant, String)>>>;

/// A board that notes what it was asked and when.
fn noting(
    mut script: impl FnMut(Instant, &str, &mut super::board::Seen) -> Option<String> + 'static,
) -> (Board, Asked) {
    let asked: Asked = Arc::default();
    let noted = Arc::clone(&asked);
    let script: Box<Script> = Box::new(move |now, request, seen| {
        noted.lock().unwrap().push((now, request.to_string()));
        script(now, request, seen)
    });
    (Board { script, ..Board::new(|_, _, _| None) }, asked)
}

fn stops(ended: &super::board::Ended) -> Vec<Instant> {
    ended.events.iter().filter(|e| matches!(e.what, What::StopSent { .. })).map(|e| e.at).collect()
}

/// The board answers what the stop overtook, and the stop, within 6 ms: the next poll goes out then, not 117 ms later.
#[test]
fn a_stop_that_overtakes_a_poll_is_followed_by_the_next_poll_at_once() {
    let mut overtook = 0;
    for stop in 2500..2506 {
        let (mut board, asked) = noting(|_, request, _| (request == "CONF:COMM:TIM?").then(|| "150".into()));
        board.late = Duration::from_millis(3);
        let ended = drive_plan(&patient(), HELD, board, Some(at(stop)));
        assert_eq!(ended.cause, Cause::Stopped, "{}", ended.why);
        overtook += ended.count(|w| matches!(w, What::Late { .. }));
        let asked = asked.lock().unwrap();
        let next =
            asked.iter().find(|(t, request)| *t > at(stop) && request == "MEAS:DRIV?").expect("a poll");
        assert!(next.0 - at(stop) <= Duration::from_millis(12), "stopped at {stop} ms, polled at {}", next.0);
        assert_eq!(ended.stages(Stage::NotDriven), [true]);
    }
    assert!(overtook > 0, "none of the stops overtook a poll");
}

/// A profile that ran to its end on a board that takes its time, and one reply lost on the way: nothing goes stale.
#[test]
fn a_healthy_board_passes_at_the_end_of_its_profile_and_with_a_reply_lost() {
    for late in [1, 3, 6, 9] {
        for lose in [None, Some(2000), Some(2501)] {
            let mut lost = false;
            let (mut board, _) = noting(move |now, request, _| {
                if request == "CONF:COMM:TIM?" {
                    return Some("150".into());
                }
                let now = request == "MEAS:DRIV?" && lose.is_some_and(|ms| now > at(ms));
                (now && !std::mem::replace(&mut lost, now)).then(String::new)
            });
            board.late = Duration::from_millis(late);
            let ended = drive_plan(&patient(), HELD, board, None);
            assert_eq!(ended.cause, Cause::Passed, "{late} ms, {lose:?} lost: {}", ended.why);
        }
    }
}

/// Whatever the line is busy with, stop frames leave on their grid: every 20 ms on the demo bench, until the board is off.
#[test]
fn stop_frames_keep_their_grid_whatever_the_line_is_busy_with() {
    type Answer = fn(Instant, &str) -> Option<String>;
    let cases: [(&str, i64, Answer); 4] = [
        ("nothing is answered", 1, |now, _| (now >= at(2490)).then(String::new)),
        ("stop frames are not acknowledged", 1, |now, request| {
            let on = reads(request, 0x27, 100.0, 5.0);
            if request.starts_with("CONT:WORD 0") {
                Some(String::new())
            } else {
                on.filter(|_| now >= at(2490))
            }
        }),
        ("stop frames are acknowledged and do nothing", 1, |now, request| {
            let on = reads(request, 0x27, 100.0, 5.0);
            if request.starts_with("CONT:WORD 0") { Some("1".into()) } else { on.filter(|_| now >= at(2490)) }
        }),
        ("a board that takes 5 ms for a reply", 5, |now, request| {
            let on = reads(request, 0x27, 100.0, 5.0);
            if request.starts_with("CONT:WORD 0") { Some("1".into()) } else { on.filter(|_| now >= at(2490)) }
        }),
    ];
    for (what, late, answer) in cases {
        let mut board = Board::new(move |now, request, _| answer(now, request));
        board.late = Duration::from_millis(late);
        let ended = drive_plan(RIG, HELD, board, Some(at(2500)));
        assert_eq!(ended.cause, Cause::NotConfirmed, "{what}: {}", ended.why);
        let began = ended.when(|w| matches!(w, What::StopBegan { .. }));
        let sent = stops(&ended);
        let on_grid: Vec<Instant> = (0..50).map(|k| began + Duration::from_millis(20 * k)).collect();
        assert_eq!(sent[..50], on_grid[..], "{what}");
    }
}

/// A board that obeys and acknowledges nothing, and one that is slower than stop frames come round, are proved off all the same.
#[test]
fn what_proves_a_stop_comes_although_stop_frames_go_on() {
    for (what, late, silent) in
        [("acknowledges nothing", 1, true), ("takes its time", 30, false), ("takes longer", 39, false)]
    {
        let mut board = Board::new(move |_, request, seen| {
            let stop = request.starts_with("CONT:WORD 0") && silent;
            stop.then(|| {
                seen.state = 0x40;
                String::new()
            })
        });
        board.slow = Some(("", at(2000)..Instant::NEVER, Duration::from_millis(late)));
        let ended = drive_plan(RIG, HELD, board, Some(at(2010)));
        assert_eq!(ended.stages(Stage::NotDriven), [true], "{what}: {}", ended.why);
        let proved = ended.when(|w| matches!(w, What::Stage { stage: Stage::NotDriven, .. }));
        assert!(proved < at(2200), "{what}: proved at {proved}");
        assert!(stops(&ended).len() > 1, "{what}");
    }
}
