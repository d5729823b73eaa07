//! Ports that are no use, and what stands behind one that is no controller.

use super::{bench, common, spinproof, text, today};
use assert_cmd::cargo::CommandCargoExt;
use std::path::Path;
use std::process::{Command, Output, Stdio};

/// The demo rig with its link on this port, in a file.
fn rig_on(port: &str, dir: &Path) -> String {
    let rig = common::RIG.replace("port = \"twin\"", &format!("port = \"{port}\""));
    let path = dir.join("rig.toml");
    std::fs::write(&path, rig).unwrap();
    path.to_str().unwrap().to_string()
}

/// Runs the first spin on a rig file, with every question answered in a file.
fn first_spin_on(rig: &str, program: Command, dir: &Path) -> Output {
    let ids = ["guards", "mount", "bond", "coolant", "stop"];
    let answers: String = ids.iter().map(|id| format!("{id} = \"yes\"\n")).collect();
    let head =
        "schema = 1\nunit_serial = \"HC7-0042\"\nbuild = \"1.4.0\"\nassembly = 1\nanswered_by = \"a test\"\n";
    let path = dir.join("answers.toml");
    std::fs::write(&path, format!("{head}expires = \"{}\"\n[answer]\n{answers}", today::expires())).unwrap();
    let (out, mut program) = (dir.join("run"), program);
    program
        .args([
            "run",
            "suites/first-spin.toml",
            "--unit",
            "fixtures/demo/unit.toml",
            "--build",
            "1.4.0",
            "--rig",
            rig,
            "--off-ladder",
            "what is behind the port is a program",
            "--no-rehearsal",
            "it never gets as far",
        ])
        .arg("--answers")
        .arg(&path)
        .arg("--out")
        .arg(&out)
        .current_dir(env!("CARGO_MANIFEST_DIR"))
        .stdin(Stdio::null());
    program.output().unwrap()
}

/// The program as an unprivileged user: root may open what is in use or forbidden. Debian's user
/// `nobody` is 65534; `setpriv` comes with util-linux.
fn plain_user(dir: &Path) -> Command {
    use std::os::unix::fs::PermissionsExt;
    if !rustix::process::geteuid().is_root() {
        return Command::cargo_bin("spinproof").unwrap();
    }
    // A copy where everybody may go: the folder of the build need not be such a place.
    let program = dir.join("spinproof");
    std::fs::copy(env!("CARGO_BIN_EXE_spinproof"), &program).unwrap();
    std::fs::set_permissions(dir, PermissionsExt::from_mode(0o777)).unwrap();
    let mut command = Command::new("setpriv");
    command.args(["--reuid", "65534", "--regid", "65534", "--clear-groups"]).arg(program);
    command
}

/// One row per way in which a port is no use: what the message must say, and exit code 3.
#[test]
fn a_port_that_cannot_be_used_is_told_with_the_way_to_mend_it() {
    use std::os::unix::fs::PermissionsExt;
    let _alone = bench();
    let temp = tempfile::tempdir().unwrap();
    let pty = spinproof::shell::pty::Pty::open(None).unwrap();
    let path = pty.path().to_str().unwrap();
    let link = common::load(common::RIG, common::UNIT, common::FIRST_SPIN, None).plan.links[0].clone();
    let open = |mode| std::fs::set_permissions(pty.path(), PermissionsExt::from_mode(mode)).unwrap();
    let says = |port: &str, words: &[&str]| {
        let dir = tempfile::tempdir_in(temp.path()).unwrap();
        std::fs::set_permissions(temp.path(), PermissionsExt::from_mode(0o777)).unwrap();
        let program = plain_user(dir.path());
        let output = first_spin_on(&rig_on(port, dir.path()), program, dir.path());
        assert_eq!(output.status.code(), Some(3), "{}", text(&output));
        for word in words {
            assert!(text(&output).contains(word), "`{word}`: {}", text(&output));
        }
    };
    says("/dev/pts/9999", &["link `board`: port `/dev/pts/9999` does not exist", "spinproof ports"]);
    open(0o666);
    let held = spinproof::shell::port::Port::open(&link, pty.path()).unwrap();
    says(path, &["is in use", "end that program first"]);
    drop(held);
    open(0);
    says(path, &["may not be opened by this user", "usermod -aG dialout"]);
}

/// A device that only babbles is no controller: the run is not made, and says what it heard.
#[test]
fn a_device_that_speaks_garbage_is_no_controller() {
    let _alone = bench();
    let temp = tempfile::tempdir().unwrap();
    let pty = spinproof::shell::pty::Pty::open(None).unwrap();
    let rig = rig_on(pty.path().to_str().unwrap(), temp.path());
    let over = std::sync::atomic::AtomicBool::new(false);
    let output = std::thread::scope(|scope| {
        scope.spawn(|| {
            let mut byte = 1u8;
            while !over.load(std::sync::atomic::Ordering::Relaxed) {
                // Every byte value, in an order that never spells a reply; a full line is no matter.
                byte = byte.wrapping_mul(5).wrapping_add(29);
                let _ = rustix::io::write(pty.master(), &[byte]);
                std::thread::sleep(std::time::Duration::from_micros(200));
            }
        });
        let output = first_spin_on(&rig, Command::cargo_bin("spinproof").unwrap(), temp.path());
        over.store(true, std::sync::atomic::Ordering::Relaxed);
        output
    });
    assert_eq!(output.status.code(), Some(3), "{}", text(&output));
    assert!(text(&output).contains("*IDN?"), "{}", text(&output));
    let replay = spinproof(&["replay", temp.path().join("run").to_str().unwrap()]);
    assert!(text(&replay).contains("identical"), "what was heard is on record: {}", text(&replay));
}
