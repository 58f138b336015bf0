//! InfluxDB 1.x on the same samples: the bytes its files take once it has
//! compacted them. It runs as a server of its own, spoken to over a socket in
//! the bench's folder.

use std::fmt::Write as _;
use std::io::{Read, Write};
use std::os::unix::net::UnixStream;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use ampledger_types::RunId;

use super::Failure;
use super::data::{Profile, Source};

/// Lines that are sent at once.
const LINES: usize = 5000;
/// How long it may take to begin, and to compact.
const PATIENCE: Duration = Duration::from_secs(300);
const POLL: Duration = Duration::from_millis(200);

/// Bytes that so many samples take at rest.
pub fn bytes(influxd: &Path, folder: &Path, samples: usize) -> Result<f64, Failure> {
    let server = Server::start(influxd, &folder.join("influx"))?;
    let mut source = Source::new(Profile::Fine, "bench-shunt");
    let mut left = samples;
    while left > 0 {
        let part = left.min(LINES);
        let mut lines = String::new();
        for _ in 0..part {
            let given = source.next(RunId(1), 1).sample;
            let v = &given.values;
            writeln!(
                lines,
                "reading,source=bench-shunt voltage={},current={},celsius={},watt={},ah={} {}",
                v[0], v[1], v[2], v[3], v[4], given.t_us
            )?;
        }
        server.post("/write?db=bench&precision=u", &lines)?;
        left -= part;
    }
    server.compacted()
}

struct Server {
    child: Child,
    folder: PathBuf,
}

impl Server {
    fn start(influxd: &Path, folder: &Path) -> Result<Server, Failure> {
        std::fs::create_dir(folder)?;
        let at = folder.display();
        // Both waits before it compacts are shortened: they are hours.
        let configuration = format!(
            "reporting-enabled = false\nbind-address = \"127.0.0.1:0\"\n\
             [meta]\ndir = \"{at}/meta\"\n\
             [data]\ndir = \"{at}/data\"\nwal-dir = \"{at}/wal\"\nquery-log-enabled = false\n\
             cache-snapshot-write-cold-duration = \"1s\"\n\
             compact-full-write-cold-duration = \"2s\"\n\
             [monitor]\nstore-enabled = false\n\
             [http]\nbind-address = \"127.0.0.1:0\"\nlog-enabled = false\n\
             unix-socket-enabled = true\nbind-socket = \"{at}/http\"\n"
        );
        let file = folder.join("influxdb.conf");
        std::fs::write(&file, configuration)?;
        let child = Command::new(influxd)
            .arg("-config")
            .arg(&file)
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(std::fs::File::create(folder.join("log"))?)
            .spawn()?;
        let server = Server { child, folder: folder.to_owned() };
        let create = "/query?q=CREATE+DATABASE+bench";
        server.until("it answers", || server.post(create, "").is_ok())?;
        Ok(server)
    }

    fn until(&self, what: &str, mut is: impl FnMut() -> bool) -> Result<(), Failure> {
        let deadline = Instant::now() + PATIENCE;
        while !is() {
            if Instant::now() > deadline {
                return Err(format!("InfluxDB: waited in vain until {what}").into());
            }
            std::thread::sleep(POLL);
        }
        Ok(())
    }

    fn post(&self, path: &str, body: &str) -> Result<(), Failure> {
        let mut stream = UnixStream::connect(self.folder.join("http"))?;
        write!(
            stream,
            "POST {path} HTTP/1.1\r\nHost: influxdb\r\nConnection: close\r\n\
             Content-Length: {}\r\n\r\n{body}",
            body.len()
        )?;
        let mut answer = String::new();
        stream.read_to_string(&mut answer)?;
        match answer.split(' ').nth(1) {
            Some(status) if status.starts_with('2') => Ok(()),
            _ => Err(format!("InfluxDB answers {answer}").into()),
        }
    }

    /// Bytes of its columns when there is one file for each stretch of time
    /// (shard) and nothing waits in the log.
    fn compacted(&self) -> Result<f64, Failure> {
        let mut found = Vec::new();
        self.until("all is compacted", || {
            let waiting: u64 = files(&self.folder.join("wal")).iter().map(|(_, size)| size).sum();
            found = files(&self.folder.join("data"));
            let is = |path: &Path, kind: &str| path.extension().is_some_and(|e| e == kind);
            let is_still = !found.iter().any(|(path, _)| is(path, "tmp"));
            found.retain(|(path, _)| is(path, "tsm"));
            let mut shards: Vec<_> = found.iter().map(|(path, _)| path.parent()).collect();
            shards.dedup();
            waiting == 0 && is_still && !found.is_empty() && shards.len() == found.len()
        })?;
        Ok(found.iter().map(|(_, size)| *size as f64).sum())
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// The files in a folder and below, with their sizes, in order.
fn files(folder: &Path) -> Vec<(PathBuf, u64)> {
    let mut found = Vec::new();
    for entry in std::fs::read_dir(folder).into_iter().flatten().flatten() {
        match entry.metadata() {
            Ok(metadata) if metadata.is_dir() => found.extend(files(&entry.path())),
            Ok(metadata) => found.push((entry.path(), metadata.len())),
            Err(_) => {}
        }
    }
    found.sort();
    found
}
