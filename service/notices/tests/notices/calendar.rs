//! The calendar part against RFC 5545 and RFC 5546. The outside check reads the same parts with
//! another library.

use hotspell_domain::Language;
use hotspell_notices::calendar::{CalendarEvent, Invitation, Method, Party, feed};
use hotspell_notices::compose::{reminder, slot_changed};

use crate::samples;

fn invitation() -> Invitation {
    Invitation {
        method: Method::Request,
        event: CalendarEvent {
            uid: "visit-41@palobrea.example.com".into(),
            sequence: 0,
            stamp: samples::at("2026-02-24T16:05:00Z"),
            starts: samples::at("2026-03-10T15:00:00Z"),
            ends: samples::at("2026-03-10T17:00:00Z"),
            summary: "Tune-up".into(),
            description: "One; two, three\\four\nfive".into(),
            location: "1842 E Saguaro Bend".into(),
        },
        organizer: Party { name: "Palo Brea".into(), email: "office@palobrea.example.com".into() },
        attendee: Party { name: "Müller, Ann".into(), email: "ann@homes.example.com".into() },
    }
}

fn unfolded(ics: &str) -> String {
    ics.replace("\r\n ", "")
}

fn line<'a>(ics: &'a str, name: &str) -> &'a str {
    ics.split("\r\n").find(|line| line.starts_with(name)).unwrap_or("missing")
}

#[test]
fn lines_end_with_crlf_and_have_at_most_75_octets() {
    // RFC 5545, section 3.1.
    let mut long = invitation();
    long.event.description = "ñandú é ü ".repeat(60);
    let ics = long.to_ics();
    assert!(ics.ends_with("END:VCALENDAR\r\n"));
    assert!(!ics.replace("\r\n", "").contains(['\r', '\n']));
    for line in ics.split("\r\n") {
        assert!(line.len() <= 75, "{} octets: {line}", line.len());
    }
    assert!(unfolded(&ics).contains(&"ñandú é ü ".repeat(60)));
}

#[test]
fn text_is_escaped() {
    // RFC 5545, section 3.3.11.
    let ics = unfolded(&invitation().to_ics());
    assert_eq!(line(&ics, "DESCRIPTION"), r"DESCRIPTION:One\; two\, three\\four\nfive");
}

#[test]
fn a_name_with_a_comma_is_quoted_and_one_with_a_quote_or_line_break_breaks_nothing() {
    // RFC 5545, section 3.2.
    let ics = unfolded(&invitation().to_ics());
    assert!(line(&ics, "ATTENDEE").contains("CN=\"Müller, Ann\""), "{ics}");

    let mut nasty = invitation();
    nasty.attendee.name = "Ann \"Annie\"\r\nMETHOD:CANCEL".into();
    let ics = unfolded(&nasty.to_ics());
    assert_eq!(ics.matches("\r\nMETHOD:").count(), 1);
    assert_eq!(line(&ics, "METHOD"), "METHOD:REQUEST");
}

#[test]
fn an_update_keeps_the_uid_and_raises_the_sequence_and_so_does_a_cancellation() {
    // RFC 5546, sections 2.1.4, 3.2.2 and 3.2.5.
    let language = Language::English;
    let first = reminder(&samples::upcoming(language)).unwrap().calendar.unwrap();
    let moved = slot_changed(&samples::moved(language)).unwrap().calendar.unwrap();
    let cancelled = slot_changed(&samples::cancelled(language)).unwrap().calendar.unwrap();
    let facts = |ics: &str| {
        let ics = unfolded(ics);
        ["UID", "METHOD", "SEQUENCE", "STATUS", "DTSTART"].map(|name| line(&ics, name).to_owned())
    };
    let uid = "UID:visit-41@palobrea.example.com";
    assert_eq!(
        facts(&first),
        [uid, "METHOD:REQUEST", "SEQUENCE:0", "STATUS:CONFIRMED", "DTSTART:20260310T150000Z"]
    );
    assert_eq!(
        facts(&moved),
        [uid, "METHOD:REQUEST", "SEQUENCE:1", "STATUS:CONFIRMED", "DTSTART:20260312T180000Z"]
    );
    assert_eq!(
        facts(&cancelled),
        [uid, "METHOD:CANCEL", "SEQUENCE:2", "STATUS:CANCELLED", "DTSTART:20260310T150000Z"]
    );
}

#[test]
fn a_window_is_the_same_wall_clock_time_on_both_sides_of_a_clock_change() {
    // Chicago changes on 2026-03-08: IANA time zone database.
    let mut values = samples::upcoming(Language::English);
    values.branch.zone = chrono_tz::America::Chicago;
    values.window.day = samples::day("2026-03-07");
    let before = reminder(&values).unwrap().calendar.unwrap();
    values.window.day = samples::day("2026-03-09");
    let after = reminder(&values).unwrap().calendar.unwrap();
    assert_eq!(line(&before, "DTSTART"), "DTSTART:20260307T140000Z");
    assert_eq!(line(&after, "DTSTART"), "DTSTART:20260309T130000Z");
}

#[test]
fn the_stamp_is_the_moment_of_composing() {
    assert_eq!(line(&invitation().to_ics(), "DTSTAMP"), "DTSTAMP:20260224T160500Z");
}

#[test]
fn a_feed_lists_every_stop_and_an_empty_one_is_still_a_calendar() {
    let stop = |number: u32| CalendarEvent {
        uid: format!("visit-{number}@palobrea.example.com"),
        sequence: number,
        stamp: samples::at("2026-03-09T22:00:00Z"),
        starts: samples::at("2026-03-10T15:05:00Z"),
        ends: samples::at("2026-03-10T16:25:00Z"),
        summary: "Tune-up, Ann; and Bo".into(),
        description: String::new(),
        location: "1842 E Saguaro Bend, Phoenix".into(),
    };
    let ics = unfolded(&feed("Marisol", &[stop(1), stop(2)]));
    assert_eq!(line(&ics, "METHOD"), "missing");
    assert_eq!(ics.matches("BEGIN:VEVENT").count(), 2);
    assert_eq!(line(&ics, "SUMMARY"), r"SUMMARY:Tune-up\, Ann\; and Bo");
    assert!(feed("Marisol", &[]).ends_with("END:VCALENDAR\r\n"));
}
