//! The C interface between a plugin and its host, in Rust: the one truth, as
//! `decoders/include/ampledger_plugin.h` tells it to C. A test compares the two
//! member by member. The header says what each thing means. No code is here.

use std::ffi::{c_char, c_void};

/// The version of this interface.
pub const ABI_VERSION: u32 = 1;
/// The name of the one function that a plugin exports, of type [`Entry`].
pub const SYMBOL: &str = "ampledger_plugin";

/// What a call returns that worked.
pub const OK: i32 = 0;
/// What a call returns that did not.
pub const FAILED: i32 = -1;

/// [`Input::kind`]: opened afresh.
pub const OPENED: u32 = 1;
/// [`Input::kind`]: bytes arrived.
pub const RECEIVED: u32 = 2;
/// [`Input::kind`]: bytes were written.
pub const SENT: u32 = 3;
/// [`Input::kind`]: the line was quiet.
pub const DRAINED: u32 = 4;
/// [`Input::kind`]: the time has come.
pub const DEADLINE: u32 = 5;
/// [`Input::kind`]: a command, as JSON.
pub const COMMAND: u32 = 6;
/// [`Input::kind`]: closed or lost.
pub const CLOSED: u32 = 7;

/// [`Input::flags`] of [`OPENED`]: a record is played from its beginning.
pub const FLAG_RECORD: u32 = 1;

/// No time: the instrument sends none, or a wake-up is called off.
pub const NO_TIME: i64 = i64::MIN;

/// [`Complaint::kind`]: not what this decoder reads.
pub const NOT_MINE: u32 = 1;
/// [`Complaint::kind`]: cut off, or too long.
pub const INCOMPLETE: u32 = 2;
/// [`Complaint::kind`]: its checksum is wrong.
pub const BAD_CHECK: u32 = 3;
/// [`Complaint::kind`]: read, but cannot be true.
pub const IMPLAUSIBLE: u32 = 4;
/// [`Complaint::kind`]: no answer in time.
pub const NO_ANSWER: u32 = 5;
/// [`Complaint::kind`]: the instrument reported an error.
pub const INSTRUMENT_ERROR: u32 = 6;

/// [`Plugin::integrity`]: nothing.
pub const INTEGRITY_NONE: u32 = 0;
/// [`Plugin::integrity`]: a sum or parity.
pub const INTEGRITY_SUM: u32 = 1;
/// [`Plugin::integrity`]: a cyclic redundancy check or better.
pub const INTEGRITY_CRC: u32 = 2;

/// A string: UTF-8 bytes, not ended by NUL.
#[repr(C)]
#[derive(Clone, Copy, Debug)]
pub struct Text {
    /// Where it begins; may be null where it is empty.
    pub bytes: *const c_char,
    /// How many bytes.
    pub length: usize,
}

impl Text {
    /// A string of Rust's, for as long as that lives.
    pub const fn of(text: &str) -> Text {
        Text { bytes: text.as_ptr().cast(), length: text.len() }
    }
}

/// One thing that happened.
#[repr(C)]
#[derive(Debug)]
pub struct Input {
    /// Size of this struct.
    pub struct_size: u32,
    /// What happened.
    pub kind: u32,
    /// When, microseconds.
    pub now_us: i64,
    /// Which characteristic or address.
    pub endpoint: u32,
    /// Depends on the kind.
    pub flags: u32,
    /// The bytes, where the kind has any.
    pub bytes: *const u8,
    /// How many.
    pub length: usize,
}

/// One number of a reading. Stands in an array and never grows.
#[repr(C)]
#[derive(Clone, Copy, Debug)]
pub struct Value {
    /// The plugin's own name for it.
    pub field: Text,
    /// The number; NaN for 'no value'.
    pub number: f64,
}

/// Numbers that belong to one moment.
#[repr(C)]
#[derive(Debug)]
pub struct Reading {
    /// Size of this struct.
    pub struct_size: u32,
    /// How many numbers.
    pub count: u32,
    /// The numbers.
    pub values: *const Value,
    /// The instrument's own time, or [`NO_TIME`].
    pub instrument_time_us: i64,
}

/// Something that could not be read.
#[repr(C)]
#[derive(Debug)]
pub struct Complaint {
    /// Size of this struct.
    pub struct_size: u32,
    /// What kind.
    pub kind: u32,
    /// How many bytes were given up for it.
    pub bytes_skipped: u64,
    /// In words.
    pub detail: Text,
}

/// What the plugin can say.
#[repr(C)]
#[derive(Debug)]
pub struct Host {
    /// Size of this struct.
    pub struct_size: u32,
    /// The interface's version that the host speaks.
    pub abi_version: u32,
    /// First argument of every call.
    pub context: *mut c_void,
    /// A reading.
    pub reading: Option<unsafe extern "C" fn(*mut c_void, *const Reading) -> i32>,
    /// A complaint.
    pub complaint: Option<unsafe extern "C" fn(*mut c_void, *const Complaint) -> i32>,
    /// The instrument said who it is.
    pub identity: Option<unsafe extern "C" fn(*mut c_void, Text) -> i32>,
    /// Write bytes to an endpoint.
    pub send: Option<unsafe extern "C" fn(*mut c_void, u32, *const u8, usize) -> i32>,
    /// Wait until the line is quiet for so long, microseconds.
    pub drain: Option<unsafe extern "C" fn(*mut c_void, i64) -> i32>,
    /// Give a deadline at this time.
    pub wake: Option<unsafe extern "C" fn(*mut c_void, i64) -> i32>,
    /// A command is done, or not.
    pub done: Option<unsafe extern "C" fn(*mut c_void, u64, i32, Text) -> i32>,
    /// The state, during `save`.
    pub state: Option<unsafe extern "C" fn(*mut c_void, *const u8, usize) -> i32>,
    /// What is wrong with an option, during `open`.
    pub refuse: Option<unsafe extern "C" fn(*mut c_void, Text, Text) -> i32>,
}

/// The plugin: who it is and what it does.
#[repr(C)]
#[derive(Debug)]
pub struct Plugin {
    /// Size of this struct.
    pub struct_size: u32,
    /// The interface's version that the plugin was built for.
    pub abi_version: u32,
    /// A short name.
    pub name: Text,
    /// Grows whenever the same input may give other readings.
    pub version: Text,
    /// What it reads.
    pub summary: Text,
    /// What protects its frames.
    pub integrity: u32,
    /// 0.
    pub reserved: u32,
    /// Makes a decoder.
    pub open: Option<unsafe extern "C" fn(*const Host, Text) -> *mut c_void>,
    /// Takes in one thing that happened.
    pub handle: Option<unsafe extern "C" fn(*mut c_void, *const Input) -> i32>,
    /// Ends the decoder.
    pub close: Option<unsafe extern "C" fn(*mut c_void)>,
    /// Gives the whole state.
    pub save: Option<unsafe extern "C" fn(*mut c_void) -> i32>,
    /// Takes up a state.
    pub restore: Option<unsafe extern "C" fn(*mut c_void, *const u8, usize) -> i32>,
}

/// The type of the one function that a plugin exports.
pub type Entry = unsafe extern "C" fn() -> *const Plugin;
