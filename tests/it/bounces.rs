//! A notice that comes back: the mail server pipes the report in, and the office is told whom to call.

use hotspell_notices::receiver::Fault;
use hotspell_test_support::TestDatabase;
use serde_json::{Value, json};

use crate::season_loop::{Season, plan_and_adopt, score, text_of};

/// A report in the form of RFC 3464, with the headers of the mail that it is about.
fn report(message_id: &str, address: &str, action: &str, status: &str) -> String {
    [
        "From: MAILER-DAEMON@mx.example.com",
        "To: hotspell@example.com",
        "Subject: Undelivered",
        "MIME-Version: 1.0",
        "Content-Type: multipart/report; report-type=delivery-status; boundary=\"b\"",
        "",
        "--b",
        "Content-Type: text/plain",
        "",
        "It did not work.",
        "--b",
        "Content-Type: message/delivery-status",
        "",
        "Reporting-MTA: dns; mx.example.com",
        "",
        &format!("Final-Recipient: rfc822; {address}"),
        &format!("Action: {action}"),
        &format!("Status: {status}"),
        "Diagnostic-Code: smtp; 550 no such mailbox",
        "",
        "--b",
        "Content-Type: text/rfc822-headers",
        "",
        &format!("Message-ID: {message_id}"),
        "Subject: A visit",
        "",
        "--b--",
        "",
    ]
    .join("\r\n")
}

#[tokio::test]
async fn a_report_that_is_piped_in_marks_whom_the_office_must_call_and_anything_else_is_refused() {
    for kind in TestDatabase::KINDS {
        let mut season = Season::begin(kind).await;
        let (daemon, office) = season.start().await;
        score(&office).await;
        plan_and_adopt(&office).await;
        office.post("/api/v1/notices/composition", &json!({})).await.json(200);
        office.post("/api/v1/notices/delivery", &json!({ "limit": 1000 })).await.json(200);
        let all = season.receiver.received();
        let mail = all.iter().find(|mail| mail.to[0].starts_with("home-")).unwrap();
        let (address, id) = (mail.to[0].clone(), mail.header("Message-ID").unwrap());
        let person = async || -> Value {
            let all = office.all("/api/v1/contacts?limit=500").await;
            all.into_iter().find(|contact| contact["email"] == address).unwrap()
        };
        let before = person().await;
        let notices = format!("/api/v1/notices?kind=reminder&contact_id={}", before["id"]);
        let notice = office.all(&notices).await.remove(0);
        assert_eq!(id, format!("<{}>", notice["message_id"].as_str().unwrap()), "as in the mail");

        for (wrong, why) in [
            ("not a mail".to_owned(), "no delivery report"),
            (report("<other@example.com>", &address, "failed", "5.1.1"), "Message-ID of a notice"),
        ] {
            let refused = season.pipe(&["bounce"], wrong.as_bytes()).await;
            assert_eq!(refused.status, Some(2), "{}", refused.stderr);
            assert!(refused.stderr.contains(why), "{}", refused.stderr);
        }
        let late = report(&id, &address, "delayed", "4.4.1");
        let said = season.pipe(&["bounce"], late.as_bytes()).await.success();
        assert!(said.contains("nothing changes"), "{said}");
        let others = report(&id, "somebody@example.com", "failed", "5.1.1");
        let said = season.pipe(&["bounce"], others.as_bytes()).await.success();
        assert!(said.contains("did not go to this address"), "{said}");
        assert_eq!(person().await, before, "{kind:?}: nothing of it changed anybody");

        let gone = report(&id, &address.to_uppercase(), "failed", "5.1.1");
        let said = season.pipe(&["bounce"], gone.as_bytes()).await.success();
        assert!(said.contains("reached by telephone now"), "{said}");
        let after = person().await;
        assert_eq!(after["reachable_by_mail"], false, "{after}");
        assert_eq!(
            after["unreachable_reason"], "mail came back, 5.1.1: 550 no such mailbox",
            "{after}"
        );
        let said = season.pipe(&["bounce"], gone.as_bytes()).await.success();
        assert!(said.contains("was known"), "{said}");
        assert_eq!(person().await, after, "the same report twice counts once");
        let audit = format!("/api/v1/audit?subject_kind=contact&subject_id={}", after["id"]);
        let entries = office.all(&audit).await;
        assert_eq!(entries.last().unwrap()["action"], "mail came back", "{entries:?}");

        // The next morning the office reads it.
        assert!(daemon.stop().await);
        season.at("2025-02-18 17:00:00");
        let (daemon, office) = season.start().await;
        office.post("/api/v1/notices/composition", &json!({})).await.json(200);
        office.post("/api/v1/notices/delivery", &json!({ "limit": 1000 })).await.json(200);
        let digest = season.mail_to("office@example.com").pop().unwrap();
        let home = office.get(&format!("/api/v1/sites/{}", after["site_id"])).await.json(200);
        let name = home["name"].as_str().unwrap();
        let row = format!("- {name}, no telephone on record: our mail does not arrive (tune-up on");
        assert!(text_of(&digest).contains(&row), "{row}: {}", text_of(&digest));
        assert!(daemon.stop().await);
    }
}

#[tokio::test]
async fn an_address_that_the_server_refuses_leaves_in_the_audit_which_notice_showed_it() {
    for kind in TestDatabase::KINDS {
        let season = Season::begin(kind).await;
        let (daemon, office) = season.start().await;
        score(&office).await;
        plan_and_adopt(&office).await;
        office.post("/api/v1/notices/composition", &json!({})).await.json(200);
        // One of the three may be the digest, which goes to nobody of a home.
        season.receiver.plan([
            Fault::RefuseRecipient,
            Fault::RefuseRecipient,
            Fault::RefuseRecipient,
        ]);
        office.post("/api/v1/notices/delivery", &json!({ "limit": 1000 })).await.json(200);
        let mut refused = office.all("/api/v1/notices?state=refused&limit=500").await;
        refused.retain(|notice| notice["contact_id"].is_i64());
        assert!(refused.len() >= 2, "{kind:?}: {refused:?}");
        for notice in refused {
            let person = notice["contact_id"].as_i64().unwrap();
            let contact = office.get(&format!("/api/v1/contacts/{person}")).await.json(200);
            assert_eq!(contact["reachable_by_mail"], false, "{contact}");
            let audit = format!("/api/v1/audit?subject_kind=contact&subject_id={person}");
            let entry = office.all(&audit).await.pop().unwrap();
            assert_eq!(entry["action"], "mail not delivered", "{entry}");
            let after =
                json!({ "notice_id": notice["id"], "reason": contact["unreachable_reason"] });
            assert_eq!(entry["after"], after, "{entry}");
            assert_eq!(entry["account_id"], Value::Null, "no account did it: {entry}");
        }
        assert!(daemon.stop().await);
    }
}
