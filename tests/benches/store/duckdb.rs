//! DuckDB on the same samples, on one thread, through its own Python package.
//! It stays open, so that what is asked of it falls between what we do.

use std::cell::RefCell;
use std::io::{BufRead, BufReader, Write};
use std::path::Path;
use std::process::{Child, ChildStdin, ChildStdout, Command, Stdio};

use super::Failure;
use super::binaries;

/// An open file of DuckDB.
pub struct DuckDb {
    child: Child,
    ends: RefCell<(ChildStdin, BufReader<ChildStdout>)>,
}

impl DuckDb {
    /// A new file.
    pub fn create(python: &Path, file: &Path) -> Result<DuckDb, Failure> {
        let mut child = Command::new(python)
            .arg(binaries::root().join("tests/python/duckdb_store.py"))
            .arg(file)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()?;
        let (stdin, stdout) = (child.stdin.take(), child.stdout.take());
        let (stdin, stdout) = stdin.zip(stdout).ok_or("no pipes to DuckDB")?;
        Ok(DuckDb { child, ends: RefCell::new((stdin, BufReader::new(stdout))) })
    }

    /// What it answers to one of the script's words: milliseconds of processor
    /// time, or bytes.
    pub fn ask(&self, words: &str) -> Result<f64, Failure> {
        let (stdin, stdout) = &mut *self.ends.borrow_mut();
        writeln!(stdin, "{words}")?;
        stdin.flush()?;
        let mut answer = String::new();
        stdout.read_line(&mut answer)?;
        answer.trim().parse().map_err(|_| format!("DuckDB cannot `{words}`: {answer}").into())
    }
}

impl Drop for DuckDb {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}
