//! Sources as a configuration names them: the sensors of the boat yard. `DIR`
//! stands for the bench's folder.

use std::path::Path;

/// The shunt in the negative lead: prints `U=… I=…`, at `DIR/NAME`.
pub fn lines(name: &str) -> String {
    format!(
        "
[sources.{name}]
decoder = \"text-lines\"
[sources.{name}.serial]
path = \"DIR/{name}\"
baud = 115200
[sources.{name}.fields.U]
quantity = \"voltage_volt\"
[sources.{name}.fields.I]
quantity = \"current_ampere\"
"
    )
}

/// A meter that prints JSON objects with a key `U`, at `DIR/NAME`.
pub fn json(name: &str) -> String {
    let lines = lines(name).replace("text-lines", "json-lines");
    lines.split(&format!("[sources.{name}.fields.I]")).next().expect("a beginning").to_owned()
}

/// The electronic load: answers SCPI, at `DIR/NAME`. It is asked every 50 ms
/// and given 200 ms to answer; after that the line must be quiet for 400 ms.
pub fn scpi(name: &str) -> String {
    format!(
        "
[sources.{name}]
decoder = \"scpi\"
[sources.{name}.serial]
path = \"DIR/{name}\"
baud = 9600
[sources.{name}.options]
timeout_ms = 200
quiet_ms = 400
queries = [
    {{ send = \"MEAS:VOLT?\", every_ms = 50, fields = [\"U\"] }},
    {{ send = \"MEAS:CURR?\", every_ms = 50, fields = [\"I\"] }},
]
[sources.{name}.fields.U]
quantity = \"voltage_volt\"
[sources.{name}.fields.I]
quantity = \"current_ampere\"
"
    )
}

/// A source whose lines a plugin reads, at `DIR/NAME`; `more` goes into its
/// tables. A line that ends a plugin is waited for 300 ms.
pub fn plugin(name: &str, library: &Path, more: &str) -> String {
    format!(
        "
[sources.{name}]
decoder = \"plugin\"
[sources.{name}.plugin]
file = {library:?}
reply_second = 2.0
memory_mib = 64
[sources.{name}.serial]
path = \"DIR/{name}\"
baud = 115200
[sources.{name}.fields.U]
quantity = \"voltage_volt\"
[sources.{name}.fields.I]
quantity = \"current_ampere\"
{more}
"
    )
}

/// A file that is played as fast as it can be read.
pub fn replay(name: &str, file: &str, options: &str) -> String {
    format!(
        "
[sources.{name}]
decoder = \"text-lines\"
[sources.{name}.replay]
file = \"DIR/{file}\"
rate = \"max\"
{options}
"
    )
}

/// The clamp: Bluetooth, notifies its voltage (1/64 V a count) and current
/// (10 mA a count). `more` goes into its table `ble`.
pub fn clamp(name: &str, more: &str) -> String {
    format!(
        "
[sources.{name}]
decoder = \"gatt\"
[sources.{name}.ble]
name = \"{name}\"
{more}
[sources.{name}.options]
characteristics = [\"2b18\", \"2aee\"]
[sources.{name}.fields.current]
quantity = \"current_ampere\"
sign = \"discharging-positive\"
"
    )
}

/// A meter whose frames have a number and a checksum, at `DIR/NAME`: the number
/// is recorded as so many millivolts.
pub fn numbered(name: &str) -> String {
    format!(
        "
[sources.{name}]
decoder = \"frames\"
[sources.{name}.serial]
path = \"DIR/{name}\"
baud = 115200
[sources.{name}.options]
framing = \"sync\"
sync = \"59 44\"
endian = \"big\"
length = 8
checksum = {{ algorithm = \"CRC-16/XMODEM\" }}
[[sources.{name}.options.frames]]
name = \"live\"
fields = [{{ name = \"number\", at = 2, type = \"u32\" }}]
[sources.{name}.fields.number]
quantity = \"voltage_volt\"
unit = \"mV\"
"
    )
}
