//! Finds a serial adapter by what it says of itself on the USB, wherever it is
//! plugged in now. Reads sysfs only.

use std::fs;
use std::path::{Path, PathBuf};

use crate::config::UsbIdentity;

/// Where the kernel lists terminals.
pub const SYSFS_TTY: &str = "/sys/class/tty";

/// The device node of the adapter; an error names what was looked for.
pub fn find(root: &Path, wanted: &UsbIdentity) -> Result<PathBuf, String> {
    let listed = fs::read_dir(root).map_err(|e| format!("{}: {e}", root.display()))?;
    let mut found: Vec<PathBuf> = listed
        .filter_map(Result::ok)
        .filter(|entry| adapter_above(&entry.path()).is_some_and(|usb| matches(&usb, wanted)))
        .map(|entry| Path::new("/dev").join(entry.file_name()))
        .collect();
    found.sort();
    match found.as_slice() {
        [one] => Ok(one.clone()),
        [] => Err(format!("no USB serial adapter {} is plugged in", words(wanted))),
        several => Err(format!(
            "{} USB serial adapters {} are plugged in; give `serial_number`, or the `path`",
            several.len(),
            words(wanted)
        )),
    }
}

/// The adapter in words.
pub fn words(wanted: &UsbIdentity) -> String {
    let serial = wanted.serial_number.as_ref().map(|s| format!(" serial number {s}"));
    format!("{}:{}{}", wanted.vendor_id, wanted.product_id, serial.unwrap_or_default())
}

/// The first directory above the terminal's device that has a vendor.
fn adapter_above(tty: &Path) -> Option<PathBuf> {
    let device = tty.join("device").canonicalize().ok()?;
    device.ancestors().take(6).find(|dir| dir.join("idVendor").is_file()).map(Path::to_owned)
}

fn matches(usb: &Path, wanted: &UsbIdentity) -> bool {
    let says = |file: &str, value: &str| {
        fs::read_to_string(usb.join(file)).is_ok_and(|text| text.trim().eq_ignore_ascii_case(value))
    };
    says("idVendor", &wanted.vendor_id)
        && says("idProduct", &wanted.product_id)
        && wanted.serial_number.as_ref().is_none_or(|number| says("serial", number))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn plug(root: &Path, tty: &str, serial: &str) {
        let usb = root.join(format!("bus/1-{tty}"));
        let port = usb.join(format!("1-{tty}:1.0/{tty}"));
        fs::create_dir_all(&port).unwrap();
        for (file, text) in [("idVendor", "1a86\n"), ("idProduct", "7523\n"), ("serial", serial)] {
            fs::write(usb.join(file), text).unwrap();
        }
        let class = root.join("class").join(tty);
        fs::create_dir_all(&class).unwrap();
        std::os::unix::fs::symlink(port, class.join("device")).unwrap();
    }

    fn wanted(serial_number: Option<&str>) -> UsbIdentity {
        UsbIdentity {
            vendor_id: "1A86".into(),
            product_id: "7523".into(),
            serial_number: serial_number.map(str::to_owned),
        }
    }

    #[test]
    fn an_adapter_is_found_by_what_it_says() {
        let root = tempfile::tempdir().unwrap();
        plug(root.path(), "ttyUSB0", "A1");
        let class = root.path().join("class");
        assert_eq!(find(&class, &wanted(None)).unwrap(), Path::new("/dev/ttyUSB0"));
        assert!(find(&class, &wanted(Some("B2"))).unwrap_err().contains("is plugged in"));
        plug(root.path(), "ttyUSB1", "B2");
        assert_eq!(find(&class, &wanted(Some("B2"))).unwrap(), Path::new("/dev/ttyUSB1"));
        assert!(find(&class, &wanted(None)).unwrap_err().contains("2 USB serial adapters"));
    }
}
