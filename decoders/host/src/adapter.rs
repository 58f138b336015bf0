//! A plugin's decoder as an ordinary [`Decoder`]. What the plugin cannot go on
//! from is told through [`Broken`]: a decoder itself cannot fail. One of the
//! files with unsafe code.
#![allow(unsafe_code, reason = "it calls a plugin's functions")]

use std::ffi::c_void;
use std::ptr;
use std::sync::{Arc, OnceLock};

use ampledger_decoders::{BadSnapshot, ConfigProblem, Decoder, DecoderConfig, Input, Output};
use ampledger_plugin::abi::{self, Host, Text};

use crate::callbacks;
use crate::collector::{Collector, Turn};
use crate::fields::Fields;
use crate::library::{Functions, Library};

/// Why a plugin cannot go on, once it cannot.
pub type Broken = Arc<OnceLock<String>>;

/// One open decoder of a plugin.
pub struct Adapter {
    functions: Functions,
    decoder: *mut c_void,
    /// Made by `Box`, and never freed: a plugin may keep a pointer to it.
    collector: *mut Collector,
    broken: Broken,
    wake: Wake,
}

/// When the plugin wants a deadline. One that was called off can be on its way
/// already; the plugin does not see it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Wake {
    /// Not known: its state was taken up.
    Unknown,
    /// At this time, or not at all.
    At(Option<i64>),
}

// SAFETY: a decoder moves to another thread only whole, and the callbacks
// refuse calls from any thread but the one that made the collector.
unsafe impl Send for Adapter {}

impl Adapter {
    /// Opens a decoder. A plugin is opened and used on one thread.
    pub fn open(library: &Library, config: &DecoderConfig) -> Result<Adapter, Vec<ConfigProblem>> {
        let fields = Fields::new(config).map_err(|problem| vec![problem])?;
        let options = serde_json::Value::Object(config.options.clone()).to_string();
        let collector = Box::into_raw(Box::new(Collector::new(fields)));
        let host: &'static Host = Box::leak(Box::new(callbacks::table(collector)));
        let mut adapter = Adapter {
            functions: library.functions,
            decoder: ptr::null_mut(),
            collector,
            broken: Broken::default(),
            wake: Wake::At(None),
        };
        adapter.collector().begin(Turn::Opening, 0);
        // SAFETY: the interface says that this function has this type; the host's
        // table stays for ever, and the options until it returns.
        adapter.decoder = unsafe { (adapter.functions.open)(host, Text::of(&options)) };
        adapter.collector().begin(Turn::Nobody, 0);
        if adapter.decoder.is_null() {
            return Err(adapter.refusals());
        }
        Ok(adapter)
    }

    /// Where it is told that the plugin cannot go on.
    pub fn broken(&self) -> Broken {
        self.broken.clone()
    }

    /// Only while the plugin is not called.
    fn collector(&mut self) -> &mut Collector {
        // SAFETY: it was made by `Box` and is never freed, and the callbacks
        // hold no reference beyond their own calls.
        unsafe { &mut *self.collector }
    }

    fn refusals(&mut self) -> Vec<ConfigProblem> {
        let told = std::mem::take(&mut self.collector().refusals);
        if told.is_empty() {
            let what = "the plugin opens no decoder, and does not say why";
            return vec![ConfigProblem::new("options", what)];
        }
        let problem = |(key, what): (String, String)| match key.as_str() {
            "" => ConfigProblem::new("options", what),
            key => ConfigProblem::new(format!("options.{key}"), what),
        };
        told.into_iter().map(problem).collect()
    }

    /// Whether the plugin wants this deadline. It is used up by it.
    fn is_due(&mut self, now_us: i64) -> bool {
        let is_due = match self.wake {
            Wake::Unknown => true,
            Wake::At(at_us) => at_us.is_some_and(|at_us| at_us <= now_us),
        };
        if is_due {
            self.wake = Wake::At(None);
        }
        is_due
    }

    fn breaks(&self, why: impl Into<String>) {
        // The first reason stays.
        let _ = self.broken.set(why.into());
    }
}

fn input_of(now_us: i64, input: &Input<'_>, json: &mut Vec<u8>) -> abi::Input {
    let made = |kind, endpoint: u16, bytes: &[u8]| abi::Input {
        struct_size: size_of::<abi::Input>() as u32,
        kind,
        now_us,
        endpoint: u32::from(endpoint),
        flags: 0,
        bytes: bytes.as_ptr(),
        length: bytes.len(),
    };
    match input {
        Input::Opened { record } => {
            let flags = if *record { abi::FLAG_RECORD } else { 0 };
            abi::Input { flags, ..made(abi::OPENED, 0, &[]) }
        }
        Input::Received { endpoint, bytes } => made(abi::RECEIVED, *endpoint, bytes),
        Input::Sent { endpoint, bytes } => made(abi::SENT, *endpoint, bytes),
        Input::Drained => made(abi::DRAINED, 0, &[]),
        Input::Deadline => made(abi::DEADLINE, 0, &[]),
        Input::Command(command) => {
            *json = serde_json::to_vec(command).unwrap_or_default();
            made(abi::COMMAND, 0, json)
        }
        Input::Closed => made(abi::CLOSED, 0, &[]),
    }
}

impl Decoder for Adapter {
    fn handle(&mut self, now_us: i64, input: Input<'_>, out: &mut Vec<Output>) {
        if self.broken.get().is_some() || (input == Input::Deadline && !self.is_due(now_us)) {
            return;
        }
        let mut json = Vec::new();
        let input = input_of(now_us, &input, &mut json);
        self.collector().begin(Turn::Handling, now_us);
        // SAFETY: `open` returned this decoder, and the input lives until the
        // call returns. The collector is not borrowed meanwhile.
        let returned = unsafe { (self.functions.handle)(self.decoder, &raw const input) };
        let collector = self.collector();
        collector.turn = Turn::Nobody;
        let flooded = collector.flooded;
        let first = out.len();
        out.append(&mut collector.outputs);
        for output in &out[first..] {
            if let Output::Wake(at_us) = output {
                self.wake = Wake::At(*at_us);
            }
        }
        if flooded {
            self.breaks("says more for one input than it may (4096 readings, 1 MiB)");
        } else if returned != abi::OK {
            self.breaks("says that it cannot go on");
        }
    }

    /// Empty for a plugin that does not save its state: decoding again then
    /// begins where the connection was opened.
    fn snapshot(&self) -> Vec<u8> {
        let Some(save) = self.functions.save else { return Vec::new() };
        // SAFETY: as in `collector`; `&self` cannot be used by others meanwhile,
        // because an adapter is not `Sync`.
        unsafe { (*self.collector).begin(Turn::Saving, 0) };
        // SAFETY: `open` returned this decoder.
        let returned = unsafe { save(self.decoder) };
        // SAFETY: as above; the plugin has returned.
        let collector = unsafe { &mut *self.collector };
        collector.turn = Turn::Nobody;
        match collector.state.take() {
            Some(state) if returned == abi::OK => state,
            _ => {
                self.breaks("does not save its state");
                Vec::new()
            }
        }
    }

    fn restore(&mut self, snapshot: &[u8]) -> Result<(), BadSnapshot> {
        // Nothing stands for a decoder that was given nothing yet.
        if snapshot.is_empty() {
            return Ok(());
        }
        let Some(restore) = self.functions.restore else {
            return Err(BadSnapshot("the plugin saves none".to_owned()));
        };
        self.wake = Wake::Unknown;
        // SAFETY: `open` returned this decoder; the bytes live until the call
        // returns.
        match unsafe { restore(self.decoder, snapshot.as_ptr(), snapshot.len()) } {
            abi::OK => Ok(()),
            _ => Err(BadSnapshot("the plugin does not take it up".to_owned())),
        }
    }
}

impl Drop for Adapter {
    fn drop(&mut self) {
        if !self.decoder.is_null() {
            // SAFETY: `open` returned this decoder, and it is not used again.
            unsafe { (self.functions.close)(self.decoder) };
        }
    }
}
