//! Write a decoder for Ampledger in Rust, as a plugin: implement [`Decoder`],
//! say `ampledger_plugin::export!(YourType);`, and build a `cdylib`. No unsafe
//! code is needed, and a panic costs the plugin a restart and nothing else.
//! `decoders/examples/rust` is a whole one, explained line by line.

pub mod abi;
mod outputs;
mod shim;

pub use outputs::Outputs;
pub use shim::{Table, table};

/// What happened on the connection.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Input<'a> {
    /// It was opened afresh: whatever was half read is void.
    Opened {
        /// `true` for a record played from its beginning; `false` for a live
        /// line, which may be tuned into half-way.
        record: bool,
    },
    /// Bytes arrived, cut anywhere.
    Received {
        /// Which characteristic or address; 0 where there is only one.
        endpoint: u16,
        /// The bytes.
        bytes: &'a [u8],
    },
    /// What [`Outputs::send`] asked for has been written.
    Sent {
        /// Where to.
        endpoint: u16,
        /// What was written.
        bytes: &'a [u8],
    },
    /// What [`Outputs::drain`] asked for is done: the line was quiet.
    Drained,
    /// The time asked for with [`Outputs::wake`] has come.
    Deadline,
    /// Somebody wants something of the instrument; answer with
    /// [`Outputs::done`].
    Command {
        /// `{"id": 7, "name": "zero", "arguments": …}`
        json: &'a str,
    },
    /// It was closed or lost.
    Closed,
}

/// Why something could not be read.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[repr(u32)]
pub enum ComplaintKind {
    /// It is not what this decoder reads.
    NotMine = abi::NOT_MINE,
    /// It is cut off, or too long.
    Incomplete = abi::INCOMPLETE,
    /// Its checksum is wrong.
    BadCheck = abi::BAD_CHECK,
    /// It was read, but cannot be true.
    Implausible = abi::IMPLAUSIBLE,
    /// The instrument did not answer in time.
    NoAnswer = abi::NO_ANSWER,
    /// The instrument reported an error of its own.
    InstrumentError = abi::INSTRUMENT_ERROR,
}

/// What protects a frame against damage on the way.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[repr(u32)]
pub enum Integrity {
    /// Nothing: a flipped bit can pass as another number.
    None = abi::INTEGRITY_NONE,
    /// A sum or parity.
    Sum = abi::INTEGRITY_SUM,
    /// A cyclic redundancy check or better.
    Crc = abi::INTEGRITY_CRC,
}

/// What is wrong with the options.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Refusal {
    /// Which option, as `baud` or `cells.count`; empty if it is all of them.
    pub key: String,
    /// What would be right.
    pub what: String,
}

impl Refusal {
    /// A refusal of one option.
    pub fn new(key: impl Into<String>, what: impl Into<String>) -> Self {
        Refusal { key: key.into(), what: what.into() }
    }
}

/// A decoder. It reads no clock and does no I/O; its memory is bounded
/// whatever it is given, and rubbish costs only the frame it fell into.
pub trait Decoder: Sized {
    /// A short name, as `yard-shunt`.
    const NAME: &'static str;
    /// Grows whenever the same input may give other readings.
    const VERSION: &'static str;
    /// What it reads, in a sentence.
    const SUMMARY: &'static str;
    /// What protects its frames.
    const INTEGRITY: Integrity;
    /// Whether [`Decoder::save`] and [`Decoder::restore`] do something.
    const SAVES: bool = false;

    /// Makes one for a source. `options` is its table of options, as JSON.
    fn open(options: &str) -> Result<Self, Refusal>;

    /// Takes in one thing that happened at `now_us` (microseconds, never going
    /// backwards) and says what there is to say.
    fn handle(&mut self, now_us: i64, input: Input<'_>, out: &mut Outputs<'_>);

    /// The whole state.
    fn save(&self) -> Vec<u8> {
        Vec::new()
    }

    /// Takes up a state; `false` if it is not its own.
    fn restore(&mut self, _state: &[u8]) -> bool {
        false
    }
}

/// Exports a [`Decoder`] as the plugin of this library.
#[macro_export]
macro_rules! export {
    ($decoder:ty) => {
        static AMPLEDGER_PLUGIN: $crate::Table = $crate::table::<$decoder>();

        /// The one function that a plugin exports.
        // SAFETY: no other symbol of the library has this name.
        #[unsafe(no_mangle)]
        pub extern "C" fn ampledger_plugin() -> *const $crate::abi::Plugin {
            AMPLEDGER_PLUGIN.as_ptr()
        }
    };
}
