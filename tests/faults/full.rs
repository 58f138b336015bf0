//! A disk that is full, on a real file system whose blocks are smaller than a
//! page: there SQLite's index of the log can have holes, and touching one kills.

use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::Duration;

use crate::peers::{Cable, Sensor};
use crate::util::{Bench, Daemon, skip, sources, until};

/// A small file system of its own, until dropped.
struct Disk {
    place: PathBuf,
    _folder: tempfile::TempDir,
}

impl Disk {
    /// Of so many MiB, in blocks of 1 KiB; `None` where it cannot be mounted.
    fn mounted(mebibyte: u64) -> Option<Disk> {
        let folder = tempfile::tempdir().expect("a folder");
        let (image, place) = (folder.path().join("image"), folder.path().join("disk"));
        std::fs::create_dir(&place).expect("a folder");
        let file = std::fs::File::create(&image).expect("an image");
        file.set_len(mebibyte << 20).expect("room for it");
        let did = |command: &mut Command| command.output().is_ok_and(|o| o.status.success());
        let made = did(Command::new("mkfs.ext4").args(["-q", "-m", "0", "-b", "1024"]).arg(&image))
            && did(Command::new("mount").args(["-o", "loop"]).arg(&image).arg(&place));
        if !made {
            skip("mounting a small ext4 needs root, mkfs.ext4 and a loop device");
            return None;
        }
        Some(Disk { place, _folder: folder })
    }

    /// Takes all room that is left.
    fn fill(&self) {
        let mut file = std::fs::File::options()
            .create(true)
            .append(true)
            .open(self.place.join("others"))
            .expect("somebody's file");
        for size in [64 << 10, 1 << 10, 1] {
            while file.write_all(&vec![b'x'; size]).is_ok() {}
        }
        let _ = file.sync_all();
    }

    /// Takes all room but so many KiB.
    fn fill_but(&self, kibibyte: u64) {
        self.fill();
        let others = std::fs::File::options().write(true).open(self.place.join("others"));
        let others = others.expect("somebody's file");
        let bytes = others.metadata().expect("its length").len();
        others.set_len(bytes - (kibibyte << 10)).expect("a shorter file");
        others.sync_all().expect("on disk");
    }

    /// Gives it back.
    fn empty(&self) {
        std::fs::remove_file(self.place.join("others")).expect("somebody's file");
    }
}

impl Drop for Disk {
    fn drop(&mut self) {
        let _ = Command::new("umount").arg("-l").arg(&self.place).output();
    }
}

/// A bench whose store lies on the small disk.
fn on(disk: &Disk) -> (Bench, PathBuf) {
    let bench = Bench::new("");
    let store = disk.place.join("bench.db");
    let sources =
        sources::lines("bench-shunt").replace("DIR", &bench.path("").display().to_string());
    let configuration = format!(
        "[store]\npath = {store:?}\n[api]\nsocket = {:?}\n{sources}\n\
         [limits.disk]\nkind = \"store-nearly-full\"\nfree_mebibyte = 8\n",
        bench.socket()
    );
    std::fs::write(bench.config(), configuration).expect("the configuration");
    (bench, store)
}

fn begun(bench: &Bench) -> (Daemon, Sensor) {
    let cable = Cable::plugged(bench.path("bench-shunt"));
    let daemon = bench.daemon();
    daemon.until_opened("bench-shunt", 1);
    cable.end_first_line();
    let sensor = Sensor::steady(&cable, Duration::from_millis(20), 26.4, -12.1);
    daemon.until_recorded(50);
    (daemon, sensor)
}

fn ballast(store: &Path) -> PathBuf {
    store.with_file_name("bench.db.ballast")
}

#[test]
fn a_disk_that_fills_up_costs_the_reserve_and_no_reading() {
    let Some(disk) = Disk::mounted(48) else { return };
    let (bench, store) = on(&disk);
    let (daemon, sensor) = begun(&bench);
    assert!(ballast(&store).exists() && !daemon.status().store.reserve_given_up);
    disk.fill();
    let newest = until("the reserve is given up", || {
        let status = daemon.status().store;
        status.reserve_given_up.then_some(status.newest)
    });
    assert!(!ballast(&store).exists());
    daemon.until_recorded(newest);
    let status = daemon.status();
    assert_eq!(status.store.trouble, None, "recording goes on");
    let said = bench.ampledger("status").good().out();
    assert!(said.contains("reserve"), "{said}");
    assert!(bench.ampledger("doctor").fails_with(1).out().contains("reserve"));
    until("the limit is passed", || (!daemon.status().alarms.is_empty()).then_some(()));
    let marker = "the disk is full; 4 MiB that were kept in reserve are being used";
    until("it is marked", || {
        let reader = ampledger_store::Reader::open(&store).expect("the store");
        let from = ampledger_store::Range::everything().from;
        let markers = reader.markers(from, None).expect("markers");
        markers.iter().any(|m| m.text.contains(marker)).then_some(())
    });

    disk.empty();
    until("the reserve is taken again", || (!daemon.status().store.reserve_given_up).then_some(()));
    assert!(ballast(&store).exists());
    sensor.silence();
    let newest = daemon.status().store.newest;
    assert!(daemon.stop().success());
    let reader = ampledger_store::Reader::open(&store).expect("the store");
    assert!(reader.recorded_up_to().expect("a number") >= newest);
}

#[test]
fn a_disk_with_no_room_at_all_kills_nobody_and_nothing_recorded_is_lost() {
    let Some(disk) = Disk::mounted(48) else { return };
    let (bench, _) = on(&disk);
    let (daemon, sensor) = begun(&bench);
    // Somebody takes the reserve's room as well.
    disk.fill();
    until("nothing can be recorded", || {
        disk.fill();
        daemon.status().store.trouble
    });
    let recorded = daemon.status().store.recorded_up_to;
    daemon.kill();
    disk.fill();
    for _ in 0..3 {
        let output = bench.daemon_command().output().expect("the daemon");
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!(output.status.code(), Some(75), "not by a signal: {:?} {said}", output.status);
        assert!(said.contains("the disk is full"), "{said}");
    }
    disk.empty();
    let daemon = bench.daemon();
    assert!(daemon.status().store.recorded_up_to >= recorded);
    daemon.until_recorded(recorded + 20);
    sensor.silence();
    assert!(daemon.stop().success());
}

#[test]
fn a_backup_for_which_there_is_no_room_leaves_nothing_behind_and_names_itself() {
    let Some(disk) = Disk::mounted(48) else { return };
    let bench = Bench::new(&sources::lines("bench-shunt"));
    let daemon = bench.daemon();
    let copy = disk.place.join("copy.db");
    disk.fill();
    let run = bench.ampledger_with(&["backup", copy.to_str().expect("a path")]);
    assert_ne!(run.code(), 0);
    assert!(run.err().contains("copy.db") && run.err().contains("full"), "{}", run.err());
    let left: Vec<_> = std::fs::read_dir(&disk.place).expect("the folder").flatten().collect();
    assert!(left.iter().all(|f| !f.path().display().to_string().contains("copy.db")), "{left:?}");
    assert!(daemon.stop().success());
}

#[test]
fn with_hardly_any_room_a_store_is_opened_or_refused_and_nobody_is_killed() {
    let Some(disk) = Disk::mounted(48) else { return };
    let (bench, store) = on(&disk);
    let (daemon, sensor) = begun(&bench);
    sensor.silence();
    assert!(daemon.stop().success());
    std::fs::remove_file(ballast(&store)).expect("the reserve");
    let path = store.to_str().expect("a path");
    let mut refused = 0;
    for kibibyte in (0..=80).step_by(2) {
        // Nobody has it open; the index is made anew.
        let _ = std::fs::remove_file(store.with_file_name("bench.db-shm"));
        disk.fill_but(kibibyte);
        let run = bench.ampledger_with(&["sessions", "--store", path]);
        let code = run.code();
        assert!(code == 0 || code == 6, "{kibibyte} KiB left: {code} {}", run.err());
        if code == 6 {
            assert!(run.err().contains("the disk is full"), "{}", run.err());
            refused += 1;
        }
    }
    assert!(refused > 0, "there was always room");
}
