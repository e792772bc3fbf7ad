//! Small pieces of text that several formats share.

use chrono::NaiveDate;

/// Without the byte order mark that some programs write.
pub(super) fn without_bom(bytes: &[u8]) -> &[u8] {
    bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(bytes)
}

/// Column names of a header line, lower case, without quotes and blanks.
pub(super) fn column_names(header: &str) -> Vec<String> {
    header.split(',').map(column_name).collect()
}

/// One column name, lower case, without quotes and blanks.
pub(super) fn column_name(name: &str) -> String {
    name.trim_start_matches('\u{feff}').trim().trim_matches('"').trim().to_ascii_lowercase()
}

/// A day written `2023-07-01`, `2023/07/01` or `20230701`; other orders are not guessed.
pub(super) fn day(text: &str) -> Option<NaiveDate> {
    let bytes = text.trim().as_bytes();
    let digits: [&[u8]; 3] = match bytes.len() {
        8 => [bytes.get(0..4)?, bytes.get(4..6)?, bytes.get(6..8)?],
        10 if matches!((bytes.get(4)?, bytes.get(7)?), (b'-', b'-') | (b'/', b'/')) => {
            [bytes.get(0..4)?, bytes.get(5..7)?, bytes.get(8..10)?]
        }
        _ => return None,
    };
    let [year, month, day] = digits.map(whole_number);
    NaiveDate::from_ymd_opt(i32::try_from(year?).ok()?, month?, day?)
}

/// Digits only, at most nine of them.
pub(super) fn whole_number(digits: &[u8]) -> Option<u32> {
    if digits.is_empty() || digits.len() > 9 {
        return None;
    }
    digits.iter().try_fold(0, |sum: u32, byte| {
        byte.is_ascii_digit().then(|| sum * 10 + u32::from(byte - b'0'))
    })
}

/// A signed whole number padded with blanks, as in fixed-width columns.
pub(super) fn padded_integer(bytes: &[u8]) -> Option<i32> {
    let trimmed = bytes.trim_ascii();
    let (negative, digits) = match trimmed.strip_prefix(b"-") {
        Some(digits) => (true, digits),
        None => (false, trimmed),
    };
    let magnitude = i32::try_from(whole_number(digits)?).ok()?;
    Some(if negative { -magnitude } else { magnitude })
}

/// How sources write that there is no value.
pub(super) fn is_missing(text: &str) -> bool {
    let text = text.trim();
    text.is_empty()
        || ["-9999", "-9999.0", "-9999.00", "na", "n/a", "nan", "null", "none", "m", "-"]
            .iter()
            .any(|mark| text.eq_ignore_ascii_case(mark))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn three_orders_of_a_day_are_one_day() {
        let expected = NaiveDate::from_ymd_opt(2023, 7, 1);
        for text in ["2023-07-01", "2023/07/01", "20230701", " 2023-07-01 "] {
            assert_eq!(day(text), expected);
        }
        for text in ["07/01/2023", "2023-7-1", "2023-02-30", "2023-07/01", "", "2023é7-01"] {
            assert_eq!(day(text), None, "{text}");
        }
    }

    #[test]
    fn padded_integers_are_read_with_their_sign() {
        assert_eq!(padded_integer(b"  -17"), Some(-17));
        assert_eq!(padded_integer(b"    x"), None);
        assert_eq!(padded_integer(b"     "), None);
    }
}
