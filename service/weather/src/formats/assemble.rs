//! From single elements in any order to whole days.

use std::collections::BTreeMap;

use chrono::NaiveDate;

use super::FormatError;
use crate::quality::{QualityRules, RawDay, check};
use crate::series::StationSeries;

/// The elements of a daily record that matter here.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Element {
    /// Maximum of the day.
    Tmax,
    /// Minimum of the day.
    Tmin,
}

/// One element of one day as the source has it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ElementValue {
    /// Local calendar day.
    pub date: NaiveDate,
    /// Which element.
    pub element: Element,
    /// The value, °C; none where the source says that there is none.
    pub celsius: Option<f64>,
    /// The source's mark of a failed quality check, if any.
    pub quality_flag: Option<char>,
}

impl Element {
    /// From the source's code; other elements are passed over.
    pub(super) fn from_code(code: &[u8]) -> Option<Self> {
        match code {
            b"TMAX" => Some(Self::Tmax),
            b"TMIN" => Some(Self::Tmin),
            _ => None,
        }
    }
}

/// Collects the elements of one station into days.
#[derive(Default)]
pub(super) struct Assembler {
    station: Option<String>,
    wanted: Option<String>,
    months: BTreeMap<NaiveDate, Month>,
    extra: Vec<RawDay>,
}

/// Values of one calendar month, by day of month from zero.
struct Month {
    days: [Slot; 31],
}

#[derive(Clone, Copy, Default)]
struct Slot {
    tmax: Option<Read>,
    tmin: Option<Read>,
}

#[derive(Clone, Copy, PartialEq)]
struct Read {
    celsius: Option<f64>,
    flag: Option<char>,
}

impl Assembler {
    /// For the station wanted, or for the only one of the source.
    pub(super) fn new(wanted: Option<&str>) -> Self {
        Self { wanted: wanted.map(str::to_owned), ..Self::default() }
    }

    /// Whether a line of this station is to be taken.
    ///
    /// # Errors
    /// [`FormatError::SeveralStations`] when a second one comes and none was chosen.
    pub(super) fn accepts(&mut self, station: &[u8]) -> Result<bool, FormatError> {
        if let Some(wanted) = &self.wanted {
            if wanted.as_bytes() != station {
                return Ok(false);
            }
            if self.station.is_none() {
                self.station = Some(wanted.clone());
            }
            return Ok(true);
        }
        match &self.station {
            Some(known) if known.as_bytes() == station => Ok(true),
            None => {
                self.station = Some(String::from_utf8_lossy(station).into_owned());
                Ok(true)
            }
            Some(known) => Err(FormatError::SeveralStations {
                first: known.clone(),
                second: String::from_utf8_lossy(station).into_owned(),
            }),
        }
    }

    /// Adds one element. A second value for the same day goes beside the first, for the check to
    /// judge; a missing one never displaces a value.
    pub(super) fn add(&mut self, value: ElementValue) {
        use chrono::Datelike;
        if value.celsius.is_none() && value.quality_flag.is_none() {
            return;
        }
        let first = value.date.with_day(1).unwrap_or(value.date);
        let month =
            self.months.entry(first).or_insert_with(|| Month { days: [Slot::default(); 31] });
        let Some(slot) = month.days.get_mut(value.date.day0() as usize) else { return };
        let read = Read { celsius: value.celsius, flag: value.quality_flag };
        let place = match value.element {
            Element::Tmax => &mut slot.tmax,
            Element::Tmin => &mut slot.tmin,
        };
        if place.is_none() {
            *place = Some(read);
            return;
        }
        let mut again = *slot;
        match value.element {
            Element::Tmax => again.tmax = Some(read),
            Element::Tmin => again.tmin = Some(read),
        }
        self.extra.push(again.raw_day(value.date));
    }

    /// The checked series.
    pub(super) fn finish(self) -> Result<StationSeries, FormatError> {
        if let (Some(station), None) = (&self.wanted, &self.station) {
            return Err(FormatError::StationAbsent { station: station.clone() });
        }
        let mut rows = Vec::with_capacity(self.months.len() * 31 + self.extra.len());
        for (first, month) in &self.months {
            let dates = first.iter_days().zip(&month.days);
            rows.extend(
                dates
                    .filter(|(_, slot)| slot.tmax.is_some() || slot.tmin.is_some())
                    .map(|(date, slot)| slot.raw_day(date)),
            );
        }
        rows.extend(self.extra);
        // Elements come in any order; that is no fault of the source.
        rows.sort_by_key(|row| row.date);
        // The archive runs its own streak check (quality flag K) with the station's whole record.
        let rules = QualityRules { check_stuck: false, ..QualityRules::default() };
        let checked = check(rows, &rules);
        if checked.covered.is_none() {
            return Err(FormatError::Empty);
        }
        Ok(StationSeries {
            station: self.station.unwrap_or_default(),
            days: checked.days,
            covered: checked.covered,
            findings: checked.findings,
        })
    }
}

impl Slot {
    fn raw_day(self, date: NaiveDate) -> RawDay {
        let (tmax, tmin) = (self.tmax, self.tmin);
        RawDay {
            date,
            tmax_celsius: tmax.and_then(|read| read.celsius),
            tmin_celsius: tmin.and_then(|read| read.celsius),
            flag: tmax.and_then(|read| read.flag).or_else(|| tmin.and_then(|read| read.flag)),
        }
    }
}
