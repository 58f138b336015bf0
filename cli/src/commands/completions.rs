//! `ampledger completions SHELL`: writes a completion script, for packaging.

use std::io::Write as _;

use clap::{Args, CommandFactory as _};
use clap_complete::Shell;

use super::Cli;
use crate::exit::{Exit, Failure};

/// Write a shell's completion script to standard output
#[derive(Args, Debug)]
pub struct Completions {
    /// The shell
    #[arg(value_enum)]
    pub shell: Shell,
}

impl Completions {
    /// Runs the command.
    pub fn run(self) -> Result<Exit, Failure> {
        // Through memory: the generator panics where the output is closed.
        let mut script = Vec::new();
        clap_complete::generate(self.shell, &mut Cli::command(), "ampledger", &mut script);
        std::io::stdout().lock().write_all(&script)?;
        Ok(Exit::Good)
    }
}
