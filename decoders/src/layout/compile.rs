//! From the options as written to a checked layout. Whatever is wrong is told
//! with its key and what is expected; nothing is guessed.

mod frames;

use super::options::{
    AppendOptions, ChecksumOptions, Framing, LengthOptions, Options, RequestOptions,
};
use super::requests::Request;
use super::seal::Seal;
use super::value::{Endian, Place, Type};
use super::{LONGEST_FRAME_BYTES, Layout, LengthRule};
use crate::config::{ConfigProblem, DecoderConfig, nearest};
use crate::framing::checksum::{self, Algorithm};
use crate::framing::{cobs, slip};
use crate::mapping::Mapping;

type Checked<T> = Result<T, ConfigProblem>;

fn problem<T>(key: impl AsRef<str>, what: impl Into<String>) -> Checked<T> {
    Err(ConfigProblem::new(format!("options.{}", key.as_ref()), what))
}

impl Layout {
    /// Checks a source's options and fields.
    pub fn new(config: &DecoderConfig) -> Checked<Self> {
        let options: Options = config.options()?;
        if !(1..=LONGEST_FRAME_BYTES).contains(&options.longest) {
            return problem("longest", format!("must lie between 1 and {LONGEST_FRAME_BYTES}"));
        }
        let sync = sync(&options)?;
        let tag = match &options.tag {
            None => None,
            Some(tag) => {
                let place = Place {
                    at: tag.at,
                    written: tag.written,
                    endian: tag.endian.unwrap_or(options.endian),
                    bits: checked_bits("tag", tag.bits, tag.written)?,
                };
                Some(checked_start("tag", place, options.longest)?)
            }
        };
        let length = length(&options)?;
        let seal = match &options.checksum {
            Some(checksum) => Some(seal(checksum, &options)?),
            None if options.framing == Framing::Length => {
                return problem(
                    "checksum",
                    "is needed: with `framing = \"length\"` nothing else shows where a frame begins",
                );
            }
            None => None,
        };
        let mapping = Mapping::new(config)?;
        Ok(Layout {
            kinds: frames::kinds(&options, tag.as_ref(), &mapping)?,
            requests: requests(&options.requests, options.framing, options.endian)?,
            framing: options.framing,
            longest: options.longest,
            ignore: options.ignore.iter().copied().map(i128::from).collect(),
            sync,
            seal,
            length,
            tag,
        })
    }
}

fn sync(options: &Options) -> Checked<Vec<u8>> {
    const MOST: usize = 16;
    let bytes = options.sync.as_ref().map(|hex| hex.0.clone());
    match (options.framing, bytes) {
        (Framing::Sync, Some(bytes)) if (1..=MOST).contains(&bytes.len()) => Ok(bytes),
        (Framing::Sync, _) => {
            problem("sync", format!("must be 1 to {MOST} bytes in hexadecimal, as in \"A5 5A\""))
        }
        (_, None) => Ok(Vec::new()),
        (_, Some(_)) => problem("sync", "goes with `framing = \"sync\"` only"),
    }
}

fn length(options: &Options) -> Checked<LengthRule> {
    let is_counted = matches!(options.framing, Framing::Sync | Framing::Length);
    let by_kind = options.frames.iter().any(|frame| frame.length.is_some());
    match &options.length {
        Some(_) if !is_counted => {
            problem("length", "goes with `framing = \"sync\"` or `\"length\"` only")
        }
        Some(LengthOptions::Bytes(n)) if !(1..=options.longest).contains(n) => {
            problem("length", format!("must lie between 1 and `longest`, {}", options.longest))
        }
        Some(LengthOptions::Bytes(n)) => Ok(LengthRule::Fixed(*n)),
        Some(LengthOptions::Field(field)) => {
            let endian = field.endian.unwrap_or(options.endian);
            let place = Place { at: field.at, written: field.written, endian, bits: None };
            Ok(LengthRule::Field(checked_start("length", place, options.longest)?, field.plus))
        }
        None if by_kind || !is_counted => Ok(LengthRule::ByKind),
        None => problem(
            "length",
            "is needed: a number of bytes, or where it is written, as in { at = 2, plus = 4 }",
        ),
    }
}

/// A place that must be readable before the frame is complete.
fn checked_start(key: &str, place: Place, longest: usize) -> Checked<Place> {
    if place.written.is_float() {
        return problem(format!("{key}.type"), "must be an integer, as u8 or u16");
    }
    match usize::try_from(place.at) {
        Ok(at) if at + place.written.octets() <= longest => Ok(place),
        _ => problem(format!("{key}.at"), "must be counted from the frame's beginning, from 0"),
    }
}

fn checked_bits(key: &str, bits: Option<[u32; 2]>, written: Type) -> Checked<Option<(u32, u32)>> {
    let Some([low, high]) = bits else { return Ok(None) };
    let most = 8 * written.octets() as u32 - 1;
    if written.is_float() {
        return problem(
            format!("{key}.bits"),
            "a floating point number has no bits to choose from",
        );
    }
    if low > high || high > most {
        let what = format!(
            "must be the lowest and the highest bit, between 0 and {most}, as in [0, {most}]"
        );
        return problem(format!("{key}.bits"), what);
    }
    Ok(Some((low, high)))
}

fn algorithm(key: &str, name: &str) -> Checked<Algorithm> {
    if let Some(algorithm) = Algorithm::named(name) {
        return Ok(algorithm);
    }
    let names: Vec<String> = checksum::names().collect();
    let upper = name.to_uppercase();
    let near = nearest(&upper, names.iter().map(String::as_str));
    let near = near.or_else(|| nearest(name, names.iter().map(String::as_str)));
    let mut what = format!(
        "`{name}` is no checksum; write sum8, sum8-negated, sum16, xor8 or a name of the CRC \
         catalogue, as CRC-16/MODBUS"
    );
    if let Some(near) = near {
        what.push_str(&format!("; did you mean `{near}`?"));
    }
    problem(format!("{key}.algorithm"), what)
}

fn seal(checksum: &ChecksumOptions, options: &Options) -> Checked<Seal> {
    let algorithm = algorithm("checksum", &checksum.algorithm)?;
    let octets = algorithm.octets() as i32;
    let at = checksum.at.unwrap_or(-octets);
    if (-octets + 1..0).contains(&at) {
        let what = format!("{} has {octets} bytes; write {} or less", algorithm.name(), -octets);
        return problem("checksum.at", what);
    }
    let too_far = |at: i32| i64::from(at).unsigned_abs() > options.longest as u64;
    for (key, at) in [("at", at), ("from", checksum.from), ("to", checksum.to.unwrap_or(0))] {
        if too_far(at) {
            let what = format!("lies outside of a frame of `longest`, {} bytes", options.longest);
            return problem(format!("checksum.{key}"), what);
        }
    }
    let endian = checksum.endian.unwrap_or(options.endian);
    Ok(Seal { algorithm, at, from: checksum.from, to: checksum.to, endian })
}

/// Checks what is sent again and again, and stuffs it as the framing asks.
pub(crate) fn requests(
    list: &[RequestOptions],
    framing: Framing,
    endian: Endian,
) -> Checked<Vec<Request>> {
    const MOST: usize = 32;
    if list.len() > MOST {
        return problem("requests", format!("there can be {MOST} at most"));
    }
    let one = |(i, request)| one_request(&format!("requests[{i}]"), request, framing, endian);
    list.iter().enumerate().map(one).collect()
}

fn one_request(
    key: &str,
    request: &RequestOptions,
    framing: Framing,
    endian: Endian,
) -> Checked<Request> {
    const LONGEST: usize = 256;
    if !(10..=86_400_000).contains(&request.every_ms) {
        return problem(format!("{key}.every_ms"), "must lie between 10 and 86400000");
    }
    let mut bytes = match (&request.hex, &request.text) {
        (Some(hex), None) => hex.0.clone(),
        (None, Some(text)) => text.as_bytes().to_vec(),
        _ => return problem(format!("{key}.hex"), "either `hex` or `text` must be there"),
    };
    if !(1..=LONGEST).contains(&bytes.len()) {
        return problem(format!("{key}.hex"), format!("must be 1 to {LONGEST} bytes"));
    }
    if let Some(append) = &request.checksum {
        appended(key, append, endian)?.append(&mut bytes);
    }
    let bytes = match framing {
        Framing::Cobs => cobs::encode(&bytes),
        Framing::Slip => slip::encode(&bytes),
        Framing::Sync | Framing::Length | Framing::Whole => bytes,
    };
    let every_us = i64::from(request.every_ms) * 1000;
    Ok(Request { bytes, endpoint: request.endpoint, every_us })
}

fn appended(key: &str, append: &AppendOptions, endian: Endian) -> Checked<Seal> {
    let algorithm = algorithm(&format!("{key}.checksum"), &append.algorithm)?;
    let endian = append.endian.unwrap_or(endian);
    Ok(Seal { algorithm, at: 0, from: append.from, to: None, endian })
}
