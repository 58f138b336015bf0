//! What is written reads back, and what was damaged is found.

use super::*;
use ampledger_types::{Channel, Quantity};
use proptest::prelude::*;

fn parted(bytes: &[u8]) -> ([u8; HEAD_BYTES], &[u8]) {
    let (head, body) = bytes.split_first_chunk().unwrap();
    (*head, body)
}

fn frames() -> impl Strategy<Value = Vec<Frame>> {
    let payload = proptest::collection::vec(any::<u8>(), 0..80);
    let frame = (any::<u64>(), any::<i64>(), any::<u16>(), payload).prop_map(
        |(number, t_us, endpoint, payload)| Frame {
            number,
            t_us,
            kind: FrameKind::Received,
            endpoint,
            payload,
        },
    );
    proptest::collection::vec(frame, 0..20)
}

proptest! {
    #[test]
    fn a_batch_reads_back(frames in frames(), number in any::<u64>()) {
        let mut bytes = Vec::new();
        let inputs = frames.iter().map(Numbered::of).collect();
        encode(&ToHost::Batch { number, inputs }, &mut bytes).unwrap();
        let (head, body) = parted(&bytes);
        prop_assert_eq!(length(head).unwrap(), body.len());
        let ToHost::Batch { number: read, inputs } = decode(head, body).unwrap() else {
            return Err(TestCaseError::fail("no batch"));
        };
        prop_assert_eq!(read, number);
        prop_assert_eq!(inputs.iter().map(Numbered::to_frame).collect::<Vec<_>>(), frames);
    }

    #[test]
    fn a_flipped_bit_is_found(frames in frames(), at in any::<prop::sample::Index>(), bit in 0..8u8) {
        let mut bytes = Vec::new();
        let inputs = frames.iter().map(Numbered::of).collect();
        encode(&ToHost::Batch { number: 1, inputs }, &mut bytes).unwrap();
        let at = 4 + at.index(bytes.len() - 4);
        bytes[at] ^= 1 << bit;
        let (head, body) = parted(&bytes);
        prop_assert!(decode::<ToHost<'_>>(head, body).is_err());
    }

    #[test]
    fn rubbish_is_an_error_and_no_panic(body in proptest::collection::vec(any::<u8>(), 0..200)) {
        let mut head = [0; HEAD_BYTES];
        head[4..].copy_from_slice(&CRC.checksum(&body).to_le_bytes());
        let _ = decode::<FromHost<'_>>(head, &body);
        let _ = decode::<ToHost<'_>>(head, &body);
    }
}

#[test]
fn what_a_decoder_says_reads_back() {
    let channels = vec![Channel::of(Quantity::Voltage), Channel::of(Quantity::Current)];
    let group = Arc::new(Group { name: "lead".to_owned(), channels });
    let sample =
        |values| Sample { group: group.clone(), t_us: 5, instrument_t_us: Some(3), values };
    let outputs = [
        Output::Sample(sample(vec![26.4, -12.1])),
        Output::Sample(sample(vec![26.3, -12.0])),
        Output::Complaint(Complaint::new(ComplaintKind::BadCheck, 7, "no")),
        Output::Identity { instrument: String::new(), text: "GAL".to_owned() },
        Output::Send { endpoint: 3, bytes: vec![1, 2, 255] },
        Output::Drain { quiet_us: 40 },
        Output::Wake(None),
        Output::Wake(Some(-1)),
        Output::CommandDone { id: 4, result: Ok(serde_json::json!({ "a": [1.5] })) },
        Output::CommandDone { id: 5, result: Err("no".to_owned()) },
    ];
    let (mut here, mut there, mut fresh) = (Groups::default(), Groups::default(), Vec::new());
    let said: Vec<_> = outputs.iter().map(|o| (9, here.to_wire(o, &mut fresh))).collect();
    assert_eq!(fresh.len(), 1, "a group is named once");
    let message =
        FromHost::Said { batch: 1, acknowledged: 9, spent_ns: 1, groups: fresh, outputs: said };
    let mut bytes = Vec::new();
    encode(&message, &mut bytes).unwrap();
    let (head, body) = parted(&bytes);
    let FromHost::Said { groups, outputs: read, .. } = decode(head, body).unwrap() else {
        panic!("it said nothing");
    };
    there.learn(&groups).unwrap();
    let read: Vec<Output> = read.into_iter().map(|(_, s)| there.from_wire(s).unwrap()).collect();
    assert_eq!(read, outputs);
}

#[test]
fn a_sample_of_a_group_that_was_never_named_is_refused() {
    let said =
        Said::Sample { group: 0, t_us: 0, instrument_t_us: None, values: Cow::Borrowed(&[1.0]) };
    assert!(Groups::default().from_wire(said).is_err());
}
