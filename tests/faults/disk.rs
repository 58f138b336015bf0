//! A disk that is slow, fails, or loses its power: what was called recorded is
//! there, and what is live stays live.

use std::ops::ControlFlow;
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use ampledger_store::{Range, Reader};

use crate::peers::{Cable, Sensor, line};
use crate::util::{Bench, Daemon, binary, root, rounds, skip, sources, until};
use crate::yard::Yard;

/// The library that makes the disk bad; `None` without a C compiler.
fn bad_disk(folder: &Path) -> Option<PathBuf> {
    let library = folder.join("bad_disk.so");
    let source = root().join("tests/faults/bad_disk.c");
    let made = Command::new("cc")
        .args(["-shared", "-fPIC", "-O1", "-o"])
        .arg(&library)
        .arg(source)
        .arg("-ldl")
        .status();
    if !made.is_ok_and(|status| status.success()) {
        skip("there is no C compiler");
        return None;
    }
    Some(library)
}

/// A daemon whose disk is bad in these ways.
fn daemon_on(bench: &Bench, library: &Path, ways: &[(&str, String)]) -> Daemon {
    let mut command = bench.daemon_command();
    command.env("LD_PRELOAD", library).env("BAD_DISK_PATH", "bench.db");
    command.envs(ways.iter().map(|(name, value)| (*name, value)));
    Daemon::start(command, &bench.path("."), bench.api())
}

/// Numbers that are in a store, in order.
fn numbers(store: &Path) -> Vec<u64> {
    let mut numbers = Vec::new();
    let reader = Reader::open(store).expect("the store");
    let done = reader.samples(&Range::everything(), |sample| {
        numbers.push(sample.seq);
        ControlFlow::Continue(())
    });
    done.expect("its samples");
    numbers
}

#[test]
fn writes_and_syncs_that_fail_lose_nothing_and_nothing_is_called_recorded_too_early() {
    for seed in 0..rounds(2) {
        let bench = Bench::new(&sources::lines("bench-shunt"));
        let Some(library) = bad_disk(&bench.path(".")) else { return };
        let cable = Cable::plugged(bench.path("bench-shunt"));
        // Opened on a good disk first: a daemon that cannot begin says so and ends.
        assert!(bench.daemon().stop().success());
        let Some(daemon) = until_begun(&bench, &library, seed) else { continue };
        daemon.until_opened("bench-shunt", 1);
        cable.end_first_line();
        let sensor = Sensor::steady(&cable, Duration::from_millis(8), 26.4, -12.1);
        let mut failed = false;
        until("1500 samples are recorded and a write has failed", || {
            let status = daemon.status().store;
            failed = failed || daemon.log().contains("nothing can be recorded");
            let there = numbers(&bench.store());
            assert!(there.len() as u64 >= status.recorded_up_to, "{status:?}: {}", there.len());
            (failed && status.recorded_up_to >= 1_500).then_some(())
        });
        sensor.silence();
        let newest = daemon.status().store.newest;
        drop(daemon);
        assert!(bench.daemon().stop().success());
        let there = numbers(&bench.store());
        assert!(there.iter().copied().eq(1..=there.len() as u64), "numbers are missing");
        assert!(there.len() as u64 >= 1_500 && there.len() as u64 <= newest);
    }
}

/// A daemon that has begun in spite of its disk, in a few tries.
fn until_begun(bench: &Bench, library: &Path, seed: u32) -> Option<Daemon> {
    (0..20).find_map(|try_| {
        let seed = (1000 * seed + 7 * try_).to_string();
        let ways = [("BAD_DISK_ONE_IN", "80".to_owned()), ("BAD_DISK_SEED", seed)];
        let begun = || daemon_on(bench, library, &ways);
        std::panic::catch_unwind(std::panic::AssertUnwindSafe(begun)).ok()
    })
}

/// When each reading was printed, and when it was first seen to be live and to
/// be recorded; readings of a daemon whose syncs take so long.
fn delays(sync_ms: u64, readings: usize) -> Option<[Vec<f64>; 2]> {
    let bench = Bench::new(&sources::lines("bench-shunt"));
    let library = bad_disk(&bench.path("."))?;
    let cable = Cable::plugged(bench.path("bench-shunt"));
    assert!(bench.daemon().stop().success());
    let daemon = daemon_on(&bench, &library, &[("BAD_DISK_SYNC_MS", sync_ms.to_string())]);
    daemon.until_opened("bench-shunt", 1);
    cable.end_first_line();
    // What it writes once, as it begins and as it finds a pack connected, is on
    // disk before the first reading that counts.
    let first = Sensor::steady(&cable, Duration::from_millis(20), 26.4, -12.1);
    until("a session by rule", || (!daemon.status().open_sessions.is_empty()).then_some(()));
    let sent = first.silence();
    daemon.until_samples("bench-shunt", sent);
    let before = daemon.status().store.newest;
    daemon.until_recorded(before);
    let printed = Arc::new(Mutex::new(Vec::with_capacity(readings)));
    let printing = printed.clone();
    let sensor = Sensor::start(&cable, Duration::from_millis(20), move |_| {
        let mut printed = printing.lock().expect("the times");
        if printed.len() == readings {
            return None;
        }
        printed.push(Instant::now());
        Some(line(26.4, -12.1))
    });
    let mut seen = [Vec::new(), Vec::new()];
    until("all is recorded", || {
        let store = daemon.status().store;
        let printed = printed.lock().expect("the times");
        for (seen, up_to) in seen.iter_mut().zip([store.newest, store.recorded_up_to]) {
            let new = printed.iter().take((up_to - before) as usize).skip(seen.len());
            seen.extend(new.map(|at| at.elapsed().as_secs_f64()).collect::<Vec<_>>());
        }
        (seen[1].len() == readings).then_some(())
    });
    drop(sensor);
    daemon.kill();
    Some(seen)
}

/// The delay that 99 of 100 do not exceed.
fn p99(delays: &mut [f64]) -> f64 {
    delays.sort_by(f64::total_cmp);
    delays[delays.len() * 99 / 100]
}

#[test]
fn of_a_hundred_readings_99_are_recorded_within_two_seconds_and_what_the_disk_takes() {
    // A reading waits at most for the sync that is going on and for its own;
    // with syncs of half a second that is within the two seconds.
    for (sync_ms, readings, limit) in [(0, 400, 2.0), (500, 400, 2.0), (5_000, 300, 12.0)] {
        let Some([mut live, mut recorded]) = delays(sync_ms, readings) else { return };
        let (live, recorded) = (p99(&mut live), p99(&mut recorded));
        eprintln!("syncs of {sync_ms} ms: p99 live {live:.3} s, recorded {recorded:.3} s");
        assert!(live < 1.0, "live after {live:.2} s with syncs of {sync_ms} ms");
        assert!(recorded <= limit, "recorded after {recorded:.2} s with syncs of {sync_ms} ms");
    }
}

#[test]
fn a_full_disk_is_told_and_what_it_could_not_take_is_written_once_there_is_room() {
    let bench = Bench::new(&sources::lines("bench-shunt"));
    let Some(library) = bad_disk(&bench.path(".")) else { return };
    let full = bench.path("full");
    let cable = Cable::plugged(bench.path("bench-shunt"));
    let way = [("BAD_DISK_FULL", full.display().to_string())];
    let daemon = daemon_on(&bench, &library, &way);
    let mut yard = Yard::of(bench, daemon, cable);
    yard.read_for(26.4, -12.1, 200);
    yard.daemon.until_recorded(100);
    std::fs::write(&full, "").expect("a file");
    let trouble = until("it is told", || yard.daemon.status().store.trouble);
    assert!(trouble.contains("the disk is full"), "{trouble}");
    let said = yard.bench.ampledger("status");
    assert!(said.out().contains("The record has trouble: "), "{}", said.out());
    let doctor = yard.bench.ampledger("doctor").fails_with(1);
    assert!(doctor.out().contains("the disk is full"), "{}", doctor.out());
    // Live values go on.
    yard.read_for(25.0, -12.1, 500);
    let stuck = yard.daemon.status().store;
    assert!(stuck.newest > stuck.recorded_up_to + 400, "{stuck:?}");
    std::fs::remove_file(&full).expect("room again");
    yard.daemon.until_recorded(stuck.newest);
    until("the alarm is over", || yard.daemon.status().store.trouble.is_none().then_some(()));
    yard.fall_silent();
    assert_eq!(yard.daemon.source("bench-shunt").counters.dropped, 0);
    assert!(yard.daemon.stop().success());
    let there = numbers(&yard.bench.store());
    assert!(there.iter().copied().eq(1..=there.len() as u64), "numbers are missing");
}

/// A file of which a page goes bad while it is recorded into, in one of two ways.
fn goes_bad(way: &str) {
    let bench = Bench::new(&sources::lines("bench-shunt"));
    let Some(library) = bad_disk(&bench.path(".")) else { return };
    let cable = Cable::plugged(bench.path("bench-shunt"));
    assert!(bench.daemon().stop().success());
    let spoilt = bench.path("spoilt");
    let daemon = daemon_on(&bench, &library, &[("BAD_DISK_SPOILT", spoilt.display().to_string())]);
    daemon.until_opened("bench-shunt", 1);
    cable.end_first_line();
    bench.ampledger("start --pack GAL-07").good();
    let sensor = Sensor::steady(&cable, Duration::from_millis(8), 26.4, -12.1);
    let recorded = daemon.until_recorded(400);
    let before = daemon.status().store.uuid;
    // All of it out of the log, and nothing of it in the daemon's memory.
    let db = rusqlite::Connection::open(bench.store()).expect("the store");
    db.busy_timeout(Duration::from_secs(10)).expect("patience");
    db.query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |_| Ok(())).expect("emptied");
    let inode = std::fs::metadata(bench.store()).expect("the store").ino();
    db.execute("UPDATE store SET uuid = uuid", []).expect("somebody else's write");
    let find = "SELECT rootpage FROM sqlite_schema WHERE name = 'tail'";
    let page: i64 = db.query_row(find, [], |row| row.get(0)).expect("the page of the tail");
    bench.write("spoilt.new", format!("{inode} {page} {way}\n").as_bytes());
    std::fs::rename(bench.path("spoilt.new"), &spoilt).expect("it goes bad");
    drop(db);

    let aside = bench.path("bench.db.damaged-1");
    until("it is set aside", || aside.exists().then_some(()));
    let store = until("recording goes on", || {
        let store = daemon.status().store;
        (store.uuid != before && store.trouble.is_none()).then_some(store)
    });
    daemon.until_recorded(store.newest + 50);
    assert_eq!(daemon.status().open_sessions.len(), 1, "the session goes on");
    assert!(daemon.log().contains("ampledger salvage"), "{}", daemon.log());
    sensor.silence();
    bench.ampledger("stop").good();
    assert!(daemon.stop().success());

    let from = Range::everything().from;
    let new = Reader::open(&bench.store()).expect("the new store");
    let markers = new.markers(from, None).expect("markers");
    assert!(markers.iter().any(|m| m.text.contains("set aside")), "{markers:?}");
    let old = numbers(&aside);
    let both: std::collections::BTreeSet<u64> =
        old.iter().copied().chain(numbers(&bench.store())).collect();
    assert!(old.len() as u64 >= recorded, "what was recorded lies in the old one");
    let newest = both.last().copied().expect("samples");
    assert!(both.into_iter().eq(1..=newest), "no number is missing in both together");
}

#[test]
fn a_page_that_goes_bad_while_recording_sets_the_file_aside_and_recording_goes_on() {
    goes_bad("garbage");
}

#[test]
fn a_file_that_cannot_be_read_any_more_is_set_aside_and_recording_goes_on() {
    goes_bad("eio");
}

/// The real daemon on a real file system over a disk whose writes are logged;
/// then cuts. Gives the exit code and what was said.
fn cut(cuts: u32, preload: Option<&Path>) -> Option<(Option<i32>, String)> {
    let folder = tempfile::tempdir().expect("a folder");
    let disk = folder.path().join("disk");
    std::fs::create_dir(&disk).expect("a folder");
    let able = rustix::process::geteuid().is_root()
        && Path::new("/dev/fuse").exists()
        && Path::new("/dev/loop-control").exists();
    if !able {
        skip("power cuts need root, /dev/fuse and /dev/loop-control");
        return None;
    }
    let bench = Bench::new("");
    let store = disk.join("mnt/bench.db");
    let configuration = format!(
        "[store]\npath = {store:?}\n[api]\nsocket = {:?}\n{}",
        bench.socket(),
        sources::lines("bench-shunt").replace("DIR", &bench.path("").display().to_string())
    );
    std::fs::write(bench.config(), configuration).expect("the configuration");
    let script = |name: &str| root().join("tests/python").join(name).display().to_string();
    let writer = format!(
        "exec python3 {} {} {} {} {}",
        script("acknowledge.py"),
        binary("ampledgerd").display(),
        bench.config().display(),
        bench.socket().display(),
        bench.path("bench-shunt").display()
    );
    let checker = format!("exec python3 {}", script("check_cut.py"));
    let mut command = Command::new("python3");
    command.arg(script("cut_disk.py")).arg("--folder").arg(&disk);
    command.args(["--seconds", "9", "--cuts", &cuts.to_string(), &writer, &checker]);
    if let Some(library) = preload {
        command.env("DAEMON_PRELOAD", library);
        command.env("BAD_DISK_PATH", "bench.db").env("BAD_DISK_SYNC_MS", "-1");
    }
    let output = command.output().expect("python3");
    let said = String::from_utf8_lossy(&output.stdout).into_owned();
    Some((output.status.code(), said + &String::from_utf8_lossy(&output.stderr)))
}

#[test]
fn a_power_cut_at_any_write_loses_nothing_that_was_called_recorded() {
    let cuts = if rounds(1) > 1 { 200 } else { 40 };
    let Some((code, said)) = cut(cuts, None) else { return };
    assert_eq!(code, Some(0), "{said}");
    assert!(said.contains(&format!("{cuts} cuts, 0 bad")), "{said}");
    eprintln!("{said}");
}

#[test]
fn without_synchronisation_the_same_cuts_do_lose_something() {
    let folder = tempfile::tempdir().expect("a folder");
    let Some(library) = bad_disk(folder.path()) else { return };
    let Some((code, said)) = cut(40, Some(&library)) else { return };
    assert_eq!(code, Some(1), "the cuts cannot tell: {said}");
    assert!(said.contains("promised"), "{said}");
}
