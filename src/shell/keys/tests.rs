use super::*;
use crate::shell::arrivals::{InboxEnd, inbox};
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use std::fs::File;
use std::io::{Read, Write};
use std::os::fd::OwnedFd;
use std::sync::mpsc;
use std::time::Duration;

/// A terminal of our own: the side a person types at, and the side the program reads.
fn terminal() -> (File, OwnedFd) {
    let person = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY).expect("a pseudo-terminal");
    grantpt(&person).expect("granted");
    unlockpt(&person).expect("unlocked");
    let path = ptsname(&person, Vec::new()).expect("its path");
    let program =
        File::options().read(true).write(true).open(path.to_str().expect("text")).expect("it opens");
    (person.into(), program.into())
}

fn echoes(fd: &OwnedFd) -> bool {
    tcgetattr(fd).expect("modes").local_modes.contains(LocalModes::ECHO | LocalModes::ICANON)
}

/// What comes within a second.
fn next(from: &InboxEnd) -> Input {
    from.recv_timeout(Duration::from_secs(10)).expect("an input").input
}

#[test]
fn keys_come_one_by_one_while_they_are_wanted_and_the_terminal_is_given_back() {
    let (mut person, program) = terminal();
    let (inbox, heard) = inbox().expect("a bell");
    let (want, wanted) = mpsc::channel();
    person.write_all(b"typed ahead").expect("typed");
    // What a pseudo-terminal is given reaches it some time later: its echo says that it has, and only then can it be thrown away.
    let mut echoed = Vec::new();
    while echoed.len() < b"typed ahead".len() {
        let mut some = [0; 16];
        match person.read(&mut some) {
            Ok(count) => echoed.extend_from_slice(&some[..count]),
            Err(e) if e.kind() == std::io::ErrorKind::WouldBlock => std::thread::yield_now(),
            Err(e) => panic!("no echo: {e}"),
        }
    }
    assert_eq!(echoed, b"typed ahead");
    let terminal = Terminal::new(program.try_clone().expect("a copy"));
    let thread = std::thread::spawn(move || watch(&terminal, &wanted, &Clock::start(), &inbox));
    assert!(echoes(&program), "nothing is taken before keys are wanted");
    want.send(true).expect("it listens");
    assert_eq!(next(&heard), Input::Listening { by: "at the terminal".into(), person: true });
    assert!(!echoes(&program));
    person.write_all(b"m").expect("typed");
    assert_eq!(next(&heard), Input::Key { key: b'm' }, "without a line end, and not what was typed before");
    person.write_all(b"\x1b[A").expect("typed");
    assert_eq!(next(&heard), Input::Key { key: 0x1B }, "an arrow is one key");
    person.write_all(b"\x13").expect("typed");
    assert_eq!(next(&heard), Input::Key { key: 0x13 }, "Ctrl-S is a key and freezes nothing");
    want.send(false).expect("it listens");
    drop(want);
    thread.join().expect("it ends");
    assert!(echoes(&program), "as it was");
    assert!(heard.recv_timeout(Duration::ZERO).is_none(), "nothing more");
}

#[test]
fn who_takes_no_keys_gives_nothing_back() {
    let (_person, program) = terminal();
    let terminal = Terminal::new(program);
    terminal.give_back();
    assert!(echoes(&terminal.fd));
}

#[test]
fn a_closed_terminal_is_a_stop() {
    let (person, program) = terminal();
    let (inbox, heard) = inbox().expect("a bell");
    let (want, wanted) = mpsc::channel();
    let terminal = Terminal::new(program);
    let thread = std::thread::spawn(move || watch(&terminal, &wanted, &Clock::start(), &inbox));
    want.send(true).expect("it listens");
    assert!(matches!(next(&heard), Input::Listening { .. }));
    drop(person);
    assert!(matches!(next(&heard), Input::Stop(StopReason::Operator(_))));
    drop(want);
    thread.join().expect("it ends");
}

#[test]
fn what_is_no_terminal_gives_no_keys() {
    let (inbox, heard) = inbox().expect("a bell");
    let (want, wanted) = mpsc::channel();
    let terminal = Terminal::new(File::open("/dev/null").expect("it opens"));
    want.send(true).expect("kept");
    drop(want);
    watch(&terminal, &wanted, &Clock::start(), &inbox);
    assert!(matches!(next(&heard), Input::Stop(StopReason::Trouble(_))));
}
