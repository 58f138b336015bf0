//! The host's table: C functions that a plugin calls. Each checks whose turn it
//! is and what it is given before it looks at it. One of the files with unsafe
//! code.
#![allow(unsafe_code, reason = "it is called from C")]

use std::ffi::c_void;

use ampledger_decoders::{ComplaintKind, Output};
use ampledger_plugin::abi::{self, Complaint, Host, Reading, Text, Value};

use crate::collector::{Collector, LONGEST_NAME, MOST_VALUES};

/// The table for one collector.
pub(crate) fn table(collector: *mut Collector) -> Host {
    Host {
        struct_size: size_of::<Host>() as u32,
        abi_version: abi::ABI_VERSION,
        context: collector.cast(),
        reading: Some(reading),
        complaint: Some(complaint),
        identity: Some(identity),
        send: Some(send),
        drain: Some(drain),
        wake: Some(wake),
        done: Some(done),
        state: Some(state),
        refuse: Some(refuse),
    }
}

/// Bytes of a plugin's.
///
/// # Safety
/// `length` bytes are there, if it is not 0, and stay while the result lives.
pub(crate) unsafe fn bytes<'a>(bytes: *const u8, length: usize) -> &'a [u8] {
    if bytes.is_null() || length == 0 || length > isize::MAX as usize {
        return &[];
    }
    // SAFETY: the caller says so.
    unsafe { std::slice::from_raw_parts(bytes, length) }
}

/// Runs `act` on the collector, if the call comes from the right thread.
fn with(context: *mut c_void, act: impl FnOnce(&mut Collector) -> bool) -> i32 {
    let collector = context.cast::<Collector>();
    if collector.is_null() || !collector.is_aligned() {
        return abi::FAILED;
    }
    // SAFETY: the adapter keeps the collector until the process ends, and its
    // thread is never written to after it was made.
    if unsafe { (*collector).thread } != std::thread::current().id() {
        return abi::FAILED;
    }
    // SAFETY: on this thread nobody else holds a reference: the adapter lets go
    // of its own while it calls the plugin.
    let taken = act(unsafe { &mut *collector });
    if taken { abi::OK } else { abi::FAILED }
}

unsafe extern "C" fn reading(context: *mut c_void, reading: *const Reading) -> i32 {
    if reading.is_null() || !reading.is_aligned() {
        return abi::FAILED;
    }
    // SAFETY: the size stands first in every version of the struct.
    if (unsafe { (*reading).struct_size } as usize) < size_of::<Reading>() {
        return abi::FAILED;
    }
    // SAFETY: the plugin says that so many bytes are there, until we return.
    let reading = unsafe { &*reading };
    let count = reading.count as usize;
    // A count that cannot be is an error: cut short it would be made-up values.
    if count == 0 || count > MOST_VALUES || reading.values.is_null() {
        return abi::FAILED;
    }
    if !reading.values.is_aligned() {
        return abi::FAILED;
    }
    // SAFETY: as many values as it says.
    let values: &[Value] = unsafe { std::slice::from_raw_parts(reading.values, count) };
    if values.iter().any(|value| name(&value.field).is_none()) {
        return abi::FAILED;
    }
    let values = values.iter().filter_map(|value| Some((name(&value.field)?, value.number)));
    let time = (reading.instrument_time_us != abi::NO_TIME).then_some(reading.instrument_time_us);
    with(context, |collector| collector.reading(time, count, values))
}

fn name(text: &Text) -> Option<&str> {
    if text.length == 0 || text.length > LONGEST_NAME {
        return None;
    }
    // SAFETY: the plugin says that so many bytes are there, until we return.
    std::str::from_utf8(unsafe { bytes(text.bytes.cast(), text.length) }).ok()
}

unsafe extern "C" fn complaint(context: *mut c_void, complaint: *const Complaint) -> i32 {
    if complaint.is_null() || !complaint.is_aligned() {
        return abi::FAILED;
    }
    // SAFETY: the size stands first in every version of the struct.
    if (unsafe { (*complaint).struct_size } as usize) < size_of::<Complaint>() {
        return abi::FAILED;
    }
    // SAFETY: the plugin says that so many bytes are there, until we return.
    let complaint = unsafe { &*complaint };
    let kind = match complaint.kind {
        abi::NOT_MINE => ComplaintKind::NotMine,
        abi::INCOMPLETE => ComplaintKind::Incomplete,
        abi::BAD_CHECK => ComplaintKind::BadCheck,
        abi::IMPLAUSIBLE => ComplaintKind::Implausible,
        abi::NO_ANSWER => ComplaintKind::NoAnswer,
        abi::INSTRUMENT_ERROR => ComplaintKind::InstrumentError,
        _ => return abi::FAILED,
    };
    // SAFETY: as above.
    let detail = unsafe { bytes(complaint.detail.bytes.cast(), complaint.detail.length) };
    with(context, |collector| collector.complaint(kind, complaint.bytes_skipped, detail))
}

unsafe extern "C" fn identity(context: *mut c_void, text: Text) -> i32 {
    // SAFETY: the plugin says that so many bytes are there, until we return.
    let text = unsafe { bytes(text.bytes.cast(), text.length) };
    with(context, |collector| collector.identity(text))
}

unsafe extern "C" fn send(
    context: *mut c_void,
    endpoint: u32,
    sent: *const u8,
    length: usize,
) -> i32 {
    let Ok(endpoint) = u16::try_from(endpoint) else { return abi::FAILED };
    // SAFETY: the plugin says that so many bytes are there, until we return.
    let sent = unsafe { bytes(sent, length) };
    with(context, |collector| collector.send(endpoint, sent))
}

unsafe extern "C" fn drain(context: *mut c_void, quiet_us: i64) -> i32 {
    with(context, |collector| quiet_us >= 0 && collector.say(0, || Output::Drain { quiet_us }))
}

unsafe extern "C" fn wake(context: *mut c_void, at_us: i64) -> i32 {
    let at_us = (at_us != abi::NO_TIME).then_some(at_us);
    with(context, |collector| collector.say(0, || Output::Wake(at_us)))
}

unsafe extern "C" fn done(context: *mut c_void, id: u64, worked: i32, text: Text) -> i32 {
    // SAFETY: the plugin says that so many bytes are there, until we return.
    let text = unsafe { bytes(text.bytes.cast(), text.length) };
    with(context, |collector| collector.done(id, worked != 0, text))
}

unsafe extern "C" fn state(context: *mut c_void, saved: *const u8, length: usize) -> i32 {
    // SAFETY: the plugin says that so many bytes are there, until we return.
    let saved = unsafe { bytes(saved, length) };
    with(context, |collector| collector.state(saved))
}

unsafe extern "C" fn refuse(context: *mut c_void, key: Text, what: Text) -> i32 {
    // SAFETY: the plugin says that so many bytes are there, until we return.
    let (key, what) =
        unsafe { (bytes(key.bytes.cast(), key.length), bytes(what.bytes.cast(), what.length)) };
    with(context, |collector| collector.refuse(key, what))
}
