use super::*;
use crate::shell::port::{Port, WRITE_WITHIN};
use crate::shell::pty::Pty;
use crate::shell::support::{link, read_until};

fn open(pty: &Pty) -> Port {
    Port::open(&link(460_800), pty.path()).expect("it opens")
}

fn arrivals(ports: &[&Port]) -> (Inbox, Arrivals) {
    let (inbox, end) = inbox().expect("a bell");
    let handles = ports.iter().map(|port| port.handle().expect("a handle")).collect();
    (inbox, Arrivals::new(end, handles))
}

/// The next that is not just the end of a sleep.
fn next(arrivals: &mut Arrivals, clock: &Clock, deadline: Option<Instant>) -> Message {
    // An upper bound for a test that fails, no figure.
    (0..1000).find_map(|_| arrivals.next(clock, deadline)).expect("something comes")
}

fn is_stop(message: &Message) -> bool {
    matches!(message.input, Input::Stop(_))
}

fn stop(clock: &Clock) -> Message {
    Message { at: clock.now(), input: Input::Stop(StopReason::Operator("a test".into())) }
}

fn write_all(pty: &Pty, mut rest: &[u8]) {
    while !rest.is_empty() {
        match rustix::io::write(pty.master(), rest) {
            Ok(count) => rest = &rest[count..],
            Err(_) => std::thread::yield_now(),
        }
    }
}

#[test]
fn bytes_come_through_in_whatever_chunks_and_the_loss_of_the_port_is_told_once() {
    let (pty, clock) = (Pty::open(None).expect("a pty"), Clock::start());
    let port = open(&pty);
    let (_inbox, mut arrivals) = arrivals(&[&port]);
    let sent: Vec<u8> = (0..=255).cycle().take(3000).collect();
    sent.chunks(7).for_each(|piece| write_all(&pty, piece));
    let (mut got, mut last) = (Vec::new(), Instant::ZERO);
    while got.len() < sent.len() {
        let message = next(&mut arrivals, &clock, None);
        assert!(message.at >= last, "stamps go forward");
        last = message.at;
        match message.input {
            Input::Bytes { link: 0, bytes } => got.extend(bytes),
            other => panic!("unexpected {other:?}"),
        }
    }
    assert_eq!(got, sent);
    port.handle().expect("a handle").write_all(&sent, WRITE_WITHIN).expect("the far side takes it");
    assert_eq!(read_until(&pty, |all| all.len() >= sent.len()), sent);
    drop(pty);
    let lost = next(&mut arrivals, &clock, None).input;
    assert!(matches!(lost, Input::LinkLost { link: 0, .. }), "{lost:?}");
    let again = arrivals.next(&clock, Some(clock.now())).expect("the deadline").input;
    assert!(matches!(again, Input::Deadline), "{again:?}");
}

/// A line that never ends puts off neither the operator nor the engine's own deadline, and another link's bytes neither.
#[test]
fn a_flood_on_one_link_keeps_nothing_else_waiting() {
    let (loud, quiet) = (Pty::open(None).expect("a pty"), Pty::open(None).expect("a pty"));
    let clock = Clock::start();
    let ports = [open(&loud), open(&quiet)];
    let (inbox, mut arrivals) = arrivals(&[&ports[0], &ports[1]]);
    // More than one look takes at a time.
    let flood = || while rustix::io::write(loud.master(), &[b'x'; 1024]).is_ok() {};
    for round in 0..20 {
        flood();
        write_all(&quiet, b"?");
        let two = [next(&mut arrivals, &clock, None), next(&mut arrivals, &clock, None)];
        let from: Vec<usize> = two
            .iter()
            .map(|m| match m.input {
                Input::Bytes { link, .. } => link,
                ref other => panic!("unexpected {other:?}"),
            })
            .collect();
        assert!(from.contains(&1), "round {round}: {from:?}");

        flood();
        let due = clock.now();
        let two = [next(&mut arrivals, &clock, Some(due)), next(&mut arrivals, &clock, Some(due))];
        assert_eq!(two.iter().filter(|m| matches!(m.input, Input::Deadline)).count(), 1, "round {round}");

        flood();
        inbox.send(stop(&clock)).expect("the engine is there");
        assert!(is_stop(&next(&mut arrivals, &clock, None)), "round {round}");
    }
}

/// Bytes that moved the deadline: a reply that is there when the next one has come is no lost one.
#[test]
fn every_deadline_gives_way_to_bytes_once() {
    let (pty, clock) = (Pty::open(None).expect("a pty"), Clock::start());
    let port = open(&pty);
    let (_inbox, mut arrivals) = arrivals(&[&port]);
    for round in 0..3 {
        write_all(&pty, b"?");
        let first = next(&mut arrivals, &clock, Some(clock.now()));
        assert!(matches!(first.input, Input::Bytes { .. }), "round {round}: {first:?}");
        write_all(&pty, b"?");
        let second = next(&mut arrivals, &clock, None);
        assert!(matches!(second.input, Input::Bytes { .. }), "round {round}: {second:?}");
    }
}

#[test]
fn a_message_from_before_the_deadline_goes_before_it_and_one_from_after_it_waits() {
    let (pty, clock) = (Pty::open(None).expect("a pty"), Clock::start());
    let port = open(&pty);
    let (inbox, mut arrivals) = arrivals(&[&port]);
    inbox.send(stop(&clock)).expect("the engine is there");
    std::thread::sleep(Duration::from_millis(2));
    let due = clock.now();
    assert!(is_stop(&next(&mut arrivals, &clock, Some(due))));
    std::thread::sleep(Duration::from_millis(2));
    inbox.send(stop(&clock)).expect("the engine is there");
    assert!(matches!(next(&mut arrivals, &clock, Some(due)).input, Input::Deadline));
    assert!(is_stop(&next(&mut arrivals, &clock, None)));
}

/// The wait ends for a message: otherwise it would end for the deadline, an hour away.
#[test]
fn a_message_ends_the_wait() {
    let (pty, clock) = (Pty::open(None).expect("a pty"), Clock::start());
    let port = open(&pty);
    let (inbox, mut arrivals) = arrivals(&[&port]);
    let sender = std::thread::spawn(move || {
        std::thread::sleep(Duration::from_millis(20));
        inbox.send(stop(&clock)).expect("the engine is there");
        inbox
    });
    assert!(arrivals.wait(&clock, Duration::from_secs(3600)).is_none(), "the bell brings no bytes");
    assert!(is_stop(&arrivals.message(&clock).expect("it rang for a message")));
    drop(sender.join().expect("the other thread is well"));
    // Nobody is left who could say anything: said once.
    assert!(is_stop(&arrivals.message(&clock).expect("a stop")));
    assert!(arrivals.message(&clock).is_none());
}
