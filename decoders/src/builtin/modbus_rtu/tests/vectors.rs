//! The worked examples: MODBUS over Serial Line V1.02 and MODBUS Application
//! Protocol V1.1b3, each clause beside its frame in the file.

use serde_json::{Value, json};

use crate::builtin::modbus_rtu::frame::{
    Found, Request, What, exception_name, framed, is_sound, look, own_length,
};
use crate::builtin::modbus_rtu::number::{Kind, Order};
use crate::vectors::{self, Vector};

#[test]
fn every_vector_comes_out_as_its_source_says() {
    let vectors = vectors::of("modbus-rtu", "modbus-rtu");
    assert_eq!(vectors.len(), 27);
    for vector in &vectors {
        let direction = vector.context.get("direction").and_then(Value::as_str);
        match (direction, vector.outcome()) {
            (Some("request"), _) => request(vector),
            (Some(_), "exception") => exception(vector),
            (Some(_), "error") => refused(vector),
            (Some(_), _) => response(vector),
            (None, _) => {
                assert_eq!(vector.value("crc"), "0x1241", "{}", vector.case);
                assert_eq!(framed(vector.input()), [2, 7, 0x41, 0x12], "{}", vector.case);
            }
        }
    }
}

fn number(vector: &Vector, name: &str) -> u16 {
    vector.value(name).as_u64().unwrap_or_else(|| panic!("{name}: {}", vector.case)) as u16
}

fn asked(vector: &Vector) -> Request {
    let (unit, function) = (number(vector, "unit") as u8, number(vector, "function"));
    let address = number(vector, "address");
    let what = match function {
        1..=4 => {
            What::Read { function: function as u8, start: address, count: number(vector, "count") }
        }
        5 => What::WriteCoil { address, on: vector.value("value") == true },
        6 => What::WriteRegister { address, value: number(vector, "value") },
        16 => {
            let values = vector.value("registers");
            What::WriteRegisters { address, values: serde_json::from_value(values).unwrap() }
        }
        other => panic!("function {other}: {}", vector.case),
    };
    Request { unit, what }
}

/// What we send is the vector's frame, bit for bit; a write's echo is taken.
fn request(vector: &Vector) {
    let request = asked(vector);
    assert_eq!(request.bytes(), vector.input(), "{}", vector.case);
    if matches!(request.what, What::WriteRegister { .. } | What::WriteCoil { .. }) {
        let found = look(&vector.input()[..], &request, &[])
            == Found::Answer { before: 0, data: &[], after: 0 };
        assert!(found, "{}", vector.case);
    }
}

/// The request that the vector's frame, wherever it begins, would answer.
fn answered(vector: &Vector) -> Request {
    let input = vector.input();
    let at = usize::from(input.starts_with(&[0, 0xFF])) * 2;
    let (unit, function) = (input[at], input[at + 1] & 0x7F);
    let what = match function {
        16 => What::WriteRegisters {
            address: number(vector, "address"),
            values: vec![0; usize::from(number(vector, "count"))],
        },
        6 => What::WriteRegister { address: 0, value: 0 },
        // Coils lie eight to an octet, registers two octets each.
        function if input[at + 1] < 0x80 => {
            What::Read { function, start: 0, count: u16::from(input[at + 2]) / 2 }
        }
        function => What::Read { function, start: 0, count: 1 },
    };
    Request { unit, what }
}

fn response(vector: &Vector) {
    let input = vector.input();
    if let Some(coils) = vector.context.get("requested_coils").and_then(Value::as_u64) {
        // Coils are nothing that is recorded; their frame is known all the same.
        assert_eq!(own_length(&input), Some(input.len()));
        assert!(is_sound(&input), "{}", vector.case);
        let bit = |i: u64| input[3 + i as usize / 8] >> (i % 8) & 1;
        let bits: Vec<u8> = (0..coils).map(bit).collect();
        assert_eq!(vector.value("coils"), json!(bits), "{}", vector.case);
        return;
    }
    let request = answered(vector);
    let Found::Answer { before, data, after } = look(&input, &request, &[]) else {
        panic!("not found: {}", vector.case)
    };
    assert_eq!(before, if vector.outcome() == "resynchronise" { 2 } else { 0 });
    assert_eq!(after, usize::from(vector.case.contains("stray octet")), "{}", vector.case);
    let registers: Vec<u16> = data.chunks(2).map(|r| u16::from_be_bytes([r[0], r[1]])).collect();
    for (name, expected) in vector.expected["values"].as_object().unwrap() {
        let expected = &expected["value"];
        let read = || read(vector, data);
        match name.as_str() {
            "unit" | "function" | "address" | "count" => {}
            "registers" => assert_eq!(*expected, json!(registers), "{}", vector.case),
            "number" | "voltage" | "current" => {
                assert_eq!(expected.as_f64(), Some(read()), "{}", vector.case);
            }
            other => panic!("{other}: {}", vector.case),
        }
    }
}

fn read(vector: &Vector, data: &[u8]) -> f64 {
    let word = |key: &str| {
        vector.context.get(key).and_then(Value::as_str).unwrap_or("abcd").to_lowercase()
    };
    let kind: Kind = serde_json::from_value(json!(word("type"))).unwrap();
    let order: Order = serde_json::from_value(json!(word("word_order"))).unwrap();
    let raw = kind.read(order, data);
    match vector.context.get("scale").and_then(Value::as_f64) {
        // As the mapping does it: by division, so that decimals stay decimals.
        Some(scale) => raw / scale.recip().round(),
        None => raw,
    }
}

fn exception(vector: &Vector) {
    let code = number(vector, "exception_code") as u8;
    let request = answered(vector);
    assert_eq!(u16::from(request.function()), number(vector, "function"), "{}", vector.case);
    let input = vector.input();
    let found = look(&input, &request, &[]);
    assert_eq!(found, Found::Exception { before: 0, code, after: 0 }, "{}", vector.case);
    assert_eq!(exception_name(code).map(str::to_owned), Some(vector.error()), "{}", vector.case);
}

fn refused(vector: &Vector) {
    let expected = match vector.error().as_str() {
        "crc mismatch" => Found::Wrong,
        "incomplete frame" => Found::Open,
        other => panic!("{other}"),
    };
    let input = vector.input();
    assert_eq!(look(&input, &answered(vector), &[1]), expected, "{}", vector.case);
}
