//! Frames of Modbus RTU: requests as bytes, and an answer found among bytes.
//! The end of an answer is known from its expected length and its check, never
//! from a silence, which adapters and systems do not keep (MODBUS over Serial
//! Line V1.02, 2.5.1.1). Nothing here knows what is in a register. Written here
//! because the crate `rmodbus` (0.13, tried) takes the answer to a read of
//! another length, and any echo of a write.

use std::fmt;

use crc::{CRC_16_MODBUS, Crc};
use serde::{Deserialize, Serialize};

/// V1.02, 2.5.1.2; the low octet is sent first.
const CRC: Crc<u16> = Crc::<u16>::new(&CRC_16_MODBUS);
/// Octets of address, function and check around an exception's code.
const EXCEPTION_LENGTH: usize = 5;
/// What is set in the function of an exception.
const IS_EXCEPTION: u8 = 0x80;

/// One request to one unit.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Request {
    /// The unit's address on the line, 1 to 247.
    pub unit: u8,
    /// What is asked of it.
    pub what: What,
}

/// What is asked (MODBUS Application Protocol V1.1b3, chapter 6). Addresses
/// are those of the frame, counted from 0.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum What {
    /// Function 3 or 4: registers.
    Read {
        /// 3 or 4.
        function: u8,
        /// The first.
        start: u16,
        /// How many, 1 to 125.
        count: u16,
    },
    /// Function 5.
    WriteCoil {
        /// Which.
        address: u16,
        /// On or off.
        on: bool,
    },
    /// Function 6.
    WriteRegister {
        /// Which.
        address: u16,
        /// With what.
        value: u16,
    },
    /// Function 16.
    WriteRegisters {
        /// The first.
        address: u16,
        /// With what, 1 to 123 registers.
        values: Vec<u16>,
    },
}

impl Request {
    /// Its function.
    pub fn function(&self) -> u8 {
        match self.what {
            What::Read { function, .. } => function,
            What::WriteCoil { .. } => 5,
            What::WriteRegister { .. } => 6,
            What::WriteRegisters { .. } => 16,
        }
    }

    /// As it is sent.
    pub fn bytes(&self) -> Vec<u8> {
        let mut body = vec![self.unit, self.function()];
        let (address, second) = match &self.what {
            What::Read { start, count, .. } => (*start, *count),
            What::WriteCoil { address, on } => (*address, if *on { 0xFF00 } else { 0 }),
            What::WriteRegister { address, value } => (*address, *value),
            What::WriteRegisters { address, values } => (*address, values.len() as u16),
        };
        body.extend(address.to_be_bytes());
        body.extend(second.to_be_bytes());
        if let What::WriteRegisters { values, .. } = &self.what {
            body.push((2 * values.len()) as u8);
            body.extend(values.iter().flat_map(|value| value.to_be_bytes()));
        }
        framed(body)
    }

    /// What its answer begins with, and how long that is with its check. A
    /// write is answered by its own first six octets.
    fn expected(&self) -> (Vec<u8>, usize) {
        match self.what {
            What::Read { function, count, .. } => (
                vec![self.unit, function, (2 * usize::from(count)) as u8],
                usize::from(count) * 2 + 5,
            ),
            _ => (self.bytes()[..6].to_vec(), 8),
        }
    }
}

impl fmt::Display for Request {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match &self.what {
            What::Read { function, start, count } => {
                let word = if *count == 1 { "register" } else { "registers" };
                write!(f, "{count} {word} from {start} (function {function})")
            }
            What::WriteCoil { address, .. } => write!(f, "a write to coil {address}"),
            What::WriteRegister { address, .. } => write!(f, "a write to register {address}"),
            What::WriteRegisters { address, values } => {
                write!(f, "a write to {} registers from {address}", values.len())
            }
        }
    }
}

/// The body with its check behind it.
pub fn framed(mut body: Vec<u8>) -> Vec<u8> {
    let check = CRC.checksum(&body);
    body.extend(check.to_le_bytes());
    body
}

/// Whether a frame's check is right.
pub fn is_sound(frame: &[u8]) -> bool {
    match frame.split_last_chunk::<2>() {
        Some((body, check)) => CRC.checksum(body) == u16::from_le_bytes(*check),
        None => false,
    }
}

/// The length that an answer has by its own words, once it says so. `None`
/// while it does not, or for a function that is not known here.
pub fn own_length(frame: &[u8]) -> Option<usize> {
    match *frame {
        [_, function, ..] if function & IS_EXCEPTION != 0 => Some(EXCEPTION_LENGTH),
        [_, 1..=4, octets, ..] => Some(usize::from(octets) + 5),
        [_, 5 | 6 | 15 | 16, ..] => Some(8),
        _ => None,
    }
}

/// What the bytes that arrived after a request are.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Found<'a> {
    /// Nothing yet; more is needed.
    Open,
    /// The answer.
    Answer {
        /// Octets of something else before it.
        before: usize,
        /// The registers of a read; empty for a write.
        data: &'a [u8],
        /// Octets behind it.
        after: usize,
    },
    /// The unit refuses (V1.1b3, chapter 7).
    Exception {
        /// Octets of something else before it.
        before: usize,
        /// Why.
        code: u8,
        /// Octets behind it.
        after: usize,
    },
    /// A whole frame of another unit on the line, to be passed over.
    OtherUnit {
        /// Which.
        unit: u8,
        /// Its length.
        length: usize,
    },
    /// The unit's answer to something else: its function, length or echo is
    /// another. It must be a late one.
    OtherAnswer,
    /// Long enough, but nothing in it can be the answer.
    Wrong,
}

/// Looks for the answer to `request` in what has arrived since it was sent.
/// The first place where an answer can begin decides; what is complete there
/// but fails its check is passed over.
pub fn look<'a>(buffer: &'a [u8], request: &Request, units: &[u8]) -> Found<'a> {
    let (head, length) = request.expected();
    let refusal = [request.unit, request.function() | IS_EXCEPTION];
    for before in 0..buffer.len() {
        let rest = &buffer[before..];
        match part(rest, &head, length) {
            Part::Open => return Found::Open,
            Part::Whole(frame) => {
                let is_read = matches!(request.what, What::Read { .. });
                let data = if is_read { &frame[head.len()..length - 2] } else { &[] };
                return Found::Answer { before, data, after: rest.len() - length };
            }
            Part::No => {}
        }
        match part(rest, &refusal, EXCEPTION_LENGTH) {
            Part::Open => return Found::Open,
            Part::Whole(frame) => {
                let after = rest.len() - EXCEPTION_LENGTH;
                return Found::Exception { before, code: frame[2], after };
            }
            Part::No => {}
        }
        if before == 0
            && let Some(found) = other(rest, request.unit, units)
        {
            return found;
        }
    }
    if buffer.len() < length { Found::Open } else { Found::Wrong }
}

enum Part<'a> {
    No,
    Open,
    Whole(&'a [u8]),
}

/// Whether `rest` is, or can become, a sound frame that begins with `head`.
fn part<'a>(rest: &'a [u8], head: &[u8], length: usize) -> Part<'a> {
    let known = rest.len().min(head.len());
    if rest[..known] != head[..known] {
        return Part::No;
    }
    match rest.get(..length) {
        None => Part::Open,
        Some(frame) if is_sound(frame) => Part::Whole(frame),
        Some(_) => Part::No,
    }
}

/// A whole frame that answers something else. One of another unit is waited
/// for to its end; one of the same unit is drained anyway.
fn other<'a>(rest: &[u8], asked: u8, units: &[u8]) -> Option<Found<'a>> {
    let unit = rest.first().copied().filter(|unit| units.contains(unit))?;
    let length = own_length(rest)?;
    match rest.get(..length) {
        Some(frame) if !is_sound(frame) => None,
        Some(_) if unit == asked => Some(Found::OtherAnswer),
        Some(_) => Some(Found::OtherUnit { unit, length }),
        None => (unit != asked).then_some(Found::Open),
    }
}

/// An exception's name (V1.1b3, chapter 7).
pub fn exception_name(code: u8) -> Option<&'static str> {
    Some(match code {
        1 => "illegal function",
        2 => "illegal data address",
        3 => "illegal data value",
        4 => "server device failure",
        5 => "acknowledge: it is working on it",
        6 => "server device busy",
        8 => "memory parity error",
        10 => "gateway path unavailable",
        11 => "gateway target failed to respond",
        _ => return None,
    })
}
