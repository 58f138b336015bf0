//! How readers behave beside a writer, and where nobody may write.

use std::ops::ControlFlow;
use std::sync::Arc;

use ampledger_store::{Batch, OpenError, Range, Reader, Store, StoreError};

use crate::shed;

#[test]
fn a_reader_sees_each_commit_of_a_writer_that_goes_on() {
    let (_dir, path, mut store) = shed::store();
    let run = shed::run(&mut store).id;
    let reader = Reader::open(&path).unwrap();
    for second in 0..5 {
        let numbers = second * 10 + 1..=second * 10 + 10;
        store.append(&Batch { samples: shed::samples(run, numbers), ..Batch::default() }).unwrap();
        assert_eq!(reader.recorded_up_to().unwrap(), store.recorded_up_to());
        assert_eq!(shed::read(&reader, &Range::everything()).len() as u64, second * 10 + 10);
    }
}

#[test]
fn reading_holds_no_transaction_open_while_the_samples_are_looked_at() {
    let (_dir, path, mut store) = shed::store();
    let run = shed::run(&mut store).id;
    store.append(&Batch { samples: shed::samples(run, 1..=10_000), ..Batch::default() }).unwrap();
    let reader = store.reader().unwrap();
    let other = rusqlite::Connection::open(&path).unwrap();
    let mut looked_at = 0;
    let done = reader.samples(&Range::everything(), |_| {
        looked_at += 1;
        if looked_at % 2_500 == 0 {
            let more = shed::samples(run, [10_000 + looked_at]);
            store.append(&Batch { samples: more, ..Batch::default() }).unwrap();
            // 0 in the first column: no reader kept the log from being emptied.
            let busy: i64 =
                other.query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |r| r.get(0)).unwrap();
            assert_eq!(busy, 0);
        }
        ControlFlow::Continue(())
    });
    done.unwrap();
    assert_eq!(looked_at, 10_000, "what came later is not read");
}

#[test]
fn reading_ends_when_it_is_told_to() {
    let (_dir, _path, mut store) = shed::store();
    let run = shed::run(&mut store).id;
    store.append(&Batch { samples: shed::samples(run, 1..=9_000), ..Batch::default() }).unwrap();
    let mut last = 0;
    let done = store.reader().unwrap().samples(&Range::everything(), |s| {
        last = s.seq;
        if last == 5_000 { ControlFlow::Break(()) } else { ControlFlow::Continue(()) }
    });
    assert_eq!((done, last), (Ok(()), 5_000));
}

#[test]
fn samples_of_one_origin_share_their_group_and_decode_set() {
    let (_dir, _path, mut store) = shed::store();
    let run = shed::run(&mut store).id;
    // Two batches, each with a group and a decode set of its own, but equal.
    for numbers in [1..=2, 3..=4] {
        store.append(&Batch { samples: shed::samples(run, numbers), ..Batch::default() }).unwrap();
    }
    let all = shed::read(&store.reader().unwrap(), &Range::everything());
    assert!(all.iter().all(|s| Arc::ptr_eq(&s.sample.group, &all[0].sample.group)));
    assert!(all.iter().all(|s| Arc::ptr_eq(&s.decode_set, &all[0].decode_set)));
}

#[test]
fn both_ends_of_a_range_belong_to_it() {
    let (_dir, _path, mut store) = shed::store();
    let run = shed::run(&mut store).id;
    store.append(&Batch { samples: shed::samples(run, 1..=100), ..Batch::default() }).unwrap();
    let range = Range {
        sources: vec!["bench-shunt".to_owned()],
        from: shed::at(run, 1_000_000),
        to: Some(shed::at(run, 2_000_000)),
        up_to: None,
    };
    let found = shed::read(&store.reader().unwrap(), &range);
    let numbers: Vec<_> = found.iter().map(|s| s.seq).collect();
    assert_eq!(numbers, (10..=20).collect::<Vec<_>>());
}

/// A folder that nobody may write to, not even root.
struct StillFolder(tempfile::TempDir);

impl StillFolder {
    fn with(files: &[impl AsRef<std::path::Path>]) -> Option<StillFolder> {
        let folder = StillFolder(tempfile::tempdir().unwrap());
        if !folder.mount(&["-t", "tmpfs", "-o", "size=8m", "none"]) {
            return None;
        }
        for file in files {
            let file = file.as_ref();
            std::fs::copy(file, folder.0.path().join(file.file_name().unwrap())).unwrap();
        }
        assert!(folder.mount(&["-o", "remount,ro"]));
        Some(folder)
    }

    fn thaw(&self) {
        assert!(self.mount(&["-o", "remount,rw"]));
    }

    fn mount(&self, args: &[&str]) -> bool {
        let done = std::process::Command::new("mount").args(args).arg(self.0.path()).output();
        done.is_ok_and(|o| o.status.success())
    }
}

impl Drop for StillFolder {
    fn drop(&mut self) {
        let _ = std::process::Command::new("umount").arg(self.0.path()).output();
    }
}

#[test]
fn a_store_where_nobody_may_write_can_be_read_but_not_opened_for_writing() {
    let (_dir, path, mut store) = shed::store();
    let run = shed::run(&mut store).id;
    store.append(&Batch { samples: shed::samples(run, 1..=100), ..Batch::default() }).unwrap();
    drop(store);
    let Some(folder) = StillFolder::with(&[&path]) else {
        eprintln!("skipped: mounting a tmpfs needs root");
        return;
    };
    let still = folder.0.path().join("shed.db");
    let reader = Reader::open(&still).unwrap();
    assert_eq!(shed::read(&reader, &Range::everything()).len(), 100);
    let error = Store::open(&still).unwrap_err();
    assert!(matches!(error, OpenError::Store(StoreError::ReadOnly { .. })), "{error}");
}

#[test]
fn a_store_with_a_log_is_never_read_as_if_it_had_none() {
    let (dir, path, mut store) = shed::store();
    let run = shed::run(&mut store).id;
    store.append(&Batch { samples: shed::samples(run, 1..=100), ..Batch::default() }).unwrap();
    let beside = |suffix| dir.path().join(format!("shed.db{suffix}"));
    // As after a crash: the writer never closed.
    for left in [vec![path.clone(), beside("-wal")], vec![path, beside("-wal"), beside("-shm")]] {
        let Some(folder) = StillFolder::with(&left) else {
            eprintln!("skipped: mounting a tmpfs needs root");
            return;
        };
        match Reader::open(&folder.0.path().join("shed.db")) {
            Ok(reader) => assert_eq!(shed::read(&reader, &Range::everything()).len(), 100),
            Err(OpenError::UnreadLog { .. }) => assert_eq!(left.len(), 2),
            Err(other) => panic!("{other}"),
        }
    }
}

#[test]
fn a_still_file_that_is_written_to_after_all_is_said_to_have_changed() {
    let (_dir, path, store) = shed::store();
    drop(store);
    let Some(folder) = StillFolder::with(&[&path]) else {
        eprintln!("skipped: mounting a tmpfs needs root");
        return;
    };
    let still = folder.0.path().join("shed.db");
    let reader = Reader::open(&still).unwrap();
    assert_eq!(reader.recorded_up_to(), Ok(0));
    folder.thaw();
    let mut store = Store::open(&still).unwrap();
    shed::run(&mut store);
    assert!(matches!(reader.runs(), Err(StoreError::Changed { .. })));
    assert_eq!(Reader::open(&still).unwrap().runs().unwrap().len(), 1);
}

#[test]
fn a_closed_store_is_read_without_leaving_it_changed() {
    let (_dir, path, mut store) = shed::store();
    let run = shed::run(&mut store).id;
    store.append(&Batch { samples: shed::samples(run, 1..=10), ..Batch::default() }).unwrap();
    drop(store);
    let before = std::fs::read(&path).unwrap();
    assert_eq!(shed::read(&Reader::open(&path).unwrap(), &Range::everything()).len(), 10);
    assert_eq!(std::fs::read(&path).unwrap(), before);
    Store::open(&path).unwrap();
}
