//! Readouts that are pushed and readouts that are asked for.

use proptest::prelude::*;
use serde_json::json;

use super::DESCRIPTOR;
use super::readout::{Framer, Piece, block_check, data_sets};
use crate::config::DecoderConfig;
use crate::conformance::{Case, Event, check};
use crate::decoder::{Decoder, Output};
use crate::vectors::{self, Vector};

fn config(options: serde_json::Value) -> DecoderConfig {
    let fields = json!({
        "32.7.0": { "quantity": "voltage_volt", "instrument": "mains" },
        "31.7.0": { "quantity": "current_ampere", "instrument": "mains" },
        "1.8.0": { "quantity": "energy_counter_wh", "instrument": "mains" },
    });
    serde_json::from_value(json!({ "options": options, "fields": fields })).unwrap()
}

struct Bench(Box<dyn Decoder>);

impl Bench {
    fn new(options: serde_json::Value) -> Self {
        Bench((DESCRIPTOR.build)(&config(options)).unwrap())
    }

    fn at(&mut self, t_ms: i64, event: Event) -> Vec<String> {
        let mut out = Vec::new();
        self.0.handle(t_ms * 1000, event.input(), &mut out);
        out.iter().map(said).collect()
    }

    fn receive(&mut self, t_ms: i64, text: &str) -> Vec<String> {
        self.at(t_ms, Event::Received(text.as_bytes().to_vec()))
    }
}

fn said(output: &Output) -> String {
    match output {
        // In the order of the codes: energy, current, voltage.
        Output::Sample(s) => format!("{:?} at {}", s.values, s.t_us / 1000),
        Output::Complaint(c) => format!("!{} {}", c.kind.word(), c.detail),
        Output::Identity { text, .. } => format!("identity {text}"),
        Output::Send { bytes, .. } => format!("send {:?}", String::from_utf8_lossy(bytes)),
        Output::Wake(at) => format!("wake {:?}", at.map(|t| t / 1000)),
        other => format!("{other:?}"),
    }
}

const OPENED: Event = Event::Opened { record: false };
const DATA: &str =
    "0.0.0(12345678)\r\n1.8.0(0001234.567*kWh)\r\n32.7.0(229.8*V)31.7.0(5.000*A)\r\n";

fn pushed() -> String {
    format!("/ABC3BENCH01\r\n\r\n{DATA}!\r\n")
}

fn checked(data: &str) -> String {
    let block = format!("{data}!\r\n\x03");
    format!("\x02{block}{}", char::from(block_check(block.as_bytes())))
}

#[test]
fn a_pushed_readout_is_one_sample_and_the_meter_is_named_once() {
    let mut bench = Bench::new(json!({}));
    assert_eq!(bench.at(0, OPENED), [""; 0]);
    let sample = "[1234567.0, 5.0, 229.8] at 40";
    assert_eq!(bench.receive(40, &pushed()), ["identity ABC3BENCH01", sample]);
    assert_eq!(bench.receive(40, &pushed()), [sample]);
}

#[test]
fn a_readout_joined_half_way_is_not_read() {
    let mut bench = Bench::new(json!({}));
    bench.at(0, OPENED);
    assert_eq!(bench.receive(1, "7.0(13.2*V)\r\n!\r\n"), [""; 0]);
    let said = bench.receive(2, &pushed());
    assert_eq!(said[0], "!not_mine 12 bytes outside a readout");
    assert_eq!(said.len(), 3, "{said:?}");
}

#[test]
fn a_meter_that_is_asked_is_asked_on_the_beat_and_acknowledged_once() {
    let options = json!({ "request": "/?!\r\n", "every_ms": 10_000, "acknowledge": true });
    let mut bench = Bench::new(options);
    assert_eq!(bench.at(0, OPENED), ["send \"/?!\\r\\n\"", "wake Some(3000)"]);
    assert_eq!(bench.at(10, Event::Sent(Vec::new())), ["wake Some(3010)"]);
    // An optical head sends back what we send.
    assert_eq!(bench.receive(20, "/?!\r\n"), ["wake Some(3020)"]);
    let said = bench.receive(30, "/ABC0BENCH01\r\n");
    assert_eq!(said, ["identity ABC0BENCH01", "send \"\\u{6}000\\r\\n\"", "wake Some(3030)"]);
    assert_eq!(bench.receive(40, "\x06000\r\n"), ["wake Some(3040)"]);
    let said = bench.receive(2000, &checked(DATA));
    assert_eq!(said, ["[1234567.0, 5.0, 229.8] at 2000", "wake Some(10000)"]);
    assert_eq!(bench.at(9_999, Event::Deadline), ["wake Some(10000)"]);
    assert_eq!(bench.at(10_000, Event::Deadline)[0], "send \"/?!\\r\\n\"");
    assert_eq!(
        bench.at(13_000, Event::Deadline),
        ["!no_answer no readout came after the request", "wake Some(20000)"]
    );
}

#[test]
fn a_readout_that_breaks_off_is_given_up_and_the_next_is_asked_for() {
    let mut bench = Bench::new(json!({ "request": "/?!\r\n", "every_ms": 10_000 }));
    bench.at(0, OPENED);
    bench.receive(100, "\x021.8.0(0001234.567*kW");
    assert_eq!(
        bench.at(3100, Event::Deadline),
        ["!incomplete a readout without its end", "wake Some(10000)"]
    );
    // What is left of it arrives after all: it is no readout.
    assert_eq!(bench.receive(3200, "h)\r\n!\r\n\x03S"), [""; 0]);
}

#[test]
fn a_wrong_block_check_costs_the_readout() {
    let mut bench = Bench::new(json!({}));
    bench.at(0, OPENED);
    let wrong = checked(DATA).replace("229.8", "228.8");
    let said = bench.receive(1, &wrong);
    assert!(said[0].starts_with("!bad_check block check mismatch"), "{said:?}");
    assert_eq!(said.len(), 1);
    assert_eq!(bench.receive(2, &checked(DATA)), ["[1234567.0, 5.0, 229.8] at 2"]);
}

#[test]
fn what_is_missing_empty_or_no_number_never_becomes_one() {
    let mut bench = Bench::new(json!({}));
    bench.at(0, OPENED);
    assert_eq!(bench.receive(1, &checked("32.7.0()\r\n31.7.0(5*A)\r\n")), ["[NaN, 5.0, NaN] at 1"]);
    let said = bench.receive(2, &checked("32.7.0(---)\r\n31.7.0(5*A)\r\n"));
    assert_eq!(said, ["!implausible `32.7.0`: `---` is no number", "[NaN, 5.0, NaN] at 2"]);
    let said = bench.receive(3, &checked("32.7.0(5*A)\r\n31.7.0(5*A)\r\n"));
    assert!(said[0].contains("`32.7.0`: `A` is no unit of voltage_volt"), "{said:?}");
    let said = bench.receive(4, &checked("1.8.1(5*kWh)\r\n"));
    assert_eq!(said, ["!implausible no usable value: `1.8.0`: not in the readout"]);
    let said = bench.receive(5, &checked("31.7.0(5*A)31.7.0(6*A)\r\nrubbish\r\n"));
    let what = "!implausible `31.7.0` comes twice, and 1 more";
    assert_eq!(said, [what, "[NaN, 5.0, NaN] at 5"]);
}

#[test]
fn two_readouts_run_together_give_no_sample() {
    let mut bench = Bench::new(json!({}));
    bench.at(0, OPENED);
    let (first, second) = (pushed(), pushed());
    for cut in [35, 60, 80] {
        let said = bench.receive(1, &format!("{}{second}", &first[..cut]));
        assert!(!said.iter().any(|line| line.starts_with('[')), "{cut}: {said:?}");
        assert!(said.last().unwrap().starts_with("!implausible a readout is damaged"), "{said:?}");
    }
}

#[test]
fn further_values_of_a_code_are_left_out() {
    let sets = data_sets("1.6.1(00.512*kW)(2510151215) 1.8.0*01(7)").unwrap();
    let found: Vec<_> = sets.iter().map(|set| (set.code, set.value, set.unit)).collect();
    let expected =
        [("1.6.1", "00.512", Some("kW")), ("", "2510151215", None), ("1.8.0*01", "7", None)];
    assert_eq!(found, expected);
    for line in ["1.8.0", "1.8.0(7", "1.8.0(7)x", "1.8.0((7)", "1)8(0)"] {
        assert!(data_sets(line).is_err(), "{line}");
    }
}

/// IEC 62056-21:2002, data message; the sources are in the vectors.
#[test]
fn every_vector_comes_out_as_its_source_says() {
    let vectors = vectors::of("iec62056-21", "iec62056-21");
    assert_eq!(vectors.len(), 7);
    for vector in vectors {
        match (&vector.expected["values"], vector.expected.get("error")) {
            (values, None) if values.get("address").is_some() => data_set(&vector),
            (values, None) if values.get("bcc").is_some() => {
                // SOH and ETX frame this one.
                assert_eq!(block_check(&vector.input()[1..]), 0x60, "{}", vector.case);
            }
            _ => message(&vector),
        }
    }
}

fn data_set(vector: &Vector) {
    let sets = data_sets(vector.input_text()).unwrap();
    let [set] = &sets[..] else { panic!("{sets:?}") };
    assert_eq!(vector.value("address"), set.code, "{}", vector.case);
    assert_eq!(vector.value("value"), set.value, "{}", vector.case);
    assert_eq!(vector.value("unit"), json!(set.unit), "{}", vector.case);
}

fn message(vector: &Vector) {
    let bytes = match vector.has_hex() {
        true => vector.input(),
        false => vector.input_text().as_bytes().to_vec(),
    };
    let (mut framer, mut found) = (Framer::default(), Vec::new());
    let mut keep = |piece: Piece<'_>| match piece {
        Piece::Readout { lines, .. } => {
            for set in String::from_utf8_lossy(lines).lines().flat_map(|l| data_sets(l).unwrap()) {
                let expected = &vector.expected["values"][set.code];
                match &expected["value"] {
                    serde_json::Value::String(text) => assert_eq!(text, set.value),
                    number => assert_eq!(number.as_f64(), set.value.parse().ok()),
                }
                assert_eq!(expected["unit"], json!(set.unit), "{}", vector.case);
            }
            found.push("ok".to_owned());
        }
        Piece::BadCheck { got, computed, .. } => {
            found.push(format!("block check mismatch: got 0x{got:02x}, computed 0x{computed:02x}"));
        }
        Piece::Incomplete(_) => found.push("incomplete: no ETX".to_owned()),
        Piece::Identification(_) => {}
        Piece::Outside(bytes) => panic!("{bytes} bytes outside"),
    };
    framer.push(&bytes, &mut keep);
    framer.give_up(&mut keep);
    let expected = if vector.is_ok() { "ok".to_owned() } else { vector.error() };
    assert_eq!(found, [expected], "{}", vector.case);
}

#[test]
fn a_wrong_configuration_names_its_key() {
    for (key, options) in [
        ("options.request", json!({ "request": "" })),
        ("options.every_ms", json!({ "every_ms": 1000 })),
        ("options.every_ms", json!({ "request": "/?!\r\n", "every_ms": 10 })),
        ("options.acknowledge", json!({ "acknowledge": true })),
        ("options.timeout_ms", json!({ "timeout_ms": 1 })),
        ("options", json!({ "baud": 9600 })),
    ] {
        let problem = (DESCRIPTOR.build)(&config(options)).err().unwrap();
        assert!(problem.key.starts_with(key), "{problem}");
    }
    let problem = (DESCRIPTOR.build)(&DecoderConfig::default()).err().unwrap();
    assert_eq!(problem.key, "fields");
}

#[test]
fn conforms_when_it_is_pushed_to() {
    let mut recording = vec![(0, OPENED)];
    for i in 0..6 {
        let data = DATA.replace("229.8", &format!("229.{i}"));
        let text = match i % 2 {
            0 => format!("/ABC3BENCH01\r\n\r\n{data}!\r\n"),
            _ => format!("/ABC3BENCH01\r\n{}\r\n", checked(&data)),
        };
        recording.push((i * 1_000_000, Event::Received(text.into_bytes())));
    }
    check(&Case {
        descriptor: &DESCRIPTOR,
        config: config(json!({})),
        recording,
        frame_end: b"\r\n",
        lost_at_most: 0,
        polled: false,
    });
}

#[test]
fn conforms_when_it_asks() {
    let mut recording = vec![(0, OPENED)];
    for i in 0..6 {
        let t_us = i * 10_000_000;
        recording.extend([(t_us, Event::Deadline), (t_us + 1000, Event::Sent(Vec::new()))]);
        let data = DATA.replace("229.8", &format!("229.{i}"));
        let text = format!("/ABC0BENCH01\r\n{}", checked(&data));
        recording.push((t_us + 500_000, Event::Received(text.into_bytes())));
    }
    let options = json!({ "request": "/?!\r\n", "every_ms": 10_000, "acknowledge": true });
    check(&Case {
        descriptor: &DESCRIPTOR,
        config: config(options),
        recording,
        frame_end: b"\r\n",
        lost_at_most: 0,
        polled: true,
    });
}

proptest! {
    #[test]
    fn every_readout_reads_back(
        volts in 0u32..1_000_000,
        zeros in 0usize..6,
        cuts in proptest::collection::vec(0usize..60, 0..4),
    ) {
        let written = format!("{}{}.{:03}", "0".repeat(zeros), volts / 1000, volts % 1000);
        let bytes = checked(&format!("32.7.0({written}*V)\r\n")).into_bytes();
        let mut cuts: Vec<usize> = cuts.iter().map(|cut| (*cut).min(bytes.len())).collect();
        cuts.extend([0, bytes.len()]);
        cuts.sort_unstable();
        let mut bench = Bench::new(json!({}));
        bench.at(0, OPENED);
        let pieces = cuts.windows(2).map(|w| bytes[w[0]..w[1]].to_vec());
        let said: Vec<String> = pieces.flat_map(|piece| bench.at(1, Event::Received(piece))).collect();
        let value: f64 = written.parse().unwrap();
        prop_assert_eq!(said, [format!("[NaN, NaN, {value:?}] at 1")]);
    }

    #[test]
    fn no_line_breaks_it(line in "\\PC{0,40}") {
        if let Ok(sets) = data_sets(&line) {
            prop_assert!(sets.len() <= line.len());
        }
    }
}
