//! What `text-lines` makes of lines.

use proptest::prelude::*;

use super::DESCRIPTOR;
use crate::config::DecoderConfig;
use crate::conformance::{Case, Event, check};
use crate::decoder::{ComplaintKind, Decoder, Input, Output};

fn config(options: serde_json::Value, fields: serde_json::Value) -> DecoderConfig {
    serde_json::from_value(serde_json::json!({ "options": options, "fields": fields })).unwrap()
}

fn build(options: serde_json::Value, fields: serde_json::Value) -> Box<dyn Decoder> {
    (DESCRIPTOR.build)(&config(options, fields)).unwrap()
}

fn plain() -> Box<dyn Decoder> {
    build(serde_json::json!({}), serde_json::json!({}))
}

/// What came of it, a line each: `name=value name=value` or `!kind`.
fn said(out: &[Output]) -> Vec<String> {
    out.iter()
        .map(|output| match output {
            Output::Sample(s) => {
                let each = s.group.channels.iter().zip(&s.values);
                let each: Vec<String> = each.map(|(c, v)| format!("{}={v}", c.name)).collect();
                each.join(" ")
            }
            Output::Complaint(c) => format!("!{}", c.kind.word()),
            other => format!("{other:?}"),
        })
        .collect()
}

fn play(decoder: &mut dyn Decoder, text: &str) -> Vec<String> {
    let mut out = Vec::new();
    decoder.handle(0, Input::Opened { record: true }, &mut out);
    decoder.handle(0, Input::Received { endpoint: 0, bytes: text.as_bytes() }, &mut out);
    said(&out)
}

#[test]
fn a_heading_line_says_what_the_columns_are() {
    assert_eq!(
        play(plain().as_mut(), "\u{feff}U [V],I [mA],note\n13.25,-12100,\"a, b\"\n# c\n13.2,,x\n"),
        ["voltage_volt=13.25 current_ampere=-12.1", "voltage_volt=13.2 current_ampere=NaN"]
    );
}

#[test]
fn a_heading_that_changes_in_mid_stream_makes_another_group() {
    assert_eq!(
        play(plain().as_mut(), "U,I\n1,2\nI;U;temperature_C\n3;4;5\nU,I\n1,2\n"),
        [
            "voltage_volt=1 current_ampere=2",
            "current_ampere=3 voltage_volt=4 temperature_t1_celsius=5",
            "voltage_volt=1 current_ampere=2"
        ]
    );
}

#[test]
fn a_row_of_units_counts_until_the_heading_changes() {
    assert_eq!(
        play(plain().as_mut(), "U;I\nV;mA\n1;2000\n;\nU;I\n1;3000\nI;U\n1;2\n"),
        [
            "voltage_volt=1 current_ampere=2",
            "!implausible",
            "voltage_volt=1 current_ampere=3",
            "current_ampere=1 voltage_volt=2"
        ]
    );
}

#[test]
fn decimal_commas_are_read_where_configured_and_never_guessed() {
    let mut comma = build(serde_json::json!({ "decimal": "comma" }), serde_json::json!({}));
    assert_eq!(
        play(comma.as_mut(), "U;I\n13,25 V;-12,1\n13.25;1\nU=13,5V I=-1,5A\n"),
        [
            "voltage_volt=13.25 current_ampere=-12.1",
            "!implausible",
            "voltage_volt=NaN current_ampere=1",
            "voltage_volt=13.5 current_ampere=-1.5"
        ]
    );
    assert_eq!(play(plain().as_mut(), "U;I\n13,25;x\n"), ["!implausible"]);
}

#[test]
fn pairs_carry_their_names_and_units() {
    assert_eq!(
        play(plain().as_mut(), "V=13.2V I=-950mA\nVoltage: 13.2 V, Current: -1.5 A\nhello\nx=1\n"),
        [
            "voltage_volt=13.2 current_ampere=-0.95",
            "voltage_volt=13.2 current_ampere=-1.5",
            "!not_mine",
            "!implausible"
        ]
    );
}

#[test]
fn fixed_columns_are_named_by_number_and_count_their_cells() {
    let fields = serde_json::json!({
        "1": { "quantity": "voltage_volt" },
        "3": { "quantity": "current_ampere", "sign": "discharging-positive", "unit": "mA" },
    });
    let mut decoder = build(serde_json::json!({}), fields);
    assert_eq!(
        play(decoder.as_mut(), "13.2 ok 500\n13.2 ok\n13.1 ok 600\n1 2\n3 4\n"),
        [
            "voltage_volt=13.2 current_ampere=-0.5",
            "!incomplete",
            "voltage_volt=13.1 current_ampere=-0.6",
            "!incomplete",
            "voltage_volt=3 current_ampere=NaN"
        ]
    );
}

#[test]
fn a_half_line_is_no_reading() {
    let fields = serde_json::json!({ "1": { "quantity": "voltage_volt" } });
    let mut decoder = build(serde_json::json!({}), fields);
    let mut out = Vec::new();
    for (input, expected) in [
        (Input::Opened { record: false }, vec![]),
        (Input::Received { endpoint: 0, bytes: b"3.2\n13." }, vec!["!incomplete"]),
        (Input::Received { endpoint: 0, bytes: b"2\n13." }, vec!["voltage_volt=13.2"]),
        (Input::Closed, vec!["!incomplete"]),
        (Input::Opened { record: false }, vec![]),
        (Input::Received { endpoint: 0, bytes: b"\n13.3\n" }, vec!["voltage_volt=13.3"]),
    ] {
        decoder.handle(0, input, &mut out);
        assert_eq!(said(&out), expected);
        out.clear();
    }
    // A row that is cut lacks cells; one that ends with the delimiter does not.
    let text = "time,U,I\n1,13.2\n1,13.2,\n1,13.2,2,\n1,13.2,2,3\n";
    let kept: Vec<_> = play(plain().as_mut(), text);
    assert_eq!(
        kept,
        [
            "!incomplete",
            "voltage_volt=13.2 current_ampere=NaN",
            "voltage_volt=13.2 current_ampere=2",
            "!incomplete"
        ]
    );
}

#[test]
fn a_heading_outlives_a_pulled_cable_but_not_the_end_of_a_file() {
    let mut decoder = plain();
    play(decoder.as_mut(), "U,I\n1,2\n");
    let mut out = Vec::new();
    decoder.handle(0, Input::Closed, &mut out);
    decoder.handle(0, Input::Opened { record: false }, &mut out);
    decoder.handle(0, Input::Received { endpoint: 0, bytes: b"9\n3,4\n" }, &mut out);
    assert_eq!(said(&out), ["!incomplete", "voltage_volt=3 current_ampere=4"]);
    assert_eq!(play(decoder.as_mut(), "1,2\n"), ["!not_mine"]);
}

#[test]
fn infinite_and_overloaded_are_no_readings_and_missing_is_no_complaint() {
    assert_eq!(
        play(plain().as_mut(), "U,I\n13.2,inf\nOVLD,1\nnan,1\n-,--\n1e999,1\n"),
        [
            "!implausible",
            "voltage_volt=13.2 current_ampere=NaN",
            "!implausible",
            "voltage_volt=NaN current_ampere=1",
            "voltage_volt=NaN current_ampere=1",
            "!implausible",
            "!implausible",
            "voltage_volt=NaN current_ampere=1"
        ]
    );
}

#[test]
fn a_heading_that_contradicts_the_configuration_is_refused_in_words() {
    let mut decoder =
        build(serde_json::json!({}), serde_json::json!({ "x": { "quantity": "voltage_volt" } }));
    let mut out = Vec::new();
    decoder.handle(0, Input::Received { endpoint: 0, bytes: b"x [mA];I\n1;2\n" }, &mut out);
    assert_eq!(said(&out), ["!implausible", "current_ampere=2"]);
    let Output::Complaint(complaint) = &out[0] else { panic!("{out:?}") };
    assert!(complaint.detail.contains("`mA` is no unit of voltage_volt"), "{}", complaint.detail);
}

#[test]
fn an_over_long_line_is_skipped_and_counted_once() {
    let mut decoder = plain();
    play(decoder.as_mut(), "U,I\n");
    let long = [b'9'; 10_000];
    let mut out = Vec::new();
    for _ in 0..1000 {
        decoder.handle(0, Input::Received { endpoint: 0, bytes: &long }, &mut out);
    }
    decoder.handle(0, Input::Received { endpoint: 0, bytes: b"\n1,2\n" }, &mut out);
    let Output::Complaint(complaint) = &out[0] else { panic!("{out:?}") };
    assert_eq!((complaint.kind, complaint.bytes_skipped), (ComplaintKind::Incomplete, 10_000_000));
    assert_eq!(said(&out[1..]), ["voltage_volt=1 current_ampere=2"]);
}

fn times(options: serde_json::Value, record: bool, text: &str) -> Vec<(i64, Option<i64>)> {
    let mut decoder = build(options, serde_json::json!({}));
    let mut out = Vec::new();
    decoder.handle(5, Input::Opened { record }, &mut out);
    for line in text.split_inclusive('\n') {
        decoder.handle(9, Input::Received { endpoint: 0, bytes: line.as_bytes() }, &mut out);
    }
    let time = |o: &Output| match o {
        Output::Sample(s) => Some((s.t_us, s.instrument_t_us)),
        _ => None,
    };
    out.iter().filter_map(time).collect()
}

#[test]
fn the_time_column_is_kept_beside_or_is_the_axis() {
    let text = "\ntime_ms,U\n1000,1\n3000,2\n";
    let beside = vec![(9, Some(1_000_000)), (9, Some(3_000_000))];
    let axis = vec![(9, Some(1_000_000)), (2_000_009, Some(3_000_000))];
    assert_eq!(times(serde_json::json!({}), false, text), beside);
    assert_eq!(times(serde_json::json!({}), true, text), axis);
    assert_eq!(times(serde_json::json!({ "time": { "as": "beside" } }), true, text), beside);
    let named = serde_json::json!({ "time": { "column": "t", "unit": "ms" } });
    assert_eq!(times(named, true, "t,U\n1000,1\n3000,2\n"), axis);
    assert_eq!(times(serde_json::json!({}), true, "time_ms=1000 U=1\ntime_ms=3000 U=2\n"), axis);
    let dates = "Date,U\n2025-11-25 10:00:00,1\n2025-11-25T10:00:02+00:00,2\n";
    let dates = times(serde_json::json!({}), true, dates);
    assert_eq!((dates[0].0, dates[1].0), (9, 2_000_009));
}

#[test]
fn an_unknown_option_names_its_key_and_the_nearest() {
    let wrong = config(serde_json::json!({ "delimeter": "tab" }), serde_json::json!({}));
    let problem = (DESCRIPTOR.build)(&wrong).err().unwrap();
    assert_eq!(problem.key, "options.delimeter");
    assert!(problem.what.contains("did you mean `delimiter`"), "{}", problem.what);
}

/// A board in its own thread of lines, every dress in turn.
fn recording(record: bool, lines: &[&str]) -> Vec<(i64, Event)> {
    let mut events = vec![(0, Event::Opened { record })];
    for (i, line) in lines.iter().enumerate() {
        let bytes = format!("{line}\r\n").into_bytes();
        events.push(((i as i64 + 1) * 1_000_000, Event::Received(bytes)));
    }
    events.push((60_000_000, Event::Closed));
    events
}

#[test]
fn conforms() {
    let fixed = serde_json::json!({ "1": { "quantity": "voltage_volt" },
        "2": { "quantity": "current_ampere" } });
    let rows = ["1.5\t-2", "2.5\t-3", "3.5\t-4", "4.5\tnan", "5.5\t-6"];
    let pairs = ["V=1V I=2A", "V=2V I=3A", "V=3V I=4A T=5", "V=9V"];
    let headed = ["time_s;U [V];I [mA]", "0;1;2", "1;3;4", "# c", "2;5;6", "U,I", "7,8"];
    for (record, fields, lines, lost_at_most) in [
        (false, fixed.clone(), &rows[..], 1),
        (true, fixed, &rows[..], 1),
        (false, serde_json::json!({}), &pairs[..], 0),
        (true, serde_json::json!({}), &headed[..], 0),
        (false, serde_json::json!({}), &headed[..], 0),
    ] {
        check(&Case {
            descriptor: &DESCRIPTOR,
            config: config(serde_json::json!({}), fields),
            recording: recording(record, lines),
            frame_end: b"\n",
            lost_at_most,
            polled: false,
        });
    }
}

proptest! {
    #[test]
    fn rows_of_short_numbers_come_to_the_same_as_those_read_with_care(
        rows in prop::collection::vec(
            prop::collection::vec("-?[0-9]{1,9}([.][0-9]{0,9})?|[0-9]{16,18}|-|[a-z]?", 2..5), 1..6),
        semicolon in any::<bool>(),
    ) {
        let mark = if semicolon { ";" } else { "," };
        let heading = ["time_s", "U [mV]", "I"].join(mark);
        // A blank at the end of a cell changes nothing but how it is read.
        let text = |between: &str| {
            let lines: Vec<String> = rows.iter().map(|cells| cells.join(between)).collect();
            format!("{heading}\n{}\n", lines.join("\n"))
        };
        let (quick, careful) = (text(mark), text(&format!(" {mark}")));
        prop_assert_eq!(play(plain().as_mut(), &quick), play(plain().as_mut(), &careful));
    }

    #[test]
    fn written_values_read_back_bit_for_bit(volts in -1e6f64..1e6, amps in -1e6f64..1e6) {
        let out = play(plain().as_mut(), &format!("U,I\n{volts},{amps}\n"));
        prop_assert_eq!(out, [format!("voltage_volt={volts} current_ampere={amps}")]);
    }
}
