//! A speed that jumps when the torque goes off.

use super::board::{Board, Ended, at, coasting, drive_plan};
use super::common::RIG;
use spinproof::outcome::Cause;
use spinproof::record::{Stage, What};
use spinproof::time::{Duration, Instant};

/// Driven at 200 rpm for a second, then let go.
const SUITE: &str = "schema = 1\nname = \"short\"\n[[test]]\nname = \"one\"\n\
    profile = [{ ramp = \"200 rpm\", rate = \"200 rpm/s\" }, { hold = \"1 s\" }]\ncriterion = []\n";

/// A board that obeys, and whose reading from its first stop frame on is what a test makes of it: the time since, and the speed of a
/// shaft that coasts.
fn reads(mut reading: impl FnMut(Duration, f64) -> Option<String> + 'static) -> Board {
    let mut stopped: Option<Instant> = None;
    Board::new(move |now, request, seen| {
        if request.starts_with("CONT:WORD 0") {
            stopped = stopped.or(Some(now));
        }
        let since = now - stopped?;
        if request != "MEAS:DRIV?" {
            return None;
        }
        let read = reading(since, coasting(200.0, since))?;
        Some(if read.is_empty() { read } else { format!("{},{read},0.5,155.0,0.1", seen.state) })
    })
}

fn drive(board: Board) -> Ended {
    // Nothing else is waited for: forty seconds show no more than eight.
    let rig = RIG.replacen("at_rest_within = \"40 s\"", "at_rest_within = \"8 s\"", 1);
    drive_plan(&rig, SUITE, board, None)
}

fn believed(ended: &Ended) -> bool {
    ended.count(|w| matches!(w, What::Trip { trip, .. } if trip == "speed believed")) == 0
}

/// The reading times a factor from the stop on, whatever that is made of.
#[test]
fn a_reading_that_jumps_at_the_stop_shows_no_rest() {
    for factor in [-1.0, -0.95, -0.285, 0.1, 0.5, 0.75, 0.0, -0.0, 1.0 / 60.0, 0.10472, 5e-324, 1e-300] {
        let ended = drive(reads(move |_, speed| Some(format!("{:e}", speed * factor))));
        assert_eq!(ended.cause, Cause::NotConfirmed, "times {factor}: {}", ended.why);
        assert!(!believed(&ended), "times {factor}");
        let (stop, trip) = (
            ended.when(|w| matches!(w, What::StopSent { .. })),
            ended.when(|w| matches!(w, What::Trip { .. })),
        );
        assert!(trip - stop < Duration::from_millis(120), "times {factor}: {}", trip - stop);
    }
}

#[test]
fn a_reading_that_jumps_to_a_value_and_stays_there_shows_no_rest() {
    for value in ["-57", "-190", "20", "0", "-0.0", "4.9e-324", "100"] {
        let ended = drive(reads(move |_, _| Some(value.into())));
        assert_eq!(ended.cause, Cause::NotConfirmed, "{value}: {}", ended.why);
        assert!(!believed(&ended), "{value}");
    }
    let mut n = 0;
    let alternates = reads(move |_, _| {
        n += 1;
        Some(if n % 2 == 0 { "0.0".into() } else { "-0.0".into() })
    });
    let ended = drive(alternates);
    assert_eq!(ended.cause, Cause::NotConfirmed, "{}", ended.why);
    let rest = ended.events.iter().find_map(|e| match &e.what {
        What::Stage { stage: Stage::AtRest, found, confirmed: false } => Some(found.clone()),
        _ => None,
    });
    let rest = rest.unwrap_or_default();
    assert!(rest.contains("speed fell from 200.00 rpm to") && rest.contains("it is not believed"), "{rest}");
}

/// A tenth, after the board said nothing for a while: by hand 1.07 Nm / 0.028 kg m2 are 380 rpm/s, and a quarter more 475 rpm/s.
#[test]
fn a_gap_excuses_no_jump() {
    for ms in [20, 100, 200, 300] {
        let board = reads(move |since, speed| {
            Some(if since < Duration::from_millis(ms) { String::new() } else { format!("{}", speed * 0.1) })
        });
        let ended = drive(board);
        assert_eq!(ended.cause, Cause::NotConfirmed, "{ms} ms: {}", ended.why);
    }
}

/// Later, while the shaft runs down.
#[test]
fn a_reading_that_jumps_while_the_shaft_runs_down_shows_no_rest() {
    for (from, factor) in [(200, 0.1), (200, -1.0), (300, 0.0), (400, 0.4)] {
        let board = reads(move |since, speed| {
            Some(format!("{}", if since < Duration::from_millis(from) { speed } else { speed * factor }))
        });
        let ended = drive(board);
        assert_eq!(ended.cause, Cause::NotConfirmed, "{from} ms, times {factor}: {}", ended.why);
    }
}

/// What shafts do: the one that rubs most, one that is stopped by its cogging from 25 rpm, noise, flipped digits, a gap.
#[test]
fn what_a_shaft_does_is_believed() {
    type Reading = fn(Duration, f64) -> Option<String>;
    let ways: [(&str, Reading); 5] = [
        ("rubs", |since, _| Some(format!("{}", (200.0 - 440.0 * since.secs_f64()).max(0.0)))),
        ("cogs", |since, speed| {
            let rocks = 6.0 * (since.secs_f64() * 90.0).sin();
            Some(format!("{}", if speed > 25.0 { speed } else { rocks * (speed / 25.0) }))
        }),
        ("noise", |since, speed| Some(format!("{}", speed + 1.5 * (since.micros() as f64 * 0.7).sin()))),
        ("flipped", |since, speed| {
            let flipped = since.micros() / 1000 % 150 < 12;
            Some(format!("{}", if flipped { speed / 8.0 } else { speed }))
        }),
        ("gap", |since, speed| {
            let gap = (Duration::from_millis(20)..Duration::from_millis(320)).contains(&since);
            Some(if gap { String::new() } else { format!("{speed}") })
        }),
    ];
    for (way, reading) in ways {
        let ended = drive(reads(reading));
        assert!(believed(&ended), "{way}: {}", ended.why);
        assert_eq!(ended.stages(Stage::AtRest), [true], "{way}: {}", ended.why);
    }
}

/// Ctrl-C while it brakes as hard as it can: it is told to fall, and does so until the stop frame is obeyed.
#[test]
fn a_stop_while_a_ramp_goes_down_is_proved() {
    let suite = "schema = 1\nname = \"short\"\n[[test]]\nname = \"one\"\n\
        profile = [{ ramp = \"200 rpm\", rate = \"200 rpm/s\" }, { hold = \"1 s\" }, { ramp = \"0 rpm\", rate = \"400 rpm/s\" }]\ncriterion = []\n";
    for ms in [3800, 3900, 3950, 4000] {
        let ended = drive_plan(RIG, suite, Board::new(|_, _, _| None), Some(at(ms)));
        assert_eq!(ended.cause, Cause::Stopped, "at {ms} ms: {}", ended.why);
        assert_eq!(ended.stages(Stage::AtRest), [true], "at {ms} ms: {}", ended.why);
    }
}

/// The demo bench with a tacho beside the resolver.
fn with_a_tacho() -> String {
    let tacho = "[channel.tacho]\nunit = \"rpm\"\nrange = [\"-8000 rpm\", \"8000 rpm\"]\nuncertainty = \"1 rpm\"\nstale = \"180 ms\"\n\n[channel.phase_current]\n";
    [
        ("{phase_current},{bus},{bus_current}\"", "{phase_current},{bus},{bus_current},{tacho}\""),
        ("[channel.phase_current]\n", tacho),
        ("at_rest_speed = \"8 rpm\"\n", "at_rest_speed = \"8 rpm\"\nsecond_speed = \"tacho\"\n"),
    ]
    .iter()
    .fold(RIG.to_string(), |rig, (from, to)| {
        assert!(rig.contains(from), "{from}");
        rig.replacen(from, to, 1)
    })
}

/// The reading dies at the stop; what the tacho reads of the true speed is a test's.
fn tacho(resolver: fn(Duration, f64) -> f64, tacho: fn(Duration, f64) -> f64) -> Ended {
    let mut stopped: Option<Instant> = None;
    let board = Board::new(move |now, request, seen| {
        if request.starts_with("CONT:WORD 0") {
            stopped = stopped.or(Some(now));
        }
        let since = stopped.map_or(Duration::from_millis(-1), |at| now - at);
        let speed = if stopped.is_some() { coasting(200.0, since) } else { seen.speed };
        let (read, second) = (resolver(since, speed), tacho(since, speed));
        (request == "MEAS:DRIV?").then(|| format!("{},{read},0.5,155.0,0.1,{second}", seen.state))
    });
    drive_plan(&with_a_tacho(), SUITE, board, None)
}

fn dies(since: Duration, speed: f64) -> f64 {
    if since < Duration::ZERO { speed } else { 0.0 }
}

#[test]
fn another_reading_of_the_speed_shows_rest_where_the_first_is_not_believed() {
    let ended = tacho(dies, |_, speed| speed);
    assert_eq!(ended.cause, Cause::Tripped, "{}", ended.why);
    let stop = ended.when(|w| matches!(w, What::StopSent { .. }));
    let rest = ended.when(|w| matches!(w, What::Stage { stage: Stage::AtRest, confirmed: true, .. }));
    // 192 rpm at 300 rpm/s.
    assert!((640..720).contains(&((rest - stop).micros() / 1000)), "{}", rest - stop);
    // One that never turned shows nothing.
    let ended = tacho(dies, |_, _| 0.0);
    assert_eq!(ended.cause, Cause::NotConfirmed, "{}", ended.why);
}

#[test]
fn a_second_reading_that_still_turns_holds_rest_back() {
    let ended = tacho(|_, speed| speed, |since, speed| if since < Duration::ZERO { speed } else { 395.0 });
    assert_eq!(ended.cause, Cause::NotConfirmed, "{}", ended.why);
    assert!(
        ended.events.iter().any(|e| matches!(&e.what, What::Stage { stage: Stage::AtRest, confirmed: false, found } if found.contains("tacho reads 395.0 rpm"))),
        "{}",
        ended.why
    );
}
