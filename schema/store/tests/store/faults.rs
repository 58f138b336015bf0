//! Faults from outside: a full disk, a foreign lock, a cut log.

use std::io::{BufRead, BufReader, Write};
use std::path::Path;
use std::process::{Command, Stdio};

use ampledger_store::{Batch, Range, Refusal, Store, StoreError};
use ampledger_types::Seq;

use crate::shed;

fn batch(run: ampledger_types::RunId, numbers: std::ops::RangeInclusive<Seq>) -> Batch {
    Batch { samples: shed::samples(run, numbers), ..Batch::default() }
}

#[test]
fn a_log_cut_anywhere_holds_every_commit_before_the_cut() {
    let (dir, path, mut store) = shed::store();
    let run = shed::run(&mut store).id;
    let log = dir.path().join("shed.db-wal");
    let mut commits = Vec::new();
    for second in 0..12 {
        store.append(&batch(run, second * 10 + 1..=second * 10 + 10)).unwrap();
        commits.push((std::fs::metadata(&log).unwrap().len(), store.recorded_up_to()));
    }
    let (file, whole) = (std::fs::read(&path).unwrap(), std::fs::read(&log).unwrap());
    let first = commits[0].0;
    for cut in (first..=whole.len() as u64).step_by(1_021) {
        let copy = tempfile::tempdir().unwrap();
        let copied = copy.path().join("shed.db");
        std::fs::write(&copied, &file).unwrap();
        std::fs::write(copy.path().join("shed.db-wal"), &whole[..cut as usize]).unwrap();
        let promised = commits.iter().rfind(|(end, _)| *end <= cut).map_or(0, |c| c.1);
        let store = Store::open(&copied).unwrap();
        assert_eq!(store.recorded_up_to(), promised, "cut at {cut}");
        let found = shed::read(&store.reader().unwrap(), &Range::everything());
        assert!(shed::same_bits(&found, &shed::samples(run, 1..=promised)), "cut at {cut}");
    }
}

#[test]
fn a_store_whose_log_was_half_emptied_into_it_is_whole_with_its_log() {
    let (dir, path, mut store) = shed::store();
    let run = shed::run(&mut store).id;
    store.append(&batch(run, 1..=3_000)).unwrap();
    let beside = |folder: &Path, suffix| folder.join(format!("shed.db{suffix}"));
    let copy = tempfile::tempdir().unwrap();
    std::fs::copy(beside(dir.path(), "-wal"), beside(copy.path(), "-wal")).unwrap();
    let before = std::fs::read(&path).unwrap();
    let other = rusqlite::Connection::open(&path).unwrap();
    other.query_row("PRAGMA wal_checkpoint(PASSIVE)", [], |_| Ok(())).unwrap();
    let after = std::fs::read(&path).unwrap();
    assert!(after.len() > before.len());
    // The first page had got there, the end of the file had not.
    let mut half = after[..before.len()].to_vec();
    half[4096..].copy_from_slice(&before[4096..]);
    let copied = beside(copy.path(), "");
    std::fs::write(&copied, half).unwrap();
    let reader = ampledger_store::Reader::open(&copied).unwrap();
    assert!(shed::same_bits(
        &shed::read(&reader, &Range::everything()),
        &shed::samples(run, 1..=3_000)
    ));
    let (mut store, aside) = Store::open_or_set_aside(&copied).unwrap();
    assert_eq!((store.recorded_up_to(), aside), (3_000, None));
    store.append(&batch(run, 3_001..=3_002)).unwrap();
}

#[test]
fn a_batch_whose_confirmation_was_lost_can_be_given_again_with_more() {
    let (_dir, path, mut store) = shed::store();
    let run = shed::run(&mut store).id;
    let mut pending = crate::round_trip::full_batch(run, 1..=10);
    store.append(&pending).unwrap();
    drop(store);

    let mut store = Store::open(&path).unwrap();
    pending.samples.extend(shed::samples(run, 11..=15));
    assert_eq!(store.append(&pending).unwrap(), 15);
    let reader = store.reader().unwrap();
    assert!(shed::same_bits(&shed::read(&reader, &Range::everything()), &pending.samples));
    let everything = Range::everything();
    assert_eq!(reader.markers(everything.from, None).unwrap(), pending.markers);
    let mut chunks = 0;
    reader
        .frames("bench-shunt", everything.from, None, |_| {
            chunks += 1;
            std::ops::ControlFlow::Continue(())
        })
        .unwrap();
    assert_eq!(chunks, pending.frames.len());
}

#[test]
fn a_number_that_is_taken_is_never_written_over() {
    let (_dir, _path, mut store) = shed::store();
    let run = shed::run(&mut store).id;
    store.append(&batch(run, 1..=10)).unwrap();
    let mut again = batch(run, 10..=12);
    again.samples[0].sample.values[0] += 1.0;
    let error = store.append(&again).unwrap_err();
    assert_eq!(error, StoreError::Refused(Refusal::NumberTaken { seq: 10 }));
    assert_eq!(store.recorded_up_to(), 10);
    let found = shed::read(&store.reader().unwrap(), &Range::everything());
    assert!(shed::same_bits(&found, &shed::samples(run, 1..=10)));
}

#[test]
fn samples_that_are_not_in_order_or_do_not_fit_their_group_are_refused() {
    let (_dir, _path, mut store) = shed::store();
    let run = shed::run(&mut store).id;
    let refused = |store: &mut Store, batch: &Batch| match store.append(batch).unwrap_err() {
        StoreError::Refused(refusal) => refusal,
        other => panic!("{other}"),
    };
    let twice = Batch { samples: shed::samples(run, [1, 1]), ..Batch::default() };
    assert_eq!(refused(&mut store, &twice), Refusal::OutOfOrder { seq: 1, after: 1 });
    for seq in [0, Seq::MAX] {
        let odd = Batch { samples: shed::samples(run, [seq]), ..Batch::default() };
        assert_eq!(refused(&mut store, &odd), Refusal::OutOfOrder { seq, after: 0 });
    }
    let mut long = batch(run, 1..=2);
    long.samples[1].sample.values.push(0.0);
    let expected = Refusal::ValueCount { seq: 2, values: 3, channels: 2 };
    assert_eq!(refused(&mut store, &long), expected);
    assert_eq!(store.reader().unwrap().recorded_up_to(), Ok(0));
}

#[test]
fn samples_of_a_run_that_never_began_are_refused() {
    let (_dir, _path, mut store) = shed::store();
    let error = store.append(&batch(ampledger_types::RunId(7), 1..=3)).unwrap_err();
    assert!(matches!(error, StoreError::Refused(Refusal::Unkeepable { .. })), "{error}");
    assert_eq!(store.reader().unwrap().recorded_up_to(), Ok(0));
}

#[test]
fn a_foreign_lock_is_waited_for_a_while_and_then_named() {
    let (_dir, path, mut store) = shed::store();
    let run = shed::run(&mut store).id;
    let Some(mut shell) = Shell::holding(&path) else {
        eprintln!("skipped: there is no sqlite3 shell");
        return;
    };
    let error = store.append(&batch(run, 1..=10)).unwrap_err();
    let StoreError::Locked { holder, .. } = &error else { panic!("{error}") };
    assert_eq!(*holder, format!("sqlite3 (process {})", shell.0.id()));
    assert_eq!(store.recorded_up_to(), 0);

    shell.0.kill().unwrap();
    shell.0.wait().unwrap();
    assert_eq!(store.append(&batch(run, 1..=10)).unwrap(), 10);
}

/// Somebody's shell in the middle of a transaction.
struct Shell(std::process::Child);

impl Shell {
    fn holding(path: &Path) -> Option<Shell> {
        let mut child = Command::new("sqlite3")
            .arg(path)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .ok()?;
        let mut input = child.stdin.take().unwrap();
        input.write_all(b"BEGIN IMMEDIATE; SELECT 'held';\n").unwrap();
        let mut line = String::new();
        BufReader::new(child.stdout.take().unwrap()).read_line(&mut line).unwrap();
        assert_eq!(line, "held\n");
        child.stdin = Some(input);
        Some(Shell(child))
    }
}

impl Drop for Shell {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

#[test]
fn a_disk_that_fills_up_loses_nothing_that_was_recorded_and_recovers() {
    let dir = tempfile::tempdir().unwrap();
    let mounted = Command::new("mount")
        .args(["-t", "tmpfs", "-o", "size=512k", "none"])
        .arg(dir.path())
        .output();
    if !mounted.is_ok_and(|o| o.status.success()) {
        eprintln!("skipped: mounting a tmpfs needs root");
        return;
    }
    let filled = std::panic::catch_unwind(|| fill(dir.path()));
    let _ = Command::new("umount").arg(dir.path()).output();
    filled.unwrap();
}

fn fill(dir: &Path) {
    let ballast = dir.join("ballast");
    std::fs::write(&ballast, vec![1; 128 << 10]).unwrap();
    let path = dir.join("shed.db");
    let mut store = Store::open(&path).unwrap();
    let run = shed::run(&mut store).id;
    let (mut next, error) = (
        1,
        loop {
            let next = store.recorded_up_to() + 1;
            if let Err(error) = store.append(&batch(run, next..=next + 99)) {
                break error;
            }
        },
    );
    assert!(matches!(error, StoreError::Full { .. }), "{error}");
    next += store.recorded_up_to();
    let reader = store.reader().unwrap();
    assert_eq!(reader.recorded_up_to(), Ok(next - 1));

    std::fs::remove_file(&ballast).unwrap();
    assert_eq!(store.append(&batch(run, next..=next + 99)), Ok(next + 99));
    let found = shed::read(&reader, &Range::everything());
    assert!(shed::same_bits(&found, &shed::samples(run, 1..=next + 99)));
}
