//! The recorder itself, live: four meters on serial lines at 50 Hz, five
//! channels each, for half a minute. The whole daemon is measured, with its
//! decoders, frame log, API and all.

use std::fs::File;
use std::io::Write as _;
use std::os::unix::net::UnixStream;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};

use super::data::{Profile, Source};
use super::table::{Figure, Goal, Table};
use super::{Failure, MEGABYTE, binaries};

const SOURCES: usize = 4;
const RATE: usize = 50;
/// Before this it is still opening, and its memory grows.
const WARM: Duration = Duration::from_secs(10);
const MEASURED: Duration = Duration::from_secs(30);

pub fn compare(table: &mut Table, folder: &Path) -> Result<(), Failure> {
    let folder = tempfile::tempdir_in(folder)?;
    let meters = (0..SOURCES).map(|_| Meter::new()).collect::<Result<Vec<_>, _>>()?;
    let daemon = Daemon::start(folder.path(), &meters)?;
    play(meters.iter().collect(), WARM)?;
    let (cpu, written) = (daemon.cpu_ns()?, daemon.written()?);
    let readings = play(meters.iter().collect(), MEASURED)? as f64;
    let cpu = (daemon.cpu_ns()? - cpu) as f64 / MEASURED.as_nanos() as f64 * 100.0;
    let written = (daemon.written()? - written) as f64 / readings;
    let mut put = |what, unit, ours, goal| {
        let (against, theirs) = ("itself", None);
        table.add(&Figure { what, against, unit, ours, theirs, goal });
    };
    put("live, 1000 readings/s: share of a core", "%", cpu, Goal::AtMost(1.0, 2.0));
    let resident = daemon.memory("VmRSS:")? / MEGABYTE;
    put("  resident, the whole daemon", "MB", resident, Goal::AtMost(10.0, 20.0));
    let own = daemon.memory("RssAnon:")? / MEGABYTE;
    put("  of it not backed by its own file", "MB", own, Goal::Told);
    put("  bytes written a reading, frames counted", "", written, Goal::Told);
    Ok(())
}

/// The instrument's end of a serial line.
struct Meter {
    line: File,
    device: PathBuf,
}

impl Meter {
    fn new() -> Result<Meter, Failure> {
        let line = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY)?;
        grantpt(&line)?;
        unlockpt(&line)?;
        let device = PathBuf::from(ptsname(&line, Vec::new())?.into_string()?);
        Ok(Meter { line: File::from(line), device })
    }
}

/// Sends what the meters read for so long, at their pace.
fn play(mut meters: Vec<&Meter>, length: Duration) -> Result<usize, Failure> {
    let mut sources: Vec<Source> =
        meters.iter().map(|_| Source::new(Profile::Fine, "bench-shunt")).collect();
    let (begin, mut readings, mut round) = (Instant::now(), 0, 0);
    while begin.elapsed() < length {
        for (meter, source) in meters.iter_mut().zip(&mut sources) {
            let values = source.next(ampledger_types::RunId(1), 1).sample.values;
            let cells: Vec<String> = values.iter().map(f64::to_string).collect();
            (&meter.line).write_all(format!("{}\n", cells.join(",")).as_bytes())?;
            readings += values.len();
        }
        round += 1;
        let due = begin + Duration::from_secs(1) * round / RATE as u32;
        std::thread::sleep(due.saturating_duration_since(Instant::now()));
    }
    Ok(readings)
}

struct Daemon(Child);

impl Daemon {
    fn start(folder: &Path, meters: &[Meter]) -> Result<Daemon, Failure> {
        let socket = folder.join("api.sock");
        let store = folder.join("bench.db");
        let mut text = format!("[store]\npath = {store:?}\n[api]\nsocket = {socket:?}\n");
        for (i, meter) in meters.iter().enumerate() {
            text += &format!(
                "[sources.meter-{i}]\ndecoder = \"text-lines\"\n\
                 [sources.meter-{i}.serial]\npath = {:?}\nbaud = 115200\n\
                 [sources.meter-{i}.options]\ncolumns = [\"U\", \"I\", \"T\", \"P\", \"Q\"]\n",
                meter.device
            );
            for (field, quantity) in [
                ("U", "voltage_volt"),
                ("I", "current_ampere"),
                ("T", "surface_temperature_celsius"),
                ("P", "power_watt"),
                ("Q", "discharging_capacity_ah"),
            ] {
                text += &format!("[sources.meter-{i}.fields.{field}]\nquantity = \"{quantity}\"\n");
            }
        }
        let file = folder.join("ampledger.toml");
        std::fs::write(&file, text)?;
        let log = File::create(folder.join("daemon.log"))?;
        let mut command = Command::new(binaries::binary("ampledgerd"));
        command.arg("--config").arg(&file).stdin(Stdio::null()).stdout(Stdio::null()).stderr(log);
        let daemon = Daemon(command.spawn()?);
        let deadline = Instant::now() + Duration::from_secs(30);
        while UnixStream::connect(&socket).is_err() {
            if Instant::now() > deadline {
                return Err("the daemon does not answer".into());
            }
            std::thread::sleep(Duration::from_millis(50));
        }
        Ok(daemon)
    }

    fn read(&self, file: &str) -> Result<String, Failure> {
        Ok(std::fs::read_to_string(format!("/proc/{}/{file}", self.0.id()))?)
    }

    /// Processor time of all its threads (schedstat of the kernel's
    /// documentation, scheduler/sched-stats).
    fn cpu_ns(&self) -> Result<u64, Failure> {
        let mut sum = 0;
        for task in std::fs::read_dir(format!("/proc/{}/task", self.0.id()))? {
            let text = std::fs::read_to_string(task?.path().join("schedstat"))?;
            sum += text.split_whitespace().next().ok_or("no schedstat")?.parse::<u64>()?;
        }
        Ok(sum)
    }

    fn memory(&self, what: &str) -> Result<f64, Failure> {
        let status = self.read("status")?;
        let line = status.lines().find_map(|line| line.strip_prefix(what));
        let kib = line.ok_or("no memory")?.trim().trim_end_matches(" kB").parse::<f64>()?;
        Ok(kib * 1024.0)
    }

    fn written(&self) -> Result<u64, Failure> {
        let io = self.read("io")?;
        let line = io.lines().find_map(|line| line.strip_prefix("write_bytes: "));
        Ok(line.ok_or("the kernel does not count what is written")?.parse()?)
    }
}

impl Drop for Daemon {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}
