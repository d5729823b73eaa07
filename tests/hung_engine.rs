//! The real engine, hung at speed, against the twin in a process of its own. The truth log is the judge: the
//! controller must run into its command timeout, so no thread beside the engine keeps the heartbeat up.
#![allow(clippy::unwrap_used)]

mod common;
#[path = "common/unrecorded.rs"]
mod unrecorded;

use spinproof::engine::{Engine, Input, Logged, Machine, Output};
use spinproof::outcome::Cause;
use spinproof::shell::child::TwinChild;
use spinproof::shell::clock::Clock;
use spinproof::shell::operator::Operator;
use spinproof::shell::port::Port;
use spinproof::shell::run::{Ending, Setup, run};
use spinproof::time::Instant;
use std::path::Path;
use unrecorded::Nothing;

/// The engine, that stops answering at a moment.
struct Hanging {
    engine: Engine,
    at: Instant,
}

impl Machine for Hanging {
    fn handle(&mut self, now: Instant, input: Input) {
        if now >= self.at {
            // Longer than the controller's command timeout (100 ms) and the last-resort stop's patience (500 ms).
            std::thread::sleep(std::time::Duration::from_secs(2));
        }
        self.engine.handle(now, input);
    }
    fn poll(&mut self) -> Option<Output> {
        self.engine.poll()
    }
}

fn hang(truth: &Path, log: &Path, at: Instant) -> Ending {
    let plan = common::load(common::RIG, common::UNIT, common::FIRST_SPIN, None).plan;
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
    runtime.block_on(async {
        let program = Path::new(env!("CARGO_BIN_EXE_spinproof"));
        let arguments = ["twin", "--own-session", "--truth"].map(Into::into).into_iter();
        let arguments: Vec<std::ffi::OsString> = arguments.chain([truth.into()]).collect();
        let mut twin = TwinChild::start(program, &arguments, log).await.unwrap();
        let setup = Setup {
            machine: Logged::of(Hanging { engine: Engine::new(plan.clone()), at }),
            recorder: Nothing,
            ports: vec![Port::open(&plan.links[0], twin.port()).unwrap()],
            plan,
            operator: Operator::Simulated,
            clock: Clock::start(),
            simulated: true,
        };
        let ending = run(setup, Some(&mut twin)).await.unwrap();
        twin.finish().await.unwrap();
        ending
    })
}

#[test]
fn a_hung_engine_leaves_a_controller_that_times_out_before_anybody_else_acts() {
    let temp = tempfile::tempdir().unwrap();
    let truth = temp.path().join("truth.csv");
    let ending = hang(&truth, &temp.path().join("twin.log"), Instant::from_secs_f64(4.0));
    assert_eq!(ending.cause, Cause::NotConfirmed, "{}", ending.why);
    let fired = ending.last_resort.expect("the last-resort stop fired");
    assert!(fired.why.contains("hung") && fired.sent > 0, "{fired:?}");
    let log = std::fs::read_to_string(truth).unwrap();
    let rows: Vec<Vec<&str>> = log.lines().skip(1).map(|l| l.split(',').collect()).collect();
    let gates: Vec<&str> = rows.iter().map(|r| r[2]).filter(|event| event.starts_with("gates ")).collect();
    assert_eq!(gates, ["gates on: control word 15", "gates off: command timeout"]);
    let driven = rows.iter().rfind(|r| r[4] == "1").unwrap();
    let speed: f64 = driven[7].parse().unwrap();
    assert!(speed > 1.0, "it hung while turning: {speed} rad/s");
    assert_eq!(rows.last().unwrap()[4], "0", "the gates stay off");
}
