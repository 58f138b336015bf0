//! Writes files whole or not at all: under a temporary name beside the place,
//! to disk, then renamed. Never overwrites unless told to.

use std::fs::{File, Permissions};
use std::io::{BufWriter, Write};
use std::os::unix::fs::PermissionsExt as _;
use std::path::{Path, PathBuf};

use tempfile::NamedTempFile;

use crate::exit::Failure;

/// A file that is complete on disk but has not got its name yet.
pub struct Ready {
    file: NamedTempFile,
    path: PathBuf,
}

/// Refuses a place that is taken.
pub fn refuse_taken(path: &Path, force: bool) -> Result<(), Failure> {
    if !force && path.symlink_metadata().is_ok() {
        return Err(taken(path));
    }
    Ok(())
}

/// Writes what `fill` gives under a temporary name beside `path`, and returns
/// what `fill` says of it.
pub fn prepare<T>(
    path: &Path,
    fill: impl FnOnce(&mut dyn Write) -> Result<T, Failure>,
) -> Result<(Ready, T), Failure> {
    let folder = folder_of(path);
    let file = tempfile::Builder::new()
        .prefix(".ampledger-")
        // What the person's umask makes of it, as for any new file.
        .permissions(Permissions::from_mode(0o666))
        .tempfile_in(folder)
        .map_err(Failure::io(format!("a file in {} cannot be made", folder.display())))?;
    let mut writer = BufWriter::new(file);
    let said = fill(&mut writer)?;
    let cannot = || Failure::io(format!("{} cannot be written", path.display()));
    let file = writer.into_inner().map_err(|error| cannot()(error.into_error()))?;
    file.as_file().sync_all().map_err(cannot())?;
    Ok((Ready { file, path: path.to_owned() }, said))
}

/// The same, for a writer that needs the file's own path.
pub fn prepare_at(
    path: &Path,
    fill: impl FnOnce(&Path) -> Result<(), Failure>,
) -> Result<Ready, Failure> {
    let (ready, ()) = prepare(path, |_| Ok(()))?;
    fill(ready.file.path())?;
    let cannot = Failure::io(format!("{} cannot be written", path.display()));
    ready.file.as_file().sync_all().map_err(cannot)?;
    Ok(ready)
}

impl Ready {
    /// Gives the file its name.
    pub fn put(self, force: bool) -> Result<(), Failure> {
        let Ready { file, path } = self;
        let put = match force {
            true => file.persist(&path),
            false => file.persist_noclobber(&path),
        };
        put.map_err(|error| match error.error.kind() {
            std::io::ErrorKind::AlreadyExists => taken(&path),
            _ => Failure::io(format!("{} cannot be written", path.display()))(error.error),
        })?;
        let folder = folder_of(&path);
        File::open(folder)
            .and_then(|folder| folder.sync_all())
            .map_err(Failure::io(format!("{} cannot be brought to disk", folder.display())))
    }
}

fn taken(path: &Path) -> Failure {
    Failure::Refused {
        code: "file_exists",
        message: format!(
            "{} is there already. Choose another name, or overwrite it with --force",
            path.display()
        ),
    }
}

fn folder_of(path: &Path) -> &Path {
    path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn write(path: &Path, text: &str, force: bool) -> Result<(), Failure> {
        refuse_taken(path, force)?;
        let fill = |to: &mut dyn Write| to.write_all(text.as_bytes()).map_err(Failure::io("x"));
        prepare(path, fill)?.0.put(force)
    }

    #[test]
    fn a_file_is_not_overwritten_without_being_told() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a.csv");
        write(&path, "one", false).unwrap();
        let error = write(&path, "two", false).unwrap_err();
        assert_eq!(error.exit(), crate::exit::Exit::Refused);
        assert_eq!(std::fs::read_to_string(&path).unwrap(), "one");
        write(&path, "two", true).unwrap();
        assert_eq!(std::fs::read_to_string(&path).unwrap(), "two");
    }

    #[test]
    fn a_file_that_appears_in_the_meantime_is_kept() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a.csv");
        let (ready, ()) = prepare(&path, |_| Ok(())).unwrap();
        std::fs::write(&path, "theirs").unwrap();
        assert!(matches!(ready.put(false), Err(Failure::Refused { .. })));
        assert_eq!(std::fs::read_to_string(&path).unwrap(), "theirs");
    }

    #[test]
    fn what_fails_half_way_leaves_nothing() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a.csv");
        let failed: Result<(Ready, ()), Failure> = prepare(&path, |to| {
            to.write_all(b"half").map_err(Failure::io("x"))?;
            Err(Failure::Interrupted)
        });
        assert!(matches!(failed, Err(Failure::Interrupted)));
        assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 0);
    }
}
