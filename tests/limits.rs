//! Limits on the real binaries: what is passed is marked, told to programs,
//! addresses and a broker that nobody here wrote, and may switch an instrument
//! off, but only that, once, and when somebody armed it.

mod broker;
mod kinds;
mod readings;
mod switching;
mod telling;

use std::os::unix::fs::PermissionsExt;
use std::path::PathBuf;

use ampledger_types::alarm::{Alarm, LimitStanding, LimitStatus};

use crate::util::{Bench, until};
use crate::yard::Yard;

/// A limit that is passed at once below 20 V, with these actions.
fn pack_low(actions: &str, more: &str) -> String {
    format!(
        "
[limits.pack-low]
kind = \"under-voltage\"
source = \"bench-shunt\"
volt = 20.0
hold_second = 0
actions = [{actions}]
{more}
"
    )
}

#[track_caller]
fn until_standing(yard: &Yard, name: &str, standing: LimitStanding) -> LimitStatus {
    until(&format!("{name} is {standing:?}"), || {
        Some(limit(&yard.bench, name)).filter(|limit| limit.standing == standing)
    })
}

fn limit(bench: &Bench, name: &str) -> LimitStatus {
    let all: Vec<LimitStatus> = bench.api().get("/v1/limits").good().read();
    all.into_iter().find(|limit| limit.name == name).expect("the limit")
}

/// A program that puts what it is given beside itself, one file a run.
fn program(bench: &Bench, end: &str) -> PathBuf {
    let folder = bench.path("told");
    std::fs::create_dir_all(&folder).expect("a folder");
    let script =
        format!("#!/bin/sh\ncat > {0}/.new && mv {0}/.new {0}/$$\n{end}\n", folder.display());
    let path = bench.write("tell", script.as_bytes());
    std::fs::set_permissions(&path, std::fs::Permissions::from_mode(0o755)).expect("a program");
    path
}

/// What the program was given so far.
fn told(bench: &Bench) -> Vec<Alarm> {
    let Ok(folder) = std::fs::read_dir(bench.path("told")) else { return Vec::new() };
    let files = folder.map(|entry| entry.expect("a file").path());
    let whole = files.filter(|path| !path.ends_with(".new"));
    let read = |path: PathBuf| serde_json::from_slice(&std::fs::read(path).ok()?).ok();
    whole.filter_map(read).collect()
}

const TELL: &str = "\n[actions.tell]\ncommand = [\"DIR/tell\"]\nat_most_every_second = 0\n";
