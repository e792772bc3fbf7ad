//! The loop's rows: runs, scores, visits, plans, routes, notices, answers, accounts.

use chrono::TimeDelta;
use hotspell_domain::{
    ComponentClass, DateRange, Language, NoticeKind, Role, VisitKind, VisitState,
};
use hotspell_store::accounts::{AccountFields, NewToken};
use hotspell_store::answers::{AnswerFilter, NewAnswer};
use hotspell_store::audit::{AuditFilter, NewAudit};
use hotspell_store::idempotency::{Repeated, StoredAnswer};
use hotspell_store::notices::{Attempt, Claim, NewNotice};
use hotspell_store::plans::{NewPlanStop, NewUnplaced, PlanFields, PlanStopFilter};
use hotspell_store::routes::{LoadLine, NewLoadList, Stop};
use hotspell_store::runs::NewRun;
use hotspell_store::scores::NewScore;
use hotspell_store::visits::{NewVisitResult, VisitChange, VisitEventFilter, VisitFilter};
use hotspell_store::words::{
    AnswerKind, Channel, NoticeState, PlanState, RunKind, RunOutcome, TokenScope,
};
use hotspell_store::{
    Page, Store, StoreError, accounts, agreements, answers, audit, idempotency, notices, plans,
    routes, runs, scores, visits,
};
use serde_json::json;

use crate::fixture::{Fixture, OFFICE, day, fixture, now, on_both, visit_fields};

type Outcome = Result<(), StoreError>;

fn run(store: &Store, f: &Fixture, kind: RunKind) -> hotspell_domain::RunId {
    let new = NewRun {
        kind,
        engine_version: "0.1.0".to_owned(),
        inputs: json!({"season": 2026}),
        input_digest: "00ff".to_owned(),
    };
    store.write(|c| runs::start(c, f.branch, &new, now())).unwrap()
}

fn placed(f: &Fixture, date: &str) -> VisitChange {
    VisitChange {
        state: VisitState::Placed,
        place: Some((day(date), f.technician)),
        slot: Some(("09:00:00".parse().unwrap(), "11:00:00".parse().unwrap())),
    }
}

/// A reminder of the fixture's visit.
fn notice(f: &Fixture) -> NewNotice {
    NewNotice {
        event_key: "visit-1/reminder".to_owned(),
        kind: NoticeKind::Reminder,
        channel: Channel::Mail,
        recipient: "ada@example.com".to_owned(),
        contact_id: Some(f.contact),
        technician_id: None,
        visit_id: Some(f.visit),
        language: Language::Spanish,
        subject: "Su visita de primavera".to_owned(),
        body_text: "texto".to_owned(),
        body_html: Some("<p>texto</p>".to_owned()),
        calendar: Some("BEGIN:VCALENDAR\r\nEND:VCALENDAR\r\n".to_owned()),
        calendar_sequence: Some(3),
        headers: json!({"Auto-Submitted": "auto-generated"}),
        message_id: "<1@example.com>".to_owned(),
    }
}

on_both! {
    fn a_run_ends_once_and_its_scores_stay(store: &Store) {
        let f = fixture(store);
        let id = run(store, &f, RunKind::Scoring);
        assert!(store.read(|c| runs::latest(c, f.branch, RunKind::Scoring)).unwrap().is_none());
        let score = NewScore {
            run_id: id,
            component_id: f.component.id,
            as_of: day("2026-03-02"),
            horizon: json!([{"day": "2026-06-30", "probability": 0.08}]),
            p_season: 0.21,
            p_season_low: 0.12,
            p_season_high: 0.35,
            heat_age: 4321.5,
            expected_heat_left: 987.25,
            reasons: json!(["twelve summers old"]),
        };
        store.write(|c| scores::insert_many(c, f.branch, std::slice::from_ref(&score))).unwrap();
        store.write(|c| scores::insert_model(c, f.branch, id, &json!({"shape": 3.1}), now())).unwrap();
        let end = |outcome| store.write(|c| runs::finish(c, f.branch, id, outcome, Some(&json!({"scored": 1})), now()));
        end(RunOutcome::Succeeded).unwrap();
        assert!(matches!(end(RunOutcome::Failed), Err(StoreError::Conflict { .. })));
        store.read(|c| -> Outcome {
            assert_eq!(runs::latest(c, f.branch, RunKind::Scoring)?.unwrap().id, id);
            let top = scores::top(c, f.branch, id, 10)?;
            assert_eq!((top.len(), &top[0].row), (1, &score));
            assert_eq!(scores::latest_model(c, f.branch)?.unwrap().model, json!({"shape": 3.1}));
            Ok(())
        }).unwrap();
        let twice = store.write(|c| scores::insert(c, f.branch, score.clone()));
        assert!(matches!(twice, Err(StoreError::Conflict { .. })), "{twice:?}");
    }

    fn a_visit_owed_by_an_agreement_is_stored_once_for_each_window(store: &Store) {
        let f = fixture(store);
        let agreement = store.write(|c| agreements::insert(c, f.branch, &agreements::AgreementFields {
            key: "A1".to_owned(),
            site_id: f.site,
            first_day: day("2024-01-01"),
            last_day: None,
            rules: hotspell_domain::agreement::parse_rules("tune-up@02-01..05-15;tune-up@09-15..11-30").unwrap(),
        }, now())).unwrap();
        assert_eq!(agreement.rules.len(), 2);
        let mut owed = visit_fields(f.site);
        owed.agreement_id = Some(agreement.id);
        let put = || store.write(|c| visits::insert_once(c, f.branch, &owed, OFFICE, now())).unwrap();
        assert!(put().is_some());
        assert!(put().is_none());
        owed.window_first = day("2026-09-15");
        owed.window_last = day("2026-11-30");
        let autumn = store.write(|c| visits::insert_once(c, f.branch, &owed, OFFICE, now())).unwrap();
        assert!(autumn.is_some());
    }

    fn every_change_of_a_visit_keeps_who_when_and_why(store: &Store) {
        let f = fixture(store);
        let change = |version, to| store.write(|c| visits::change(c, f.branch, f.visit, version, to, OFFICE, now()));
        let visit = change(1, placed(&f, "2026-03-17")).unwrap();
        assert_eq!((visit.version, visit.day, visit.technician_id), (2, Some(day("2026-03-17")), Some(f.technician)));
        assert!(matches!(change(1, placed(&f, "2026-03-18")), Err(StoreError::StaleVersion { .. })));
        let announced = VisitChange { state: VisitState::Announced, ..placed(&f, "2026-03-17") };
        let visit = change(2, announced).unwrap();
        let done = change(visit.version, VisitChange { state: VisitState::Done, ..announced }).unwrap();
        let refused = change(done.version, placed(&f, "2026-03-20")).unwrap_err();
        assert!(refused.to_string().contains("accepted: nothing, it is final"), "{refused}");
        let filter = VisitEventFilter { visit: Some(f.visit), ..Default::default() };
        let events = store.read(|c| visits::list_events(c, f.branch, &filter, Page::first(10))).unwrap();
        let states: Vec<_> = events.iter().map(|event| (event.from_state, event.to_state)).collect();
        assert_eq!(states, [
            (None, VisitState::Owed),
            (Some(VisitState::Owed), VisitState::Placed),
            (Some(VisitState::Placed), VisitState::Announced),
            (Some(VisitState::Announced), VisitState::Done),
        ]);
        assert_eq!(events[1].technician_after_id, Some(f.technician));
        assert_eq!((events[1].at, events[1].who.as_str()), (now(), "office"));
    }

    fn an_owed_visit_cannot_be_done_and_the_refusal_names_what_can(store: &Store) {
        let f = fixture(store);
        let to = VisitChange { state: VisitState::Done, place: None, slot: None };
        let refused = store.write(|c| visits::change(c, f.branch, f.visit, 1, to, OFFICE, now())).unwrap_err();
        assert_eq!(
            refused.to_string(),
            "breaks a rule of the table: a visit that is owed cannot become done; accepted: placed, dropped"
        );
        let nowhere = VisitChange { state: VisitState::Placed, place: None, slot: None };
        let refused = store.write(|c| visits::change(c, f.branch, f.visit, 1, nowhere, OFFICE, now()));
        assert!(matches!(refused, Err(StoreError::Check(_))), "{refused:?}");
    }

    fn visits_are_listed_by_state_technician_and_day(store: &Store) {
        let f = fixture(store);
        store.write(|c| visits::change(c, f.branch, f.visit, 1, placed(&f, "2026-03-17"), OFFICE, now())).unwrap();
        let count = |filter: VisitFilter| store.read(|c| visits::list(c, f.branch, &filter, Page::first(10))).unwrap().len();
        let all = VisitFilter::default;
        assert_eq!(count(VisitFilter { states: Some(vec![VisitState::Placed, VisitState::Agreed]), ..all() }), 1);
        assert_eq!(count(VisitFilter { states: Some(vec![VisitState::Owed]), ..all() }), 0);
        assert_eq!(count(VisitFilter { technician: Some(f.technician), days: DateRange::new(day("2026-03-17"), day("2026-03-17")), ..all() }), 1);
        assert_eq!(count(VisitFilter { kind: Some(VisitKind::NoCoolCall), ..all() }), 0);
        assert_eq!(count(VisitFilter { window: DateRange::new(day("2026-05-15"), day("2026-12-31")), ..all() }), 1);
        assert_eq!(count(VisitFilter { window: DateRange::new(day("2026-05-16"), day("2026-12-31")), ..all() }), 0);
    }

    fn the_same_result_counts_once(store: &Store) {
        let f = fixture(store);
        let result = |microfarads: f64| NewVisitResult {
            visit_id: f.visit,
            client_key: "phone-7".to_owned(),
            technician_id: Some(f.technician),
            payload: json!({"microfarads": microfarads}),
            received_at: now(),
        };
        let put = |microfarads| store.write(|c| visits::insert_result_once(c, f.branch, result(microfarads)));
        assert!(put(42.1).unwrap().1);
        assert!(!put(42.1).unwrap().1);
        assert!(matches!(put(41.0), Err(StoreError::Conflict { .. })));
    }

    fn a_plan_is_a_draft_until_adopted(store: &Store) {
        let f = fixture(store);
        let fields = PlanFields {
            run_id: run(store, &f, RunKind::SeasonPlan),
            state: PlanState::Draft,
            first_day: day("2026-03-02"),
            last_day: day("2026-05-31"),
            seed: 7,
            objective: json!({"expected_failures": 1.5}),
            figures: json!({"placed": 1}),
        };
        let stop = |plan_id| NewPlanStop {
            plan_id,
            visit_id: f.visit,
            day: day("2026-03-17"),
            technician_id: f.technician,
            place: 0,
            arrival_seconds: 30_000,
            start_seconds: 30_600,
            leave_seconds: 34_200,
            pinned: false,
            reason: "most likely to fail before the first hot spell".to_owned(),
        };
        let plan = store.write(|c| -> Result<_, StoreError> {
            let plan = plans::insert(c, f.branch, &fields, now())?;
            plans::insert_stops(c, f.branch, &[stop(plan.id)])?;
            plans::insert_unplaced(c, f.branch, &[NewUnplaced { plan_id: plan.id, visit_id: f.visit, reason: "no day left".to_owned() }])?;
            Ok(plan)
        }).unwrap();
        let stops = PlanStopFilter { plan: Some(plan.id), ..Default::default() };
        let stored = store.read(|c| plans::list_stops(c, f.branch, &stops, Page::everything())).unwrap();
        assert_eq!(stored[0].row, stop(plan.id));
        let to = |version, state| store.write(|c| plans::set_state(c, f.branch, plan.id, version, state, now()));
        let adopted = to(1, PlanState::Adopted).unwrap();
        assert!(matches!(to(adopted.version, PlanState::Draft), Err(StoreError::Check(_))));
    }

    fn a_changed_day_is_a_new_revision_of_the_route(store: &Store) {
        let f = fixture(store);
        let stop = Stop { visit_id: f.visit, arrival_seconds: 30_000, start_seconds: 30_600, leave_seconds: 34_200 };
        let publish = |stops: &[Stop]| store
            .write(|c| routes::publish(c, f.branch, f.technician, day("2026-03-17"), None, stops, now()))
            .unwrap();
        let (first, new) = publish(&[stop]);
        assert!(new);
        let (same, new) = publish(&[stop]);
        assert_eq!((same.id, new), (first.id, false));
        let (second, new) = publish(&[Stop { leave_seconds: 36_000, ..stop }]);
        assert_eq!((second.revision, new), (2, true));
        let current = store.read(|c| routes::current(c, f.branch, f.technician, day("2026-03-17"))).unwrap();
        assert_eq!(current.unwrap().id, second.id);
        let list = NewLoadList {
            route_id: second.id,
            run_id: None,
            chance_bound: 0.05,
            chance_short: 0.031,
            lines: vec![LoadLine {
                class: ComponentClass::RunCapacitorDual,
                rating: "45+5 uF 440 V".to_owned(),
                quantity: 2,
                chance_short: 0.02,
                why: "two of these are likely to fail".to_owned(),
            }],
        };
        store.write(|c| routes::insert_load_list(c, f.branch, &list, now())).unwrap();
        let stored = store.read(|c| routes::load_list_of(c, f.branch, second.id)).unwrap().unwrap();
        let lines = routes::LoadListLineFilter { load_list: Some(stored.id) };
        assert_eq!(store.read(|c| routes::list_lines(c, f.branch, &lines, Page::everything())).unwrap().len(), 1);
        let twice = store.write(|c| routes::insert_load_list(c, f.branch, &list, now()));
        assert!(matches!(twice, Err(StoreError::Conflict { .. })));
    }

    fn a_notice_is_retried_and_delivered_once(store: &Store) {
        let f = fixture(store);
        let notice = notice(&f);
        let tonight = now() + TimeDelta::hours(5);
        let id = store.write(|c| notices::enqueue(c, f.branch, &notice, tonight, now())).unwrap().unwrap();
        let claim = |worker: &str, at| {
            let hold_for = TimeDelta::minutes(2);
            let claim = Claim { worker, hold_for, at_most: 10, per_minute: 10 };
            store.write(|c| notices::claim(c, claim, at)).unwrap()
        };
        assert!(claim("a", now()).is_empty(), "not before its time");
        let claimed = claim("a", tonight);
        assert_eq!((claimed.len(), &claimed[0].notice), (1, &notice));
        assert!(claim("b", tonight).is_empty(), "held by another");
        let later = tonight + TimeDelta::minutes(3);
        assert_eq!(claim("b", later).len(), 1, "the first worker died");
        let record = |worker: &str, attempt: Attempt| {
            store.write(|c| notices::record_attempt(c, f.branch, id, worker, &attempt, later))
        };
        assert!(matches!(record("a", Attempt::Delivered), Err(StoreError::Conflict { .. })));
        let again = Attempt::Again { at: later + TimeDelta::hours(1), error: "connection lost".to_owned(), outcome_unknown: true };
        record("b", again).unwrap();
        assert!(claim("c", later).is_empty());
        assert_eq!(claim("c", later + TimeDelta::hours(1)).len(), 1);
        record("c", Attempt::Delivered).unwrap();
        let stored = store.read(|c| notices::find(c, f.branch, id)).unwrap();
        assert_eq!((stored.state, stored.attempts, stored.delivered_at), (NoticeState::Delivered, 3, Some(later)));
        store.read(|c| -> Outcome {
            assert_eq!(notices::count_to_contact(c, f.branch, f.contact, now())?, 1);
            assert_eq!(notices::last_calendar_sequence(c, f.branch, f.visit)?, Some(3));
            assert!(notices::is_enqueued(c, f.branch, "visit-1/reminder", "ada@example.com")?);
            Ok(())
        }).unwrap();
        let other = NewNotice { event_key: "visit-1/day-before".to_owned(), message_id: "<2@example.com>".to_owned(), ..notice };
        store.write(|c| notices::enqueue(c, f.branch, &other, tonight, now())).unwrap();
        assert_eq!(store.write(|c| notices::cancel_waiting(c, f.branch, f.visit, now())).unwrap(), 1);
    }

    fn an_answer_is_kept_for_its_visit(store: &Store) {
        let f = fixture(store);
        store.write(|c| answers::insert(c, f.branch, NewAnswer {
            visit_id: Some(f.visit),
            contact_id: Some(f.contact),
            token_digest: Some("aa".to_owned()),
            what: AnswerKind::Confirmed,
            detail: None,
            at: now(),
        })).unwrap();
        let filter = AnswerFilter { visit: Some(f.visit), ..Default::default() };
        assert_eq!(store.read(|c| answers::list(c, f.branch, &filter, Page::first(5))).unwrap().len(), 1);
    }

    fn no_more_messages_are_begun_in_a_minute_than_may_be_whoever_asks(store: &Store) {
        let f = fixture(store);
        for number in 0..7 {
            let notice = NewNotice {
                event_key: format!("visit-{number}/reminder"),
                message_id: format!("<{number}@example.com>"),
                ..notice(&f)
            };
            store.write(|c| notices::enqueue(c, f.branch, &notice, now(), now())).unwrap();
        }
        let begun = |worker: &str, at_most: i64, seconds: i64| {
            let hold_for = TimeDelta::minutes(10);
            let claim = Claim { worker, hold_for, at_most, per_minute: 3 };
            let at = now() + TimeDelta::seconds(seconds);
            store.write(|c| notices::claim(c, claim, at)).unwrap().len()
        };
        assert_eq!(begun("a", 2, 0), 2);
        assert_eq!(begun("b", 10, 5), 1, "what another worker took counts");
        assert_eq!(begun("a", 10, 59), 0);
        assert_eq!(begun("a", 10, 60), 2, "a minute after the first two");
        assert_eq!(begun("b", 10, 65), 1);
        assert_eq!(begun("b", 10, 600), 1, "and the last");
    }

    fn a_token_holds_until_revoked_expired_or_its_account_is_disabled(store: &Store) {
        let f = fixture(store);
        let fields = AccountFields {
            name: "Office".to_owned(),
            email: "office@example.com".to_owned(),
            role: Role::Office,
            password_hash: None,
            technician_id: None,
            contact_id: None,
            disabled: false,
        };
        let account = store.write(|c| accounts::insert(c, f.branch, &fields, now())).unwrap();
        let token = |digest: &str| NewToken {
            account_id: account.id,
            digest: digest.to_owned(),
            label: "laptop".to_owned(),
            scope: TokenScope::Api,
            expires_at: Some(now() + TimeDelta::days(1)),
        };
        let id = store.write(|c| accounts::insert_token(c, f.branch, &token("aa"), now())).unwrap();
        store.write(|c| accounts::insert_token(c, f.branch, &token("bb"), now())).unwrap();
        let holds = |digest: &str, at| store.read(|c| accounts::authenticate(c, digest, at)).unwrap().is_some();
        assert!(holds("aa", now()));
        assert!(!holds("aa", now() + TimeDelta::days(2)));
        assert!(!holds("cc", now()));
        assert!(store.write(|c| accounts::note_token_use(c, id, now())).unwrap());
        assert!(!store.write(|c| accounts::note_token_use(c, id, now())).unwrap());
        store.write(|c| accounts::revoke_token(c, f.branch, id, now())).unwrap();
        store.write(|c| accounts::revoke_token(c, f.branch, id, now())).unwrap();
        assert!(!holds("aa", now()));
        let disabled = AccountFields { disabled: true, ..fields.clone() };
        store.write(|c| accounts::update(c, f.branch, account.id, 1, &disabled, now())).unwrap();
        assert!(!holds("bb", now()));
        let nobody = AccountFields { email: "t@example.com".to_owned(), role: Role::Technician, ..fields };
        let refused = store.write(|c| accounts::insert(c, f.branch, &nobody, now()));
        assert!(matches!(refused, Err(StoreError::Check(_))), "{refused:?}");
    }

    fn a_repeated_request_gets_its_first_answer(store: &Store) {
        let f = fixture(store);
        let fields = AccountFields {
            name: "Office".to_owned(),
            email: "office@example.com".to_owned(),
            role: Role::Office,
            password_hash: None,
            technician_id: None,
            contact_id: None,
            disabled: false,
        };
        let account = store.write(|c| accounts::insert(c, f.branch, &fields, now())).unwrap().id;
        let begin_at = |digest: &str, at| store.write(|c| idempotency::begin(c, f.branch, account, "k1", digest, at)).unwrap();
        let begin = |digest: &str| begin_at(digest, now());
        assert_eq!(begin_at("d1", now() - TimeDelta::minutes(16)), Repeated::New);
        // The process of the first request died in the middle of it.
        assert_eq!(begin("d1"), Repeated::New);
        assert_eq!(begin("d1"), Repeated::Running);
        assert_eq!(begin("d2"), Repeated::OtherRequest);
        let answer = StoredAnswer { status: 201, headers: None, body: Some("{}".to_owned()) };
        store.write(|c| idempotency::complete(c, account, "k1", &answer)).unwrap();
        assert_eq!(begin("d1"), Repeated::Answered(answer));
        store.write(|c| idempotency::abandon(c, account, "k1")).unwrap();
        assert_eq!(store.read(|c| idempotency::status_of(c, account, "k1")).unwrap(), Some(201));
        assert_eq!(store.write(|c| idempotency::forget_before(c, now() + TimeDelta::days(1))).unwrap(), 1);
    }

    fn the_audit_keeps_before_and_after(store: &Store) {
        let f = fixture(store);
        let entry = NewAudit {
            at: now(),
            account_id: None,
            action: "change".to_owned(),
            subject_kind: "site".to_owned(),
            subject_id: Some(f.site.0),
            before_json: None,
            after_json: Some(json!({"name": "Household Acacia"})),
        };
        store.write(|c| audit::insert(c, f.branch, entry.clone())).unwrap();
        let filter = AuditFilter { subject_kind: Some("site".to_owned()), subject_id: Some(f.site.0), ..Default::default() };
        let found = store.read(|c| audit::list(c, f.branch, &filter, Page::first(5))).unwrap();
        assert_eq!((found.len(), &found[0].row), (1, &entry));
    }
}
