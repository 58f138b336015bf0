//! Plugins for the tests: C files of `tests/plugins/`, built into the test's own
//! folder, and the examples that are shipped.

use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::Mutex;

use super::{Bench, root};

/// A plugin of `tests/plugins/`, built into the bench's folder.
#[track_caller]
pub fn plugin(bench: &Bench, name: &str) -> PathBuf {
    let source = root().join("tests/plugins").join(format!("{name}.c"));
    let library = bench.path(&format!("{name}.so"));
    compile(&source, &library);
    library
}

/// Builds one C file into a library.
#[track_caller]
pub fn compile(source: &Path, library: &Path) {
    let mut cc = Command::new("cc");
    cc.args(["-O1", "-fPIC", "-shared", "-pthread", "-I"]).arg(root().join("decoders/include"));
    run(cc.arg("-o").arg(library).arg(source));
}

/// The example in C, built by its own Makefile in the bench's folder.
#[track_caller]
pub fn c_example(bench: &Bench) -> PathBuf {
    for name in ["Makefile", "yard_shunt.c"] {
        let from = root().join("decoders/examples/c").join(name);
        std::fs::copy(from, bench.path(name)).expect("a file of the example");
    }
    let mut make = Command::new("make");
    let include = root().join("decoders/include");
    run(make.arg("-C").arg(bench.path("")).arg(format!("INCLUDE={}", include.display())));
    bench.path("yard_shunt.so")
}

/// The example in Rust, built by cargo into the target folder.
#[track_caller]
pub fn rust_example() -> PathBuf {
    static ONE_AT_A_TIME: Mutex<()> = Mutex::new(());
    let _guard = ONE_AT_A_TIME.lock().unwrap_or_else(|e| e.into_inner());
    let target = root().join("target/examples");
    let mut cargo = Command::new(env!("CARGO"));
    cargo.args(["build", "--quiet", "--release", "--locked", "--target-dir"]).arg(&target);
    cargo.current_dir(root().join("decoders/examples/rust"));
    run(&mut cargo);
    target.join("release/libasked_load.so")
}

/// Runs a builder to its end.
#[track_caller]
pub fn run(command: &mut Command) {
    let output = command.output().unwrap_or_else(|e| panic!("{command:?}: {e}"));
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{command:?}: {said}");
}
