//! Alarms to an MQTT broker that nobody here wrote: Debian's `mosquitto`, plain
//! and with TLS under a certificate authority of the shed's own.

use std::net::{TcpListener, TcpStream};
use std::path::Path;
use std::process::{Child, Command, Stdio};

use ampledger_types::alarm::{ActionStatus, Alarm, AlarmState};

use super::{limit, pack_low};
use crate::util::{Bench, skip, sources, until};
use crate::yard::Yard;

/// The broker.
struct Broker {
    process: Child,
    port: u16,
}

impl Broker {
    /// Begins it; `more` goes into its configuration.
    fn start(bench: &Bench, more: &str) -> Option<Broker> {
        let free = TcpListener::bind("127.0.0.1:0").expect("a port");
        let port = free.local_addr().expect("an address").port();
        drop(free);
        let text = format!("listener {port} 127.0.0.1\nallow_anonymous true\n{more}\n");
        let config = bench.write("mosquitto.conf", text.as_bytes());
        let mut command = Command::new("mosquitto");
        command.arg("-c").arg(config);
        command.env("PATH", "/usr/local/sbin:/usr/sbin:/usr/local/bin:/usr/bin:/bin");
        command.stdin(Stdio::null()).stdout(Stdio::null()).stderr(Stdio::null());
        let Ok(process) = command.spawn() else {
            skip("no MQTT broker `mosquitto` (Debian: mosquitto, mosquitto-clients)");
            return None;
        };
        let broker = Broker { process, port };
        until("the broker listens", || TcpStream::connect(("127.0.0.1", port)).ok());
        Some(broker)
    }

    /// The alarm that it keeps.
    fn kept(&self, more: &[&str]) -> Alarm {
        let heard = Command::new("mosquitto_sub")
            .args(["-h", "127.0.0.1", "-p", &self.port.to_string(), "-t", "shed/alarm"])
            .args(["-C", "1", "-W", "20"])
            .args(more)
            .output()
            .expect("mosquitto_sub, which comes with mosquitto-clients");
        serde_json::from_slice(&heard.stdout).expect("an alarm")
    }
}

impl Drop for Broker {
    fn drop(&mut self) {
        // Both fail only where it has ended already.
        let _ = self.process.kill();
        let _ = self.process.wait();
    }
}

/// A limit that is passed, told to the broker at this port.
fn publishing(bench: Bench, port: u16, more: &str) -> Yard {
    let action = format!(
        "\n[actions.shed]\nmqtt = {{ host = \"127.0.0.1\", port = {port}, topic = \"shed/alarm\", \
         retain = true{more} }}\n"
    );
    bench.configure(&(sources::lines("bench-shunt") + &pack_low("\"shed\"", "") + &action));
    let mut yard = Yard::on(bench, 1.0);
    yard.read(19.9, -12.0);
    yard
}

#[track_caller]
fn until_tried(yard: &Yard, is: impl Fn(&ActionStatus) -> bool) -> ActionStatus {
    until("it is tried", || limit(&yard.bench, "pack-low").actions.into_iter().find(|a| is(a)))
}

#[test]
fn a_broker_takes_the_alarm_and_keeps_it_for_those_who_come_later() {
    let bench = Bench::new("");
    let Some(broker) = Broker::start(&bench, "") else { return };
    let yard = publishing(bench, broker.port, "");
    until_tried(&yard, |action| action.done == 1);
    let alarm = broker.kept(&[]);
    assert_eq!((alarm.limit.as_str(), alarm.state), ("pack-low", AlarmState::Passed));
}

/// A certificate authority called `name`, and a certificate of the broker's from
/// it; `false` without `openssl`.
fn authority(folder: &Path, name: &str) -> bool {
    let script = format!(
        "set -e
        printf 'subjectAltName=IP:127.0.0.1\nbasicConstraints=CA:FALSE\n' > {name}.ext
        openssl req -x509 -newkey rsa:2048 -nodes -days 2 -subj /CN={name} \
            -keyout {name}-ca.key -out {name}-ca.pem
        openssl req -newkey rsa:2048 -nodes -subj /CN=broker -keyout {name}.key -out {name}.csr
        openssl x509 -req -in {name}.csr -CA {name}-ca.pem -CAkey {name}-ca.key \
            -CAcreateserial -days 2 -extfile {name}.ext -out {name}.pem
        chmod a+r {name}.key"
    );
    let mut shell = Command::new("sh");
    shell.arg("-c").arg(script).current_dir(folder).stderr(Stdio::null());
    let made = shell.status().is_ok_and(|status| status.success());
    if !made {
        skip("no `openssl` that makes certificates (Debian: openssl)");
    }
    made
}

#[test]
fn a_broker_is_spoken_to_with_tls_and_only_if_its_certificate_is_the_sheds() {
    let bench = Bench::new("");
    let folder = bench.path("");
    if !authority(&folder, "shed") || !authority(&folder, "other") {
        return;
    }
    let of = |name: &str| folder.join(name).display().to_string();
    let tls = format!("certfile {}\nkeyfile {}\n", of("shed.pem"), of("shed.key"));
    let Some(broker) = Broker::start(&bench, &tls) else { return };
    let yard = publishing(bench, broker.port, &format!(", ca = {:?}", of("shed-ca.pem")));
    until_tried(&yard, |action| action.done == 1);
    let alarm = broker.kept(&["--cafile", &of("shed-ca.pem")]);
    assert_eq!(alarm.limit, "pack-low");

    // Neither another authority nor the system's vouches for it.
    let config = std::fs::read_to_string(yard.bench.config()).expect("the configuration");
    let ca = format!("ca = {:?}", of("shed-ca.pem"));
    for (other, why) in [
        (format!("ca = {:?}", of("other-ca.pem")), "UnknownIssuer"),
        ("tls = true".to_owned(), "certificate"),
        (format!("ca = {:?}", of("missing.pem")), "missing.pem"),
    ] {
        yard.bench.write("ampledger.toml", config.replace(&ca, &other).as_bytes());
        yard.bench.ampledger("reload").good();
        let tried = yard.bench.ampledger("limits test pack-low").fails_with(4);
        assert!(tried.out().contains(why), "{other}: {}", tried.out());
    }
}
