//! Deliveries against a receiver that fails on command, a webhook and a folder.

use std::time::Duration;

use chrono::{DateTime, Utc};
use hotspell_domain::{Language, NoticeKind};
use hotspell_notices::channel::{
    Channel, Credentials, DeliveryOutcome, Encryption, FolderChannel, SmtpChannel, SmtpSettings,
    SmtpSettingsError, WebhookChannel, WebhookSettingsError, webhook_signature,
};
use hotspell_notices::compose::reminder;
use hotspell_notices::message::OutgoingNotice;
use hotspell_notices::receiver::{Fault, Protection, TestReceiver};
use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};
use tokio::net::TcpListener;

use crate::samples;

fn now() -> DateTime<Utc> {
    samples::at("2026-02-24T16:06:00Z")
}

fn notice(id: i64) -> OutgoingNotice {
    let composed = reminder(&samples::upcoming(Language::English)).unwrap();
    samples::outgoing(id, NoticeKind::Reminder, composed, "Ann Okafor-Müller")
}

fn plain_settings(port: u16) -> SmtpSettings {
    SmtpSettings {
        port,
        encryption: Encryption::None,
        hello_name: Some("sender.test".into()),
        ready_within: Duration::from_millis(1500),
        answer_within: Duration::from_millis(1500),
        ..SmtpSettings::new("127.0.0.1")
    }
}

fn smtp_to(receiver: &TestReceiver) -> SmtpChannel {
    SmtpChannel::new(plain_settings(receiver.address().port()), None).unwrap()
}

#[derive(Debug, PartialEq, Eq)]
enum Ending {
    Delivered,
    Refused,
    TryAgain,
    Unknown,
}

fn ending(outcome: &DeliveryOutcome) -> Ending {
    match outcome {
        DeliveryOutcome::Delivered { .. } => Ending::Delivered,
        DeliveryOutcome::Refused { .. } => Ending::Refused,
        DeliveryOutcome::TryAgain { .. } => Ending::TryAgain,
        DeliveryOutcome::Unknown { .. } => Ending::Unknown,
    }
}

#[tokio::test]
async fn a_delivered_mail_arrives_whole() {
    let receiver = TestReceiver::start().await.unwrap();
    let outcome = smtp_to(&receiver).deliver(&notice(1), now()).await;
    assert_eq!(outcome, DeliveryOutcome::Delivered { answer: "2.0.0 taken".into() });
    let received = receiver.received();
    assert_eq!(received.len(), 1);
    assert_eq!(received[0].from, "bounces@palobrea.example.com");
    assert_eq!(received[0].to, ["household@homes.example.com"]);
    let sent = hotspell_notices::message::build(&notice(1), None).unwrap().formatted();
    let trimmed = |bytes: &[u8]| String::from_utf8(bytes.to_vec()).unwrap().trim_end().to_owned();
    assert_eq!(trimmed(&received[0].data), trimmed(&sent));
}

#[tokio::test]
async fn each_fault_of_the_receiver_has_its_outcome() {
    for (fault, expected, kept) in [
        (Fault::BusyAtMail, Ending::TryAgain, 0),
        (Fault::BusyAtRecipient, Ending::TryAgain, 0),
        (Fault::RefuseRecipient, Ending::Refused, 0),
        (Fault::RefuseMessage, Ending::Refused, 0),
        (Fault::BusyAfterMessage, Ending::TryAgain, 0),
        (Fault::DropBeforeMessage, Ending::TryAgain, 0),
        (Fault::DropDuringMessage, Ending::Unknown, 0),
        (Fault::LoseAnswer, Ending::Unknown, 1),
        (Fault::HangAfterMessage, Ending::Unknown, 1),
        (Fault::HangAtGreeting, Ending::TryAgain, 0),
    ] {
        let receiver = TestReceiver::start().await.unwrap();
        receiver.plan([fault]);
        let outcome = smtp_to(&receiver).deliver(&notice(1), now()).await;
        assert_eq!(ending(&outcome), expected, "{fault:?}: {outcome:?}");
        assert_eq!(receiver.received().len(), kept, "{fault:?}");
    }
}

#[tokio::test]
async fn a_duplicate_after_a_lost_answer_has_the_same_message_id() {
    let receiver = TestReceiver::start().await.unwrap();
    receiver.plan([Fault::LoseAnswer]);
    let channel = smtp_to(&receiver);
    assert_eq!(ending(&channel.deliver(&notice(7), now()).await), Ending::Unknown);
    assert_eq!(ending(&channel.deliver(&notice(7), now()).await), Ending::Delivered);
    let received = receiver.received();
    assert_eq!(received.len(), 2);
    assert_eq!(received[0], received[1]);
    assert!(received[0].header("Message-ID").unwrap().starts_with("<notice-7."));
}

#[tokio::test]
async fn a_poisoned_recipient_does_not_hold_up_the_next_message() {
    let receiver = TestReceiver::start().await.unwrap();
    receiver.always_for("household@homes.example.com", Fault::RefuseRecipient);
    let channel = smtp_to(&receiver);
    assert_eq!(ending(&channel.deliver(&notice(1), now()).await), Ending::Refused);
    let mut other = notice(2);
    other.recipient.email = Some("neighbor@homes.example.com".into());
    assert_eq!(ending(&channel.deliver(&other, now()).await), Ending::Delivered);
}

#[tokio::test]
async fn a_relay_that_is_down_is_tried_again_and_an_impossible_notice_is_refused() {
    let receiver = TestReceiver::start().await.unwrap();
    let channel = smtp_to(&receiver);
    drop(receiver);
    tokio::time::sleep(Duration::from_millis(20)).await;
    assert_eq!(ending(&channel.deliver(&notice(1), now()).await), Ending::TryAgain);

    let mut impossible = notice(2);
    impossible.recipient.email = None;
    let outcome = channel.deliver(&impossible, now()).await;
    let reason = "there is no mail address for Ann Okafor-Müller";
    assert_eq!(outcome, DeliveryOutcome::Refused { reason: reason.into() });
}

async fn protected(protection: Protection) -> TestReceiver {
    TestReceiver::listen(([127, 0, 0, 1], 0).into(), protection).await.unwrap()
}

fn protected_settings(receiver: &TestReceiver, encryption: Encryption) -> SmtpSettings {
    SmtpSettings {
        host: "localhost".into(),
        encryption,
        authority_pem: Some(receiver.certificate_pem().as_bytes().to_vec()),
        ..plain_settings(receiver.address().port())
    }
}

async fn outcome_with(settings: SmtpSettings) -> DeliveryOutcome {
    SmtpChannel::new(settings, None).unwrap().deliver(&notice(1), now()).await
}

#[tokio::test]
async fn mail_goes_over_tls_from_the_first_byte_or_after_starttls() {
    for (protection, encryption) in
        [(Protection::Implicit, Encryption::Implicit), (Protection::StartTls, Encryption::StartTls)]
    {
        let receiver = protected(protection).await;
        let outcome = outcome_with(protected_settings(&receiver, encryption)).await;
        assert_eq!(ending(&outcome), Ending::Delivered, "{protection:?}: {outcome:?}");
        assert_eq!(receiver.received().len(), 1);
    }
}

#[tokio::test]
async fn a_relay_with_an_unknown_certificate_or_another_name_gets_no_mail() {
    let receiver = protected(Protection::Implicit).await;
    let unknown =
        SmtpSettings { authority_pem: None, ..protected_settings(&receiver, Encryption::Implicit) };
    let other_name = SmtpSettings {
        host: "127.0.0.1".into(),
        ..protected_settings(&receiver, Encryption::Implicit)
    };
    for settings in [unknown, other_name] {
        assert_eq!(ending(&outcome_with(settings).await), Ending::TryAgain);
    }
    assert!(receiver.received().is_empty());
}

#[tokio::test]
async fn a_relay_without_starttls_gets_no_mail_when_starttls_is_demanded() {
    let receiver = TestReceiver::start().await.unwrap();
    let settings = protected_settings(&receiver, Encryption::StartTls);
    assert_eq!(ending(&outcome_with(settings).await), Ending::TryAgain);
    assert!(receiver.received().is_empty());
}

#[tokio::test]
async fn a_wrong_password_is_the_relays_trouble_and_gives_no_message_up() {
    let receiver = protected(Protection::Implicit).await;
    receiver.demand("hotspell", "right");
    let with = |password: Option<&str>| SmtpSettings {
        credentials: password
            .map(|password| Credentials { user: "hotspell".into(), password: password.into() }),
        ..protected_settings(&receiver, Encryption::Implicit)
    };
    assert_eq!(ending(&outcome_with(with(Some("wrong"))).await), Ending::TryAgain);
    assert_eq!(ending(&outcome_with(with(None)).await), Ending::TryAgain);
    assert!(receiver.received().is_empty());
    assert_eq!(ending(&outcome_with(with(Some("right"))).await), Ending::Delivered);
}

#[test]
fn a_password_never_travels_in_the_clear() {
    let settings = SmtpSettings {
        host: "relay.example.com".into(),
        credentials: Some(Credentials { user: "u".into(), password: "secret".into() }),
        ..plain_settings(25)
    };
    assert!(!format!("{settings:?}").contains("secret"));
    assert!(matches!(SmtpChannel::new(settings, None), Err(SmtpSettingsError::PasswordInTheClear)));
}

#[tokio::test]
async fn a_folder_keeps_one_file_for_a_notice_however_often_it_is_delivered() {
    let folder = tempfile::tempdir().unwrap();
    let channel = FolderChannel::new(folder.path().join("mail"));
    for _ in 0..2 {
        assert_eq!(ending(&channel.deliver(&notice(3), now()).await), Ending::Delivered);
    }
    let files: Vec<_> = std::fs::read_dir(folder.path().join("mail"))
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .collect();
    assert_eq!(files, ["notice-3.20260224T160500Z@palobrea.example.com.eml"]);
    let written = std::fs::read(channel.path(&notice(3))).unwrap();
    assert_eq!(written, hotspell_notices::message::build(&notice(3), None).unwrap().formatted());
}

#[tokio::test]
async fn a_folder_that_cannot_be_written_is_tried_again() {
    let file = tempfile::NamedTempFile::new().unwrap();
    let channel = FolderChannel::new(file.path());
    assert_eq!(ending(&channel.deliver(&notice(3), now()).await), Ending::TryAgain);
}

/// Answers one HTTP request with a status line and gives back what was asked.
async fn http_once(status: &'static str) -> (String, tokio::task::JoinHandle<String>) {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let url = format!("http://{}/hook", listener.local_addr().unwrap());
    let request = tokio::spawn(async move {
        let (mut stream, _) = listener.accept().await.unwrap();
        let mut request = Vec::new();
        let mut chunk = [0; 16_384];
        loop {
            let size = stream.read(&mut chunk).await.unwrap();
            request.extend_from_slice(&chunk[..size]);
            let text = String::from_utf8_lossy(&request);
            if let Some((head, body)) = text.split_once("\r\n\r\n") {
                let length: usize = head
                    .lines()
                    .find_map(|line| line.strip_prefix("content-length: "))
                    .unwrap()
                    .parse()
                    .unwrap();
                if body.len() >= length {
                    break;
                }
            }
        }
        if status.is_empty() {
            return String::from_utf8(request).unwrap(); // the answer is lost
        }
        let answer = format!("HTTP/1.1 {status}\r\ncontent-length: 0\r\nconnection: close\r\n\r\n");
        stream.write_all(answer.as_bytes()).await.unwrap();
        String::from_utf8(request).unwrap()
    });
    (url, request)
}

fn webhook(url: &str) -> WebhookChannel {
    WebhookChannel::new(url, &[9; 32], Duration::from_secs(2)).unwrap()
}

#[tokio::test]
async fn a_webhook_gets_a_signed_notice_with_its_short_form() {
    let (url, request) = http_once("204 No Content").await;
    assert_eq!(ending(&webhook(&url).deliver(&notice(4), now()).await), Ending::Delivered);
    let request = request.await.unwrap();
    let (head, body) = request.split_once("\r\n\r\n").unwrap();
    let header =
        |name: &str| head.lines().find_map(|line| line.strip_prefix(&format!("{name}: "))).unwrap();
    assert_eq!(header("webhook-id"), "notice-4.20260224T160500Z@palobrea.example.com");
    let timestamp: i64 = header("webhook-timestamp").parse().unwrap();
    assert_eq!(timestamp, now().timestamp());
    let signature = webhook_signature(&[9; 32], header("webhook-id"), timestamp, body.as_bytes());
    assert_eq!(header("webhook-signature"), signature);
    let json: serde_json::Value = serde_json::from_str(body).unwrap();
    assert_eq!(json["kind"], "reminder");
    assert_eq!(json["recipient_phone"], "+16025550117");
    assert_eq!(json["short"], notice(4).content.short);
}

#[tokio::test]
async fn each_answer_of_a_webhook_has_its_outcome() {
    for (status, expected) in [
        ("200 OK", Ending::Delivered),
        ("302 Found", Ending::Refused),
        ("400 Bad Request", Ending::Refused),
        ("410 Gone", Ending::Refused),
        ("429 Too Many Requests", Ending::TryAgain),
        ("503 Service Unavailable", Ending::TryAgain),
        ("", Ending::Unknown),
    ] {
        let (url, _request) = http_once(status).await;
        let outcome = webhook(&url).deliver(&notice(4), now()).await;
        assert_eq!(ending(&outcome), expected, "«{status}»: {outcome:?}");
    }
}

#[tokio::test]
async fn a_webhook_that_is_down_is_tried_again() {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let url = format!("http://{}/", listener.local_addr().unwrap());
    drop(listener);
    assert_eq!(ending(&webhook(&url).deliver(&notice(4), now()).await), Ending::TryAgain);
}

#[test]
fn a_webhook_with_a_short_key_or_no_web_address_is_refused() {
    let within = Duration::from_secs(1);
    let short = WebhookChannel::new("https://x.example", &[1; 8], within);
    assert!(matches!(short, Err(WebhookSettingsError::Key(_))));
    for url in ["file:///etc/passwd", "gateway"] {
        let refused = WebhookChannel::new(url, &[1; 32], within);
        assert!(matches!(refused, Err(WebhookSettingsError::Url(_))), "{url}");
    }
}
