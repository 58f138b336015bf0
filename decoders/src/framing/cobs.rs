//! Consistent Overhead Byte Stuffing (Cheshire and Baker, IEEE/ACM Transactions
//! on Networking, 1999): a frame without zeros, so that a zero can end it. Looks
//! at one frame at a time, without its end.

/// What ends a frame.
pub const END: u8 = 0;

/// Why a frame cannot be unstuffed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum BadCobs {
    /// Stuffed bytes have no zero.
    #[error("zero inside frame")]
    Zero,
    /// A code byte says that more follows than does.
    #[error("frame shorter than its code")]
    Short,
    /// Not even an empty payload is sent as nothing.
    #[error("empty frame")]
    Empty,
}

/// The payload of a stuffed frame.
pub fn decode(mut stuffed: &[u8]) -> Result<Vec<u8>, BadCobs> {
    let mut payload = Vec::with_capacity(stuffed.len());
    if stuffed.is_empty() {
        return Err(BadCobs::Empty);
    }
    if stuffed.contains(&END) {
        return Err(BadCobs::Zero);
    }
    while let Some((code, rest)) = stuffed.split_first() {
        let run = usize::from(*code) - 1;
        payload.extend_from_slice(rest.get(..run).ok_or(BadCobs::Short)?);
        stuffed = &rest[run..];
        // The last block stands for no zero, nor does a full one.
        if !stuffed.is_empty() && *code != 0xFF {
            payload.push(0);
        }
    }
    Ok(payload)
}

/// A payload as it is sent, with the zero that ends it.
pub fn encode(payload: &[u8]) -> Vec<u8> {
    const LONGEST_RUN: usize = 254;
    let mut stuffed = Vec::with_capacity(payload.len() + payload.len() / LONGEST_RUN + 2);
    let mut rest = payload;
    loop {
        let run = rest.iter().take(LONGEST_RUN).take_while(|byte| **byte != END).count();
        stuffed.push(run as u8 + 1);
        stuffed.extend_from_slice(&rest[..run]);
        rest = &rest[run..];
        match rest.split_first() {
            None => break,
            // The zero that a shorter run stands for.
            Some((_, behind)) if run < LONGEST_RUN => rest = behind,
            Some(_) => {}
        }
    }
    stuffed.push(END);
    stuffed
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::vectors;

    #[test]
    fn the_vectors_of_cobs_come_out() {
        let vectors = vectors::of("frames", "cobs");
        assert_eq!(vectors.len(), 12);
        for vector in vectors {
            let stuffed = vector.input();
            let found = decode(&stuffed).map_err(|error| error.to_string());
            match vector.is_ok() {
                true => {
                    let payload = vectors::bytes(vector.value("payload").as_str().unwrap());
                    assert_eq!(found.as_ref(), Ok(&payload), "{}", vector.case);
                    assert_eq!(encode(&payload), [&stuffed[..], &[0]].concat(), "{}", vector.case);
                }
                false => assert_eq!(found, Err(vector.error()), "{}", vector.case),
            }
        }
    }

    proptest! {
        #[test]
        fn what_is_stuffed_has_no_zero_and_reads_back(
            runs in proptest::collection::vec((any::<bool>(), 0usize..520), 0..5),
        ) {
            let mut payload = Vec::new();
            for (zero, length) in runs {
                payload.extend((0..length).map(|i| (i % 255) as u8 + 1));
                payload.extend(zero.then_some(0));
            }
            let stuffed = encode(&payload);
            let (end, stuffed) = stuffed.split_last().unwrap();
            prop_assert_eq!(*end, END);
            prop_assert!(stuffed.len() <= payload.len() + payload.len() / 254 + 1);
            prop_assert_eq!(decode(stuffed), Ok(payload));
        }

        #[test]
        fn nothing_grows_by_unstuffing(bytes in proptest::collection::vec(any::<u8>(), 0..300)) {
            if let Ok(payload) = decode(&bytes) {
                prop_assert!(payload.len() < bytes.len());
            }
        }
    }
}
