//! A file that is whole at any moment.

use std::fs::{self, File};
use std::io::{self, Write};
use std::path::Path;

/// Writes a file beside the old one, then in its place: whatever cuts it leaves one of the two, whole. Of a link the file that it
/// leads to is replaced, and who may use it stays as it was.
///
/// # Errors
/// It cannot be written; the old one stands then.
pub fn replace(path: &Path, bytes: &[u8]) -> io::Result<()> {
    // There is nothing to lead to while there is no file.
    let path = fs::canonicalize(path).unwrap_or_else(|_| path.to_path_buf());
    let mut beside = path.as_os_str().to_owned();
    beside.push(".new");
    let write = || {
        let mut file = File::create(&beside)?;
        if let Ok(old) = fs::metadata(&path) {
            file.set_permissions(old.permissions())?;
        }
        file.write_all(bytes)?;
        file.sync_all()?;
        fs::rename(&beside, &path)?;
        let folder = path.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
        File::open(folder)?.sync_all()
    };
    write().inspect_err(|_| {
        // What is left of a failed attempt only takes room on a disk that may be full.
        let _ = fs::remove_file(&beside);
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::os::unix::fs::{PermissionsExt, symlink};

    #[test]
    fn what_a_link_leads_to_is_replaced_and_its_permissions_stay() {
        let dir = tempfile::tempdir().expect("a folder");
        let (file, link) = (dir.path().join("unit.toml"), dir.path().join("current.toml"));
        fs::write(&file, "old").expect("written");
        fs::set_permissions(&file, PermissionsExt::from_mode(0o640)).expect("it is ours");
        symlink(&file, &link).expect("a link");
        replace(&link, b"new").expect("replaced");
        assert_eq!(fs::read_to_string(&file).expect("there"), "new");
        assert!(fs::symlink_metadata(&link).expect("there").is_symlink());
        assert_eq!(fs::metadata(&file).expect("there").permissions().mode() & 0o777, 0o640);
        assert_eq!(fs::read_dir(dir.path()).expect("there").count(), 2, "nothing is left beside it");
    }
}
