//! How long a visit takes.

use crate::words::VisitKind;

/// Minutes that each further machine of the same home adds: the second one takes about twenty
/// minutes (common practice, no source).
pub const SISTER_MINUTES: i32 = 20;

impl VisitKind {
    /// Minutes that the first machine takes (common practice, no source).
    #[must_use]
    pub const fn first_unit_minutes(self) -> i32 {
        match self {
            Self::TuneUp | Self::ReturnVisit => 45,
            Self::CapacitorCheck => 25,
            Self::NoCoolCall => 60,
        }
    }

    /// Seconds on site for a home with so many machines. The sister machine's check is part of
    /// the same visit.
    #[must_use]
    pub fn duration_seconds(self, machines: usize) -> i32 {
        let sisters = i32::try_from(machines.saturating_sub(1)).unwrap_or(i32::MAX / 10_000);
        60 * (self.first_unit_minutes() + SISTER_MINUTES * sisters)
    }
}

/// Length of the arrival window that a household is told, seconds.
pub const ARRIVAL_WINDOW_SECONDS: i32 = 2 * 3600;
/// Arrival windows begin on the half hour.
const HALF_HOUR_SECONDS: i32 = 1800;
/// The last arrival window of a day begins here, so that it ends on the same day.
const LAST_WINDOW_BEGINS_SECONDS: i32 = 21 * 3600 + HALF_HOUR_SECONDS;

/// The two-hour arrival window told for work that is planned to start at `start_seconds` after
/// midnight: it begins on the half hour at least half an hour before, so that a technician who
/// is a little early or an hour late still keeps it.
#[must_use]
pub fn arrival_window_seconds(start_seconds: i32) -> (i32, i32) {
    let begins = (start_seconds - HALF_HOUR_SECONDS).max(0);
    let begins = (begins - begins % HALF_HOUR_SECONDS).min(LAST_WINDOW_BEGINS_SECONDS);
    (begins, begins + ARRIVAL_WINDOW_SECONDS)
}

/// The window for work that is now planned to start at `start_seconds`, when a household was
/// promised another one: the promise is kept while the work still starts inside it.
#[must_use]
pub fn kept_or_new_window_seconds(start_seconds: i32, promised: Option<(i32, i32)>) -> (i32, i32) {
    match promised {
        Some((begins, ends)) if (begins..=ends).contains(&start_seconds) => (begins, ends),
        _ => arrival_window_seconds(start_seconds),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_sister_machine_adds_twenty_minutes() {
        assert_eq!(VisitKind::TuneUp.duration_seconds(1), 45 * 60);
        assert_eq!(VisitKind::TuneUp.duration_seconds(2), 65 * 60);
        assert_eq!(VisitKind::TuneUp.duration_seconds(0), 45 * 60);
    }

    #[test]
    fn the_arrival_window_holds_an_early_and_a_late_technician() {
        // 09:40 is told as 09:00 to 11:00.
        assert_eq!(arrival_window_seconds(9 * 3600 + 2400), (9 * 3600, 11 * 3600));
        assert_eq!(arrival_window_seconds(600), (0, 7200));
        // However late, the window ends before midnight.
        assert_eq!(arrival_window_seconds(23 * 3600 + 3000), (21 * 3600 + 1800, 23 * 3600 + 1800));
    }

    #[test]
    fn a_promise_is_kept_while_the_work_starts_inside_it() {
        let nine_to_eleven = (9 * 3600, 11 * 3600);
        let at = |start| kept_or_new_window_seconds(start, Some(nine_to_eleven));
        assert_eq!(at(9 * 3600), nine_to_eleven);
        assert_eq!(at(11 * 3600), nine_to_eleven);
        assert_eq!(at(11 * 3600 + 60), (10 * 3600 + 1800, 12 * 3600 + 1800));
        assert_eq!(kept_or_new_window_seconds(9 * 3600 + 2400, None), nine_to_eleven);
    }
}
