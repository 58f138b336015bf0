//! What travels between a host and whoever started it: messages in a compact
//! form, each with its length and a CRC-32 before it. Both sides are of one
//! build or refuse each other; nothing here does I/O.

use std::borrow::Cow;
use std::sync::Arc;

use ampledger_decoders::{Complaint, ComplaintKind, Integrity, Output};
use ampledger_types::{Frame, FrameKind, Group, Sample};
use crc::{CRC_32_ISO_HDLC, Crc};
use serde::{Deserialize, Serialize};

/// Grows with every change of the messages.
pub const WIRE_VERSION: u16 = 1;
/// No message is longer.
pub const LONGEST_MESSAGE_BYTES: usize = 8 << 20;
/// Length and check that stand before a message.
pub const HEAD_BYTES: usize = 8;
/// No group has more channels, and no reading more values.
pub const MOST_CHANNELS: usize = 1024;
/// Groups that one host may name.
const MOST_GROUPS: usize = 1024;

const CRC: Crc<u32, crc::Table<16>> = Crc::<u32, crc::Table<16>>::new(&CRC_32_ISO_HDLC);

/// What is said to a host.
#[derive(Debug, Serialize, Deserialize)]
pub enum ToHost<'a> {
    /// First: load this library and open a decoder.
    Open {
        /// [`WIRE_VERSION`]
        wire: u16,
        /// The library's path.
        file: Cow<'a, str>,
        /// The decoder's configuration, as JSON.
        config: Cow<'a, str>,
        /// How much memory the process may have.
        memory_bytes: u64,
    },
    /// Inputs in order.
    Batch {
        /// Number of the batch, from 1.
        number: u64,
        /// The inputs.
        #[serde(borrow)]
        inputs: Vec<Numbered<'a>>,
    },
    /// Give the decoder's state.
    Save,
    /// Take up a state.
    Restore {
        /// As it was saved.
        #[serde(with = "serde_bytes")]
        state: &'a [u8],
    },
}

/// One input with its number and time.
#[derive(Debug, Serialize, Deserialize)]
pub struct Numbered<'a> {
    number: u64,
    t_us: i64,
    kind: FrameKind,
    endpoint: u16,
    #[serde(with = "serde_bytes")]
    payload: &'a [u8],
}

impl<'a> Numbered<'a> {
    /// An input as the frame log has it.
    pub fn of(frame: &'a Frame) -> Self {
        let Frame { number, t_us, kind, endpoint, ref payload } = *frame;
        Numbered { number, t_us, kind, endpoint, payload }
    }

    /// The input as the frame log has it.
    pub fn to_frame(&self) -> Frame {
        let Numbered { number, t_us, kind, endpoint, payload } = *self;
        Frame { number, t_us, kind, endpoint, payload: payload.to_vec() }
    }
}

/// What a host says.
#[derive(Debug, Serialize, Deserialize)]
pub enum FromHost<'a> {
    /// First, before it is asked anything.
    Hello {
        /// [`WIRE_VERSION`]
        wire: u16,
    },
    /// The library is loaded and a decoder is open.
    Opened(Described),
    /// It cannot be used, for this reason; the host ends.
    Refused {
        /// In words.
        reason: String,
    },
    /// What came of a batch.
    Said {
        /// Number of the batch.
        batch: u64,
        /// All inputs up to this number are dealt with.
        acknowledged: u64,
        /// What the decoder took for them, nanoseconds.
        spent_ns: u64,
        /// Groups that are named for the first time, as JSON; numbered from 0
        /// over all that this host names.
        groups: Vec<String>,
        /// What the decoder said, each with the number of its input.
        #[serde(borrow)]
        outputs: Vec<(u64, Said<'a>)>,
    },
    /// The decoder's state; `None` if it gives none.
    Saved(#[serde(borrow)] Option<&'a serde_bytes::Bytes>),
    /// The state is taken up, or not, and why.
    Restored(Result<(), String>),
    /// The decoder cannot go on; the host ends.
    Broken {
        /// The input it was handling.
        number: u64,
        /// In words.
        reason: String,
    },
}

/// Who a plugin says it is.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Described {
    /// Its name.
    pub name: String,
    /// Its version, and what its file is: `1.2 (sha256 0123456789ab)`.
    pub version: String,
    /// What it reads.
    pub summary: String,
    /// What protects its frames.
    pub integrity: Integrity,
    /// The interface's version it was built for.
    pub abi_version: u32,
    /// Whether it can save its state.
    pub saves: bool,
    /// What the kernel holds it back with.
    pub fences: Vec<String>,
}

/// One thing that a decoder said.
#[derive(Debug, Serialize, Deserialize)]
pub enum Said<'a> {
    /// A sample of a group that was named.
    Sample {
        /// Number of the group.
        group: u32,
        /// Its time.
        t_us: i64,
        /// The instrument's own.
        instrument_t_us: Option<i64>,
        /// Its values.
        values: Cow<'a, [f64]>,
    },
    /// A complaint.
    Complaint {
        /// What kind.
        kind: ComplaintKind,
        /// Bytes given up.
        bytes_skipped: u64,
        /// In words.
        #[serde(borrow)]
        detail: Cow<'a, str>,
    },
    /// Who the instrument is.
    Identity {
        /// Which.
        instrument: Cow<'a, str>,
        /// Its words.
        text: Cow<'a, str>,
    },
    /// Write bytes.
    Send {
        /// Where to.
        endpoint: u16,
        /// What.
        #[serde(borrow, with = "serde_bytes")]
        bytes: Cow<'a, [u8]>,
    },
    /// Wait for quiet.
    Drain {
        /// For how long.
        quiet_us: i64,
    },
    /// Give a deadline.
    Wake(Option<i64>),
    /// A command is done.
    CommandDone {
        /// Which.
        id: u64,
        /// A JSON value, or why not.
        result: Result<String, String>,
    },
}

/// A message that is none.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Garbled(pub String);

/// Writes a message, with its head, over what is in `into`.
pub fn encode(message: &impl Serialize, into: &mut Vec<u8>) -> Result<(), Garbled> {
    into.clear();
    into.extend([0; HEAD_BYTES]);
    let mut made = postcard::to_extend(message, std::mem::take(into))
        .map_err(|error| Garbled(error.to_string()))?;
    let body = &made[HEAD_BYTES..];
    if body.len() > LONGEST_MESSAGE_BYTES {
        return Err(Garbled(format!("a message of {} bytes is too long", body.len())));
    }
    let (length, check) = (body.len() as u32, CRC.checksum(body));
    made[..4].copy_from_slice(&length.to_le_bytes());
    made[4..HEAD_BYTES].copy_from_slice(&check.to_le_bytes());
    *into = made;
    Ok(())
}

/// The length that a head announces.
pub fn length(head: [u8; HEAD_BYTES]) -> Result<usize, Garbled> {
    let length = u32::from_le_bytes([head[0], head[1], head[2], head[3]]) as usize;
    match length <= LONGEST_MESSAGE_BYTES {
        true => Ok(length),
        false => Err(Garbled(format!("it announces a message of {length} bytes"))),
    }
}

/// Reads the message behind a head.
pub fn decode<'a, M: Deserialize<'a>>(
    head: [u8; HEAD_BYTES],
    body: &'a [u8],
) -> Result<M, Garbled> {
    if u32::from_le_bytes([head[4], head[5], head[6], head[7]]) != CRC.checksum(body) {
        return Err(Garbled("a message's check is wrong".to_owned()));
    }
    match postcard::take_from_bytes(body) {
        Ok((message, [])) => Ok(message),
        Ok((_, rest)) => Err(Garbled(format!("{} bytes too many in a message", rest.len()))),
        Err(error) => Err(Garbled(format!("a message cannot be read: {error}"))),
    }
}

/// The groups of a host, as both sides number them.
#[derive(Debug, Default)]
pub struct Groups(Vec<Arc<Group>>);

impl Groups {
    /// The number of a group; one that is new is appended to `fresh`.
    pub fn number(&mut self, group: &Arc<Group>, fresh: &mut Vec<String>) -> u32 {
        let known = self.0.iter().rposition(|g| Arc::ptr_eq(g, group));
        let at = known.unwrap_or_else(|| {
            fresh.push(serde_json::to_string(group.as_ref()).unwrap_or_default());
            self.0.push(group.clone());
            self.0.len() - 1
        });
        u32::try_from(at).unwrap_or(u32::MAX)
    }

    /// Takes up groups that the other side names.
    pub fn learn(&mut self, fresh: &[String]) -> Result<(), Garbled> {
        for text in fresh {
            let group: Group = serde_json::from_str(text)
                .map_err(|error| Garbled(format!("a group cannot be read: {error}")))?;
            if self.0.len() >= MOST_GROUPS || group.channels.len() > MOST_CHANNELS {
                return Err(Garbled("it names too many groups or channels".to_owned()));
            }
            self.0.push(Arc::new(group));
        }
        Ok(())
    }

    /// What a decoder said, for the wire.
    pub fn to_wire<'a>(&mut self, output: &'a Output, fresh: &mut Vec<String>) -> Said<'a> {
        match output {
            Output::Sample(sample) => Said::Sample {
                group: self.number(&sample.group, fresh),
                t_us: sample.t_us,
                instrument_t_us: sample.instrument_t_us,
                values: Cow::Borrowed(&sample.values),
            },
            Output::Complaint(Complaint { kind, bytes_skipped, detail }) => Said::Complaint {
                kind: *kind,
                bytes_skipped: *bytes_skipped as u64,
                detail: detail.into(),
            },
            Output::Identity { instrument, text } => {
                Said::Identity { instrument: instrument.into(), text: text.into() }
            }
            Output::Send { endpoint, bytes } => {
                Said::Send { endpoint: *endpoint, bytes: Cow::Borrowed(bytes) }
            }
            Output::Drain { quiet_us } => Said::Drain { quiet_us: *quiet_us },
            Output::Wake(t_us) => Said::Wake(*t_us),
            Output::CommandDone { id, result } => Said::CommandDone {
                id: *id,
                result: match result {
                    Ok(value) => Ok(value.to_string()),
                    Err(why) => Err(why.clone()),
                },
            },
        }
    }

    /// What a decoder said, from the wire.
    pub fn from_wire(&self, said: Said<'_>) -> Result<Output, Garbled> {
        Ok(match said {
            Said::Sample { group, t_us, instrument_t_us, values } => {
                let group = self.0.get(group as usize);
                let group = group.ok_or_else(|| Garbled("a sample of no group".to_owned()))?;
                let (group, values) = (group.clone(), values.into_owned());
                Output::Sample(Sample { group, t_us, instrument_t_us, values })
            }
            Said::Complaint { kind, bytes_skipped, detail } => {
                let bytes_skipped = usize::try_from(bytes_skipped).unwrap_or(usize::MAX);
                Output::Complaint(Complaint::new(kind, bytes_skipped, detail))
            }
            Said::Identity { instrument, text } => {
                Output::Identity { instrument: instrument.into_owned(), text: text.into_owned() }
            }
            Said::Send { endpoint, bytes } => Output::Send { endpoint, bytes: bytes.into_owned() },
            Said::Drain { quiet_us } => Output::Drain { quiet_us },
            Said::Wake(t_us) => Output::Wake(t_us),
            Said::CommandDone { id, result } => Output::CommandDone {
                id,
                result: result.and_then(|text| {
                    serde_json::from_str(&text).map_err(|e| format!("its answer is no JSON: {e}"))
                }),
            },
        })
    }
}

#[cfg(test)]
mod tests;
