//! A branch's own lines in its mail.

use hotspell_domain::{Language, NoticeKind};
use hotspell_store::StoreError;
use hotspell_store::notice_wordings::{self, NewWording};

use crate::fixture::{fixture, now, on_both};

const REMINDER: NewWording<'static> = NewWording {
    kind: NoticeKind::Reminder,
    language: Language::Spanish,
    opening: Some("Gracias por su confianza, {name}."),
    closing: None,
};

on_both! {
    fn own_lines_are_kept_for_one_kind_and_one_language(store: &Store) {
        let f = fixture(store);
        let kept = store.write(|c| notice_wordings::put(c, f.branch, REMINDER, 0, now())).unwrap();
        assert_eq!((kept.version, kept.opening.as_deref()), (1, REMINDER.opening));
        let of = |kind, language| {
            store.read(|c| notice_wordings::find(c, f.branch, kind, language)).unwrap()
        };
        assert_eq!(of(NoticeKind::Reminder, Language::Spanish), Some(kept.clone()));
        assert_eq!(of(NoticeKind::Reminder, Language::English), None);
        assert_eq!(of(NoticeKind::DayBefore, Language::Spanish), None);
        assert_eq!(store.read(|c| notice_wordings::list(c, f.branch)).unwrap(), [kept]);
    }

    fn lines_that_somebody_else_changed_meanwhile_are_not_written_over(store: &Store) {
        let f = fixture(store);
        let put = |wording, expected| {
            store.write(|c| notice_wordings::put(c, f.branch, wording, expected, now()))
        };
        put(REMINDER, 0).unwrap();
        let none = NewWording { opening: None, ..REMINDER };
        let stale = |found| move |refused: Result<_, StoreError>| matches!(
            refused, Err(StoreError::StaleVersion { found: it, .. }) if it == found
        );
        assert!(stale(1)(put(none, 0)));
        assert_eq!(put(none, 1).unwrap().version, 2);
        assert!(stale(2)(put(REMINDER, 1)));
        assert!(stale(0)(put(NewWording { kind: NoticeKind::DayBefore, ..REMINDER }, 1)));
        let kept = store.read(|c| {
            notice_wordings::find(c, f.branch, REMINDER.kind, REMINDER.language)
        });
        let kept = kept.unwrap().unwrap();
        assert_eq!((kept.opening, kept.closing, kept.version), (None, None, 2));
    }

    fn an_empty_line_is_none(store: &Store) {
        let f = fixture(store);
        let empty = NewWording { closing: Some(""), ..REMINDER };
        let refused = store.write(|c| notice_wordings::put(c, f.branch, empty, 0, now()));
        assert!(matches!(refused, Err(StoreError::Check(_))), "{refused:?}");
    }
}
