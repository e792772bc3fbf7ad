//! Delivery reports in the forms that mail servers send.

use hotspell_domain::NoticeId;
use hotspell_notices::bounce::{Action, BounceError, parse};
use hotspell_notices::message::notice_of;
use proptest::prelude::*;

/// A report in the shape of RFC 3464, appendix E.1 (a failure), with our own names.
const GAVE_UP: &str = "\
From: MAILER-DAEMON@relay.example.com (Mail Delivery System)
To: bounces@palobrea.example.com
Subject: Undelivered Mail Returned to Sender
Auto-Submitted: auto-replied
MIME-Version: 1.0
Content-Type: multipart/report; report-type=delivery-status;
 boundary=\"RAA14128.773615765/relay.example.com\"

--RAA14128.773615765/relay.example.com
Content-Type: text/plain; charset=us-ascii

The original message could not be delivered.

--RAA14128.773615765/relay.example.com
Content-Type: message/delivery-status

Reporting-MTA: dns; relay.example.com
Arrival-Date: Tue, 24 Feb 2026 16:06:01 +0000

Final-Recipient: rfc822; louisl@homes.example.com
Original-Recipient: rfc822;household@homes.example.com
Action: failed
Status: 5.1.1
Remote-MTA: dns; mx.homes.example.com
Diagnostic-Code: smtp; 550 5.1.1 <household@homes.example.com>:
 no such mailbox

--RAA14128.773615765/relay.example.com
Content-Type: message/rfc822

Message-ID: <notice-41.20260224T160500Z@palobrea.example.com>
From: notices@palobrea.example.com
To: household@homes.example.com
Subject: Your cooling tune-up

Hello

--RAA14128.773615765/relay.example.com--
";

fn mail(text: &str) -> Vec<u8> {
    text.replace('\n', "\r\n").into_bytes()
}

#[test]
fn a_report_of_failure_names_address_reason_and_notice() {
    let bounce = parse(&mail(GAVE_UP)).unwrap();
    assert_eq!(bounce.recipients.len(), 1);
    let recipient = &bounce.recipients[0];
    assert_eq!(recipient.address, "household@homes.example.com");
    assert_eq!(recipient.action, Action::Failed);
    assert_eq!(recipient.status.to_string(), "5.1.1");
    assert!(recipient.is_permanent());
    assert_eq!(
        recipient.diagnostic.as_deref(),
        Some("550 5.1.1 <household@homes.example.com>: no such mailbox")
    );
    assert_eq!(bounce.original_message_id.as_deref().and_then(notice_of), Some(NoticeId(41)));
}

#[test]
fn lines_ended_by_lf_alone_are_read_too() {
    assert_eq!(parse(GAVE_UP.as_bytes()), parse(&mail(GAVE_UP)));
}

#[test]
fn returned_headers_are_as_good_as_the_returned_mail() {
    let headers =
        GAVE_UP.replace("Content-Type: message/rfc822", "Content-Type: text/rfc822-headers");
    let bounce = parse(&mail(&headers)).unwrap();
    assert_eq!(bounce.original_message_id.as_deref().and_then(notice_of), Some(NoticeId(41)));
}

#[test]
fn a_server_that_still_tries_or_gave_up_for_a_passing_reason_is_not_permanent() {
    // RFC 3464, section 2.3.3 and appendix E.4 (delayed).
    let delayed = GAVE_UP
        .replace("Action: failed", "Action: delayed")
        .replace("Status: 5.1.1", "Status: 4.0.0");
    let bounce = parse(&mail(&delayed)).unwrap();
    assert_eq!(bounce.recipients[0].action, Action::Delayed);
    assert!(!bounce.recipients[0].is_permanent());

    let expired = GAVE_UP.replace("Status: 5.1.1", "Status: 4.4.7 (delivery time expired)");
    let bounce = parse(&mail(&expired)).unwrap();
    assert_eq!(bounce.recipients[0].action, Action::Failed);
    assert_eq!(bounce.recipients[0].status.to_string(), "4.4.7");
    assert!(!bounce.recipients[0].is_permanent());
}

#[test]
fn a_report_about_two_recipients_names_both() {
    // RFC 3464, appendix E.2, has several per-recipient groups.
    let two = GAVE_UP.replace(
        "Final-Recipient: rfc822; louisl",
        "Final-Recipient: RFC822; second@homes.example.com\nAction: FAILED\nStatus: 5.2.2\n\nFinal-Recipient: rfc822; louisl",
    );
    let bounce = parse(&mail(&two)).unwrap();
    let addresses: Vec<&str> = bounce.recipients.iter().map(|r| r.address.as_str()).collect();
    assert_eq!(addresses, ["second@homes.example.com", "household@homes.example.com"]);
}

#[test]
fn an_answer_by_a_person_is_no_report() {
    let answer = "From: ann@homes.example.com\nSubject: Re: Your tune-up\n\nYes, please.\n";
    assert_eq!(parse(&mail(answer)), Err(BounceError::NotAReport));
}

#[test]
fn a_report_without_recipients_or_with_an_impossible_code_is_refused() {
    let bad_code = GAVE_UP.replace("Status: 5.1.1", "Status: 9.x");
    assert_eq!(parse(&mail(&bad_code)), Err(BounceError::NoRecipient));
    let cut = &GAVE_UP[..GAVE_UP.find("Final-Recipient").unwrap()];
    assert_eq!(parse(&mail(cut)), Err(BounceError::NoRecipient));
}

proptest! {
    #[test]
    fn no_mail_makes_the_reader_panic(cut in 0usize..2000, noise in prop::collection::vec(any::<u8>(), 0..50)) {
        let mut bytes = mail(GAVE_UP);
        let place = cut.min(bytes.len());
        bytes.splice(place..place, noise);
        drop(parse(&bytes));
        bytes.truncate(place);
        drop(parse(&bytes));
    }
}
