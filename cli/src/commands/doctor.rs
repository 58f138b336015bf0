//! `ampledger doctor`: looks for what is wrong and says what to do. It changes
//! nothing.

use std::path::{Path, PathBuf};
use std::process::Command;

use ampledger_store::Reader;
use ampledger_types::api::{
    Check, CheckOutcome, ClockStatus, SourceState, SourceStatus, StatusResponse, StoreStatus,
};
use ampledger_types::maintenance::{CheckedRecord, JobOutcome, MaintenanceRequest};
use clap::Args;

use crate::client::{BUILD, Client, ClientError};
use crate::context::Context;
use crate::exit::{Exit, Failure};
use crate::render::{sources, status, style};
use crate::{job, progress, screen, sibling};

/// Look for what is wrong and say what to do
///
/// Looks at the daemon, its build, the record, the clock, each source, and the
/// serial devices of this machine. With --config, the configuration is read as
/// the daemon would read it, whether it runs or not. The daemon reads through
/// all that is recorded for damage; with --store, another store is read here.
///
/// Ends with 1 if anything is wrong.
#[derive(Args, Debug)]
pub struct Doctor {
    /// Check this configuration of the daemon too
    #[arg(long, value_name = "FILE")]
    pub config: Option<PathBuf>,
    /// Look only at this store file; no daemon is asked
    #[arg(long, value_name = "DB", conflicts_with = "config")]
    pub store: Option<PathBuf>,
}

/// The name of what is found in the record.
const DAMAGE: &str = "damage";

impl Doctor {
    /// Runs the command.
    pub fn run(self, context: &Context) -> Result<Exit, Failure> {
        let mut checks = match &self.store {
            Some(path) => damage(&Reader::open(path)?, context.json),
            None => daemon(&context.client, context.json),
        };
        if self.store.is_none() {
            checks.extend(self.config.as_deref().map(configuration));
            checks.extend(devices(Path::new("/dev")));
        }
        let wrong = checks.iter().filter(|check| check.outcome == CheckOutcome::Bad).count();
        match context.json {
            true => screen::json(&checks)?,
            false => screen::say(&format!("{}\n{}", status::checks(&checks), verdict(wrong)))?,
        }
        Ok(if wrong == 0 { Exit::Good } else { Exit::Found })
    }
}

fn verdict(wrong: usize) -> String {
    match wrong {
        0 => style::good("Nothing is wrong."),
        1 => style::bad("One thing is wrong."),
        n => style::bad(&format!("{n} things are wrong.")),
    }
}

fn check(name: &str, outcome: CheckOutcome, text: impl Into<String>) -> Check {
    Check { name: name.to_owned(), outcome, text: text.into() }
}

fn daemon(client: &Client, json: bool) -> Vec<Check> {
    let status: StatusResponse = match client.get("/v1/status") {
        Ok(status) => status,
        Err(error @ ClientError::OtherBuild { .. }) => {
            return vec![check("build", CheckOutcome::Bad, error.to_string())];
        }
        Err(error) => return vec![check("daemon", CheckOutcome::Bad, error.to_string())],
    };
    let socket = client.socket().display();
    let mut checks = vec![
        check("daemon", CheckOutcome::Good, format!("answers on {socket}")),
        check("build", CheckOutcome::Good, format!("{BUILD}, as this program")),
        store(&status.store),
        clock(&status.clock),
    ];
    checks.extend(status.alarms.iter().map(|alarm| check("alarm", CheckOutcome::Bad, alarm)));
    checks.extend(damage_by_daemon(client, &status.store, json));
    if status.sources.is_empty() {
        let text =
            "none is configured; add one to the daemon's configuration, then: ampledger reload";
        checks.push(check("sources", CheckOutcome::Open, text));
    }
    checks.extend(status.sources.iter().map(source));
    checks
}

fn store(store: &StoreStatus) -> Check {
    match &store.trouble {
        Some(trouble) => {
            let text = format!("{}: {trouble}", store.path);
            check("record", CheckOutcome::Bad, text)
        }
        None if store.reserve_given_up => {
            let text = format!("{}: {}", store.path, status::RESERVE_GIVEN_UP);
            check("record", CheckOutcome::Bad, text)
        }
        None => check("record", CheckOutcome::Good, format!("{} is written", store.path)),
    }
}

/// Reads through all that is recorded, and names what cannot be read.
fn damage(reader: &Reader, json: bool) -> Vec<Check> {
    let bar = progress::of_job(json, "chunks");
    let checked = reader.check(|done, all| progress::show(&bar, done, all));
    bar.finish_and_clear();
    match checked {
        Ok(checked) => told(&ampledger_report::damage::checked(reader, &checked)),
        Err(error) => vec![check(DAMAGE, CheckOutcome::Bad, error.to_string())],
    }
}

/// The same, done by the daemon. Where it is busy with something else, this
/// user may still be able to.
fn damage_by_daemon(client: &Client, store: &StoreStatus, json: bool) -> Vec<Check> {
    let error = match job::run(client, &MaintenanceRequest::Check, json) {
        Ok(JobOutcome::Check(checked)) => return told(&checked),
        Ok(_) => job::unexpected().to_string(),
        Err(error) => error.to_string(),
    };
    match Reader::open(Path::new(&store.path)) {
        Ok(reader) => damage(&reader, json),
        Err(_) => vec![check(DAMAGE, CheckOutcome::Open, format!("not looked for: {error}"))],
    }
}

fn told(checked: &CheckedRecord) -> Vec<Check> {
    if checked.damage.is_empty() {
        let CheckedRecord { file, sound_chunks, sound_samples, .. } = checked;
        let text = format!(
            "none in {file}: {sound_chunks} chunks with {sound_samples} samples can be read"
        );
        return vec![check(DAMAGE, CheckOutcome::Good, text)];
    }
    let bad = |text: &String| check(DAMAGE, CheckOutcome::Bad, text.clone());
    checked.damage.iter().map(bad).collect()
}

fn clock(clock: &ClockStatus) -> Check {
    if clock.rate != 1.0 {
        let text = format!("runs {} times as fast: a demo or test", clock.rate);
        return check("clock", CheckOutcome::Open, text);
    }
    match clock.synchronised {
        true => check("clock", CheckOutcome::Good, "synchronised"),
        false => check(
            "clock",
            CheckOutcome::Open,
            "not synchronised: dates may be wrong, lengths of time are right. \
             Turn it on with timedatectl set-ntp true",
        ),
    }
}

fn source(source: &SourceStatus) -> Check {
    let reason = source.reason.clone().unwrap_or_default();
    let (outcome, word) = match source.state {
        SourceState::Live if sources::mostly_unreadable(source) => (CheckOutcome::Bad, "live"),
        SourceState::Live if !source.never_read.is_empty() => (CheckOutcome::Open, "live"),
        SourceState::Live => (CheckOutcome::Good, "live"),
        SourceState::Finished => (CheckOutcome::Good, "played to its end"),
        SourceState::Quiet => (CheckOutcome::Open, "quiet"),
        SourceState::Opening => (CheckOutcome::Open, "being opened"),
        SourceState::Dark => (CheckOutcome::Bad, "dark"),
        SourceState::Failed => (CheckOutcome::Bad, "cannot be used"),
    };
    let mut text = word.to_owned();
    if !reason.is_empty() {
        text.push_str(&format!(": {reason}"));
    }
    if let Some(advice) = sources::advice(source) {
        text.push_str(&format!(" - {advice}"));
    }
    check(&format!("source {}", source.name), outcome, text)
}

fn configuration(file: &Path) -> Check {
    let name = "configuration";
    let Some(program) = sibling::daemon() else {
        let text = format!("{} is neither beside this program nor on the PATH", sibling::DAEMON);
        return check(name, CheckOutcome::Bad, text);
    };
    match Command::new(&program).arg("--check").arg("--config").arg(file).output() {
        Ok(output) if output.status.success() => {
            check(name, CheckOutcome::Good, format!("{} can be used", file.display()))
        }
        Ok(output) => {
            let said = [output.stderr, output.stdout].concat();
            let said = String::from_utf8_lossy(&said);
            check(name, CheckOutcome::Bad, said.trim().replace('\n', "\n        "))
        }
        Err(error) => {
            check(name, CheckOutcome::Bad, format!("{} does not run: {error}", program.display()))
        }
    }
}

/// Serial adapters that are plugged in. Only the daemon's user must be able to
/// open them, so nothing here is wrong: it helps to find the right one.
fn devices(folder: &Path) -> Option<Check> {
    let names = |folder: PathBuf| -> Vec<PathBuf> {
        let entries = std::fs::read_dir(folder).into_iter().flatten().flatten();
        let mut paths: Vec<PathBuf> = entries.map(|entry| entry.path()).collect();
        paths.sort();
        paths
    };
    let by_id = names(folder.join("serial/by-id"));
    let is_adapter = |path: &PathBuf| {
        let name = path.file_name().and_then(|name| name.to_str()).unwrap_or_default();
        name.starts_with("ttyUSB") || name.starts_with("ttyACM")
    };
    let found = match by_id.is_empty() {
        true => names(folder.to_owned()).into_iter().filter(is_adapter).collect(),
        false => by_id,
    };
    let list: Vec<String> = found.iter().map(|path| path.display().to_string()).collect();
    (!list.is_empty()).then(|| check("serial adapters", CheckOutcome::Good, list.join(", ")))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::render::sources::tests::live;

    #[test]
    fn each_state_of_a_source_has_its_outcome_and_reason() {
        let outcome = |state, reason: Option<&str>| {
            let reason = reason.map(str::to_owned);
            source(&SourceStatus { state, reason, ..live() })
        };
        assert_eq!(outcome(SourceState::Live, None).outcome, CheckOutcome::Good);
        assert_eq!(outcome(SourceState::Opening, None).outcome, CheckOutcome::Open);
        let waiting = outcome(SourceState::Opening, Some("waiting for the first reading"));
        assert_eq!(waiting.outcome, CheckOutcome::Open, "{}", waiting.text);
        let missing = outcome(SourceState::Failed, Some("No such file or directory"));
        assert_eq!(missing.outcome, CheckOutcome::Bad);
        assert!(missing.text.contains("No such file") && missing.text.contains("by-id"));
        assert_eq!(outcome(SourceState::Dark, None).outcome, CheckOutcome::Bad);
    }

    #[test]
    fn a_daemon_that_is_not_there_is_one_finding() {
        let client = Client::new(PathBuf::from("/nowhere/d.sock"));
        let checks = daemon(&client, true);
        assert_eq!(checks.len(), 1);
        assert_eq!(checks[0].outcome, CheckOutcome::Bad);
    }

    #[test]
    fn adapters_are_listed_by_the_name_that_stays() {
        let dev = tempfile::tempdir().unwrap();
        std::fs::write(dev.path().join("ttyUSB0"), "").unwrap();
        std::fs::write(dev.path().join("tty1"), "").unwrap();
        let text = devices(dev.path()).unwrap().text;
        assert!(text.ends_with("ttyUSB0") && !text.contains("tty1"), "{text}");
        std::fs::create_dir_all(dev.path().join("serial/by-id")).unwrap();
        std::fs::write(dev.path().join("serial/by-id/usb-shunt"), "").unwrap();
        assert!(devices(dev.path()).unwrap().text.ends_with("by-id/usb-shunt"));
    }
}
