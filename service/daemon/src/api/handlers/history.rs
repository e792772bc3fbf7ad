//! What happened at a home.

use actix_web::{HttpResponse, get, web};
use chrono::{Days, NaiveDate};
use hotspell_domain::DateRange;
use hotspell_domain::local_time::local_day;
use hotspell_store::branches;

use super::sites::Sites;
use crate::api::caller::Caller;
use crate::api::crud;
use crate::api::error::ApiError;
use crate::api::query::Query;
use crate::api::transact::read;
use crate::api::types::sites::HistoryView;
use crate::app::history;
use crate::state::AppState;

/// Days that are answered at most, and unless the query says otherwise.
const DAYS_MAX: u64 = 366;

/// Which days are wanted.
#[derive(Debug, Clone, serde::Deserialize, utoipa::IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(crate) struct HistoryQuery {
    /// First day; a year before the last one if absent, and not earlier than that.
    #[param(required = false, nullable = false)]
    first_day: Option<NaiveDate>,
    /// Last day; the branch's today if absent.
    #[param(required = false, nullable = false)]
    last_day: Option<NaiveDate>,
}

impl HistoryQuery {
    fn days(&self, today: NaiveDate) -> Result<DateRange, ApiError> {
        let last = self.last_day.unwrap_or(today);
        let earliest = last.checked_sub_days(Days::new(DAYS_MAX - 1)).unwrap_or(last);
        let first = self.first_day.unwrap_or(earliest);
        if first < earliest {
            let detail = format!("expected at most {DAYS_MAX} days, {earliest} or later");
            return Err(ApiError::field("first_day", detail));
        }
        DateRange::new(first, last)
            .ok_or_else(|| ApiError::field("last_day", format!("{last} comes before {first}")))
    }
}

/// Reads the history of a site
///
/// Agreements, visits, results, readings, replacements, notices and answers of up to a year in the
/// order of time. A technician reads that of sites of the own visits.
#[utoipa::path(
    tag = "sites",
    params(("site_id" = i64, Path, description = "Number of the site"), HistoryQuery),
    responses((status = 200, description = "What happened", body = HistoryView))
)]
#[get("/sites/{site_id}/history")]
pub(crate) async fn find_site_history(
    state: web::Data<AppState>,
    caller: Caller,
    id: web::Path<i64>,
    query: Query<HistoryQuery>,
) -> Result<HttpResponse, ApiError> {
    let now = state.now();
    let view = read(&state, move |conn| {
        let site = crud::reach::<Sites>(conn, &caller, id.into_inner())?;
        let zone = branches::find(conn, caller.branch)?.time_zone;
        let days = query.days(local_day(now, zone))?;
        let entries = history::of_site(conn, caller.branch, site.id, days)?;
        Ok(HistoryView {
            first_day: days.first,
            last_day: days.last,
            items: entries.into_iter().map(Into::into).collect(),
        })
    })
    .await?;
    Ok(HttpResponse::Ok().json(view))
}
