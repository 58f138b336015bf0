//! The header says in C what `abi.rs` says in Rust: every size, every place of a
//! member and every number, asked of a C compiler; and it is C++ as well.
#![allow(clippy::unwrap_used, reason = "a test fails by it")]

use std::fmt::Write as _;
use std::mem::offset_of;
use std::path::{Path, PathBuf};
use std::process::Command;

use ampledger_plugin::abi;

fn include() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../include")
}

/// What is compared: an expression in C, and its value in Rust.
fn expected() -> Vec<(String, i128)> {
    let mut all = Vec::new();
    macro_rules! structs {
        ($($c:literal is $rust:ident { $($member:ident),* })*) => {$(
            all.push((format!("sizeof(struct {})", $c), size_of::<abi::$rust>() as i128));
            $(all.push((
                format!("offsetof(struct {}, {})", $c, stringify!($member)),
                offset_of!(abi::$rust, $member) as i128,
            ));)*
        )*};
    }
    structs! {
        "ampledger_text" is Text { bytes, length }
        "ampledger_input" is Input { struct_size, kind, now_us, endpoint, flags, bytes, length }
        "ampledger_value" is Value { field, number }
        "ampledger_reading" is Reading { struct_size, count, values, instrument_time_us }
        "ampledger_complaint" is Complaint { struct_size, kind, bytes_skipped, detail }
        "ampledger_host" is Host {
            struct_size, abi_version, context, reading, complaint, identity, send, drain, wake,
            done, state, refuse
        }
        "ampledger_plugin" is Plugin {
            struct_size, abi_version, name, version, summary, integrity, reserved, open, handle,
            close, save, restore
        }
    }
    macro_rules! numbers {
        ($($name:ident)*) => {$(
            all.push((format!("AMPLEDGER_{}", stringify!($name)), i128::from(abi::$name)));
        )*};
    }
    numbers! {
        ABI_VERSION OK FAILED OPENED RECEIVED SENT DRAINED DEADLINE COMMAND CLOSED FLAG_RECORD
        NO_TIME NOT_MINE INCOMPLETE BAD_CHECK IMPLAUSIBLE NO_ANSWER INSTRUMENT_ERROR
        INTEGRITY_NONE INTEGRITY_SUM INTEGRITY_CRC
    }
    all
}

#[test]
fn every_size_place_and_number_is_that_of_the_header() {
    let mut program =
        "#include <stdio.h>\n#include \"ampledger_plugin.h\"\nint main(void) {\n".to_owned();
    for (expression, _) in expected() {
        writeln!(program, "printf(\"%lld\\n\", (long long)({expression}));").unwrap();
    }
    program.push_str("return 0;\n}\n");
    let folder = tempfile::tempdir().unwrap();
    let (source, run) = (folder.path().join("header.c"), folder.path().join("header"));
    std::fs::write(&source, program).unwrap();
    let mut cc = Command::new("cc");
    cc.args(["-std=c99", "-Wall", "-Wextra", "-Werror", "-pedantic", "-I"]).arg(include());
    assert!(cc.arg("-o").arg(&run).arg(&source).status().unwrap().success());
    let printed = String::from_utf8(Command::new(&run).output().unwrap().stdout).unwrap();
    let printed: Vec<i128> = printed.lines().map(|line| line.parse().unwrap()).collect();
    let expected = expected();
    assert_eq!(printed.len(), expected.len());
    for ((expression, here), there) in expected.iter().zip(printed) {
        assert_eq!(*here, there, "{expression}");
    }
}

#[test]
fn every_number_and_member_of_the_header_is_compared() {
    let header = std::fs::read_to_string(include().join("ampledger_plugin.h")).unwrap();
    let compared: Vec<String> = expected().into_iter().map(|(expression, _)| expression).collect();
    let defined = header.lines().filter_map(|line| line.strip_prefix("#define AMPLEDGER_"));
    for name in defined.filter_map(|rest| rest.split_whitespace().next()) {
        let is_number = !name.contains('(') && name != "PLUGIN_H";
        let name = format!("AMPLEDGER_{name}");
        assert!(!is_number || compared.contains(&name), "{name} is not compared");
    }
    let mut members = 0;
    let (mut inside, mut last_end) = (false, 0);
    for line in header.lines() {
        inside |= line.starts_with("struct ampledger_") && line.ends_with('{');
        if inside && line.starts_with("    ") && line.ends_with(';') {
            members += 1;
        }
        if line == "};" {
            assert!(members > last_end, "an empty struct");
            (inside, last_end) = (false, members);
        }
    }
    let places = compared.iter().filter(|e| e.starts_with("offsetof")).count();
    assert_eq!(members, places, "members of the header, and those that are compared");
}

#[test]
fn the_header_is_cpp_too() {
    if Command::new("c++").arg("--version").output().is_err() {
        eprintln!("skipped: no c++ on this machine");
        return;
    }
    let mut cpp = Command::new("c++");
    cpp.args(["-x", "c++", "-Wall", "-Wextra", "-Werror", "-fsyntax-only"]);
    assert!(cpp.arg(include().join("ampledger_plugin.h")).status().unwrap().success());
}
