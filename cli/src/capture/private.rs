//! A daemon with one source of a configuration, a throwaway store and a socket of
//! its own, for looking at a device while no daemon runs.

use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use ampledger_decoders::config::FileSource;
use tempfile::TempDir;
use toml_edit::{DocumentMut, Item, Table, value};

use super::take::{Waiting, is_finished};
use crate::client::Client;
use crate::exit::Failure;
use crate::own_daemon::{Daemon, check};

/// How often the daemon is asked whether a replay has ended.
const ASK_AGAIN: Duration = Duration::from_millis(200);

/// The daemon with its folder.
pub struct Private {
    daemon: Daemon,
    client: Client,
    store: PrivateStore,
}

/// What the daemon recorded. It goes away with this.
pub struct PrivateStore {
    folder: TempDir,
}

impl PrivateStore {
    /// The store's file.
    pub fn path(&self) -> PathBuf {
        self.folder.path().join("private.db")
    }
}

impl Private {
    /// Starts it and waits until the source is open.
    pub fn start(source: &str, config: &Path) -> Result<Private, Failure> {
        let text = source_text(config)?;
        read_source(&text, config, Some(source))?;
        let told = check(config)?;
        let ours: Vec<&str> = told
            .iter()
            .map(String::as_str)
            .filter(|line| line.contains(&format!("`sources.{source}")))
            .collect();
        if !ours.is_empty() {
            return Err(Failure::Usage(ours.join("\n")));
        }
        let folder = tempfile::Builder::new()
            .prefix("ampledger-")
            .tempdir()
            .map_err(Failure::io("a folder for a throwaway store cannot be made"))?;
        let store = PrivateStore { folder };
        let (socket, own) = (store.folder.path().join("s"), store.folder.path().join("c.toml"));
        std::fs::write(&own, only(&text, source, &store.path(), &socket)?)
            .map_err(Failure::io(format!("{} cannot be written", own.display())))?;
        let log = store.folder.path().join("log");
        let arguments = ["--config".as_ref(), own.as_os_str()];
        let mut daemon = Daemon::start("the command's own", &arguments, &log)?;
        let client = Client::new(socket);
        daemon.wait_ready(&client)?;
        Ok(Private { daemon, client, store })
    }

    /// Lets frames arrive.
    pub fn wait(
        &mut self,
        waiting: &mut Waiting<'_>,
        length: Option<Duration>,
    ) -> Result<(), Failure> {
        let mut asked = Instant::now();
        waiting.wait(length, || {
            if asked.elapsed() < ASK_AGAIN {
                return Ok(false);
            }
            asked = Instant::now();
            is_finished(&self.client)
        })
    }

    /// Ends the daemon, so that all is in its store.
    pub fn stop(self) -> PrivateStore {
        self.daemon.stop();
        self.store
    }
}

/// The text of a configuration.
pub fn source_text(config: &Path) -> Result<String, Failure> {
    std::fs::read_to_string(config)
        .map_err(Failure::io(format!("{} cannot be read", config.display())))
}

/// The source of a configuration, with everything that is wrong told by line.
pub fn read_source(text: &str, config: &Path, name: Option<&str>) -> Result<FileSource, Failure> {
    FileSource::read(text, name).map_err(|problems| {
        let place = config.display();
        let told = problems.iter().map(|problem| {
            let line = problem.line.map_or(String::new(), |line| format!(":{line}"));
            let key = match problem.key.as_str() {
                "" => String::new(),
                key => format!(" `{key}`:"),
            };
            format!("{place}{line}:{key} {}", problem.what)
        });
        Failure::Usage(told.collect::<Vec<_>>().join("\n"))
    })
}

/// The configuration with that source alone, and a store and a socket of its own.
fn only(text: &str, source: &str, store: &Path, socket: &Path) -> Result<String, Failure> {
    let unreadable = || Failure::Usage("the configuration cannot be read".to_owned());
    let path = |path: &Path| path.to_str().map(str::to_owned).ok_or_else(unreadable);
    let mut document: DocumentMut = text.parse().map_err(|_| unreadable())?;
    let table = document.get_mut("sources").and_then(|all| all.as_table_like_mut()?.remove(source));
    let mut sources = Table::new();
    sources.insert(source, table.ok_or_else(unreadable)?);
    document.clear();
    document["sources"] = Item::Table(sources);
    document["store"]["path"] = value(path(store)?);
    document["api"]["socket"] = value(path(socket)?);
    Ok(document.to_string())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_private_configuration_has_one_source_and_no_place_of_the_real_one() {
        let text = "[store]\npath = \"/real.db\"\n[api]\nsocket = \"/real.sock\"\n\
                    [sources.load]\ndecoder = \"scpi\"\n[sources.quay]\ndecoder = \"raw\"\n\
                    [sources.quay.serial]\npath = \"/dev/x\"\n";
        let own = only(text, "quay", Path::new("/tmp/s.db"), Path::new("/tmp/s")).unwrap();
        assert!(!own.contains("real") && !own.contains("load"), "{own}");
        let read: toml_edit::DocumentMut = own.parse().unwrap();
        assert_eq!(read["sources"]["quay"]["serial"]["path"].as_str(), Some("/dev/x"));
        assert_eq!(read["store"]["path"].as_str(), Some("/tmp/s.db"));
    }
}
