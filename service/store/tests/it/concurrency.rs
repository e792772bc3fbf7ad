//! Several at once: nothing is lost, nothing happens twice.

use std::collections::BTreeMap;
use std::sync::atomic::{AtomicBool, Ordering};

use chrono::TimeDelta;
use hotspell_domain::{ComponentEnd, Language, NoticeKind};
use hotspell_store::components::{Ending, Successor};
use hotspell_store::jobs::Due;
use hotspell_store::notices::{Attempt, Claim, NewNotice, NoticeFilter, NoticeRecord};
use hotspell_store::words::{Channel, NoticeState, RunOutcome};
use hotspell_store::{Page, Store, StoreError, changes, components, jobs, notices, sites};

use crate::fixture::{day, fixture, now, on_both, site_fields};

const THREADS: usize = 8;

fn notice(event: &str) -> NewNotice {
    NewNotice {
        event_key: event.to_owned(),
        kind: NoticeKind::Reminder,
        channel: Channel::Mail,
        recipient: "ada@example.com".to_owned(),
        contact_id: None,
        technician_id: None,
        visit_id: None,
        language: Language::English,
        subject: "Your spring visit".to_owned(),
        body_text: "text".to_owned(),
        body_html: None,
        calendar: None,
        calendar_sequence: None,
        headers: serde_json::json!({}),
        message_id: format!("<{event}@example.com>"),
    }
}

/// Takes messages of the outbox for a worker.
fn take(store: &Store, worker: &str, per_minute: i64) -> Vec<NoticeRecord> {
    let hold_for = TimeDelta::minutes(5);
    let claim = Claim { worker, hold_for, at_most: 7, per_minute };
    store.write(|c| notices::claim(c, claim, now())).unwrap()
}

on_both! {
    fn no_update_is_lost(store: &Store) {
        const STEPS: usize = 20;
        let f = fixture(store);
        let step = || loop {
            let before = store.read(|c| sites::find(c, f.branch, f.site)).unwrap();
            let count: usize = before.access_notes.as_deref().unwrap_or("0").parse().unwrap();
            let mut fields = before.fields.clone();
            fields.access_notes = Some((count + 1).to_string());
            match store.write(|c| sites::update(c, f.branch, f.site, before.version, &fields, now())) {
                Ok(_) => break,
                Err(StoreError::StaleVersion { .. }) => {}
                Err(other) => panic!("{other}"),
            }
        };
        std::thread::scope(|scope| {
            for _ in 0..THREADS {
                scope.spawn(|| (0..STEPS).for_each(|_| step()));
            }
        });
        let site = store.read(|c| sites::find(c, f.branch, f.site)).unwrap();
        assert_eq!(site.access_notes.as_deref(), Some((THREADS * STEPS).to_string().as_str()));
        assert_eq!(site.version, 1 + i64::try_from(THREADS * STEPS).unwrap());
    }

    fn each_notice_is_claimed_by_one_worker(store: &Store) {
        const NOTICES: usize = 120;
        let f = fixture(store);
        store.write(|c| -> Result<(), StoreError> {
            for number in 0..NOTICES {
                let fresh = notice(&format!("event-{number}"));
                assert!(notices::enqueue(c, f.branch, &fresh, now(), now())?.is_some());
                assert!(notices::enqueue(c, f.branch, &fresh, now(), now())?.is_none());
            }
            Ok(())
        }).unwrap();
        let claims: Vec<_> = std::thread::scope(|scope| {
            let workers: Vec<_> = (0..THREADS)
                .map(|number| scope.spawn(move || {
                    let worker = format!("worker-{number}");
                    let mut mine = Vec::new();
                    loop {
                        let batch = take(store, &worker, 1_000);
                        if batch.is_empty() {
                            return mine;
                        }
                        for notice in &batch {
                            store.write(|c| notices::record_attempt(
                                c, f.branch, notice.id, &worker, &Attempt::Delivered, now(),
                            )).unwrap();
                        }
                        mine.extend(batch.into_iter().map(|notice| notice.id));
                    }
                }))
                .collect();
            workers.into_iter().flat_map(|worker| worker.join().unwrap()).collect()
        });
        // On PostgreSQL a worker may find nothing while others hold locks, so some may be left.
        let mut counts = BTreeMap::new();
        for id in &claims {
            *counts.entry(*id).or_insert(0) += 1;
        }
        assert!(counts.values().all(|count| *count == 1), "{counts:?}");
        let delivered = NoticeFilter { states: Some(vec![NoticeState::Delivered]), ..Default::default() };
        let stored = store.read(|c| notices::list(c, f.branch, &delivered, Page::everything())).unwrap();
        assert_eq!(stored.len(), claims.len());
        assert!(stored.iter().all(|notice| notice.attempts == 1));
        assert_eq!(claims.len(), NOTICES);
    }

    fn workers_together_begin_no_more_messages_than_may_leave_in_a_minute(store: &Store) {
        const PER_MINUTE: i64 = 10;
        let f = fixture(store);
        store.write(|c| -> Result<(), StoreError> {
            for number in 0..THREADS * 7 {
                notices::enqueue(c, f.branch, &notice(&format!("event-{number}")), now(), now())?;
            }
            Ok(())
        }).unwrap();
        let begun: usize = std::thread::scope(|scope| {
            let workers: Vec<_> = (0..THREADS)
                .map(|number| scope.spawn(move || {
                    let worker = format!("worker-{number}");
                    (0..3).map(|_| take(store, &worker, PER_MINUTE).len()).sum::<usize>()
                }))
                .collect();
            workers.into_iter().map(|worker| worker.join().unwrap()).sum()
        });
        assert_eq!(i64::try_from(begun).unwrap(), PER_MINUTE);
    }

    fn each_due_run_of_a_job_is_done_by_one_process(store: &Store) {
        let f = fixture(store);
        let due = Due { job: "scoring", due_for: now() };
        let claimed: usize = std::thread::scope(|scope| {
            let workers: Vec<_> = (0..THREADS)
                .map(|number| scope.spawn(move || {
                    let worker = format!("process-{number}");
                    let claim = store
                        .write(|c| jobs::claim(c, f.branch, due, &worker, TimeDelta::minutes(5), now()))
                        .unwrap();
                    usize::from(claim.is_some())
                }))
                .collect();
            workers.into_iter().map(|worker| worker.join().unwrap()).sum()
        });
        assert_eq!(claimed, 1);
        // The process died: its claim runs out and another takes the run over.
        let later = now() + TimeDelta::minutes(6);
        let claim = store
            .write(|c| jobs::claim(c, f.branch, due, "late", TimeDelta::minutes(5), later))
            .unwrap()
            .unwrap();
        assert_eq!(claim.attempts, 2);
        store
            .write(|c| jobs::finish(c, claim.id, "late", RunOutcome::Succeeded, None, later))
            .unwrap();
        let again = store
            .write(|c| jobs::claim(c, f.branch, due, "other", TimeDelta::minutes(5), later))
            .unwrap();
        assert!(again.is_none());
        assert_eq!(store.read(|c| jobs::last_finished(c, f.branch, "scoring")).unwrap(), Some(now()));
        let dead = store
            .write(|c| jobs::finish(c, claim.id, "process-0", RunOutcome::Failed, None, later));
        assert!(matches!(dead, Err(StoreError::Conflict { .. })));
    }

    fn a_part_is_replaced_once(store: &Store) {
        let f = fixture(store);
        let ending = Ending {
            ended_on: day("2025-07-04"),
            kind: ComponentEnd::Failed,
            last_seen_good_on: None,
        };
        let replaced: usize = std::thread::scope(|scope| {
            let callers: Vec<_> = (0..THREADS)
                .map(|number| {
                    let (old, branch) = (&f.component, f.branch);
                    scope.spawn(move || {
                        let successor = Successor {
                            key: format!("NEW-{number}"),
                            class: old.class,
                            rating: old.rating.clone(),
                            batch: None,
                        };
                        let outcome = store.write(|c| {
                            components::replace(c, branch, old.id, old.version, ending, successor, now())
                        });
                        match outcome {
                            Ok(_) => 1,
                            Err(StoreError::StaleVersion { .. } | StoreError::Conflict { .. }) => 0,
                            Err(other) => panic!("{other}"),
                        }
                    })
                })
                .collect();
            callers.into_iter().map(|caller| caller.join().unwrap()).sum()
        });
        assert_eq!(replaced, 1);
        let all = store
            .read(|c| components::list(c, f.branch, &Default::default(), Page::everything()))
            .unwrap();
        assert_eq!(all.len(), 2);
    }

    fn a_reader_of_the_feed_misses_no_change(store: &Store) {
        const WRITES: usize = 25;
        let f = fixture(store);
        let done = AtomicBool::new(false);
        let branch = f.branch;
        let seen: Vec<i64> = std::thread::scope(|scope| {
            let reader = scope.spawn(|| {
                let mut seen: Vec<i64> = Vec::new();
                loop {
                    let last_round = done.load(Ordering::SeqCst);
                    let page = Page::after(seen.last().copied().unwrap_or(0), 50);
                    let news = store.read_settled(|c| changes::list(c, branch, page)).unwrap();
                    if last_round && news.is_empty() {
                        return seen;
                    }
                    seen.extend(news.iter().map(|change| change.id));
                }
            });
            std::thread::scope(|writers| {
                for thread in 0..THREADS {
                    writers.spawn(move || {
                        for number in 0..WRITES {
                            let fields = site_fields(&format!("W{thread}-{number}"));
                            store.write(|c| -> Result<(), StoreError> {
                                sites::insert(c, branch, &fields, now())?;
                                // Numbered, not yet committed: others commit greater numbers.
                                std::thread::sleep(std::time::Duration::from_millis((number % 3) as u64));
                                Ok(())
                            }).unwrap();
                        }
                    });
                }
            });
            done.store(true, Ordering::SeqCst);
            reader.join().unwrap()
        });
        let all = store.read_settled(|c| changes::list(c, branch, Page::everything())).unwrap();
        assert_eq!(seen, all.iter().map(|change| change.id).collect::<Vec<_>>());
    }
}
