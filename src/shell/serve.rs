//! Serves a simulated device on a pseudo-terminal in real time: bytes at the pace of the line, the
//! physics up to the present, and a log of what was true.

mod wire;

use crate::plan::Link;
use crate::shell::clock::{Clock, monotonic_nanos, wake_sharply};
use crate::shell::priority::{Place, take};
use crate::shell::pty::Pty;
use crate::time::{Duration, Instant};
use rustix::event::{PollFd, PollFlags, Timespec, poll};
use rustix::io::Errno;
use std::io::{self, Write};
use std::os::fd::BorrowedFd;
use std::sync::atomic::{AtomicBool, Ordering};
use wire::Wire;

/// The longest sleep: the physics never lags further behind while the line is quiet.
const SLEEP_MAX_NANOS: u64 = 1_000_000;

/// How much time the device makes up in one go after a stall, before bytes are looked at again.
const CATCH_UP: Duration = Duration::from_millis(10);

/// Later than this the device stood still, and says so: twice what it makes up without a pause would hide a command timeout.
const LATE_MAX: Duration = Duration::from_millis(10);

/// How long after the last byte a client counts as gone, so that exclusive mode it may have left
/// behind is cleared. A client that only rests is still kept apart from others by its file lock.
const QUIET: Duration = Duration::from_millis(1_000);

/// How often the truth log is handed to the system when nothing happens.
const FLUSH_EVERY: Duration = Duration::from_millis(200);

/// A simulated device.
pub trait Device {
    /// Takes bytes whose last bit arrived at `now`.
    fn receive(&mut self, now: Instant, bytes: &[u8]);
    /// Brings everything up to `now`.
    fn advance(&mut self, now: Instant);
    /// Bytes ready to be sent, if any.
    fn transmit(&mut self) -> Option<Vec<u8>>;
    /// Takes bytes at a further port, the first of which is 1. Few devices have one.
    fn receive_at(&mut self, now: Instant, _port: usize, _bytes: &[u8]) {
        self.advance(now);
    }
    /// Bytes ready to be sent at a further port.
    fn transmit_at(&mut self, _port: usize) -> Option<Vec<u8>> {
        None
    }
    /// What was true since the last call.
    fn drain_truth(&mut self) -> Vec<TruthLine>;
    /// Whether nothing turns and the gates are off.
    fn is_at_rest(&self) -> bool;
    /// It did nothing from a moment on until another: the computer was late. Nothing to a device that nobody asks.
    fn stood_still(&mut self, _from: Instant, _to: Instant) {}
    /// What whoever started it says beside the line, in pieces of any size: nothing to a device that does not listen.
    fn told(&mut self, _now: Instant, _bytes: &[u8]) {}
}

/// One row of the truth log.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TruthLine {
    /// When it was true, on the device's clock.
    pub at: Instant,
    /// The row as comma-separated values.
    pub csv: Vec<u8>,
    /// Whether something happened: then the log is flushed.
    pub happened: bool,
}

/// What the server works with besides the device.
#[derive(Debug)]
pub struct Service<'a> {
    /// The pseudo-terminal.
    pub pty: &'a Pty,
    /// Line rate in baud.
    pub baud: u32,
    /// Bits on the line per byte.
    pub bits: u32,
    /// Pseudo-terminals of the device's further ports, each with line rate and bits per byte.
    pub further: Vec<(&'a Pty, u32, u32)>,
    /// Zero is the device's zero.
    pub clock: Clock,
    /// The end of a pipe whose other end the runner holds: it closes when the runner is gone.
    pub runner: Option<BorrowedFd<'a>>,
    /// Whether to go on when it closes: nobody who could be gone holds the other end.
    pub goes_on: bool,
    /// How long to go on after that, at most, until the device is at rest.
    pub linger: Duration,
    /// Set to end.
    pub stop: &'a AtomicBool,
}

/// How serving ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Served {
    /// Bytes taken from the client.
    pub received: u64,
    /// Bytes given to the client.
    pub sent: u64,
    /// Bytes that nobody took, as on a line without flow control.
    pub lost: u64,
    /// Whether the device was at rest at the end.
    pub at_rest: bool,
}

/// First line of a truth log: CLOCK_MONOTONIC in microseconds, then the columns of the device.
pub fn truth_header(columns: &str) -> String {
    format!("monotonic_us,{columns}\n")
}

impl<'a> Service<'a> {
    /// A service at the line rate and frame of a link.
    pub fn new(pty: &'a Pty, link: &Link, clock: Clock, stop: &'a AtomicBool) -> Service<'a> {
        let (baud, bits) = (link.baud, link.frame.bits());
        Service {
            pty,
            baud,
            bits,
            further: Vec::new(),
            clock,
            runner: None,
            goes_on: false,
            linger: Duration::from_millis(30_000),
            stop,
        }
    }

    /// Serves until told to stop, or until the runner is gone and the device is at rest. Rows of
    /// truth go to `truth`; the header is the caller's.
    ///
    /// # Errors
    /// The pseudo-terminal fails, or the truth log cannot be written.
    pub fn serve<D: Device>(&self, device: &mut D, truth: &mut impl Write) -> io::Result<Served> {
        wake_sharply();
        // Refused or not: who looks for the reason finds it in the run.
        take(Place::Twin);
        let zero = monotonic_nanos() - self.clock.now().micros().max(0).unsigned_abs() * 1000;
        let mut side = Side {
            service: self,
            zero,
            lines: [(self.pty, self.baud, self.bits)].iter().chain(&self.further).map(Line::new).collect(),
            runner_gone: None,
            flushed: Instant::ZERO,
            done: Instant::ZERO,
            served: Served { received: 0, sent: 0, lost: 0, at_rest: false },
        };
        while !side.is_over(device) {
            let caught_up = side.go_round(device, truth)?;
            if caught_up {
                side.sleep(device)?;
                side.look_at_lateness(device);
            }
        }
        truth.flush()?;
        side.served.at_rest = device.is_at_rest();
        Ok(side.served)
    }
}

/// Both directions of the line of one port.
struct Line<'a> {
    pty: &'a Pty,
    incoming: Wire,
    outgoing: Wire,
    /// When the last byte came.
    heard: Instant,
}

impl<'a> Line<'a> {
    fn new((pty, baud, bits): &(&'a Pty, u32, u32)) -> Line<'a> {
        let wire = || Wire::new(*baud, *bits);
        Line { pty, incoming: wire(), outgoing: wire(), heard: Instant::ZERO }
    }
}

struct Side<'a> {
    service: &'a Service<'a>,
    /// CLOCK_MONOTONIC in nanoseconds at the device's zero.
    zero: u64,
    /// One line for each port.
    lines: Vec<Line<'a>>,
    /// When the runner was found to be gone.
    runner_gone: Option<Instant>,
    flushed: Instant,
    /// How far the device has come.
    done: Instant,
    served: Served,
}

impl Side<'_> {
    fn nanos(&self) -> u64 {
        monotonic_nanos().saturating_sub(self.zero)
    }

    fn is_over(&self, device: &impl Device) -> bool {
        let told = self.service.stop.load(Ordering::Relaxed);
        let left = self
            .runner_gone
            .filter(|_| !self.service.goes_on)
            .is_some_and(|since| device.is_at_rest() || micros(self.nanos()) - since >= self.service.linger);
        told || left
    }

    /// After a sleep that brought the device to the present before it: how late it is.
    fn look_at_lateness(&self, device: &mut impl Device) {
        let now = micros(self.nanos());
        if now - self.done > LATE_MAX {
            device.stood_still(self.done, now);
        }
    }

    /// Reads, brings the device to the present or a bounded step towards it, and writes. Says
    /// whether the present was reached.
    fn go_round(&mut self, device: &mut impl Device, truth: &mut impl Write) -> io::Result<bool> {
        let lines = 0..self.lines.len();
        for line in lines.clone() {
            self.read(line)?;
        }
        let now = self.nanos();
        let upto = (self.done + CATCH_UP).min(micros(now));
        for line in lines.clone() {
            while let Some((at, bytes)) = self.lines[line].incoming.take(nanos(upto)) {
                // Whole microseconds, and never before the last bit; a port that is read after another hears no earlier than it.
                let at = micros(at.next_multiple_of(1000)).max(self.done);
                match line {
                    0 => device.receive(at, &bytes),
                    port => device.receive_at(at, port, &bytes),
                }
                self.done = at;
                self.collect(device);
            }
        }
        if upto > self.done {
            device.advance(upto);
            self.done = upto;
            self.collect(device);
        }
        for line in lines {
            self.write(line)?;
        }
        self.note_truth(device, truth)?;
        Ok(upto == micros(now))
    }

    fn collect(&mut self, device: &mut impl Device) {
        let now = self.nanos();
        for (port, line) in self.lines.iter_mut().enumerate() {
            let mut next = || if port == 0 { device.transmit() } else { device.transmit_at(port) };
            while let Some(bytes) = next() {
                line.outgoing.put(now, bytes);
            }
        }
    }

    fn read(&mut self, line: usize) -> io::Result<()> {
        let mut buffer = [0; 4096];
        loop {
            let now = self.nanos();
            let line = &mut self.lines[line];
            match rustix::io::read(line.pty.master(), &mut buffer) {
                // With a slave held open the master has no end; take it as nothing for now.
                Ok(0) | Err(Errno::AGAIN) => break,
                Ok(count) => {
                    line.heard = micros(now);
                    self.served.received += count as u64;
                    line.incoming.put(now, buffer[..count].to_vec());
                }
                Err(Errno::INTR) => {}
                Err(errno) => return Err(errno.into()),
            }
        }
        let now = micros(self.nanos());
        let line = &mut self.lines[line];
        if now - line.heard > QUIET {
            line.heard = now;
            line.pty.clear_exclusive()?;
        }
        Ok(())
    }

    fn write(&mut self, line: usize) -> io::Result<()> {
        let now = self.nanos();
        let line = &mut self.lines[line];
        while let Some((_, bytes)) = line.outgoing.take(now) {
            let mut rest = bytes.as_slice();
            while !rest.is_empty() {
                match rustix::io::write(line.pty.master(), rest) {
                    Ok(taken) => {
                        self.served.sent += taken as u64;
                        rest = &rest[taken..];
                    }
                    Err(Errno::INTR) => {}
                    // A line without flow control: what nobody takes is lost.
                    Err(Errno::AGAIN) => {
                        self.served.lost += rest.len() as u64;
                        break;
                    }
                    Err(errno) => return Err(errno.into()),
                }
            }
        }
        Ok(())
    }

    fn note_truth(&mut self, device: &mut impl Device, truth: &mut impl Write) -> io::Result<()> {
        let mut happened = false;
        for line in device.drain_truth() {
            write!(truth, "{},", self.service.clock.began_monotonic() + line.at.micros())?;
            truth.write_all(&line.csv)?;
            truth.write_all(b"\n")?;
            happened |= line.happened;
        }
        if happened || self.done - self.flushed >= FLUSH_EVERY {
            truth.flush()?;
            self.flushed = self.done;
        }
        Ok(())
    }

    /// Sleeps until bytes come, the next byte is due on the line, or the physics wants a step.
    fn sleep(&mut self, device: &mut impl Device) -> io::Result<()> {
        let now = self.nanos();
        let due = self.lines.iter().flat_map(|l| [l.incoming.next(), l.outgoing.next()]).flatten().min();
        let nanos = due.map_or(SLEEP_MAX_NANOS, |at| at.saturating_sub(now).min(SLEEP_MAX_NANOS));
        let timeout = Timespec { tv_sec: 0, tv_nsec: i64::try_from(nanos).unwrap_or(0) };
        let masters = self.lines.iter().map(|line| line.pty.master());
        let mut waits: Vec<PollFd<'_>> =
            masters.map(|master| PollFd::from_borrowed_fd(master, PollFlags::IN)).collect();
        if let (Some(runner), None) = (self.service.runner, self.runner_gone) {
            waits.push(PollFd::from_borrowed_fd(runner, PollFlags::IN));
        }
        match poll(&mut waits, Some(&timeout)) {
            Ok(_) | Err(Errno::INTR) => {}
            Err(errno) => return Err(errno.into()),
        }
        let stirred = waits.get(self.lines.len()).is_some_and(|runner| !runner.revents().is_empty());
        if let (true, Some(runner)) = (stirred, self.service.runner) {
            let mut said = [0; 64];
            match rustix::io::read(runner, &mut said) {
                Ok(count @ 1..) => device.told(self.done, &said[..count]),
                Err(Errno::INTR | Errno::AGAIN) => {}
                Ok(0) | Err(_) => self.runner_gone = Some(micros(self.nanos())),
            }
        }
        Ok(())
    }
}

fn micros(nanos: u64) -> Instant {
    Instant::from_micros(i64::try_from(nanos / 1000).unwrap_or(i64::MAX))
}

fn nanos(at: Instant) -> u64 {
    at.micros().max(0).unsigned_abs() * 1000
}

#[cfg(test)]
pub(crate) mod tests;
