//! The C functions round a [`Decoder`]: they turn pointers into references and
//! let no panic out. One of the files with unsafe code.
#![allow(unsafe_code, reason = "it is called from C")]

use std::ffi::c_void;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::ptr;

use crate::abi::{self, Host, Plugin, Text};
use crate::{Decoder, Input, Outputs, Refusal};

/// The table that a plugin exports.
#[derive(Debug)]
pub struct Table(Plugin);

// SAFETY: the table is never written to, and what it points to is `'static`.
unsafe impl Sync for Table {}

impl Table {
    /// As the exported function returns it.
    pub fn as_ptr(&self) -> *const Plugin {
        &raw const self.0
    }
}

/// The table of one decoder.
pub const fn table<D: Decoder>() -> Table {
    Table(Plugin {
        struct_size: size_of::<Plugin>() as u32,
        abi_version: abi::ABI_VERSION,
        name: Text::of(D::NAME),
        version: Text::of(D::VERSION),
        summary: Text::of(D::SUMMARY),
        integrity: D::INTEGRITY as u32,
        reserved: 0,
        open: Some(open::<D>),
        handle: Some(handle::<D>),
        close: Some(close::<D>),
        save: if D::SAVES { Some(save::<D>) } else { None },
        restore: if D::SAVES { Some(restore::<D>) } else { None },
    })
}

/// One open decoder, as the host holds it.
struct Instance<D> {
    decoder: D,
    host: *const Host,
}

/// Bytes of the host's, for as long as it lets us have them.
///
/// # Safety
/// `length` bytes are there, if it is not 0, and stay while the result lives.
unsafe fn slice<'a>(bytes: *const u8, length: usize) -> &'a [u8] {
    if bytes.is_null() || length == 0 {
        return &[];
    }
    // SAFETY: the caller says so.
    unsafe { std::slice::from_raw_parts(bytes, length) }
}

unsafe extern "C" fn open<D: Decoder>(host: *const Host, options: Text) -> *mut c_void {
    // SAFETY: the host gives a string that lives until this call returns.
    let options = unsafe { slice(options.bytes.cast(), options.length) };
    let made = catch_unwind(|| match std::str::from_utf8(options) {
        Ok(options) => D::open(options),
        Err(_) => Err(Refusal::new("", "the options are no text")),
    });
    match made {
        Ok(Ok(decoder)) => Box::into_raw(Box::new(Instance { decoder, host })).cast(),
        Ok(Err(refusal)) => {
            // SAFETY: the host's table is valid until the process ends.
            let Some(host) = (unsafe { host.as_ref() }) else { return ptr::null_mut() };
            if let Some(refuse) = host.refuse {
                // SAFETY: the context belongs to its functions, and the strings
                // live until the call returns.
                unsafe { refuse(host.context, Text::of(&refusal.key), Text::of(&refusal.what)) };
            }
            ptr::null_mut()
        }
        Err(_) => ptr::null_mut(),
    }
}

unsafe extern "C" fn handle<D: Decoder>(decoder: *mut c_void, input: *const abi::Input) -> i32 {
    // SAFETY: the host gives back what `open` returned, one call at a time, and
    // an input that lives until this call returns.
    let (instance, input) = unsafe { (&mut *decoder.cast::<Instance<D>>(), &*input) };
    // SAFETY: the host's table is valid until the process ends.
    let Some(host) = (unsafe { instance.host.as_ref() }) else { return abi::FAILED };
    // SAFETY: as many bytes as it says, until this call returns.
    let bytes = unsafe { slice(input.bytes, input.length) };
    let now_us = input.now_us;
    let Some(input) = understood(input, bytes) else { return abi::OK };
    let mut out = Outputs::new(host);
    let handled =
        catch_unwind(AssertUnwindSafe(|| instance.decoder.handle(now_us, input, &mut out)));
    if handled.is_ok() { abi::OK } else { abi::FAILED }
}

/// `None` for a kind of input that this version does not know.
fn understood<'a>(input: &abi::Input, bytes: &'a [u8]) -> Option<Input<'a>> {
    let endpoint = u16::try_from(input.endpoint).ok()?;
    Some(match input.kind {
        abi::OPENED => Input::Opened { record: input.flags & abi::FLAG_RECORD != 0 },
        abi::RECEIVED => Input::Received { endpoint, bytes },
        abi::SENT => Input::Sent { endpoint, bytes },
        abi::DRAINED => Input::Drained,
        abi::DEADLINE => Input::Deadline,
        abi::COMMAND => Input::Command { json: std::str::from_utf8(bytes).ok()? },
        abi::CLOSED => Input::Closed,
        _ => return None,
    })
}

unsafe extern "C" fn close<D: Decoder>(decoder: *mut c_void) {
    // SAFETY: the host gives back what `open` returned, once, and then never
    // again.
    let instance = unsafe { Box::from_raw(decoder.cast::<Instance<D>>()) };
    // A panic while it is dropped ends here.
    let _ = catch_unwind(AssertUnwindSafe(|| drop(instance)));
}

unsafe extern "C" fn save<D: Decoder>(decoder: *mut c_void) -> i32 {
    // SAFETY: as in `handle`.
    let instance = unsafe { &*decoder.cast::<Instance<D>>() };
    // SAFETY: as in `handle`.
    let Some(host) = (unsafe { instance.host.as_ref() }) else { return abi::FAILED };
    let saved = catch_unwind(AssertUnwindSafe(|| instance.decoder.save()));
    match (saved, host.state) {
        // SAFETY: the bytes live until the call returns.
        (Ok(state), Some(take)) => unsafe { take(host.context, state.as_ptr(), state.len()) },
        _ => abi::FAILED,
    }
}

unsafe extern "C" fn restore<D: Decoder>(
    decoder: *mut c_void,
    bytes: *const u8,
    length: usize,
) -> i32 {
    // SAFETY: as in `handle`.
    let instance = unsafe { &mut *decoder.cast::<Instance<D>>() };
    // SAFETY: as many bytes as it says, until this call returns.
    let state = unsafe { slice(bytes, length) };
    match catch_unwind(AssertUnwindSafe(|| instance.decoder.restore(state))) {
        Ok(true) => abi::OK,
        _ => abi::FAILED,
    }
}
