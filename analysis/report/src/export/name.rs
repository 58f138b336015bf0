//! Names of exported files, after the Battery Data Format's recommendation:
//! institution, cell, day and a number, with `.bdf.` before the last extension.

use ampledger_types::result::SessionReport;

use crate::dates;

/// A name for a session's CSV: `Refit-Shed__GAL-07__20260301_003.bdf.csv`.
/// The date is that of the start in UTC, the number the session's.
pub fn file_name(report: &SessionReport, institution: &str) -> String {
    let session = &report.session.session;
    let pack = session.pack.as_deref().unwrap_or("unnamed");
    let day = match report.session.started.unix_time_second {
        Some(second) => dates::utc_day(dates::unix_us(second)),
        None => "undated".to_owned(),
    };
    format!("{}__{}__{day}_{:03}.bdf.csv", plain(institution), plain(pack), session.id)
}

/// The name of the description beside a file: `x.bdf.metadata.json` beside
/// `x.bdf.csv`.
pub fn metadata_name(csv_name: &str) -> String {
    let stem = csv_name.strip_suffix(".csv").unwrap_or(csv_name);
    format!("{stem}.metadata.json")
}

/// Only what every file system takes; runs of anything else become one hyphen.
pub(crate) fn plain(text: &str) -> String {
    let mut name = String::new();
    for c in text.trim().chars() {
        if c.is_alphanumeric() || c == '.' && name.ends_with(char::is_alphanumeric) {
            name.push(c);
        } else if !name.ends_with('-') {
            name.push('-');
        }
    }
    let name = name.trim_matches('-');
    if name.is_empty() { "unnamed".to_owned() } else { name.to_owned() }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sentences::samples;

    #[test]
    fn a_name_has_institution_pack_day_and_number() {
        let mut report = samples::report();
        assert_eq!(file_name(&report, "Refit Shed"), "Refit-Shed__GAL-07__20260301_003.bdf.csv");
        report.session.session.pack = Some("../etc/ TUG_3".to_owned());
        report.session.started.unix_time_second = None;
        assert_eq!(file_name(&report, ""), "unnamed__etc-TUG-3__undated_003.bdf.csv");
    }

    #[test]
    fn the_description_lies_beside_its_file() {
        assert_eq!(metadata_name("x.bdf.csv"), "x.bdf.metadata.json");
        assert_eq!(metadata_name("/tmp/run.csv"), "/tmp/run.metadata.json");
        assert_eq!(metadata_name("odd"), "odd.metadata.json");
    }
}
