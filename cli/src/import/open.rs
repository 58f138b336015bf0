//! A file as a stream of bytes of UTF-8 text, whatever it is packed in: gzip,
//! Zstandard, UTF-16. Memory is bounded; a decompression bomb is refused.

use std::fs::File;
use std::io::{self, BufRead, BufReader, Read};
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

use encoding_rs_io::DecodeReaderBytesBuilder;
use sha2::{Digest, Sha256};

use crate::exit::Failure;

/// Bytes handed over at once, and read at once.
const PIECE_BYTES: usize = 64 << 10;
/// Below so many bytes no file counts as a bomb, however well it is packed.
const HARMLESS_BYTES: u64 = 1 << 30;
/// No honest log unpacks to more than so many times its size.
const HIGHEST_RATIO: u64 = 1000;

/// How many bytes of the file were read, for whoever shows it.
pub type Progress = Arc<AtomicU64>;

/// The rows of a file as pieces of text lines.
pub enum Rows {
    /// Text, whatever it was packed in.
    Text(Box<Text>),
    /// A Parquet file, row by row.
    #[cfg(feature = "parquet")]
    Parquet(Box<super::parquet::Parquet>, std::path::PathBuf),
}

/// A text file being read.
pub struct Text {
    reader: BufReader<Box<dyn Read>>,
    /// Bytes at the front of the reader's buffer that were handed over.
    given: usize,
    /// A line that the buffer does not hold whole.
    parted: Vec<u8>,
    digest: Arc<std::sync::Mutex<Sha256>>,
}

/// Opens a file; its first bytes say what it is packed in.
pub fn open(file: &Path, progress: &Progress) -> Result<Rows, Failure> {
    let cannot = || Failure::io(format!("{} cannot be read", file.display()));
    let mut raw = File::open(file).map_err(cannot())?;
    let mut magic = [0; 4];
    let got = read_up_to(&mut raw, &mut magic).map_err(cannot())?;
    let magic = &magic[..got];
    if magic == b"PAR1" {
        #[cfg(feature = "parquet")]
        return Ok(Rows::Parquet(
            Box::new(super::parquet::Parquet::open(file, progress)?),
            file.to_owned(),
        ));
        #[cfg(not(feature = "parquet"))]
        return Err(super::refused(file, None, "this build reads no Parquet files"));
    }
    // Opened once and read on from there: a pipe cannot be read again.
    let raw = io::Cursor::new(magic.to_vec()).chain(raw);
    let digest = Arc::new(std::sync::Mutex::new(Sha256::new()));
    let counted = Counted { inner: raw, read: progress.clone(), digest: digest.clone() };
    let unpacked: Box<dyn Read> = match magic {
        [0x1f, 0x8b, ..] => guarded(flate2::read::MultiGzDecoder::new(counted), progress),
        [0x28, 0xb5, 0x2f, 0xfd] => {
            guarded(zstd::stream::read::Decoder::new(counted).map_err(cannot())?, progress)
        }
        _ => Box::new(counted),
    };
    let text = DecodeReaderBytesBuilder::new()
        .bom_sniffing(true)
        .strip_bom(true)
        .utf8_passthru(true)
        .build(unpacked);
    let reader = BufReader::with_capacity(PIECE_BYTES, Box::new(text) as Box<dyn Read>);
    Ok(Rows::Text(Box::new(Text { reader, given: 0, parted: Vec::new(), digest })))
}

impl Rows {
    /// Lends what comes up to a line end or a bound, whichever comes first;
    /// nothing at the end of the file.
    pub fn piece(&mut self) -> io::Result<&[u8]> {
        match self {
            Rows::Text(text) => text.piece(),
            #[cfg(feature = "parquet")]
            Rows::Parquet(parquet, _) => parquet.row(),
        }
    }

    /// Lends all lines that are at hand, or the next; nothing at the end of the
    /// file.
    pub fn several(&mut self) -> io::Result<&[u8]> {
        match self {
            Rows::Text(text) => text.several(),
            #[cfg(feature = "parquet")]
            Rows::Parquet(parquet, _) => parquet.row(),
        }
    }

    /// SHA-256 of what was read of the file, hexadecimal. A Parquet file is
    /// not read in order, so it is read once more.
    pub fn sha256(&self) -> Option<String> {
        let digest = match self {
            Rows::Text(text) => text.digest.lock().unwrap_or_else(|e| e.into_inner()).clone(),
            #[cfg(feature = "parquet")]
            Rows::Parquet(_, file) => {
                let mut digest = Sha256::new();
                io::copy(&mut File::open(file).ok()?, &mut digest).ok()?;
                digest
            }
        };
        Some(digest.finalize().iter().map(|byte| format!("{byte:02x}")).collect())
    }
}

impl Text {
    fn piece(&mut self) -> io::Result<&[u8]> {
        self.up_to(memchr::memchr)
    }

    fn several(&mut self) -> io::Result<&[u8]> {
        self.up_to(memchr::memrchr)
    }

    /// Up to a line end that is at hand, or else the next one: what is cut off
    /// by an error is never handed over.
    fn up_to(&mut self, find: fn(u8, &[u8]) -> Option<usize>) -> io::Result<&[u8]> {
        self.reader.consume(std::mem::take(&mut self.given));
        if let Some(end) = find(b'\n', self.reader.buffer()) {
            self.given = end + 1;
            return Ok(&self.reader.buffer()[..self.given]);
        }
        self.parted.clear();
        line(&mut self.reader, &mut self.parted)?;
        Ok(&self.parted)
    }
}

/// Reads up to a line end, or as much as is handed over at once.
fn line(reader: &mut impl BufRead, piece: &mut Vec<u8>) -> io::Result<()> {
    while piece.len() < PIECE_BYTES {
        let buffer = match reader.fill_buf() {
            Ok(buffer) => buffer,
            Err(error) if error.kind() == io::ErrorKind::Interrupted => continue,
            Err(error) => return Err(error),
        };
        let end = memchr::memchr(b'\n', buffer).map(|at| at + 1);
        let taken = end.unwrap_or(buffer.len()).min(PIECE_BYTES - piece.len());
        let is_done = taken == 0 || end == Some(taken);
        piece.extend_from_slice(&buffer[..taken]);
        reader.consume(taken);
        if is_done {
            return Ok(());
        }
    }
    Ok(())
}

fn read_up_to(file: &mut File, buffer: &mut [u8]) -> io::Result<usize> {
    let mut got = 0;
    while got < buffer.len() {
        match file.read(&mut buffer[got..])? {
            0 => break,
            n => got += n,
        }
    }
    Ok(got)
}

/// Counts and digests what is read of the file itself.
struct Counted {
    inner: io::Chain<io::Cursor<Vec<u8>>, File>,
    read: Progress,
    digest: Arc<std::sync::Mutex<Sha256>>,
}

impl Read for Counted {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let got = self.inner.read(buffer)?;
        self.read.fetch_add(got as u64, Ordering::Relaxed);
        let mut digest = self.digest.lock().unwrap_or_else(|e| e.into_inner());
        digest.update(&buffer[..got]);
        Ok(got)
    }
}

fn guarded(inner: impl Read + 'static, packed: &Progress) -> Box<dyn Read> {
    Box::new(Guarded { inner, packed: packed.clone(), unpacked: 0 })
}

/// Stops at what unpacks to absurdly more than it is.
struct Guarded<R> {
    inner: R,
    packed: Progress,
    unpacked: u64,
}

impl<R: Read> Read for Guarded<R> {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let got = self.inner.read(buffer)?;
        self.unpacked += got as u64;
        let packed = self.packed.load(Ordering::Relaxed).max(1);
        if self.unpacked > HARMLESS_BYTES && self.unpacked / packed > HIGHEST_RATIO {
            return Err(io::Error::other(format!(
                "it unpacks to more than {HIGHEST_RATIO} times its size; unpack it yourself if \
                 you trust it"
            )));
        }
        Ok(got)
    }
}
