//! Components of the store as the reliability room sees them: heat ages, ends, readings.

use chrono::{Days, NaiveDate};
use hotspell_domain::capacitor::Verdict;
use hotspell_domain::{
    CapacitorRating, ComponentClass, ComponentEnd, Condition, Exposure, Microfarads, SiteId,
    VoltageRating,
};
use hotspell_reliability::drift::DriftReading;
use hotspell_reliability::heat_rate::heat_rate;
use hotspell_reliability::history::{ComponentHistory, HistoryEnd};
use hotspell_reliability::score::{ComponentState, PastPart};
use hotspell_store::components::ComponentRecord;
use hotspell_store::readings::ReadingRecord;
use hotspell_store::words::Section;

use super::fleet::Fleet;
use super::heat::HeatBook;
use super::judging;
use super::results::rated;

/// Covariates of the life model: what the physics of heat age may have got wrong, for the
/// branch's own records to correct.
pub const COVARIATES: [&str; 2] = ["full sun", "370 V rating"];

/// One component with its heat ages at hand.
#[derive(Debug, Clone, Copy)]
pub struct Part<'a> {
    fleet: &'a Fleet,
    book: &'a HeatBook,
    /// The stored row.
    pub component: &'a ComponentRecord,
    site: SiteId,
    exposure: Exposure,
    supply_volts: f64,
}

impl<'a> Part<'a> {
    /// A part of a known machine; `None` when its machine is not loaded.
    #[must_use]
    pub fn new(
        fleet: &'a Fleet,
        book: &'a HeatBook,
        component: &'a ComponentRecord,
    ) -> Option<Self> {
        let unit = fleet.unit_of(component)?;
        let exposure = if sits_indoors(component) { Exposure::Shade } else { unit.exposure };
        let (site, supply_volts) = (unit.site_id, unit.supply_volts);
        Some(Self { fleet, book, component, site, exposure, supply_volts })
    }

    /// The capacitor's rating, if it is one and the rating is known.
    #[must_use]
    pub fn rating(&self) -> Option<CapacitorRating> {
        self.component.rating.as_deref().and_then(|text| text.parse().ok())
    }

    /// How fast it gathers heat relative to its class's reference part at the branch's own station.
    #[must_use]
    pub fn heat_rate(&self) -> f64 {
        self.own_rate() * self.book.local_rate(self.site, self.component.class)
    }

    /// How fast it gathers heat relative to its class's reference part at the same home.
    fn own_rate(&self) -> f64 {
        if self.book.is_by_calendar() {
            return 1.0;
        }
        let capacitor = self.rating().map(|rating| (self.supply_volts, rating.voltage));
        heat_rate(self.component.class, self.exposure, capacitor)
    }

    /// Heat between two days, equivalent hours.
    fn heat(&self, from: NaiveDate, until: NaiveDate) -> f64 {
        self.own_rate() * self.book.between_at(self.site, self.component.class, from, until)
    }

    /// The day that ages are counted from: the middle of the possible install days.
    fn installed_about(&self) -> NaiveDate {
        let between = self.fleet.installed(self.component).between;
        let half = u64::try_from((between.last - between.first).num_days() / 2).unwrap_or(0);
        between.first.checked_add_days(Days::new(half)).unwrap_or(between.first)
    }

    /// Heat age at the beginning of a day, equivalent hours from new.
    #[must_use]
    pub fn age_on(&self, day: NaiveDate) -> f64 {
        self.heat(self.installed_about(), day)
    }

    /// Half the heat between the first and the last possible install day, equivalent hours.
    fn age_half_range(&self) -> f64 {
        let between = self.fleet.installed(self.component).between;
        self.heat(between.first, between.last) / 2.0
    }

    fn covariates(&self) -> Vec<f64> {
        let sun = match self.exposure {
            Exposure::Sun => 1.0,
            Exposure::PartSun => 0.5,
            Exposure::Shade => 0.0,
        };
        let low = self.rating().is_some_and(|rating| rating.voltage == VoltageRating::V370);
        vec![sun, f64::from(u8::from(low))]
    }

    fn readings(&self) -> &'a [ReadingRecord] {
        self.fleet.readings.get(&self.component.id).map_or(&[], Vec::as_slice)
    }

    /// Readings as departures from the rating, percent, against heat age.
    #[must_use]
    pub fn drift_readings(&self) -> Vec<DriftReading> {
        self.readings()
            .iter()
            .filter_map(|reading| {
                let (rated, measured) = self.measured(reading)?;
                Some(DriftReading {
                    section: section_number(reading.section),
                    heat_age_hours: self.age_on(reading.taken_on),
                    deviation_percent: 100.0 * (measured.get() / rated.get() - 1.0),
                })
            })
            .collect()
    }

    /// Rated and measured capacitance of a reading's section, if both are known.
    fn measured(&self, reading: &ReadingRecord) -> Option<(Microfarads, Microfarads)> {
        let rated = rated(self.component, reading.section)?;
        Some((rated, judging::measured(reading, self.fleet.branch.mains_hertz)?))
    }

    /// What a reading says of the part; `None` when nothing was measured.
    #[must_use]
    pub fn verdict(&self, reading: &ReadingRecord) -> Option<Verdict> {
        judging::judged(self.component, reading, self.fleet.branch.mains_hertz)
    }

    /// The verdict of the last day on which the part was measured: the worst of its sections.
    #[must_use]
    pub fn last_verdict(&self) -> Option<(NaiveDate, Verdict)> {
        let last = self.readings().iter().rev().find(|reading| self.verdict(reading).is_some())?;
        let worst = self
            .readings()
            .iter()
            .filter(|reading| reading.taken_on == last.taken_on)
            .filter_map(|reading| self.verdict(reading))
            .max()?;
        Some((last.taken_on, worst))
    }

    /// The first reading that put the part out, and the last one before it that did not.
    fn read_below_limit(&self) -> Option<HistoryEnd> {
        let out = |reading: &&ReadingRecord| self.verdict(reading) == Some(Verdict::Out);
        let first = self.readings().iter().find(out)?;
        let last_within = self
            .readings()
            .iter()
            .filter(|reading| reading.taken_on < first.taken_on)
            .filter(|reading| self.verdict(reading).is_some())
            .map(|reading| self.age_on(reading.taken_on))
            .next_back()
            .unwrap_or(0.0);
        Some(HistoryEnd::ReadBelowLimit { last_within, first_below: self.age_on(first.taken_on) })
    }

    /// How its time ended, as of the book's day.
    fn end(&self, site: SiteId) -> HistoryEnd {
        if let Some(end) = self.read_below_limit() {
            return end;
        }
        let age = |day: NaiveDate| self.age_on(day);
        match (self.component.ended_on, self.component.end_kind) {
            (Some(found), Some(ComponentEnd::Failed)) => HistoryEnd::FoundFailed {
                last_good: self.component.last_seen_good_on.map_or(0.0, age),
                found: age(found),
            },
            (Some(ended), Some(ComponentEnd::WentWithUnit)) => {
                HistoryEnd::WentWithUnit { age: age(ended) }
            }
            (Some(ended), _) => HistoryEnd::ReplacedBeforeFailing { age: age(ended) },
            (None, _) => match self.fleet.left_on(site) {
                Some(last) if last < self.book.as_of => {
                    HistoryEnd::LeftAgreement { age: age(last) }
                }
                _ => HistoryEnd::StillWorking { age: age(self.book.as_of) },
            },
        }
    }

    /// The part as a lifetime for the fit; `None` when it was never watched.
    #[must_use]
    pub fn history(&self) -> Option<ComponentHistory> {
        let site = self.fleet.unit_of(self.component)?.site_id;
        let entry_age = self.age_on(self.component.observed_from);
        let end = self.end(site);
        let watched_until = match end {
            HistoryEnd::StillWorking { age }
            | HistoryEnd::FailedAt { age }
            | HistoryEnd::ReplacedBeforeFailing { age }
            | HistoryEnd::WentWithUnit { age }
            | HistoryEnd::LeftAgreement { age } => age,
            HistoryEnd::FoundFailed { found, .. } => found,
            HistoryEnd::ReadBelowLimit { first_below, .. } => first_below,
        };
        // A part that gathered no heat while it was watched says nothing about heat.
        (watched_until > entry_age).then(|| ComponentHistory {
            component: self.component.id,
            site,
            class: self.component.class,
            covariates: self.covariates(),
            entry_age,
            end,
            age_half_range: self.age_half_range(),
            earlier_parts_unknown: !self.component.history_complete,
        })
    }

    /// The part as it stands today.
    #[must_use]
    pub fn state(&self) -> Option<ComponentState> {
        let last_day = self.readings().last().map(|reading| reading.taken_on);
        let mut conditions: Vec<Condition> = self
            .readings()
            .iter()
            .filter(|reading| Some(reading.taken_on) == last_day)
            .flat_map(|reading| reading.conditions.iter().copied())
            .collect();
        conditions.sort_unstable();
        conditions.dedup();
        Some(ComponentState {
            component: self.component.id,
            site: self.fleet.unit_of(self.component)?.site_id,
            class: self.component.class,
            covariates: self.covariates(),
            heat_age_hours: self.age_on(self.book.as_of),
            heat_age_half_range_hours: self.age_half_range(),
            heat_rate: self.heat_rate(),
            readings: self.drift_readings(),
            conditions,
        })
    }

    /// The part as one that is gone; `None` while it is in service.
    #[must_use]
    pub fn past(&self) -> Option<PastPart> {
        let ended = self.component.ended_on?;
        let age = match self.component.last_seen_good_on {
            Some(good) if self.component.end_kind == Some(ComponentEnd::Failed) => {
                f64::midpoint(self.age_on(good), self.age_on(ended))
            }
            _ => self.age_on(ended),
        };
        Some(PastPart {
            site: self.fleet.unit_of(self.component)?.site_id,
            class: self.component.class,
            covariates: self.covariates(),
            heat_age_hours: age,
            failed: self.component.end_kind == Some(ComponentEnd::Failed)
                || self.read_below_limit().is_some(),
        })
    }
}

/// Blower motors and their capacitors sit indoors, where the sun does not reach.
fn sits_indoors(component: &ComponentRecord) -> bool {
    component.class == ComponentClass::BlowerMotor || component.position.starts_with("blower")
}

const fn section_number(section: Section) -> u8 {
    match section {
        Section::Main => 0,
        Section::Fan => 1,
    }
}
