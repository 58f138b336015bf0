//! Limits on the real binaries: what is passed is marked, told to programs,
//! addresses and a broker that nobody here wrote, and may switch an instrument
//! off, but only that, once, and when somebody armed it.

use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpListener;
use std::os::unix::fs::PermissionsExt;
use std::path::PathBuf;
use std::process::{Child, Command, Stdio};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use ampledger_types::alarm::{Alarm, AlarmState, LimitStanding, LimitStatus};
use serde_json::{Value, json};

use crate::peers::{Cable, Manners, Scpi, Sensor, line};
use crate::util::{Bench, Daemon, skip, sources, until};

const PACE: Duration = Duration::from_millis(10);

/// A limit that is passed at once below 20 V, with these actions.
fn pack_low(actions: &str, more: &str) -> String {
    format!(
        "
[limits.pack-low]
kind = \"under-voltage\"
source = \"bench-shunt\"
volt = 20.0
hold_second = 0
actions = [{actions}]
{more}
"
    )
}

/// A bench with a meter and these limits.
struct Yard {
    bench: Bench,
    daemon: Daemon,
    cable: Cable,
    sensor: Option<Sensor>,
}

impl Yard {
    fn new(limits: &str) -> Yard {
        Yard::at_rate(1.0, limits)
    }

    fn at_rate(rate: f64, limits: &str) -> Yard {
        let bench = Bench::new(&(sources::lines("bench-shunt") + limits));
        let cable = Cable::plugged(bench.path("bench-shunt"));
        let daemon = bench.daemon_at_rate(rate);
        daemon.until_opened("bench-shunt", 1);
        cable.end_first_line();
        Yard { bench, daemon, cable, sensor: None }
    }

    /// The meter reads this from now on; waits until the daemon has seen it.
    fn read(&mut self, volt: f64, ampere: f64) {
        self.sensor = None;
        self.sensor = Some(Sensor::start(&self.cable, PACE, move |_| Some(line(volt, ampere))));
        let seen = self.daemon.source("bench-shunt").counters.samples;
        self.daemon.until_samples("bench-shunt", seen + 5);
    }

    fn limit(&self, name: &str) -> LimitStatus {
        limit(&self.bench, name)
    }

    #[track_caller]
    fn until(&self, name: &str, standing: LimitStanding) -> LimitStatus {
        until(&format!("{name} is {standing:?}"), || {
            Some(self.limit(name)).filter(|limit| limit.standing == standing)
        })
    }
}

fn limit(bench: &Bench, name: &str) -> LimitStatus {
    let all: Vec<LimitStatus> = bench.api().get("/v1/limits").good().read();
    all.into_iter().find(|limit| limit.name == name).expect("the limit")
}

/// A program that puts what it is given beside itself, one file a run.
fn program(bench: &Bench, end: &str) -> PathBuf {
    let folder = bench.path("told");
    std::fs::create_dir_all(&folder).expect("a folder");
    let script =
        format!("#!/bin/sh\ncat > {0}/.new && mv {0}/.new {0}/$$\n{end}\n", folder.display());
    let path = bench.write("tell", script.as_bytes());
    std::fs::set_permissions(&path, std::fs::Permissions::from_mode(0o755)).expect("a program");
    path
}

/// What the program was given so far.
fn told(bench: &Bench) -> Vec<Alarm> {
    let Ok(folder) = std::fs::read_dir(bench.path("told")) else { return Vec::new() };
    let files = folder.map(|entry| entry.expect("a file").path());
    let whole = files.filter(|path| !path.ends_with(".new"));
    let read = |path: PathBuf| serde_json::from_slice(&std::fs::read(path).ok()?).ok();
    whole.filter_map(read).collect()
}

const TELL: &str = "\n[actions.tell]\ncommand = [\"DIR/tell\"]\nat_most_every_second = 0\n";

#[test]
fn a_command_gets_the_alarm_when_a_limit_is_passed_and_when_it_is_over() {
    let mut yard = Yard::new(&(pack_low("\"tell\"", "hysteresis = 0.5") + TELL));
    program(&yard.bench, "");
    yard.read(20.1, -12.0);
    assert_eq!(yard.limit("pack-low").standing, LimitStanding::Within);
    yard.read(19.9, -12.0);
    yard.until("pack-low", LimitStanding::Passed);
    let alarms = until("the program is run", || Some(told(&yard.bench)).filter(|a| !a.is_empty()));
    let alarm = &alarms[0];
    assert_eq!((alarm.limit.as_str(), alarm.state), ("pack-low", AlarmState::Passed));
    assert_eq!((alarm.value, alarm.bound, alarm.unit.as_str()), (Some(19.9), Some(20.0), "V"));
    assert_eq!(alarm.sentence, "pack-low: 19.9 V on bench-shunt, at or below 20.0 V.");
    let status = yard.bench.ampledger("status");
    assert!(status.out().contains(&alarm.sentence), "{}", status.out());
    // Back, but not by the hysteresis.
    yard.read(20.4, -1.0);
    assert_eq!(yard.limit("pack-low").standing, LimitStanding::Passed);
    yard.read(20.6, -1.0);
    yard.until("pack-low", LimitStanding::Within);
    let over = until("it is told that it is over", || {
        told(&yard.bench).into_iter().find(|alarm| alarm.state == AlarmState::Over)
    });
    assert_eq!(over.sentence, "pack-low is over: 20.6 V on bench-shunt.");
}

#[test]
fn a_command_that_fails_is_tried_three_times_and_then_marked() {
    let mut yard = Yard::new(&(pack_low("\"tell\"", "") + TELL));
    program(&yard.bench, "echo no line to the yard >&2; exit 3");
    yard.bench.ampledger("start --pack GAL-07").good();
    yard.read(19.9, -12.0);
    let action = until("it is given up", || {
        yard.limit("pack-low").actions.into_iter().find(|action| action.failed == 1)
    });
    assert_eq!(told(&yard.bench).len(), 3);
    let why = action.last_failure.expect("why");
    assert!(why.contains("exit status: 3") && why.contains("no line to the yard"), "{why}");
    until("it is marked", || {
        let report = yard.bench.ampledger("show last --json").json();
        let markers = report["markers"].as_array().expect("markers").clone();
        let mut texts = markers.iter().filter_map(|marker| marker["text"].as_str());
        texts.any(|text| text.contains("`tell` failed 3 times")).then_some(())
    });
}

#[test]
fn a_value_that_flutters_does_not_run_a_command_each_time() {
    let action = "\n[actions.tell]\ncommand = [\"DIR/tell\"]\nat_most_every_second = 3600\n";
    let mut yard = Yard::new(&(pack_low("\"tell\"", "hysteresis = 0") + action));
    program(&yard.bench, "");
    let mut is_low = false;
    yard.sensor = Some(Sensor::start(&yard.cable, PACE, move |_| {
        is_low = !is_low;
        Some(line(if is_low { 19.9 } else { 20.1 }, -12.0))
    }));
    let action = until("most are left out", || {
        yard.limit("pack-low").actions.into_iter().find(|action| action.left_out > 20)
    });
    assert_eq!(action.done, 1, "{action:?}");
    assert_eq!(told(&yard.bench).len(), 1);
}

/// What was posted: path and body.
type Posted = Arc<Mutex<Vec<(String, Value)>>>;

/// Answers each request with the next of these; gives what was asked.
fn web(answers: &'static [&'static str]) -> (String, Posted) {
    let listener = TcpListener::bind("127.0.0.1:0").expect("a port");
    let url = format!("http://{}/yard?token=s3cret", listener.local_addr().expect("an address"));
    let asked = Arc::new(Mutex::new(Vec::new()));
    let seen = Arc::clone(&asked);
    std::thread::spawn(move || {
        for (stream, answer) in listener.incoming().zip(answers) {
            let mut stream = BufReader::new(stream.expect("a client"));
            let mut head = String::new();
            while !head.ends_with("\r\n\r\n") && stream.read_line(&mut head).expect("a head") > 0 {}
            let length = head.to_lowercase();
            let length = length.split("content-length:").nth(1).expect("a length");
            let length = length.lines().next().expect("a length").trim().parse().expect("a length");
            let mut body = vec![0; length];
            stream.read_exact(&mut body).expect("a body");
            let body = serde_json::from_slice(&body).expect("JSON");
            seen.lock().expect("the list").push((head, body));
            let answer = format!("HTTP/1.1 {answer}\r\ncontent-length: 0\r\n\r\n");
            stream.get_mut().write_all(answer.as_bytes()).expect("the answer");
        }
    });
    (url, asked)
}

#[test]
fn a_webhook_is_posted_again_until_the_other_side_takes_it() {
    let (url, asked) = web(&["503 Service Unavailable", "200 OK"]);
    let action = format!(
        "\n[actions.yard]\nwebhook = {{ url = \"{url}\", headers = {{ x-shed = \"2\" }} }}\n"
    );
    let mut yard = Yard::new(&(pack_low("\"yard\"", "") + &action));
    yard.read(19.9, -12.0);
    let action = until("it is taken", || {
        yard.limit("pack-low").actions.into_iter().find(|action| action.done == 1)
    });
    assert_eq!((action.failed, action.kind.as_str()), (0, "webhook"));
    let asked = asked.lock().expect("the list");
    assert_eq!(asked.len(), 2);
    assert!(asked[1].0.starts_with("POST /yard?token=s3cret HTTP/1.1"), "{}", asked[1].0);
    assert!(asked[1].0.to_lowercase().contains("x-shed: 2"), "{}", asked[1].0);
    assert_eq!(asked[1].1["limit"], json!("pack-low"));
    assert_eq!(asked[1].1["state"], json!("passed"));
    drop(asked);
    let log = yard.daemon.log();
    assert!(log.contains("503") && !log.contains("s3cret"), "what is secret is not told: {log}");
    let listed = yard.bench.ampledger("limits --json");
    assert!(!listed.out().contains("s3cret"), "{}", listed.out());
}

/// A broker that nobody here wrote: Debian's `mosquitto`.
struct Broker {
    process: Child,
    port: u16,
}

impl Broker {
    fn start() -> Option<Broker> {
        let free = TcpListener::bind("127.0.0.1:0").expect("a port");
        let port = free.local_addr().expect("an address").port();
        drop(free);
        let mut command = Command::new("mosquitto");
        command.args(["-p", &port.to_string()]);
        command.env("PATH", "/usr/local/sbin:/usr/sbin:/usr/local/bin:/usr/bin:/bin");
        command.stdin(Stdio::null()).stdout(Stdio::null()).stderr(Stdio::null());
        let Ok(process) = command.spawn() else {
            skip("no MQTT broker `mosquitto` (Debian: mosquitto, mosquitto-clients)");
            return None;
        };
        let broker = Broker { process, port };
        until("the broker listens", || std::net::TcpStream::connect(("127.0.0.1", port)).ok());
        Some(broker)
    }
}

impl Drop for Broker {
    fn drop(&mut self) {
        // Both fail only where it has ended already.
        let _ = self.process.kill();
        let _ = self.process.wait();
    }
}

#[test]
fn a_broker_takes_the_alarm_and_keeps_it_for_those_who_come_later() {
    let Some(broker) = Broker::start() else { return };
    let action = format!(
        "\n[actions.shed]\nmqtt = {{ host = \"127.0.0.1\", port = {}, topic = \"shed/alarm\", \
         retain = true }}\n",
        broker.port
    );
    let mut yard = Yard::new(&(pack_low("\"shed\"", "") + &action));
    yard.read(19.9, -12.0);
    until("it is published", || {
        yard.limit("pack-low").actions.into_iter().find(|action| action.done == 1)
    });
    let heard = Command::new("mosquitto_sub")
        .args(["-h", "127.0.0.1", "-p", &broker.port.to_string(), "-t", "shed/alarm"])
        .args(["-C", "1", "-W", "20"])
        .output()
        .expect("mosquitto_sub, which comes with mosquitto-clients");
    let alarm: Alarm = serde_json::from_slice(&heard.stdout).expect("an alarm");
    assert_eq!((alarm.limit.as_str(), alarm.state), ("pack-low", AlarmState::Passed));
}

const LOAD_OFF: &str = "\n[actions.load-off]\nswitch = { source = \"load\", scpi = \"INP OFF\" }\n";

/// The meter, the load and a limit that switches it off.
fn with_load(more: &str) -> (Yard, Scpi, Cable) {
    let limits = pack_low("\"load-off\"", more) + LOAD_OFF + &sources::scpi("load");
    let bench = Bench::new(&(sources::lines("bench-shunt") + &limits));
    let cable = Cable::plugged(bench.path("bench-shunt"));
    let line = Cable::plugged(bench.path("load"));
    let load = Scpi::start(&line, Manners::default());
    let daemon = bench.daemon();
    daemon.until_opened("bench-shunt", 1);
    daemon.until_samples("load", 2);
    cable.end_first_line();
    (Yard { bench, daemon, cable, sensor: None }, load, line)
}

#[test]
fn an_instrument_is_switched_off_once_and_only_where_somebody_armed_it() {
    let (mut yard, load, _line) = with_load("");
    yard.read(25.0, -12.0);
    assert_eq!(yard.limit("pack-low").armed, Some(false), "nothing is armed at the start");
    yard.read(19.9, -12.0);
    yard.until("pack-low", LimitStanding::Passed);
    let refused = yard.bench.ampledger("limits arm pack-low").fails_with(4);
    assert!(refused.err().contains("passed now"), "{}", refused.err());
    yard.read(25.0, -12.0);
    yard.until("pack-low", LimitStanding::Within);
    assert_eq!(load.told(), [""; 0], "not armed");
    yard.bench.ampledger("limits arm").good();
    assert_eq!(yard.limit("pack-low").armed, Some(true));
    yard.read(19.9, -12.0);
    until("the load is told", || (!load.told().is_empty()).then_some(()));
    until("it is not armed any more", || {
        (yard.limit("pack-low").armed == Some(false)).then_some(())
    });
    yard.read(25.0, -12.0);
    yard.read(19.9, -12.0);
    yard.until("pack-low", LimitStanding::Passed);
    assert_eq!(load.told(), ["INP OFF"], "once, and never on again");
}

#[test]
fn what_is_armed_is_not_armed_any_more_after_a_restart() {
    let (mut yard, load, _line) = with_load("");
    yard.read(25.0, -12.0);
    yard.bench.ampledger("limits arm pack-low").good();
    assert!(yard.daemon.stop().success());
    yard.daemon = yard.bench.daemon();
    yard.daemon.until_samples("load", 2);
    assert_eq!(yard.limit("pack-low").armed, Some(false));
    assert_eq!(load.told(), [""; 0]);
}

#[test]
fn a_configuration_read_again_sets_limits_anew_and_leaves_none_armed() {
    let (mut yard, _load, _line) = with_load("");
    yard.read(25.0, -12.0);
    yard.bench.ampledger("limits arm pack-low").good();
    yard.bench.ampledger("reload").good();
    assert_eq!(yard.limit("pack-low").armed, Some(false), "though nothing changed");
    let config = std::fs::read_to_string(yard.bench.config()).expect("the configuration");
    let higher = config.replace("volt = 20.0", "volt = 26.0");
    yard.bench.write("ampledger.toml", higher.as_bytes());
    let told = yard.bench.ampledger("reload");
    assert!(told.out().contains("Limits set anew, none is armed: pack-low"), "{}", told.out());
    assert_eq!(yard.until("pack-low", LimitStanding::Passed).bound, Some(26.0));
    // One that is wrong now is watched as it was.
    yard.bench.write("ampledger.toml", higher.replace("volt = 26.0", "volt = true").as_bytes());
    let told = yard.bench.ampledger("reload");
    assert!(told.out().contains("limits.pack-low"), "{}", told.out());
    assert_eq!(yard.limit("pack-low").bound, Some(26.0));
}

#[test]
fn a_coil_is_cleared_and_its_echo_makes_it_done() {
    let meter = "
[sources.relay]
decoder = \"modbus-rtu\"
[sources.relay.serial]
path = \"DIR/relay\"
[[sources.relay.options.units]]
address = 1
every_ms = 50
registers = [{ field = \"U\", address = 0, function = 4, type = \"u16\" }]
[sources.relay.fields]
U = { quantity = \"voltage_volt\", scale = 0.1 }
[actions.relay-off]
switch = { source = \"relay\", coil = 3 }
";
    let bench =
        Bench::new(&(sources::lines("bench-shunt") + &pack_low("\"relay-off\"", "") + meter));
    let cable = Cable::plugged(bench.path("bench-shunt"));
    let relay = Cable::plugged(bench.path("relay"));
    let (coils, stop) = (Arc::new(Mutex::new(Vec::new())), Arc::new(Mutex::new(false)));
    let (for_thread, until_stop, port) = (Arc::clone(&coils), Arc::clone(&stop), relay.clone());
    let thread = std::thread::spawn(move || relay_unit(&port, &for_thread, &until_stop));
    let daemon = bench.daemon();
    daemon.until_samples("relay", 2);
    cable.end_first_line();
    let mut yard = Yard { bench, daemon, cable, sensor: None };
    yard.read(25.0, -12.0);
    yard.bench.ampledger("limits arm pack-low").good();
    yard.read(19.9, -12.0);
    let done = until("the coil is written", || {
        yard.limit("pack-low").actions.into_iter().find(|action| action.done == 1)
    });
    assert_eq!(done.failed, 0);
    // Write Single Coil, output 3 off (Modbus Application Protocol V1.1b3, 6.5).
    assert_eq!(*coils.lock().expect("the list"), [vec![1, 5, 0, 3, 0, 0]]);
    *stop.lock().expect("the flag") = true;
    thread.join().expect("the unit");
}

/// A unit with one input register; coils that are written are noted and echoed.
fn relay_unit(port: &Cable, coils: &Mutex<Vec<Vec<u8>>>, stop: &Mutex<bool>) {
    let mut heard: Vec<u8> = Vec::new();
    while !*stop.lock().expect("the flag") {
        heard.extend(port.receive());
        // Both requests have 8 bytes.
        while heard.len() >= 8 {
            let frame: Vec<u8> = heard.drain(..8).collect();
            let answer = match frame[1] {
                5 => {
                    coils.lock().expect("the list").push(frame[..6].to_vec());
                    frame[..6].to_vec()
                }
                _ => vec![1, 4, 2, 0, 250],
            };
            let sum = crc(&answer).to_le_bytes();
            port.send(&[answer, sum.to_vec()].concat());
        }
    }
}

/// CRC-16 as in the Modbus over Serial Line guide V1.02, 6.2.2.
fn crc(bytes: &[u8]) -> u16 {
    bytes.iter().fold(0xffff, |crc, byte| {
        (0..8).fold(crc ^ u16::from(*byte), |crc, _| {
            if crc & 1 == 1 { (crc >> 1) ^ 0xa001 } else { crc >> 1 }
        })
    })
}

#[test]
fn a_source_that_falls_silent_is_told_and_so_is_its_return() {
    let silent = "
[limits.mute]
kind = \"no-data\"
source = \"bench-shunt\"
silent_second = 1
";
    let mut yard = Yard::new(silent);
    yard.read(25.0, 0.0);
    assert_eq!(yard.until("mute", LimitStanding::Within).standing, LimitStanding::Within);
    yard.sensor = None;
    let passed = yard.until("mute", LimitStanding::Passed);
    assert_eq!(passed.sentence, "mute: nothing heard of bench-shunt for 1 s.");
    yard.read(25.0, 0.0);
    yard.until("mute", LimitStanding::Within);
}

#[test]
fn a_target_and_the_end_of_a_discharge_are_told_with_how_the_session_stands() {
    let limits = "
[limits.some]
kind = \"target\"
discharged_ah = 1.0
actions = [\"tell\"]
[limits.done]
kind = \"end-of-discharge\"
source = \"bench-shunt\"
actions = [\"tell\"]
";
    let mut yard = Yard::at_rate(600.0, &(limits.to_owned() + TELL));
    program(&yard.bench, "");
    yard.bench.ampledger("start --pack GAL-07 --rated-ah 60 --cutoff-voltage 20").good();
    yard.read(25.4, -12.0);
    let find = |yard: &Yard, name: &str| told(&yard.bench).into_iter().find(|a| a.limit == name);
    // 12 A give 1 Ah in 5 min of the bench's time.
    let target = until("the target is told", || find(&yard, "some"));
    assert_eq!((target.pack.as_deref(), target.session), (Some("GAL-07"), Some(1)));
    assert!(target.value.is_some_and(|ah| ah >= 1.0), "{target:?}");
    assert!(target.sentence.contains(", target 1 Ah. GAL-07 is discharging: "), "{target:?}");
    assert_eq!(find(&yard, "done"), None, "it still runs");
    yard.read(19.9, -12.0);
    let done = until("the end is told", || find(&yard, "done"));
    assert!(done.sentence.starts_with("done: the discharge is over. GAL-07 "), "{done:?}");
}

#[test]
fn a_disk_that_is_nearly_full_is_told() {
    let limits = "
[limits.disk]
kind = \"store-nearly-full\"
free_mebibyte = 1e12
";
    let yard = Yard::new(limits);
    let passed = yard.until("disk", LimitStanding::Passed);
    assert!(passed.sentence.contains("are left for the record"), "{passed:?}");
}

#[test]
fn a_latched_limit_stays_until_somebody_has_seen_it() {
    let mut yard = Yard::new(&pack_low("", "latch = true"));
    yard.read(19.9, -12.0);
    yard.until("pack-low", LimitStanding::Passed);
    yard.read(25.0, 0.0);
    assert_eq!(yard.limit("pack-low").standing, LimitStanding::Passed);
    yard.bench.ampledger("limits acknowledge pack-low").good();
    assert_eq!(yard.until("pack-low", LimitStanding::Within).standing, LimitStanding::Within);
}

#[test]
fn the_actions_of_a_limit_can_be_tried() {
    let (yard, load, _line) = with_load("");
    let config = std::fs::read_to_string(yard.bench.config()).expect("the configuration");
    drop(yard.daemon);
    let both = config.replace("[\"load-off\"]", "[\"load-off\", \"tell\"]") + TELL;
    let both = both.replace("DIR", &yard.bench.path("").display().to_string());
    yard.bench.write("ampledger.toml", both.as_bytes());
    program(&yard.bench, "");
    let daemon = yard.bench.daemon();
    daemon.until_samples("load", 2);
    let tried = yard.bench.ampledger("limits test pack-low");
    assert!(tried.out().contains("load-off (switch): left alone"), "{}", tried.out());
    let alarms = told(&yard.bench);
    assert_eq!(alarms.len(), 1);
    assert_eq!(alarms[0].state, AlarmState::Test);
    assert_eq!(alarms[0].sentence, "This is a test of pack-low; nothing is wrong.");
    assert_eq!(load.told(), [""; 0]);
    yard.bench.ampledger("limits test pack-low --switch").fails_with(4);
    assert_eq!(load.told(), [""; 0], "not armed");
    yard.bench.ampledger("limits arm pack-low").good();
    yard.bench.ampledger("limits test pack-low --switch").good();
    until("the load is told", || (load.told() == ["INP OFF"]).then_some(()));
}

#[test]
fn a_limit_that_is_set_wrong_is_told_and_leaves_the_others_alone() {
    let wrong = "
[limits.wrong]
kind = \"over-voltage\"
source = \"bench-shunt\"
ampere = 3.0
";
    let mut yard = Yard::new(&(pack_low("", "") + wrong));
    let refused = yard.limit("wrong");
    assert_eq!(refused.standing, LimitStanding::Refused);
    assert!(refused.sentence.contains("`over-voltage` needs one of: volt"), "{refused:?}");
    let status = yard.bench.ampledger("status");
    assert!(status.out().contains("wrong is not watched"), "{}", status.out());
    yard.read(19.9, -12.0);
    yard.until("pack-low", LimitStanding::Passed);
}

#[test]
fn actions_in_a_file_that_others_can_write_are_not_run() {
    let yard = Yard::new(&(pack_low("\"tell\"", "") + TELL));
    drop(yard.daemon);
    program(&yard.bench, "");
    let open = std::fs::Permissions::from_mode(0o666);
    std::fs::set_permissions(yard.bench.config(), open).expect("the file's mode");
    let daemon = yard.bench.daemon();
    assert!(daemon.log().contains("others can write this file"), "{}", daemon.log());
    let tried = yard.bench.ampledger("limits test pack-low");
    assert!(tried.out().contains("no action to try"), "{}", tried.out());
    assert_eq!(told(&yard.bench), []);
}

#[test]
fn help_says_that_this_is_no_safety_device() {
    let bench = Bench::new("");
    let help = bench.ampledger("limits --help");
    let help = help.out().split_whitespace().collect::<Vec<&str>>().join(" ");
    assert!(help.contains("This is no safety device."), "{help}");
    assert!(help.contains("protection in hardware first"), "{help}");
}
