//! This computer is part of the rig: engine, stop and simulated board go before all other work, where the system allows it.
//!
//! SCHED_FIFO, by `thread-priority`. The order is that of what must still happen when everything goes wrong: the last-resort
//! stop above the engine that it watches, the engine above the thread that reads keys, all of them above the simulated
//! board, which a person's bench does not have. The engine's thread reads the ports itself, so that nothing stands between a
//! reply and a stop frame. Each of them waits in `poll` or for a bell and never loops without; the kernel's own threads for
//! interrupts mostly stand at 50 (common practice) and stay above, or no byte would come.
//!
//! A new thread inherits the policy of the one that starts it: so no thread takes it before it has started all of its own.

use crate::trace::Computer;
use rustix::mm::{MlockAllFlags, mlockall, munlockall};
use rustix::process::{Resource, getrlimit};
use std::sync::Once;
use thread_priority::unix::{
    RealtimeThreadSchedulePolicy, ThreadSchedulePolicy, set_thread_priority_and_policy, thread_native_id,
};
use thread_priority::{ThreadPriority, ThreadPriorityValue};

/// A thread that goes before other work.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Place {
    /// The simulated board.
    Twin,
    /// Who reads the keys of a person at the pedal.
    Keys,
    /// The engine, which reads the ports as well.
    Engine,
    /// The last-resort stop.
    LastResort,
}

impl Place {
    /// Of 1 to 99.
    pub const fn priority(self) -> u8 {
        match self {
            Place::Twin => 20,
            Place::Keys => 21,
            Place::Engine => 22,
            Place::LastResort => 23,
        }
    }
}

/// Priority for those whom the system gives no real time; it mostly refuses them this one as well.
const NICE: i32 = -15;

/// Puts the calling thread at its place; false if the system refuses. It must be one that mostly sleeps.
pub fn take(place: Place) -> bool {
    let real_time = in_real_time(place.priority());
    if !real_time {
        // On Linux "this process" is the calling thread here (setpriority(2), "C library/kernel differences").
        let _ = rustix::process::setpriority_process(None, NICE);
    }
    real_time
}

fn in_real_time(priority: u8) -> bool {
    let policy = ThreadSchedulePolicy::Realtime(RealtimeThreadSchedulePolicy::Fifo);
    let value = ThreadPriorityValue::try_from(priority);
    value.is_ok_and(|value| {
        set_thread_priority_and_policy(thread_native_id(), ThreadPriority::Crossplatform(value), policy)
            .is_ok()
    })
}

/// Looks what this computer allows before a run is made, and locks the program's memory where that is safe. What is refused
/// is said once, by `say`, with what allows it.
pub fn prepare(say: impl FnOnce(&str)) -> Computer {
    static SAID: Once = Once::new();
    // On a thread of its own: the calling one goes on to start others.
    let look = std::thread::spawn(|| in_real_time(Place::LastResort.priority()));
    // A thread that could not even look has no priority.
    let real_time = look.join().unwrap_or(false);
    let memory_locked = may_lock() && mlockall(MlockAllFlags::CURRENT | MlockAllFlags::FUTURE).is_ok();
    if !real_time {
        SAID.call_once(|| say(REFUSED));
    }
    Computer { real_time, memory_locked }
}

/// Lets go of the memory: what reads a trace afterwards needs more of it, and no haste.
pub fn release() {
    // What was never locked needs nothing.
    let _ = munlockall();
}

/// Under a limit `mlockall` answers that all is well, and the next large allocation beyond it ends the program.
fn may_lock() -> bool {
    getrlimit(Resource::Memlock).current.is_none()
}

/// What is said where real time is refused.
const REFUSED: &str = "note: the system gives this user no real-time priority. On a computer that works on something else as \
well, a run may end as `not run: this computer stood still`. To allow it for your user, once, and then log in again:
  printf '%s - rtprio 30\\n%s - memlock unlimited\\n' \"$USER\" \"$USER\" | sudo tee /etc/security/limits.d/spinproof.conf";

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_last_resort_goes_before_the_engine_and_the_engine_before_the_rest() {
        let order = [Place::Twin, Place::Keys, Place::Engine, Place::LastResort].map(Place::priority);
        assert!(order.is_sorted_by(|a, b| a < b), "{order:?}");
        assert!(order.iter().all(|p| (1..50).contains(p)), "below the kernel's own threads: {order:?}");
    }

    /// What the kernel says of the calling thread: the 41st field of its `stat` is its policy, the 40th its priority in real
    /// time (proc(5), from memory).
    fn policy() -> (String, String) {
        let stat = std::fs::read_to_string("/proc/thread-self/stat").expect("a thread of this system");
        let fields: Vec<&str> = stat.rsplit_once(") ").expect("a name").1.split(' ').collect();
        (fields[38].to_string(), fields[37].to_string())
    }

    #[test]
    fn a_place_is_taken_or_refused_and_what_is_answered_is_what_is_so() {
        for place in [Place::Twin, Place::Engine, Place::LastResort] {
            let (taken, (policy, priority)) =
                std::thread::spawn(move || (take(place), policy())).join().expect("no panic");
            // 1 is SCHED_FIFO, 0 the ordinary one.
            let expected = if taken {
                ("1".to_string(), place.priority().to_string())
            } else {
                ("0".into(), "0".into())
            };
            assert_eq!((policy, priority), expected, "{place:?}");
            if !taken {
                eprintln!("NOT TRIED, this user is given no real-time priority: {place:?}");
            }
        }
        assert_eq!(policy().0, "0", "the thread that asked for others keeps its own");
    }

    #[test]
    fn what_allows_it_can_be_pasted_and_names_no_user() {
        let command = REFUSED.lines().last().expect("a command").trim();
        assert!(command.starts_with("printf ") && command.matches("\"$USER\"").count() == 2, "{command}");
        assert_eq!(command.matches('\'').count() % 2, 0, "{command}");
    }
}
