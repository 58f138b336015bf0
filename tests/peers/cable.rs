//! A serial cable: a pseudo-terminal whose device node lies in the test's own
//! folder. It can be unplugged and plugged in again, and carries any bytes.

use std::collections::VecDeque;
use std::fs::File;
use std::io::{self, Read, Write};
use std::os::fd::OwnedFd;
use std::path::PathBuf;
use std::sync::{Arc, Mutex, MutexGuard};
use std::time::{Duration, Instant};

use rustix::event::{PollFd, PollFlags, Timespec, poll};
use rustix::fs::{FlockOperation, Mode, OFlags};
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use rustix::termios::{OptionalActions, tcgetattr, tcsetattr};

use crate::util::PATIENCE;

/// A cable; clones are the same cable.
#[derive(Clone)]
pub struct Cable {
    device: PathBuf,
    ends: Arc<Mutex<Option<Ends>>>,
    /// Devices that were pulled out. The kernel gives their numbers to nobody
    /// else while they are held: a daemon that is just opening one would take
    /// that of another test.
    pulled: Arc<Mutex<VecDeque<OwnedFd>>>,
}

/// Devices that are held after they were pulled out.
const HELD: usize = 16;

/// Both ends of the pseudo-terminal. The device's end is held open as well:
/// otherwise the kernel calls the line dead until the daemon opens it.
struct Ends {
    /// Goes first: whoever follows it later would find another test's device.
    _node: Node,
    instrument: Arc<File>,
    device: OwnedFd,
}

/// The device node, as a link in the test's folder.
struct Node(PathBuf);

impl Drop for Node {
    fn drop(&mut self) {
        // A test that has failed may have lost its folder.
        let _ = std::fs::remove_file(&self.0);
    }
}

impl Cable {
    /// A cable that is plugged in, with its device node at `device`.
    pub fn plugged(device: PathBuf) -> Cable {
        let cable = Cable { device, ends: Arc::default(), pulled: Arc::default() };
        cable.plug();
        cable
    }

    /// Plugs it in: the device node appears.
    pub fn plug(&self) {
        let ((instrument, device), name) = open_pair().expect("a pseudo-terminal");
        let next = self.device.with_extension("next");
        std::os::unix::fs::symlink(name, &next).expect("a link in the test's folder");
        std::fs::rename(&next, &self.device).expect("a link in the test's folder");
        *self.lock() = Some(Ends { _node: Node(self.device.clone()), instrument, device });
    }

    /// Pulls it out: the node vanishes, and whoever reads it is told so.
    pub fn unplug(&self) {
        let ends = self.lock().take().expect("the cable is not plugged in");
        let Ends { _node: node, instrument, device } = ends;
        drop(node);
        drop(instrument);
        let mut pulled = self.pulled.lock().expect("another thread of this test failed");
        pulled.push_back(device);
        if pulled.len() > HELD {
            pulled.pop_front();
        }
    }

    /// Whether no other process has locked the device for himself.
    pub fn is_free(&self) -> bool {
        let ends = self.lock();
        let ends = ends.as_ref().expect("the cable is not plugged in");
        let taken = rustix::fs::flock(&ends.device, FlockOperation::NonBlockingLockExclusive);
        taken.is_ok() && rustix::fs::flock(&ends.device, FlockOperation::Unlock).is_ok()
    }

    /// Bits per second, as the daemon set the device.
    pub fn baud(&self) -> u32 {
        let ends = self.lock();
        let ends = ends.as_ref().expect("the cable is not plugged in");
        tcgetattr(&ends.device).expect("the device's settings").output_speed()
    }

    /// Ends the line that was being sent when the daemon opened the device. A
    /// first line may be cut off at its beginning, so no decoder reads it.
    pub fn end_first_line(&self) {
        self.send(b"\n");
    }

    /// Sends bytes as the instrument. They are lost, as on a real cable, while
    /// it is unplugged; a daemon that does not read is an error.
    pub fn send(&self, bytes: &[u8]) {
        let Some(mut line) = self.instrument() else { return };
        let deadline = Instant::now() + PATIENCE;
        let mut rest = bytes;
        while !rest.is_empty() {
            match line.write(rest) {
                Ok(n) => rest = &rest[n..],
                Err(e) if e.kind() == io::ErrorKind::WouldBlock => {
                    wait_for(&line, PollFlags::OUT);
                    assert!(Instant::now() < deadline, "nobody reads the other end of the cable");
                }
                Err(_) => return,
            }
        }
    }

    /// What the daemon has sent, as far as it is there within a short moment.
    pub fn receive(&self) -> Vec<u8> {
        let mut bytes = vec![0; 4096];
        let Some(mut line) = self.instrument() else {
            std::thread::sleep(Duration::from_millis(5));
            return Vec::new();
        };
        wait_for(&line, PollFlags::IN);
        let n = line.read(&mut bytes).unwrap_or(0);
        bytes.truncate(n);
        bytes
    }

    fn instrument(&self) -> Option<Turn> {
        self.lock().as_ref().map(|ends| Turn(Arc::clone(&ends.instrument)))
    }

    fn lock(&self) -> MutexGuard<'_, Option<Ends>> {
        self.ends.lock().expect("another thread of this test failed")
    }
}

/// The instrument's end, kept open while somebody uses it.
struct Turn(Arc<File>);

impl Read for Turn {
    fn read(&mut self, bytes: &mut [u8]) -> io::Result<usize> {
        (&*self.0).read(bytes)
    }
}

impl Write for Turn {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        (&*self.0).write(bytes)
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

fn open_pair() -> io::Result<((Arc<File>, OwnedFd), String)> {
    let instrument = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC)?;
    grantpt(&instrument)?;
    unlockpt(&instrument)?;
    let name = ptsname(&instrument, Vec::new())?.into_string().map_err(io::Error::other)?;
    let flags = OFlags::RDWR | OFlags::NOCTTY | OFlags::CLOEXEC;
    let device = rustix::fs::open(name.as_str(), flags, Mode::empty())?;
    let mut settings = tcgetattr(&device)?;
    settings.make_raw();
    tcsetattr(&device, OptionalActions::Now, &settings)?;
    let unblocked = rustix::fs::fcntl_getfl(&instrument)? | OFlags::NONBLOCK;
    rustix::fs::fcntl_setfl(&instrument, unblocked)?;
    Ok(((Arc::new(File::from(instrument)), device), name))
}

fn wait_for(line: &Turn, what: PollFlags) {
    let moment = Timespec { tv_sec: 0, tv_nsec: 20_000_000 };
    // A failure shows in the read or write that follows.
    let _ = poll(&mut [PollFd::new(&*line.0, what)], Some(&moment));
}
