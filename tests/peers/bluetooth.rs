//! The system's Bluetooth service on a bus of the test's own: a real
//! `dbus-daemon`, and `bluez/bluez.py` in the place of BlueZ. Either can be ended
//! and begun again.

use std::cell::RefCell;
use std::fs::File;
use std::io::{BufRead, BufReader, Write};
use std::path::PathBuf;
use std::process::{Child, ChildStdin, Command, Stdio};
use std::sync::mpsc::{Receiver, channel};

use serde_json::{Value, json};

use crate::util::{Bench, PATIENCE, Python, root, skip};

/// What `dbus-daemon` is told: a bus on which anybody may do anything.
const BUS: &str = r#"<!DOCTYPE busconfig PUBLIC "-//freedesktop//DTD D-Bus Bus Configuration 1.0//EN"
 "http://www.freedesktop.org/standards/dbus/1.0/busconfig.dtd">
<busconfig>
  <listen>unix:path=SOCKET</listen>
  <auth>EXTERNAL</auth>
  <policy context="default">
    <allow user="*"/>
    <allow own="*"/>
    <allow send_destination="*"/>
    <allow send_type="method_call"/>
    <allow send_type="method_return"/>
    <allow send_type="error"/>
    <allow send_type="signal"/>
    <allow receive_type="method_call"/>
    <allow receive_type="method_return"/>
    <allow receive_type="error"/>
    <allow receive_type="signal"/>
  </policy>
</busconfig>
"#;

/// The bus, the service and its devices. Both processes end with the test.
pub struct Bluetooth {
    python: PathBuf,
    folder: PathBuf,
    bus: RefCell<Option<Child>>,
    service: RefCell<Option<Service>>,
}

struct Service {
    child: Child,
    to: ChildStdin,
    lines: Receiver<String>,
}

impl Bluetooth {
    /// Begins both with these devices, as `bluez/bluez.py` describes them.
    /// `None` where this machine has not what it takes, which is said.
    pub fn start(bench: &Bench, devices: Value) -> Option<Bluetooth> {
        let python = Python::Readers.interpreter()?;
        if Command::new("dbus-daemon").arg("--version").output().is_err() {
            skip("no dbus-daemon (Debian: dbus-daemon)");
            return None;
        }
        bench.write("scenario.json", json!({ "devices": devices }).to_string().as_bytes());
        let folder = bench.path("");
        let bluetooth =
            Bluetooth { python, folder, bus: RefCell::new(None), service: RefCell::new(None) };
        bluetooth.begin_bus();
        bluetooth.begin_service();
        Some(bluetooth)
    }

    /// What a program must have in `DBUS_SYSTEM_BUS_ADDRESS`.
    pub fn address(&self) -> String {
        format!("unix:path={}", self.folder.join("bus.sock").display())
    }

    /// Begins the bus and waits until it listens.
    pub fn begin_bus(&self) {
        let socket = self.folder.join("bus.sock");
        let config = self.folder.join("bus.conf");
        // The socket of a bus that was killed lies there still.
        let _ = std::fs::remove_file(&socket);
        let text = BUS.replace("SOCKET", &socket.display().to_string());
        std::fs::write(&config, text).expect("a file in the bench's folder");
        let mut child = Command::new("dbus-daemon")
            .arg(format!("--config-file={}", config.display()))
            .args(["--nofork", "--nopidfile", "--nosyslog", "--print-address"])
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(File::create(self.folder.join("bus.log")).expect("a file"))
            .spawn()
            .expect("dbus-daemon cannot be run");
        let mut said = String::new();
        let stdout = child.stdout.take().expect("its output");
        BufReader::new(stdout).read_line(&mut said).expect("its output");
        assert!(said.starts_with("unix:"), "the bus does not start: {said:?}");
        *self.bus.borrow_mut() = Some(child);
    }

    /// Begins the service and waits until it is on the bus.
    pub fn begin_service(&self) {
        let mut child = Command::new(&self.python)
            .arg(root().join("tests/peers/bluez/bluez.py"))
            .arg(self.folder.join("scenario.json"))
            .env("DBUS_SYSTEM_BUS_ADDRESS", self.address())
            .env("PYTHONDONTWRITEBYTECODE", "1")
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .expect("the service cannot be run");
        let to = child.stdin.take().expect("its input");
        let from = BufReader::new(child.stdout.take().expect("its output"));
        let (tell, lines) = channel();
        std::thread::spawn(move || {
            from.lines().map_while(Result::ok).try_for_each(|line| tell.send(line))
        });
        let service = Service { child, to, lines };
        assert_eq!(service.answer(), json!("ready"), "what it said is above");
        *self.service.borrow_mut() = Some(service);
    }

    /// Ends the bus, as by `kill -9`; the service ends with it.
    pub fn end_bus(&self) {
        self.bus.borrow_mut().take().into_iter().for_each(end);
        self.end_service();
    }

    /// Ends the service, as by `kill -9`.
    pub fn end_service(&self) {
        self.service.borrow_mut().take().into_iter().for_each(|service| end(service.child));
    }

    /// Tells the service to do something, and gives back how things stand.
    pub fn tell(&self, what: &Value) -> Value {
        let mut service = self.service.borrow_mut();
        let service = service.as_mut().expect("the service was ended");
        writeln!(service.to, "{what}").expect("the service has ended");
        service.answer()
    }

    /// How things stand.
    pub fn state(&self) -> Value {
        self.tell(&json!({ "do": "state" }))
    }

    /// The numbers that a characteristic has told its subscribers.
    pub fn sent(&self, uuid: &str) -> Vec<u64> {
        numbers(&self.state()["sent"][uuid])
    }

    /// The same, each with its time on the boot clock, microseconds.
    pub fn sent_us(&self, uuid: &str) -> Vec<(u64, u64)> {
        let times = numbers(&self.tell(&json!({ "do": "times" }))[uuid]);
        self.sent(uuid).into_iter().zip(times).collect()
    }
}

impl Service {
    fn answer(&self) -> Value {
        let line = self.lines.recv_timeout(PATIENCE).expect("the service says nothing");
        serde_json::from_str(&line).unwrap_or_else(|e| panic!("{e} in {line:?}; see above"))
    }
}

impl Drop for Bluetooth {
    fn drop(&mut self) {
        self.end_bus();
    }
}

fn numbers(list: &Value) -> Vec<u64> {
    let numbers = list.as_array().into_iter().flatten();
    numbers.map(|n| n.as_u64().expect("a number")).collect()
}

fn end(mut child: Child) {
    // Both fail only where it has ended already.
    let _ = child.kill();
    let _ = child.wait();
}
