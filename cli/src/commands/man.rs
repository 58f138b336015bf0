//! `ampledger man DIR`: writes the manual pages, for packaging.

use std::path::PathBuf;

use clap::{Args, CommandFactory as _};

use super::Cli;
use crate::exit::{Exit, Failure};

/// Write the manual pages into a folder
#[derive(Args, Debug)]
pub struct Man {
    /// The folder; it must exist
    pub folder: PathBuf,
}

impl Man {
    /// Runs the command.
    pub fn run(self) -> Result<Exit, Failure> {
        clap_mangen::generate_to(Cli::command(), &self.folder).map_err(Failure::io(format!(
            "the manual pages cannot be written to {}",
            self.folder.display()
        )))?;
        Ok(Exit::Good)
    }
}
