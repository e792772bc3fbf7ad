//! What the weather under all of it is worth.
//!
//! What the reader must decide: can the season's dates and the scores be trusted today, and does
//! anybody have to ask the source? So each station begins with how fresh its record is; then come
//! the days that had a finding and what was done, the days that were filled and by which rule, and
//! what the source changed afterwards.

use actix_web::http::StatusCode;
use actix_web::{HttpRequest, HttpResponse, web};
use askama::Template;
use chrono::NaiveDate;
use hotspell_domain::local_time::local_day;
use hotspell_store::branches;
use hotspell_store::weather::Finding;
use hotspell_store::words::StationId;
use hotspell_weather::gaps::Origin;
use hotspell_weather::quality::FindingKind;
use hotspell_weather::temperature::TemperatureUnit;

use crate::api::caller::Caller;
use crate::api::handlers::weather::read_in;
use crate::api::problem::ProblemKind;
use crate::api::types::weather::WeatherFileView;
use crate::app::weather_report::{self, CorrectedDay, FilledStretch, StationReport};
use crate::app::{AppError, stations};
use crate::pages::files::SessionFiles;
use crate::pages::refusal::{PageError, blocking};
use crate::pages::shell::{self, Shell, WEATHER};
use crate::pages::visitor::Office;
use crate::pages::words;
use crate::state::AppState;

/// Stretches of filled days that are shown.
const STRETCHES_SHOWN: usize = 40;

#[derive(Template)]
#[template(path = "weather.html")]
struct WeatherPage {
    shell: Shell,
    /// What became of a file, good or bad.
    told: Option<(&'static str, String)>,
    /// What a file may have.
    most: String,
    stations: Vec<StationView>,
}

struct StationView {
    id: i64,
    name: String,
    tone: &'static str,
    lead: String,
    /// Whether no day is stored yet.
    empty: bool,
    findings: Vec<FindingRow>,
    filled: Result<Vec<FilledRow>, String>,
    more_filled: usize,
    corrected: Vec<CorrectedRow>,
}

struct FindingRow {
    days: String,
    what: &'static str,
    /// The finding's own sentence where it tells more than its kind.
    detail: Option<String>,
    value: String,
    expected: String,
    done: &'static str,
}

struct FilledRow {
    days: String,
    count: usize,
    rule: &'static str,
    uncertainty: String,
}

struct CorrectedRow {
    day: String,
    before: String,
    now: String,
    on: String,
}

/// The page.
pub(super) async fn show(
    state: web::Data<AppState>,
    request: HttpRequest,
    office: Office,
) -> Result<HttpResponse, PageError> {
    page(&state, &request, office.0, StatusCode::OK, None).await
}

async fn page(
    state: &web::Data<AppState>,
    request: &HttpRequest,
    caller: Caller,
    status: StatusCode,
    told: Option<(&'static str, String)>,
) -> Result<HttpResponse, PageError> {
    let shared = state.clone();
    let (branch, reports) = blocking(move || {
        let branch = shared.store.read(|conn| branches::find(conn, caller.branch))?;
        let today = local_day(shared.now(), branch.time_zone);
        let stations = shared.store.read(|conn| stations::of_branch(conn, &branch))?;
        let reports = stations
            .iter()
            .map(|station| weather_report::of_station(&shared, station.id, today))
            .collect::<Result<Vec<StationReport>, AppError>>()?;
        Ok::<_, AppError>((branch, reports))
    })
    .await?;
    let unit = branch.temperature_unit.into();
    let shell =
        Shell::signed_in(request, &caller, "Is the weather right?", &branch.name, Some(WEATHER));
    let most = words::megabytes(state.config.server.body_limit_bytes);
    let stations = reports.iter().map(|report| view(report, unit)).collect();
    shell::show(status, &WeatherPage { shell, told, most, stations })
}

/// Reads a station's file in and says what became of it. The same file again changes nothing.
pub(super) async fn take(
    state: web::Data<AppState>,
    request: HttpRequest,
    office: Office,
    station: web::Path<i64>,
    sent: SessionFiles,
) -> Result<HttpResponse, PageError> {
    let (caller, id) = (office.0, StationId(station.into_inner()));
    if sent.too_large {
        let most = words::megabytes(state.config.server.body_limit_bytes);
        let why =
            format!("A file may have {most}; this one has more. Cut it by years into several.");
        let told = Some(("bad", why));
        return page(&state, &request, caller, StatusCode::PAYLOAD_TOO_LARGE, told).await;
    }
    let Some(file) = sent.files.into_iter().next() else {
        let told = Some(("bad", "Choose the file of the station's daily record.".to_owned()));
        return page(&state, &request, caller, StatusCode::UNPROCESSABLE_ENTITY, told).await;
    };
    match read_in(&state, caller, id, &file.name, file.content.into()).await {
        Ok(view) => {
            let told = Some(("good", became(&file.name, &view)));
            page(&state, &request, caller, StatusCode::OK, told).await
        }
        Err(error) if error.kind() == ProblemKind::InvalidInput => {
            let why: Vec<&str> = error.field_errors().iter().map(|it| it.detail.as_str()).collect();
            let told = Some(("bad", format!("Nothing of it was kept: {}.", why.join("; "))));
            page(&state, &request, caller, error.kind().status(), told).await
        }
        Err(error) => Err(error.into()),
    }
}

/// What became of a file, in a sentence.
fn became(name: &str, view: &WeatherFileView) -> String {
    let scored = match view.scored_again {
        0 => String::new(),
        parts => format!(" {} scored again.", words::count(parts, "part was", "parts were")),
    };
    format!(
        "{name}: {} new, {} corrected, {} said the same; {}.{scored}",
        words::count(view.inserted, "day is", "days are"),
        words::count(view.corrected, "was", "were"),
        view.unchanged,
        words::count(view.findings, "finding", "findings")
    )
}

fn view(report: &StationReport, unit: TemperatureUnit) -> StationView {
    let (tone, lead) = lead(report);
    let stretches = report.filled.as_ref().map(Vec::len).unwrap_or_default();
    StationView {
        id: report.station.id.0,
        name: format!("{} ({})", report.station.name, report.station.key),
        tone,
        lead,
        empty: report.covered.is_none(),
        findings: report.findings.iter().map(|found| finding_row(found, unit)).collect(),
        filled: report
            .filled
            .as_ref()
            .map(|all| all.iter().take(STRETCHES_SHOWN).map(|it| filled_row(it, unit)).collect())
            .map_err(Clone::clone),
        more_filled: stretches.saturating_sub(STRETCHES_SHOWN),
        corrected: report.corrected.iter().map(|day| corrected_row(day, unit)).collect(),
    }
}

/// How fresh the record is, good or bad.
fn lead(report: &StationReport) -> (&'static str, String) {
    let Some(covered) = report.covered else {
        return ("bad", "No day is stored yet: import its daily record first.".to_owned());
    };
    let runs = format!(
        "The record runs from {} to {}.",
        words::past(covered.first),
        words::past(covered.last)
    );
    match &report.stale {
        Some(stale) => ("bad", format!("{stale} {runs}")),
        None => ("good", format!("The record is up to date. {runs}")),
    }
}

fn finding_row(found: &Finding, unit: TemperatureUnit) -> FindingRow {
    let expected = found.expected_low_celsius.zip(found.expected_high_celsius);
    let what = what(&found.kind);
    FindingRow {
        days: found.day.map_or_else(String::new, |day| days(day, found.last_day.unwrap_or(day))),
        what,
        detail: (!found.detail.starts_with(what)).then(|| found.detail.clone()),
        value: found.value_celsius.map_or_else(|| "–".to_owned(), |value| degrees(value, unit)),
        expected: expected.map_or_else(
            || "–".to_owned(),
            |(low, high)| format!("{} to {}", degrees(low, unit), degrees(high, unit)),
        ),
        done: done(found.remedy.as_deref()),
    }
}

fn filled_row(stretch: &FilledStretch, unit: TemperatureUnit) -> FilledRow {
    let dates = stretch.days.first().zip(stretch.days.last());
    let widest = stretch.days.iter().map(|day| day.deviation_kelvin).fold(0.0, f64::max);
    let per_kelvin = unit.from_celsius(1.0) - unit.from_celsius(0.0);
    FilledRow {
        days: dates.map_or_else(String::new, |(first, last)| days(first.day.date, last.day.date)),
        count: stretch.days.len(),
        rule: match stretch.origin {
            Origin::Measured => "measured",
            Origin::Interpolated => {
                "straight lines between the days before and after (up to three days)"
            }
            Origin::FromNormals => "the station's own normals of these days (more than three days)",
        },
        uncertainty: format!("{:.1} °{unit}", widest * per_kelvin),
    }
}

fn corrected_row(day: &CorrectedDay, unit: TemperatureUnit) -> CorrectedRow {
    let both = |low: Option<f64>, high: Option<f64>| match (low, high) {
        (Some(low), Some(high)) => format!("{} / {}", degrees(low, unit), degrees(high, unit)),
        _ => "none".to_owned(),
    };
    let before = &day.before;
    CorrectedRow {
        day: words::past(before.day),
        before: both(before.tmin_celsius, before.tmax_celsius),
        now: day
            .now
            .as_ref()
            .map_or_else(|| "none".to_owned(), |now| both(now.tmin_celsius, now.tmax_celsius)),
        on: words::past(before.corrected_at.date_naive()),
    }
}

fn days(first: NaiveDate, last: NaiveDate) -> String {
    if first == last {
        words::past(first)
    } else {
        format!("{} to {}", words::past(first), words::past(last))
    }
}

fn degrees(celsius: f64, unit: TemperatureUnit) -> String {
    format!("{:.1} °{unit}", unit.from_celsius(celsius))
}

/// A finding by its stored word.
fn what(kind: &str) -> &'static str {
    let known: Option<FindingKind> = serde_json::from_value(kind.into()).ok();
    match known {
        Some(FindingKind::DuplicateSame) => "the day stands there twice, alike",
        Some(FindingKind::DuplicateConflict) => "the day stands there twice, with different values",
        Some(FindingKind::Flagged) => "the source itself marks the value as failed",
        Some(FindingKind::MissingTmax) => "no maximum",
        Some(FindingKind::MissingTmin) => "no minimum",
        Some(FindingKind::MissingDay) => "no value",
        Some(FindingKind::TenthsNotScaled) => "tenths of a degree read as degrees",
        Some(FindingKind::UnitMixup) => "Fahrenheit read as Celsius",
        Some(FindingKind::OutOfRange) => "beyond the records of the Earth",
        Some(FindingKind::TminAboveTmax) => "the minimum is above the maximum",
        Some(FindingKind::StuckSensor) => "the same values day after day",
        Some(FindingKind::OutsideStationRange) => {
            "outside of what this station's record makes plausible"
        }
        Some(FindingKind::OutOfOrder) => "not in the order of the days",
        Some(FindingKind::GapInterpolated) => "a short gap, bridged",
        Some(FindingKind::GapFilledFromNormals) => "a gap, filled from normals",
        Some(FindingKind::TooFewHours) => "too few hours to stand for a day",
        None => "something else",
    }
}

/// A remedy by its stored word; earlier releases kept none.
fn done(remedy: Option<&str>) -> &'static str {
    match remedy {
        Some("dropped") => "left out",
        Some("kept") => "kept: look at it",
        Some("sorted") => "sorted",
        Some("missing") => "counted as missing",
        Some("filled") => "filled",
        _ => "–",
    }
}
