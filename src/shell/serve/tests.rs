use super::*;
use crate::shell::port::{Port, WRITE_WITHIN};
use crate::shell::support::link;
use std::collections::VecDeque;
use std::os::fd::AsFd;
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::AtomicUsize;
use std::sync::mpsc;
use std::time::Duration as StdDuration;

/// Answers each line with itself, and notes when it was called.
#[derive(Debug, Default)]
struct Echo {
    now: Instant,
    line: Vec<u8>,
    out: VecDeque<Vec<u8>>,
    truth: Vec<TruthLine>,
    heard: Vec<(Instant, usize)>,
    rests_from: Option<Instant>,
    largest_step: Duration,
    /// Bytes heard, for a client to wait for.
    count: Arc<AtomicUsize>,
}

impl Device for Echo {
    fn receive(&mut self, now: Instant, bytes: &[u8]) {
        assert!(now >= self.now, "time goes forward");
        self.now = now;
        self.heard.push((now, bytes.len()));
        self.count.fetch_add(bytes.len(), Ordering::Relaxed);
        for byte in bytes {
            self.line.push(*byte);
            if *byte == b'\n' {
                let line = std::mem::take(&mut self.line);
                self.truth.push(TruthLine {
                    at: now,
                    csv: line.len().to_string().into_bytes(),
                    happened: true,
                });
                self.out.push_back(line);
            }
        }
    }
    fn advance(&mut self, now: Instant) {
        assert!(now >= self.now, "time goes forward");
        self.largest_step = self.largest_step.max(now - self.now);
        self.now = now;
    }
    fn transmit(&mut self) -> Option<Vec<u8>> {
        self.out.pop_front()
    }
    fn drain_truth(&mut self) -> Vec<TruthLine> {
        std::mem::take(&mut self.truth)
    }
    fn is_at_rest(&self) -> bool {
        self.rests_from.is_some_and(|at| self.now >= at)
    }
}

/// Serves an echo on a thread while `client` has its turn; gives back the device and the truth log.
fn with_echo(baud: u32, client: impl FnOnce(&Path, &AtomicUsize)) -> (Echo, Served, String) {
    let pty = Pty::open(None).expect("a pty");
    let path = pty.path().to_path_buf();
    let stop = Arc::new(AtomicBool::new(false));
    let stop_server = Arc::clone(&stop);
    let mut echo = Echo::default();
    let count = Arc::clone(&echo.count);
    let server = std::thread::spawn(move || {
        let mut truth = Vec::new();
        let service = Service::new(&pty, &link(baud), Clock::start(), &stop_server);
        let served = service.serve(&mut echo, &mut truth).expect("it serves");
        (echo, served, String::from_utf8(truth).expect("text"))
    });
    client(&path, &count);
    stop.store(true, Ordering::Relaxed);
    server.join().expect("the server ends")
}

/// The rate does not matter to a pseudo-terminal; the server keeps the pace.
fn open(path: &Path) -> Port {
    Port::open(&link(460_800), path).expect("it opens")
}

/// Waits for something that must come; half a minute is an upper bound for a test that fails.
fn wait_for(mut come: impl FnMut() -> bool) {
    let end = std::time::Instant::now() + StdDuration::from_secs(30);
    while !come() {
        assert!(std::time::Instant::now() < end, "it did not come within half a minute");
        std::thread::sleep(StdDuration::from_millis(5));
    }
}

fn read_line(port: &Port) -> Vec<u8> {
    let handle = port.handle().expect("a handle");
    let mut line = Vec::new();
    let mut buffer = [0; 512];
    while line.last() != Some(&b'\n') {
        let mut count = 0;
        wait_for(|| {
            count = handle.take(&mut buffer).expect("the port is there");
            count > 0
        });
        line.extend_from_slice(&buffer[..count]);
    }
    line
}

#[test]
fn lines_come_back_whole_and_the_truth_log_has_the_shared_clock() {
    let before = crate::shell::clock::monotonic_micros();
    let (_, served, truth) = with_echo(460_800, |path, _| {
        let port = &open(path);
        let handle = port.handle().expect("a handle");
        for number in 0..50 {
            let line = format!("line {number}\n").into_bytes();
            for half in line.chunks(4) {
                handle.write_all(half, WRITE_WITHIN).expect("it is taken");
            }
            assert_eq!(read_line(port), line);
        }
    });
    let after = crate::shell::clock::monotonic_micros();
    assert_eq!((served.received, served.lost), (served.sent, 0));
    let moments: Vec<i64> = truth
        .lines()
        .map(|row| row.split(',').next().expect("a column").parse().expect("microseconds"))
        .collect();
    assert_eq!(moments.len(), 50);
    assert!(moments.is_sorted() && moments[0] >= before && moments[49] <= after, "{moments:?}");
    assert_eq!(truth_header("n"), "monotonic_us,n\n");
}

/// 100 bytes at 9600 baud, 8N1, take 104.2 ms on the line each way: the device hears the last byte
/// no sooner, and the reply is no sooner there than twice that. Only lower bounds: a busy machine
/// makes it later, never sooner.
#[test]
fn bytes_keep_the_pace_of_the_line_both_ways() {
    let line_time = Duration::from_micros(100 * 10 * 1_000_000 / 9_600);
    let mut round_trip = StdDuration::ZERO;
    let (echo, ..) = with_echo(9_600, |path, _| {
        let port = &open(path);
        let mut line = vec![b'x'; 99];
        line.push(b'\n');
        let begun = std::time::Instant::now();
        port.handle().expect("a handle").write_all(&line, WRITE_WITHIN).expect("it is taken");
        assert_eq!(read_line(port), line);
        round_trip = begun.elapsed();
    });
    assert!(round_trip >= (line_time * 2).to_std(), "{round_trip:?}");
    let (first, last) = (echo.heard[0], echo.heard[echo.heard.len() - 1]);
    assert!(first.1 < 100, "the device hears the line byte after byte: {:?}", echo.heard);
    let bytes_after_first = Duration::from_micros((100 - first.1 as i64) * 10 * 1_000_000 / 9_600);
    assert!(last.0 - first.0 >= bytes_after_first - Duration::from_micros(1), "{:?}", echo.heard);
    assert!(echo.largest_step <= CATCH_UP, "the device is advanced in bounded steps: {}", echo.largest_step);
}

#[test]
fn what_nobody_reads_is_lost_and_holds_nothing_up() {
    let (echo, served, _) = with_echo(3_000_000, |path, count| {
        let port = &open(path);
        let handle = port.handle().expect("a handle");
        let line = [&[b'x'; 99][..], b"\n"].concat();
        for _ in 0..2000 {
            handle.write_all(&line, StdDuration::from_secs(10)).expect("the device reads on");
        }
        wait_for(|| count.load(Ordering::Relaxed) == 200_000);
    });
    assert_eq!(served.received, 200_000);
    // The rest was still on the line when the server was told to end.
    assert!(served.lost > 0 && served.sent + served.lost <= served.received, "{served:?}");
    assert_eq!(echo.heard.iter().map(|(_, count)| count).sum::<usize>(), 200_000);
}

/// Whether a user without privileges may open the port: exclusive mode does not stop root.
fn opens_for_anybody(path: &Path) -> bool {
    let script = format!(": <>{}", path.display());
    let mut command = std::process::Command::new("sh");
    if rustix::process::getuid().is_root() {
        command = std::process::Command::new("setpriv");
        command.args(["--reuid=65534", "--regid=65534", "--clear-groups", "--", "sh"]);
    }
    command.args(["-c", &script]).output().expect("it starts").status.success()
}

#[test]
fn exclusive_mode_left_behind_by_a_dead_client_is_cleared() {
    use std::os::unix::fs::PermissionsExt;
    with_echo(460_800, |path, _| {
        std::fs::set_permissions(path, std::fs::Permissions::from_mode(0o666)).expect("mode set");
        let flags = rustix::fs::OFlags::RDWR | rustix::fs::OFlags::NOCTTY;
        let dies = rustix::fs::open(path, flags, rustix::fs::Mode::empty()).expect("it opens");
        // A client that goes on talking keeps its exclusive mode.
        let until = std::time::Instant::now() + StdDuration::from_micros(2 * QUIET.micros() as u64);
        rustix::termios::ioctl_tiocexcl(&dies).expect("exclusive");
        while std::time::Instant::now() < until {
            rustix::io::write(&dies, b"x").expect("it is taken");
            std::thread::sleep(StdDuration::from_millis(100));
        }
        assert!(!opens_for_anybody(path), "the client lives and talks");
        drop(dies);
        wait_for(|| opens_for_anybody(path));
    });
}

#[test]
fn when_the_runner_is_gone_the_device_goes_on_until_it_is_at_rest() {
    let pty = Pty::open(None).expect("a pty");
    let stop = AtomicBool::new(false);
    let (mine, runner) = std::io::pipe().expect("a pipe");
    let clock = Clock::start();
    let rest = Instant::from_micros(300_000);
    let mut echo = Echo { rests_from: Some(rest), ..Echo::default() };
    let mut service = Service::new(&pty, &link(460_800), clock, &stop);
    service.runner = Some(mine.as_fd());
    drop(runner);
    let served = service.serve(&mut echo, &mut Vec::new()).expect("it serves");
    assert!(served.at_rest && echo.now >= rest, "{}", echo.now);
}

#[test]
fn a_device_that_never_rests_is_left_after_the_linger() {
    let pty = Pty::open(None).expect("a pty");
    let stop = AtomicBool::new(false);
    let (mine, runner) = std::io::pipe().expect("a pipe");
    let mut echo = Echo::default();
    let mut service = Service::new(&pty, &link(460_800), Clock::start(), &stop);
    service.runner = Some(mine.as_fd());
    service.linger = Duration::from_millis(200);
    let (done, waited) = mpsc::channel();
    std::thread::scope(|scope| {
        scope.spawn(|| {
            let served = service.serve(&mut echo, &mut Vec::new()).expect("it serves");
            done.send(served).expect("it is waited for");
        });
        assert!(waited.recv_timeout(StdDuration::from_millis(50)).is_err(), "the runner is still there");
        drop(runner);
        let served = waited.recv_timeout(StdDuration::from_secs(10)).expect("it ends by itself");
        assert!(!served.at_rest);
    });
}
