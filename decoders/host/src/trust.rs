//! Whether a library's file can be trusted not to be exchanged by somebody
//! else: it and every folder above it belong to root or to the user that runs
//! this, and nobody else may write there.

use std::fs::Metadata;
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};

/// Bits of a mode: who may write, and that only owners may rename or remove.
const OTHERS_WRITE: u32 = 0o022;
const STICKY: u32 = 0o1000;

/// The file that is to be loaded, its symbolic links followed; or why it may
/// not be.
pub fn checked(file: &Path) -> Result<PathBuf, String> {
    if !file.is_absolute() {
        return Err(format!("{} is no absolute path", file.display()));
    }
    let cannot = |error| format!("{} cannot be read: {error}", file.display());
    let target = file.canonicalize().map_err(cannot)?;
    let found = target.metadata().map_err(cannot)?;
    if !found.is_file() {
        return Err(format!("{} is no file", target.display()));
    }
    is_guarded(&target, &found)?;
    // Where a link lies counts too: who may exchange the link may choose.
    for folder in target.ancestors().skip(1).chain(file.ancestors().skip(1)) {
        let found = folder.metadata().map_err(cannot)?;
        is_guarded(folder, &found)?;
    }
    Ok(target)
}

fn is_guarded(path: &Path, found: &Metadata) -> Result<(), String> {
    let own = rustix::process::geteuid().as_raw();
    let (owner, mode) = (found.uid(), found.mode());
    let name = path.display();
    if owner != 0 && owner != own {
        return Err(format!(
            "{name} belongs to another user (number {owner}), who could exchange the plugin; give \
             it to root: chown root {name}"
        ));
    }
    // In a folder such as /tmp others may write, but not touch what is not theirs.
    let is_shared = found.is_dir() && owner == 0 && mode & STICKY != 0;
    if mode & OTHERS_WRITE != 0 && !is_shared {
        return Err(format!(
            "{name} can be written by others (mode {:04o}), who could exchange the plugin; take \
             that away: chmod go-w {name}",
            mode & 0o7777
        ));
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::fs::{self, Permissions};
    use std::os::unix::fs::{PermissionsExt, symlink};

    fn set(path: &Path, mode: u32) {
        fs::set_permissions(path, Permissions::from_mode(mode)).unwrap();
    }

    #[test]
    fn what_others_may_write_is_refused_with_what_to_do() {
        let all = tempfile::tempdir().unwrap();
        let folder = all.path().join("plugins");
        fs::create_dir(&folder).unwrap();
        let file = folder.join("x.so");
        fs::write(&file, "").unwrap();
        set(&folder, 0o755);
        set(&file, 0o755);
        assert_eq!(checked(&file), Ok(file.canonicalize().unwrap()));
        for mode in [0o757, 0o775] {
            set(&file, mode);
            assert!(checked(&file).unwrap_err().contains("chmod go-w"), "{mode:o}");
        }
        set(&file, 0o644);
        set(&folder, 0o777);
        let why = checked(&file).unwrap_err();
        assert!(why.contains("plugins can be written by others (mode 0777)"), "{why}");
        // Sticky alone is not enough where the folder is not root's own.
        set(&folder, 0o1755);
        assert!(checked(&file).is_ok());
    }

    #[test]
    fn a_link_is_judged_by_where_it_lies_and_where_it_leads() {
        let all = tempfile::tempdir().unwrap();
        let (open, shut) = (all.path().join("open"), all.path().join("shut"));
        for folder in [&open, &shut] {
            fs::create_dir(folder).unwrap();
        }
        fs::write(shut.join("x.so"), "").unwrap();
        symlink(shut.join("x.so"), open.join("link.so")).unwrap();
        set(&shut, 0o755);
        set(&open, 0o755);
        assert_eq!(checked(&open.join("link.so")), Ok(shut.join("x.so").canonicalize().unwrap()));
        set(&open, 0o777);
        assert!(checked(&open.join("link.so")).is_err());
    }

    #[test]
    fn a_folder_a_missing_file_and_a_relative_path_are_refused() {
        let all = tempfile::tempdir().unwrap();
        assert!(checked(all.path()).unwrap_err().contains("is no file"));
        assert!(checked(&all.path().join("x.so")).unwrap_err().contains("cannot be read"));
        assert!(checked(Path::new("x.so")).unwrap_err().contains("no absolute path"));
    }
}
