//! One part.
//!
//! What the reader must decide: is it replaced on the next visit or left in, and may I believe the
//! chance that says so? So the advice stands first with both sides of the scale; then why, the
//! readings and what sat there before; last every number that was weighed.

use actix_web::http::StatusCode;
use actix_web::{HttpRequest, HttpResponse, web};
use askama::Template;
use hotspell_domain::local_time::local_day;
use hotspell_domain::{BranchId, ComponentId};
use hotspell_reliability::decisions::{AgeReplacement, SwapDecision};
use hotspell_store::branches::{self, BranchRecord};
use hotspell_store::components::{self, ComponentFilter, ComponentRecord};
use hotspell_store::readings::{self, ReadingFilter, ReadingRecord};
use hotspell_store::scores::ScoreRecord;
use hotspell_store::sites::{self, SiteRecord};
use hotspell_store::units::{self, UnitRecord};
use hotspell_store::{AnyConnection, Page, StoreError};

use crate::app::decision::{self, PartDecision, in_words};
use crate::app::letters::address_of;
use crate::app::{AppError, judging, scores};
use crate::pages::parts;
use crate::pages::refusal::{PageError, blocking};
use crate::pages::shell::{self, RISK, Shell};
use crate::pages::visitor::Office;
use crate::pages::words::{self, Mark};
use crate::state::AppState;

/// From this chance on the part counts as failed, and dates say nothing more.
const FAILED_ALREADY: f64 = 0.999;

#[derive(Template)]
#[template(path = "part.html")]
struct PartPage {
    shell: Shell,
    name: String,
    site_id: i64,
    household: String,
    address: String,
    machine: String,
    rating: String,
    advice: Result<AdviceView, String>,
    score: Option<ScoreView>,
    readings: Vec<ReadingRow>,
    history: Vec<HistoryRow>,
}

struct AdviceView {
    sentence: String,
    check: String,
    sisters: Vec<String>,
    weighed: Vec<(&'static str, String)>,
    as_of: String,
}

struct ScoreView {
    chance: String,
    between: String,
    as_of: String,
    run: i64,
    heat_age: String,
    heat_left: String,
    /// Sentence, and how much it multiplies the risk by.
    reasons: Vec<(String, String)>,
    /// By this date, the chance, and between which.
    dates: Vec<(String, String, String)>,
}

struct ReadingRow {
    day: String,
    said: String,
    mark: Option<Mark>,
}

struct HistoryRow {
    key: String,
    rating: String,
    installed: String,
    ended: String,
    link: Option<i64>,
}

/// The page.
pub(super) async fn show(
    state: web::Data<AppState>,
    request: HttpRequest,
    office: Office,
    part: web::Path<i64>,
) -> Result<HttpResponse, PageError> {
    let caller = office.0;
    let (branch, id) = (caller.branch, ComponentId(part.into_inner()));
    let (found, advice) = blocking(move || {
        let found = state.store.read(|conn| Found::load(conn, branch, id))?;
        let today = local_day(state.now(), found.branch.time_zone);
        let advice = match decision::decide(&state, branch, id, today) {
            Ok(advice) => Ok(advice),
            Err(AppError::NotReady(why) | AppError::Conflict(why)) => Err(why),
            Err(error) => return Err(error),
        };
        Ok::<_, AppError>((found, advice))
    })
    .await?;
    let name = parts::name(&found.part);
    let shell = Shell::signed_in(&request, &caller, name, &found.branch.name, Some(RISK));
    shell::show(StatusCode::OK, &found.page(shell, advice)?)
}

/// What the page reads.
struct Found {
    branch: BranchRecord,
    site: SiteRecord,
    unit: UnitRecord,
    part: ComponentRecord,
    /// Oldest first.
    readings: Vec<ReadingRecord>,
    /// All that ever sat in the position, in order of their ids.
    position: Vec<ComponentRecord>,
    score: Option<ScoreRecord>,
}

impl Found {
    fn load(conn: &mut AnyConnection, branch: BranchId, id: ComponentId) -> Result<Self, AppError> {
        let part = match components::find(conn, branch, id) {
            Ok(part) => part,
            Err(StoreError::NotFound(_)) => return Err(AppError::not_found("part", id)),
            Err(error) => return Err(error.into()),
        };
        let unit = units::find(conn, branch, part.unit_id)?;
        let filter = ReadingFilter { component: Some(id), ..ReadingFilter::default() };
        let mut readings = readings::list(conn, branch, &filter, Page::everything())?;
        readings.sort_by(|a, b| a.when().cmp(&b.when()));
        let filter = ComponentFilter {
            unit: Some(unit.id),
            position: Some(part.position.clone()),
            ..ComponentFilter::default()
        };
        Ok(Self {
            branch: branches::find(conn, branch)?,
            site: sites::find(conn, branch, unit.site_id)?,
            unit,
            readings,
            position: components::list(conn, branch, &filter, Page::everything())?,
            score: scores::of_parts(conn, branch, vec![id])?.remove(&id),
            part,
        })
    }

    fn page(
        &self,
        shell: Shell,
        advice: Result<PartDecision, String>,
    ) -> Result<PartPage, PageError> {
        let hertz = self.branch.mains_hertz;
        let readings = self.readings.iter().rev().map(|reading| ReadingRow {
            day: words::past(reading.taken_on),
            said: parts::reading_texts(&self.part, reading, hertz).join("; "),
            mark: judging::judged(&self.part, reading, hertz).map(words::verdict),
        });
        Ok(PartPage {
            name: parts::name(&self.part),
            site_id: self.site.id.0,
            household: self.site.name.clone(),
            address: address_of(&self.site),
            machine: format!("{}: {}", parts::label(&self.unit), parts::about(&self.unit)),
            rating: rating(&self.part),
            advice: advice.map(|advice| advice_view(&advice)),
            score: self.score.as_ref().map(score_view).transpose()?,
            readings: readings.collect(),
            history: self.position.iter().rev().map(|part| self.history_row(part)).collect(),
            shell,
        })
    }

    fn history_row(&self, part: &ComponentRecord) -> HistoryRow {
        HistoryRow {
            key: part.key.clone(),
            rating: rating(part),
            installed: match (part.installed_earliest, part.installed_latest) {
                (Some(first), Some(last)) if first == last => words::past(first),
                (Some(first), Some(last)) => {
                    format!("{} to {}", words::past(first), words::past(last))
                }
                (None, Some(last)) => format!("by {}", words::past(last)),
                (Some(first), None) => format!("{} or later", words::past(first)),
                (None, None) => "not on record".to_owned(),
            },
            ended: match (part.ended_on, part.end_kind) {
                (Some(day), Some(kind)) => {
                    format!("{} on {}", kind.as_str().replace('-', " "), words::past(day))
                }
                (Some(day), None) => format!("left on {}", words::past(day)),
                (None, _) => "in service".to_owned(),
            },
            link: (part.id != self.part.id).then_some(part.id.0),
        }
    }
}

fn rating(part: &ComponentRecord) -> String {
    part.rating.as_deref().map_or_else(|| "rating not on record".to_owned(), words::rating)
}

fn advice_view(advice: &PartDecision) -> AdviceView {
    let currency = &advice.settings.currency;
    let sisters = advice.sisters.iter().map(|(id, swap)| {
        format!("Sister part {id}, in the same hour: {}", in_words(swap, currency))
    });
    let bound = words::chance(advice.settings.check_due_chance);
    AdviceView {
        sentence: advice.sentence(),
        check: advice.check_by.map_or_else(
            || {
                format!(
                    "No check is due before {}: the chance stays below {bound}.",
                    words::date(advice.season_end)
                )
            },
            |day| {
                format!(
                    "Check it before {}: by then the chance of failing exceeds {bound}.",
                    words::full_day(day)
                )
            },
        ),
        sisters: sisters.collect(),
        weighed: weighed(&advice.swap, currency),
        as_of: format!(
            "Weighed for {}, season to {}, life model of run {}.",
            words::full_day(advice.as_of),
            words::date(advice.season_end),
            advice.model_run
        ),
    }
}

fn weighed(swap: &SwapDecision, currency: &str) -> Vec<(&'static str, String)> {
    let inputs = &swap.inputs;
    let money = |cost: f64| format!("{cost:.0} {currency}");
    let hours = |hours: f64| format!("{hours:.0} h");
    vec![
        ("To be expected when it is replaced now", money(swap.replace_now_cost)),
        ("To be expected when it stays", money(swap.wait_cost)),
        ("Chance that it fails this season", words::chance(inputs.failure_probability)),
        ("Chance that a new one fails", words::chance(swap.new_part_failure_probability)),
        ("Its heat age now", hours(inputs.age_hours)),
        ("Heat to come this season", hours(inputs.season_hours)),
        ("Age by which 63 % of such parts at this home have failed", hours(inputs.law.scale)),
        ("Shape of that life (above 1: wear)", format!("{:.2}", inputs.law.shape)),
        (
            "Best age to replace such a part",
            match swap.policy {
                AgeReplacement::ReplaceAt { age, .. } => hours(age),
                AgeReplacement::RunToFailure { .. } => "never before it fails".to_owned(),
            },
        ),
        ("Cost of the swap now", money(inputs.swap_now_cost)),
        ("Cost of a planned swap later", money(inputs.planned_cost)),
        ("Cost of a failure at an ordinary time", money(inputs.failure_cost)),
        ("Cost of a failure in the heat", money(inputs.hot_failure_cost)),
    ]
}

fn score_view(score: &ScoreRecord) -> Result<ScoreView, AppError> {
    let between = |low, high| format!("{} to {}", words::chance(low), words::chance(high));
    let reasons = scores::reasons(score)?.into_iter().map(|reason| {
        let factor = reason
            .weight
            .map_or_else(String::new, |weight| format!("risk times {:.2}", weight.exp()));
        (reason.sentence, factor)
    });
    let curve = scores::curve(score)?;
    // One row for about a month, the last date always.
    let known = score.p_season < FAILED_ALREADY;
    let dates =
        curve.iter().rev().filter(|_| known).step_by(4).collect::<Vec<_>>().into_iter().rev().map(
            |point| {
                (
                    words::day(point.by),
                    words::chance(point.probability),
                    between(point.low, point.high),
                )
            },
        );
    Ok(ScoreView {
        chance: words::chance(score.p_season),
        between: between(score.p_season_low, score.p_season_high),
        as_of: words::full_day(score.as_of),
        run: score.run_id.0,
        heat_age: format!("{:.0} h", score.heat_age),
        heat_left: format!("{:.0} h", score.expected_heat_left),
        reasons: reasons.collect(),
        dates: dates.collect(),
    })
}
