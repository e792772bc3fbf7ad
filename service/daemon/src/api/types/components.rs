//! Parts on the wire.

use chrono::{DateTime, NaiveDate, Utc};
use hotspell_domain::{
    CapacitorRating, ComponentClass, ComponentEnd, ComponentId, ReplacementRefusal, UnitId,
};
use hotspell_store::components::{ComponentFields, ComponentRecord, Ending, Successor};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::stored::stored_view;
use crate::api::checks::{Checks, LINE_MAX};
use crate::api::error::ApiError;

/// A part in one position of a unit for one stretch of time.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({
    "key": "K-1", "unit_id": 1, "position": "outdoor-capacitor", "class": "run-capacitor-dual",
    "rating": "45+5 uF 370/440 V", "installed_earliest": "2014-05-06",
    "installed_latest": "2014-05-06", "observed_from": "2019-03-01", "history_complete": false,
    "ended_on": null, "end_kind": null, "last_seen_good_on": "2026-04-02", "batch": null
}))]
pub struct ComponentInput {
    /// Your own name of it, unique in the branch.
    #[schema(min_length = 1, max_length = 100, pattern = r"\S")]
    pub key: String,
    /// The machine. It cannot be changed later.
    #[schema(value_type = i64)]
    pub unit_id: UnitId,
    /// Your name of the place in the machine, the same for all that sat there.
    #[schema(min_length = 1, max_length = 100, pattern = r"\S")]
    pub position: String,
    /// What it is.
    pub class: ComponentClass,
    /// As printed; required for run capacitors, such as «45+5 uF 370/440 V» (microfarads of the
    /// compressor section first) or «7.5 uF 440 V»; any text for other classes.
    #[schema(max_length = 200)]
    pub rating: Option<String>,
    /// It was not installed before this day; equal to the latest when the day is known.
    pub installed_earliest: Option<NaiveDate>,
    /// It was installed by this day; absent on both sides means unknown.
    pub installed_latest: Option<NaiveDate>,
    /// Day from which its failure would have been noticed, usually the first agreement's first.
    pub observed_from: NaiveDate,
    /// Whether every part that ever sat in this position is on record.
    #[serde(default)]
    pub history_complete: bool,
    /// The day on which its end was found; absent while it is in service.
    pub ended_on: Option<NaiveDate>,
    /// How it ended; required with `ended_on`.
    pub end_kind: Option<ComponentEnd>,
    /// Last day on which it was seen working.
    pub last_seen_good_on: Option<NaiveDate>,
    /// Maker's date code or lot.
    #[schema(max_length = 200)]
    pub batch: Option<String>,
}

/// A part, as stored.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct ComponentView {
    /// The record.
    #[serde(flatten)]
    pub stored: StoredComponent,
    /// The part that followed it in the same position.
    #[schema(value_type = Option<i64>)]
    pub replaced_by_id: Option<ComponentId>,
}

stored_view!(
    /// A part with its number, version and times.
    StoredComponent, ComponentInput, ComponentRecord, ComponentId
);

/// The end of a part and the one that takes its place from the same day on.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({
    "ended_on": "2026-05-04", "end_kind": "failed", "last_seen_good_on": null,
    "key": "K-1b", "rating": "45+5 uF 440 V", "batch": "2615", "rating_override": null
}))]
pub struct ReplacementInput {
    /// The day on which the end was found and the new part was put in.
    pub ended_on: NaiveDate,
    /// How the old part ended: `failed` or `replaced-before-failing`.
    pub end_kind: ComponentEnd,
    /// Last day on which the old part was seen working; absent keeps what is stored.
    pub last_seen_good_on: Option<NaiveDate>,
    /// Your own name of the new part.
    #[schema(min_length = 1, max_length = 100, pattern = r"\S")]
    pub key: String,
    /// The new part's rating; as the old one if absent. A run capacitor must have the same
    /// microfarads, and for 440 V a rating of 440 or 370/440 V (common practice).
    #[schema(max_length = 200)]
    pub rating: Option<String>,
    /// The new part's date code or lot.
    #[schema(max_length = 200)]
    pub batch: Option<String>,
    /// Why a rating that may not replace the old one is right all the same; kept in the audit.
    #[schema(max_length = 200)]
    pub rating_override: Option<String>,
}

/// The old part and its successor.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct ReplacementView {
    /// The part that ended.
    pub ended: ComponentView,
    /// The part that began.
    pub started: ComponentView,
}

/// Reads a rating as its class needs it and gives it back in the one spelling.
pub(crate) fn checked_rating(
    checks: &mut Checks,
    pointer: &str,
    class: ComponentClass,
    rating: Option<&str>,
) -> Option<String> {
    let text = checks.optional(pointer, rating, LINE_MAX);
    if !class.is_run_capacitor() {
        return text;
    }
    let Some(text) = text else {
        checks.refuse(pointer, "a run capacitor needs its rating such as 45+5 uF 370/440 V");
        return None;
    };
    let rating = checks.keep(pointer, text.parse::<CapacitorRating>())?;
    if rating.fan.is_some() != (class == ComponentClass::RunCapacitorDual) {
        checks.refuse(
            pointer,
            "a dual run capacitor has two sections (45+5 uF), a single one has one (45 uF)",
        );
    }
    Some(rating.to_string())
}

impl ComponentInput {
    /// What is stored of it; `before` is the stored one when it is changed.
    pub(crate) fn fields(
        &self,
        before: Option<&ComponentFields>,
        now: DateTime<Utc>,
    ) -> Result<ComponentFields, ApiError> {
        let mut checks = Checks::default();
        let fields = ComponentFields {
            key: checks.key("/key", &self.key),
            unit_id: self.unit_id,
            position: checks.key("/position", &self.position),
            class: self.class,
            rating: checked_rating(&mut checks, "/rating", self.class, self.rating.as_deref()),
            installed_earliest: self.installed_earliest,
            installed_latest: self.installed_latest,
            observed_from: self.observed_from,
            history_complete: self.history_complete,
            ended_on: self.ended_on,
            end_kind: self.end_kind,
            last_seen_good_on: self.last_seen_good_on,
            replaced_by_id: before.and_then(|before| before.replaced_by_id),
            batch: checks.optional("/batch", self.batch.as_deref(), LINE_MAX),
        };
        self.check_days(&mut checks, now);
        if let Some(before) = before {
            if before.unit_id != self.unit_id {
                checks.refuse("/unit_id", "a part stays in its unit; end it and start another");
            }
            if before.replaced_by_id.is_some() && self.ended_on.is_none() {
                checks.refuse("/ended_on", "another part has followed in this position");
            }
        }
        checks.finish()?;
        Ok(fields)
    }

    fn check_days(&self, checks: &mut Checks, now: DateTime<Utc>) {
        for (pointer, day) in [
            ("/installed_earliest", self.installed_earliest),
            ("/installed_latest", self.installed_latest),
            ("/observed_from", Some(self.observed_from)),
            ("/ended_on", self.ended_on),
            ("/last_seen_good_on", self.last_seen_good_on),
        ] {
            checks.past_day(pointer, day, now);
        }
        checks.order("/installed_latest", self.installed_earliest, self.installed_latest);
        checks.order("/ended_on", self.installed_earliest, self.ended_on);
        checks.order("/ended_on", self.last_seen_good_on, self.ended_on);
        checks.both_or_neither("/end_kind", self.ended_on.is_some(), self.end_kind.is_some());
    }
}

impl ReplacementInput {
    /// How the old part ends and what follows it.
    pub(crate) fn checked(
        &self,
        old: &ComponentFields,
        now: DateTime<Utc>,
    ) -> Result<(Ending, Successor), ApiError> {
        let mut checks = Checks::default();
        let printed = self.rating.as_deref().or(old.rating.as_deref());
        let successor = Successor {
            key: checks.key("/key", &self.key),
            class: old.class,
            rating: checked_rating(&mut checks, "/rating", old.class, printed),
            batch: checks.optional("/batch", self.batch.as_deref(), LINE_MAX),
        };
        let why = checks.optional("/rating_override", self.rating_override.as_deref(), LINE_MAX);
        if why.is_none()
            && let Some(refusal) = rating_refusal(old, successor.rating.as_deref())
        {
            checks.refuse("/rating", format!("{refusal}; rating_override says why it is right"));
        }
        checks.past_day("/ended_on", Some(self.ended_on), now);
        checks.order("/ended_on", old.installed_earliest, Some(self.ended_on));
        checks.order("/ended_on", self.last_seen_good_on, Some(self.ended_on));
        if self.end_kind == ComponentEnd::WentWithUnit {
            checks.refuse("/end_kind", "expected failed or replaced-before-failing");
        }
        checks.finish()?;
        let ending = Ending {
            ended_on: self.ended_on,
            kind: self.end_kind,
            last_seen_good_on: self.last_seen_good_on,
        };
        Ok((ending, successor))
    }
}

/// Why a capacitor's rating may not take the place of the old one's.
fn rating_refusal(old: &ComponentFields, new: Option<&str>) -> Option<ReplacementRefusal> {
    if !old.class.is_run_capacitor() {
        return None;
    }
    let old: CapacitorRating = old.rating.as_deref()?.parse().ok()?;
    old.check_replacement(&new?.parse().ok()?).err()
}

impl ComponentView {
    pub(crate) fn of(record: &ComponentRecord) -> Self {
        let fields = &record.fields;
        let input = ComponentInput {
            key: fields.key.clone(),
            unit_id: fields.unit_id,
            position: fields.position.clone(),
            class: fields.class,
            rating: fields.rating.clone(),
            installed_earliest: fields.installed_earliest,
            installed_latest: fields.installed_latest,
            observed_from: fields.observed_from,
            history_complete: fields.history_complete,
            ended_on: fields.ended_on,
            end_kind: fields.end_kind,
            last_seen_good_on: fields.last_seen_good_on,
            batch: fields.batch.clone(),
        };
        Self { stored: StoredComponent::of(record, input), replaced_by_id: fields.replaced_by_id }
    }
}
