//! What somebody wants of an instrument, on its way to the decoder of a source
//! and back. One that was given up is not done later.

use std::collections::BTreeMap;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Mutex, MutexGuard};
use std::time::Duration;

use ampledger_decoders::Command;
use serde_json::Value;
use tokio::sync::{Mutex as AsyncMutex, mpsc, oneshot};

/// Commands that may wait for a source.
const QUEUE: usize = 16;

type Answer = oneshot::Sender<Result<Value, String>>;

/// The commands of one source.
pub struct Commands {
    queue: mpsc::Sender<(Command, Answer)>,
    waiting: AsyncMutex<mpsc::Receiver<(Command, Answer)>>,
    given: Mutex<BTreeMap<u64, Answer>>,
    last_id: AtomicU64,
}

impl Default for Commands {
    fn default() -> Self {
        let (queue, waiting) = mpsc::channel(QUEUE);
        Commands {
            queue,
            waiting: AsyncMutex::new(waiting),
            given: Mutex::default(),
            last_id: AtomicU64::new(0),
        }
    }
}

impl Commands {
    /// Asks for something and waits until it is done, at most for `limit`.
    pub async fn ask(
        &self,
        name: &str,
        arguments: Value,
        limit: Duration,
    ) -> Result<Value, String> {
        let id = self.last_id.fetch_add(1, Ordering::Relaxed) + 1;
        let command = Command { id, name: name.to_owned(), arguments };
        let (answer, answered) = oneshot::channel();
        let asked = self.queue.try_send((command, answer));
        asked.map_err(|_| "too many commands wait for this source".to_owned())?;
        match tokio::time::timeout(limit, answered).await {
            Ok(Ok(result)) => result,
            Ok(Err(_)) => Err("the connection was lost before it was done".to_owned()),
            Err(_) => Err(format!("it was not done within {:.0} s", limit.as_secs_f64())),
        }
    }

    /// The next command that somebody still waits for.
    pub async fn next(&self) -> Command {
        let mut waiting = self.waiting.lock().await;
        loop {
            match waiting.recv().await {
                Some((command, answer)) if !answer.is_closed() => {
                    self.given().insert(command.id, answer);
                    return command;
                }
                Some(_) => {}
                None => std::future::pending().await,
            }
        }
    }

    /// A command was done, or not.
    pub fn done(&self, id: u64, result: Result<Value, String>) {
        if let Some(answer) = self.given().remove(&id) {
            // Whoever gave it up needs no answer.
            let _ = answer.send(result);
        }
    }

    /// The connection ended: what was given to the decoder will not be done.
    pub fn lost(&self) {
        self.given().clear();
    }

    fn given(&self) -> MutexGuard<'_, BTreeMap<u64, Answer>> {
        self.given.lock().unwrap_or_else(|e| e.into_inner())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const SOON: Duration = Duration::from_millis(10);
    const LATER: Duration = Duration::from_secs(30);

    #[tokio::test(start_paused = true)]
    async fn a_command_that_was_given_up_is_not_done_later() {
        let commands = Commands::default();
        let given_up = commands.ask("send", Value::Null, SOON).await;
        assert!(given_up.is_err_and(|why| why.contains("not done within")));
        let (wanted, next) = tokio::join!(commands.ask("off", Value::Null, LATER), async {
            let next = commands.next().await;
            commands.done(next.id, Ok(Value::Bool(true)));
            next
        });
        assert_eq!((next.name.as_str(), wanted), ("off", Ok(Value::Bool(true))));
    }

    #[tokio::test(start_paused = true)]
    async fn a_lost_connection_is_told_at_once() {
        let commands = Commands::default();
        let (wanted, ()) = tokio::join!(commands.ask("off", Value::Null, LATER), async {
            commands.next().await;
            commands.lost();
        });
        assert!(wanted.is_err_and(|why| why.contains("lost")));
    }
}
