//! A serial line, looked up and opened afresh each time.

use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};
use std::time::Duration;

use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio_serial::{SerialPort, SerialPortBuilderExt, SerialStream};

use crate::config::{Parity, SerialConfig, StopBits};
use crate::sources::usb;
use crate::supervise::{Arrival, Link, Opener};

/// Bytes taken at once.
const READ_BYTES: usize = 4096;

/// How often it is looked whether the device is back.
const LOOK_EVERY: Duration = Duration::from_millis(100);

/// Opens a serial line.
pub struct SerialOpener {
    config: SerialConfig,
    /// The device node that was last opened or tried.
    last: Option<Node>,
}

/// A device node, told from another that takes its name later.
#[derive(Clone, PartialEq, Eq)]
struct Node {
    path: PathBuf,
    inode: (u64, u64),
    changed: (i64, i64),
}

impl Node {
    fn at(path: PathBuf) -> Option<Node> {
        let found = std::fs::metadata(&path).ok()?;
        let changed = (found.ctime(), found.ctime_nsec());
        Some(Node { path, inode: (found.dev(), found.ino()), changed })
    }
}

impl SerialOpener {
    /// As configured.
    pub fn new(config: SerialConfig) -> Self {
        SerialOpener { config, last: None }
    }
}

/// The line in words.
pub fn describe(config: &SerialConfig) -> String {
    let device = match (&config.path, &config.usb) {
        (Some(path), _) => path.display().to_string(),
        (None, Some(adapter)) => format!("USB adapter {}", usb::words(adapter)),
        (None, None) => "no device".to_owned(),
    };
    let parity = match config.parity {
        Parity::None => 'N',
        Parity::Even => 'E',
        Parity::Odd => 'O',
    };
    let stop = u8::from(config.stop_bits);
    format!("serial {device} at {} baud, {}{parity}{stop}", config.baud, config.data_bits)
}

impl Opener for SerialOpener {
    type Link = SerialLink;

    async fn open(&mut self) -> Result<SerialLink, String> {
        self.last = None;
        let path = device(&self.config)?;
        self.last = Node::at(path.clone());
        let port = settings(&self.config, &path)
            .open_native_async()
            .map_err(|error| explain(&path, &error))?;
        // What the system held from before is of no known time.
        if let Err(error) = port.clear(tokio_serial::ClearBuffer::Input) {
            tracing::debug!("{}: {error}", path.display());
        }
        Ok(SerialLink { port, buffer: vec![0; READ_BYTES] })
    }

    async fn appears(&mut self) {
        loop {
            tokio::time::sleep(LOOK_EVERY).await;
            let node = device(&self.config).ok().and_then(Node::at);
            if node.is_some() && node != self.last {
                return;
            }
            if node.is_none() {
                self.last = None;
            }
        }
    }
}

fn device(config: &SerialConfig) -> Result<PathBuf, String> {
    match (&config.path, &config.usb) {
        (Some(path), _) => Ok(path.clone()),
        (None, Some(adapter)) => usb::find(Path::new(usb::SYSFS_TTY), adapter),
        (None, None) => Err("no device is configured".to_owned()),
    }
}

fn settings(config: &SerialConfig, path: &Path) -> tokio_serial::SerialPortBuilder {
    tokio_serial::new(path.to_string_lossy(), config.baud)
        .data_bits(match config.data_bits {
            5 => tokio_serial::DataBits::Five,
            6 => tokio_serial::DataBits::Six,
            7 => tokio_serial::DataBits::Seven,
            _ => tokio_serial::DataBits::Eight,
        })
        .parity(match config.parity {
            Parity::None => tokio_serial::Parity::None,
            Parity::Even => tokio_serial::Parity::Even,
            Parity::Odd => tokio_serial::Parity::Odd,
        })
        .stop_bits(match config.stop_bits {
            StopBits::One => tokio_serial::StopBits::One,
            StopBits::Two => tokio_serial::StopBits::Two,
        })
}

/// The system's words, with what to do.
fn explain(path: &Path, error: &tokio_serial::Error) -> String {
    use std::io::ErrorKind;
    let path = path.display();
    match error.kind() {
        tokio_serial::ErrorKind::Io(ErrorKind::NotFound) => {
            format!("{path} is not there; is the cable plugged in?")
        }
        tokio_serial::ErrorKind::Io(ErrorKind::PermissionDenied) => format!(
            "{path} may not be opened by this user; add it to the group of the device (`ls -l {path}`)"
        ),
        tokio_serial::ErrorKind::NoDevice if error.description.contains("lock") => {
            format!("{path} is in use by another program")
        }
        _ => format!("{path} cannot be opened: {error}"),
    }
}

/// An open serial line.
pub struct SerialLink {
    port: SerialStream,
    buffer: Vec<u8>,
}

impl Link for SerialLink {
    async fn next(&mut self) -> Arrival {
        match self.port.read(&mut self.buffer).await {
            // A line that is gone reads as an end of file, again and again.
            Ok(0) => Arrival::Lost("the line is gone; was the cable pulled?".to_owned()),
            Ok(n) => Arrival::Bytes { endpoint: 0, bytes: self.buffer[..n].to_vec(), at_us: None },
            Err(error) => Arrival::Lost(format!("the line is gone: {error}")),
        }
    }

    async fn send(&mut self, _endpoint: u16, bytes: &[u8]) -> Result<(), String> {
        let written = self.port.write_all(bytes).await;
        written.map_err(|error| format!("the line does not take bytes: {error}"))
    }
}
