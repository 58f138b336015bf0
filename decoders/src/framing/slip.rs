//! SLIP (RFC 1055): END closes a frame, ESC stands before what would be mistaken
//! for END or ESC. Looks at one frame at a time, without its END. A wrong byte
//! behind an ESC spoils the frame; the RFC's sample code keeps such a byte.

/// What ends a frame; it may begin one too.
pub const END: u8 = 0xC0;
const ESC: u8 = 0xDB;
const ESC_END: u8 = 0xDC;
const ESC_ESC: u8 = 0xDD;

/// Why a frame cannot be unstuffed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum BadSlip {
    /// Neither of the two bytes that may follow.
    #[error("protocol violation after ESC")]
    WrongEscape,
    /// The frame ends with it.
    #[error("dangling ESC")]
    DanglingEscape,
}

/// The payload of a stuffed frame.
pub fn decode(stuffed: &[u8]) -> Result<Vec<u8>, BadSlip> {
    let mut payload = Vec::with_capacity(stuffed.len());
    let mut bytes = stuffed.iter();
    while let Some(byte) = bytes.next() {
        payload.push(match *byte {
            ESC => match bytes.next() {
                Some(&ESC_END) => END,
                Some(&ESC_ESC) => ESC,
                Some(_) => return Err(BadSlip::WrongEscape),
                None => return Err(BadSlip::DanglingEscape),
            },
            byte => byte,
        });
    }
    Ok(payload)
}

/// A payload as it is sent, between two ENDs.
pub fn encode(payload: &[u8]) -> Vec<u8> {
    let mut stuffed = vec![END];
    for byte in payload {
        match *byte {
            END => stuffed.extend([ESC, ESC_END]),
            ESC => stuffed.extend([ESC, ESC_ESC]),
            byte => stuffed.push(byte),
        }
    }
    stuffed.push(END);
    stuffed
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use serde_json::Value;

    use super::*;
    use crate::framing::{Delimited, Piece};
    use crate::vectors;

    fn frames(bytes: &[u8]) -> Vec<Result<Vec<u8>, BadSlip>> {
        let mut found = Vec::new();
        Delimited::default().push(bytes, END, 1006, |piece| match piece {
            Piece::Whole(stuffed) => found.push(decode(stuffed)),
            other => panic!("{other:?}"),
        });
        found
    }

    #[test]
    fn the_vectors_of_rfc_1055_come_out() {
        let vectors = vectors::of("frames", "slip");
        assert_eq!(vectors.len(), 9);
        for vector in vectors {
            let found: Vec<_> = frames(&vector.input())
                .into_iter()
                .map(|frame| frame.map_err(|error| error.to_string()))
                .collect();
            let payload = |hex: &Value| Ok(vectors::bytes(hex.as_str().unwrap()));
            let expected = match (vector.outcome(), vector.value("payloads")) {
                ("ignored", _) => Vec::new(),
                ("error", _) => vec![Err(vector.error())],
                (_, Value::Array(many)) => many.iter().map(payload).collect(),
                (_, _) => vec![payload(&vector.value("payload"))],
            };
            assert_eq!(found, expected, "{}", vector.case);
        }
    }

    proptest! {
        #[test]
        fn what_is_stuffed_reads_back(payload in proptest::collection::vec(0xBEu8..0xE0, 1..80)) {
            prop_assert_eq!(frames(&encode(&payload)), [Ok(payload)]);
        }
    }
}
