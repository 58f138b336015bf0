//! How `scpi` asks, and what it makes of answers.

use super::DESCRIPTOR;
use crate::config::DecoderConfig;
use crate::conformance::{Case, Event, check};
use crate::decoder::{Command, Decoder, Input, Output};

fn config(options: serde_json::Value) -> DecoderConfig {
    let mut options = options;
    if options.get("queries").is_none() {
        options["queries"] = serde_json::json!([
            { "send": "MEAS:VOLT?", "every_ms": 1000, "fields": ["U"] },
            { "send": "MEAS:CURR?;FETC:TEMP?", "every_ms": 4000, "fields": ["I", "-"] },
        ]);
    }
    let fields = serde_json::json!({
        "U": { "quantity": "voltage_volt" },
        "I": { "quantity": "current_ampere", "unit": "mA", "sign": "discharging-positive" },
    });
    serde_json::from_value(serde_json::json!({ "options": options, "fields": fields })).unwrap()
}

/// Plays a script of `time_ms event` and gives what was said, one line each.
/// An empty `Sent` stands for what it asked to have sent.
struct Bench(Box<dyn Decoder>, Vec<u8>);

impl Bench {
    fn new(options: serde_json::Value) -> Self {
        Bench((DESCRIPTOR.build)(&config(options)).unwrap(), Vec::new())
    }

    fn at(&mut self, t_ms: i64, event: Event) -> Vec<String> {
        let event = if event == sent() { Event::Sent(self.1.clone()) } else { event };
        let mut out = Vec::new();
        self.0.handle(t_ms * 1000, event.input(), &mut out);
        for output in &out {
            if let Output::Send { bytes, .. } = output {
                self.1.clone_from(bytes);
            }
        }
        out.iter().map(said).collect()
    }

    fn receive(&mut self, t_ms: i64, text: &str) -> Vec<String> {
        self.at(t_ms, Event::Received(text.as_bytes().to_vec()))
    }
}

fn said(output: &Output) -> String {
    match output {
        Output::Sample(s) => format!("{} {:?} at {}", s.group.name, s.values, s.t_us / 1000),
        Output::Complaint(c) => format!("!{} {}", c.kind.word(), c.detail),
        Output::Identity { text, .. } => format!("identity {text}"),
        Output::Send { bytes, .. } => format!("send {:?}", String::from_utf8_lossy(bytes)),
        Output::Drain { quiet_us } => format!("drain {}", quiet_us / 1000),
        Output::Wake(at) => format!("wake {:?}", at.map(|t| t / 1000)),
        Output::CommandDone { .. } => "done".to_owned(),
    }
}

const OPENED: Event = Event::Opened { record: false };

fn sent() -> Event {
    Event::Sent(Vec::new())
}

#[test]
fn it_sets_up_identifies_and_asks_one_thing_at_a_time() {
    let mut bench = Bench::new(serde_json::json!({ "setup": ["SYST:REM"], "terminator": "\r\n" }));
    assert_eq!(bench.at(0, OPENED), ["drain 200", "wake Some(3000)"]);
    assert_eq!(bench.receive(10, "late\n"), [""; 0]);
    assert_eq!(bench.at(300, Event::Drained), ["send \"SYST:REM\\r\\n\"", "wake Some(1300)"]);
    assert_eq!(bench.at(310, sent()), ["send \"*IDN?\\r\\n\"", "wake Some(1310)"]);
    assert_eq!(bench.at(320, sent()), ["wake Some(1320)"]);
    let text = "MANUFACTURE,INSTR2013,0,01-02";
    assert_eq!(
        bench.receive(330, &format!("{text}\r\n")),
        [&format!("identity {text}"), "send \"MEAS:VOLT?\\r\\n\"", "wake Some(1330)"]
    );
    assert_eq!(
        bench.receive(350, "+1.326000E+01\r\n"),
        ["MEAS:VOLT? [13.26] at 350", "send \"MEAS:CURR?;FETC:TEMP?\\r\\n\"", "wake Some(1350)"]
    );
    assert_eq!(bench.receive(360, "+12100;25"), [""; 0]);
    assert_eq!(
        bench.receive(361, ".5\r\n"),
        ["MEAS:CURR?;FETC:TEMP? [-12.1] at 361", "wake Some(1000)"]
    );
    assert_eq!(bench.at(999, Event::Deadline), ["wake Some(1000)"]);
    assert_eq!(bench.at(1000, Event::Deadline)[0], "send \"MEAS:VOLT?\\r\\n\"");
}

#[test]
fn a_late_answer_is_never_taken_for_the_next() {
    let mut bench = Bench::new(serde_json::json!({ "identify": false }));
    bench.at(0, OPENED);
    bench.at(200, Event::Drained);
    assert_eq!(
        bench.at(1200, Event::Deadline),
        ["!no_answer no answer to `MEAS:VOLT?`", "drain 200", "wake Some(4200)"]
    );
    // It comes now, and the line is read until it is quiet.
    assert_eq!(bench.receive(1201, "13.2\n"), [""; 0]);
    let next = bench.at(1500, Event::Drained);
    assert_eq!(next[0], "send \"MEAS:CURR?;FETC:TEMP?\\n\"");
    assert_eq!(bench.receive(1510, "500;1\n")[0], "MEAS:CURR?;FETC:TEMP? [-0.5] at 1510");
}

#[test]
fn what_was_really_sent_says_what_is_answered() {
    let mut bench = Bench::new(serde_json::json!({ "identify": false }));
    bench.at(0, OPENED);
    // It would ask for the voltage, but the log says something else.
    bench.at(200, Event::Drained);
    bench.at(201, Event::Sent(b"MEAS:CURR?;FETC:TEMP?\n".to_vec()));
    assert_eq!(bench.receive(210, "500;1\n")[0], "MEAS:CURR?;FETC:TEMP? [-0.5] at 210");
    bench.at(300, Event::Sent(b"MEAS:POW?\n".to_vec()));
    assert_eq!(bench.receive(310, "13.2\n"), [""; 0], "nobody here asks for a power");
    bench.at(400, Event::Sent(b"MEAS:VOLT?\n".to_vec()));
    assert_eq!(bench.receive(410, "13.2\n")[0], "MEAS:VOLT? [13.2] at 410");
}

#[test]
fn a_line_nobody_asked_for_makes_it_drain_before_the_next_question() {
    let mut bench = Bench::new(serde_json::json!({ "identify": false }));
    bench.at(0, OPENED);
    bench.at(200, Event::Drained);
    assert_eq!(
        bench.receive(210, "13.2\n13.3\n"),
        [
            "MEAS:VOLT? [13.2] at 210",
            "!not_mine nobody asked for `13.3`",
            "drain 200",
            "wake Some(3210)"
        ]
    );
}

#[test]
fn overload_and_not_a_number_are_never_readings() {
    let queries = serde_json::json!([{ "send": "READ?", "fields": ["U", "I"] }]);
    for (answer, expected) in [
        ("9.9E37,1000", vec!["!implausible `U`: overload", "READ? [NaN, -1.0] at 210"]),
        ("1,-9.9E+37", vec!["!implausible `I`: overload", "READ? [1.0, NaN] at 210"]),
        ("+9.91000000E+37,9.90E37", vec!["!implausible `U`: no reading, and 1 more"]),
    ] {
        let mut bench = Bench::new(serde_json::json!({ "identify": false, "queries": queries }));
        bench.at(0, OPENED);
        bench.at(200, Event::Drained);
        let found = bench.receive(210, &format!("{answer}\n"));
        assert_eq!(found[..expected.len()], expected, "{answer}");
        // These are answers: there is nothing to drain.
        assert_eq!(found.last().unwrap(), "wake Some(1000)");
    }
}

#[test]
fn a_wrong_answer_is_followed_by_the_instruments_own_errors() {
    let mut bench = Bench::new(serde_json::json!({ "identify": false, "check_errors": true }));
    bench.at(0, OPENED);
    bench.at(200, Event::Drained);
    for wrong in ["13.26V", "", "1,2", "ERR"] {
        let said = bench.receive(210, &format!("{wrong}\n"));
        assert!(said[0].starts_with("!not_mine"), "{said:?}");
        assert_eq!(said[1], "drain 200");
        assert_eq!(bench.at(400, Event::Drained)[0], "send \"SYST:ERR?\\n\"");
        let said = bench.receive(410, "-113,\"Undefined header\"\n");
        assert!(said[0].starts_with("!instrument_error"), "{said:?}");
        assert_eq!(said[1], "send \"SYST:ERR?\\n\"");
        let said = bench.receive(420, "0,\"No error\"\n");
        assert!(said[0].starts_with("send \"MEAS") || said[0].starts_with("wake"), "{said:?}");
        bench.at(0, OPENED);
        bench.at(200, Event::Drained);
    }
}

#[test]
fn a_number_is_never_taken_for_an_identification() {
    let mut bench = Bench::new(serde_json::json!({}));
    bench.at(0, OPENED);
    bench.at(200, Event::Drained);
    let said = bench.receive(210, "13.26\n");
    assert!(said[0].starts_with("!not_mine"), "{said:?}");
    assert_eq!(said[1], "drain 200");
}

#[test]
fn a_line_that_never_falls_quiet_does_not_end_the_asking() {
    let mut bench = Bench::new(serde_json::json!({ "identify": false }));
    bench.at(0, OPENED);
    assert_eq!(bench.at(3000, Event::Deadline)[0], "send \"MEAS:VOLT?\\n\"");
    assert_eq!(bench.at(3001, Event::Closed), ["wake None"]);
    assert_eq!(bench.receive(3002, "1\n"), [""; 0]);
}

#[test]
fn a_wrong_configuration_names_its_key() {
    for (key, options) in [
        ("options", serde_json::json!({ "queries": null })),
        ("options.queries", serde_json::json!({ "queries": [] })),
        ("options.terminator", serde_json::json!({ "terminator": ";" })),
        ("options.timeout_ms", serde_json::json!({ "timeout_ms": 1 })),
        ("options.setup[0]", serde_json::json!({ "setup": ["MEAS:VOLT?"] })),
        (
            "options.queries[0].send",
            serde_json::json!({ "queries": [{ "send": "OUTP ON", "fields": ["U"] }] }),
        ),
        (
            "options.queries[0].fields[0]",
            serde_json::json!({ "queries": [{ "send": "READ?", "fields": ["X"] }] }),
        ),
        ("fields.I", serde_json::json!({ "queries": [{ "send": "READ?", "fields": ["U"] }] })),
        ("options.querys", serde_json::json!({ "querys": [] })),
    ] {
        let problem = (DESCRIPTOR.build)(&config(options)).err().unwrap();
        assert!(problem.key.starts_with(key), "{problem}");
    }
}

#[test]
fn conforms() {
    let mut recording = vec![(0, OPENED), (200_000, Event::Drained), (201_000, sent())];
    let answer = |t_ms: i64, text: &str| (t_ms * 1000, Event::Received(text.as_bytes().to_vec()));
    recording.push(answer(210, "MAKER,MODEL,0,1\r\n"));
    for second in 0..6 {
        let t_ms = second * 1000 + 220;
        recording.extend([(t_ms * 1000, Event::Deadline), (t_ms * 1000, sent())]);
        recording.push(answer(t_ms + 10, &format!("+13.{second}E0\r\n")));
        if second % 4 == 0 {
            recording.push(((t_ms + 11) * 1000, sent()));
            recording.push(answer(t_ms + 20, "12100;25\r\n"));
        }
    }
    check(&Case {
        descriptor: &DESCRIPTOR,
        config: config(serde_json::json!({})),
        recording,
        frame_end: b"\n",
        lost_at_most: 0,
        polled: true,
    });
}

#[test]
fn an_answer_that_outlasts_time_out_and_quiet_is_never_taken_for_another() {
    let mut bench = Bench::new(serde_json::json!({ "check_errors": false }));
    bench.at(0, OPENED);
    bench.at(200, Event::Drained);
    bench.at(200, sent());
    bench.receive(210, "MAKER,LOAD-60,1207,1.0\n");
    bench.at(210, sent());
    // The voltage is asked for and given up.
    assert_eq!(
        bench.at(1210, Event::Deadline),
        ["!no_answer no answer to `MEAS:VOLT?`", "drain 200", "wake Some(4210)"]
    );
    // Quiet, so the place in the order of answers is looked for.
    assert_eq!(bench.at(1410, Event::Drained), ["send \"*IDN?\\n\"", "wake Some(2410)"]);
    bench.at(1410, sent());
    // Only now the voltage comes: no name, so it is thrown away.
    let late = bench.receive(1900, "26.4\n");
    assert!(late.iter().any(|s| s == "drain 200"), "{late:?}");
    assert!(!late.iter().any(|s| s.starts_with("MEAS")), "{late:?}");
    assert_eq!(bench.at(2100, Event::Drained)[0], "send \"*IDN?\\n\"");
    bench.at(2100, sent());
    // The answer to the first `*IDN?` passes for that to the second; the
    // second's then stands where a current should be, and is no number.
    let found = bench.receive(2200, "MAKER,LOAD-60,1207,1.0\n");
    assert!(found.iter().any(|s| s.contains("MEAS")), "{found:?}");
    bench.at(2200, sent());
    let name = bench.receive(2300, "MAKER,LOAD-60,1207,1.0\n");
    assert!(name.iter().any(|s| s.starts_with("!not_mine")), "{name:?}");
    assert!(!name.iter().any(|s| s.starts_with("MEAS")), "{name:?}");
}

fn command(bench: &mut Bench, t_ms: i64, name: &str, line: &str) -> Vec<String> {
    let arguments = serde_json::json!({ "line": line });
    let command = Command { id: 7, name: name.to_owned(), arguments };
    let mut out = Vec::new();
    bench.0.handle(t_ms * 1000, Input::Command(&command), &mut out);
    out.iter().map(said).collect()
}

#[test]
fn a_command_goes_before_the_next_query_and_never_between_question_and_answer() {
    let mut bench = Bench::new(serde_json::json!({ "identify": false }));
    bench.at(0, Event::Opened { record: false });
    let asked = bench.at(200, Event::Drained);
    assert!(asked[0].starts_with("send \"MEAS:VOLT?"), "{asked:?}");
    bench.at(200, sent());
    assert_eq!(command(&mut bench, 210, "send", "INP OFF"), [""; 0], "an answer is awaited");
    let after = bench.receive(220, "13.2\n");
    assert!(after.iter().any(|s| s == "send \"INP OFF\\n\""), "{after:?}");
    let done = bench.at(221, sent());
    assert_eq!(done[0], "done");
    assert!(done[1].starts_with("send \"MEAS:CURR?"), "{done:?}");
}

#[test]
fn a_command_that_asks_or_that_is_unknown_is_refused() {
    let mut bench = Bench::new(serde_json::json!({ "identify": false }));
    assert_eq!(command(&mut bench, 0, "send", "INP OFF"), ["done"], "the line is closed");
    bench.at(0, Event::Opened { record: false });
    bench.at(200, Event::Drained);
    for (name, line) in [("send", "INP?"), ("send", "A\nB"), ("send", ""), ("reset", "*RST")] {
        assert_eq!(command(&mut bench, 210, name, line), ["done"], "{name} {line}");
    }
}

#[test]
fn a_command_that_was_not_sent_before_the_line_closed_is_told() {
    let mut bench = Bench::new(serde_json::json!({ "identify": false }));
    bench.at(0, Event::Opened { record: false });
    assert_eq!(command(&mut bench, 100, "send", "INP OFF"), [""; 0], "still draining");
    assert!(bench.at(150, Event::Closed).contains(&"done".to_owned()));
}
