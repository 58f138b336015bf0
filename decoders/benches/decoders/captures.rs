//! Made-up captures: the boat yard's sensors as each decoder would meet them.

use std::collections::VecDeque;

use ampledger_decoders::{Decoder, DecoderConfig, Input, Output, builtin};
use serde_json::{Value, json};

use crate::Failure;

/// Frames in a capture.
pub const FRAMES: usize = 20_000;
/// Bytes that arrive at once where a sensor sends by itself.
const PIECE: usize = 4096;

/// One input, owned.
pub enum Event {
    Opened,
    Received(u16, Vec<u8>),
    Sent(Vec<u8>),
    Drained,
    Deadline,
}

impl Event {
    /// As it is given to a decoder.
    pub fn input(&self) -> Input<'_> {
        match self {
            Event::Opened => Input::Opened { record: false },
            Event::Received(endpoint, bytes) => Input::Received { endpoint: *endpoint, bytes },
            Event::Sent(bytes) => Input::Sent { endpoint: 0, bytes },
            Event::Drained => Input::Drained,
            Event::Deadline => Input::Deadline,
        }
    }
}

/// A decoder with everything it is given.
pub struct Capture {
    pub decoder: &'static str,
    pub config: DecoderConfig,
    pub events: Vec<(i64, Event)>,
}

impl Capture {
    /// A fresh decoder.
    pub fn build(&self) -> Result<Box<dyn Decoder>, Failure> {
        let descriptor = builtin::find(self.decoder).ok_or("there is no such decoder")?;
        Ok((descriptor.build)(&self.config)?)
    }
}

/// A voltage in mV and a current in mA, a little different each time.
fn reading(n: usize) -> (u16, i16) {
    let noise = (n.wrapping_mul(0x9E37_79B9) >> 7) % 9;
    (26_400 - (n / 50) as u16 + noise as u16, -12_100 + noise as i16)
}

/// One of every decoder.
pub fn all() -> Result<Vec<Capture>, Failure> {
    let fields = json!({
        "U": { "quantity": "voltage_volt", "unit": "mV" },
        "I": { "quantity": "current_ampere", "unit": "mA" },
    });
    Ok(vec![
        stream("text-lines", json!({ "columns": ["U", "I"] }), fields.clone(), |n| {
            let (u, i) = reading(n);
            format!("{u},{i}\r\n").into_bytes()
        })?,
        stream("json-lines", json!({}), fields.clone(), |n| {
            let (u, i) = reading(n);
            format!("{{\"U\":{u},\"I\":{i}}}\n").into_bytes()
        })?,
        stream("frames", frames_options(), fields.clone(), frame)?,
        stream("raw", json!({}), json!({}), frame)?,
        stream("iec62056-21", json!({}), iec_fields(), |n| {
            let (u, i) = reading(n);
            let values = format!("32.7.0({u}*mV)\r\n31.7.0({i}*mA)\r\n");
            format!("/ABC3BENCH01\r\n\r\n{values}!\r\n").into_bytes()
        })?,
        notified("gatt", json!({ "characteristics": ["2b18"] }), json!({}), |n| {
            reading(n).0.to_le_bytes().to_vec()
        })?,
        notified("bthome", json!({}), json!({}), |n| {
            let (u, i) = reading(n);
            let mut data = vec![0x40, 0x00, n as u8, 0x0C];
            data.extend(u.to_le_bytes());
            data.push(0x5D);
            data.extend(i.to_le_bytes());
            data
        })?,
        asked("scpi", scpi_options(), fields.clone(), |request, n| {
            let (u, i) = reading(n);
            match request {
                b"*IDN?\n" => Some(b"made up,load,1,1\n".to_vec()),
                _ => Some(format!("{u},{i}\n").into_bytes()),
            }
        })?,
        asked("modbus-rtu", modbus_options(), fields, modbus_answer)?,
    ])
}

fn config(options: Value, fields: Value) -> Result<DecoderConfig, Failure> {
    Ok(serde_json::from_value(json!({ "options": options, "fields": fields }))?)
}

fn frames_options() -> Value {
    json!({ "framing": "sync", "sync": "59 44", "length": 8,
        "checksum": { "algorithm": "CRC-16/MODBUS" },
        "frames": [{ "name": "live", "fields": [
            { "name": "U", "at": 2, "type": "u16" }, { "name": "I", "at": 4, "type": "i16" } ]}] })
}

fn frame(n: usize) -> Vec<u8> {
    let (u, i) = reading(n);
    let mut frame = vec![0x59, 0x44];
    frame.extend(u.to_le_bytes().into_iter().chain(i.to_le_bytes()));
    let sum = crc::Crc::<u16>::new(&crc::CRC_16_MODBUS).checksum(&frame);
    frame.extend(sum.to_le_bytes());
    frame
}

fn iec_fields() -> Value {
    json!({ "32.7.0": { "quantity": "voltage_volt" }, "31.7.0": { "quantity": "current_ampere" } })
}

fn scpi_options() -> Value {
    json!({ "queries": [{ "send": "READ?", "every_ms": 10, "fields": ["U", "I"] }] })
}

fn modbus_options() -> Value {
    json!({ "units": [{ "address": 1, "every_ms": 10, "registers": [
        { "field": "U", "address": 0 }, { "field": "I", "address": 1, "type": "i16" } ]}] })
}

/// The answer to a read of holding registers, the voltage at 0, the current at 1.
fn modbus_answer(request: &[u8], n: usize) -> Option<Vec<u8>> {
    let (u, i) = reading(n);
    // More are asked for than are configured: it finds out whether an answer is late.
    let registers = [u.to_be_bytes(), i.to_be_bytes(), [0; 2], [0; 2]];
    let (from, count) = (usize::from(*request.get(3)?), usize::from(*request.get(5)?));
    let mut answer = vec![1, 3, 2 * count as u8];
    answer.extend(registers.get(from..from + count)?.concat());
    let sum = crc::Crc::<u16>::new(&crc::CRC_16_MODBUS).checksum(&answer);
    answer.extend(sum.to_le_bytes());
    Some(answer)
}

/// A sensor that sends by itself; its bytes come in large pieces.
fn stream(
    decoder: &'static str,
    options: Value,
    fields: Value,
    frame: impl Fn(usize) -> Vec<u8>,
) -> Result<Capture, Failure> {
    // The first may be cut off, where a line is joined half-way, and a heading
    // settles with the second.
    let bytes: Vec<u8> = (0..FRAMES + 2).flat_map(frame).collect();
    let pieces = bytes.chunks(PIECE).enumerate();
    let received = pieces.map(|(n, piece)| (n as i64 * 1000, Event::Received(0, piece.to_vec())));
    let events = std::iter::once((0, Event::Opened)).chain(received).collect();
    Ok(Capture { decoder, config: config(options, fields)?, events })
}

/// A sensor whose frames come one by one.
fn notified(
    decoder: &'static str,
    options: Value,
    fields: Value,
    frame: impl Fn(usize) -> Vec<u8>,
) -> Result<Capture, Failure> {
    let received = (0..FRAMES).map(|n| (n as i64 * 1000, Event::Received(0, frame(n))));
    let events = std::iter::once((0, Event::Opened)).chain(received).collect();
    Ok(Capture { decoder, config: config(options, fields)?, events })
}

/// An instrument that answers: the conversation is held once and noted.
fn asked(
    decoder: &'static str,
    options: Value,
    fields: Value,
    answer: impl Fn(&[u8], usize) -> Option<Vec<u8>>,
) -> Result<Capture, Failure> {
    let mut capture = Capture { decoder, config: config(options, fields)?, events: Vec::new() };
    let mut talking = capture.build()?;
    let (mut now_us, mut wake_us, mut samples) = (0, None, 0);
    let mut next = VecDeque::from([Event::Opened]);
    while samples < FRAMES {
        let event = match next.pop_front() {
            Some(event) => event,
            None => {
                now_us = wake_us.take().ok_or("the decoder waits for nothing")?;
                Event::Deadline
            }
        };
        now_us += 1;
        let mut out = Vec::new();
        talking.handle(now_us, event.input(), &mut out);
        capture.events.push((now_us, event));
        for output in out {
            match output {
                Output::Send { bytes, .. } => {
                    let answer = answer(&bytes, samples).map(|bytes| Event::Received(0, bytes));
                    next.push_back(Event::Sent(bytes));
                    next.extend(answer);
                }
                Output::Drain { .. } => next.push_back(Event::Drained),
                Output::Wake(at_us) => wake_us = at_us,
                Output::Sample(_) => samples += 1,
                Output::Complaint(complaint) => return Err(complaint.detail.into()),
                Output::Identity { .. } | Output::CommandDone { .. } => {}
            }
        }
    }
    Ok(capture)
}
