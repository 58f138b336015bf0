//! Damage, and what is left: it is named, set aside whole, and everything
//! that can be read comes over into a new store.

use std::ops::ControlFlow;
use std::path::Path;

use ampledger_store::{
    Batch, NumberedSample, OpenError, Range, Reader, Store, StoreError, restore, salvage,
};
use ampledger_types::{Pack, RunId};

use crate::shed;

const PAGE: usize = 4096;

fn append(store: &mut Store, samples: Vec<NumberedSample>) {
    store.append(&Batch { samples, ..Batch::default() }).unwrap();
}

fn everything(path: &Path) -> Vec<NumberedSample> {
    shed::read(&Reader::open(path).unwrap(), &Range::everything())
}

fn quietly(_: u64, _: u64) -> ControlFlow<()> {
    ControlFlow::Continue(())
}

/// A closed store: five chunks, a tail, a pack, an open session and an ended one.
fn filled() -> (tempfile::TempDir, std::path::PathBuf, RunId, Vec<NumberedSample>) {
    let (dir, path, mut store) = shed::store();
    let run = shed::run(&mut store).id;
    store.put_pack(&Pack { label: "GAL-07".to_owned(), ..Pack::default() }).unwrap();
    let mut ended = shed::session(&mut store, shed::at(run, 0));
    ended.end = Some(shed::at(run, 9_000));
    store.put_session(&ended).unwrap();
    shed::session(&mut store, shed::at(run, 10_000));
    let samples = shed::samples(run, 1..=21_000);
    for part in samples.chunks(3_000) {
        append(&mut store, part.to_vec());
    }
    (dir, path, run, samples)
}

/// Numbers of the pages of a table or index, as SQLite itself lists them.
fn root_page(path: &Path, name: &str) -> usize {
    let db = rusqlite::Connection::open(path).unwrap();
    let find = "SELECT rootpage FROM sqlite_schema WHERE name = ?1";
    db.query_row(find, [name], |row| row.get::<_, i64>(0)).unwrap() as usize
}

fn spoil(path: &Path, page: usize) {
    let mut bytes = std::fs::read(path).unwrap();
    bytes[(page - 1) * PAGE..page * PAGE].fill(0x5a);
    std::fs::write(path, bytes).unwrap();
}

#[test]
fn a_check_finds_nothing_in_a_sound_store_and_counts_what_it_saw() {
    let (_dir, path, ..) = filled();
    let reader = Reader::open(&path).unwrap();
    let mut told = Vec::new();
    let checked = reader.check(|done, all| {
        told.push((done, all));
        ControlFlow::Continue(())
    });
    let checked = checked.unwrap();
    assert!(checked.is_sound(), "{checked:?}");
    assert_eq!((checked.sound_chunks, checked.sound_samples), (5, 20_480));
    assert_eq!(told, (1..=5).map(|done| (done, 5)).collect::<Vec<_>>());
}

#[test]
fn whichever_page_is_damaged_salvage_brings_the_rest_and_nothing_false() {
    let (_dir, path, _run, samples) = filled();
    let whole = std::fs::read(&path).unwrap();
    let mut brought = Vec::new();
    // All with what is looked for first, and some of those with samples.
    let pages = whole.len() / PAGE;
    for page in (2..pages.min(45)).chain((45..=pages).step_by(7)) {
        let dir = tempfile::tempdir().unwrap();
        let (old, new) = (dir.path().join("old.db"), dir.path().join("new.db"));
        std::fs::write(&old, &whole).unwrap();
        spoil(&old, page);
        let before = std::fs::read(&old).unwrap();
        let salvaged = match salvage(&old, &new, quietly) {
            Ok(salvaged) => salvaged.unwrap(),
            // Without the list of tables SQLite finds none.
            Err(OpenError::Store(StoreError::Damaged { .. })) => {
                brought.push(0);
                continue;
            }
            Err(other) => panic!("page {page}: {other}"),
        };
        assert_eq!(std::fs::read(&old).unwrap(), before, "page {page}: the old one is only read");

        let found = everything(&new);
        assert_eq!(found.len() as u64, salvaged.samples, "page {page}");
        let mut rest = samples.iter();
        for sample in &found {
            let same = rest.find(|s| s.seq == sample.seq).unwrap();
            // Where its decode set was lost, it comes without.
            let decode_set = sample.decode_set.clone();
            let same = [NumberedSample { run: sample.run, decode_set, ..same.clone() }];
            assert!(shed::same_bits(std::slice::from_ref(sample), &same), "page {page}");
        }
        assert!(Reader::open(&new).unwrap().check(quietly).unwrap().is_sound(), "page {page}");
        // It can be recorded into.
        let mut store = Store::open(&new).unwrap();
        let run = shed::run(&mut store).id;
        let next = store.recorded_up_to() + 1;
        append(&mut store, shed::samples(run, next..next + 10));
        brought.push(found.len());
    }
    // All but a few pages cost one chunk at most.
    let bad = brought.iter().filter(|found| **found < samples.len() - 4096).count();
    assert!(bad <= 8, "{brought:?}");
}

#[test]
fn a_salvage_that_is_given_up_leaves_nothing() {
    let (dir, path, ..) = filled();
    let new = dir.path().join("new.db");
    let given_up = salvage(&path, &new, |done, _| match done {
        0..9 => ControlFlow::Continue(()),
        _ => ControlFlow::Break(()),
    });
    assert_eq!(given_up.unwrap(), None);
    let named_new = |entry: &std::fs::DirEntry| {
        entry.file_name().to_str().is_some_and(|name| name.starts_with("new.db"))
    };
    assert_eq!(std::fs::read_dir(dir.path()).unwrap().flatten().filter(named_new).count(), 0);
}

#[test]
fn a_store_that_cannot_be_used_is_set_aside_whole_and_hands_on_what_it_knew() {
    let (dir, path, run, _) = filled();
    let tail = root_page(&path, "tail");
    spoil(&path, tail);
    let before = std::fs::read(&path).unwrap();
    let error = Store::open(&path).unwrap_err();
    assert!(matches!(error, OpenError::Store(StoreError::Damaged { .. })), "{error}");

    let (mut store, aside) = Store::open_or_set_aside(&path).unwrap();
    let aside = aside.unwrap();
    assert_eq!(aside, dir.path().canonicalize().unwrap().join("shed.db.damaged-1"));
    assert_eq!(std::fs::read(&aside).unwrap(), before);
    let reader = store.reader().unwrap();
    assert_eq!(reader.packs().unwrap().len(), 1);
    let sessions = reader.sessions().unwrap();
    assert_eq!(sessions.len(), 1);
    assert!(sessions[0].is_open() && sessions[0].start.run == run && !sessions[0].tags.is_empty());
    let next = shed::run(&mut store).id;
    assert!(next > run, "{next:?}");
    append(&mut store, shed::samples(next, 1..=3));
    drop(store);
    let (_, none) = Store::open_or_set_aside(&path).unwrap();
    assert_eq!(none, None);
    assert_eq!(everything(&path).len(), 3);
}

#[test]
fn not_more_than_three_stores_are_set_aside() {
    let (_dir, path, ..) = filled();
    let whole = std::fs::read(&path).unwrap();
    let tail = root_page(&path, "tail");
    for _ in 0..3 {
        std::fs::write(&path, &whole).unwrap();
        spoil(&path, tail);
        Store::open_or_set_aside(&path).unwrap().1.unwrap();
    }
    std::fs::write(&path, &whole).unwrap();
    spoil(&path, tail);
    let before = std::fs::read(&path).unwrap();
    let error = Store::open_or_set_aside(&path).unwrap_err();
    assert!(error.to_string().contains("move them away"), "{error}");
    assert_eq!(std::fs::read(&path).unwrap(), before);
}

#[test]
fn a_backup_is_the_record_of_one_moment_while_recording_goes_on() {
    let (dir, path, mut store) = shed::store();
    let run = shed::run(&mut store).id;
    let mut samples = shed::samples(run, 1..=600_000);
    // Noise, so that there is something to copy.
    let noise = |seq: u64| (seq.wrapping_mul(0x9e37_79b9_7f4a_7c15) >> 40) as f64;
    samples.iter_mut().for_each(|s| s.sample.values[1] = noise(s.seq));
    append(&mut store, samples);
    let (reader, copy) = (Reader::open(&path).unwrap(), dir.path().join("copy.db"));
    let mut steps = 0;
    let is_whole = reader.back_up(&copy, |done, all| {
        assert!(done <= all);
        steps += 1;
        let next = store.recorded_up_to() + 1;
        append(&mut store, shed::samples(run, next..next + 50));
        ControlFlow::Continue(())
    });
    assert!(is_whole.unwrap() && steps > 1, "{steps}");
    assert_eq!(store.recorded_up_to(), 600_000 + 50 * steps);
    assert_eq!(Reader::open(&copy).unwrap().recorded_up_to(), Ok(600_000));
    assert!(Reader::open(&copy).unwrap().check(quietly).unwrap().is_sound());

    let again = reader.back_up(&copy, quietly).unwrap_err();
    assert!(matches!(again, OpenError::Exists { .. }), "{again}");
    let given_up = dir.path().join("given-up.db");
    assert!(!reader.back_up(&given_up, |_, _| ControlFlow::Break(())).unwrap());
    assert!(!given_up.exists() && !dir.path().join("given-up.db.partial").exists());

    let busy = restore(&copy, &path, quietly).unwrap_err();
    assert!(matches!(busy, OpenError::Held { .. }), "{busy}");
    drop(store);
    let there = restore(&copy, &path, quietly).unwrap_err();
    assert!(matches!(there, OpenError::Exists { .. }), "{there}");
    let elsewhere = dir.path().join("elsewhere.db");
    assert!(restore(&copy, &elsewhere, quietly).unwrap());
    assert!(shed::same_bits(&everything(&elsewhere), &everything(&copy)));
    assert_eq!(Store::open(&elsewhere).unwrap().recorded_up_to(), 600_000);
}
