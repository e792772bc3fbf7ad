//! The mail that is made of a notice.

use hotspell_domain::{Language, NoticeId, NoticeKind};
use hotspell_notices::compose::{office_digest, reminder, slot_changed};
use hotspell_notices::message::{MessageError, OutgoingNotice, build, notice_of};

use crate::samples::{self, Sample};

fn outgoing() -> OutgoingNotice {
    let composed = reminder(&samples::upcoming(Language::English)).unwrap();
    samples::outgoing(41, NoticeKind::Reminder, composed, "Ann Okafor-Müller")
}

fn mail(notice: &OutgoingNotice) -> String {
    String::from_utf8(build(notice, None).unwrap().formatted()).unwrap()
}

/// A header, unfolded.
fn header(mail: &str, name: &str) -> Option<String> {
    let head = mail.split("\r\n\r\n").next().unwrap().replace("\r\n ", " ");
    head.split("\r\n").find_map(|line| line.strip_prefix(&format!("{name}: ")).map(str::to_owned))
}

#[test]
fn the_same_notice_is_the_same_bytes_at_each_attempt() {
    assert_eq!(mail(&outgoing()), mail(&outgoing()));
}

#[test]
fn the_message_id_comes_from_the_notice_and_leads_back_to_it() {
    let id = header(&mail(&outgoing()), "Message-ID").unwrap();
    assert_eq!(id, "<notice-41.20260224T160500Z@palobrea.example.com>");
    assert_eq!(notice_of(&id), Some(NoticeId(41)));
    assert_eq!(notice_of("<20260224@other.example>"), None);
    assert_eq!(notice_of("<notice-x.1@other.example>"), None);
}

#[test]
fn household_mail_can_be_stopped_by_one_click() {
    // RFC 2369, section 3.2; RFC 8058, section 3.1.
    let mail = mail(&outgoing());
    assert_eq!(
        header(&mail, "List-Unsubscribe").unwrap(),
        "<https://notices.palobrea.example.com/s/AQQAAAAAAAAAAAAAAAAAAAAHAAAAAgAAAABpsDFw>, \
         <mailto:stop@palobrea.example.com?subject=AQQAAAAAAAAAAAAAAAAAAAAH>"
    );
    assert_eq!(header(&mail, "List-Unsubscribe-Post").unwrap(), "List-Unsubscribe=One-Click");
}

#[test]
fn one_click_is_not_promised_over_plain_http() {
    let mut notice = outgoing();
    notice.stop.as_mut().unwrap().web_url = "http://127.0.0.1:8080/s/x".into();
    let mail = mail(&notice);
    assert!(header(&mail, "List-Unsubscribe").is_some());
    assert_eq!(header(&mail, "List-Unsubscribe-Post"), None);
}

#[test]
fn household_mail_without_a_way_to_stop_it_is_refused() {
    let notice = OutgoingNotice { stop: None, ..outgoing() };
    let error = build(&notice, None).unwrap_err();
    assert!(matches!(error, MessageError::NoStopLink(NoticeKind::Reminder)));
}

#[test]
fn mail_to_the_office_carries_no_stop_header() {
    let composed = office_digest(&samples::digest(Language::English)).unwrap();
    let notice = samples::outgoing(5, NoticeKind::OfficeDigest, composed, "Office");
    assert_eq!(header(&mail(&notice), "List-Unsubscribe"), None);
}

#[test]
fn every_mail_says_that_a_machine_wrote_it_and_where_a_person_answers() {
    // RFC 3834, section 5.
    let mail = mail(&outgoing());
    assert_eq!(header(&mail, "Auto-Submitted").unwrap(), "auto-generated");
    assert!(header(&mail, "Reply-To").unwrap().contains("<office@palobrea.example.com>"));
    assert_eq!(header(&mail, "Date").unwrap(), "Tue, 24 Feb 2026 16:05:00 +0000");
    let message = build(&outgoing(), None).unwrap();
    assert_eq!(message.envelope().from().unwrap().to_string(), "bounces@palobrea.example.com");
}

#[test]
fn the_calendar_part_names_the_method_that_it_holds() {
    // RFC 6047, section 2.4.
    assert!(mail(&outgoing()).contains("text/calendar; charset=utf-8; method=REQUEST"));
    let composed = slot_changed(&samples::cancelled(Language::English)).unwrap();
    let notice = samples::outgoing(6, NoticeKind::SlotChanged, composed, "Ann");
    assert!(mail(&notice).contains("text/calendar; charset=utf-8; method=CANCEL"));
}

#[test]
fn a_line_break_in_a_name_or_subject_makes_no_header() {
    let mut notice = outgoing();
    notice.recipient.name = "Ann\r\nBcc: everybody@example.com".into();
    notice.content.subject = "Hello\r\nBcc: everybody@example.com".into();
    let mail = mail(&notice);
    assert_eq!(header(&mail, "Bcc"), None);
    assert!(!mail.to_lowercase().contains("\r\nbcc:"));
}

#[test]
fn a_stop_link_that_would_break_the_header_is_refused() {
    for url in
        ["https://x.example/a b", "https://x.example/>,<", "ftp://x.example", "https://x\r\nBcc:y"]
    {
        let mut notice = outgoing();
        notice.stop.as_mut().unwrap().web_url = url.into();
        assert!(matches!(build(&notice, None), Err(MessageError::StopLink(_))), "{url}");
    }
}

#[test]
fn a_notice_without_a_mail_address_is_no_mail() {
    let mut notice = outgoing();
    notice.recipient.email = None;
    assert!(matches!(build(&notice, None), Err(MessageError::NoAddress(_))));
    notice.recipient.email = Some("not an address".into());
    assert_eq!(
        build(&notice, None).unwrap_err().to_string(),
        "«not an address» is no mail address"
    );
}

#[test]
fn every_line_of_a_mail_is_ascii_and_at_most_998_octets() {
    // RFC 5322, section 2.1.1; so the mail needs no 8BITMIME.
    for language in Language::ALL {
        for Sample { name, kind, content } in samples::all(*language) {
            let notice = samples::outgoing(1, kind, content, "Lucía");
            let mail = mail(&notice);
            assert!(mail.is_ascii(), "{name}");
            assert!(mail.split("\r\n").all(|line| line.len() <= 998), "{name}");
            assert!(!mail.replace("\r\n", "").contains(['\r', '\n']), "{name}");
        }
    }
}
