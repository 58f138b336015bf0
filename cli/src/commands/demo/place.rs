//! The folder of a demo and what is in it.

use std::path::{Path, PathBuf};

use tempfile::TempDir;

use crate::exit::Failure;

/// The longest path a Unix socket can have, bytes, with its end.
const LONGEST_SOCKET: usize = 108;

/// Where the demo's files lie.
pub struct Place {
    folder: PathBuf,
    /// Where the socket is, if the folder's path is too long for one.
    aside: Option<TempDir>,
}

impl Place {
    /// Makes the folder: the one that was asked for, which must be new or
    /// empty, else one that has not been there before.
    pub fn make(asked: Option<PathBuf>) -> Result<Place, Failure> {
        let folder = match asked {
            Some(folder) => own(folder)?,
            None => {
                let made = tempfile::Builder::new().prefix("ampledger-demo-").tempdir();
                made.map_err(Failure::io("a folder for the demo cannot be made"))?.keep()
            }
        };
        let fits = folder.join(SOCKET).as_os_str().len() < LONGEST_SOCKET;
        let aside = match fits {
            true => None,
            false => Some(
                tempfile::Builder::new()
                    .prefix("ampledger-")
                    .tempdir_in("/tmp")
                    .map_err(Failure::io("a folder for the demo's socket cannot be made"))?,
            ),
        };
        Ok(Place { folder, aside })
    }

    /// A file in it.
    pub fn file(&self, name: &str) -> PathBuf {
        self.folder.join(name)
    }

    /// The daemon's socket.
    pub fn socket(&self) -> PathBuf {
        self.aside.as_ref().map_or(self.folder.as_path(), TempDir::path).join(SOCKET)
    }

    /// The folder.
    pub fn folder(&self) -> &Path {
        &self.folder
    }
}

const SOCKET: &str = "ampledger.sock";

fn own(folder: PathBuf) -> Result<PathBuf, Failure> {
    let cannot = || Failure::io(format!("{} cannot be used", folder.display()));
    std::fs::create_dir_all(&folder).map_err(cannot())?;
    let mut inside = std::fs::read_dir(&folder).map_err(cannot())?;
    if inside.next().is_some() {
        return Err(Failure::Refused {
            code: "folder_not_empty",
            message: format!(
                "{} is not empty; the demo wants a folder of its own",
                folder.display()
            ),
        });
    }
    folder.canonicalize().map_err(cannot())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_folder_with_something_in_it_is_left_alone() {
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(folder.path().join("mine"), "").unwrap();
        assert!(Place::make(Some(folder.path().to_owned())).is_err());
        assert!(Place::make(Some(folder.path().join("new/demo"))).is_ok());
    }

    #[test]
    fn a_deep_folder_still_has_a_socket_that_can_be_bound() {
        let folder = tempfile::tempdir().unwrap();
        let deep = folder.path().join("x".repeat(120));
        let place = Place::make(Some(deep)).unwrap();
        std::os::unix::net::UnixListener::bind(place.socket()).unwrap();
    }
}
