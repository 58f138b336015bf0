//! What a piece of work costs this process.

use std::time::Duration;

use nix::sys::resource::{UsageWho, getrusage};

use super::Failure;

/// Processor time of this process so far.
pub fn cpu() -> Result<Duration, Failure> {
    let used = getrusage(UsageWho::RUSAGE_SELF)?;
    let micros = |time: nix::sys::time::TimeVal| time.tv_sec() * 1_000_000 + time.tv_usec();
    let micros = micros(used.user_time()) + micros(used.system_time());
    Ok(Duration::from_micros(micros.unsigned_abs()))
}

/// Bytes this process has sent to be written to disks (proc_pid_io(5)).
pub fn written() -> Result<u64, Failure> {
    let text = std::fs::read_to_string("/proc/self/io")?;
    let line = text.lines().find_map(|line| line.strip_prefix("write_bytes: "));
    Ok(line.ok_or("the kernel does not count what is written")?.parse()?)
}

/// The most memory this process has held, bytes.
pub fn peak_bytes() -> Result<u64, Failure> {
    Ok(getrusage(UsageWho::RUSAGE_SELF)?.max_rss().unsigned_abs() * 1024)
}

/// The least processor time of several tries, milliseconds.
pub fn milliseconds(mut work: impl FnMut() -> Result<(), Failure>) -> Result<f64, Failure> {
    let mut best = f64::INFINITY;
    for _ in 0..7 {
        let begin = cpu()?;
        work()?;
        best = best.min((cpu()? - begin).as_secs_f64() * 1e3);
    }
    Ok(best)
}
