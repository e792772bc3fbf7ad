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

/// The two-hour arrival window told for work that is planned to start at `start_seconds` after
/// midnight: it begins on the half hour at least half an hour before, so that a technician who
/// is a little early or an hour late still keeps it.
#[must_use]
pub fn arrival_window_seconds(start_seconds: i32) -> (i32, i32) {
    let begins = (start_seconds - HALF_HOUR_SECONDS).max(0);
    let begins = begins - begins % HALF_HOUR_SECONDS;
    (begins, begins + ARRIVAL_WINDOW_SECONDS)
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
    }
}
