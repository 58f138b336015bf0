//! What a decoder makes of a capture, as it comes: rows for people, lines of JSON
//! for programs. Holds a few rows at most, to know the columns.

use std::collections::{BTreeMap, BTreeSet};
use std::io::{self, Write};

use ampledger_decoders::{Complaint, Integrity};
use ampledger_types::{Channel, Frame, FrameKind, Sample};
use serde_json::{Map, Value, json};

use super::style;

/// Complaints of one kind that are shown; more are counted.
const SHOWN: u64 = 3;
/// Rows that wait until the columns are known.
const LOOK_AHEAD: usize = 200;

/// What was counted so far.
pub struct Decoded {
    decoder: &'static str,
    integrity: Integrity,
    /// Time of the first frame.
    pub first_us: i64,
    last_us: i64,
    /// Frames of the capture.
    pub frames: u64,
    bytes: u64,
    /// Samples that came out.
    pub samples: u64,
    bytes_skipped: u64,
    complaints: BTreeMap<&'static str, u64>,
    /// Channels that had a reading.
    heard: BTreeSet<String>,
    /// Fields that are configured and had none.
    pub never_read: Vec<String>,
}

impl Decoded {
    /// Nothing yet.
    pub fn new(decoder: &'static str, integrity: Integrity) -> Self {
        Decoded {
            decoder,
            integrity,
            first_us: 0,
            last_us: 0,
            frames: 0,
            bytes: 0,
            samples: 0,
            bytes_skipped: 0,
            complaints: BTreeMap::new(),
            heard: BTreeSet::new(),
            never_read: Vec::new(),
        }
    }

    /// A frame of the capture.
    pub fn count(&mut self, frame: &Frame) {
        self.frames += 1;
        self.last_us = frame.t_us;
        if frame.kind == FrameKind::Received {
            self.bytes += frame.payload.len() as u64;
        }
    }

    /// A sample came out.
    pub fn sampled(&mut self, sample: &Sample) {
        self.samples += 1;
        for (channel, value) in sample.group.channels.iter().zip(&sample.values) {
            if !value.is_nan() && !self.heard.contains(&channel.name) {
                self.heard.insert(channel.name.clone());
            }
        }
    }

    /// Whether a channel had a reading.
    pub fn is_heard(&self, channel: &str) -> bool {
        self.heard.contains(channel)
    }

    /// The decoder could not read something. Returns whether it is worth showing.
    pub fn complained(&mut self, complaint: &Complaint) -> bool {
        self.bytes_skipped += complaint.bytes_skipped as u64;
        let count = self.complaints.entry(complaint.kind.word()).or_default();
        *count += 1;
        *count <= SHOWN
    }

    fn second(&self, t_us: i64) -> f64 {
        (t_us - self.first_us) as f64 / 1e6
    }

    fn in_words(&self) -> String {
        let length = self.second(self.last_us);
        let mut text =
            format!("{}: {} readings from {} bytes", self.decoder, self.samples, self.bytes);
        if length > 0.0 {
            text.push_str(&format!(
                " in {length:.1} s, {:.1} a second",
                self.samples as f64 / length
            ));
        }
        text.push_str(&format!("; {}.", self.integrity.words()));
        let kinds =
            self.complaints.iter().map(|(kind, n)| format!("{n} {}", kind.replace('_', " ")));
        let kinds: Vec<String> = kinds.collect();
        match kinds.is_empty() {
            true => text.push_str(" Nothing was left over."),
            false => text.push_str(&format!(
                " Not read: {}; {} bytes skipped.",
                kinds.join(", "),
                self.bytes_skipped
            )),
        }
        if self.samples > 0 && !self.never_read.is_empty() {
            let advice = super::sources::never_read(&self.never_read);
            text.push_str(&format!(" But {advice}."));
        }
        if self.samples == 0 {
            text.push_str(" Nothing could be read: check decoder, options and the file.");
        }
        text
    }

    fn summary(&self) -> Value {
        json!({ "summary": {
            "decoder": self.decoder, "integrity": self.integrity, "frames": self.frames,
            "bytes": self.bytes, "length_second": self.second(self.last_us),
            "samples": self.samples, "bytes_skipped": self.bytes_skipped,
            "complaints": self.complaints, "never_read": self.never_read,
        }})
    }
}

/// Shows what a decoder says.
pub trait Said {
    /// A sample.
    fn sample(&mut self, decoded: &Decoded, sample: Sample) -> io::Result<()>;
    /// Something that could not be read; `is_shown` unless there are many.
    fn complaint(
        &mut self,
        decoded: &Decoded,
        t_us: i64,
        complaint: &Complaint,
        is_shown: bool,
    ) -> io::Result<()>;
    /// The instrument said who it is.
    fn identity(&mut self, decoded: &Decoded, t_us: i64, text: &str) -> io::Result<()>;
    /// That was all.
    fn end(&mut self, decoded: &Decoded) -> io::Result<()>;
}

/// Lines of JSON.
pub struct Lines<'a>(pub &'a mut dyn Write);

impl Said for Lines<'_> {
    fn sample(&mut self, decoded: &Decoded, sample: Sample) -> io::Result<()> {
        let values: Map<String, Value> = (sample.group.channels.iter())
            .zip(&sample.values)
            .map(|(channel, value)| (title(channel), json!(value)))
            .collect();
        let line = json!({
            "time_second": decoded.second(sample.t_us),
            "group": sample.group.name,
            "instrument_t_us": sample.instrument_t_us,
            "values": values,
        });
        writeln!(self.0, "{line}")
    }

    fn complaint(
        &mut self,
        decoded: &Decoded,
        t_us: i64,
        complaint: &Complaint,
        _: bool,
    ) -> io::Result<()> {
        let line = json!({ "time_second": decoded.second(t_us), "complaint": {
            "kind": complaint.kind.word(), "bytes_skipped": complaint.bytes_skipped,
            "detail": complaint.detail,
        }});
        writeln!(self.0, "{line}")
    }

    fn identity(&mut self, decoded: &Decoded, t_us: i64, text: &str) -> io::Result<()> {
        writeln!(self.0, "{}", json!({ "time_second": decoded.second(t_us), "identity": text }))
    }

    fn end(&mut self, decoded: &Decoded) -> io::Result<()> {
        writeln!(self.0, "{}", decoded.summary())
    }
}

/// Rows of text. A column a channel; when a new one comes, the head is printed
/// again.
pub struct Rows<'a> {
    out: &'a mut dyn Write,
    columns: Vec<Channel>,
    waiting: Vec<Row>,
    has_begun: bool,
}

enum Row {
    Sample(f64, Sample),
    Remark(f64, String),
}

impl<'a> Rows<'a> {
    /// Prints to `out`.
    pub fn new(out: &'a mut dyn Write) -> Self {
        Rows { out, columns: Vec::new(), waiting: Vec::new(), has_begun: false }
    }

    fn row(&mut self, row: Row) -> io::Result<()> {
        let mut is_new = false;
        if let Row::Sample(_, sample) = &row {
            for channel in &sample.group.channels {
                if !self.columns.contains(channel) {
                    self.columns.push(channel.clone());
                    is_new = true;
                }
            }
        }
        if !self.has_begun {
            self.waiting.push(row);
            return if self.waiting.len() >= LOOK_AHEAD { self.begin() } else { Ok(()) };
        }
        if is_new {
            self.head()?;
        }
        self.print(&row)
    }

    fn begin(&mut self) -> io::Result<()> {
        self.has_begun = true;
        if !self.columns.is_empty() {
            self.head()?;
        }
        for row in std::mem::take(&mut self.waiting) {
            self.print(&row)?;
        }
        Ok(())
    }

    fn head(&mut self) -> io::Result<()> {
        let mut line = format!("{:>12}", "time / s");
        for channel in &self.columns {
            line.push_str(&format!("  {:>width$}", head(channel), width = width(channel)));
        }
        writeln!(self.out, "{}", style::faint(&line))
    }

    fn print(&mut self, row: &Row) -> io::Result<()> {
        match row {
            Row::Remark(second, text) => {
                writeln!(self.out, "{}", style::open(&format!("{second:>12.3}  {text}")))
            }
            Row::Sample(second, sample) => {
                let mut line = format!("{second:>12.3}");
                for channel in &self.columns {
                    let at = sample.group.channels.iter().position(|c| c == channel);
                    let cell = match at.and_then(|at| sample.values.get(at)) {
                        Some(value) if value.is_nan() => "-".to_owned(),
                        Some(value) => value.to_string(),
                        None => String::new(),
                    };
                    line.push_str(&format!("  {cell:>width$}", width = width(channel)));
                }
                writeln!(self.out, "{}", line.trim_end())
            }
        }
    }
}

fn title(channel: &Channel) -> String {
    match channel.instrument.as_str() {
        "" => channel.name.clone(),
        instrument => format!("{instrument}.{}", channel.name),
    }
}

/// The channel with its unit, which the quantity's own name has already.
fn head(channel: &Channel) -> String {
    match channel.name == channel.quantity.name() {
        true => title(channel),
        false => format!("{} / {}", title(channel), channel.quantity.unit().symbol()),
    }
}

fn width(channel: &Channel) -> usize {
    head(channel).chars().count().max(10)
}

impl Said for Rows<'_> {
    fn sample(&mut self, decoded: &Decoded, sample: Sample) -> io::Result<()> {
        self.row(Row::Sample(decoded.second(sample.t_us), sample))
    }

    fn complaint(
        &mut self,
        decoded: &Decoded,
        t_us: i64,
        complaint: &Complaint,
        is_shown: bool,
    ) -> io::Result<()> {
        if !is_shown {
            return Ok(());
        }
        let kind = complaint.kind.word().replace('_', " ");
        self.row(Row::Remark(decoded.second(t_us), format!("{kind}: {}", complaint.detail)))
    }

    fn identity(&mut self, decoded: &Decoded, t_us: i64, text: &str) -> io::Result<()> {
        self.row(Row::Remark(decoded.second(t_us), format!("says it is: {text}")))
    }

    fn end(&mut self, decoded: &Decoded) -> io::Result<()> {
        if !self.has_begun {
            self.begin()?;
        }
        writeln!(self.out, "\n{}", style::strong(&decoded.in_words()))
    }
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;

    use ampledger_types::{Group, Quantity};

    use super::*;

    fn sample(quantity: Quantity, t_us: i64, value: f64) -> Sample {
        let channels = vec![Channel::of(quantity)];
        let group = Arc::new(Group { name: quantity.name(), channels });
        Sample { group, t_us, instrument_t_us: None, values: vec![value] }
    }

    fn shown(samples: &[Sample]) -> String {
        let mut out = Vec::new();
        let mut rows = Rows::new(&mut out);
        let mut decoded = Decoded::new("frames", Integrity::Crc);
        for sample in samples {
            decoded.samples += 1;
            rows.sample(&decoded, sample.clone()).unwrap();
        }
        rows.end(&decoded).unwrap();
        anstream::adapter::strip_str(&String::from_utf8(out).unwrap()).to_string()
    }

    #[test]
    fn groups_that_take_turns_share_one_head() {
        let text = shown(&[
            sample(Quantity::Voltage, 0, 26.41),
            sample(Quantity::Current, 500_000, -12.1),
            sample(Quantity::Voltage, 1_000_000, f64::NAN),
        ]);
        let lines: Vec<&str> = text.lines().collect();
        assert_eq!(lines[0], "    time / s  voltage_volt  current_ampere");
        assert_eq!(lines[1], "       0.000         26.41");
        assert_eq!(lines[2], "       0.500                         -12.1");
        assert_eq!(lines[3], "       1.000             -");
        assert!(lines[5].starts_with("frames: 3 readings"), "{text}");
    }

    #[test]
    fn a_channel_that_comes_late_gets_its_own_head() {
        let mut samples = vec![sample(Quantity::Voltage, 0, 26.4); LOOK_AHEAD + 1];
        samples.push(sample(Quantity::Current, 0, -12.1));
        let heads = shown(&samples).lines().filter(|line| line.contains("time / s")).count();
        assert_eq!(heads, 2);
    }

    #[test]
    fn nothing_read_is_said_with_what_to_check() {
        assert!(shown(&[]).contains("Nothing could be read"));
    }
}
