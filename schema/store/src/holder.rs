//! Which other program holds SQLite's own lock on a store: somebody's shell,
//! most likely. Read from the kernel's list; a hint for a person, no more.

use std::os::unix::fs::MetadataExt;
use std::path::Path;

use crate::path::beside;

/// How often the kernel's list is looked at.
const LOOKS: usize = 3;

/// The program in words, or `another program`.
pub(crate) fn name(store: &Path) -> String {
    let inodes: Vec<u64> = [store.to_owned(), beside(store, "-shm")]
        .iter()
        .filter_map(|path| path.metadata().ok())
        .map(|m| m.ino())
        .collect();
    // The kernel may leave an entry out while others come and go.
    let found = (0..LOOKS).find_map(|_| {
        let locks = std::fs::read_to_string("/proc/locks").unwrap_or_default();
        writer_of(&locks, &inodes, std::process::id())
    });
    let found = found.map(|pid| {
        let command = std::fs::read_to_string(format!("/proc/{pid}/comm")).unwrap_or_default();
        let command = command.trim();
        let command = if command.is_empty() { "another program" } else { command };
        format!("{command} (process {pid})")
    });
    found.unwrap_or_else(|| "another program".to_owned())
}

/// The process that holds a write lock on one of the files, other than `me`.
/// The form of the list: proc_locks(5). Only the inode is compared, since
/// some file systems show another device number here than to stat(2).
fn writer_of(locks: &str, inodes: &[u64], me: u32) -> Option<u32> {
    locks.lines().find_map(|line| {
        let mut fields = line.split_whitespace().skip_while(|f| *f != "WRITE").skip(1);
        let pid: u32 = fields.next()?.parse().ok()?;
        let inode: u64 = fields.next()?.rsplit(':').next()?.parse().ok()?;
        (pid != me && inodes.contains(&inode)).then_some(pid)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_writer_is_found_among_readers_and_others() {
        // Form as in proc_locks(5); numbers made up.
        let locks = "1: POSIX  ADVISORY  READ  71 fe:00:50 123 123\n\
                     2: FLOCK  ADVISORY  WRITE 72 fe:00:51 0 EOF\n\
                     2: -> FLOCK  ADVISORY  WRITE 73 fe:00:52 0 EOF\n\
                     3: POSIX  ADVISORY  WRITE 74 fe:00:50 120 120\n";
        assert_eq!(writer_of(locks, &[50], 1), Some(74));
        assert_eq!(writer_of(locks, &[50], 74), None);
        assert_eq!(writer_of(locks, &[49], 1), None);
        assert_eq!(writer_of("rubbish\n1: POSIX WRITE x y", &[50], 1), None);
    }
}
