//! A `[sources.NAME]` table to go on from: what was found, written as a layout that
//! the decoders take. It is a guess and says so; which quantity a number is, only
//! the instrument's display can tell.

use std::fmt::Write;

use super::moves::{Move, Place};
use super::{BinaryFound, Content, Cut, Findings, Shape, TextForm, TextFound};
use crate::mapping::Mapping;

/// Bytes of a beginning that are taken: more may be values that did not change yet.
const LONGEST_SYNC: usize = 2;

/// The table, as TOML.
pub fn table(findings: &Findings, name: &str) -> String {
    let name = key(name);
    match &findings.content {
        Content::Nothing => raw(&name),
        Content::Text(found) => text(found, &name),
        Content::Binary(found) => binary(found, &name),
    }
}

/// A name as a key of TOML.
fn key(name: &str) -> String {
    let is_bare = |c: char| c.is_ascii_alphanumeric() || c == '-' || c == '_';
    match !name.is_empty() && name.chars().all(is_bare) {
        true => name.to_owned(),
        // A JSON string is a basic string of TOML too.
        false => serde_json::Value::from(name).to_string(),
    }
}

fn head(name: &str, decoder: &str) -> String {
    format!(
        "# A guess from what arrived. Hold it against the instrument's display and correct it.\n\
         # Its connection ([sources.{name}.serial]) goes here too.\n\
         [sources.{name}]\ndecoder = \"{decoder}\"\n"
    )
}

fn raw(name: &str) -> String {
    head(name, "raw")
}

/// What a field is said to be. The clearest hint may be the current: nobody knows.
struct Field {
    name: String,
    channel: Option<String>,
    quantity: &'static str,
    remark: String,
}

fn fields(name: &str, fields: &[Field]) -> String {
    let mut text = String::new();
    for field in fields {
        let _ = write!(
            text,
            "\n# {}\n[sources.{name}.fields.{}]\nquantity = \"{}\"\n",
            field.remark,
            key(&field.name),
            field.quantity
        );
        if let Some(channel) = &field.channel {
            let _ = writeln!(text, "channel = \"{channel}\"");
        }
        // Which way round and how large, the display tells.
        text.push_str("scale = 1.0\n");
        if field.quantity == "current_ampere" {
            text.push_str("sign = \"charging-positive\"\n");
        }
    }
    text
}

const UNKNOWN: &str = "GUESS: only to have something to look at; say what it is.";

fn hint(found: &Move) -> String {
    format!(
        "GUESS: moves with the load ({} on, {} off); say what it is, its scale and its sign.",
        rounded(found.on),
        rounded(found.off)
    )
}

/// Four digits, which is enough for a hint.
pub fn rounded(value: f64) -> String {
    if value == 0.0 || !value.is_finite() {
        return value.to_string();
    }
    let digits = (3 - value.abs().log10().floor() as i32).clamp(0, 9) as usize;
    let text = format!("{value:.digits$}");
    match text.contains('.') {
        true => text.trim_end_matches('0').trim_end_matches('.').to_owned(),
        false => text,
    }
}

fn text(found: &TextFound, name: &str) -> String {
    let decoder = if found.form == TextForm::Json { "json-lines" } else { "text-lines" };
    let mut text = head(name, decoder);
    if found.decimal == ',' {
        let _ = write!(text, "\n[sources.{name}.options]\ndecimal = \"comma\"\n");
    }
    let of_itself = Mapping::default();
    let is_known = |column: &str| of_itself.field(column).is_ok_and(|field| field.is_some());
    let moved = found.moves.iter().find_map(|m| match &m.place {
        Place::Column(column) => Some((column, m)),
        Place::Bytes { .. } => None,
    });
    let guessed = match moved {
        Some((column, _)) if is_known(column) => None,
        Some((column, m)) => Some((column, "current_ampere", hint(m))),
        None if found.columns.iter().any(|column| is_known(&column.name)) => None,
        None => found.columns.first().map(|c| (&c.name, "voltage_volt", UNKNOWN.to_owned())),
    };
    match guessed {
        None => text.push_str("# Its numbers are recognised by their names.\n"),
        Some((column, quantity, remark)) => {
            let (name_of, channel) = (column.clone(), None);
            text.push_str(&fields(name, &[Field { name: name_of, channel, quantity, remark }]));
        }
    }
    text
}

/// How the packets of a layout are told apart.
enum Kinds<'a> {
    /// All have one layout.
    One(&'a Shape),
    /// The byte at a place is another in each length.
    Tagged(usize, Vec<&'a Shape>),
}

fn binary(found: &BinaryFound, name: &str) -> String {
    let Some(first) = found.shapes.first() else { return raw(name) };
    let sync = sync(found);
    let framing = match (&found.cut, &found.seal) {
        (Cut::Cobs, _) => "cobs",
        (Cut::Slip, _) => "slip",
        _ if !sync.is_empty() => "sync",
        (_, Some(_)) => "length",
        _ => "whole",
    };
    let is_counted = matches!(framing, "sync" | "length");
    let mut text = head(name, "frames");
    let _ = write!(text, "\n[sources.{name}.options]\nframing = \"{framing}\"\n");
    if framing == "sync" {
        let hex: Vec<String> = sync.iter().map(|byte| format!("{byte:02x}")).collect();
        let _ = writeln!(text, "sync = \"{}\"", hex.join(" "));
    }
    let longest = found.shapes.iter().map(|shape| shape.length).max().unwrap_or(0);
    if longest > 256 {
        let _ = writeln!(text, "longest = {}", longest.min(4096));
    }
    let kinds = match tag(found, sync.len()) {
        _ if found.length_field.is_some() && is_counted => Kinds::One(first),
        Some(at) if found.shapes.len() > 1 => Kinds::Tagged(at, found.shapes.iter().collect()),
        _ => Kinds::One(first),
    };
    match (&kinds, found.length_field) {
        (_, Some((at, plus))) if is_counted => {
            let _ = writeln!(text, "length = {{ at = {at}, plus = {plus} }}");
        }
        (Kinds::One(shape), _) if is_counted => {
            let _ = writeln!(text, "length = {}", shape.length);
        }
        _ => {}
    }
    if let Kinds::Tagged(at, _) = &kinds {
        let _ = writeln!(text, "tag = {{ at = {at} }}");
    }
    text.push_str(&checksum(found));
    let shapes: Vec<&Shape> = match &kinds {
        Kinds::One(shape) => vec![shape],
        Kinds::Tagged(_, shapes) => shapes.clone(),
    };
    let mut all = Vec::new();
    for (i, shape) in shapes.iter().enumerate() {
        let _ = write!(text, "\n[[sources.{name}.options.frames]]\nname = \"kind-{}\"\n", i + 1);
        if let Kinds::Tagged(at, _) = &kinds {
            let _ = writeln!(text, "tag = {}", shape.constant_at(*at).unwrap_or(0));
            if is_counted && found.length_field.is_none() {
                let _ = writeln!(text, "length = {}", shape.length);
            }
        }
        let (lines, field) = frame_fields(shape, i, found, sync.len());
        text.push_str(&lines);
        all.push(field);
    }
    text.push_str(&fields(name, &all));
    text
}

/// The bytes that every packet begins with.
fn sync(found: &BinaryFound) -> Vec<u8> {
    if let Cut::Begins(begin) = &found.cut {
        return begin.clone();
    }
    let Some(first) = found.shapes.first() else { return Vec::new() };
    let same = |at: usize| {
        let byte = first.constant_at(at)?;
        found.shapes.iter().all(|shape| shape.constant_at(at) == Some(byte)).then_some(byte)
    };
    // A length or a sum in the first bytes would be no beginning.
    let sealed = found.seal.as_ref().map_or(usize::MAX, |seal| seal.octets_at(first.length).start);
    (0..LONGEST_SYNC.min(sealed)).map_while(same).collect()
}

/// The place of a byte that is constant in each length, and in no two the same.
fn tag(found: &BinaryFound, from: usize) -> Option<usize> {
    let shortest = found.shapes.iter().map(|shape| shape.length).min()?;
    (from..shortest.min(8)).find(|at| {
        let values: Option<Vec<u8>> = found.shapes.iter().map(|s| s.constant_at(*at)).collect();
        values.is_some_and(|mut values| {
            values.sort_unstable();
            values.windows(2).all(|pair| pair[0] != pair[1])
        })
    })
}

fn checksum(found: &BinaryFound) -> String {
    let Some(seal) = &found.seal else { return String::new() };
    let mut keys = vec![format!("algorithm = \"{}\"", seal.algorithm)];
    if seal.behind > 0 {
        keys.push(format!("at = -{}", seal.octets + seal.behind));
    }
    if seal.from > 0 {
        keys.push(format!("from = {}", seal.from));
    }
    if seal.octets > 1 {
        let endian = if seal.is_big_endian { "big" } else { "little" };
        keys.push(format!("endian = \"{endian}\""));
    }
    format!("checksum = {{ {} }}\n", keys.join(", "))
}

/// The fields of a kind: the clearest in use, the others to be taken up.
fn frame_fields(shape: &Shape, kind: usize, found: &BinaryFound, from: usize) -> (String, Field) {
    let places = shape.moves.iter().filter_map(|m| match &m.place {
        Place::Bytes { at, written, is_big_endian } => Some((*at, *written, *is_big_endian, m)),
        Place::Column(_) => None,
    });
    let places: Vec<_> = places.collect();
    let sealed = found.seal.as_ref().map(|seal| seal.octets_at(shape.length)).unwrap_or(0..0);
    let varies = |at: &usize| shape.constant_at(*at).is_none() && !sealed.contains(at);
    let first = match places.first() {
        Some((at, written, big, _)) => (*at, *written, *big),
        None => (((from..shape.length).find(varies)).unwrap_or(0), "u8", false),
    };
    let name = |at: usize| match kind {
        0 => format!("x{at}"),
        kind => format!("x{at}-{}", kind + 1),
    };
    let line = |(at, written, big): (usize, &str, bool)| {
        let endian = if big { ", endian = \"big\"" } else { "" };
        format!("{{ name = \"{}\", at = {at}, type = \"{written}\"{endian} }},\n", name(at))
    };
    let mut text = format!("fields = [\n  {}", line(first));
    for (at, written, big, m) in places.iter().skip(1) {
        let place = line((*at, *written, *big));
        let _ = write!(text, "  # {} on, {} off:\n  # {place}", rounded(m.on), rounded(m.off));
    }
    text.push_str("]\n");
    let (quantity, remark) = match places.first() {
        Some((.., m)) => ("current_ampere", hint(m)),
        None => ("voltage_volt", UNKNOWN.to_owned()),
    };
    let channel = (kind > 0).then(|| name(first.0));
    (text, Field { name: name(first.0), channel, quantity, remark })
}
