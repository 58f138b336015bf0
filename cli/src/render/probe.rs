//! What a look at an unknown instrument found, for people. Every hint is called
//! one and has its figure.

use ampledger_decoders::probe::guess::rounded;
use ampledger_decoders::probe::{
    BinaryFound, Content, Cut, Findings, Load, Move, Place, SealFound, Shape, TextForm, TextFound,
};

use super::style;
use super::table::{Side, table};

/// Constant bytes that are shown.
const SHOWN_BYTES: usize = 16;

/// The name for the guessed table: the source's, or the file's without its ending.
pub fn source_name(source: &str) -> String {
    let file = source.rsplit('/').next().unwrap_or(source);
    let stem = file.split('.').next().unwrap_or(file);
    if stem.is_empty() { "probed".to_owned() } else { stem.to_owned() }
}

/// Everything.
pub fn probe(findings: &Findings, name: &str, guess: &str) -> String {
    let mut parts = vec![style::strong(&arrived(findings, name))];
    match &findings.content {
        Content::Nothing => return parts.join("\n"),
        Content::Text(found) => parts.extend(text(found)),
        Content::Binary(found) => parts.extend(binary(found)),
    }
    let moves = match &findings.content {
        Content::Text(found) => found.moves.clone(),
        Content::Binary(found) => found.shapes.iter().flat_map(|s| s.moves.clone()).collect(),
        Content::Nothing => Vec::new(),
    };
    parts.push(format!("\n{}", with_load(&moves, &findings.load)));
    parts.push(format!("\n{guess}"));
    parts.join("\n")
}

fn arrived(findings: &Findings, name: &str) -> String {
    let Findings { bytes, pieces, length_second, .. } = findings;
    let mut text = format!("{name}: {bytes} bytes arrived in {pieces} pieces");
    if findings.is_record || *length_second <= 0.0 {
        text.push_str("; the file says nothing of when, so that pauses are not known.");
    } else {
        text.push_str(&format!(
            " over {length_second:.1} s: {:.0} bytes, {:.1} pieces a second.",
            *bytes as f64 / length_second,
            *pieces as f64 / length_second
        ));
    }
    if findings.requests > 0 {
        text.push_str(&format!(" It was asked {} times.", findings.requests));
    }
    if findings.endpoints.len() > 1 {
        let all: Vec<String> =
            findings.endpoints.iter().map(|(e, n)| format!("{n} bytes from {e}")).collect();
        text.push_str(&format!(
            " Several endpoints: {}; what follows is about {}.",
            all.join(", "),
            findings.endpoint
        ));
    } else if findings.looked_at_bytes < *bytes {
        text.push_str(&format!(" The first {} were looked at.", findings.looked_at_bytes));
    }
    text
}

fn text(found: &TextFound) -> Vec<String> {
    let form = match found.form {
        TextForm::Json => "JSON objects",
        TextForm::Pairs => "keys with values",
        TextForm::Columns => "columns",
    };
    let mark = if found.decimal == ',' { ", decimal comma" } else { "" };
    let mut parts =
        vec![format!("Text: {} lines that end with {}, {form}{mark}.", found.lines, found.end)];
    parts.extend(found.shown.iter().map(|line| style::faint(&format!("  {line}"))));
    let row = |c: &ampledger_decoders::probe::Column| {
        vec![c.name.clone(), c.count.to_string(), rounded(c.lowest), rounded(c.highest)]
    };
    let rows: Vec<Vec<String>> = found.columns.iter().map(row).collect();
    if !rows.is_empty() {
        let head = [
            ("  column", Side::Left),
            ("numbers", Side::Right),
            ("lowest", Side::Right),
            ("highest", Side::Right),
        ];
        parts.push(format!("\n{}", indented(&table(&head, &rows))));
    }
    parts
}

fn indented(text: &str) -> String {
    let mut lines = text.trim_end().lines();
    let head = lines.next().unwrap_or_default().to_owned();
    std::iter::once(head)
        .chain(lines.map(|line| format!("  {line}")))
        .collect::<Vec<_>>()
        .join("\n")
}

fn binary(found: &BinaryFound) -> Vec<String> {
    let parted = match &found.cut {
        Cut::Pause { between_second, within_second } => format!(
            "Packets are parted by pauses: {} s at least between two, {} s at most within one.",
            rounded(*between_second),
            rounded(*within_second)
        ),
        Cut::Pieces => "Each piece that arrives is taken for a packet.".to_owned(),
        Cut::Cobs => "Frames are stuffed by COBS; places count in the frame unstuffed.".to_owned(),
        Cut::Slip => "Frames are stuffed by SLIP; places count in the frame unstuffed.".to_owned(),
        Cut::Begins(begin) => format!(
            "No pauses part the packets; {} comes again at even distances and is taken for their \
             beginning.",
            hex(begin)
        ),
        Cut::Nothing => {
            "Nothing was found that parts one packet from the next. A wrong baud rate looks like \
             this."
                .to_owned()
        }
    };
    let mut parts = vec![format!("Not text. {parted}")];
    let lengths: Vec<String> =
        found.shapes.iter().map(|s| format!("{} of {} bytes", s.count, s.length)).collect();
    let others = match found.others {
        0 => String::new(),
        n => format!(", {n} of other lengths"),
    };
    parts.push(format!("{} packets: {}{others}.", found.packets, lengths.join(", ")));
    if let Some((at, plus)) = found.length_field {
        let plus = match plus {
            0 => String::new(),
            plus => format!(" plus {plus}"),
        };
        parts.push(format!("hint: byte {at}{plus} is the length."));
    }
    parts.push(checksum(found.seal.as_ref()));
    parts.extend(found.shapes.iter().map(shape));
    parts
}

fn checksum(seal: Option<&SealFound>) -> String {
    let Some(seal) = seal else {
        return "No checksum was found that fits all of twenty packets that differ.".to_owned();
    };
    let order = match (seal.octets, seal.is_big_endian) {
        (1, _) => "",
        (_, true) => ", high byte first",
        (_, false) => ", low byte first",
    };
    let behind = match seal.behind {
        0 => "at the end".to_owned(),
        n => format!("{n} bytes before the end"),
    };
    let others = match seal.others {
        0 => String::new(),
        n => format!(" ({n} other ways of reckoning fit too)"),
    };
    format!(
        "hint: the checksum is {}{order}, {behind}, over all before it from byte {}: it fits all \
         {} packets that differ{others}.",
        seal.algorithm, seal.from, seal.fits
    )
}

fn shape(shape: &Shape) -> String {
    let mut text = format!("\nPackets of {} bytes ({})", shape.length, shape.count);
    let shown = shape.constant.iter().take(SHOWN_BYTES);
    let constant: Vec<String> = shown.map(|(at, byte)| format!("{at}: {byte:02x}")).collect();
    let more = if shape.constant.len() > SHOWN_BYTES { " …" } else { "" };
    if !constant.is_empty() {
        text.push_str(&format!("\n  always the same   {}{more}", constant.join("  ")));
    }
    if !shape.counters.is_empty() {
        let places: Vec<String> = shape.counters.iter().map(ToString::to_string).collect();
        text.push_str(&format!("\n  counts up by one  {}", places.join("  ")));
    }
    text
}

fn with_load(moves: &[Move], load: &Load) -> String {
    if !load.is_known() {
        return "Nobody said when a load was switched, so that no number can be told from another. \
                Press Enter at each switch, or give the times with --switched."
            .to_owned();
    }
    if moves.is_empty() {
        return "hint: no number was found that moves with the load.".to_owned();
    }
    let row = |found: &Move| {
        let (at, written) = match &found.place {
            Place::Column(name) => (name.clone(), String::new()),
            Place::Bytes { at, written, is_big_endian } => {
                let order = match (*written, is_big_endian) {
                    ("u8" | "i8", _) => "",
                    (_, true) => " big",
                    (_, false) => " little",
                };
                (at.to_string(), format!("{written}{order}"))
            }
        };
        let apart = format!("{:.0} spreads", found.spreads);
        vec![at, written, rounded(found.on), rounded(found.off), apart]
    };
    let rows: Vec<Vec<String>> = moves.iter().map(row).collect();
    let head = [
        ("  at", Side::Right),
        ("type", Side::Left),
        ("load on", Side::Right),
        ("load off", Side::Right),
        ("apart", Side::Right),
    ];
    let settle = rounded(load.settle_second);
    let mut text = format!(
        "hint: these move with the load ({} switches; {settle} s on both sides of each left out):\n{}",
        load.switched_us.len(),
        table(&head, &rows).trim_end()
    );
    if !load.is_enough() || moves.iter().any(|found| !found.is_confident) {
        text.push_str(
            "\nSo few switches prove little: whatever drifts is different afterwards too. Switch \
             twice on and twice off at least.",
        );
    }
    text
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect::<Vec<_>>().join(" ")
}

#[cfg(test)]
mod tests {
    use ampledger_decoders::probe::{Probe, guess};
    use ampledger_types::{Frame, FrameKind};

    use super::*;

    fn told(switched: &[i64]) -> String {
        let mut probe = Probe::default();
        for n in 0..600i64 {
            let is_on = switched.iter().filter(|s| **s <= n * 200_000).count() % 2 == 1;
            let current = if is_on { -12_100i16 } else { 0 } + (n * 7 % 11) as i16;
            let mut payload = vec![0x59, 0x44, n as u8];
            payload.extend(current.to_be_bytes());
            payload.push(payload.iter().fold(0, |sum: u8, byte| sum.wrapping_add(*byte)));
            let kind = FrameKind::Received;
            probe.frame(&Frame { number: 1, t_us: n * 200_000, kind, endpoint: 0, payload });
        }
        let findings = probe.findings(switched);
        let guess = guess::table(&findings, "quay-shunt");
        let text = super::probe(&findings, "quay-shunt", &guess);
        anstream::adapter::strip_str(&text).to_string()
    }

    #[test]
    fn hints_are_called_hints_and_have_their_figures() {
        let text = told(&[20, 40, 60, 80].map(|s| s * 1_000_000));
        for part in [
            "600 of 6 bytes",
            "0: 59  1: 44",
            "counts up by one  2",
            "hint: the checksum is sum8",
            "hint: these move with the load (4 switches",
            "i16 big",
            "[sources.quay-shunt]",
        ] {
            assert!(text.contains(part), "{part} is not in\n{text}");
        }
        assert!(!text.contains("prove little"), "{text}");
    }

    #[test]
    fn a_single_switch_is_said_to_prove_little_and_none_is_said_too() {
        assert!(told(&[60_000_000]).contains("prove little"));
        assert!(told(&[]).contains("Nobody said when"));
    }

    #[test]
    fn the_guess_is_named_after_the_source_or_the_file() {
        for (source, name) in
            [("load", "load"), ("/tmp/quay-shunt.frames.jsonl", "quay-shunt"), ("./.hex", "probed")]
        {
            assert_eq!(source_name(source), name);
        }
    }
}
