//! How runs end, within this process: by the engine, by the last-resort stop, by a broken recorder.

use crate::support::*;
use spinproof::engine::{Input, StopReason};
use spinproof::engine::{Logged, Machine};
use spinproof::outcome::Cause;
use spinproof::shell::keep::Keep;
use spinproof::shell::pty::Pty;
use spinproof::shell::run::{Ending, run};
use spinproof::time::{Duration, Instant};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc;

/// Runs the machine over a pseudo-terminal; all bytes that reached the far side with it.
fn make<M: Machine + Send + 'static>(machine: Logged<M>, recorder: Memory) -> (Ending, Vec<u8>) {
    let pty = Pty::open(None).expect("a pty");
    let ending = run_on(&pty, machine, recorder);
    (ending, read_until(&pty, |_| true))
}

fn run_on<M: Machine + Send + 'static>(pty: &Pty, machine: Logged<M>, recorder: Memory) -> Ending {
    let setup = setup(pty, machine, recorder);
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
    runtime.block_on(run(setup, None)).expect("it starts")
}

fn far_side(pty: &Pty) -> Vec<u8> {
    let mut all = Vec::new();
    let mut buffer = [0; 4096];
    while let Ok(count) = rustix::io::read(pty.master(), &mut buffer) {
        all.extend_from_slice(&buffer[..count]);
    }
    all
}

/// A heartbeat every 5 ms; from `from` on `then` is done instead, once.
fn beating(
    from: Duration,
    mut then: impl FnMut(&mut std::collections::VecDeque<spinproof::engine::Output>) + Send + 'static,
) -> Logged<impl Machine + Send + 'static> {
    let mut done = false;
    Fake::new(move |now, input, out| {
        if let Input::Stop(reason) = input {
            out.push_back(send(STOP));
            let why = match reason {
                StopReason::Operator(why) | StopReason::Trouble(why) | StopReason::Refused(why) => why,
            };
            out.push_back(finished(Cause::Stopped, &why));
            return;
        }
        if now - Instant::ZERO >= from && !done {
            done = true;
            then(out);
        }
        out.push_back(send(b"beat\n"));
        out.push_back(wake(now + Duration::from_millis(5)));
    })
}

#[test]
fn a_run_that_settles_ends_with_the_engines_words_and_no_last_resort() {
    let recorder = Memory::default();
    let machine = Fake::new(|now, input, out| match input {
        Input::Deadline if now < Instant::from_micros(50_000) => {
            out.push_back(send(b"beat\n"));
            out.push_back(note(now, "beat"));
            out.push_back(wake(now + Duration::from_millis(10)));
        }
        Input::Deadline => {
            out.push_back(send(STOP));
            out.push_back(finished(Cause::Passed, "all done"));
        }
        _ => {}
    });
    let (ending, _) = make(machine, recorder.clone());
    assert_eq!((ending.cause, ending.why.as_str()), (Cause::Passed, "all done"));
    assert_eq!((ending.last_resort, ending.recorded), (None, Ok(())));
    let inputs = recorder.inputs();
    assert_eq!((inputs[0].at, inputs[0].kind), (Instant::ZERO, 2), "the first input is a deadline at zero");
    assert!(inputs.is_sorted_by_key(|i| (i.seq, i.at)), "in order, and time never goes back");
    let kept = recorder.kept.lock().expect("nobody panicked with it").clone();
    let seqs: Vec<u64> = kept
        .iter()
        .filter_map(|k| match k {
            Keep::Input(input) => Some(input.seq),
            Keep::Record(seq, _) => Some(*seq),
            Keep::End => None,
        })
        .collect();
    assert_eq!(seqs, (0..seqs.len() as u64).collect::<Vec<_>>(), "one numbering without gaps");
    assert_eq!(kept.last(), Some(&Keep::End));
}

#[test]
fn a_deadline_is_never_handed_in_early_and_a_flood_does_not_put_it_off() {
    let pty = Pty::open(None).expect("a pty");
    let (asked, asked_end) = mpsc::channel();
    let over = AtomicBool::new(false);
    let mut due = Instant::ZERO;
    let machine = Fake::new(move |now, input, out| {
        if matches!(input, Input::Deadline) {
            asked.send((due, now)).expect("the test listens");
            due = now + Duration::from_millis(2);
            out.push_back(wake(due));
        }
        if now > Instant::from_micros(300_000) {
            out.push_back(finished(Cause::Passed, ""));
        }
    });
    let ending = std::thread::scope(|scope| {
        // The other end talks without a pause.
        scope.spawn(|| {
            while !over.load(Ordering::Relaxed) {
                let _ = rustix::io::write(pty.master(), b"# chatter\n");
            }
        });
        let ending = run_on(&pty, machine, Memory::default());
        over.store(true, Ordering::Relaxed);
        ending
    });
    assert_eq!(ending.cause, Cause::Passed);
    let asked: Vec<_> = asked_end.iter().collect();
    assert!(asked.len() > 10, "deadlines come through the flood: {} of about 150", asked.len());
    assert!(asked.iter().all(|(due, now)| now >= due), "never early");
}

#[test]
fn a_panic_of_the_engine_fires_the_last_resort() {
    let (ending, _) = {
        let pty = Pty::open(None).expect("a pty");
        let machine = beating(Duration::from_millis(50), |_| panic!("planted in the engine"));
        let ending = run_on(&pty, machine, Memory::default());
        let all = far_side(&pty);
        assert!(count(&all, b"beat\n") > 1, "it was driving");
        assert!(all.ends_with(STOP), "the stop frame is the last word: {:?}", String::from_utf8_lossy(&all));
        assert!(count(&all, STOP) >= 3, "it is repeated");
        (ending, all)
    };
    assert_eq!(ending.cause, Cause::NotConfirmed);
    assert!(ending.why.contains("panic in the engine's thread"), "{}", ending.why);
    assert!(ending.why.contains("treat the machine as driven"), "{}", ending.why);
    assert_eq!(ending.last_resort.map(|f| f.refused), Some(Vec::new()));
    assert_eq!(ending.recorded, Ok(()), "the trace is closed all the same");
}

/// The heartbeat comes from the engine alone: between the hang and the stop frames not one more is
/// sent, so that the controller's own timeout is not defeated.
#[test]
fn an_engine_that_hangs_sends_no_heartbeat_and_fires_the_last_resort() {
    let pty = Pty::open(None).expect("a pty");
    let (release, held) = mpsc::channel::<()>();
    let machine = beating(Duration::from_millis(50), move |_| {
        // It hangs until the test is over, and then goes on as if nothing had been.
        let _ = held.recv();
    });
    let ending = run_on(&pty, machine, Memory::default());
    assert_eq!(ending.cause, Cause::NotConfirmed);
    assert!(ending.why.contains("the engine hung"), "{}", ending.why);
    let all = far_side(&pty);
    let first_stop = all.windows(STOP.len()).position(|w| w == STOP).expect("a stop frame");
    assert_eq!(count(&all[first_stop..], b"beat"), 0, "nothing drives after the stop");
    assert_eq!(all.len() - first_stop, STOP.len() * count(&all, STOP), "nothing but stop frames follows");
    // The engine comes back to life and must stay silent.
    drop(release);
    std::thread::sleep(std::time::Duration::from_millis(100));
    assert_eq!(far_side(&pty), b"", "an engine that comes back after the last resort is silent");
}

#[test]
fn a_recorder_that_fails_stops_the_run_by_way_of_the_engine() {
    let recorder = Memory { fails_at: Some(20), ..Memory::default() };
    let (ending, all) = {
        let pty = Pty::open(None).expect("a pty");
        let ending = run_on(&pty, beating(Duration::from_millis(600_000), |_| {}), recorder.clone());
        (ending, far_side(&pty))
    };
    assert_eq!(ending.why, "recorder: no space left on device");
    assert_eq!(ending.recorded, Err("no space left on device".to_string()));
    assert_eq!(ending.last_resort, None);
    assert!(all.ends_with(STOP));
    assert!(recorder.inputs().len() <= 20);
}

/// The last batch finds no room when the engine has said its last word: that word stands, and beside it that the trace is
/// not whole.
#[test]
fn a_recorder_that_fails_at_its_end_is_told_beside_the_engines_word() {
    for fails_at_end in [false, true] {
        let recorder = Memory { fails_at_end, ..Memory::default() };
        let machine =
            beating(Duration::from_millis(50), |out| out.push_back(finished(Cause::Passed, "all done")));
        let (ending, _) = make(machine, recorder);
        assert_eq!((ending.cause, ending.why.as_str()), (Cause::Passed, "all done"));
        assert_eq!(ending.recorded.is_err(), fails_at_end, "{:?}", ending.recorded);
    }
}

/// A recorder whose first write returns only when it is let go.
struct Hangs(mpsc::Receiver<()>);

impl spinproof::shell::keep::Recorder for Hangs {
    fn input(&mut self, _: &spinproof::record::LoggedInput) -> anyhow::Result<()> {
        let _ = self.0.recv();
        Ok(())
    }
    fn record(&mut self, _: u64, _: &spinproof::record::Record) -> anyhow::Result<()> {
        Ok(())
    }
    fn tick(&mut self, _: Instant) -> anyhow::Result<()> {
        Ok(())
    }
    fn finish(self) -> anyhow::Result<()> {
        Ok(())
    }
}

/// Runs a machine whose disk hangs until `held` hears something; how it ended, and the beats that went out.
fn on_a_disk_that_hangs<M: Machine + Send + 'static>(
    machine: Logged<M>,
    held: mpsc::Receiver<()>,
) -> (String, usize) {
    let pty = Pty::open(None).expect("a pty");
    let plain = setup(&pty, machine, Memory::default());
    let setup = spinproof::shell::run::Setup {
        plan: plain.plan,
        machine: plain.machine,
        recorder: Hangs(held),
        ports: plain.ports,
        operator: plain.operator,
        clock: plain.clock,
        simulated: true,
    };
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
    let ending = runtime.block_on(run(setup, None)).expect("it starts");
    (ending.why, count(&far_side(&pty), b"beat\n"))
}

/// A recorder that never returns: the engine goes on beating to its own end.
#[test]
fn a_disk_that_hangs_does_not_hold_the_engine_up() {
    let (release, held) = mpsc::channel::<()>();
    let machine = beating(Duration::from_millis(300), move |out| {
        out.push_back(finished(Cause::Passed, "the engine got to its end"));
        let _ = release.send(());
    });
    let (why, beats) = on_a_disk_that_hangs(machine, held);
    assert_eq!(why, "the engine got to its end");
    assert!(beats > 5);
}

/// What nobody writes down must not go on: after ten seconds without an answer of the disk the run is stopped.
#[test]
fn a_disk_that_never_answers_ends_the_run() {
    let (release, held) = mpsc::channel::<()>();
    let mut release = Some(release);
    let machine = Fake::new(move |now, input, out| {
        let end = match input {
            Input::Stop(StopReason::Trouble(why)) => Some(why.clone()),
            _ if now > Instant::from_micros(60_000_000) => Some("nobody stopped it".to_string()),
            _ => None,
        };
        match end {
            Some(why) => {
                release.take();
                out.push_back(finished(Cause::NotMade, &why));
            }
            None => out.push_back(wake(now + Duration::from_millis(20))),
        }
    });
    assert_eq!(on_a_disk_that_hangs(machine, held).0, "recorder: the disk does not keep up with the engine");
}

#[test]
fn a_port_that_takes_nothing_is_a_lost_link_and_the_engine_goes_on() {
    let pty = Pty::open(None).expect("a pty");
    let machine = Fake::new(|now, input, out| match input {
        Input::LinkLost { link: 0, why } => {
            // Stop frames are tried on a lost link too, and must not be waited for.
            out.push_back(send(STOP));
            out.push_back(finished(Cause::NotMade, &why));
        }
        _ => {
            out.push_back(send(&[b'x'; 1000]));
            out.push_back(wake(now + Duration::from_millis(1)));
        }
    });
    let ending = run_on(&pty, machine, Memory::default());
    assert_eq!(ending.cause, Cause::NotMade);
    assert!(ending.why.contains("nobody reads at the other end"), "{}", ending.why);
}

#[test]
fn a_port_that_vanishes_is_a_lost_link() {
    let pty = Pty::open(None).expect("a pty");
    let (gone, go) = mpsc::channel::<()>();
    let machine = Fake::new(move |now, input, out| match input {
        Input::LinkLost { why, .. } => out.push_back(finished(Cause::NotMade, &why)),
        _ => {
            let _ = gone.send(());
            out.push_back(wake(now + Duration::from_millis(5)));
        }
    });
    let setup = setup(&pty, machine, Memory::default());
    let unplug = std::thread::spawn(move || {
        go.recv().expect("the engine has begun");
        drop(pty);
    });
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
    let ending = runtime.block_on(run(setup, None)).expect("it starts");
    unplug.join().expect("unplugged");
    assert!(ending.why.contains("the port is gone"), "{}", ending.why);
}

#[test]
fn a_question_is_answered_as_assumed_where_nothing_real_turns() {
    let machine = Fake::new(|_, input, out| match input {
        Input::Answer { id, yes, by, .. } => {
            out.push_back(finished(Cause::Passed, &format!("{id} {yes} {by}")));
        }
        _ => out.push_back(spinproof::engine::Output::Ask { id: "guards".into(), ask: "Are they?".into() }),
    });
    let (ending, _) = make(machine, Memory::default());
    assert_eq!(ending.why, "guards true assumed: simulated");
}

/// Dropping the run while the machine is driven, as a panic of the main thread does.
#[test]
fn a_run_that_is_dropped_stops_the_machine_first() {
    let pty = Pty::open(None).expect("a pty");
    let setup = setup(&pty, beating(Duration::from_millis(600_000), |_| {}), Memory::default());
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
    runtime.block_on(async {
        let short = std::time::Duration::from_millis(100);
        assert!(tokio::time::timeout(short, run(setup, None)).await.is_err(), "it was still driving");
    });
    let all = far_side(&pty);
    assert!(count(&all, b"beat\n") > 1 && all.ends_with(STOP), "{:?}", String::from_utf8_lossy(&all));
}
