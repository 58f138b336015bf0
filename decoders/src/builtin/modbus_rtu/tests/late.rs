//! What comes late, damaged or from another: never the next reading.

use serde_json::json;

use super::{Bench, SHUNT, framed, is_sample, one_block};
use crate::conformance::Event;

/// Five registers: 13.26 V, 3 (0.3 A drawn), 25.3 °C and 42 W.
const FIVE: [u8; 13] = [1, 3, 10, 0x41, 0x54, 0x28, 0xF6, 0, 3, 0, 253, 0, 42];

#[test]
fn an_answer_after_the_time_out_is_drained() {
    let mut bench = Bench::asking(json!({ "units": one_block() }));
    let said = bench.at(2000, Event::Deadline);
    let what = "!no_answer no answer of unit 1 to 5 registers from 0 (function 3)";
    assert_eq!(said, [what, "drain 1000", "wake Some(13000)"]);
    assert_eq!(bench.receive(2200, &FIVE), [""; 0]);
    // Then a read that no late answer fits, before anything else.
    assert_eq!(bench.at(3200, Event::Drained)[0], "send [01, 03, 00, 00, 00, 02]");
    let said = bench.receive(3210, &[1, 3, 4, 0x41, 0x54, 0x28, 0xF6]);
    assert_eq!(said, ["drain 5", "wake Some(4260)"]);
    // One answer is owed, so one more has to be answered.
    assert_eq!(bench.at(3215, Event::Drained)[0], "send [01, 03, 00, 00, 00, 03]");
    bench.receive(3220, &[1, 3, 6, 0x41, 0x54, 0x28, 0xF6, 0, 3]);
    assert_eq!(bench.at(3225, Event::Drained)[0], "send [01, 03, 00, 00, 00, 05]");
    assert!(bench.receive(3230, &FIVE)[0].contains("13.26"));
}

#[test]
fn an_answer_that_outlasts_time_out_and_quiet_is_never_taken_for_another() {
    let mut bench = Bench::asking(json!({ "units": one_block() }));
    assert!(bench.at(2000, Event::Deadline)[0].starts_with("!no_answer"));
    // Quiet for a second; the probe has two registers, the late answer five.
    assert_eq!(bench.at(3000, Event::Drained)[0], "send [01, 03, 00, 00, 00, 02]");
    let late = bench.receive(3500, &FIVE);
    assert!(late[0].starts_with("!not_mine the answer of unit 1 is not one to 2 reg"), "{late:?}");
    assert!(late[0].ends_with("it may be a late one") && late[1] == "drain 1000", "{late:?}");
    // The next probe is another one, so that the answer to the first is none.
    assert_eq!(bench.at(5500, Event::Drained)[0], "send [01, 03, 00, 00, 00, 03]");
    let said = bench.receive(5510, &[1, 3, 4, 0, 0, 0, 0]);
    assert!(said[0].starts_with("!not_mine"), "{said:?}");
}

#[test]
fn each_block_of_a_unit_has_probes_of_another_length() {
    let reads = |units: serde_json::Value| {
        let mut bench = Bench::asking(json!({ "units": units, "max_gap": 0, "retries": 0 }));
        let mut probes = Vec::new();
        let mut now_ms = 1000;
        for _ in 0..12 {
            now_ms += 1000;
            bench.at(now_ms, Event::Deadline);
            now_ms += 1000;
            probes.push(bench.at(now_ms, Event::Drained)[0].clone());
        }
        probes
    };
    // One register is all there is: the probes go beyond it.
    let one = reads(json!([{ "address": 1, "registers": [
        { "field": "U", "address": 9 }, { "field": "I", "address": 19, "every_ms": 86_400_000 },
        { "field": "T", "address": 29, "function": 4, "every_ms": 86_400_000 },
        { "field": "P", "address": 39, "type": "f32", "every_ms": 86_400_000 },
    ]}]));
    // Function 3 has reads of one and of two registers.
    assert_eq!(one[0], "send [01, 03, 00, 09, 00, 03]");
    assert_eq!(one[1], "send [01, 03, 00, 09, 00, 04]");
    // After two probes in vain the registers are asked for again.
    assert!(one[2].ends_with("00, 01]"), "{one:?}");
    let last = reads(json!([{ "address": 1, "registers": [
        { "field": "U", "address": 65535 }, { "field": "I", "address": 1 },
        { "field": "T", "address": 11 }, { "field": "P", "address": 21 },
    ]}]));
    assert!(last[0].contains("send [01, 03, 00, 01, 00, 02]"), "{last:?}");
}

#[test]
fn a_unit_that_knows_no_probe_is_asked_again_all_the_same() {
    let mut bench = Bench::asking(json!({ "units": one_block() }));
    bench.at(2000, Event::Deadline);
    for t_ms in [3000, 5000] {
        assert!(bench.at(t_ms, Event::Drained)[0].starts_with("send"));
        assert!(bench.at(t_ms + 1000, Event::Deadline)[0].starts_with("!no_answer"));
    }
    assert_eq!(bench.at(7000, Event::Drained)[0], "send [01, 03, 00, 00, 00, 05]");
    assert!(bench.receive(7010, &FIVE)[0].contains("13.26"));
    // And one that refuses it has answered.
    let mut bench = Bench::asking(json!({ "units": one_block() }));
    bench.at(2000, Event::Deadline);
    bench.at(3000, Event::Drained);
    assert_eq!(bench.receive(3010, &[1, 0x83, 2]), ["drain 5", "wake Some(4060)"]);
}

#[test]
fn another_units_late_answer_is_passed_over() {
    // MODBUS over Serial Line V1.02, 2.4.1: the time-out keeps running.
    let mut bench = Bench::asking(json!({}));
    let mut bytes = framed(vec![17, 3, 2, 0, 42]);
    bytes.extend(framed(SHUNT.to_vec()));
    for (at, byte) in bytes.iter().enumerate() {
        let said = bench.at(1010, Event::Received(vec![*byte]));
        match at {
            6 => assert_eq!(said, ["!not_mine 7 bytes of unit 17, which was not asked"]),
            17 => assert!(is_sample(&said), "{said:?}"),
            _ => assert_eq!(said, [""; 0], "at byte {at}"),
        }
    }
}

#[test]
fn an_answer_of_another_function_length_or_check_is_none() {
    let damaged = {
        let mut frame = framed(SHUNT.to_vec());
        frame[4] ^= 0x10;
        frame
    };
    let mut too_many = vec![1, 4, 8];
    too_many.extend([0; 8]);
    for (bytes, why) in [
        (framed(vec![1, 3, 6, 0x41, 0x54, 0x28, 0xF6, 0, 30]), "!not_mine"),
        (framed(vec![1, 4, 2, 0, 30]), "!not_mine"),
        (framed(too_many), "!not_mine"),
        (framed(vec![1, 6, 0, 1, 0, 3]), "!not_mine"),
        (framed(vec![1, 0x83, 2]), "!not_mine"),
        (damaged, "!bad_check"),
    ] {
        let mut bench = Bench::asking(json!({}));
        let said = bench.at(1010, Event::Received(bytes.clone()));
        assert!(said[0].starts_with(why), "{bytes:02x?}: {said:?}");
        assert_eq!(said[1], "drain 1000", "{bytes:02x?}");
    }
}

#[test]
fn half_an_answer_is_told_and_its_other_half_is_not_read() {
    let mut bench = Bench::asking(json!({}));
    let frame = framed(SHUNT.to_vec());
    assert_eq!(bench.at(1010, Event::Received(frame[..6].to_vec())), [""; 0]);
    let said = bench.at(2000, Event::Deadline);
    assert!(said[0].starts_with("!incomplete 6 bytes and no more"), "{said:?}");
    assert_eq!(bench.at(2010, Event::Received(frame[6..].to_vec())), [""; 0]);
}

#[test]
fn bytes_that_nobody_asked_for_are_told_and_drained() {
    let mut bench = Bench::asking(json!({ "units": one_block() }));
    let mut bytes = framed(FIVE.to_vec());
    bytes.push(0x99);
    let said = bench.at(1010, Event::Received(bytes));
    assert!(said[0].contains("13.26"), "{said:?}");
    assert_eq!(said[1..3], ["!not_mine 1 bytes behind an answer", "drain 1000"]);
    let mut bench = Bench::asking(json!({ "units": one_block() }));
    bench.receive(1010, &FIVE);
    bench.at(1015, Event::Drained);
    bench.receive(1020, &FIVE);
    let said = bench.receive(1500, &FIVE);
    assert_eq!(said[..2], ["!not_mine 15 bytes that nobody asked for", "drain 1000"]);
}

#[test]
fn a_failed_read_is_tried_again_and_an_absent_unit_does_not_hold_up_the_others() {
    let mut bench = Bench::open(json!({ "retries": 1 }));
    let (mut now_ms, mut asked) = (1000, Vec::new());
    while now_ms < 20_000 {
        let said = bench.at(now_ms, Event::Drained);
        match said[0].strip_prefix("send ") {
            // The shunt is off; the load answers at once.
            Some(sent) if sent.starts_with("[01") => {
                asked.push(("shunt", now_ms));
                now_ms += 1000;
                bench.at(now_ms, Event::Deadline);
                now_ms += 1000;
            }
            Some(_) => {
                asked.push(("load", now_ms));
                now_ms += 10;
                let said = bench.receive(now_ms, &[17, 3, 2, 0, 42]);
                if said[1].starts_with("wake") {
                    now_ms = now_ms / 1000 * 1000 + 1000;
                    bench.at(now_ms, Event::Deadline);
                }
            }
            None => {
                now_ms += 100;
                bench.at(now_ms, Event::Deadline);
            }
        }
    }
    let of = |name: &str| asked.iter().filter(|(unit, _)| *unit == name).count();
    assert!(of("load") >= 8 && of("shunt") <= 6, "{asked:?}");
}
