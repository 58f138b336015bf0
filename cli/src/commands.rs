//! The list of commands. Parser, help, manual pages, completions and
//! `docs/cli.md` all come from it. Parsing has no side effects.

mod backup;
mod calibrate;
mod capture;
mod compact;
mod completions;
mod decode;
mod demo;
mod doctor;
mod export;
mod import;
mod limits;
mod man;
mod packs;
mod plugin;
mod probe;
mod redecode;
mod reload;
mod report;
mod restore;
mod salvage;
mod sessions;
mod show;
mod sources;
mod start;
mod status;
mod stop;
mod tag;
mod thin;
mod zero;

use std::path::PathBuf;

use ampledger_report::cautions::CAUTIONS;
use clap::{Args, Parser, Subcommand};

use crate::client::{BUILD, Client, default_socket};
use crate::context::Context;
use crate::exit::{Exit, Failure};

pub use plugin::check as plugin_check;

/// Records battery tests and tells what a pack delivered
///
/// The daemon `ampledgerd` records what the sensors on a battery bench say.
/// With this command you mark stretches of that record as test sessions, and
/// read and export what came out of them.
///
/// A session is named by its number, by its pack's label (its newest session),
/// or by `last`. Times are shown in the local zone with its offset; files hold
/// UTC. Positive current charges the pack, negative current discharges it.
#[derive(Debug, Parser)]
#[command(name = "ampledger", version = BUILD, after_long_help = after_help())]
#[command(subcommand_required = true, arg_required_else_help = true, max_term_width = 100)]
pub struct Cli {
    /// What every command understands.
    #[command(flatten)]
    pub global: Global,
    /// What to do.
    #[command(subcommand)]
    pub command: Command,
}

/// Options of every command.
#[derive(Args, Debug)]
pub struct Global {
    /// The daemon's socket [default: /run/ampledger/ampledger.sock, or
    /// $XDG_RUNTIME_DIR/ampledger/ampledger.sock where only that is there]
    #[arg(long, global = true, value_name = "PATH", env = "AMPLEDGER_SOCKET")]
    #[arg(hide_env_values = true)]
    pub socket: Option<PathBuf>,
    /// Print JSON instead of text, errors too
    #[arg(long, global = true)]
    pub json: bool,
}

/// The commands, in the order a person meets them.
#[derive(Debug, Subcommand)]
#[allow(missing_docs, reason = "the manual's text stands with each command's arguments")]
pub enum Command {
    Start(Box<start::Start>),
    Stop(stop::Stop),
    Tag(tag::TagSession),
    Export(export::Export),
    Report(report::Report),
    Import(Box<import::Import>),
    Status(status::Status),
    Sessions(sessions::Sessions),
    Show(show::Show),
    Packs(packs::Packs),
    Redecode(redecode::Redecode),
    Sources(sources::Sources),
    Zero(zero::Zero),
    Calibrate(calibrate::Calibrate),
    Limits(limits::Limits),
    Capture(capture::Capture),
    Decode(decode::Decode),
    Probe(probe::Probe),
    Plugin(plugin::Plugin),
    Reload(reload::Reload),
    Doctor(doctor::Doctor),
    Backup(backup::Backup),
    Thin(thin::Thin),
    Compact(compact::Compact),
    Restore(restore::Restore),
    Salvage(salvage::Salvage),
    Demo(demo::Demo),
    #[command(hide = true)]
    Man(man::Man),
    #[command(hide = true)]
    Completions(completions::Completions),
}

/// Runs the command that was asked for.
pub fn run(cli: Cli) -> Result<Exit, Failure> {
    let Global { socket, json } = cli.global;
    let runtime_folder = std::env::var_os("XDG_RUNTIME_DIR").map(PathBuf::from);
    let socket = socket.unwrap_or_else(|| default_socket(runtime_folder.as_deref()));
    let context = Context::new(Client::new(socket), json);
    match cli.command {
        Command::Start(command) => command.run(&context),
        Command::Stop(command) => command.run(&context),
        Command::Tag(command) => command.run(&context),
        Command::Export(command) => command.run(&context),
        Command::Report(command) => command.run(&context),
        Command::Import(command) => command.run(&context),
        Command::Status(command) => command.run(&context),
        Command::Sessions(command) => command.run(&context),
        Command::Show(command) => command.run(&context),
        Command::Packs(command) => command.run(&context),
        Command::Redecode(command) => command.run(&context),
        Command::Sources(command) => command.run(&context),
        Command::Zero(command) => command.run(&context),
        Command::Calibrate(command) => command.run(&context),
        Command::Limits(command) => command.run(&context),
        Command::Capture(command) => command.run(&context),
        Command::Decode(command) => command.run(&context),
        Command::Probe(command) => command.run(&context),
        Command::Plugin(command) => command.run(&context),
        Command::Reload(command) => command.run(&context),
        Command::Doctor(command) => command.run(&context),
        Command::Backup(command) => command.run(&context),
        Command::Thin(command) => command.run(&context),
        Command::Compact(command) => command.run(&context),
        Command::Restore(command) => command.run(&context),
        Command::Salvage(command) => command.run(&context),
        Command::Demo(command) => command.run(&context),
        Command::Man(command) => command.run(),
        Command::Completions(command) => command.run(),
    }
}

fn after_help() -> String {
    let codes = Exit::TABLE.map(|(exit, meaning)| format!("  {:>3}  {meaning}", exit.code()));
    format!("Exit codes:\n{}\n\n{}", codes.join("\n"), cautions())
}

/// The usual cautions, for the end of a help text.
pub fn cautions() -> String {
    let lines = CAUTIONS.map(|caution| format!("  - {caution}"));
    format!("Cautions:\n{}", lines.join("\n"))
}

#[cfg(test)]
#[path = "commands/tests.rs"]
mod tests;
