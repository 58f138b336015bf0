//! The whole daemon at 10 000 frames a second: the plugin beside the built-in
//! `frames` decoder with the same layout, each from a frame log that is played in
//! real time.

use std::path::Path;
use std::process::Command;
use std::time::{Duration, Instant};

use ampledger_types::Frame;
use ampledger_types::api::{SourceState, StatusResponse};

use super::{A_SECOND, Failure, Running, binaries, cpu};

#[allow(clippy::expect_used, dead_code)]
#[path = "../../util/api.rs"]
mod api;
#[allow(dead_code)]
#[path = "../../util/wait.rs"]
mod wait;

const BUILT_IN: &str = r#"
[sources.bench-shunt]
decoder = "frames"
[sources.bench-shunt.options]
framing = "sync"
sync = "a5"
checksum = { algorithm = "sum8" }
endian = "little"
length = 6
[[sources.bench-shunt.options.frames]]
name = "live"
fields = [{ name = "U", at = 1, type = "i16" }, { name = "I", at = 3, type = "i16" }]
[sources.bench-shunt.fields.U]
quantity = "voltage_volt"
scale = 0.01
[sources.bench-shunt.fields.I]
quantity = "current_ampere"
scale = 0.01
sign = "discharging-positive"
"#;

const PLUGIN: &str = r#"
[sources.bench-shunt]
decoder = "plugin"
plugin = { file = "LIBRARY" }
[sources.bench-shunt.fields.U]
quantity = "voltage_volt"
[sources.bench-shunt.fields.I]
quantity = "current_ampere"
sign = "discharging-positive"
"#;

/// Prints what each way costs the daemon, its host included.
pub fn compare(folder: &Path, library: &Path, frames: &[Frame]) -> Result<(), Failure> {
    let file = folder.join("yard.frames.jsonl");
    let lines: Vec<String> = frames.iter().map(Frame::to_line).collect();
    std::fs::write(&file, lines.join("\n") + "\n")?;
    let plugin = PLUGIN.replace("LIBRARY", &library.display().to_string());
    let mut costs = Vec::new();
    for (name, source) in [("built-in", BUILT_IN), ("plugin", &plugin)] {
        let folder = folder.join(name);
        std::fs::create_dir(&folder)?;
        let us = play(&folder, source, &file, frames.len())?;
        println!("the whole daemon, {name:<16} {us:>31.2} CPU us a frame, {A_SECOND} a second");
        costs.push(us);
    }
    println!("the whole daemon, added by the plugin {:>18.2}", costs[1] - costs[0]);
    Ok(())
}

fn play(folder: &Path, source: &str, file: &Path, frames: usize) -> Result<f64, Failure> {
    let (config, socket) = (folder.join("ampledger.toml"), folder.join("api.sock"));
    let text = format!(
        "[store]\npath = {:?}\n[api]\nsocket = {socket:?}\n{source}\
         [sources.bench-shunt.replay]\nfile = {file:?}\nrate = \"realtime\"\n",
        folder.join("bench.db")
    );
    std::fs::write(&config, text)?;
    let mut command = Command::new(binaries::binary("ampledgerd"));
    let daemon = Running::start(command.arg("--config").arg(config))?;
    let id = daemon.0.id();
    let api = api::Api::at(socket);
    let deadline = Instant::now() + Duration::from_secs(60);
    let mut last = Duration::ZERO;
    while Instant::now() < deadline {
        std::thread::sleep(Duration::from_millis(100));
        let Some(answer) = api.try_get("/v1/status") else { continue };
        let status: StatusResponse = serde_json::from_slice(&answer.body)?;
        let found = &status.sources[0];
        let hosts = children(id)?.into_iter().map(cpu).filter_map(Result::ok).sum::<Duration>();
        // The host ends with the file: what it had used by then is what counts.
        last = last.max(hosts);
        if found.state == SourceState::Finished {
            let samples = found.counters.samples as usize;
            if samples != frames {
                return Err(format!("{samples} samples of {frames} frames: {found:?}").into());
            }
            return Ok((cpu(id)? + last).as_secs_f64() * 1e6 / frames as f64);
        }
    }
    let status = api.try_get("/v1/status").map(|answer| answer.body).unwrap_or_default();
    let status = String::from_utf8_lossy(&status).into_owned();
    Err(format!("the file was not played within a minute: {status}").into())
}

/// The processes that a process has started.
fn children(parent: u32) -> Result<Vec<u32>, Failure> {
    let mut found = Vec::new();
    for entry in std::fs::read_dir("/proc")?.flatten() {
        let Some(id) = entry.file_name().to_str().and_then(|name| name.parse::<u32>().ok()) else {
            continue;
        };
        let stat = std::fs::read_to_string(entry.path().join("stat")).unwrap_or_default();
        let tail = stat.rsplit(')').next().unwrap_or_default();
        if tail.split_whitespace().nth(1) == Some(&parent.to_string()) {
            found.push(id);
        }
    }
    Ok(found)
}
