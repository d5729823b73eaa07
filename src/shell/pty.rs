//! A pseudo-terminal of our own, for a simulated controller to sit behind.

use rustix::fs::{Mode, OFlags};
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use rustix::termios::{OptionalActions, ioctl_tiocnxcl, tcgetattr, tcsetattr};
use std::io;
use std::os::fd::{AsFd, BorrowedFd, OwnedFd};
use std::os::unix::ffi::OsStringExt;
use std::path::{Path, PathBuf};

/// A pseudo-terminal in raw mode. Its link path, if there is one, goes when it is dropped.
#[derive(Debug)]
pub struct Pty {
    master: OwnedFd,
    /// Held open: with no slave open, reading the master fails, and the next one to open the slave
    /// would find a terminal that echoes.
    slave: OwnedFd,
    path: PathBuf,
    link: Option<PathBuf>,
}

impl Pty {
    /// Opens the next free pseudo-terminal; `link_path` becomes a symbolic link to it, in place of a
    /// link that is there already, all at once.
    ///
    /// # Errors
    /// No pseudo-terminal is left, or there is something at `link_path` that is no link.
    pub fn open(link_path: Option<&Path>) -> io::Result<Pty> {
        let master = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC)?;
        grantpt(&master)?;
        unlockpt(&master)?;
        let name = ptsname(&master, Vec::new())?;
        let path = PathBuf::from(std::ffi::OsString::from_vec(name.into_bytes()));
        let flags = OFlags::RDWR | OFlags::NOCTTY | OFlags::CLOEXEC;
        let slave = rustix::fs::open(&path, flags, Mode::empty())?;
        let mut settings = tcgetattr(&slave)?;
        settings.make_raw();
        tcsetattr(&slave, OptionalActions::Now, &settings)?;
        rustix::io::ioctl_fionbio(&master, true)?;
        if let Some(link) = link_path {
            place_link(&path, link)?;
        }
        Ok(Pty { master, slave, path, link: link_path.map(Path::to_path_buf) })
    }

    /// The device to open at the other end.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// What a person should open: the link path if there is one.
    pub fn shown_path(&self) -> &Path {
        self.link.as_deref().unwrap_or(&self.path)
    }

    /// Takes away the exclusive mode that a client left behind which died without closing its port.
    ///
    /// # Errors
    /// What the system says.
    pub fn clear_exclusive(&self) -> io::Result<()> {
        Ok(ioctl_tiocnxcl(&self.slave)?)
    }

    /// The side of the simulated controller; it never blocks.
    pub fn master(&self) -> BorrowedFd<'_> {
        self.master.as_fd()
    }
}

impl Drop for Pty {
    fn drop(&mut self) {
        if let Some(link) = &self.link {
            // Somebody else may have taken the name meanwhile: only ours is removed.
            if std::fs::read_link(link).is_ok_and(|to| to == self.path) {
                let _ = std::fs::remove_file(link);
            }
        }
    }
}

/// Makes the link under another name and renames it: at no moment is there none, or half of one.
fn place_link(to: &Path, link: &Path) -> io::Result<()> {
    match std::fs::symlink_metadata(link) {
        Ok(there) if !there.file_type().is_symlink() => {
            let why = format!("`{}` is there already and is no link; choose another path", link.display());
            return Err(io::Error::new(io::ErrorKind::AlreadyExists, why));
        }
        _ => {}
    }
    let mut beside = link.as_os_str().to_owned();
    beside.push(format!(".{}", std::process::id()));
    let beside = PathBuf::from(beside);
    std::os::unix::fs::symlink(to, &beside)?;
    std::fs::rename(&beside, link).inspect_err(|_| {
        let _ = std::fs::remove_file(&beside);
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_link_replaces_a_stale_one_and_goes_with_the_pty() {
        let folder = tempfile::tempdir().expect("a folder");
        let link = folder.path().join("board");
        std::os::unix::fs::symlink("/dev/pts/stale", &link).expect("a link");
        let pty = Pty::open(Some(&link)).expect("a pty");
        assert_eq!(std::fs::canonicalize(&link).expect("it leads somewhere"), pty.path());
        assert_eq!(pty.shown_path(), link);
        drop(pty);
        assert!(std::fs::symlink_metadata(&link).is_err());
    }

    #[test]
    fn a_file_is_never_replaced_by_a_link() {
        let folder = tempfile::tempdir().expect("a folder");
        let file = folder.path().join("notes");
        std::fs::write(&file, "mine").expect("a file");
        let error = Pty::open(Some(&file)).expect_err("refused");
        assert!(error.to_string().contains("is no link; choose another path"), "{error}");
        assert_eq!(std::fs::read_to_string(&file).expect("still there"), "mine");
    }

    #[test]
    fn a_link_that_leads_elsewhere_by_now_stays() {
        let folder = tempfile::tempdir().expect("a folder");
        let link = folder.path().join("board");
        let first = Pty::open(Some(&link)).expect("a pty");
        let second = Pty::open(Some(&link)).expect("a pty");
        drop(first);
        assert_eq!(std::fs::read_link(&link).expect("still there"), second.path());
    }
}
