//! Finds the host's program: beside the one that runs, or where an installed
//! one lies. Never on the PATH: what runs as a host is chosen by nobody else.

use std::path::{Path, PathBuf};

/// Name of the host's program.
pub const HOST: &str = "ampledger-host";

/// The host that was built or installed with the program that runs.
pub fn host() -> Result<PathBuf, String> {
    let own = std::env::current_exe().map_err(|e| format!("where this program lies: {e}"))?;
    let folder = own.parent().unwrap_or(Path::new("/"));
    let places = places(folder);
    let found = places.iter().find(|path| path.is_file()).cloned();
    found.ok_or_else(|| {
        let looked: Vec<String> = places.iter().map(|p| p.display().to_string()).collect();
        format!("the program that runs plugins is missing; looked for {}", looked.join(" and "))
    })
}

fn places(folder: &Path) -> [PathBuf; 2] {
    let prefix = folder.parent().unwrap_or(folder);
    [folder.join(HOST), prefix.join("libexec/ampledger").join(HOST)]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_installed_host_lies_beside_the_bin_folder() {
        let [beside, installed] = places(Path::new("/usr/local/bin"));
        assert_eq!(beside, Path::new("/usr/local/bin/ampledger-host"));
        assert_eq!(installed, Path::new("/usr/local/libexec/ampledger/ampledger-host"));
    }
}
