//! Reads the moments people write: `20 min ago`, `09:12`, RFC 3339.
//! The present and the zone come in with the call; no clock is read here.

use jiff::civil::{Date, DateTime, Time};
use jiff::tz::TimeZone;
use jiff::{Span, Timestamp};

/// The forms that are taken, for help texts and errors.
pub const FORMS: &str = "`now`, `20 min ago`, `1h30m ago`, `09:12`, `yesterday 18:00`, \
                         `2026-03-01 09:12`, or RFC 3339 as in `2026-03-01T09:12:00Z`";

/// Why a text is no moment of the record.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum WhenError {
    /// It has none of the forms.
    #[error("`{0}` is no time that can be read; write {FORMS}")]
    Unreadable(String),
    /// It lies in the future.
    #[error("`{text}` is in the future, {by} from now; write a time that has passed")]
    Future {
        /// What was written.
        text: String,
        /// How far ahead it lies, for people.
        by: String,
    },
    /// No calendar has it, or it is too far away.
    #[error("`{0}` is out of range; write a time after 1970")]
    OutOfRange(String),
}

/// Reads `text` as a moment that has passed, in microseconds since 1970 UTC.
///
/// `now_unix_us` is the present in the same measure; `zone` is the zone of
/// times written without one. A time of day means the latest such time that
/// is not in the future.
pub fn parse_when(text: &str, now_unix_us: i64, zone: &TimeZone) -> Result<i64, WhenError> {
    let trimmed = text.trim();
    let out_of_range = || WhenError::OutOfRange(trimmed.to_owned());
    let now = Timestamp::from_microsecond(now_unix_us).map_err(|_| out_of_range())?;
    let moment = read(trimmed, now, zone)
        .ok_or_else(|| WhenError::Unreadable(trimmed.to_owned()))?
        .ok_or_else(out_of_range)?
        .as_microsecond();
    if moment < 0 {
        return Err(out_of_range());
    }
    if moment > now_unix_us {
        let by = crate::dates::duration((moment - now_unix_us) as f64 / 1e6);
        return Err(WhenError::Future { text: trimmed.to_owned(), by });
    }
    Ok(moment)
}

/// Outer `None`: no such form. Inner `None`: the form, but no such moment.
fn read(text: &str, now: Timestamp, zone: &TimeZone) -> Option<Option<Timestamp>> {
    if text.eq_ignore_ascii_case("now") {
        return Some(Some(now));
    }
    if let Some(length) = text.strip_suffix("ago") {
        return parse_length_us(length).map(|us| {
            let us = us?;
            Timestamp::from_microsecond(now.as_microsecond().checked_sub(us)?).ok()
        });
    }
    if let Some(time) = text.strip_prefix("yesterday ") {
        return time_of_day(time.trim()).map(|time| on_day(now, zone, -1, time));
    }
    if let Some(time) = time_of_day(text) {
        return Some(latest(now, zone, time));
    }
    if let Ok(moment) = text.parse::<Timestamp>() {
        return Some(Some(moment));
    }
    let local = local_date_time(text)?;
    Some(zone.to_timestamp(local).ok())
}

fn latest(now: Timestamp, zone: &TimeZone, time: Time) -> Option<Timestamp> {
    let today = zone.to_ambiguous_timestamp(day(now, zone, 0)?.to_datetime(time));
    // A time that a clock change makes occur twice has two moments.
    let passed = [today.later(), today.earlier()].into_iter().flatten().find(|at| *at <= now);
    passed.or_else(|| on_day(now, zone, -1, time))
}

fn on_day(now: Timestamp, zone: &TimeZone, days: i64, time: Time) -> Option<Timestamp> {
    zone.to_timestamp(day(now, zone, days)?.to_datetime(time)).ok()
}

fn day(now: Timestamp, zone: &TimeZone, days: i64) -> Option<Date> {
    zone.to_datetime(now).date().checked_add(Span::new().days(days)).ok()
}

/// `09:12` or `09:12:30`; nothing looser, so that `9` is never an hour.
fn time_of_day(text: &str) -> Option<Time> {
    let parts: Vec<&str> = text.split(':').collect();
    let number = |part: &str| -> Option<i8> {
        let digits = (1..=2).contains(&part.len()) && part.bytes().all(|b| b.is_ascii_digit());
        digits.then(|| part.parse().ok()).flatten()
    };
    match parts.as_slice() {
        [h, m] => Time::new(number(h)?, number(m)?, 0, 0).ok(),
        [h, m, s] => Time::new(number(h)?, number(m)?, number(s)?, 0).ok(),
        _ => None,
    }
}

/// `2026-03-01 09:12`, with or without seconds, with a space or a `T`.
fn local_date_time(text: &str) -> Option<DateTime> {
    let (date, time) = text.split_once([' ', 'T'])?;
    let date: Date = date.parse().ok()?;
    Some(date.to_datetime(time_of_day(time.trim())?))
}

/// `2 h`, `1h30m`, `90 s`, `1.5 h`, `1 day 2 hours`. Outer `None`: unreadable;
/// inner `None`: too long to be counted.
fn parse_length_us(text: &str) -> Option<Option<i64>> {
    let mut rest = text.trim();
    let mut total_us = 0_f64;
    if rest.is_empty() {
        return None;
    }
    while !rest.is_empty() {
        let digits = rest.find(|c: char| !c.is_ascii_digit() && c != '.')?;
        let (number, after) = rest.split_at(digits);
        let number: f64 = number.parse().ok()?;
        let after = after.trim_start();
        let letters = after.find(|c: char| !c.is_ascii_alphabetic()).unwrap_or(after.len());
        let (unit, after) = after.split_at(letters);
        total_us += number * unit_second(unit)? * 1e6;
        rest = after.trim_start();
    }
    Some((total_us < i64::MAX as f64 / 2.0).then_some(total_us.round() as i64))
}

fn unit_second(unit: &str) -> Option<f64> {
    Some(match unit.to_ascii_lowercase().as_str() {
        "s" | "sec" | "secs" | "second" | "seconds" => 1.0,
        "m" | "min" | "mins" | "minute" | "minutes" => 60.0,
        "h" | "hr" | "hrs" | "hour" | "hours" => 3_600.0,
        "d" | "day" | "days" => 86_400.0,
        _ => return None,
    })
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    /// Two hours east of UTC, all year.
    fn zone() -> TimeZone {
        TimeZone::fixed(jiff::tz::offset(2))
    }

    fn us(rfc3339: &str) -> i64 {
        rfc3339.parse::<Timestamp>().unwrap().as_microsecond()
    }

    const NOW: &str = "2026-03-02T08:00:00Z";

    fn parsed(text: &str) -> Result<i64, WhenError> {
        parse_when(text, us(NOW), &zone())
    }

    #[test]
    fn every_form_is_read() {
        for (text, expected) in [
            ("now", NOW),
            ("20 min ago", "2026-03-02T07:40:00Z"),
            ("2 h ago", "2026-03-02T06:00:00Z"),
            ("1h30m ago", "2026-03-02T06:30:00Z"),
            ("1.5 hours ago", "2026-03-02T06:30:00Z"),
            ("1 day 2 hours ago", "2026-03-01T06:00:00Z"),
            ("90s ago", "2026-03-02T07:58:30Z"),
            ("09:12", "2026-03-02T07:12:00Z"),
            ("9:12", "2026-03-02T07:12:00Z"),
            ("09:12:30", "2026-03-02T07:12:30Z"),
            ("yesterday 18:00", "2026-03-01T16:00:00Z"),
            ("2026-03-01 09:12", "2026-03-01T07:12:00Z"),
            ("2026-03-01T09:12:05", "2026-03-01T07:12:05Z"),
            ("2026-03-01T09:12:00Z", "2026-03-01T09:12:00Z"),
            ("2026-03-01T09:12:00.25+01:00", "2026-03-01T08:12:00.25Z"),
        ] {
            assert_eq!(parsed(text), Ok(us(expected)), "{text}");
        }
    }

    #[test]
    fn a_time_of_day_is_the_latest_that_has_passed() {
        // 10:00 local is now; a minute later is still to come today.
        assert_eq!(parsed("10:00"), Ok(us(NOW)));
        assert_eq!(parsed("10:01"), Ok(us("2026-03-01T08:01:00Z")));
    }

    #[test]
    fn a_time_that_occurs_twice_is_the_later_one_once_that_has_passed() {
        let zone = TimeZone::posix("CET-1CEST,M3.5.0,M10.5.0/3").unwrap();
        let at = |now| parse_when("02:30", us(now), &zone);
        assert_eq!(at("2026-10-25T01:10:00Z"), Ok(us("2026-10-25T00:30:00Z")));
        assert_eq!(at("2026-10-25T01:40:00Z"), Ok(us("2026-10-25T01:30:00Z")));
    }

    #[test]
    fn what_is_no_time_is_refused_with_the_forms() {
        for text in ["", "soon", "ago", "20 ago", "20 fortnights ago", "25:00", "9", "09:12:99"] {
            let error = parsed(text).unwrap_err();
            assert_eq!(error, WhenError::Unreadable(text.to_owned()));
            assert!(error.to_string().contains("`20 min ago`"), "{error}");
        }
    }

    #[test]
    fn the_future_is_refused_and_how_far_is_said() {
        let error = parsed("2026-03-02T10:20:00Z").unwrap_err();
        assert_eq!(
            error.to_string(),
            "`2026-03-02T10:20:00Z` is in the future, 2 h 20 min from now; \
             write a time that has passed"
        );
    }

    #[test]
    fn an_absurd_length_is_out_of_range() {
        let text = "99999999999999999 days ago";
        assert_eq!(parsed(text), Err(WhenError::OutOfRange(text.to_owned())));
        assert_eq!(parsed("100000 d ago"), Err(WhenError::OutOfRange("100000 d ago".to_owned())));
    }

    proptest! {
        #[test]
        fn no_text_breaks_it_and_nothing_later_than_now_comes_out(text in "\\PC{0,24}") {
            if let Ok(moment) = parsed(&text) {
                prop_assert!(moment <= us(NOW));
            }
        }

        #[test]
        fn a_length_for_people_reads_back(seconds in 0_i64..172_700) {
            // Beyond two minutes people get minutes, so it reads back to the minute.
            let text = format!("{} ago", crate::dates::duration(seconds as f64));
            let back = (us(NOW) - parsed(&text).unwrap()) / 1_000_000;
            prop_assert!((back - seconds).abs() <= 30, "{} gave {}", text, back);
        }
    }
}
