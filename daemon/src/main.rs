//! `ampledgerd`: records what the sensors of a battery bench say, all the
//! time, into one file. This file reads the arguments and gives the exit code.

mod api;
mod attendant;
mod calibrating;
mod clock;
mod commands;
mod config;
mod conversation;
mod decoding;
mod frame_log;
mod health;
mod intake;
mod keeper;
mod limits;
mod logging;
mod maintenance;
mod marking;
mod opening;
mod plugin;
mod reading;
mod recorder;
mod redecode;
mod reload;
mod roster;
mod service;
mod source;
mod sources;
mod supervise;
mod timekeeping;
mod upkeep;

use std::path::PathBuf;
use std::process::ExitCode;

use clap::Parser;

/// Version and build; client and daemon of different builds refuse each other.
pub const BUILD: &str = env!("AMPLEDGER_BUILD");

/// The configuration cannot be used: starting again will not help.
const EXIT_CONFIG: u8 = 78;

/// Records what the sensors of a battery bench say into one file.
///
/// Ampledger records and computes. It is no safety device: every limit that
/// matters must also exist in hardware.
#[derive(Parser)]
#[command(name = "ampledgerd", version = BUILD)]
struct Arguments {
    /// Configuration file (TOML)
    #[arg(long, value_name = "FILE", env = "AMPLEDGER_CONFIG")]
    config: Option<PathBuf>,
    /// Record into this file instead of `store.path`
    #[arg(long, value_name = "FILE")]
    store: Option<PathBuf>,
    /// Listen on this Unix socket instead of `api.socket`
    #[arg(long, value_name = "PATH")]
    socket: Option<PathBuf>,
    /// Let time pass this many times faster; for demos and tests only
    #[arg(long, value_name = "FACTOR", default_value_t = 1.0, value_parser = clock_rate)]
    clock_rate: f64,
    /// Check the configuration, print what is wrong, and leave
    #[arg(long)]
    check: bool,
}

fn clock_rate(text: &str) -> Result<f64, String> {
    let rate: f64 = text.parse().map_err(|_| "is no number".to_owned())?;
    if (0.001..=1e6).contains(&rate) { Ok(rate) } else { Err("must be 0.001 to 1000000".into()) }
}

fn main() -> ExitCode {
    let arguments = Arguments::parse();
    let overrides =
        config::Overrides { store: arguments.store.clone(), socket: arguments.socket.clone() };
    let origin = config::Origin { file: arguments.config.clone(), overrides };
    let config = match origin.load() {
        Ok(config) => config,
        Err(error) => {
            eprintln!("ampledgerd: {error}");
            return ExitCode::from(EXIT_CONFIG);
        }
    };
    if arguments.check {
        return check(&config);
    }
    if let Err(error) = logging::start(&config.log) {
        eprintln!("ampledgerd: `log.filter`: {error}");
        return ExitCode::from(EXIT_CONFIG);
    }
    match service::run(config, origin, arguments.clock_rate) {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            tracing::error!("{error}");
            ExitCode::from(error.exit_code())
        }
    }
}

fn check(config: &config::Config) -> ExitCode {
    for problem in &config.problems {
        eprintln!("{problem}");
    }
    let (good, refused) = (config.sources.len(), config.refused.len());
    println!("sources that can be used: {good}; refused: {refused}");
    if config.problems.is_empty() { ExitCode::SUCCESS } else { ExitCode::from(1) }
}
