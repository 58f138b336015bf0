//! A serial line made of a pseudo-terminal: the daemon opens one end as it
//! would an adapter, the demo plays the sensor on the other.

use std::io;
use std::os::fd::OwnedFd;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use rustix::fs::{Mode, OFlags};
use rustix::pty::OpenptFlags;
use rustix::termios::{self, OptionalActions};

/// How long the daemon may leave the line unread.
const PATIENCE: Duration = Duration::from_secs(10);

/// Both ends of the line.
pub struct SerialLine {
    sensor: OwnedFd,
    /// Held open so that the line lives while the daemon opens it and closes
    /// it, as an adapter's device does.
    _device: OwnedFd,
    path: PathBuf,
}

impl SerialLine {
    /// Makes a line.
    pub fn new() -> io::Result<Self> {
        let flags = OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC;
        let sensor = rustix::pty::openpt(flags)?;
        rustix::pty::grantpt(&sensor)?;
        rustix::pty::unlockpt(&sensor)?;
        let name = rustix::pty::ptsname(&sensor, Vec::new())?;
        let path = PathBuf::from(name.to_string_lossy().into_owned());
        let flags = OFlags::RDWR | OFlags::NOCTTY | OFlags::CLOEXEC;
        let device = rustix::fs::open(&path, flags, Mode::empty())?;
        // Nothing is echoed, and no byte means anything to the terminal.
        let mut settings = termios::tcgetattr(&device)?;
        settings.make_raw();
        termios::tcsetattr(&device, OptionalActions::Now, &settings)?;
        rustix::fs::fcntl_setfl(&sensor, OFlags::RDWR | OFlags::NONBLOCK)?;
        Ok(SerialLine { sensor, _device: device, path })
    }

    /// The device that the daemon opens.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Prints on the line, waiting while it is full.
    pub fn print(&self, text: &str) -> io::Result<()> {
        let begun = Instant::now();
        let mut left = text.as_bytes();
        while !left.is_empty() {
            match rustix::io::write(&self.sensor, left) {
                Ok(written) => left = &left[written..],
                Err(rustix::io::Errno::INTR) => {}
                Err(rustix::io::Errno::AGAIN) if begun.elapsed() < PATIENCE => {
                    std::thread::sleep(Duration::from_millis(1));
                }
                Err(rustix::io::Errno::AGAIN) => return Err(io::ErrorKind::TimedOut.into()),
                Err(error) => return Err(error.into()),
            }
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use std::io::Read as _;

    use super::*;

    #[test]
    fn what_the_sensor_prints_arrives_unchanged() {
        let line = SerialLine::new().unwrap();
        let mut device = std::fs::File::open(line.path()).unwrap();
        line.print("t=0.0 U=26.5\r\n").unwrap();
        let mut bytes = [0; 14];
        device.read_exact(&mut bytes).unwrap();
        assert_eq!(&bytes, b"t=0.0 U=26.5\r\n");
    }
}
