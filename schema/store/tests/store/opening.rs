//! What is opened, what is refused, and in which words.

use std::path::Path;

use ampledger_store::{Batch, OpenError, Reader, Store, StoreError};

use crate::shed;

#[test]
fn a_store_keeps_its_name_and_its_samples_when_opened_again() {
    let (_dir, path, mut store) = shed::store();
    let run = shed::run(&mut store).id;
    store.append(&Batch { samples: shed::samples(run, 1..=3), ..Batch::default() }).unwrap();
    let uuid = store.uuid().to_owned();
    drop(store);
    let store = Store::open(&path).unwrap();
    assert_eq!((store.uuid(), store.recorded_up_to()), (uuid.as_str(), 3));
}

#[test]
fn a_second_writer_is_told_who_holds_the_store() {
    let (_dir, path, _first) = shed::store();
    let error = Store::open(&path).unwrap_err();
    let OpenError::Held { holder, .. } = &error else { panic!("{error}") };
    assert!(holder.contains(&format!("process {}, since 20", std::process::id())), "{holder}");
    assert!(error.to_string().contains("stop that one first"), "{error}");
}

#[test]
fn a_closed_store_can_be_opened_at_once_while_other_programs_are_started() {
    let (_dir, path, store) = shed::store();
    drop(store);
    let done = std::sync::atomic::AtomicBool::new(false);
    std::thread::scope(|scope| {
        scope.spawn(|| {
            while !done.load(std::sync::atomic::Ordering::Relaxed) {
                std::process::Command::new("true").status().unwrap();
            }
        });
        let opened: Result<Vec<_>, _> = (0..50).map(|_| Store::open(&path).map(drop)).collect();
        done.store(true, std::sync::atomic::Ordering::Relaxed);
        opened.unwrap();
    });
}

#[test]
fn another_name_of_the_same_file_is_the_same_store() {
    let (dir, path, _first) = shed::store();
    let link = dir.path().join("link.db");
    std::os::unix::fs::symlink(&path, &link).unwrap();
    assert!(matches!(Store::open(&link), Err(OpenError::Held { .. })));
}

#[test]
fn a_lock_left_by_a_crash_does_not_block_and_its_text_is_replaced() {
    let dir = tempfile::tempdir().unwrap();
    let lock = dir.path().join("shed.db.lock");
    std::fs::write(&lock, "ampledgerd, process 1, since long ago and far away\n").unwrap();
    let _store = Store::open(&dir.path().join("shed.db")).unwrap();
    let text = std::fs::read_to_string(&lock).unwrap();
    assert!(text.contains(&std::process::id().to_string()) && !text.contains("far away"), "{text}");
}

#[test]
fn a_file_of_something_else_is_refused_and_left_alone() {
    let dir = tempfile::tempdir().unwrap();
    let text = dir.path().join("notes.txt");
    std::fs::write(&text, "GAL-07 came in with a swollen cell.\n".repeat(200)).unwrap();
    let other = dir.path().join("other.db");
    let db = rusqlite::Connection::open(&other).unwrap();
    db.execute_batch("PRAGMA journal_mode = WAL; CREATE TABLE boat (name)").unwrap();
    db.close().unwrap();
    for path in [&text, &other] {
        let before = (std::fs::read(path).unwrap(), listing(dir.path()));
        assert!(matches!(Store::open(path), Err(OpenError::Foreign { .. })));
        assert!(matches!(Reader::open(path), Err(OpenError::Foreign { .. })));
        assert_eq!((std::fs::read(path).unwrap(), listing(dir.path())), before);
    }
}

#[test]
fn what_is_no_file_is_refused_in_its_own_words() {
    let dir = tempfile::tempdir().unwrap();
    assert!(matches!(Store::open(dir.path()), Err(OpenError::NotAFile { .. })));
    assert!(matches!(Reader::open(dir.path()), Err(OpenError::NotAFile { .. })));
    assert!(matches!(Store::open(Path::new("/dev/null")), Err(OpenError::NotAFile { .. })));

    let nowhere = dir.path().join("no/such/folder/shed.db");
    let error = Store::open(&nowhere).unwrap_err();
    assert!(matches!(error, OpenError::NoFolder { .. }), "{error}");
    assert!(error.to_string().contains("no/such/folder"), "{error}");
}

#[test]
fn a_reader_never_makes_a_store() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("shed.db");
    assert!(matches!(Reader::open(&path), Err(OpenError::Missing { .. })));
    std::fs::write(&path, "").unwrap();
    assert!(matches!(Reader::open(&path), Err(OpenError::Foreign { .. })));
    assert_eq!(std::fs::read(&path).unwrap(), b"");
}

#[test]
fn an_empty_file_and_one_left_half_made_become_a_store() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("shed.db");
    std::fs::write(&path, "").unwrap();
    std::fs::write(dir.path().join("shed.db.new"), "half a header").unwrap();
    std::fs::write(dir.path().join("shed.db.new-journal"), "half a journal").unwrap();
    drop(Store::open(&path).unwrap());
    assert_eq!(listing(dir.path()), ["shed.db", "shed.db.lock"]);
    Reader::open(&path).unwrap();
}

#[test]
fn names_with_signs_that_mean_something_elsewhere_are_fine() {
    let dir = tempfile::tempdir().unwrap();
    for name in ["50 % full?.db", "a#b&c=d.db", "file:x.db", "Schiff \u{df}.db"] {
        let path = dir.path().join(name);
        let store = Store::open(&path).unwrap();
        assert_eq!(Reader::open(&path).unwrap().uuid(), store.uuid(), "{name}");
        assert!(path.is_file());
    }
}

#[test]
fn a_damaged_store_is_called_damaged() {
    let (_dir, path, mut store) = shed::store();
    let run = shed::run(&mut store).id;
    store.append(&Batch { samples: shed::samples(run, 1..=5_000), ..Batch::default() }).unwrap();
    drop(store);
    let mut bytes = std::fs::read(&path).unwrap();
    bytes[100..].fill(0xa5);
    std::fs::write(&path, bytes).unwrap();
    let error = Store::open(&path).unwrap_err();
    assert!(matches!(error, OpenError::Store(StoreError::Damaged { .. })), "{error}");
    let error = Reader::open(&path).unwrap_err();
    assert!(matches!(error, OpenError::Store(StoreError::Damaged { .. })), "{error}");
}

fn listing(dir: &Path) -> Vec<String> {
    let name =
        |e: std::io::Result<std::fs::DirEntry>| e.unwrap().file_name().into_string().unwrap();
    let mut names: Vec<_> = std::fs::read_dir(dir).unwrap().map(name).collect();
    names.sort();
    names
}
