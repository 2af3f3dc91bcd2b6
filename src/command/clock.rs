//! The date of a reading.

use std::time::{SystemTime, UNIX_EPOCH};

/// Now, UTC, as `2024-05-01T10:00:00Z`.
pub(super) fn now() -> String {
    let seconds = SystemTime::now().duration_since(UNIX_EPOCH).map_or(0, |d| d.as_secs());
    of_unix_seconds(seconds)
}

/// Source: E. G. Richards, Calendars, in: Explanatory Supplement to the Astronomical Almanac, 3rd ed., section 15.11.3
/// (Gregorian date from a Julian day number).
fn of_unix_seconds(seconds: u64) -> String {
    let (days, rest) = (seconds / 86_400, seconds % 86_400);
    // 1970-01-01 is Julian day number 2,440,588.
    let j = days + 2_440_588;
    let f = j + 1401 + (4 * j + 274_277) / 146_097 * 3 / 4 - 38;
    let e = 4 * f + 3;
    let g = e % 1461 / 4;
    let h = 5 * g + 2;
    let day = h % 153 / 5 + 1;
    let month = (h / 153 + 2) % 12 + 1;
    let year = e / 1461 + (14 - month) / 12 - 4716;
    format!("{year:04}-{month:02}-{day:02}T{:02}:{:02}:{:02}Z", rest / 3600, rest / 60 % 60, rest % 60)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn known_seconds() {
        // POSIX, The Open Group Base Specifications: 0 is the epoch; 1e9 and 2^31 - 1 are widely published.
        for (seconds, text) in [
            (0, "1970-01-01T00:00:00Z"),
            (951_782_400, "2000-02-29T00:00:00Z"),
            (1_000_000_000, "2001-09-09T01:46:40Z"),
            (2_147_483_647, "2038-01-19T03:14:07Z"),
            (4_102_444_800, "2100-01-01T00:00:00Z"),
        ] {
            assert_eq!(of_unix_seconds(seconds), text);
        }
    }
}
