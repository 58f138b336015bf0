//! `ampledger`: reads the command line, runs one command and ends with its
//! exit code. It never opens a device; of a store it writes only what it imports.

mod capture;
mod client;
mod commands;
mod context;
mod exit;
mod files;
mod import;
mod job;
mod meter_fields;
mod origin;
mod own_daemon;
mod pack_fields;
mod plain_db;
mod progress;
mod render;
mod screen;
mod sibling;
mod stop;

use std::process::ExitCode;

use clap::Parser as _;

use commands::Cli;
use exit::{Exit, Failure};

fn main() -> ExitCode {
    let cli = Cli::parse();
    let json = cli.global.json;
    let exit = match commands::run(cli) {
        Ok(exit) => exit,
        Err(failure) if failure.is_broken_pipe() => Exit::Good,
        Err(failure) => complain(&failure, json),
    };
    ExitCode::from(exit.code())
}

fn complain(failure: &Failure, json: bool) -> Exit {
    screen::complain(&failure.response(), json);
    failure.exit()
}
