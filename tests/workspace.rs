//! The tree itself: who may know whom, what the lints hold, and that the
//! documents say what is there.

mod documents;
mod graph;
mod lints;

use std::path::{Path, PathBuf};

use crate::util::root;

/// Every Rust file of the project, as a path from its root.
fn sources() -> Vec<PathBuf> {
    let mut found = Vec::new();
    let mut left = vec![root().to_owned()];
    while let Some(folder) = left.pop() {
        for entry in std::fs::read_dir(folder).expect("a folder of the project") {
            let path = entry.expect("an entry").path();
            let name = path.file_name().and_then(|n| n.to_str()).unwrap_or_default();
            if path.is_dir() {
                if !name.starts_with('.') && name != "target" {
                    left.push(path);
                }
            } else if name.ends_with(".rs") {
                found.push(path.strip_prefix(root()).expect("inside").to_owned());
            }
        }
    }
    found.sort();
    assert!(found.len() > 20, "that is not the project: {found:?}");
    found
}

fn read(path: impl AsRef<Path>) -> String {
    let path = root().join(path);
    std::fs::read_to_string(&path).unwrap_or_else(|e| panic!("{}: {e}", path.display()))
}
