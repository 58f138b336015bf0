//! Plugins that do what they must not. Each costs the input it did it for, and
//! nothing else: not the daemon, not another source, not a sample.

use std::ops::ControlFlow;
use std::os::unix::fs::PermissionsExt;
use std::path::Path;
use std::time::Duration;

use ampledger_store::{Range, Reader};
use ampledger_types::api::SourceState;
use ampledger_types::{Bound, RunId};
use rustix::process::{Pid, Signal, kill_process};

use crate::peers::{Cable, Sensor, line};
use crate::util::{Bench, Daemon, plugins, sources};

const PACE: Duration = Duration::from_millis(5);

/// A bench with a plugin on `bench-shunt` and an ordinary meter, the clamp.
struct Yard {
    bench: Bench,
    shunt: Cable,
    clamp: Cable,
    daemon: Daemon,
}

impl Yard {
    fn new(more: &str) -> Yard {
        let bench = Bench::new("");
        let library = plugins::plugin(&bench, "faulty");
        bench.configure(
            &(sources::plugin("bench-shunt", &library, more) + &sources::lines("clamp")),
        );
        let shunt = Cable::plugged(bench.path("bench-shunt"));
        let clamp = Cable::plugged(bench.path("clamp"));
        let daemon = bench.daemon();
        daemon.until_opened("bench-shunt", 1);
        daemon.until_opened("clamp", 1);
        shunt.end_first_line();
        clamp.end_first_line();
        bench.ampledger("start --pack GAL-07 --source bench-shunt").good();
        Yard { bench, shunt, clamp, daemon }
    }

    /// Sends bytes and waits until they have arrived: they are an input of
    /// their own.
    fn send_singly(&self, bytes: &[u8]) {
        let before = self.daemon.source("bench-shunt").counters.bytes;
        self.shunt.send(bytes);
        self.daemon.until("the bytes have arrived", "bench-shunt", |s| {
            s.counters.bytes == before + bytes.len() as u64
        });
    }

    /// The markers of the session.
    fn markers(&self, kind: &str) -> Vec<String> {
        let shown = self.bench.ampledger("show 1 --json").json();
        let markers = shown["markers"].as_array().expect("markers").clone();
        let of = markers.iter().filter(|m| m["kind"] == kind);
        of.map(|m| m["text"].as_str().expect("a text").to_owned()).collect()
    }

    /// The voltages of the plugin's samples, in order, from the record.
    fn voltages(&self) -> Vec<f64> {
        self.daemon.until_recorded(self.daemon.status().store.newest);
        let reader = Reader::open(&self.bench.store()).expect("the store");
        let range = Range {
            sources: vec!["bench-shunt".to_owned()],
            from: Bound { run: RunId(1), t_us: 0 },
            to: None,
            up_to: None,
        };
        let (mut found, mut last_us) = (Vec::new(), 0);
        let read = reader.samples(&range, |numbered| {
            assert!(numbered.sample.t_us >= last_us, "time runs backwards");
            last_us = numbered.sample.t_us;
            found.push(numbered.sample.values[0]);
            ControlFlow::Continue(())
        });
        read.expect("the samples");
        found
    }
}

/// The host processes of a daemon.
fn hosts(daemon: u32) -> Vec<i32> {
    let mut found = Vec::new();
    for entry in std::fs::read_dir("/proc").expect("/proc").flatten() {
        let Some(id) = entry.file_name().to_str().and_then(|name| name.parse().ok()) else {
            continue;
        };
        // proc(5): `ID (NAME) STATE PARENT …`; a process may end meanwhile.
        let stat = std::fs::read_to_string(entry.path().join("stat")).unwrap_or_default();
        let Some((head, tail)) = stat.rsplit_once(')') else { continue };
        let parent = tail.split_whitespace().nth(1).and_then(|n| n.parse().ok());
        let is_alive = !tail.trim_start().starts_with('Z');
        if head.ends_with("(ampledger-host") && parent == Some(daemon) && is_alive {
            found.push(id);
        }
    }
    found
}

/// Tells the plugin to do it once: half a line before, good lines after. All
/// good lines become samples, once; the reason is marked; the clamp reads on.
fn costs_only_its_own_input(word: &str, reason: &str) {
    let yard = Yard::new("");
    let clamp = Sensor::steady(&yard.clamp, PACE, 26.4, -12.0);
    yard.send_singly(b"U=26.01 I=-12.1\nU=26.02 I=-12.1\nU=26.");
    yard.daemon.until_samples("bench-shunt", 2);
    yard.send_singly(b"03 I=-12.1\n");
    yard.send_singly(format!("{word}\n").as_bytes());
    for n in 4..=9 {
        yard.send_singly(format!("U=26.0{n} I=-12.1\n").as_bytes());
    }
    yard.daemon.until_samples("bench-shunt", 9);
    yard.daemon.until("it is live again", "bench-shunt", |s| s.state == SourceState::Live);
    let sent = clamp.silence();
    yard.daemon.until_samples("clamp", sent);

    let expected: Vec<f64> = (1..=9).map(|n| 26.0 + f64::from(n) / 100.0).collect();
    assert_eq!(yard.voltages(), expected, "no sample is missing, and none is doubled");
    let markers = yard.markers("decoder_failed");
    assert!(!markers.is_empty() && markers.iter().all(|m| m.contains(reason)), "{markers:?}");
    let shunt = yard.daemon.source("bench-shunt");
    let told = shunt.counters.last_complaint.unwrap_or_default();
    assert!(told.contains("left out") && told.contains(reason), "{told}");
    let clamp = yard.daemon.source("clamp");
    assert_eq!((clamp.counters.samples, clamp.counters.opened), (sent, 1));
    assert_eq!((clamp.counters.dropped, shunt.counters.opened), (0, 1));
    assert!(yard.daemon.stop().success());
}

#[test]
fn a_crash_costs_only_its_own_input() {
    costs_only_its_own_input("CRASH", "crashed (SIGSEGV)");
}

#[test]
fn an_abort_costs_only_its_own_input() {
    costs_only_its_own_input("ABORT", "crashed (SIGABRT)");
}

#[test]
fn an_exit_costs_only_its_own_input() {
    costs_only_its_own_input("EXIT", "exit code 7");
}

#[test]
fn an_endless_loop_costs_only_its_own_input() {
    costs_only_its_own_input("LOOP", "did not answer within 2 s");
}

#[test]
fn an_endless_recursion_costs_only_its_own_input() {
    costs_only_its_own_input("RECURSE", "stack overflow");
}

#[test]
fn eating_all_memory_costs_only_its_own_input() {
    costs_only_its_own_input("HOG", "no memory left");
}

#[test]
fn a_flood_of_readings_costs_only_its_own_input() {
    costs_only_its_own_input("FLOOD", "says more for one input than it may");
}

#[test]
fn giving_up_costs_only_its_own_input() {
    costs_only_its_own_input("CANNOT", "cannot go on");
}

#[test]
fn nonsense_is_no_reading_and_lies_are_not_taken() {
    let yard = Yard::new("");
    yard.send_singly(b"NONSENSE\nLIES\n");
    yard.send_singly(b"U=26.4 I=-12.1\n");
    yard.daemon.until("the last line", "bench-shunt", |s| {
        s.latest.iter().any(|r| r.channel == "voltage_volt" && r.value == 26.4)
    });
    for reading in yard.daemon.source("bench-shunt").latest {
        assert!(reading.value.is_finite() && reading.value.abs() < 90.0, "{reading:?}");
    }
    let counters = yard.daemon.source("bench-shunt").counters;
    assert_eq!(counters.last_complaint.as_deref(), Some("no lie was taken"), "{counters:?}");
    assert_eq!(counters.samples, 3, "two have a current, one has both: {counters:?}");
    assert!(counters.complaints["implausible"] >= 2, "{counters:?}");
    assert!(yard.markers("decoder_failed").is_empty());
}

#[test]
fn what_it_prints_disturbs_nobody() {
    let yard = Yard::new("");
    yard.send_singly(b"PRINT\n");
    yard.send_singly(b"U=26.4 I=-12.1\n");
    yard.daemon.until_samples("bench-shunt", 1);
    assert!(yard.markers("decoder_failed").is_empty());
}

#[test]
fn a_plugin_reaches_no_environment_no_files_no_network_and_no_processes() {
    let yard = Yard::new("");
    yard.send_singly(b"PEEK\n");
    let told = yard.daemon.until("it has looked", "bench-shunt", |s| {
        s.counters.last_complaint.as_ref().is_some_and(|c| c.starts_with("files="))
    });
    // Its two pipes, standard input (nothing), output and error.
    let expected = "files=5 environment=0 read=0 write=0 socket=0 fork=0 thread=0";
    assert_eq!(told.counters.last_complaint.as_deref(), Some(expected), "{}", yard.daemon.log());
}

#[test]
fn a_host_that_is_killed_again_and_again_loses_no_sample_and_doubles_none() {
    let yard = Yard::new("");
    let mut n = 0;
    let sensor = Sensor::start(&yard.shunt, Duration::from_millis(2), move |_| {
        n += 1;
        (n <= 1000).then(|| format!("U={:.4} I=-12.1\n", 20.0 + f64::from(n) / 1000.0))
    });
    for kill in 1..=3 {
        yard.daemon.until_samples("bench-shunt", 150 * kill);
        for id in hosts(yard.daemon.id()) {
            // It may have ended by itself.
            let _ = kill_process(Pid::from_raw(id).expect("a number"), Signal::KILL);
        }
    }
    assert_eq!(sensor.finish(), 1000);
    yard.daemon.until_samples("bench-shunt", 1000);
    let expected: Vec<String> =
        (1..=1000).map(|n| format!("{:.4}", 20.0 + f64::from(n) / 1000.0)).collect();
    let found: Vec<String> = yard.voltages().iter().map(|v| format!("{v:.4}")).collect();
    assert_eq!(found, expected);
    let markers = yard.markers("decoder_failed");
    assert!(markers.iter().any(|m| m.contains("SIGKILL")), "{markers:?}");
    assert_eq!(yard.daemon.source("bench-shunt").counters.opened, 1);
}

#[test]
fn a_plugin_that_fails_at_everything_is_set_aside_with_a_clear_word() {
    let yard = Yard::new("[sources.bench-shunt.options]\ndies = true\n");
    let clamp = Sensor::steady(&yard.clamp, PACE, 26.4, -12.0);
    for _ in 0..6 {
        yard.send_singly(b"U=26.4 I=-12.1\n");
    }
    let aside = yard.daemon.until("it is set aside", "bench-shunt", |s| {
        s.reason.as_ref().is_some_and(|why| why.contains("set aside"))
    });
    let reason = aside.reason.expect("a reason");
    assert!(reason.contains("SIGABRT") && reason.contains("ampledger reload"), "{reason}");
    assert_eq!((aside.state, aside.retry_in_second), (SourceState::Failed, None));
    assert!(hosts(yard.daemon.id()).is_empty(), "nothing of it runs any more");
    // It stays so when the line is lost and found.
    yard.shunt.unplug();
    yard.shunt.plug();
    yard.daemon.until_opened("bench-shunt", 2);
    let again = yard.daemon.source("bench-shunt");
    assert_eq!(again.reason.as_deref(), Some(reason.as_str()), "{again:?}");
    let sent = clamp.silence();
    yard.daemon.until_samples("clamp", sent);
    assert_eq!(yard.daemon.source("clamp").counters.opened, 1);
    assert!(yard.daemon.stop().success());
}

#[test]
fn a_plugin_set_aside_comes_back_on_reload_once_its_file_or_its_table_changed() {
    let yard = Yard::new("[sources.bench-shunt.options]\ndies = true\n");
    let aside = || {
        for _ in 0..6 {
            yard.send_singly(b"U=26.4 I=-12.1\n");
        }
        yard.daemon.until("it is set aside", "bench-shunt", |s| {
            s.reason.as_ref().is_some_and(|why| why.contains("set aside"))
        });
    };
    let library = yard.bench.path("faulty.so");
    aside();
    let done = yard.bench.ampledger("reload");
    assert!(done.out().contains("Nothing changed"), "{}", done.out());
    // The same file again, as somebody who builds it anew puts it there.
    let bytes = std::fs::read(&library).expect("the library");
    std::fs::remove_file(&library).expect("it is taken away");
    std::fs::write(&library, bytes).expect("it is put there");
    mode(&library, 0o755);
    let done = yard.bench.ampledger("reload");
    assert!(done.out().contains("begun again: bench-shunt"), "{}", done.out());
    yard.daemon.until("it is tried again", "bench-shunt", |s| s.reason.is_none());
    aside();
    let good = sources::plugin("bench-shunt", &library, "");
    yard.bench.configure(&(good + &sources::lines("clamp")));
    let done = yard.bench.ampledger("reload");
    assert!(done.out().contains("begun again: bench-shunt"), "{}", done.out());
    yard.daemon.until_opened("bench-shunt", 1);
    yard.send_singly(b"U=26.4 I=-12.1\n");
    yard.daemon.until_samples("bench-shunt", 1);
    assert_eq!(yard.daemon.source("clamp").counters.opened, 1, "no other is touched");
}

#[test]
fn what_arrived_for_a_plugin_set_aside_is_decoded_once_it_is_repaired() {
    let yard = Yard::new("[sources.bench-shunt.options]\ndies = true\n");
    for n in 1..=9 {
        yard.send_singly(format!("U=26.0{n} I=-12.1\n").as_bytes());
    }
    yard.daemon.until("it is set aside", "bench-shunt", |s| {
        s.reason.as_ref().is_some_and(|why| why.contains("set aside"))
    });
    yard.bench.ampledger("stop").good();
    let library = yard.bench.path("faulty.so");
    let text = sources::plugin("bench-shunt", &library, "");
    yard.bench.write("repaired.toml", text.as_bytes());
    yard.bench.ampledger("redecode 1 --with repaired.toml --apply").good();
    assert_eq!(yard.voltages().len(), 9);
    let told = yard.bench.ampledger("show 1 --json").json().to_string();
    assert!(told.contains("plugin faulty 1 (sha256"), "what decoded it is named: {told}");
}

/// The reason why a library is not taken; the clamp reads all the same.
fn refused(prepare: impl FnOnce(&Bench) -> std::path::PathBuf) -> String {
    let bench = Bench::new("");
    let library = prepare(&bench);
    bench.configure(&(sources::plugin("bench-shunt", &library, "") + &sources::lines("clamp")));
    let _shunt = Cable::plugged(bench.path("bench-shunt"));
    let clamp = Cable::plugged(bench.path("clamp"));
    let daemon = bench.daemon();
    let told = daemon.until("it is refused", "bench-shunt", |s| s.reason.is_some());
    daemon.until_opened("clamp", 1);
    clamp.end_first_line();
    clamp.send(line(26.4, -12.0).as_bytes());
    daemon.until_samples("clamp", 1);
    assert_eq!((told.state, told.counters.opened), (SourceState::Failed, 0));
    assert!(daemon.stop().success());
    told.reason.expect("a reason")
}

fn mode(path: &Path, mode: u32) {
    std::fs::set_permissions(path, std::fs::Permissions::from_mode(mode)).expect("a mode");
}

#[test]
fn another_version_of_the_interface_is_refused() {
    let why = refused(|bench| plugins::plugin(bench, "other_version"));
    assert!(why.contains("version 999") && why.contains("Build it anew"), "{why}");
}

#[test]
fn a_library_without_the_function_is_refused() {
    let why = refused(|bench| plugins::plugin(bench, "no_symbol"));
    assert!(why.contains("is no plugin: it has no function ampledger_plugin"), "{why}");
}

#[test]
fn a_table_without_functions_is_refused() {
    let why = refused(|bench| plugins::plugin(bench, "short_table"));
    assert!(why.contains("lacks one of the functions"), "{why}");
}

#[test]
fn a_file_that_is_no_library_is_refused() {
    let why = refused(|bench| bench.write("text.so", b"no library"));
    assert!(why.contains("text.so is no library that can be loaded"), "{why}");
}

#[test]
fn a_library_that_is_not_there_is_refused() {
    let why = refused(|bench| bench.path("missing.so"));
    assert!(why.contains("missing.so cannot be read"), "{why}");
}

#[test]
fn a_library_or_a_folder_that_others_may_write_is_refused() {
    let why = refused(|bench| {
        let library = plugins::plugin(bench, "faulty");
        mode(&library, 0o757);
        library
    });
    assert!(why.contains("faulty.so can be written by others (mode 0757)"), "{why}");
    let why = refused(|bench| {
        let (library, folder) = (plugins::plugin(bench, "faulty"), bench.path("plugins"));
        std::fs::create_dir(&folder).expect("a folder");
        std::fs::rename(library, folder.join("faulty.so")).expect("moved");
        mode(&folder, 0o777);
        folder.join("faulty.so")
    });
    assert!(why.contains("plugins can be written by others (mode 0777)"), "{why}");
}

#[test]
fn a_library_is_taken_as_soon_as_it_is_put_right() {
    let bench = Bench::new("");
    let library = plugins::plugin(&bench, "faulty");
    mode(&library, 0o777);
    bench.configure(&sources::plugin("bench-shunt", &library, ""));
    let _shunt = Cable::plugged(bench.path("bench-shunt"));
    let daemon = bench.daemon();
    daemon.until("it is refused", "bench-shunt", |s| s.reason.is_some());
    mode(&library, 0o755);
    daemon.until_opened("bench-shunt", 1);
}

#[test]
fn a_plugin_that_dies_while_it_is_loaded_is_set_aside() {
    let bench = Bench::new("");
    let library = plugins::plugin(&bench, "dies_while_loaded");
    bench.configure(&sources::plugin("bench-shunt", &library, ""));
    let _shunt = Cable::plugged(bench.path("bench-shunt"));
    let daemon = bench.daemon();
    let told = daemon.until("it is set aside", "bench-shunt", |s| {
        s.reason.as_ref().is_some_and(|why| why.contains("set aside"))
    });
    assert!(told.reason.is_some_and(|why| why.contains("crashed (SIGABRT)")));
}

#[test]
fn a_host_ends_with_its_daemon() {
    let yard = Yard::new("");
    yard.send_singly(b"U=26.4 I=-12.1\n");
    yard.daemon.until_samples("bench-shunt", 1);
    let host = hosts(yard.daemon.id());
    assert_eq!(host.len(), 1);
    let gone = || !Path::new(&format!("/proc/{}", host[0])).exists();
    let Yard { daemon, .. } = yard;
    daemon.kill();
    crate::util::until("the host has ended", || gone().then_some(()));
}
