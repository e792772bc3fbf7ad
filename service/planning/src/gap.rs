//! Room between work that stays where it is: one visit by hand into a technician's day.

use crate::season::Window;

/// Work of the day that stays as it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Staying {
    /// Start, seconds after midnight.
    pub start_s: i32,
    /// End.
    pub leave_s: i32,
    /// Trip from there to the new place, seconds.
    pub onward_s: i32,
    /// Trip from the new place there, seconds.
    pub back_s: i32,
}

/// Room for one more visit.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Gap {
    /// How many of the day's stops come before it.
    pub after: usize,
    /// Starts of the work after which everything else begins as before.
    pub starts: Window,
}

/// The gaps of a day, in order, that hold work of `duration_s` at a place that is `trip_s` from where the
/// technician starts and ends. `day` is in the order of its starts.
#[must_use]
pub fn gaps(day: &[Staying], shift: Window, trip_s: i32, duration_s: i32) -> Vec<Gap> {
    (0..=day.len())
        .filter_map(|after| {
            let before = after.checked_sub(1).and_then(|index| day.get(index));
            let start_s =
                before.map_or(shift.start_s + trip_s, |work| work.leave_s + work.onward_s);
            let must_leave_s =
                day.get(after).map_or(shift.end_s - trip_s, |work| work.start_s - work.back_s);
            let starts = Window { start_s, end_s: must_leave_s - duration_s };
            (starts.start_s <= starts.end_s).then_some(Gap { after, starts })
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_gap_holds_the_trips_and_the_work() {
        let work = |start_s, leave_s| Staying { start_s, leave_s, onward_s: 600, back_s: 900 };
        let day = [work(30_000, 33_000), work(40_000, 43_000)];
        let shift = Window { start_s: 27_000, end_s: 50_000 };
        let gap = |after, start_s, end_s| Gap { after, starts: Window { start_s, end_s } };
        // Between the two: 33,000 + 600 until 40,000 - 900 - 3,000; after them until 50,000 - 1,200 - 3,000.
        assert_eq!(
            gaps(&day, shift, 1_200, 3_000),
            [gap(1, 33_600, 36_100), gap(2, 43_600, 45_800)]
        );
        // Before the first: 27,000 + 1,200 until 30,000 - 900 - 900.
        assert_eq!(gaps(&day, shift, 1_200, 900)[0], gap(0, 28_200, 28_200));
        assert_eq!(gaps(&[], shift, 1_200, 30_000), []);
    }
}
