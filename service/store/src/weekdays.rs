//! A set of weekdays.

use chrono::Weekday;
use serde::{Deserialize, Serialize};

/// Some of the seven days of the week.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default, Serialize, Deserialize)]
#[serde(from = "Vec<Weekday>", into = "Vec<Weekday>")]
pub struct WeekdaySet(u8);

const ALL: [Weekday; 7] = [
    Weekday::Mon,
    Weekday::Tue,
    Weekday::Wed,
    Weekday::Thu,
    Weekday::Fri,
    Weekday::Sat,
    Weekday::Sun,
];

impl WeekdaySet {
    /// No day.
    pub const NONE: Self = Self(0);
    /// Monday to Friday.
    pub const MONDAY_TO_FRIDAY: Self = Self(0b001_1111);

    /// Whether the day is in the set.
    #[must_use]
    pub fn contains(self, day: Weekday) -> bool {
        self.0 & (1 << day.num_days_from_monday()) != 0
    }

    /// The days, Monday first.
    pub fn iter(self) -> impl Iterator<Item = Weekday> {
        ALL.into_iter().filter(move |day| self.contains(*day))
    }

    pub(crate) fn mask(self) -> i32 {
        i32::from(self.0)
    }

    pub(crate) fn from_mask(mask: i32) -> Option<Self> {
        u8::try_from(mask).ok().filter(|mask| *mask < 128).map(Self)
    }
}

impl FromIterator<Weekday> for WeekdaySet {
    fn from_iter<I: IntoIterator<Item = Weekday>>(days: I) -> Self {
        Self(days.into_iter().fold(0, |mask, day| mask | (1 << day.num_days_from_monday())))
    }
}

impl From<Vec<Weekday>> for WeekdaySet {
    fn from(days: Vec<Weekday>) -> Self {
        days.into_iter().collect()
    }
}

impl From<WeekdaySet> for Vec<Weekday> {
    fn from(days: WeekdaySet) -> Self {
        days.iter().collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_set_gives_back_the_days_it_was_made_of() {
        let days: WeekdaySet = [Weekday::Sun, Weekday::Tue].into_iter().collect();
        assert_eq!(days.iter().collect::<Vec<_>>(), [Weekday::Tue, Weekday::Sun]);
        assert!(!days.contains(Weekday::Mon));
        assert_eq!(WeekdaySet::from_mask(days.mask()), Some(days));
        assert_eq!(WeekdaySet::from_mask(128), None);
    }
}
