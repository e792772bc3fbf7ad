//! No more mails in a minute than the mail provider takes.

use harness::eventually;
use hotspell_test_support::TestDatabase;
use serde_json::json;

use crate::season_loop::{Season, plan_and_adopt, score};

const DELIVERY: &str = "/api/v1/notices/delivery";
const PER_MINUTE: usize = 5;

#[tokio::test]
async fn a_long_outbox_leaves_at_the_pace_of_the_settings_however_often_somebody_asks() {
    for kind in TestDatabase::KINDS {
        let mut season = Season::begin(kind).await;
        season.set("mail.per_minute", &PER_MINUTE.to_string());
        let (daemon, office) = season.start().await;
        score(&office).await;
        plan_and_adopt(&office).await;
        office.post("/api/v1/notices/composition", &json!({})).await.json(200);
        let expected = office.all("/api/v1/notices?limit=500").await.len();
        assert!(expected > 2 * PER_MINUTE, "{kind:?}: {expected}");
        let first = office.post(DELIVERY, &json!({ "limit": 1000 })).await.json(200);
        assert_eq!(first["delivered"], PER_MINUTE, "{kind:?}");
        let again = office.post(DELIVERY, &json!({ "limit": 1000 })).await.json(200);
        assert_eq!(again["delivered"], 0, "{kind:?}: within the same minute");
        assert_eq!(season.receiver.received().len(), PER_MINUTE, "{kind:?}");
        assert!(daemon.stop().await);
        // From now on the job delivers.
        let minutes = expected.div_ceil(PER_MINUTE) - 1;
        season.set("jobs.enabled", "true");
        for minute in 1..=minutes {
            // Long enough after what was begun in the last one.
            season.at(&format!("2025-02-17 17:{:02}:01", 2 * minute));
            let (daemon, office) = season.start().await;
            let due = expected.min((minute + 1) * PER_MINUTE);
            eventually("the share of the minute has left", async || {
                let left = office.all("/api/v1/notices?state=delivered&limit=500").await.len();
                assert!(left <= due, "{kind:?}: {left} in share {minute}");
                (left == due).then_some(())
            })
            .await;
            assert!(daemon.stop().await);
        }
        assert_eq!(season.receiver.received().len(), expected, "{kind:?}");
    }
}
