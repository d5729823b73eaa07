//! A small file system of a cell's own. Mounting needs root, as the CI has it.

use std::path::PathBuf;
use std::process::Command;

/// A small file system, gone when dropped.
pub struct Disk(pub PathBuf);

impl Disk {
    pub fn mount(at: PathBuf, options: &str) -> Disk {
        let shown = at.display().to_string();
        Disk::try_mount(at, options)
            .unwrap_or_else(|| panic!("a moment ago a tmpfs could be mounted at {shown}"))
    }

    pub fn try_mount(at: PathBuf, options: &str) -> Option<Disk> {
        std::fs::create_dir_all(&at).expect("a folder");
        let mounted = Command::new("mount").args(["-t", "tmpfs", "-o", options, "none"]).arg(&at).output();
        mounted.is_ok_and(|o| o.status.success()).then(|| Disk(at))
    }

    pub fn fill(&self) {
        use std::io::Write;
        let mut file = std::fs::File::create(self.0.join("filler")).expect("a file");
        while file.write_all(&[0; 4096]).is_ok() {}
        while file.write_all(&[0]).is_ok() {}
    }

    pub fn empty(&self) {
        std::fs::remove_file(self.0.join("filler")).expect("it was filled");
    }
}

impl Drop for Disk {
    fn drop(&mut self) {
        let _ = Command::new("umount").arg("-l").arg(&self.0).status();
    }
}
