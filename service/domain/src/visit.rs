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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_sister_machine_adds_twenty_minutes() {
        assert_eq!(VisitKind::TuneUp.duration_seconds(1), 45 * 60);
        assert_eq!(VisitKind::TuneUp.duration_seconds(2), 65 * 60);
        assert_eq!(VisitKind::TuneUp.duration_seconds(0), 45 * 60);
    }
}
