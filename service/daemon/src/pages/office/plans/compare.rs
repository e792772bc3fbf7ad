//! Two plans: what would be different, and who would have to be told again?

use actix_web::http::StatusCode;
use actix_web::{HttpRequest, HttpResponse, web};
use askama::Template;
use hotspell_domain::PlanId;
use hotspell_store::branches;
use serde::Deserialize;

use super::{address, figures, name, stretch};
use crate::app::AppError;
use crate::app::plan_compare::{self, Comparison};
use crate::pages::refusal::{PageError, blocking};
use crate::pages::shell::{self, PLANS, Shell};
use crate::pages::visitor::Office;
use crate::pages::words;
use crate::state::AppState;

/// Sentences shown; the rest is counted.
const SENTENCES_SHOWN: usize = 200;

/// Which plans.
#[derive(Debug, Deserialize)]
pub(super) struct Query {
    from: i64,
    to: i64,
}

#[derive(Template)]
#[template(path = "plans-comparison.html")]
struct ComparisonPage {
    shell: Shell,
    from: PlanHead,
    to: PlanHead,
    lead: String,
    rows: Vec<(&'static str, String, String)>,
    told: Vec<String>,
    sentences: Vec<String>,
    more: usize,
}

struct PlanHead {
    name: String,
    stretch: String,
    href: String,
}

/// The page.
pub(super) async fn show(
    state: web::Data<AppState>,
    request: HttpRequest,
    office: Office,
    query: web::Query<Query>,
) -> Result<HttpResponse, PageError> {
    let caller = office.0;
    let branch = caller.branch;
    let (from, to) = (PlanId(query.from), PlanId(query.to));
    let (branch_name, compared) = blocking(move || {
        state.store.read(|conn| {
            let branch_name = branches::find(conn, branch)?.name.clone();
            Ok::<_, AppError>((branch_name, plan_compare::compare(conn, branch, from, to)?))
        })
    })
    .await?;
    let shell =
        Shell::signed_in(&request, &caller, "Two plans compared", &branch_name, Some(PLANS));
    shell::show(StatusCode::OK, &page(shell, &compared))
}

fn page(shell: Shell, compared: &Comparison) -> ComparisonPage {
    let head = |plan| PlanHead { name: name(plan), stretch: stretch(plan), href: address(plan) };
    let values = |plan| {
        figures::of(plan)
            .map_or_else(|| std::array::from_fn(|_| "–".to_owned()), |it| figures::rows(&it))
    };
    let pairs = values(&compared.from).into_iter().zip(values(&compared.to));
    let (from, to) = (head(&compared.from), head(&compared.to));
    ComparisonPage {
        shell,
        lead: format!(
            "Against «{}», «{}» has {} on another day, {} with another person or time on the same \
             day, {} new and {} without a place; {} are the same.",
            from.name,
            to.name,
            words::count(compared.moved_day, "visit", "visits"),
            compared.moved_within_day,
            compared.added,
            compared.removed,
            compared.kept
        ),
        rows: figures::NAMES.into_iter().zip(pairs).map(|(name, (a, b))| (name, a, b)).collect(),
        told: compared
            .told_again
            .iter()
            .map(|told| {
                let word = if told.agreed { "has agreed to its day" } else { "was told its day" };
                format!("{} {word}", told.household)
            })
            .collect(),
        sentences: compared.sentences.iter().take(SENTENCES_SHOWN).cloned().collect(),
        more: compared.sentences.len().saturating_sub(SENTENCES_SHOWN),
        from,
        to,
    }
}
