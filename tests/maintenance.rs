//! Work on the record as a whole while the daemon records: begun over the API,
//! followed, given up.

use std::time::Duration;

use ampledger_store::{Range, Reader};
use ampledger_types::maintenance::{Job, JobOutcome, JobState};
use serde_json::{Value, json};

use crate::peers::{Cable, Sensor, line};
use crate::util::{Api, Bench, Daemon, sources, until};

const PACE: Duration = Duration::from_millis(5);

/// A daemon that records, and goes on doing so.
fn recording(bench: &Bench) -> (Daemon, Sensor) {
    let cable = Cable::plugged(bench.path("bench-shunt"));
    let daemon = bench.daemon();
    daemon.until_opened("bench-shunt", 1);
    cable.end_first_line();
    for _ in 0..50 {
        cable.send(line(26.4, -12.1).repeat(100).as_bytes());
    }
    daemon.until_recorded(5_000);
    let sensor = Sensor::steady(&cable, PACE, 26.3, -12.1);
    daemon.until_recorded(5_010);
    (daemon, sensor)
}

fn job(api: &Api, request: &Value) -> Job {
    let begun: Job = api.post("/v1/maintenance", request).good().read();
    until("the job ends", || {
        let job: Job = api.get(&format!("/v1/maintenance/{}", begun.id)).read();
        (job.state != JobState::Running).then_some(job)
    })
}

/// Number of samples of a store, each number once and none missing.
fn samples(store: &std::path::Path) -> u64 {
    let mut last = 0;
    let reader = Reader::open(store).expect("a store");
    let read = reader.samples(&Range::everything(), |sample| {
        assert_eq!(sample.seq, last + 1);
        last = sample.seq;
        std::ops::ControlFlow::Continue(())
    });
    read.expect("its samples");
    last
}

#[test]
fn the_daemon_copies_what_it_records_while_it_records_on() {
    let bench = Bench::new(&sources::lines("bench-shunt"));
    let (daemon, _sensor) = recording(&bench);
    let file = bench.path("copy.db");
    let done = job(&bench.api(), &json!({"kind": "backup", "to": file}));
    let Some(JobOutcome::Backup { file, recorded_up_to }) = done.outcome.clone() else {
        panic!("{done:?}");
    };
    assert!(done.done == done.all && done.all > 100_000 && done.unit == "bytes", "{done:?}");
    assert!(recorded_up_to >= 5_000, "{recorded_up_to}");
    assert_eq!(samples(file.as_ref()), recorded_up_to);
    daemon.until_recorded(recorded_up_to + 50);
    // The command has the daemon do it, and nothing is written over.
    let run = bench.ampledger("backup copy.db").fails_with(4);
    assert!(run.err().contains("there already"), "{}", run.err());
    bench.ampledger("backup again.db").good();
    assert!(samples(&bench.path("again.db")) > recorded_up_to);
    let jobs: Vec<Job> = bench.api().get("/v1/maintenance").read();
    let states: Vec<JobState> = jobs.iter().map(|job| job.state).collect();
    assert_eq!(states, [JobState::Done, JobState::Failed, JobState::Done]);
    assert!(daemon.stop().success());
}

#[test]
fn a_backup_that_cannot_be_made_says_why() {
    let bench = Bench::new(&sources::lines("bench-shunt"));
    let (daemon, _sensor) = recording(&bench);
    let refused = job(&bench.api(), &json!({"kind": "backup", "to": "/nowhere/at/all/copy.db"}));
    assert_eq!(refused.trouble.expect("why not").code, "no_folder");
    let relative = job(&bench.api(), &json!({"kind": "backup", "to": "copy.db"}));
    assert_eq!(relative.trouble.expect("why not").code, "bad_path");
    assert!(daemon.stop().success());
}

#[test]
fn a_restore_of_the_live_record_is_refused_and_planned() {
    let bench = Bench::new(&sources::lines("bench-shunt"));
    let (daemon, _sensor) = recording(&bench);
    bench.ampledger("backup copy.db").good();
    let copied = samples(&bench.path("copy.db"));
    daemon.until_recorded(copied + 20);
    let copy = bench.path("copy.db");
    let refused = bench.api().post("/v1/maintenance", &json!({"kind": "restore", "backup": copy}));
    assert_eq!((refused.status, refused.refusal().code.as_str()), (409, "daemon_records"));

    let done = job(&bench.api(), &json!({"kind": "restore_plan", "backup": copy}));
    let Some(JobOutcome::RestorePlan(plan)) = done.outcome else { panic!("{done:?}") };
    assert!(plan.is_of_this_store && plan.recorded_up_to == copied, "{plan:?}");
    assert!(plan.samples_since >= 20 && plan.bytes < plan.free_bytes, "{plan:?}");
    assert!(plan.checked.damage.is_empty(), "{plan:?}");
    let said = bench.ampledger("restore copy.db --plan").good().out();
    for word in ["a backup of this record", "systemctl stop", "bench.db-wal", "ampledger restore"] {
        assert!(said.contains(word), "{word}: {said}");
    }
    let live = bench.path("bench.db");
    let none = job(&bench.api(), &json!({"kind": "restore_plan", "backup": live}));
    assert_eq!(none.trouble.expect("why not").code, "daemon_records");
    assert!(daemon.stop().success());
}

#[test]
fn the_record_is_read_through_and_compacted_while_it_is_written() {
    let bench = Bench::new(&sources::lines("bench-shunt"));
    let (daemon, _sensor) = recording(&bench);
    daemon.until_recorded(5_200);
    let before = samples(&bench.store());
    let done = job(&bench.api(), &json!({"kind": "compact"}));
    let Some(JobOutcome::Compact { .. }) = done.outcome else { panic!("{done:?}") };
    let done = job(&bench.api(), &json!({"kind": "check"}));
    let Some(JobOutcome::Check(checked)) = done.outcome else { panic!("{done:?}") };
    assert!(checked.damage.is_empty() && checked.sound_samples >= 4_096, "{checked:?}");
    assert!(samples(&bench.store()) >= before);
    assert!(daemon.stop().success());
}

#[test]
fn a_store_that_was_set_aside_is_salvaged_by_the_daemon_and_a_job_can_be_given_up() {
    let bench = Bench::new(&sources::lines("bench-shunt"));
    let (daemon, _sensor) = recording(&bench);
    bench.ampledger("backup aside.db").good();
    let (from, to) = (bench.path("aside.db"), bench.path("saved.db"));
    let done = job(&bench.api(), &json!({"kind": "salvage", "from": from, "to": to}));
    let Some(JobOutcome::Salvage { samples: saved, .. }) = done.outcome else { panic!("{done:?}") };
    assert_eq!(saved, samples(&from));
    assert_eq!(saved, samples(&to));
    let api = bench.api();
    api.post("/v1/maintenance/99/cancel", &json!({})).refusal();
    // Given up at once, or done before that: never half a file.
    let begun: Job =
        api.post("/v1/maintenance", &json!({"kind": "backup", "to": bench.path("b.db")})).read();
    api.post(&format!("/v1/maintenance/{}/cancel", begun.id), &json!({})).good();
    let ended = until("it ends", || {
        let job: Job = api.get(&format!("/v1/maintenance/{}", begun.id)).read();
        (job.state != JobState::Running).then_some(job.state)
    });
    assert_eq!(bench.path("b.db").exists(), ended == JobState::Done);
    assert!(!bench.path("b.db.partial").exists());
    assert!(daemon.stop().success());
}
