//! Finds the daemon's program: beside this one, else on the PATH.

use std::env;
use std::path::{Path, PathBuf};

/// Name of the daemon's program.
pub const DAEMON: &str = "ampledgerd";

/// The daemon that was built or installed with this program, if it is there.
pub fn daemon() -> Option<PathBuf> {
    let beside = env::current_exe().ok()?.parent()?.join(DAEMON);
    let path = env::var_os("PATH").unwrap_or_default();
    let on_path = env::split_paths(&path).map(|folder| folder.join(DAEMON));
    std::iter::once(beside).chain(on_path).find(|program| is_program(program))
}

fn is_program(path: &Path) -> bool {
    rustix::fs::access(path, rustix::fs::Access::EXEC_OK).is_ok() && path.is_file()
}
