//! Reports about one position of a machine, in whatever order they come in.
//!
//! Two phones without signal may tell of the same home, and the older report may arrive last. The
//! rule, which makes the end the same in every order of arrival:
//!
//! - a reading belongs to the part that it names if that one was in service on its day, else to the
//!   one that sat in the same position then;
//! - a replacement is put where its day lies: it ends the part that sat there on that day, and the
//!   new part lives until the next replacement that is known of, with the readings of those days;
//! - two replacements in one position on one day are one, told twice: what the later report says of
//!   it counts, the earlier one stays in what was sent in.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, NaiveDate, Utc};
use hotspell_domain::capacitor::Verdict;
use hotspell_domain::{BranchId, CapacitorRating, ComponentEnd, ComponentId};
use hotspell_store::components::{
    self, ComponentFields, ComponentFilter, ComponentRecord, Ending, Successor,
};
use hotspell_store::readings::{self, ReadingFields, ReadingFilter, ReadingRecord};
use hotspell_store::{AnyConnection, Page, StoreError, sightings, visits};
use serde_json::Value;

use super::AppError;
use super::judging::judged;

/// A part that was replaced, as somebody reports it.
#[derive(Debug, Clone)]
pub(super) struct ReplacementReport {
    /// The day of the work.
    pub(super) day: NaiveDate,
    /// When exactly, if that is known.
    pub(super) at: Option<DateTime<Utc>>,
    /// Key of the submission.
    pub(super) client_key: String,
    /// Its place in the submission.
    pub(super) index: usize,
    /// How the old part ended.
    pub(super) end_kind: ComponentEnd,
    /// Rating of the new part; as the old one if absent.
    pub(super) rating: Option<String>,
    /// Maker's date code or lot of the new part.
    pub(super) batch: Option<String>,
    /// Whether the office takes a rating that the replacement rule refuses.
    pub(super) overridden: bool,
}

/// Which of two reports is the later one: by the moment, then by the submission's key, so that the
/// answer does not depend on which came in first.
type Rank = (Option<DateTime<Utc>>, String);

impl ReplacementReport {
    fn key(&self) -> String {
        format!("{}/{}", self.client_key, self.index)
    }

    fn rank(&self) -> Rank {
        (self.at, self.key())
    }
}

/// Why a report cannot be taken.
pub(super) enum Refusal {
    /// The field of the replacement, as a JSON pointer below it, and what was expected.
    Field(&'static str, String),
    /// The store or the program.
    Other(AppError),
}

impl<E: Into<AppError>> From<E> for Refusal {
    fn from(error: E) -> Self {
        Self::Other(error.into())
    }
}

fn in_service(part: &ComponentRecord, day: NaiveDate) -> bool {
    part.installed_earliest.is_none_or(|installed| installed <= day)
        && part.ended_on.is_none_or(|ended| day <= ended)
}

/// Every part that sat in the position, the living one last.
fn chain(
    conn: &mut AnyConnection,
    branch: BranchId,
    part: &ComponentRecord,
) -> Result<Vec<ComponentRecord>, StoreError> {
    let filter = ComponentFilter {
        unit: Some(part.unit_id),
        position: Some(part.position.clone()),
        ..ComponentFilter::default()
    };
    let mut parts = components::list(conn, branch, &filter, Page::everything())?;
    parts.sort_by_key(|part| (part.ended_on.is_none(), part.ended_on, part.installed_earliest));
    Ok(parts)
}

/// The part that a reading of a day is about, when somebody names one of its position.
///
/// # Errors
/// Those of the store.
pub(super) fn meant_on(
    conn: &mut AnyConnection,
    branch: BranchId,
    named: ComponentRecord,
    day: NaiveDate,
) -> Result<ComponentRecord, StoreError> {
    if in_service(&named, day) {
        return Ok(named);
    }
    // On the day of a replacement both were there: the later one is what a person looks at.
    let there = chain(conn, branch, &named)?.into_iter().rfind(|part| in_service(part, day));
    Ok(there.unwrap_or(named))
}

/// Takes a report of a replacement in the position of `named`; gives old and new part.
///
/// # Errors
/// [`Refusal`].
pub(super) fn take(
    conn: &mut AnyConnection,
    branch: BranchId,
    named: &ComponentRecord,
    report: &ReplacementReport,
    mains_hertz: f64,
    now: DateTime<Utc>,
) -> Result<(ComponentId, ComponentId), Refusal> {
    let parts = chain(conn, branch, named)?;
    let ended_then = |part: &&ComponentRecord| part.ended_on == Some(report.day);
    if let Some(old) = parts.iter().find(ended_then)
        && let Some(new) = old.replaced_by_id
    {
        tell_again(conn, branch, old, new, report, now)?;
        return Ok((old.id, new));
    }
    let lived_then =
        |part: &&ComponentRecord| in_service(part, report.day) && part.ended_on != Some(report.day);
    let Some(old) = parts.iter().rfind(lived_then) else {
        let detail = format!("no part sat at {} on {}", named.position, report.day);
        return Err(Refusal::Field("/component_id", detail));
    };
    let rating = new_rating(old, report)?;
    let new = insert_between(conn, branch, old, rating, report, now)?;
    divide(conn, branch, old, new, report.day, mains_hertz, now)?;
    Ok((old.id, new))
}

/// The replacement rule of the trade, for capacitors whose ratings are known; the rating in the one
/// spelling.
fn new_rating(
    old: &ComponentRecord,
    report: &ReplacementReport,
) -> Result<Option<String>, Refusal> {
    let printed = report.rating.clone().or_else(|| old.rating.clone());
    if !old.class.is_run_capacitor() {
        return Ok(printed);
    }
    let refuse = |detail: String| Refusal::Field("/rating", detail);
    let printed =
        printed.ok_or_else(|| refuse("expected the rating of the new capacitor".to_owned()))?;
    let new = match printed.parse::<CapacitorRating>() {
        Ok(new) => new,
        Err(_) if report.overridden => return Ok(Some(printed)),
        Err(error) => return Err(refuse(error.to_string())),
    };
    let before = old.rating.as_deref().and_then(|text| text.parse::<CapacitorRating>().ok());
    if let Some(before) = before
        && !report.overridden
    {
        before.check_replacement(&new).map_err(|refusal| refuse(refusal.to_string()))?;
    }
    Ok(Some(new.to_string()))
}

/// The same replacement from another phone: the later report says how it was.
fn tell_again(
    conn: &mut AnyConnection,
    branch: BranchId,
    old: &ComponentRecord,
    new: ComponentId,
    report: &ReplacementReport,
    now: DateTime<Utc>,
) -> Result<(), Refusal> {
    let new = components::find(conn, branch, new)?;
    // What did not come by a report stands: the office or a file has said it.
    let Some(told) = rank_of(conn, branch, &new.key)? else { return Ok(()) };
    if report.rank() <= told {
        return Ok(());
    }
    let rating = new_rating(old, report)?;
    let fields = ComponentFields {
        key: report.key(),
        rating,
        batch: report.batch.clone(),
        ..new.fields.clone()
    };
    components::update(conn, branch, new.id, new.version, &fields, now)?;
    let fields = ComponentFields { end_kind: Some(report.end_kind), ..old.fields.clone() };
    if fields != old.fields {
        components::update(conn, branch, old.id, old.version, &fields, now)?;
    }
    Ok(())
}

/// The rank of the report that made a part, from its key.
fn rank_of(
    conn: &mut AnyConnection,
    branch: BranchId,
    key: &str,
) -> Result<Option<Rank>, AppError> {
    let Some((client_key, index)) = key.rsplit_once('/') else { return Ok(None) };
    let Ok(index) = index.parse::<usize>() else { return Ok(None) };
    let Some(result) = visits::find_result_by_key(conn, branch, client_key)? else {
        return Ok(None);
    };
    let told = &result.payload["replacements"][index];
    if told.is_null() {
        return Ok(None);
    }
    let at = match &told["taken_at"] {
        Value::Null => None,
        at => Some(
            serde_json::from_value(at.clone())
                .map_err(|error| AppError::internal("stored result", error))?,
        ),
    };
    Ok(Some((at, key.to_owned())))
}

/// Ends `old` on the day of the report and puts the new part behind it, until `old`'s own end.
fn insert_between(
    conn: &mut AnyConnection,
    branch: BranchId,
    old: &ComponentRecord,
    rating: Option<String>,
    report: &ReplacementReport,
    now: DateTime<Utc>,
) -> Result<ComponentId, StoreError> {
    // What was seen after that day was the new part.
    let seen = old.last_seen_good_on.filter(|seen| *seen <= report.day);
    let fields = ComponentFields { last_seen_good_on: seen, ..old.fields.clone() };
    let trimmed = if fields == old.fields {
        old.clone()
    } else {
        components::update(conn, branch, old.id, old.version, &fields, now)?
    };
    if old.ended_on.is_none() {
        let ending =
            Ending { ended_on: report.day, kind: report.end_kind, last_seen_good_on: None };
        let successor =
            Successor { key: report.key(), class: old.class, rating, batch: report.batch.clone() };
        let (_, new) =
            components::replace(conn, branch, old.id, trimmed.version, ending, successor, now)?;
        return Ok(new.id);
    }
    let between = ComponentFields {
        key: report.key(),
        rating,
        batch: report.batch.clone(),
        installed_earliest: Some(report.day),
        installed_latest: Some(report.day),
        observed_from: report.day,
        last_seen_good_on: None,
        ..old.fields.clone()
    };
    let new = components::insert(conn, branch, &between, now)?;
    let ended = ComponentFields {
        ended_on: Some(report.day),
        end_kind: Some(report.end_kind),
        replaced_by_id: Some(new.id),
        ..trimmed.fields.clone()
    };
    components::update(conn, branch, old.id, trimmed.version, &ended, now)?;
    Ok(new.id)
}

/// What was read and seen on later days was the new part; each part was last seen good on its own days.
/// `old` is the part as it stood before.
fn divide(
    conn: &mut AnyConnection,
    branch: BranchId,
    old: &ComponentRecord,
    new: ComponentId,
    day: NaiveDate,
    mains_hertz: f64,
    now: DateTime<Utc>,
) -> Result<(), StoreError> {
    let filter = ReadingFilter { component: Some(old.id), ..ReadingFilter::default() };
    let taken = readings::list(conn, branch, &filter, Page::everything())?;
    let said = said_good_days(conn, branch, old, &taken, mains_hertz)?;
    let (said_later, said_own): (Vec<_>, Vec<_>) = said.into_iter().partition(|it| *it > day);
    sightings::hand_over(conn, branch, old.id, new, day)?;
    let (later, own): (Vec<_>, Vec<_>) =
        taken.into_iter().partition(|reading| reading.taken_on > day);
    for reading in &later {
        let fields = ReadingFields { component_id: new, ..reading.fields.clone() };
        readings::update(conn, branch, reading.id, reading.version, &fields, now)?;
    }
    for (part, taken, said) in [(old.id, own, said_own), (new, later, said_later)] {
        let part = components::find(conn, branch, part)?;
        let seen = last_good_day(&part, &taken, mains_hertz).max(said.into_iter().max());
        if let Some(seen) = seen {
            components::seen_good(conn, branch, &[part.id], seen, now)?;
        }
    }
    Ok(())
}

/// Days on which somebody said that a part was good, beside its readings: those speak for themselves. A
/// later day than the last one that stands was taken back.
fn said_good_days(
    conn: &mut AnyConnection,
    branch: BranchId,
    part: &ComponentRecord,
    taken: &[ReadingRecord],
    mains_hertz: f64,
) -> Result<Vec<NaiveDate>, StoreError> {
    let judged_on: BTreeSet<NaiveDate> = taken
        .iter()
        .filter(|reading| judged(part, reading, mains_hertz).is_some())
        .map(|reading| reading.taken_on)
        .collect();
    let mut said = sightings::of(conn, branch, part.id)?;
    said.extend(part.last_seen_good_on);
    said.retain(|day| Some(*day) <= part.last_seen_good_on && !judged_on.contains(day));
    Ok(said)
}

/// The last day on which somebody measured a part and found nothing of it out.
fn last_good_day(
    part: &ComponentRecord,
    taken: &[ReadingRecord],
    mains_hertz: f64,
) -> Option<NaiveDate> {
    let mut worst: BTreeMap<(NaiveDate, &str), Verdict> = BTreeMap::new();
    for reading in taken {
        let Some(verdict) = judged(part, reading, mains_hertz) else { continue };
        // The readings of one submission are one look at the part.
        let sent =
            reading.client_key.rsplit_once('/').map_or(reading.client_key.as_str(), |key| key.0);
        let seen = worst.entry((reading.taken_on, sent)).or_insert(verdict);
        *seen = (*seen).max(verdict);
    }
    let good = worst.into_iter().filter(|(_, verdict)| *verdict != Verdict::Out);
    good.map(|((day, _), _)| day).max()
}
