//! `[sources.NAME.options]` of `frames`, as a person writes them. The schema in
//! `docs/decoders/frames.schema.json` is made from these types.

use std::collections::BTreeMap;
use std::fmt;

use serde::de::value::MapAccessDeserializer;
use serde::de::{self, MapAccess, Visitor};
use serde::{Deserialize, Deserializer};

pub use super::hex::Hex;
use super::value::{Endian, Type};

/// The options; `framing` and `frames` must be there.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Options {
    /// How a frame is told from the next.
    pub framing: Framing,
    /// The bytes every frame begins with, in hexadecimal; with `framing = "sync"`.
    #[serde(default)]
    pub sync: Option<Hex>,
    /// How many bytes a frame has in all, `sync` and checksum included: a number,
    /// or where in the frame it is written. With `framing = "sync"` or `"length"`.
    #[serde(default)]
    pub length: Option<LengthOptions>,
    /// The most bytes a frame may have, up to 4096; longer ones are rubbish.
    #[serde(default = "longest")]
    pub longest: usize,
    /// Which byte of a number comes first, where a field says nothing else.
    #[serde(default)]
    pub endian: Endian,
    /// What protects a frame; nothing if missing.
    #[serde(default)]
    pub checksum: Option<ChecksumOptions>,
    /// Where the number lies that tells the kinds of frames apart.
    #[serde(default)]
    pub tag: Option<PlaceOptions>,
    /// Tags of frames that come too and are not read.
    #[serde(default)]
    pub ignore: Vec<i64>,
    /// The kinds of frames.
    pub frames: Vec<FrameOptions>,
    /// What is sent again and again so that frames come.
    #[serde(default)]
    pub requests: Vec<RequestOptions>,
}

fn longest() -> usize {
    256
}

/// How a frame is told from the next.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub enum Framing {
    /// It begins with the bytes in `sync` and has the length in `length`.
    Sync,
    /// It has the length in `length`; only its checksum shows where it begins.
    Length,
    /// It is stuffed by COBS and ends with a zero.
    Cobs,
    /// It is stuffed by SLIP (RFC 1055) and ends with C0.
    Slip,
    /// Each piece that arrives is a frame, as a Bluetooth notification is.
    Whole,
}

/// How long frames are.
#[derive(Clone, Debug, PartialEq, Eq)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[cfg_attr(test, schemars(untagged))]
pub enum LengthOptions {
    /// All have so many bytes.
    Bytes(usize),
    /// Each says so itself.
    Field(LengthFieldOptions),
}

impl<'de> Deserialize<'de> for LengthOptions {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct Either;

        impl<'de> Visitor<'de> for Either {
            type Value = LengthOptions;

            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("a number of bytes, or where it is written, as in { at = 2, plus = 4 }")
            }

            fn visit_u64<E: de::Error>(self, n: u64) -> Result<LengthOptions, E> {
                usize::try_from(n).map(LengthOptions::Bytes).map_err(E::custom)
            }

            fn visit_map<A: MapAccess<'de>>(self, map: A) -> Result<LengthOptions, A::Error> {
                let field = LengthFieldOptions::deserialize(MapAccessDeserializer::new(map))?;
                Ok(LengthOptions::Field(field))
            }
        }

        deserializer.deserialize_any(Either)
    }
}

/// Where a frame says how long it is.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct LengthFieldOptions {
    /// First byte of the number, counted from 0 at the frame's beginning.
    pub at: i32,
    /// How it is written.
    #[serde(default, rename = "type")]
    pub written: Type,
    /// Which of its bytes comes first.
    #[serde(default)]
    pub endian: Option<Endian>,
    /// How many more bytes the whole frame has than the number says.
    #[serde(default)]
    pub plus: i64,
}

/// Where a number lies.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct PlaceOptions {
    /// First byte, counted from 0 at the frame's beginning.
    pub at: i32,
    /// How it is written.
    #[serde(default, rename = "type")]
    pub written: Type,
    /// Which of its bytes comes first.
    #[serde(default)]
    pub endian: Option<Endian>,
    /// The lowest and the highest bit that count, 0 the least significant.
    #[serde(default)]
    pub bits: Option<[u32; 2]>,
}

/// A frame's checksum.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct ChecksumOptions {
    /// `sum8`, `sum8-negated`, `sum16`, `xor8`, or a CRC by its name in the
    /// catalogue, such as `CRC-16/MODBUS`.
    pub algorithm: String,
    /// Its first byte; from the frame's end if negative. At the end if missing.
    #[serde(default)]
    pub at: Option<i32>,
    /// The first byte it covers; the frame's first if missing.
    #[serde(default)]
    pub from: i32,
    /// The last byte it covers; from the frame's end if negative. The one ahead
    /// of the checksum if missing.
    #[serde(default)]
    pub to: Option<i32>,
    /// Which of its bytes comes first.
    #[serde(default)]
    pub endian: Option<Endian>,
}

/// One kind of frame.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct FrameOptions {
    /// A name for it.
    pub name: String,
    /// The number that tells it from the other kinds.
    #[serde(default)]
    pub tag: Option<i64>,
    /// How many bytes it has in all, where the kinds differ in length.
    #[serde(default)]
    pub length: Option<usize>,
    /// What is read from it.
    pub fields: Vec<FieldOptions>,
}

/// One field of a frame.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct FieldOptions {
    /// Its name; `[sources.NAME.fields.…]` says what it is, with scale and unit.
    pub name: String,
    /// First byte, counted from 0 at the frame's beginning; from its end if
    /// negative.
    pub at: i32,
    /// How it is written.
    #[serde(default, rename = "type")]
    pub written: Type,
    /// Which of its bytes comes first.
    #[serde(default)]
    pub endian: Option<Endian>,
    /// The lowest and the highest bit that count, 0 the least significant.
    #[serde(default)]
    pub bits: Option<[u32; 2]>,
    /// For a number that is a state and no reading: its values with their names.
    #[serde(default)]
    pub states: BTreeMap<i64, String>,
    /// Which of the states are faults, to be reported when they come.
    #[serde(default)]
    pub faults: Vec<i64>,
}

/// Something to send again and again; `hex` or `text` must be there.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct RequestOptions {
    /// The bytes, in hexadecimal.
    #[serde(default)]
    pub hex: Option<Hex>,
    /// The same as text.
    #[serde(default)]
    pub text: Option<String>,
    /// How often, ms.
    #[serde(default = "every")]
    pub every_ms: u32,
    /// A checksum to append.
    #[serde(default)]
    pub checksum: Option<AppendOptions>,
    /// Where to, where there is more than one place.
    #[serde(default)]
    pub endpoint: u16,
}

fn every() -> u32 {
    1000
}

/// A checksum that is put behind a request.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct AppendOptions {
    /// Its name, as in the frames' own `checksum`.
    pub algorithm: String,
    /// The first byte it covers; it covers all up to the end.
    #[serde(default)]
    pub from: i32,
    /// Which of its bytes comes first.
    #[serde(default)]
    pub endian: Option<Endian>,
}
