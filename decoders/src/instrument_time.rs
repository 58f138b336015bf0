//! The instrument's own time: reading it, and placing samples by it. Never
//! places a sample before the one ahead of it, nor, on a live line, later
//! than it arrived.

use ampledger_types::Unit;
use ampledger_types::unit::parse_unit;
use jiff::civil::DateTime;
use jiff::tz::{Offset, TimeZone, TimeZoneDatabase};
use serde::{Deserialize, Serialize};

use crate::config::ConfigProblem;
use crate::number::split_number;

/// `[sources.NAME.options.time]`
#[derive(Clone, Debug, Default, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TimeOptions {
    /// The field that holds it; found by its heading if missing.
    #[serde(default)]
    pub column: Option<String>,
    /// Unit of a time that is a number, if its heading names none; seconds if
    /// missing.
    #[serde(default)]
    pub unit: Option<String>,
    /// Zone of a date that names none: `Europe/Amsterdam`, `+01:00`; UTC if
    /// missing.
    #[serde(default)]
    pub zone: Option<String>,
    /// What it is used for.
    #[serde(default, rename = "as")]
    pub used_as: Option<UsedAs>,
}

/// What an instrument's time is used for. Missing: the axis of a record, kept
/// beside on a live line.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum UsedAs {
    /// It is kept beside; a sample's time is its arrival.
    Beside,
    /// Samples are placed by it.
    Axis,
}

/// How far a live axis may lag behind arrival, seconds, if not configured.
pub const AXIS_TOLERANCE_SECOND: f64 = 60.0;

/// Reads times, and says what they are for.
#[derive(Clone, Debug)]
pub struct TimeReader {
    /// The configured field.
    pub column: Option<String>,
    used_as: Option<UsedAs>,
    unit_second: Option<f64>,
    zone: TimeZone,
    tolerance_us: i64,
}

impl TimeReader {
    /// Checks `options.time` and `options.axis_tolerance_second`.
    pub fn new(time: &TimeOptions, tolerance_second: f64) -> Result<Self, ConfigProblem> {
        let unit_second = match &time.unit {
            None => None,
            Some(text) => Some(seconds(text).ok_or_else(|| {
                ConfigProblem::new("options.time.unit", format!("`{text}` is no unit of time"))
            })?),
        };
        // At most a day: beyond that, arrival is what should be recorded.
        if !(1e-3..=86_400.0).contains(&tolerance_second) {
            let what = "must lie between 0.001 and 86400 seconds";
            return Err(ConfigProblem::new("options.axis_tolerance_second", what));
        }
        Ok(TimeReader {
            column: time.column.clone(),
            used_as: time.used_as,
            unit_second,
            zone: zone(time.zone.as_deref())?,
            tolerance_us: (tolerance_second * 1e6) as i64,
        })
    }

    /// Whether samples are placed by the instrument's time.
    pub fn is_axis(&self, record: bool) -> bool {
        match self.used_as {
            Some(used) => used == UsedAs::Axis,
            None => record,
        }
    }

    /// A time as written, in microseconds: a number in its unit, `H:MM:SS`
    /// (since its beginning), a date (since 1970-01-01 UTC). `heading_unit`
    /// is the unit its heading names.
    pub fn read(&self, text: &str, mark: char, heading_unit: Option<&str>) -> Option<i64> {
        let text = text.trim();
        if let Some((value, rest)) = split_number(text, mark) {
            let unit = match rest {
                "" => return self.read_number(value, heading_unit),
                unit => match seconds(unit) {
                    Some(unit) => unit,
                    None => return elapsed(text).or_else(|| self.date(text)),
                },
            };
            return microseconds(value * unit);
        }
        None
    }

    /// A time written as a number, in microseconds.
    #[inline]
    pub fn read_number(&self, value: f64, heading_unit: Option<&str>) -> Option<i64> {
        let unit = heading_unit.and_then(seconds).or(self.unit_second).unwrap_or(1.0);
        microseconds(value * unit)
    }

    fn date(&self, text: &str) -> Option<i64> {
        if let Ok(moment) = text.parse::<jiff::Timestamp>() {
            return Some(moment.as_microsecond());
        }
        // Anything behind the time that is no part of it must not be ignored.
        let plain = |b: u8| b.is_ascii_digit() || b"-: T.,".contains(&b);
        if !text.bytes().all(plain) {
            return None;
        }
        let civil: DateTime = text.parse().ok()?;
        let moment = self.zone.to_ambiguous_timestamp(civil).compatible().ok()?;
        Some(moment.as_microsecond())
    }
}

/// The unit's length in seconds.
fn seconds(unit: &str) -> Option<f64> {
    // Nearly always, and asked for each row.
    if unit == "s" {
        return Some(1.0);
    }
    parse_unit(unit).filter(|u| u.unit == Unit::Second).map(|u| u.factor)
}

fn microseconds(second: f64) -> Option<i64> {
    let us = second * 1e6;
    // A third of the range of an i64, so that sums of two stay within it.
    if us.is_nan() || us.abs() >= 3e18 {
        return None;
    }
    // Half away from zero; what is left of a whole number is exact.
    let whole = us as i64;
    let rest = us - whole as f64;
    Some(whole + i64::from(rest >= 0.5) - i64::from(rest <= -0.5))
}

/// `H:MM:SS` or `H:MM:SS.fff`, hours without bound.
fn elapsed(text: &str) -> Option<i64> {
    let mut parts = text.split(':');
    let (hours, minutes, rest) = (parts.next()?, parts.next()?, parts.next()?);
    let digits = |t: &str| !t.is_empty() && t.bytes().all(|b| b.is_ascii_digit());
    let starts_with_digit = rest.starts_with(|c: char| c.is_ascii_digit());
    if parts.next().is_some() || !digits(hours) || !digits(minutes) || !starts_with_digit {
        return None;
    }
    let (hours, minutes): (f64, f64) = (hours.parse().ok()?, minutes.parse().ok()?);
    let second = match split_number(&rest.replace(',', "."), '.')? {
        (second, "") if second < 60.0 && minutes < 60.0 => second,
        _ => return None,
    };
    microseconds(hours * 3600.0 + minutes * 60.0 + second)
}

fn zone(name: Option<&str>) -> Result<TimeZone, ConfigProblem> {
    let Some(name) = name else { return Ok(TimeZone::UTC) };
    let found = match name.starts_with(['+', '-']) {
        true => fixed_offset(name).map(TimeZone::fixed),
        false => TimeZoneDatabase::bundled().get(name).ok(),
    };
    found.ok_or_else(|| {
        let what = format!("`{name}` is no known zone; write `Europe/Amsterdam` or `+01:00`");
        ConfigProblem::new("options.time.zone", what)
    })
}

fn fixed_offset(text: &str) -> Option<Offset> {
    let (hours, minutes) = text.get(1..)?.split_once(':')?;
    let (hours, minutes): (i32, i32) = (hours.parse().ok()?, minutes.parse().ok()?);
    let second = (0..60).contains(&minutes).then_some(hours * 3600 + minutes * 60)?;
    Offset::from_seconds(if text.starts_with('-') { -second } else { second }).ok()
}

/// Where samples are placed by the instrument's own time.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Axis {
    /// Whether a record is being played.
    record: bool,
    /// A moment of ours, and of the instrument's, that are the same.
    anchor: Option<(i64, i64)>,
    last_t_us: Option<i64>,
    last_device_us: i64,
    /// The latest time of the instrument's lay before the one ahead of it.
    behind: bool,
}

impl Axis {
    /// A connection was opened: the instrument may have begun anew.
    pub fn opened(&mut self, record: bool) {
        *self = Axis { record, last_t_us: self.last_t_us, ..Axis::default() };
    }

    /// Whether a record is being played.
    pub fn is_record(&self) -> bool {
        self.record
    }

    /// When a sample of the instrument's time `device_us` was taken, on our
    /// clock, and what there is to complain about.
    ///
    /// A live reading cannot come from the future: where the anchor says so,
    /// the lines before came late, and the anchor moves. In a record, where
    /// arrival says nothing, one time out of order is put at the one ahead of
    /// it; two in a row mean that the instrument began anew.
    pub fn place(
        &mut self,
        now_us: i64,
        device_us: i64,
        reader: &TimeReader,
    ) -> (i64, Option<String>) {
        let Some((anchor_us, device_anchor_us)) = self.anchor else {
            return (self.anchor_here(now_us, device_us), None);
        };
        let back_us = self.last_device_us.saturating_sub(device_us);
        if back_us > 0 {
            let again = self.record && !std::mem::replace(&mut self.behind, true);
            let t_us = match again {
                true => self.last_t_us.unwrap_or(now_us),
                false => self.anchor_here(now_us, device_us),
            };
            return (t_us, Some(format!("the time ran back by {} s", back_us as f64 / 1e6)));
        }
        self.behind = false;
        let t_us = anchor_us.saturating_add(device_us.saturating_sub(device_anchor_us));
        let lag_us = now_us.saturating_sub(t_us);
        let (t_us, complaint) = match self.record {
            true => (t_us, None),
            false if lag_us < 0 => (self.anchor_here(now_us, device_us), None),
            false if lag_us > reader.tolerance_us => (
                self.anchor_here(now_us, device_us),
                Some(format!("the time lags {} s behind; taken up anew", lag_us as f64 / 1e6)),
            ),
            false => (t_us, None),
        };
        self.last_device_us = device_us;
        self.last_t_us = Some(t_us);
        (t_us, complaint)
    }

    /// When a sample without a readable time was taken, as far as can be told:
    /// when it arrived; in a record, not before the one ahead of it.
    pub fn without_time(&mut self, now_us: i64) -> i64 {
        let t_us = match (self.record, self.last_t_us) {
            (true, Some(last)) => now_us.max(last),
            _ => now_us,
        };
        self.last_t_us = Some(t_us);
        t_us
    }

    fn anchor_here(&mut self, now_us: i64, device_us: i64) -> i64 {
        // Within a record, arrival must not open a gap that is none.
        let t_us = match self.last_t_us.filter(|_| self.record && self.anchor.is_some()) {
            Some(last_us) => last_us,
            None => self.without_time(now_us),
        };
        self.anchor = Some((t_us, device_us));
        (self.last_device_us, self.behind) = (device_us, false);
        t_us
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn reader(zone: Option<&str>) -> TimeReader {
        let zone = zone.map(str::to_owned);
        let options = TimeOptions { zone, ..TimeOptions::default() };
        TimeReader::new(&options, AXIS_TOLERANCE_SECOND).unwrap()
    }

    #[test]
    fn times_are_read_in_every_form() {
        let utc = reader(None);
        for (text, unit, us) in [
            ("12.5", None, 12_500_000),
            ("12500", Some("ms"), 12_500_000),
            ("12500 ms", None, 12_500_000),
            ("1:02:03.5", None, 3_723_500_000),
            // RFC 3339, section 5.8, the first example.
            ("1985-04-12T23:20:50.52Z", None, 482_196_050_520_000),
            ("1985-04-12 23:20:50.52", None, 482_196_050_520_000),
        ] {
            assert_eq!(utc.read(text, '.', unit), Some(us), "{text}");
        }
        for text in ["", "x", "12 V", "12:5", "1:99:00", "2025-13-01 00:00:00", "1e300"] {
            assert_eq!(utc.read(text, '.', None), None, "{text}");
        }
    }

    #[test]
    fn a_date_without_a_zone_is_in_the_configured_one() {
        // Central European Time is UTC+1, in summer UTC+2 (time zone database).
        for (zone, date, utc) in [
            ("Europe/Amsterdam", "2025-11-25 10:00:00", "2025-11-25T09:00:00Z"),
            ("Europe/Amsterdam", "2025-07-01 10:00:00", "2025-07-01T08:00:00Z"),
            ("-03:30", "2025-07-01 10:00:00", "2025-07-01T13:30:00Z"),
        ] {
            let expected = reader(None).read(utc, '.', None);
            assert_eq!(reader(Some(zone)).read(date, '.', None), expected, "{zone} {date}");
        }
        for zone in ["Europe/Nowhere", "+1", "+aa:00", ""] {
            let options = TimeOptions { zone: Some(zone.into()), ..TimeOptions::default() };
            assert_eq!(TimeReader::new(&options, 60.0).unwrap_err().key, "options.time.zone");
        }
    }

    #[test]
    fn a_late_line_does_not_move_its_reading() {
        let (mut axis, reader) = (Axis::default(), reader(None));
        axis.opened(false);
        let mut t = |now, device| axis.place(now, device, &reader);
        assert_eq!(t(1_000, 50), (1_000, None));
        assert_eq!(t(2_500, 1_050), (2_000, None));
        // This one came sooner after its reading than any before.
        assert_eq!(t(2_600, 2_050), (2_600, None));
        // The instrument restarted; then its clock stood still for long.
        assert_eq!(t(3_000, 0).0, 3_000);
        let (t_us, complaint) = t(60_004_000, 1_000);
        assert_eq!((t_us, complaint), (4_000, None));
        let (t_us, complaint) = t(60_005_001, 1_000);
        assert!(t_us == 60_005_001 && complaint.is_some());
    }

    #[test]
    fn a_record_keeps_its_own_times_however_it_arrives() {
        let (mut axis, reader) = (Axis::default(), reader(None));
        axis.opened(true);
        let mut t = |device| axis.place(10, device, &reader);
        assert_eq!(t(0), (10, None));
        assert_eq!(t(7_200_000_000), (7_200_000_010, None));
        assert_eq!(t(5).0, 7_200_000_010);
        assert_eq!(t(7_200_000_001), (7_200_000_011, None));
        // Two in a row: it began anew.
        assert_eq!(t(0).0, 7_200_000_011);
        assert_eq!(t(1_000).0, 7_200_000_011);
        assert_eq!(t(2_000), (7_200_001_011, None));
    }

    #[test]
    fn a_record_that_begins_anew_has_no_gap_from_when_it_is_played() {
        let (mut axis, reader) = (Axis::default(), reader(None));
        axis.opened(true);
        assert_eq!(axis.place(0, 0, &reader).0, 0);
        assert_eq!(axis.place(1_000_000, 5, &reader).0, 5);
        assert_eq!(axis.place(2_000_000, 1, &reader).0, 5);
        assert_eq!(axis.place(3_000_000, 2, &reader).0, 5);
        assert_eq!(axis.place(4_000_000, 4, &reader).0, 7);
    }

    proptest! {
        #[test]
        fn samples_keep_their_order_and_none_comes_from_the_future(
            record in any::<bool>(),
            steps in proptest::collection::vec((0i64..100_000_000, -3_000_000_000_000_000_000i64..3_000_000_000_000_000_000, any::<bool>()), 1..40),
        ) {
            let (mut axis, reader) = (Axis::default(), reader(None));
            axis.opened(record);
            let (mut now, mut device, mut last) = (0, 0, i64::MIN);
            for (step, jump, jumps) in steps {
                now += step;
                device = if jumps { jump } else { device + step };
                let (t_us, _) = axis.place(now, device, &reader);
                prop_assert!(t_us >= last);
                prop_assert!(record || (t_us <= now && now - t_us <= 60_000_000));
                last = t_us;
            }
        }
    }
}
