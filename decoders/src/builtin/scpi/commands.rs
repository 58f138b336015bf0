//! What somebody may want of the instrument: a line that asks nothing is sent
//! between two questions. Only the instrument knows if it did it.

use serde_json::Value;

use super::options::is_line;
use super::{Ask, Phase, Scpi};
use crate::decoder::{Command, Output};

/// Commands that may wait.
const MOST_COMMANDS: usize = 16;

impl Scpi {
    /// Somebody wants a line sent: `send` with `line`. It goes before whatever
    /// is asked next.
    pub(super) fn command(&mut self, now_us: i64, command: &Command, out: &mut Vec<Output>) {
        match self.wanted_line(command) {
            Err(why) => out.push(Output::CommandDone { id: command.id, result: Err(why) }),
            Ok(line) => {
                self.state.commands.push_back((command.id, line));
                if self.state.phase == Phase::Idle {
                    self.next(now_us, out);
                }
            }
        }
    }

    fn wanted_line(&self, command: &Command) -> Result<String, String> {
        let line = command.arguments.get("line").and_then(Value::as_str);
        match line.filter(|_| command.name == "send") {
            _ if self.state.phase == Phase::Closed => Err("the line is not open".to_owned()),
            _ if self.state.commands.len() >= MOST_COMMANDS => {
                Err(format!("{MOST_COMMANDS} commands wait already"))
            }
            None => Err("scpi takes `send` with a `line`".to_owned()),
            Some(line) if !is_line(line) || line.contains('?') => {
                Err("`line` must be one line that asks nothing".to_owned())
            }
            Some(line) => Ok(line.to_owned()),
        }
    }

    pub(super) fn give_up_commands(&mut self, out: &mut Vec<Output>) {
        for (id, _) in std::mem::take(&mut self.state.commands) {
            let result = Err("the line was closed before it was sent".to_owned());
            out.push(Output::CommandDone { id, result });
        }
    }

    /// The first command is out.
    pub(super) fn commanded(&mut self, out: &mut Vec<Output>) {
        let Some((id, _)) = self.state.commands.pop_front() else { return };
        out.push(Output::CommandDone { id, result: Ok(Value::Null) });
        if self.options.check_errors {
            self.state.first.push_front(Ask::Error(0));
        }
    }
}
