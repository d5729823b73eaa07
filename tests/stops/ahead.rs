//! Who goes before whom: the rows are about the program, and not about a machine that is busy otherwise.

use std::process::Command;
use std::sync::LazyLock;

/// What `chrt` (util-linux) is told: real time, in turn among each other.
const IN_TURN: [&str; 2] = ["--rr", "5"];

/// How far this machine lets a test go before anything else on it: the rows are about the program. What is started
/// inherits it.
#[derive(Debug)]
pub enum Ahead {
    /// Twins and lines are scheduled in real time, programs before others. Not the programs: one that reads its files or
    /// writes its reports works for a while without a pause, and in real time such a turn lasts 100 ms, too long for
    /// everybody else's limits.
    RealTime,
    Nice,
    Not,
}

impl Ahead {
    /// How many cells beside each other two cores bear.
    pub fn at_once(&self) -> usize {
        match self {
            Ahead::RealTime => 6,
            Ahead::Nice | Ahead::Not => 4,
        }
    }
}

pub fn of_others() -> Ahead {
    // Of this thread: the threads and processes that it starts follow it.
    let nice = rustix::process::setpriority_process(None, -15).is_ok();
    match (real_time(), nice) {
        (true, _) => Ahead::RealTime,
        (false, true) => Ahead::Nice,
        (false, false) => Ahead::Not,
    }
}

/// A program to be started in real time where the machine allows.
pub fn in_turn(program: &str) -> Command {
    if !real_time() {
        return Command::new(program);
    }
    let mut command = Command::new("chrt");
    command.args(IN_TURN).arg(program);
    command
}

/// Puts the calling thread into real time where the machine allows.
pub fn in_real_time() {
    if real_time() {
        let thread = rustix::thread::gettid().as_raw_nonzero().to_string();
        let put = Command::new("chrt").arg("--pid").args(IN_TURN).arg(&thread).status();
        assert!(put.is_ok_and(|status| status.success()), "a moment ago `chrt` was allowed");
    }
}

/// Whether this machine schedules in real time for us.
fn real_time() -> bool {
    static LETS: LazyLock<bool> = LazyLock::new(|| {
        let tried = Command::new("chrt").args(IN_TURN).arg("true").status();
        tried.is_ok_and(|status| status.success())
    });
    *LETS
}
