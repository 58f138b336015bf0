//! Instruments of our own invention, with random layouts: what carries the current
//! must be found, and noise must not be taken for anything.

use proptest::prelude::*;

use super::*;
use crate::config::FileSource;
use crate::decoder::{Input, Output};
use crate::driver::Driver;
use crate::framing::checksum::Algorithm;
use crate::framing::{cobs, slip};

/// A made-up binary instrument.
#[derive(Clone, Debug)]
struct Instrument {
    sync: Vec<u8>,
    /// Fields ahead of the current, bytes: 1 a counter, 2 a voltage, 3 a constant.
    ahead: Vec<u8>,
    behind: Vec<u8>,
    written: &'static str,
    is_big_endian: bool,
    /// Steps of the current while the load is on, and how much it wanders.
    on: i32,
    noise: i32,
    checksum: &'static str,
    framing: Framing,
}

#[derive(Clone, Copy, Debug, PartialEq)]
enum Framing {
    Pause,
    Cobs,
    Slip,
    Stream,
}

const SWITCHED_S: [i64; 5] = [20, 40, 60, 80, 100];
const LENGTH_S: i64 = 120;
/// Packets a second.
const RATE: i64 = 5;

/// xorshift64*: any generator would do.
struct Random(u64);

impl Random {
    fn next(&mut self) -> u64 {
        self.0 ^= self.0 >> 12;
        self.0 ^= self.0 << 25;
        self.0 ^= self.0 >> 27;
        self.0.wrapping_mul(0x2545_F491_4F6C_DD1D) >> 16
    }

    /// Evenly between -most and most.
    fn around(&mut self, most: i32) -> i32 {
        (self.next() % (2 * most as u64 + 1)) as i32 - most
    }
}

fn is_on(t_us: i64) -> bool {
    SWITCHED_S.iter().filter(|s| **s * 1_000_000 <= t_us).count() % 2 == 1
}

impl Instrument {
    fn number(&self, value: i32) -> Vec<u8> {
        let mut bytes = match self.written {
            "i16" => (value as i16).to_be_bytes().to_vec(),
            "i32" => value.to_be_bytes().to_vec(),
            _ => (value as f32 / 1000.0).to_be_bytes().to_vec(),
        };
        if !self.is_big_endian {
            bytes.reverse();
        }
        bytes
    }

    fn at(&self) -> usize {
        let octets = |kinds: &[u8]| kinds.iter().map(|k| usize::from(*k == 2) + 1).sum::<usize>();
        self.sync.len() + octets(&self.ahead)
    }

    fn packet(&self, n: i64, current: i32, random: &mut Random) -> Vec<u8> {
        let mut packet = self.sync.clone();
        let other = |packet: &mut Vec<u8>, kinds: &[u8], random: &mut Random| {
            for kind in kinds {
                match kind {
                    1 => packet.push(n as u8),
                    2 => packet.extend(((2640 + random.around(4)) as u16).to_be_bytes()),
                    _ => packet.push(0x37),
                }
            }
        };
        other(&mut packet, &self.ahead, random);
        packet.extend(self.number(current));
        other(&mut packet, &self.behind, random);
        let algorithm = Algorithm::named(self.checksum).unwrap();
        let sum = algorithm.compute(&packet).to_be_bytes();
        packet.extend(&sum[16 - algorithm.octets()..]);
        match self.framing {
            Framing::Cobs => cobs::encode(&packet),
            Framing::Slip => slip::encode(&packet),
            Framing::Pause | Framing::Stream => packet,
        }
    }

    /// Everything it sends in two minutes, arriving in pieces of any size.
    fn frames(&self, seed: u64) -> (Vec<Frame>, Vec<i32>) {
        let (mut random, mut frames, mut currents) = (Random(seed | 1), Vec::new(), Vec::new());
        let mut give = |t_us, payload: &[u8]| {
            let kind = FrameKind::Received;
            frames.push(Frame { number: 1, t_us, kind, endpoint: 0, payload: payload.to_vec() });
        };
        for n in 0..LENGTH_S * RATE {
            let t_us = n * 1_000_000 / RATE;
            let load = if is_on(t_us) { self.on } else { 0 };
            let current = load + random.around(self.noise);
            currents.push(current);
            let packet = self.packet(n, current, &mut random);
            let split = 1 + random.next() as usize % (packet.len() - 1);
            if self.framing == Framing::Stream {
                // A port that hands over every 16 ms whatever is there.
                give(t_us, &packet[..split]);
                give(t_us + 100_000, &packet[split..]);
            } else {
                give(t_us, &packet[..split]);
                give(t_us + 700, &packet[split..]);
            }
        }
        (frames, currents)
    }
}

fn instrument() -> impl Strategy<Value = Instrument> {
    let kinds = || proptest::collection::vec(1u8..4, 0..4);
    let written = prop_oneof![Just("i16"), Just("i32"), Just("f32")];
    let checksum = prop_oneof![
        Just("sum8"),
        Just("xor8"),
        Just("CRC-16/MODBUS"),
        Just("CRC-16/XMODEM"),
        Just("CRC-8/SMBUS")
    ];
    let framing = prop_oneof![
        3 => Just(Framing::Pause), 1 => Just(Framing::Cobs),
        1 => Just(Framing::Slip), 1 => Just(Framing::Stream)
    ];
    let sync = prop_oneof![Just(vec![0xA5, 0x5A]), Just(vec![0x59]), Just(vec![0x3C, 0x41, 0x10])];
    let on = prop_oneof![Just(-12_100), Just(9_000), Just(-2_400), 3_000..20_000i32];
    (sync, kinds(), kinds(), written, any::<bool>(), on, 2..30i32, checksum, framing).prop_map(
        |(sync, ahead, behind, written, is_big_endian, on, noise, checksum, framing)| Instrument {
            // Without pauses only a checksum over packets that differ shows where
            // one begins.
            ahead: if framing == Framing::Stream { [vec![1, 2], ahead].concat() } else { ahead },
            sync: if framing == Framing::Stream { vec![0xA5, 0x5A] } else { sync },
            behind,
            written,
            is_big_endian,
            on,
            noise,
            checksum,
            framing,
        },
    )
}

fn probed(frames: &[Frame]) -> Findings {
    let mut probe = Probe::default();
    frames.iter().for_each(|frame| probe.frame(frame));
    probe.findings(&SWITCHED_S.map(|s| s * 1_000_000))
}

fn binary(findings: &Findings) -> &BinaryFound {
    match &findings.content {
        Content::Binary(found) => found,
        other => panic!("{other:?}"),
    }
}

/// What the decoder of a guess makes of the frames: samples and complaints.
fn decoded(guess: &str, frames: &[Frame]) -> (Vec<Vec<f64>>, usize) {
    let source = FileSource::read(guess, None).unwrap_or_else(|e| panic!("{e:?} in\n{guess}"));
    let mut driver = Driver::new(source.table.build().unwrap().1);
    driver.give(0, Input::Opened { record: true }).1.for_each(drop);
    let (mut values, mut complaints) = (Vec::new(), 0);
    for frame in frames {
        let bytes = frame.payload.as_slice();
        for output in driver.give(frame.t_us, Input::Received { endpoint: 0, bytes }).1 {
            match output {
                Output::Sample(sample) => values.push(sample.values),
                Output::Complaint(_) => complaints += 1,
                _ => {}
            }
        }
    }
    (values, complaints)
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(crate::probe::tests::cases()))]

    #[test]
    fn the_number_that_carries_the_current_is_among_the_first_three(
        instrument in instrument(), seed in any::<u64>(),
    ) {
        let (frames, currents) = instrument.frames(seed);
        let findings = probed(&frames);
        let found = binary(&findings);
        prop_assert_eq!(found.shapes.len(), 1, "{:?}", found);
        let scale = if instrument.written == "f32" { 1000.0 } else { 1.0 };
        let mean = |on: bool| {
            // As the probe: without two seconds behind each switch.
            let load = Load::new(&SWITCHED_S.map(|s| s * 1_000_000));
            let at = |n: usize| load.stretch(n as i64 * 1_000_000 / RATE);
            let chosen = currents.iter().enumerate();
            let chosen = chosen.filter(|(n, _)| at(*n).is_some_and(|s| s.is_on == on));
            let chosen: Vec<f64> = chosen.map(|(_, c)| f64::from(*c) / scale).collect();
            chosen.iter().sum::<f64>() / chosen.len() as f64
        };
        let (on, off) = (mean(true), mean(false));
        let close = |a: f64, b: f64| (a - b).abs() < 0.02 * (on - off).abs();
        let is_current = |m: &Move| m.is_confident && close(m.on, on) && close(m.off, off);
        let moves = &found.shapes[0].moves;
        prop_assert!(moves.iter().take(3).any(is_current),
            "{:?} at {} is not in {:#?}", instrument, instrument.at(), found);
        // Packets that repeat prove no checksum.
        let is_varied = instrument.ahead.iter().chain(&instrument.behind).any(|kind| *kind == 1);
        if is_varied || found.seal.is_some() {
            let seal = found.seal.as_ref().map(|seal| seal.algorithm.as_str());
            prop_assert_eq!(seal, Some(instrument.checksum));
        }
    }

    #[test]
    fn the_guess_is_taken_by_the_decoder_and_reads_nearly_every_packet(
        instrument in instrument(), seed in any::<u64>(),
    ) {
        let (frames, currents) = instrument.frames(seed);
        let guess = guess::table(&probed(&frames), "quay-shunt");
        let (values, _) = decoded(&guess, &frames);
        // By COBS and SLIP nothing is lost; in a stream the last may be.
        prop_assert!(values.len() + 2 >= currents.len(), "{} of {} with\n{}",
            values.len(), currents.len(), guess);
    }

    #[test]
    fn noise_gives_no_hint_and_no_checksum(seed in any::<u64>(), length in 4usize..40) {
        let mut random = Random(seed | 1);
        let frame = |n: i64, random: &mut Random| Frame {
            number: 1,
            t_us: n * 1_000_000 / RATE,
            kind: FrameKind::Received,
            endpoint: 0,
            payload: (0..length).map(|_| random.next() as u8).collect(),
        };
        let frames: Vec<Frame> = (0..LENGTH_S * RATE).map(|n| frame(n, &mut random)).collect();
        let findings = probed(&frames);
        let found = binary(&findings);
        prop_assert!(found.seal.is_none(), "{:?}", found.seal);
        let hints = found.shapes.iter().flat_map(|shape| &shape.moves);
        prop_assert_eq!(hints.count(), 0, "{:?}", found);
    }

    #[test]
    fn no_frames_break_it(
        payloads in proptest::collection::vec((0i64..5_000_000, 0u16..3,
            proptest::collection::vec(any::<u8>(), 0..20)), 0..60),
        kinds in proptest::collection::vec(0usize..4, 60),
    ) {
        const KINDS: [FrameKind; 4] =
            [FrameKind::Received, FrameKind::Received, FrameKind::Sent, FrameKind::Opened];
        let frames = payloads.into_iter().zip(kinds).map(|((t_us, endpoint, payload), kind)| {
            Frame { number: 1, t_us, kind: KINDS[kind], endpoint, payload }
        });
        let frames: Vec<Frame> = frames.collect();
        let findings = probed(&frames);
        let guess = guess::table(&findings, "any name");
        prop_assert!(FileSource::read(&guess, None).is_ok(), "{}", guess);
    }
}

/// These instruments are large; the long lane has its own figure.
pub(super) fn cases() -> u32 {
    #[allow(clippy::disallowed_methods, reason = "a test may read its environment")]
    let asked = std::env::var("PROPTEST_CASES").ok().and_then(|text| text.parse::<u32>().ok());
    (asked.unwrap_or(256) / 16).min(100)
}

fn text(line: impl Fn(f64, f64) -> String) -> Findings {
    let mut random = Random(7);
    let frames = (0..LENGTH_S * RATE).map(|n| {
        let t_us = n * 1_000_000 / RATE;
        let ampere = if is_on(t_us) { -12.1 } else { 0.0 } + f64::from(random.around(9)) / 1000.0;
        let volt = 26.4 + f64::from(random.around(20)) / 1000.0;
        let payload = line(volt, ampere).into_bytes();
        Frame { number: 1, t_us, kind: FrameKind::Received, endpoint: 0, payload }
    });
    probed(&frames.collect::<Vec<_>>())
}

#[test]
fn lines_are_told_by_form_and_the_column_that_moves_is_named() {
    type Line<'a> = &'a dyn Fn(f64, f64) -> String;
    let cases: [(Line<'_>, TextForm, &str, char); 4] = [
        (&|u, i| format!("{u:.3},{i:.3},7\r\n"), TextForm::Columns, "2", '.'),
        (&|u, i| format!("{u:.3};{i:.3};7\n").replace('.', ","), TextForm::Columns, "2", ','),
        (&|u, i| format!("spannung={u:.3} strom={i:.3}\n"), TextForm::Pairs, "strom", '.'),
        (
            &|u, i| format!("{{\"u\":{u:.3},\"lead\":{{\"a\":{i:.3}}}}}\n"),
            TextForm::Json,
            "/lead/a",
            '.',
        ),
    ];
    for (line, form, column, decimal) in cases {
        let findings = text(line);
        let Content::Text(found) = &findings.content else { panic!("{findings:?}") };
        assert_eq!((found.form, found.decimal), (form, decimal));
        assert_eq!(found.moves.len(), 1, "{found:#?}");
        let first = &found.moves[0];
        assert_eq!(first.place, Place::Column(column.to_owned()));
        assert!(first.is_confident && (first.on + 12.1).abs() < 0.01, "{first:?}");
        let guess = guess::table(&findings, "bench-shunt");
        let lines = (0..9).map(|_| line(26.4, -12.1)).collect::<String>();
        let frame = Frame {
            number: 1,
            t_us: 0,
            kind: FrameKind::Received,
            endpoint: 0,
            payload: lines.into_bytes(),
        };
        let (values, complaints) = decoded(&guess, &[frame]);
        assert_eq!((values.len(), complaints), (9, 0), "{guess}");
        assert!(values.iter().all(|v| v.contains(&-12.1)), "{values:?} by\n{guess}");
    }
}

#[test]
fn one_switch_proves_little_and_a_drift_is_no_hint() {
    // A counter of ampere-hours drifts; with one switch it looks like the load.
    let frames: Vec<Frame> = (0..LENGTH_S * RATE)
        .map(|n| {
            let mut payload = vec![0xA5, 0x5A];
            payload.extend((n as u16 * 20).to_be_bytes());
            let kind = FrameKind::Received;
            Frame { number: 1, t_us: n * 1_000_000 / RATE, kind, endpoint: 0, payload }
        })
        .collect();
    let mut probe = Probe::default();
    frames.iter().for_each(|frame| probe.frame(frame));
    let once = probe.findings(&[60_000_000]);
    assert!(binary(&once).shapes[0].moves.iter().all(|m| !m.is_confident), "{once:#?}");
    assert!(!once.load.is_enough());
    let often = probed(&frames);
    assert!(binary(&often).shapes[0].moves.is_empty(), "{often:#?}");
}

#[test]
fn two_lengths_are_told_apart_by_tag_or_by_a_length() {
    for has_length in [false, true] {
        let mut random = Random(5);
        let frames: Vec<Frame> = (0..LENGTH_S * RATE)
            .map(|n| {
                let is_slow = n % 5 == 4;
                let mut payload = vec![0x59, 0x44];
                payload.push(if has_length == is_slow { 5 } else { 7 });
                if has_length {
                    payload[2] = if is_slow { 6 } else { 8 };
                }
                payload.extend((2640 + random.around(9) as i16).to_be_bytes());
                if !is_slow {
                    payload.extend((random.around(300) as i16).to_be_bytes());
                }
                payload.push(payload.iter().fold(0, |sum: u8, byte| sum.wrapping_add(*byte)));
                let kind = FrameKind::Received;
                Frame { number: 1, t_us: n * 1_000_000 / RATE, kind, endpoint: 0, payload }
            })
            .collect();
        let findings = probed(&frames);
        assert_eq!(binary(&findings).length_field, has_length.then_some((2, 0)));
        let guess = guess::table(&findings, "quay-shunt");
        assert_eq!(guess.contains("tag ="), !has_length, "{guess}");
        let (values, complaints) = decoded(&guess, &frames);
        assert_eq!((values.len(), complaints), (frames.len(), 0), "{guess}");
    }
}

#[test]
fn memory_is_bounded_and_what_is_left_out_is_counted() {
    let mut probe = Probe::default();
    let (kind, payload) = (FrameKind::Received, vec![7; 64 << 10]);
    let piece = Frame { number: 1, t_us: 0, kind, endpoint: 0, payload };
    for _ in 0..200 {
        probe.frame(&piece);
    }
    assert!(probe.bytes.len() <= MOST_BYTES);
    let findings = probe.findings(&[]);
    assert_eq!((findings.bytes, findings.looked_at_bytes), (200 << 16, MOST_BYTES as u64));
}
