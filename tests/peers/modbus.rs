//! A Modbus RTU instrument that nobody here wrote, as a process on a serial
//! port: PyPI `pymodbus` or Debian's `libmodbus`. Its registers are described in
//! `modbus_server.py`.

use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::Duration;

use crate::util::{Bench, Python, root, skip};

/// Whose program it is.
#[derive(Clone, Copy, Debug)]
pub enum Maker {
    /// `modbus_server.py`
    Pymodbus,
    /// `modbus_server.c`
    Libmodbus,
}

/// The running instrument; it ends with the test.
pub struct ModbusServer(Child);

impl ModbusServer {
    /// Starts it on `port` and waits until it listens. `period` is what its
    /// counter counts. `None` where the maker's program is not installed,
    /// which is said.
    pub fn start(maker: Maker, bench: &Bench, port: &Path, period: Duration) -> Option<Self> {
        let mut command = match maker {
            Maker::Pymodbus => {
                let mut command = Command::new(Python::Readers.interpreter()?);
                command.arg(root().join("tests/peers/modbus_server.py"));
                command
            }
            Maker::Libmodbus => Command::new(compiled(bench)?),
        };
        command.arg(port).arg(period.as_secs_f64().to_string());
        command.stdin(Stdio::null()).stdout(Stdio::piped());
        let mut child = command.spawn().expect("the server cannot be run");
        let mut said = String::new();
        let stdout = child.stdout.take().expect("its output");
        let server = ModbusServer(child);
        BufReader::new(stdout).read_line(&mut said).expect("its output");
        assert_eq!(said, "ready\n", "{maker:?} does not start; what it said is above");
        Some(server)
    }
}

impl Drop for ModbusServer {
    fn drop(&mut self) {
        // Both fail only where it has ended already.
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// The program in C, compiled into the bench's folder.
fn compiled(bench: &Bench) -> Option<PathBuf> {
    let headers = Path::new("/usr/include/modbus");
    if !headers.join("modbus.h").is_file() {
        skip("no libmodbus to compile against (Debian: libmodbus-dev)");
        return None;
    }
    let program = bench.path("modbus_server");
    let compiler = Command::new("cc")
        .args(["-std=gnu11", "-Wall", "-Wextra", "-Werror", "-o"])
        .arg(&program)
        .arg("-I")
        .arg(headers)
        .arg(root().join("tests/peers/modbus_server.c"))
        .arg("-lmodbus")
        .output();
    let Ok(output) = compiler else {
        skip("no C compiler `cc`");
        return None;
    };
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    Some(program)
}
