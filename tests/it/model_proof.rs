//! The life model judged by past seasons, and what scoring does with the verdict.

use chrono::{DateTime, Utc};
use hotspell_domain::BranchId;
use hotspell_store::runs::{self, NewRun};
use hotspell_store::words::{RunKind, RunOutcome};
use hotspell_test_support::TestDatabase;
use serde_json::json;

use crate::own_words::Session;
use crate::season_loop::{Season, score};

#[tokio::test]
async fn past_seasons_are_predicted_and_a_refused_fit_leaves_the_last_model_in_force() {
    for kind in TestDatabase::KINDS {
        let season = Season::begin(kind).await;
        let (daemon, office) = season.start().await;
        office.get("/api/v1/backtest").await.problem(404);
        let session = Session::begin(&daemon, &season.office_token).await;
        let page = "/office/proof";
        let empty = session.page(page).await;
        assert!(empty.contains("no backtest yet") && !empty.contains("/api/"), "{empty}");
        score(&office).await;
        session.send(page, page, &[]).await;
        let told = session.page(page).await;
        assert!(told.contains("In 5 past seasons the model expected"), "{told}");

        let proof = office.post("/api/v1/backtests", &json!({})).await.json(201);
        let years: Vec<&str> = proof["seasons"]
            .as_array()
            .unwrap()
            .iter()
            .map(|season| season["label"].as_str().unwrap())
            .collect();
        assert_eq!(years, ["2020", "2021", "2022", "2023", "2024"], "watched since January 2020");
        // The four capacitors that were found failed in July 2021, by the end of that month.
        let of_2021 = &proof["seasons"][1];
        assert_eq!(of_2021["total"]["observed"], 4, "{proof}");
        let months = of_2021["by_date"].as_array().unwrap();
        let by_month: Vec<i64> =
            months.iter().map(|month| month["observed"].as_i64().unwrap()).collect();
        assert_eq!(by_month, [0, 0, 0, 0, 4, 0, 0, 0], "{of_2021}");
        assert_eq!(proof["verdict"], "too-little-data", "four failures prove nothing: {proof}");
        assert_eq!(office.get("/api/v1/backtest").await.json(200), proof);

        // A later verdict that refuses: the same run with another end.
        let store = season.database.store();
        let later: DateTime<Utc> = "2025-02-17T18:00:00Z".parse().unwrap();
        store
            .write(|conn| {
                let branch = BranchId(1);
                let run = runs::latest(conn, branch, RunKind::Backtest)?.unwrap();
                let mut detail = run.detail.unwrap();
                detail["backtest"]["verdict"] =
                    json!({ "verdict": "refuse", "reasons": ["it saw twice what it expected"] });
                let new = NewRun {
                    kind: RunKind::Backtest,
                    engine_version: run.engine_version,
                    input_digest: run.input_digest,
                    inputs: run.inputs,
                };
                let id = runs::start(conn, branch, &new, later)?;
                let done = RunOutcome::Succeeded;
                runs::finish(conn, branch, id, done, Some(&detail), later)
            })
            .unwrap();
        let run = office.post("/api/v1/scoring-runs", &json!({})).await.json(201);
        let said = run["assumptions"].to_string();
        assert!(said.contains("was not fitted anew, the last one stays"), "{run}");
        assert!(said.contains("it saw twice what it expected"), "{run}");
        assert!(daemon.stop().await);
    }
}
