//! What a decoder says while it handles an input: each call goes through the
//! host's table to the host. One of the files with unsafe code.
#![allow(unsafe_code, reason = "it calls the host's functions")]

use std::marker::PhantomData;

use crate::ComplaintKind;
use crate::abi::{self, Host, Text, Value};

/// Where a decoder says what there is to say. Every call copies what it is
/// given. `false` means that it was not taken: there is too much of it.
#[derive(Debug)]
pub struct Outputs<'a> {
    host: &'a Host,
    values: Vec<Value>,
    /// The host is called from the thread that it called.
    one_thread: PhantomData<*const ()>,
}

/// Calls one of the host's functions, if it has it.
macro_rules! call {
    ($self:ident, $name:ident $(, $argument:expr)*) => {
        match $self.host.$name {
            // SAFETY: the host's table is valid while it calls us, its context
            // belongs to its functions, and what is pointed to lives on the
            // stack until the call returns.
            Some(function) => unsafe {
                function($self.host.context $(, $argument)*) == abi::OK
            },
            None => false,
        }
    };
}

impl<'a> Outputs<'a> {
    pub(crate) fn new(host: &'a Host) -> Self {
        Outputs { host, values: Vec::new(), one_thread: PhantomData }
    }

    /// Numbers that belong to this moment, each with its field's name. NaN
    /// stands for 'no value'.
    pub fn reading(&mut self, values: &[(&str, f64)]) -> bool {
        self.reading_with_time(values, abi::NO_TIME)
    }

    /// The same with the instrument's own time, microseconds.
    pub fn reading_with_time(&mut self, values: &[(&str, f64)], instrument_time_us: i64) -> bool {
        self.values.clear();
        let each =
            values.iter().map(|(field, number)| Value { field: Text::of(field), number: *number });
        self.values.extend(each);
        let reading = abi::Reading {
            struct_size: size_of::<abi::Reading>() as u32,
            count: u32::try_from(self.values.len()).unwrap_or(u32::MAX),
            values: self.values.as_ptr(),
            instrument_time_us,
        };
        call!(self, reading, &raw const reading)
    }

    /// Something that could not be read, and how many bytes were given up.
    pub fn complaint(&mut self, kind: ComplaintKind, bytes_skipped: usize, detail: &str) -> bool {
        let complaint = abi::Complaint {
            struct_size: size_of::<abi::Complaint>() as u32,
            kind: kind as u32,
            bytes_skipped: bytes_skipped as u64,
            detail: Text::of(detail),
        };
        call!(self, complaint, &raw const complaint)
    }

    /// The instrument said who it is.
    pub fn identity(&mut self, text: &str) -> bool {
        call!(self, identity, Text::of(text))
    }

    /// The next request: write these bytes. [`crate::Input::Sent`] follows.
    pub fn send(&mut self, endpoint: u16, bytes: &[u8]) -> bool {
        call!(self, send, u32::from(endpoint), bytes.as_ptr(), bytes.len())
    }

    /// Throw away what arrives until it was quiet for so long.
    /// [`crate::Input::Drained`] follows.
    pub fn drain(&mut self, quiet_us: i64) -> bool {
        call!(self, drain, quiet_us)
    }

    /// Give [`crate::Input::Deadline`] at this time. The latest one counts;
    /// `None` calls it off.
    pub fn wake(&mut self, at_us: Option<i64>) -> bool {
        call!(self, wake, at_us.unwrap_or(abi::NO_TIME))
    }

    /// A command is done, with a JSON value or nothing, or not, and why.
    pub fn done(&mut self, id: u64, result: Result<&str, &str>) -> bool {
        let (worked, text) = match result {
            Ok(json) => (1, json),
            Err(why) => (0, why),
        };
        call!(self, done, id, worked, Text::of(text))
    }
}
