//! When a take was played, by the player's own clock.

use jiff::Timestamp;
use jiff::civil::{Date, DateTime};
use jiff::tz::{Offset, TimeZone};
use std::path::Path;
use std::time::SystemTime;

/// A time: seconds since 1970-01-01 UTC, and the clock's distance from UTC then, minutes.
pub type Moment = (i64, i32);

fn moment(at: Timestamp) -> Moment {
    (at.as_second(), TimeZone::system().to_offset(at).seconds() / 60)
}

/// The present.
#[must_use]
pub fn now() -> Moment {
    moment(Timestamp::now())
}

/// When a recording of so many seconds began: its file was last written when it ended. A file that was changed since
/// tells a later time, and one without any tells the present.
#[must_use]
pub fn of_file(path: &Path, duration_s: f64) -> Moment {
    let written = std::fs::metadata(path).and_then(|data| data.modified());
    let ended = written.unwrap_or_else(|_| SystemTime::now());
    let ended = Timestamp::try_from(ended).unwrap_or_else(|_| Timestamp::now());
    let began = Timestamp::from_second(ended.as_second() - duration_s.ceil() as i64);
    moment(began.unwrap_or(ended))
}

/// A day, or a day and a time, as a player writes it: "2026-03-04", "2026-03-04 18:30".
///
/// # Errors
/// What is wrong with it, in words.
pub fn read(text: &str) -> Result<Moment, String> {
    let text = text.trim();
    let told = text.parse::<DateTime>().or_else(|_| text.parse::<Date>().map(|day| day.at(0, 0, 0, 0)));
    let local = told.map_err(|_| format!("{text:?} is no day: write 2026-03-04, or \"2026-03-04 18:30\""))?;
    let zoned = local.to_zoned_datetime(TimeZone::system()).map_err(|e| e.to_string())?;
    Ok(moment(zoned.timestamp()))
}

/// The day of a moment.
#[must_use]
pub fn day(at_s: i64, utc_offset_min: i32) -> Date {
    let offset = Offset::from_seconds(utc_offset_min.clamp(-1500, 1500) * 60).unwrap_or(Offset::UTC);
    Timestamp::from_second(at_s).map_or(Date::ZERO, |at| offset.to_datetime(at).date())
}

/// The Monday of a day's week.
#[must_use]
pub fn monday(day: Date) -> Date {
    let since_monday = i64::from(day.weekday().to_monday_zero_offset());
    day.checked_sub(jiff::Span::new().days(since_monday)).unwrap_or(day)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn days_and_times_are_read_as_players_write_them() {
        for text in ["2026-03-04", "2026-03-04 18:30", "2026-03-04T18:30:05", " 2026-03-04 "] {
            let (at_s, offset) = read(text).expect("a day");
            assert_eq!(day(at_s, offset).to_string(), "2026-03-04", "{text}");
        }
        for text in ["", "yesterday", "2026-02-30", "4.3.2026"] {
            assert!(read(text).is_err(), "{text}");
        }
    }

    #[test]
    fn a_day_is_the_player_s_own() {
        // 2026-03-04 23:30 UTC: the next day in Vienna, the same in Lisbon. 1772667000 by `date -u -d` \[C\].
        assert_eq!(day(1_772_667_000, 60).to_string(), "2026-03-05");
        assert_eq!(day(1_772_667_000, 0).to_string(), "2026-03-04");
        assert_eq!(monday(day(1_772_667_000, 0)).to_string(), "2026-03-02");
    }
}
