//! Loads one library and checks the table that it gives. It is never unloaded:
//! only the end of the process takes it away. One of the files with unsafe code.
#![allow(unsafe_code, reason = "it loads code that is not ours")]

use std::error::Error;
use std::mem::ManuallyDrop;
use std::path::Path;

use ampledger_decoders::Integrity;
use ampledger_plugin::abi::{self, Entry, Plugin, Text};
use libloading::os::unix::{Library as Loaded, RTLD_LOCAL, RTLD_NOW};

/// Longest name, version or summary that is taken, bytes.
const LONGEST_TEXT: usize = 200;

/// A loaded plugin.
#[derive(Debug)]
pub struct Library {
    /// Its name.
    pub name: String,
    /// Its version.
    pub version: String,
    /// What it reads.
    pub summary: String,
    /// What protects its frames.
    pub integrity: Integrity,
    /// Its functions.
    pub(crate) functions: Functions,
    _loaded: ManuallyDrop<Loaded>,
}

/// A plugin's functions, of which it must have the first three.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Functions {
    pub(crate) open: unsafe extern "C" fn(*const abi::Host, Text) -> *mut std::ffi::c_void,
    pub(crate) handle: unsafe extern "C" fn(*mut std::ffi::c_void, *const abi::Input) -> i32,
    pub(crate) close: unsafe extern "C" fn(*mut std::ffi::c_void),
    pub(crate) save: Option<unsafe extern "C" fn(*mut std::ffi::c_void) -> i32>,
    pub(crate) restore:
        Option<unsafe extern "C" fn(*mut std::ffi::c_void, *const u8, usize) -> i32>,
}

impl Library {
    /// Loads a library. Its own code runs already while it is loaded; that is
    /// what the process round this is for.
    pub fn load(file: &Path) -> Result<Library, String> {
        // SAFETY: what the library does while it is loaded cannot be known. It
        // happens in a process that has nothing to lose.
        let loaded = unsafe { Loaded::open(Some(file), RTLD_NOW | RTLD_LOCAL) };
        let loaded = loaded.map_err(|error| {
            format!("{} is no library that can be loaded: {}", file.display(), cause(&error))
        })?;
        let loaded = ManuallyDrop::new(loaded);
        // SAFETY: the interface says that a function of this name has this type.
        let entry = unsafe { loaded.get::<Entry>(abi::SYMBOL.as_bytes()) };
        let entry = entry.map_err(|_| {
            format!("{} is no plugin: it has no function {}", file.display(), abi::SYMBOL)
        })?;
        // SAFETY: as above; it takes nothing.
        let table = unsafe { entry() };
        let read = read(table).map_err(|why| format!("{} {why}", file.display()))?;
        Ok(Library { _loaded: loaded, ..read })
    }
}

/// The end of the chain of causes, which has the system's own words.
fn cause(error: &dyn Error) -> String {
    let mut last = error;
    while let Some(source) = last.source() {
        last = source;
    }
    last.to_string()
}

/// Reads a plugin's table: its size and version first, and only what is inside
/// that size.
fn read(table: *const Plugin) -> Result<Library, String> {
    if table.is_null() || !table.is_aligned() {
        return Err("gives no table".to_owned());
    }
    // SAFETY: the two members stand first in every version of the table.
    let (size, version) = unsafe { ((*table).struct_size as usize, (*table).abi_version) };
    if version != abi::ABI_VERSION {
        return Err(format!(
            "was built for version {version} of the plugin interface; this program has version {}. \
             Build it anew with this program's ampledger_plugin.h",
            abi::ABI_VERSION
        ));
    }
    if size < size_of::<Plugin>() {
        return Err(format!("gives a table of {size} bytes, which is too short"));
    }
    // SAFETY: the plugin says that so many bytes are there.
    let table = unsafe { &*table };
    let (Some(open), Some(handle), Some(close)) = (table.open, table.handle, table.close) else {
        return Err("lacks one of the functions open, handle and close".to_owned());
    };
    if table.save.is_some() != table.restore.is_some() {
        return Err("has one of the functions save and restore; it needs both or none".to_owned());
    }
    let integrity = match table.integrity {
        abi::INTEGRITY_NONE => Integrity::None,
        abi::INTEGRITY_SUM => Integrity::Sum,
        abi::INTEGRITY_CRC => Integrity::Crc,
        other => return Err(format!("names no integrity that is known: {other}")),
    };
    let name = text(table.name);
    if name.is_empty() || name.chars().any(char::is_control) {
        return Err("has no name".to_owned());
    }
    let functions = Functions { open, handle, close, save: table.save, restore: table.restore };
    let (version, summary) = (text(table.version), text(table.summary));
    let loaded = ManuallyDrop::new(Loaded::this());
    Ok(Library { name, version, summary, integrity, functions, _loaded: loaded })
}

fn text(text: Text) -> String {
    // SAFETY: the interface says that strings of the table stay for ever.
    let bytes = unsafe { crate::callbacks::bytes(text.bytes.cast(), text.length) };
    let shown = String::from_utf8_lossy(&bytes[..bytes.len().min(LONGEST_TEXT)]);
    shown.chars().filter(|c| !c.is_control()).collect()
}
