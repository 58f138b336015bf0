//! `[sources.NAME.ble]`: a Bluetooth instrument, by what it is called, and what
//! of it is listened to, read and written.

use std::time::Duration;

use ampledger_decoders::ConfigProblem;
use serde::{Deserialize, Serialize};
use serde_json::{Map, Value};
use uuid::Uuid;

/// Behind the first 32 bits of each UUID of the Bluetooth SIG (Bluetooth Core
/// Specification, volume 3 part B, section 2.5.1).
const BASE: u128 = 0x0000_0000_0000_1000_8000_0080_5f9b_34fb;
/// The service data that is listened to if nothing is said: BTHome's.
const BTHOME: u16 = 0xFCD2;
/// The shortest and the longest time for `stall_second`.
const STALL_SECOND: std::ops::RangeInclusive<f64> = 1.0..=86_400.0;
/// The shortest and the longest time for `every_ms`.
const EVERY_MS: std::ops::RangeInclusive<u64> = 20..=86_400_000;

/// A Bluetooth instrument.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct BleConfig {
    /// Its address, as in `C0:00:00:00:00:01`.
    #[serde(default)]
    pub address: Option<String>,
    /// Or the name that it advertises.
    #[serde(default)]
    pub name: Option<String>,
    /// The adapter, as in `hci0`, or by its address; the first one if missing.
    #[serde(default)]
    pub adapter: Option<String>,
    /// Only characteristics of this service; with `advertisements`, the UUID
    /// of the service data.
    #[serde(default)]
    pub service: Option<String>,
    /// What is subscribed to.
    #[serde(default)]
    pub notify: Vec<Listed>,
    /// What is read again and again.
    #[serde(default)]
    pub read: Vec<Polled>,
    /// Where what the decoder sends is written to, by its endpoint.
    #[serde(default)]
    pub write: Vec<String>,
    /// Listens to what it broadcasts, without a connection.
    #[serde(default)]
    pub advertisements: bool,
    /// So much silence on a connection means that it hangs.
    #[serde(default = "default_stall")]
    pub stall_second: f64,
}

fn default_stall() -> f64 {
    30.0
}

/// A characteristic: its UUID, or a table with its endpoint as well.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(
    untagged,
    expecting = "a UUID, as in \"2b18\", or a table with `characteristic` and `endpoint`"
)]
pub enum Listed {
    /// Its endpoint is its place.
    Uuid(String),
    /// Its endpoint is said.
    Table(Placed),
}

/// A characteristic with an endpoint.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Placed {
    /// Its UUID.
    pub characteristic: String,
    /// The number that the decoder knows it by.
    pub endpoint: u16,
}

/// A characteristic that is read.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Polled {
    /// Its UUID.
    pub characteristic: String,
    /// How often.
    pub every_ms: u64,
    /// The number that the decoder knows it by; otherwise its place after
    /// those of `notify`.
    #[serde(default)]
    pub endpoint: Option<u16>,
}

/// What a connection is for, with everything worked out.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Plan {
    /// Only characteristics of this service.
    pub service: Option<Uuid>,
    /// What is subscribed to, each with its endpoint.
    pub notify: Vec<(Uuid, u16)>,
    /// What is read, each with its endpoint and how often.
    pub read: Vec<(Uuid, u16, Duration)>,
    /// Where bytes for an endpoint are written to, by endpoint.
    pub write: Vec<Uuid>,
}

impl BleConfig {
    /// What is wrong with it.
    pub fn check(&self, options: &Map<String, Value>) -> Vec<ConfigProblem> {
        let mut problems = Vec::new();
        let mut problem = |key: &str, what: String| {
            problems.push(ConfigProblem::new(format!("ble{key}"), what));
        };
        if self.address.is_some() == self.name.is_some() {
            problem("", "give either `address` or `name`".to_owned());
        }
        if self.address.as_deref().is_some_and(|address| !is_address(address)) {
            let what = "must be six pairs of hexadecimal digits, as in C0:00:00:00:00:01";
            problem(".address", what.to_owned());
        }
        if !STALL_SECOND.contains(&self.stall_second) {
            problem(".stall_second", "must lie between 1 and 86400".to_owned());
        }
        if self.read.iter().any(|polled| !EVERY_MS.contains(&polled.every_ms)) {
            problem(".read", "`every_ms` must lie between 20 and 86400000".to_owned());
        }
        let connects = !(self.notify.is_empty() && self.read.is_empty() && self.write.is_empty());
        if self.advertisements && connects {
            let what = "goes without `notify`, `read` and `write`: there is no connection";
            problem(".advertisements", what.to_owned());
        }
        match self.plan(options) {
            Err((key, what)) => problem(&key, what),
            Ok(plan) => {
                let nothing = plan.notify.is_empty() && plan.read.is_empty();
                if nothing && !self.advertisements {
                    let what = "nothing is listened to; give `notify`, `read` or \
                                `advertisements`, or the decoder's option `characteristics`";
                    problem("", what.to_owned());
                }
            }
        }
        problems
    }

    /// Whose service data is listened to.
    pub fn service_data(&self) -> Uuid {
        let said = self.service.as_deref().and_then(|text| parse(text).ok());
        said.unwrap_or_else(|| short(u32::from(BTHOME)))
    }

    /// What a connection is for. An endpoint is what is said; else the place
    /// that the decoder's own list of characteristics gives it; else its place
    /// in `notify`, and then in `read`. Without any of these the decoder's list
    /// is subscribed to. An error is the key and what is wrong.
    pub fn plan(&self, options: &Map<String, Value>) -> Result<Plan, (String, String)> {
        let known = decoders_list(options);
        let mut plan = Plan::default();
        if let Some(service) = &self.service {
            plan.service = Some(parse(service).map_err(|what| (".service".to_owned(), what))?);
        }
        let place = |uuid: Uuid, said: Option<u16>, at: usize| {
            let of_decoder = known.iter().position(|k| *k == uuid);
            match (said, of_decoder) {
                (Some(endpoint), _) => Ok(endpoint),
                (None, Some(endpoint)) => Ok(u16::try_from(endpoint).unwrap_or(u16::MAX)),
                (None, None) if known.is_empty() => Ok(u16::try_from(at).unwrap_or(u16::MAX)),
                (None, None) => Err("is not among the decoder's `characteristics`".to_owned()),
            }
        };
        for (i, listed) in self.notify.iter().enumerate() {
            let at = |what| (".notify".to_owned(), format!("`{}` {what}", listed.uuid()));
            let uuid = parse(listed.uuid()).map_err(&at)?;
            plan.notify.push((uuid, place(uuid, listed.endpoint(), i).map_err(at)?));
        }
        for (i, polled) in self.read.iter().enumerate() {
            let at = |what| (".read".to_owned(), format!("`{}` {what}", polled.characteristic));
            let uuid = parse(&polled.characteristic).map_err(&at)?;
            let endpoint = place(uuid, polled.endpoint, self.notify.len() + i).map_err(at)?;
            plan.read.push((uuid, endpoint, Duration::from_millis(polled.every_ms)));
        }
        for text in &self.write {
            let at = |what| (".write".to_owned(), format!("`{text}` {what}"));
            plan.write.push(parse(text).map_err(at)?);
        }
        if plan.notify.is_empty() && plan.read.is_empty() {
            plan.notify = known.into_iter().zip(0..).collect();
        }
        Ok(plan)
    }
}

impl Listed {
    fn uuid(&self) -> &str {
        match self {
            Listed::Uuid(uuid) => uuid,
            Listed::Table(placed) => &placed.characteristic,
        }
    }

    fn endpoint(&self) -> Option<u16> {
        match self {
            Listed::Uuid(_) => None,
            Listed::Table(placed) => Some(placed.endpoint),
        }
    }
}

/// The characteristics that a decoder lists among its options, in its order;
/// what it cannot read there it says itself.
fn decoders_list(options: &Map<String, Value>) -> Vec<Uuid> {
    let listed = options.get("characteristics").and_then(Value::as_array);
    let uuid = |entry: &Value| {
        let text = entry.as_str().or_else(|| entry.get("uuid")?.as_str())?;
        parse(text).ok()
    };
    listed.into_iter().flatten().map(|entry| uuid(entry).unwrap_or_default()).collect()
}

fn is_address(text: &str) -> bool {
    let pairs: Vec<&str> = text.split(':').collect();
    pairs.len() == 6
        && pairs.iter().all(|p| p.len() == 2 && p.bytes().all(|b| b.is_ascii_hexdigit()))
}

/// A UUID, in four, eight or all 32 digits.
fn parse(text: &str) -> Result<Uuid, String> {
    let digits = text.trim().to_lowercase();
    let digits = digits.strip_prefix("0x").unwrap_or(&digits).replace('-', "");
    let is_hex = digits.bytes().all(|b| b.is_ascii_hexdigit());
    match digits.len() {
        4 | 8 if is_hex => u32::from_str_radix(&digits, 16).map(short).map_err(|e| e.to_string()),
        32 if is_hex => Uuid::parse_str(&digits).map_err(|e| e.to_string()),
        _ => Err("is no UUID; write four hexadecimal digits, or all 32 with hyphens".to_owned()),
    }
}

fn short(id: u32) -> Uuid {
    Uuid::from_u128(u128::from(id) << 96 | BASE)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn plan(ble: &str, options: &str) -> Result<Plan, (String, String)> {
        let config: BleConfig = serde_json::from_str(ble).unwrap();
        config.plan(&serde_json::from_str(options).unwrap())
    }

    fn sig(id: u32) -> Uuid {
        short(id)
    }

    #[test]
    fn uuids_are_read_in_every_length() {
        let long = "00002b18-0000-1000-8000-00805f9b34fb";
        for text in ["2b18", "0x2B18", "00002b18", long] {
            assert_eq!(parse(text).unwrap().to_string(), long, "{text}");
        }
        for text in ["", "2b1", "2b1g", "éé"] {
            assert!(parse(text).is_err(), "{text}");
        }
    }

    #[test]
    fn endpoints_are_places_unless_they_are_said() {
        let ble = r#"{"name": "clamp", "notify": ["2b18", {"characteristic": "2aee", "endpoint": 7}],
                      "read": [{"characteristic": "2a6e", "every_ms": 500}]}"#;
        let plan = plan(ble, "{}").unwrap();
        assert_eq!(plan.notify, [(sig(0x2b18), 0), (sig(0x2aee), 7)]);
        assert_eq!(plan.read, [(sig(0x2a6e), 2, Duration::from_millis(500))]);
    }

    #[test]
    fn the_decoders_list_gives_the_endpoints_where_it_has_one() {
        let options = r#"{"characteristics": ["2b18", {"uuid": "2aee"}, "2a6e"]}"#;
        let some = r#"{"name": "clamp", "notify": ["2aee"],
                       "read": [{"characteristic": "2a6e", "every_ms": 500}]}"#;
        let plan_of_some = plan(some, options).unwrap();
        assert_eq!(plan_of_some.notify, [(sig(0x2aee), 1)]);
        assert_eq!(plan_of_some.read[0].1, 2);
        let all = plan(r#"{"name": "clamp"}"#, options).unwrap();
        assert_eq!(all.notify, [(sig(0x2b18), 0), (sig(0x2aee), 1), (sig(0x2a6e), 2)]);
        let other = plan(r#"{"name": "clamp", "notify": ["2b05"]}"#, options);
        assert!(other.unwrap_err().1.contains("not among the decoder's"));
    }
}
