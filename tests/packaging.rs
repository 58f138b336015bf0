//! What `packaging/` puts on a machine: checked by systemd's own tools, put
//! into a folder and taken away again, never into this machine.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use tempfile::TempDir;

use crate::util::{Bench, binary, root, skip};

/// The highest exposure that systemd may find, in tenths of its scale of 0
/// (safe) to 10. What is left comes from the serial ports and the API's socket.
const EXPOSURE_TENTHS: &str = "10";

fn text_of(output: &Output) -> String {
    String::from_utf8_lossy(&[&output.stdout[..], &output.stderr[..]].concat()).into_owned()
}

fn folder() -> TempDir {
    tempfile::Builder::new().prefix("ampledger-").tempdir().expect("a folder")
}

/// Whether a program is on this machine; a test that needs it is skipped
/// otherwise.
fn have(program: &str) -> bool {
    let found = Command::new(program).arg("--version").output().is_ok();
    if !found {
        skip(&format!("{program} is not on this machine (Debian: package systemd)"));
    }
    found
}

fn install(destdir: &Path, more: &[&str]) -> Output {
    let binaries = binary("ampledgerd");
    Command::new(root().join("packaging/install"))
        .arg("--destdir")
        .arg(destdir)
        .arg("--binaries")
        .arg(binaries.parent().expect("a folder"))
        .args(more)
        .output()
        .expect("packaging/install")
}

/// Every file under a folder, as paths from there.
fn files(folder: &Path) -> BTreeSet<PathBuf> {
    let mut found = BTreeSet::new();
    let mut left = vec![folder.to_owned()];
    while let Some(next) = left.pop() {
        for entry in std::fs::read_dir(next).expect("a folder") {
            let path = entry.expect("an entry").path();
            if path.is_dir() {
                left.push(path);
            } else {
                found.insert(path.strip_prefix(folder).expect("inside").to_owned());
            }
        }
    }
    found
}

/// The unit with the command of this build, so that systemd finds it.
fn unit(folder: &Path) -> PathBuf {
    let text = std::fs::read_to_string(root().join("packaging/ampledgerd.service"));
    let program = binary("ampledgerd").display().to_string();
    let text = text.expect("the unit").replace("/usr/local/bin/ampledgerd", &program);
    let path = folder.join("ampledgerd.service");
    std::fs::write(&path, text).expect("a file");
    path
}

#[test]
fn systemd_finds_no_fault_in_the_unit() {
    if !have("systemd-analyze") {
        return;
    }
    let folder = folder();
    let output = Command::new("systemd-analyze")
        .args(["verify", "--man=no"])
        .arg(unit(folder.path()))
        .output()
        .expect("systemd-analyze");
    let said = text_of(&output);
    assert!(output.status.success(), "{said}");
    let ours: Vec<&str> = said.lines().filter(|l| l.contains("ampledgerd")).collect();
    assert!(ours.is_empty(), "{said}");
}

#[test]
fn systemd_finds_no_fault_in_the_unit_with_the_network() {
    if !have("systemd-analyze") {
        return;
    }
    let folder = folder();
    let unit = unit(folder.path());
    let beside = folder.path().join("ampledgerd.service.d");
    std::fs::create_dir(&beside).expect("a folder");
    let text = std::fs::read_to_string(root().join("packaging/network.conf")).expect("it is there");
    let put = |text: &str| std::fs::write(beside.join("network.conf"), text).expect("a file");
    let verified = || {
        let mut command = Command::new("systemd-analyze");
        command.args(["verify", "--man=no"]).arg(&unit);
        text_of(&command.output().expect("systemd-analyze"))
    };
    // A word that is none is told: it is looked at.
    put(&text.replace("PrivateNetwork=", "PrivateNetwerk="));
    assert!(verified().contains("PrivateNetwerk"), "{}", verified());
    put(&text);
    assert!(!verified().contains("ampledgerd"), "{}", verified());
}

#[test]
fn systemd_calls_the_unit_safe() {
    if !have("systemd-analyze") {
        return;
    }
    let folder = folder();
    let output = Command::new("systemd-analyze")
        .args(["security", "--offline=yes", "--no-pager", "--threshold", EXPOSURE_TENTHS])
        .arg(unit(folder.path()))
        .output()
        .expect("systemd-analyze");
    assert!(output.status.success(), "{}", text_of(&output));
}

#[test]
fn an_installed_program_is_taken_away_whole_and_the_data_stay() {
    let folder = folder();
    let target = folder.path();
    let output = install(target, &[]);
    assert!(output.status.success(), "{}", text_of(&output));
    let put = files(target);
    for file in [
        "usr/local/bin/ampledger",
        "usr/local/bin/ampledgerd",
        "usr/local/libexec/ampledger/ampledger-host",
        "usr/local/include/ampledger_plugin.h",
        "usr/local/lib/systemd/system/ampledgerd.service",
        "usr/local/lib/sysusers.d/ampledger.conf",
        "usr/local/lib/tmpfiles.d/ampledger.conf",
        "usr/local/lib/udev/rules.d/70-ampledger.rules",
        "usr/local/share/man/man1/ampledger.1",
        "usr/local/share/bash-completion/completions/ampledger",
        "etc/ampledger/ampledger.toml",
    ] {
        assert!(put.contains(Path::new(file)), "{file} is missing in {put:#?}");
    }
    let data = target.join("var/lib/ampledger");
    std::fs::create_dir_all(&data).expect("a folder");
    std::fs::write(data.join("ampledger.db"), "recorded").expect("a file");
    let edited = target.join("etc/ampledger/ampledger.toml");
    std::fs::write(&edited, "# edited\n").expect("a file");

    let again = install(target, &[]);
    assert!(again.status.success(), "{}", text_of(&again));
    assert_eq!(std::fs::read_to_string(&edited).expect("kept"), "# edited\n");

    let output = install(target, &["--remove"]);
    let said = text_of(&output);
    assert!(output.status.success(), "{said}");
    let kept = ["etc/ampledger/ampledger.toml", "var/lib/ampledger/ampledger.db"];
    assert_eq!(files(target), kept.iter().map(PathBuf::from).collect());
    assert!(said.contains("var/lib/ampledger"), "where the data are: {said}");
}

#[test]
fn a_prefix_where_systemd_does_not_look_is_refused() {
    let folder = folder();
    let output = install(folder.path(), &["--prefix", "/opt/yard"]);
    assert!(!output.status.success());
    assert!(text_of(&output).contains("/usr/local"), "{}", text_of(&output));
}

#[test]
fn the_users_file_makes_the_user_and_its_membership() {
    if !have("systemd-sysusers") {
        return;
    }
    if !rustix::process::geteuid().is_root() {
        skip("systemd-sysusers makes users only for root, also under another root folder");
        return;
    }
    let folder = folder();
    std::fs::create_dir(folder.path().join("etc")).expect("a folder");
    let output = Command::new("systemd-sysusers")
        .arg(format!("--root={}", folder.path().display()))
        .arg(root().join("packaging/sysusers.conf"))
        .output()
        .expect("systemd-sysusers");
    assert!(output.status.success(), "{}", text_of(&output));
    let read = |name: &str| std::fs::read_to_string(folder.path().join(name)).unwrap_or_default();
    assert!(read("etc/passwd").lines().any(|l| l.starts_with("ampledger:")));
    for group in ["dialout:", "bluetooth:"] {
        let member = |l: &str| l.starts_with(group) && l.ends_with(":ampledger");
        assert!(read("etc/group").lines().any(member), "{}", read("etc/group"));
    }
}

/// What the daemon's own check says about a configuration.
fn check(text: &str) -> Output {
    let bench = Bench::new("");
    let path = bench.write("example.toml", text.as_bytes());
    let mut command = Command::new(binary("ampledgerd"));
    command.arg("--check").arg("--config").arg(path).output().expect("the daemon")
}

#[test]
fn the_example_configuration_is_right_as_it_is_and_with_every_example_in_use() {
    let text = std::fs::read_to_string(root().join("packaging/ampledger.toml"));
    let text = text.expect("the example");
    let as_it_is = check(&text);
    assert!(as_it_is.status.success(), "{}", text_of(&as_it_is));
    // `# words` and `#   words` are prose, `#key`, `#[table]` and the lines of a
    // list are examples.
    let is_example = |text: &str| {
        text.starts_with(|c: char| c.is_ascii_lowercase() || "[]".contains(c))
            || text.starts_with("  {")
    };
    let in_use = |line: &str| match line.strip_prefix('#') {
        Some(example) if is_example(example) => example.to_owned(),
        _ => line.to_owned(),
    };
    let all: Vec<String> = text.lines().map(in_use).collect();
    assert!(all.len() > 60 && all.iter().any(|l| l == "[sources.bench-shunt]"), "{all:#?}");
    for descriptor in ampledger_decoders::builtin::BUILTIN {
        let named = format!("decoder = \"{}\"", descriptor.name);
        assert!(all.contains(&named), "no example of {}", descriptor.name);
    }
    let used = check(&all.join("\n"));
    assert!(used.status.success(), "{}", text_of(&used));
}

#[test]
fn the_unit_and_the_daemon_agree_on_the_exit_codes_that_are_not_retried() {
    let unit = std::fs::read_to_string(root().join("packaging/ampledgerd.service"));
    let unit = unit.expect("the unit");
    let line = unit.lines().find_map(|l| l.strip_prefix("RestartPreventExitStatus="));
    let codes: Vec<i32> = line
        .expect("the unit names them")
        .split(' ')
        .map(|code| code.parse().expect("a number"))
        .collect();
    let bench = Bench::new("[sorces.load]\n[store\n");
    let wrong = bench.daemon_command().output().expect("the daemon").status.code();
    assert!(wrong.is_some_and(|c| codes.contains(&c)), "wrong configuration: {wrong:?}");
    bench.configure("");
    let first = bench.daemon();
    let held = bench.daemon_command().output().expect("the daemon").status.code();
    assert!(held.is_some_and(|c| !codes.contains(&c)), "store held: {held:?}");
    drop(first);
    let mut usage = bench.daemon_command();
    let usage = usage.arg("--no-such-flag").output().expect("the daemon").status.code();
    assert!(usage.is_some_and(|c| codes.contains(&c)), "wrong command line: {usage:?}");
}
