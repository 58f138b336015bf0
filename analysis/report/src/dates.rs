//! Writes moments and lengths of time: local with offset for people, UTC for
//! files. It never reads a clock or a zone of its own.

use jiff::Timestamp;
use jiff::tz::TimeZone;

/// A date and time for people, local with its offset:
/// `2026-03-01 09:12:30 +01:00`.
pub fn local(unix_us: i64, zone: &TimeZone) -> String {
    strftime(unix_us, zone, "%Y-%m-%d %H:%M:%S %:z")
}

/// A time of day for people, without seconds: `14:02`.
pub fn local_time_of_day(unix_us: i64, zone: &TimeZone) -> String {
    strftime(unix_us, zone, "%H:%M")
}

/// When something of late was: the time of day if it was today, else the
/// date with it: `14:02` or `2026-03-01 14:02`.
pub fn local_since(unix_us: i64, now_unix_us: i64, zone: &TimeZone) -> String {
    let day = |us| strftime(us, zone, "%Y-%m-%d");
    if day(unix_us) == day(now_unix_us) {
        local_time_of_day(unix_us, zone)
    } else {
        strftime(unix_us, zone, "%Y-%m-%d %H:%M")
    }
}

/// A moment for files: RFC 3339 in UTC, as many decimals as it has.
pub fn utc(unix_us: i64) -> String {
    match Timestamp::from_microsecond(unix_us) {
        Ok(moment) => moment.to_string(),
        Err(_) => UNKNOWN.to_owned(),
    }
}

/// The day in UTC as `YYYYMMDD`, for file names.
pub fn utc_day(unix_us: i64) -> String {
    strftime(unix_us, &TimeZone::UTC, "%Y%m%d")
}

/// Seconds since 1970 as microseconds.
pub fn unix_us(unix_time_second: f64) -> i64 {
    (unix_time_second * 1e6).round() as i64
}

const UNKNOWN: &str = "at an unknown time";

fn strftime(unix_us: i64, zone: &TimeZone, format: &str) -> String {
    match Timestamp::from_microsecond(unix_us) {
        Ok(moment) => moment.to_zoned_datetime(zone.clone()).strftime(format).to_string(),
        Err(_) => UNKNOWN.to_owned(),
    }
}

/// A length of time for people: `0.4 s`, `34 s`, `12 min`, `2 h 20 min`,
/// `3 d 4 h`. Seconds are kept up to two minutes.
pub fn duration(seconds: f64) -> String {
    let seconds = seconds.max(0.0);
    if seconds < 1.0 && seconds > 0.0 {
        return format!("{:.1} s", seconds);
    }
    let whole = seconds.round();
    if whole < 120.0 {
        return format!("{whole} s");
    }
    let minutes = (seconds / 60.0).round();
    if minutes < 60.0 {
        return format!("{minutes} min");
    }
    match minutes < 48.0 * 60.0 {
        true => two_units(minutes, 60.0, ["h", "min"]),
        false => two_units((minutes / 60.0).round(), 24.0, ["d", "h"]),
    }
}

/// Time since a session's start, as on a stopwatch: `4:44:05`.
pub fn stopwatch(seconds: f64) -> String {
    let sign = if seconds <= -0.5 { "\u{2212}" } else { "" };
    let whole = seconds.abs().round() as u64;
    format!("{sign}{}:{:02}:{:02}", whole / 3600, whole / 60 % 60, whole % 60)
}

fn two_units(small: f64, in_big: f64, names: [&str; 2]) -> String {
    let big = (small / in_big).floor();
    let left = small - big * in_big;
    let [big_name, small_name] = names;
    if left == 0.0 {
        format!("{big} {big_name}")
    } else {
        format!("{big} {big_name} {left} {small_name}")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn zone() -> TimeZone {
        TimeZone::fixed(jiff::tz::offset(1))
    }

    const MOMENT: i64 = 1_772_352_750_250_000; // 2026-03-01T08:12:30.25Z

    #[test]
    fn people_read_local_time_with_its_offset_and_files_hold_utc() {
        assert_eq!(local(MOMENT, &zone()), "2026-03-01 09:12:30 +01:00");
        assert_eq!(local_time_of_day(MOMENT, &zone()), "09:12");
        assert_eq!(utc(MOMENT), "2026-03-01T08:12:30.25Z");
        assert_eq!(utc_day(MOMENT), "20260301");
    }

    #[test]
    fn another_day_is_named() {
        let hour = 3_600_000_000;
        assert_eq!(local_since(MOMENT, MOMENT + hour, &zone()), "09:12");
        assert_eq!(local_since(MOMENT, MOMENT + 24 * hour, &zone()), "2026-03-01 09:12");
    }

    #[test]
    fn a_stopwatch_counts_hours_minutes_seconds() {
        assert_eq!(stopwatch(0.0), "0:00:00");
        assert_eq!(stopwatch(17_045.4), "4:44:05");
        assert_eq!(stopwatch(-61.0), "−0:01:01");
        assert_eq!(stopwatch(-0.2), "0:00:00");
    }

    #[test]
    fn lengths_have_two_units_at_most() {
        for (seconds, words) in [
            (0.0, "0 s"),
            (0.42, "0.4 s"),
            (34.0, "34 s"),
            (119.4, "119 s"),
            (119.6, "2 min"),
            (720.0, "12 min"),
            (3_599.0, "1 h"),
            (8_400.0, "2 h 20 min"),
            (7_200.0, "2 h"),
            (172_800.0, "2 d"),
            (273_600.0, "3 d 4 h"),
            (-5.0, "0 s"),
        ] {
            assert_eq!(duration(seconds), words);
        }
    }
}
