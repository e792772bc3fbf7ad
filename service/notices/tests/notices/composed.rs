//! What people read: every kind of notice in every language, from fixed values.

use std::collections::BTreeSet;
use std::path::Path;

use hotspell_domain::{Language, NoticeKind, VisitKind};
use hotspell_notices::compose::{
    Branch, ComposeError, ComposedNotice, DigestList, FollowUp, HeatAhead, HeatOutlook,
    OfficeDigest, OwnLine, OwnLines, VisitReason, day_before, office_digest, reminder, renewal_due,
    second_reminder, slot_changed, technician_delayed, technician_route, visit_report,
};
use hotspell_notices::message::is_for_household;
use hotspell_notices::samples::all;

use crate::samples;

fn every_notice() -> Vec<(String, NoticeKind, ComposedNotice)> {
    Language::ALL
        .iter()
        .flat_map(|language| {
            samples::all(*language).into_iter().map(move |sample| {
                (format!("{}.{language}", sample.name), sample.kind, sample.content)
            })
        })
        .collect()
}

#[test]
fn every_notice_reads_as_it_was_looked_at() {
    for (name, _, notice) in every_notice() {
        let envelope = format!(
            "subject: {}\nshort:   {}\naction:  {}\n\n{}",
            notice.subject,
            notice.short,
            notice.action_url.as_deref().unwrap_or("none"),
            notice.text
        );
        insta::assert_snapshot!(format!("{name}.txt"), envelope);
        insta::assert_snapshot!(format!("{name}.html"), notice.html);
        if let Some(calendar) = notice.calendar {
            insta::assert_snapshot!(format!("{name}.ics"), calendar);
        }
    }
}

#[test]
fn every_kind_composes_in_every_language() {
    for language in Language::ALL {
        let mut kinds: BTreeSet<NoticeKind> =
            samples::all(*language).into_iter().map(|sample| sample.kind).collect();
        assert!(kinds.insert(NoticeKind::Sample), "a sample is one of another kind");
        assert_eq!(kinds.into_iter().collect::<Vec<_>>(), NoticeKind::ALL);
    }
}

#[test]
fn every_language_has_the_same_templates() {
    let templates = Path::new(env!("CARGO_MANIFEST_DIR")).join("templates");
    let files = |language: &Language| -> BTreeSet<String> {
        std::fs::read_dir(templates.join(language.as_str()))
            .unwrap()
            .map(|entry| entry.unwrap().file_name().into_string().unwrap())
            .collect()
    };
    let english = files(&Language::English);
    assert!(english.len() > NoticeKind::ALL.len());
    for language in Language::ALL {
        assert_eq!(files(language), english, "templates/{language}");
    }
}

#[test]
fn spanish_mail_has_no_english_left_in_it() {
    let english: Vec<&str> = vec![
        " the ", " your ", " you ", " and ", " is ", "Monday", "Tuesday", "March", " AM", "mail ",
    ];
    for (name, _, notice) in every_notice().iter().filter(|(name, ..)| name.ends_with(".es")) {
        for word in &english {
            assert!(!notice.text.contains(word), "{name} says «{word}»:\n{}", notice.text);
        }
        // «a. m.» has a full stop of its own.
        assert!(!notice.text.contains("..") && !notice.short.contains(".."), "{name}");
    }
}

#[test]
fn no_household_is_told_to_open_anything() {
    let forbidden = [
        "open the",
        "cabinet",
        "panel",
        "disconnect",
        "screw",
        "remove the",
        "abra ",
        "abrir el",
        "gabinete",
        "desconect",
        "tornillo",
        "destornill",
    ];
    for (name, kind, notice) in every_notice() {
        if is_for_household(kind) {
            let said = notice.text.to_lowercase();
            for words in forbidden {
                assert!(!said.contains(words), "{name} says «{words}»");
            }
        }
    }
}

#[test]
fn the_technician_reads_the_cautions_before_anything_else() {
    for (language, order) in [
        (
            Language::English,
            ["power off", "holds its charge", "manufacturer's", "licensed", "Marisol"],
        ),
        (Language::Spanish, ["corriente", "guarda carga", "fabricante", "licencia", "Marisol"]),
    ] {
        let notice = technician_route(&samples::route(language)).unwrap();
        for said in [&notice.text, &notice.html] {
            let said = &said[said.find("</h1>").unwrap_or(0)..].replace("&#39;", "'");
            let places: Vec<usize> =
                order.iter().map(|words| said.find(words).expect(words)).collect();
            assert!(places.is_sorted(), "{order:?} stand at {places:?}");
        }
    }
}

#[test]
fn every_household_mail_says_who_writes_from_where_why_and_how_to_stop() {
    for (name, kind, notice) in every_notice() {
        assert!(notice.text.contains("480 W Encanto Row, Phoenix, AZ 85003"), "{name}");
        assert!(notice.text.contains("(602) 555-0140"), "{name}");
        if is_for_household(kind) {
            assert!(notice.text.contains("https://notices.palobrea.example.com/s/"), "{name}");
            assert!(notice.html.contains("https://notices.palobrea.example.com/s/"), "{name}");
            assert!(notice.text.contains("1842 E Saguaro Bend"), "{name}");
        }
    }
}

#[test]
fn html_mail_loads_nothing_from_elsewhere() {
    for (name, _, notice) in every_notice() {
        for loader in ["<img", "<script", "<link", "url(", "@import", "<iframe", "src="] {
            assert!(!notice.html.contains(loader), "{name} has {loader}");
        }
        assert!(notice.html.contains("prefers-color-scheme: dark"), "{name}");
    }
}

#[test]
fn the_short_form_fits_two_text_messages_and_has_no_link() {
    for (name, _, notice) in every_notice() {
        assert!((1..=160).contains(&notice.short.chars().count()), "{name}: {}", notice.short);
        assert!(!notice.short.contains("http"), "{name}");
        assert!(!notice.subject.contains('\n') && notice.subject.chars().count() <= 90, "{name}");
        assert!(notice.action_url.is_some(), "{name}");
    }
}

#[test]
fn a_name_stays_a_name_whatever_is_in_it() {
    let mut values = samples::upcoming(Language::English);
    values.household.name =
        "<script>alert(1)</script> [Click](https://evil.example) **x** & \"y\"".into();
    let notice = reminder(&values).unwrap();
    assert!(notice.text.contains(&values.household.name));
    assert!(!notice.html.contains("<script"));
    assert!(!notice.html.contains("href=\"https://evil.example"));
}

#[test]
fn every_visit_and_reason_has_its_own_words() {
    for language in Language::ALL {
        let mut texts = BTreeSet::new();
        for kind in VisitKind::ALL {
            for why in VisitReason::ALL {
                let mut values = samples::upcoming(*language);
                (values.visit_kind, values.why) = (*kind, *why);
                texts.insert(reminder(&values).unwrap().text);
            }
        }
        assert_eq!(texts.len(), VisitKind::ALL.len() * VisitReason::ALL.len());
    }
}

#[test]
fn every_day_and_hour_of_a_year_is_written_in_both_languages() {
    for language in Language::ALL {
        let mut subjects = BTreeSet::new();
        let mut values = samples::upcoming(*language);
        for _ in 0..366 {
            values.window.day = values.window.day.succ_opt().unwrap();
            subjects.insert(reminder(&values).unwrap().subject);
        }
        assert_eq!(subjects.len(), 366, "weekday and day of the month name a day of the year");
    }
}

#[test]
fn one_o_clock_is_singular_in_spanish() {
    let mut values = samples::upcoming(Language::Spanish);
    (values.window.from, values.window.to) = (samples::time("11:00"), samples::time("13:00"));
    let text = reminder(&values).unwrap().text;
    assert!(text.contains("entre las 11:00 a. m. y la 1:00 p. m."), "{text}");
}

#[test]
fn a_household_without_an_address_gets_no_calendar_part() {
    let mut values = samples::upcoming(Language::English);
    values.household.email = None;
    assert_eq!(reminder(&values).unwrap().calendar, None);
}

#[test]
fn a_window_that_ends_before_it_begins_is_refused() {
    let mut values = samples::upcoming(Language::English);
    (values.window.from, values.window.to) = (samples::time("10:00"), samples::time("08:00"));
    let error = reminder(&values).unwrap_err();
    assert!(matches!(error, ComposeError::Window(_)));
    assert_eq!(
        error.to_string(),
        "the window on 2026-03-10 ends at 08:00:00, which is not after its beginning at 10:00:00"
    );
}

#[test]
fn a_quiet_day_in_the_office_says_so() {
    let quiet = OfficeDigest {
        heat: HeatAhead::Unknown,
        reach_by_phone: DigestList::new(vec![]),
        unanswered: DigestList::new(vec![]),
        parts_short: DigestList::new(vec![]),
        next_load: None,
        changes: DigestList::new(vec![]),
        newly_placed: 0,
        last_digest: None,
        ..samples::digest(Language::English)
    };
    let notice = office_digest(&quiet).unwrap();
    assert!(notice.subject.ends_with("nothing waits for you"), "{}", notice.subject);
    let said = "Heat\n----\n\nWhether heat comes is not known: there is no forecast, or too little \
                weather on record to judge it by.\n\nWhat changed in the past day\n----------------------------\n\nNothing.\n\nOpen the season";
    assert!(notice.text.starts_with(said), "{}", notice.text);
}

#[test]
fn a_visit_that_found_nothing_is_reported_in_paragraphs_of_their_own() {
    let mut values = samples::report(Language::English);
    values.technician_note = None;
    values.report_url = None;
    values.follow_up = FollowUp::Nothing;
    for unit in &mut values.units {
        unit.findings.truncate(2);
        unit.findings.retain(|finding| finding.readings.is_empty());
    }
    values.units[1].findings.clear();
    let text = visit_report(&values).unwrap().text;
    assert!(
        text.contains(
            "Upstairs (split air conditioner)\n--------------------------------\n\n- Contactor (the \
             switch that turns the outdoor unit on). Checked. Nothing to report.\n\nDownstairs (heat \
             pump)\n----------------------\n\nWe looked at this unit. There is nothing to \
             report.\n\nThere is nothing that you need to do.\n\nQuestions?"
        ),
        "{text}"
    );
}

#[test]
fn a_stop_of_which_little_is_known_still_reads_well() {
    let mut values = samples::route(Language::English);
    values.load.clear();
    for stop in &mut values.stops {
        (stop.phone, stop.access_notes) = (None, None);
        stop.units.clear();
    }
    let text = technician_route(&values).unwrap().text;
    assert!(text.contains("Nothing beyond the usual stock.\n\n1. 8:05 AM"), "{text}");
    assert!(text.contains("between 8:00 AM and 10:00 AM\n\n2. 10:10 AM"), "{text}");
    assert!(text.contains("between 10:00 AM and 12:00 PM\n\nOpen the route:"), "{text}");
}

#[test]
fn a_digest_has_a_heading_for_heat_and_changes_and_for_each_list_that_is_not_empty() {
    for keep in 0..4 {
        let mut values = samples::digest(Language::English);
        if keep != 0 {
            values.reach_by_phone = DigestList::new(vec![]);
        }
        if keep != 1 {
            values.unanswered = DigestList::new(vec![]);
        }
        if keep != 2 {
            values.parts_short = DigestList::new(vec![]);
        }
        if keep != 3 {
            values.next_load = None;
        }
        let text = office_digest(&values).unwrap().text;
        let underlines =
            text.lines().filter(|line| line.len() > 3 && line.chars().all(|c| c == '-'));
        assert_eq!(underlines.count(), 3, "{text}");
        assert!(text.contains("\n\nOpen the season overview:\n"), "{text}");
        assert!(!text.contains("\n\n\n"), "no gap where a list is missing: {text}");
    }
}

#[test]
fn the_digest_says_what_is_known_of_the_heat() {
    let said = |heat: HeatAhead| {
        let values = OfficeDigest { heat, ..samples::digest(Language::English) };
        office_digest(&values).unwrap().text.split("\n\n").nth(1).unwrap().to_owned()
    };
    let none = HeatAhead::None { until: samples::day("2026-03-16") };
    assert_eq!(said(none), "No hot spell is in the forecast, which reaches to Monday, March 16.");
    let spell = samples::spell();
    let last_day = HeatOutlook { goes_on: true, days: 1, visits_still_open: 0, ..spell.clone() };
    assert_eq!(
        said(HeatAhead::Spell(last_day)),
        "The hot spell goes on: one more hot day. The highest forecast is 99 °F. Every visit \
         whose window opens by then has its day before it."
    );
    let open = HeatOutlook { open_end: true, visits_still_open: 1, ..spell };
    assert_eq!(
        said(HeatAhead::Spell(open)),
        "A hot spell begins on Saturday, March 14: 4 hot days in a row or more, as far as the \
         forecast reaches. The highest forecast is 99 °F. One visit whose window opens by then has no \
         day before it."
    );
}

#[test]
fn a_branch_without_a_telephone_is_written_to_and_leaves_no_gap_where_the_number_would_be() {
    for language in Language::ALL {
        let mut upcoming = samples::upcoming(*language);
        let mut moved = samples::moved(*language);
        let mut delayed = samples::delayed(*language);
        let mut report = samples::report(*language);
        report.follow_up = FollowUp::CallOffice;
        let mut renewal = samples::renewal(*language);
        for branch in [
            &mut upcoming.branch,
            &mut moved.branch,
            &mut delayed.branch,
            &mut report.branch,
            &mut renewal.branch,
        ] {
            branch.phone = None;
        }
        for composed in [
            reminder(&upcoming),
            second_reminder(&upcoming),
            day_before(&upcoming),
            slot_changed(&moved),
            technician_delayed(&delayed),
            visit_report(&report),
            renewal_due(&renewal),
        ] {
            let text = composed.unwrap().text;
            assert!(!text.contains("555-"), "{text}");
            let prose = text.lines().filter(|line| !line.starts_with(' '));
            for line in prose {
                assert!(!line.contains("  ") && !line.ends_with('·'), "{line:?} in {text}");
                assert!(!line.contains(" at ,") && !line.contains(" al ,"), "{line:?} in {text}");
            }
        }
    }
}

fn own(text: &str) -> Option<OwnLine> {
    Some(text.parse().unwrap())
}

#[test]
fn a_branchs_own_lines_stand_after_the_greeting_and_before_the_foot_of_every_mail_to_a_household() {
    for language in Language::ALL {
        let plain = samples::all(*language);
        let branch = Branch {
            own_lines: OwnLines {
                opening: own("Thirty years in {branch}: <b>welcome</b>, {name} *&*."),
                closing: own("See you at {address}!"),
            },
            ..samples::branch()
        };
        let person = samples::household(*language);
        for (with, without) in all(&branch, *language).unwrap().iter().zip(&plain) {
            if !is_for_household(with.kind) {
                assert_eq!(with, without, "staff read no lines for households");
                continue;
            }
            let (name, text) = (with.name, &with.content.text);
            let opening =
                format!("Thirty years in {}: <b>welcome</b>, {} *&*.", branch.name, person.name);
            let closing = format!("See you at {}!", person.site_address);
            let mut paragraphs = text.split("\n\n");
            assert!(
                paragraphs.next().unwrap().contains(&person.name),
                "{name}: the greeting: {text}"
            );
            assert_eq!(paragraphs.next(), Some(opening.as_str()), "{name}");
            assert!(text.contains(&format!("\n\n{closing}\n\n---\n\n")), "{name}: {text}");
            let rest =
                text.replace(&format!("{opening}\n\n"), "").replace(&format!("{closing}\n\n"), "");
            assert_eq!(rest, without.content.text, "{name}: nothing else changed");
            let html = &with.content.html;
            assert!(!html.contains("<b>") && html.contains("&#60;b&#62;welcome"), "{name}: {html}");
            assert_eq!(with.content.subject, without.content.subject);
            assert_eq!(with.content.calendar, without.content.calendar);
        }
    }
}

#[test]
fn a_name_with_a_line_break_breaks_no_own_line() {
    let mut values = samples::upcoming(Language::English);
    values.household.name = "Ann\nBcc: all".to_owned();
    values.branch.own_lines.closing = own("Until then, {name}.");
    let text = reminder(&values).unwrap().text;
    assert!(text.contains("\n\nUntil then, Ann Bcc: all.\n\n"), "{text}");
}
