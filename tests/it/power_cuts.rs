//! The power goes at every step of handing a mail over: nothing is lost, and what comes twice comes under
//! its own Message-ID.

use std::collections::BTreeMap;

use harness::eventually;
use hotspell_notices::receiver::{Fault, Received};
use hotspell_test_support::TestDatabase;
use reqwest::Method;
use serde_json::json;

use crate::season_loop::{Season, plan_and_adopt, score};

/// Each step of a conversation by SMTP (RFC 5321, 3.1 to 3.3), and how many messages the receiver has by
/// then.
const STEPS: [(Fault, usize); 6] = [
    (Fault::HangAtGreeting, 0),
    (Fault::HangAtMail, 0),
    (Fault::HangAtRecipient, 0),
    (Fault::HangBeforeMessage, 0),
    (Fault::HangDuringMessage, 0),
    (Fault::HangAfterMessage, 1),
];
const DELIVERY: &str = "/api/v1/notices/delivery";

#[tokio::test]
async fn wherever_in_a_delivery_the_power_goes_each_mail_arrives_and_only_the_unanswered_one_twice()
{
    for kind in TestDatabase::KINDS {
        let mut season = Season::begin(kind).await;
        let (mut daemon, mut office) = season.start().await;
        score(&office).await;
        plan_and_adopt(&office).await;
        office.post("/api/v1/notices/composition", &json!({})).await.json(200);
        let expected = office.all("/api/v1/notices?limit=500").await.len();
        assert!(expected > STEPS.len(), "{kind:?}: {expected}");
        for (number, (step, kept)) in (1..).zip(STEPS) {
            season.receiver.plan([step]);
            let before = season.receiver.received().len();
            let one = office.request(Method::POST, DELIVERY).json(&json!({ "limit": 1 }));
            let under_way = tokio::spawn(async move { one.send().await.is_ok() });
            eventually("the step is reached", async || {
                (season.receiver.hanging() >= number).then_some(())
            })
            .await;
            daemon.kill().await;
            assert!(!under_way.await.unwrap(), "{kind:?} {step:?}: nobody answered");
            assert_eq!(season.receiver.received().len() - before, kept, "{kind:?} {step:?}");
            // Ten minutes later the dead process's claim has run out.
            let minutes = 10 * number;
            season.at(&format!("2025-02-17 {:02}:{:02}:00", 17 + minutes / 60, minutes % 60));
            (daemon, office) = season.start().await;
        }
        eventually("every notice is delivered", async || {
            office.post(DELIVERY, &json!({ "limit": 1000 })).await.json(200);
            let notices = office.all("/api/v1/notices?limit=500").await;
            notices.iter().all(|notice| notice["state"] == "delivered").then_some(())
        })
        .await;
        let mut by_id: BTreeMap<String, Vec<Received>> = BTreeMap::new();
        for mail in season.receiver.received() {
            by_id.entry(mail.header("Message-ID").unwrap()).or_default().push(mail);
        }
        assert_eq!(by_id.len(), expected, "{kind:?}: none is lost, none has two names");
        let twice: Vec<&Vec<Received>> = by_id.values().filter(|it| it.len() > 1).collect();
        assert_eq!(twice.len(), 1, "{kind:?}: {twice:?}");
        assert_eq!(twice[0].len(), 2, "{kind:?}");
        assert_eq!(twice[0][0].to, twice[0][1].to, "{kind:?}");
        assert!(daemon.stop().await);
    }
}
