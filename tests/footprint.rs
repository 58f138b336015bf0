//! What the record costs, held to its bounds: bytes at rest, bytes written, and
//! the memory that import and export take. The same data and peers as in
//! `benches/store.rs`, whose times are no test: machines differ in those alone.

use std::path::Path;

use crate::util as binaries;
use crate::util::{Python, script, skip};

// The bench uses more of these.
#[allow(dead_code)]
#[path = "benches/store/clock.rs"]
mod clock;
#[path = "benches/store/data.rs"]
mod data;
#[allow(dead_code)]
#[path = "benches/store/fill.rs"]
mod fill;
#[path = "benches/store/live.rs"]
mod live;
#[allow(dead_code)]
#[path = "benches/store/log.rs"]
mod log;
#[allow(dead_code)]
#[path = "benches/store/programs.rs"]
mod programs;
#[allow(dead_code)]
#[path = "benches/store/rows.rs"]
mod rows;

use data::{CHANNELS, Profile};

type Failure = Box<dyn std::error::Error>;

/// Readings of five hours.
const READINGS: usize = 900_000;
const SAMPLES: usize = READINGS / CHANNELS;

/// On a disk: what lies in memory is not counted as written.
fn folder() -> tempfile::TempDir {
    tempfile::tempdir_in(env!("CARGO_TARGET_TMPDIR")).expect("a folder")
}

fn bytes_a_reading(folder: &Path, profile: Profile) -> f64 {
    let path = folder.join("store.db");
    fill::store(&path, profile, SAMPLES).expect("the store is filled");
    fill::bytes(&path).expect("its size").chunks / READINGS as f64
}

#[test]
fn a_reading_of_a_fine_meter_takes_nine_tenths_of_a_byte_and_a_row_ten_times_as_much() {
    let folder = folder();
    let ours = bytes_a_reading(folder.path(), Profile::Fine);
    assert!(ours <= 0.9, "{ours:.3} bytes a reading");
    let rows = fill::rows(&folder.path().join("rows.db"), SAMPLES).expect("rows");
    let rows = rows.bytes().expect("their size") / READINGS as f64;
    assert!(rows / ours >= 10.0, "a row a sample takes {rows:.2}, ours {ours:.3}");
}

#[test]
fn readings_that_are_coarse_at_rest_or_products_keep_to_their_size() {
    // Those of the measurements made beforehand: common practice, no source.
    for (profile, most) in [(Profile::Coarse, 0.8), (Profile::Rest, 0.6), (Profile::Raw, 1.2)] {
        let ours = bytes_a_reading(folder().path(), profile);
        assert!(ours <= most, "{}: {ours:.3} bytes a reading", profile.name());
    }
}

#[test]
fn recording_writes_half_as_much_as_a_row_a_sample_at_most() {
    let written = live::written(folder().path(), 300).expect("what is written");
    if written.rows < 1.0 {
        return skip("the target folder is on no disk whose writes the kernel counts");
    }
    let ratio = written.rows / written.ours;
    assert!(
        ratio >= 2.0,
        "{:.0} bytes a reading, a row a sample {:.0}: only {ratio:.2} times as many",
        written.ours,
        written.rows
    );
}

/// Megabytes.
fn peak(python: &Path, words: &[String]) -> f64 {
    let said = script(python, "peak_memory.py", words);
    said.trim().parse::<f64>().expect("a number") * 1024.0 / 1e6
}

#[test]
fn import_and_export_stay_below_32_mb_and_take_no_more_for_a_longer_log() {
    let Some(python) = Python::Readers.interpreter() else { return };
    let folder = folder();
    let took = |readings: usize| {
        let at = |end: &str| folder.path().join(format!("{readings}.{end}"));
        log::write(&at("csv"), readings).expect("a log");
        let import = programs::import(&at("csv"), &at("db"));
        let export = programs::export(&at("db"), &at("out"));
        [peak(&python, &import), peak(&python, &export)]
    };
    let (short, long) = (took(READINGS / 4), took(READINGS));
    for (what, short, long) in [("import", short[0], long[0]), ("export", short[1], long[1])] {
        assert!(long <= 32.0, "the {what} takes {long:.1} MB");
        assert!(long <= short + 4.0, "the {what} takes {short:.1} MB, and {long:.1} MB for more");
    }
}
