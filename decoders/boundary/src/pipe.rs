//! The pipes to a host: no read or write waits beyond a deadline, and what the
//! process writes to standard error is taken in on the way, so that it can
//! never block on it.

use std::io::{self, Read, Write};
use std::os::fd::AsFd;
use std::process::{Child, ChildStderr, ChildStdin, ChildStdout};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use rustix::event::{PollFd, PollFlags, Timespec, poll};
use rustix::fs::{OFlags, fcntl_getfl, fcntl_setfl};

/// How often a wait looks whether it was called off.
const LOOK_EVERY: Duration = Duration::from_millis(50);
/// How much of the last words is kept.
const WORDS_BYTES: usize = 2048;

/// Why nothing more comes through a pipe.
#[derive(Debug)]
pub enum End {
    /// The other side has closed it.
    Closed,
    /// The deadline has passed.
    Late,
    /// The wait was called off.
    CalledOff,
    /// The system refuses.
    Failed(io::Error),
}

impl From<io::Error> for End {
    fn from(error: io::Error) -> Self {
        match error.kind() {
            io::ErrorKind::BrokenPipe | io::ErrorKind::UnexpectedEof => End::Closed,
            _ => End::Failed(error),
        }
    }
}

impl From<rustix::io::Errno> for End {
    fn from(error: rustix::io::Errno) -> Self {
        io::Error::from(error).into()
    }
}

/// The three pipes of one process.
#[derive(Debug)]
pub struct Pipes {
    to: Option<ChildStdin>,
    from: ChildStdout,
    errors: Option<ChildStderr>,
    words: Vec<u8>,
    called_off: Arc<AtomicBool>,
}

impl Pipes {
    /// Takes the pipes of a process that was started with all three.
    pub fn of(child: &mut Child, called_off: Arc<AtomicBool>) -> Result<Self, End> {
        let missing = || End::Failed(io::Error::other("a pipe is missing"));
        let to = child.stdin.take().ok_or_else(missing)?;
        let from = child.stdout.take().ok_or_else(missing)?;
        let errors = child.stderr.take().ok_or_else(missing)?;
        for fd in [to.as_fd(), from.as_fd(), errors.as_fd()] {
            fcntl_setfl(fd, fcntl_getfl(fd)? | OFlags::NONBLOCK)?;
        }
        Ok(Pipes { to: Some(to), from, errors: Some(errors), words: Vec::new(), called_off })
    }

    /// Writes all of it.
    pub fn write(&mut self, mut bytes: &[u8], deadline: Instant) -> Result<(), End> {
        while !bytes.is_empty() {
            let Some(to) = &mut self.to else { return Err(End::Closed) };
            match to.write(bytes) {
                Ok(n) => bytes = &bytes[n..],
                Err(error) if error.kind() == io::ErrorKind::WouldBlock => {
                    self.wait(PollFlags::OUT, deadline)?;
                }
                Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
                Err(error) => return Err(error.into()),
            }
        }
        Ok(())
    }

    /// Reads until the buffer is full.
    pub fn read(&mut self, mut into: &mut [u8], deadline: Instant) -> Result<(), End> {
        while !into.is_empty() {
            match self.from.read(into) {
                Ok(0) => return Err(End::Closed),
                Ok(n) => into = &mut into[n..],
                Err(error) if error.kind() == io::ErrorKind::WouldBlock => {
                    self.wait(PollFlags::IN, deadline)?;
                }
                Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
                Err(error) => return Err(error.into()),
            }
        }
        Ok(())
    }

    /// Closes the way to the process: a well-behaved one ends.
    pub fn close(&mut self) {
        self.to = None;
    }

    /// The last line that the process wrote to standard error, if any.
    pub fn last_words(&mut self) -> Option<String> {
        self.listen();
        let text = String::from_utf8_lossy(&self.words);
        let line = text.lines().rev().map(str::trim).find(|line| !line.is_empty())?;
        Some(line.chars().flat_map(shown).take(160).collect())
    }

    /// Waits until the pipe can be read or written.
    fn wait(&mut self, what: PollFlags, deadline: Instant) -> Result<(), End> {
        loop {
            if self.called_off.load(Ordering::Relaxed) {
                return Err(End::CalledOff);
            }
            let left = deadline.saturating_duration_since(Instant::now());
            if left.is_zero() {
                return Err(End::Late);
            }
            let (ready, words) = self.poll_once(what, left.min(LOOK_EVERY))?;
            if words {
                self.listen();
            }
            if ready {
                return Ok(());
            }
        }
    }

    /// Whether the pipe is ready, and whether there are words to take in.
    fn poll_once(&self, what: PollFlags, slice: Duration) -> Result<(bool, bool), End> {
        let pipe = match (&self.to, what == PollFlags::OUT) {
            (Some(to), true) => to.as_fd(),
            _ => self.from.as_fd(),
        };
        let mut fds = vec![PollFd::from_borrowed_fd(pipe, what)];
        if let Some(errors) = &self.errors {
            fds.push(PollFd::from_borrowed_fd(errors.as_fd(), PollFlags::IN));
        }
        let slice = Timespec::try_from(slice).ok();
        match poll(&mut fds, slice.as_ref()) {
            Ok(_) | Err(rustix::io::Errno::INTR) => {}
            Err(error) => return Err(error.into()),
        }
        let words = fds.get(1).is_some_and(|fd| !fd.revents().is_empty());
        Ok((!fds[0].revents().is_empty(), words))
    }

    /// Takes in what was written to standard error, and keeps the end of it.
    fn listen(&mut self) {
        let mut piece = [0; 4096];
        // Bounded: a process that never stops writing must not hold us.
        for _ in 0..64 {
            let Some(errors) = &mut self.errors else { return };
            match errors.read(&mut piece) {
                Ok(0) => self.errors = None,
                Ok(n) => {
                    self.words.extend_from_slice(&piece[..n]);
                    let excess = self.words.len().saturating_sub(WORDS_BYTES);
                    self.words.drain(..excess);
                }
                Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
                Err(_) => return,
            }
        }
    }
}

/// A character that is safe to print.
fn shown(c: char) -> Vec<char> {
    if c.is_control() { c.escape_default().collect() } else { vec![c] }
}
