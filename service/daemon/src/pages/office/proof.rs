//! What the life model is worth, by the seasons that have passed.
//!
//! What the reader must decide: do I trust the order of the risk list, and how far? So the page
//! says the verdict in a sentence, then counts failures expected against seen, then shows what
//! looking first at the riskiest parts would have brought.

use actix_web::http::StatusCode;
use actix_web::{HttpRequest, HttpResponse, web};
use askama::Template;
use hotspell_reliability::backtest::{ObservedExpected, SeasonProof, Verdict};
use hotspell_store::branches;

use crate::api::handlers::backtests::prove;
use crate::app::AppError;
use crate::app::proof::{self, Proof};
use crate::pages::charts::gain::gain_svg;
use crate::pages::forms::SessionForm;
use crate::pages::refusal::{PageError, blocking};
use crate::pages::shell::{self, PROOF, Shell, see_other};
use crate::pages::visitor::Office;
use crate::pages::words;
use crate::state::AppState;

#[derive(Template)]
#[template(path = "proof.html")]
struct ProofPage {
    shell: Shell,
    proof: Option<ProofView>,
}

struct ProofView {
    lead: String,
    tone: &'static str,
    verdict: &'static str,
    reasons: Vec<String>,
    as_of: String,
    run: i64,
    seasons: Vec<CountRow>,
    tenths: Vec<CountRow>,
    gain: String,
    curve: String,
    figures: Vec<(&'static str, String)>,
}

struct CountRow {
    name: String,
    parts: usize,
    expected: String,
    seen: usize,
    ratio: String,
    limits: String,
}

/// The page.
pub(super) async fn show(
    state: web::Data<AppState>,
    request: HttpRequest,
    office: Office,
) -> Result<HttpResponse, PageError> {
    let caller = office.0;
    let branch = caller.branch;
    let (name, found) = blocking(move || {
        let name = state.store.read(|conn| branches::find(conn, branch))?.name.clone();
        Ok::<_, AppError>((name, proof::latest(&state, branch)?))
    })
    .await?;
    let shell = Shell::signed_in(&request, &caller, "Is the model right?", &name, Some(PROOF));
    shell::show(StatusCode::OK, &ProofPage { shell, proof: found.as_ref().map(view) })
}

/// Runs the backtest now.
pub(super) async fn run(
    state: web::Data<AppState>,
    office: Office,
    _: SessionForm,
) -> Result<HttpResponse, PageError> {
    prove(&state, office.0, None).await?;
    Ok(see_other(PROOF.path))
}

fn view(proof: &Proof) -> ProofView {
    let pooled = &proof.backtest.pooled;
    let (tone, verdict, reasons) = verdict(&proof.backtest.verdict);
    let mut seasons: Vec<CountRow> = proof
        .backtest
        .seasons
        .iter()
        .map(|season| row(season.label.clone(), &season.total))
        .collect();
    seasons.push(row("all".to_owned(), &pooled.total));
    let names = |index: usize| match index {
        0 => "least risk".to_owned(),
        9 => "most risk".to_owned(),
        other => format!("{}", other + 1),
    };
    let tenths =
        pooled.by_tenth.iter().enumerate().map(|(index, count)| row(names(index), count)).collect();
    ProofView {
        lead: format!(
            "In {} past seasons the model expected {:.0} failures; {} were seen.",
            proof.backtest.seasons.len(),
            pooled.total.expected,
            pooled.total.observed
        ),
        tone,
        verdict,
        reasons,
        as_of: words::full_day(proof.as_of),
        run: proof.run.0,
        seasons,
        tenths,
        gain: gain(pooled),
        curve: gain_svg(&pooled.gain_curve),
        figures: figures(pooled),
    }
}

fn verdict(verdict: &Verdict) -> (&'static str, &'static str, Vec<String>) {
    match verdict {
        Verdict::Release => ("good", "The model passes its test and is in use.", Vec::new()),
        Verdict::Refuse { reasons } => (
            "bad",
            "A new fit does not pass the test; the last good one stays in use.",
            reasons.clone(),
        ),
        Verdict::TooLittleData { failures, needed } => (
            "",
            "There is too little data to say whether the model is right.",
            vec![format!(
                "The seasons saw {failures} failures, {needed} are needed. Until then the risks \
                 rest mostly on the trade's usual life of parts."
            )],
        ),
    }
}

fn row(name: String, count: &ObservedExpected) -> CountRow {
    CountRow {
        name,
        parts: count.parts,
        expected: format!("{:.1}", count.expected),
        seen: count.observed,
        ratio: count.ratio.map_or_else(|| "–".to_owned(), |ratio| format!("{ratio:.2}")),
        limits: count
            .limits
            .map_or_else(|| "–".to_owned(), |[low, high]| format!("{low:.2} to {high:.2}")),
    }
}

fn gain(pooled: &SeasonProof) -> String {
    pooled.gains.map_or_else(
        || "No failure was seen, so no order is better than another.".to_owned(),
        |gains| {
            let calendar = gains.calendar_age.map_or_else(String::new, |share| {
                format!(", the same model on calendar age {:.0} %", 100.0 * share)
            });
            format!(
                "Of all failures, the tenth of the parts that the model calls riskiest held {:.0} \
                 %{calendar}, a tenth drawn at random {:.0} %.",
                100.0 * gains.model,
                100.0 * gains.random
            )
        },
    )
}

fn figures(pooled: &SeasonProof) -> Vec<(&'static str, String)> {
    let number = |value: Option<f64>, digits: usize| {
        value.map_or_else(|| "–".to_owned(), |value| format!("{value:.digits$}"))
    };
    let slope = pooled
        .calibration
        .map_or_else(|| "–".to_owned(), |it| format!("{:.2} ± {:.2}", it.slope, it.slope_error));
    vec![
        ("Brier score of the model", number(pooled.brier, 4)),
        ("Brier score of Kaplan-Meier for each kind of part", number(pooled.brier_kaplan_meier, 4)),
        ("Brier score of the model on calendar age", number(pooled.brier_calendar_age, 4)),
        ("Harrell's C (one half is chance, 1 perfect order)", number(pooled.harrell, 3)),
        ("Uno's C", number(pooled.uno, 3)),
        ("Calibration slope (1 is right)", slope),
    ]
}
