//! The libraries that parse the same bytes, as a person would call them: no frame
//! log, no times, no units, no state to save.

use std::hint::black_box;

use rmodbus::client::ModbusRequest;
use rmodbus::{ModbusProto, guess_response_frame_len};
use serde::Deserialize;
use serde_json::Value;

use crate::Failure;
use crate::captures::{Capture, Event};

/// Parses a capture; returns how many frames it had.
type Parse = fn(&Capture) -> Result<usize, Failure>;

/// The library, the decoder beside it, and what it does.
pub const ALL: &[(&str, &str, Parse)] = &[
    ("csv, two numbers a record", "text-lines", csv),
    ("serde_json, any object", "json-lines", json_any),
    ("serde_json, a known struct", "json-lines", json_known),
    ("rmodbus, request and answer", "modbus-rtu", modbus),
];

fn received(capture: &Capture) -> impl Iterator<Item = &[u8]> {
    capture.events.iter().filter_map(|(_, event)| match event {
        Event::Received(_, bytes) => Some(bytes.as_slice()),
        _ => None,
    })
}

fn csv(capture: &Capture) -> Result<usize, Failure> {
    let bytes: Vec<u8> = received(capture).flatten().copied().collect();
    let mut reader = csv::ReaderBuilder::new().has_headers(false).from_reader(bytes.as_slice());
    let mut record = csv::StringRecord::new();
    let mut count = 0;
    while reader.read_record(&mut record)? {
        let values: [f64; 2] = [record[0].parse()?, record[1].parse()?];
        black_box(values);
        count += 1;
    }
    Ok(count)
}

fn lines(capture: &Capture) -> Vec<u8> {
    received(capture).flatten().copied().collect()
}

fn json_any(capture: &Capture) -> Result<usize, Failure> {
    let bytes = lines(capture);
    let mut count = 0;
    for line in bytes.split(|byte| *byte == b'\n').filter(|line| !line.is_empty()) {
        let object: Value = serde_json::from_slice(line)?;
        black_box([object["U"].as_f64(), object["I"].as_f64()]);
        count += 1;
    }
    Ok(count)
}

#[derive(Deserialize)]
struct Known {
    #[serde(rename = "U")]
    volt: f64,
    #[serde(rename = "I")]
    ampere: f64,
}

fn json_known(capture: &Capture) -> Result<usize, Failure> {
    let bytes = lines(capture);
    let mut count = 0;
    for line in bytes.split(|byte| *byte == b'\n').filter(|line| !line.is_empty()) {
        let object: Known = serde_json::from_slice(line)?;
        black_box([object.volt, object.ampere]);
        count += 1;
    }
    Ok(count)
}

fn modbus(capture: &Capture) -> Result<usize, Failure> {
    let mut count = 0;
    for answer in received(capture) {
        let mut request = ModbusRequest::new(1, ModbusProto::Rtu);
        let mut asked = Vec::new();
        let registers = u16::from(answer[2]) / 2;
        request.generate_get_holdings(0, registers, &mut asked).map_err(|e| e.to_string())?;
        let length = guess_response_frame_len(&answer[..6], ModbusProto::Rtu);
        let length = usize::from(length.map_err(|e| e.to_string())?);
        let mut values: Vec<u16> = Vec::new();
        request.parse_u16(&answer[..length], &mut values).map_err(|e| e.to_string())?;
        black_box((asked, values));
        count += 1;
    }
    Ok(count)
}
