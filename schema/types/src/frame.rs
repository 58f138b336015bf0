//! The frame log's entries: everything that a decoder was given, in order, so
//! that a stretch can be decoded again to the same samples.

use serde::{Deserialize, Serialize};

/// What happened on the connection.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum FrameKind {
    /// The connection was opened afresh.
    Opened,
    /// Bytes were received; the payload holds them.
    Received,
    /// Bytes were sent for the decoder; the payload holds them.
    Sent,
    /// The line was read until quiet, as the decoder had asked; the payload
    /// holds what was thrown away.
    Drained,
    /// The deadline that the decoder had asked for was reached.
    Deadline,
    /// A command was given; the payload holds it as JSON.
    Command,
    /// The connection was closed or lost.
    Closed,
}

/// One entry of the frame log.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Frame {
    /// Number within its source and run, from 1.
    pub number: u64,
    /// Boot clock, microseconds.
    pub t_us: i64,
    /// What happened.
    pub kind: FrameKind,
    /// Which characteristic or address; 0 where there is only one.
    pub endpoint: u16,
    /// The bytes, where the kind has any; hexadecimal in JSON.
    #[serde(default, with = "hexadecimal", skip_serializing_if = "Vec::is_empty")]
    pub payload: Vec<u8>,
}

impl Frame {
    /// The frame as a line of a `.frames.jsonl` file, without line end.
    pub fn to_line(&self) -> String {
        serde_json::to_string(self).unwrap_or_default()
    }

    /// Reads a line of a `.frames.jsonl` file.
    pub fn parse_line(line: &[u8]) -> Result<Frame, String> {
        serde_json::from_slice(line).map_err(|error| error.to_string())
    }
}

mod hexadecimal {
    use serde::{Deserialize, Deserializer, Serializer};

    pub(super) fn serialize<S: Serializer>(bytes: &[u8], serializer: S) -> Result<S::Ok, S::Error> {
        let text: String = bytes.iter().map(|byte| format!("{byte:02x}")).collect();
        serializer.serialize_str(&text)
    }

    pub(super) fn deserialize<'de, D: Deserializer<'de>>(de: D) -> Result<Vec<u8>, D::Error> {
        let text = String::deserialize(de)?;
        let digits: Option<Vec<u32>> = text.chars().map(|c| c.to_digit(16)).collect();
        match digits {
            Some(d) if d.len() % 2 == 0 => {
                Ok(d.chunks(2).map(|pair| (pair[0] * 16 + pair[1]) as u8).collect())
            }
            _ => Err(serde::de::Error::custom("the payload is not hexadecimal")),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_reads_back() {
        let frame = Frame {
            number: 7,
            t_us: 1_250_000,
            kind: FrameKind::Received,
            endpoint: 0,
            payload: vec![0x00, 0xff, b'A'],
        };
        let line = frame.to_line();
        assert!(line.contains(r#""payload":"00ff41""#), "{line}");
        assert_eq!(Frame::parse_line(line.as_bytes()), Ok(frame));
        assert!(Frame::parse_line(b"{\"payload\":\"0g\"}").is_err());
    }
}
