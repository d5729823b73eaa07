use super::*;
use crate::outcome::Cause;
use crate::shell::pty::Pty;
use crate::shell::support::{link, read_until};
use std::os::unix::fs::PermissionsExt;
use std::process::Command;

fn open(path: &Path) -> Result<Port, PortError> {
    Port::open(&link(460_800), path)
}

fn trouble(path: &str) -> PortTrouble {
    open(Path::new(path)).expect_err("it must not open").trouble
}

/// A link to this port, with a machine declared behind it or not.
fn leads_to(port: &str, machine: bool) -> Link {
    Link { port: port.into(), machine, ..link(460_800) }
}

#[test]
fn a_serial_device_is_always_a_machine_and_a_pseudo_terminal_if_the_rig_says_so() {
    let pty = Pty::open(None).expect("a pty");
    let folder = tempfile::tempdir().expect("a folder");
    let linked = folder.path().join("board");
    std::os::unix::fs::symlink(pty.path(), &linked).expect("a link");
    let (pty, linked) = (pty.path(), linked.display().to_string());
    let text = pty.display().to_string();
    let pty = pty.to_path_buf();
    let rows = [
        ("twin", false, PortKind::Twin),
        (&text, false, PortKind::Pty(pty.clone())),
        (&linked, false, PortKind::Pty(pty.clone())),
        (&text, true, PortKind::Machine(pty.clone())),
        (&linked, true, PortKind::Machine(pty)),
        // A terminal that is no pseudo-terminal: nothing in a file makes it anything less.
        ("/dev/tty0", false, PortKind::Machine("/dev/tty0".into())),
        ("/dev/tty0", true, PortKind::Machine("/dev/tty0".into())),
    ];
    for (port, machine, kind) in rows {
        assert_eq!(look_at(&leads_to(port, machine)).expect(port), kind, "{port} {machine}");
    }
    let wrong = [
        ("/dev/null", PortTrouble::NotSerial),
        ("/dev/ttyUSB77", PortTrouble::Missing),
        ("/etc/passwd", PortTrouble::NotSerial),
        ("/dev", PortTrouble::NotSerial),
    ];
    for (port, trouble) in wrong {
        let error = look_at(&leads_to(port, true)).expect_err(port);
        assert_eq!((error.trouble.clone(), error.cause()), (trouble, Cause::NotMade), "{port}");
    }
}

#[test]
fn a_machine_is_behind_a_closed_port_until_all_is_shown() {
    let link = leads_to("/dev/ttyUSB0", false);
    let machine = PortKind::Machine("/dev/ttyUSB0".into());
    let all = |but: Option<(Need, bool)>| {
        let mut shown = Shown::default();
        Need::ALL.into_iter().for_each(|need| shown.say(need, true));
        but.into_iter().for_each(|(need, holds)| shown.say(need, holds));
        shown
    };
    may_open(&link, &machine, &all(None)).expect("all is shown");
    // Each one alone keeps it closed, and says its own mend; what was never looked at is as good as failed.
    let rows = [
        (Need::Hazards, "`spinproof check`"),
        (Need::Reaction, "`[reaction]`"),
        (Need::Guards, "an answers file alone stops nothing"),
        (Need::Rung, "`spinproof ladder`"),
        (Need::Rehearsal, "--no-rehearsal REASON"),
    ];
    assert_eq!(rows.map(|(need, _)| need), Need::ALL);
    for (need, mend) in rows {
        let error = may_open(&link, &machine, &all(Some((need, false)))).expect_err("it is not shown");
        assert_eq!(error.cause(), Cause::Refused);
        let text = error.to_string();
        assert!(
            text.contains("`/dev/ttyUSB0` has a machine behind it and stays closed") && text.contains(mend),
            "{text}"
        );
        assert!(may_yet_open(&link, &machine, &all(Some((need, false)))).is_err(), "{need:?}");
    }
    assert!(may_open(&link, &machine, &Shown::default()).is_err(), "nothing was looked at");
    may_yet_open(&link, &machine, &Shown::default()).expect("it may still be shown");
    // Where no machine is, none of this is asked here.
    for kind in [PortKind::Twin, PortKind::Pty("/dev/pts/7".into())] {
        may_open(&link, &kind, &Shown::default()).expect("no machine");
    }
}

#[test]
fn each_wrong_port_has_its_own_message() {
    let cases = [
        ("/dev/ttyUSB77", PortTrouble::Missing, "does not exist; plug the adapter in"),
        ("/dev/null", PortTrouble::NotSerial, "is not a serial device"),
        ("/etc", PortTrouble::NotSerial, "is not a serial device"),
    ];
    for (path, expected, words) in cases {
        let error = open(Path::new(path)).expect_err("it must not open");
        assert_eq!(error.trouble, expected, "{path}");
        let text = error.to_string();
        assert!(text.starts_with(&format!("link `board`: port `{path}` {words}")), "{text}");
        assert!(!text.contains('\n'), "one line: {text}");
    }
}

#[test]
fn a_line_rate_of_nothing_is_refused_and_an_unusual_one_taken() {
    let pty = Pty::open(None).expect("a pty");
    let error = Port::open(&link(0), pty.path()).expect_err("no rate");
    assert_eq!(error.trouble, PortTrouble::Baud { asked: 0, got: None });
    assert!(error.to_string().contains("does not take 0 baud; set `baud`"), "{error}");
    Port::open(&link(123_457), pty.path()).expect("a pty takes any rate");
}

/// Root passes by exclusive mode, so that for root the file lock must tell; an unprivileged user
/// meets both.
#[test]
fn a_port_in_use_says_so_and_is_free_again_when_closed() {
    let pty = Pty::open(None).expect("a pty");
    let held = open(pty.path()).expect("it opens");
    assert_eq!(trouble(&pty.path().display().to_string()), PortTrouble::InUse);
    drop(held);
    open(pty.path()).expect("it is free again");
}

#[test]
fn who_holds_a_port_is_named() {
    let pty = Pty::open(None).expect("a pty");
    let mut sleeper = Command::new("sleep")
        .arg("60")
        .stdin(std::fs::File::open(pty.path()).expect("the slave opens"))
        .spawn()
        .expect("sleep starts");
    let error = PortError::new(pty.path().display().to_string(), PortTrouble::InUse);
    sleeper.kill().expect("it was running");
    sleeper.wait().expect("it ends");
    let expected = format!("is in use by sleep (process {})", sleeper.id());
    assert!(error.to_string().contains(&expected), "{error}");
}

/// The part of the next test that has no privileges. It is run by it, never by itself.
#[test]
#[ignore = "a helper: started by `an_unprivileged_user_is_told_about_the_group` as another user"]
fn helper_opens_a_port_without_permission() {
    let path = std::env::var("SPINPROOF_TEST_PORT").expect("the test sets it");
    let error = open(Path::new(&path)).expect_err("this user may not open it");
    println!("HELPER SAYS {error}");
}

#[test]
fn an_unprivileged_user_is_told_about_the_group() {
    let pty = Pty::open(None).expect("a pty");
    std::fs::set_permissions(pty.path(), std::fs::Permissions::from_mode(0o600)).expect("mode set");
    let me = std::env::current_exe().expect("a path");
    let root = rustix::process::getuid().is_root();
    // As root: a copy that anybody may run, as a user that owns nothing. Otherwise the port is
    // closed to its own user as well.
    let folder = tempfile::tempdir().expect("a folder");
    let (program, mut command) = if root {
        std::fs::set_permissions(folder.path(), std::fs::Permissions::from_mode(0o755)).expect("mode set");
        let copy = folder.path().join("tests");
        std::fs::copy(&me, &copy).expect("copied");
        let mut command = Command::new("setpriv");
        command.args(["--reuid=65534", "--regid=65534", "--clear-groups", "--"]);
        (copy, command)
    } else {
        std::fs::set_permissions(pty.path(), std::fs::Permissions::from_mode(0o000)).expect("mode set");
        (me, Command::new("env"))
    };
    let helper = "shell::port::tests::helper_opens_a_port_without_permission";
    let output = command
        .arg(&program)
        .args(["--exact", helper, "--ignored", "--nocapture"])
        .env("SPINPROOF_TEST_PORT", pty.path())
        .current_dir("/")
        .output()
        .expect("setpriv (util-linux) or env must be there: this test is not skipped without it");
    let said = String::from_utf8_lossy(&output.stdout);
    let expected = format!(
        "link `board`: port `{}` may not be opened by this user; serial ports mostly belong to the group `dialout`",
        pty.path().display()
    );
    assert!(said.contains(&expected), "{said}{}", String::from_utf8_lossy(&output.stderr));
}

/// Nobody reads at the far side. Were a write not bounded, this test would not end.
#[test]
fn a_port_that_takes_nothing_gives_up_after_a_bounded_time() {
    let pty = Pty::open(None).expect("a pty");
    let port = open(pty.path()).expect("it opens");
    let handle = port.handle().expect("a handle");
    let line = [b'x'; 100];
    let error = (0..100_000)
        .find_map(|_| handle.write_all(&line, Duration::from_millis(20)).err())
        .expect("the buffers are full some time");
    assert!(matches!(error, WriteError::Blocked { of: 100, .. }), "{error:?}");
    assert!(error.to_string().contains("nobody reads at the other end"), "{error}");
    // Once somebody reads, the port takes bytes again.
    read_until(&pty, |all| all.len() > 1000);
    handle.write_all(b"again", Duration::from_secs(10)).expect("it takes bytes again");
}

#[test]
fn a_vanished_port_is_gone_for_the_writer_as_well() {
    let pty = Pty::open(None).expect("a pty");
    let port = open(pty.path()).expect("it opens");
    drop(pty);
    let error = port.handle().expect("a handle").write_all(b"x", WRITE_WITHIN).expect_err("gone");
    assert!(matches!(error, WriteError::Gone(_)), "{error:?}");
}
