//! The next term of an agreement.

use chrono::{DateTime, NaiveDate, Utc};
use hotspell_domain::{BranchId, DateRange, VisitRule, term};
use hotspell_store::AnyConnection;
use hotspell_store::Page;
use hotspell_store::agreements::{self, AgreementFields, AgreementFilter, AgreementRecord};

use super::AppError;

/// What differs from the term before.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Renewal {
    /// Key of the new agreement; made of the old one's and the first day if absent.
    pub key: Option<String>,
    /// Last day; the new term is as long as the old one if absent.
    pub last_day: Option<NaiveDate>,
    /// What is owed; as before if absent.
    pub rules: Option<Vec<VisitRule>>,
}

/// Makes the agreement of the next term: it begins on the day after the old one's last.
///
/// # Errors
/// [`AppError::Conflict`] when the agreement runs on without an end or the home has a later one
/// already, [`AppError::Invalid`] for a last day before the first.
pub fn renew(
    conn: &mut AnyConnection,
    branch: BranchId,
    old: &AgreementRecord,
    renewal: &Renewal,
    now: DateTime<Utc>,
) -> Result<AgreementRecord, AppError> {
    let Some(last) = old.last_day else {
        let detail = format!("agreement {} runs on: there is nothing to renew", old.key);
        return Err(AppError::Conflict(detail));
    };
    let filter = AgreementFilter { site: Some(old.site_id), ..AgreementFilter::default() };
    let of_home = agreements::list(conn, branch, &filter, Page::everything())?;
    if let Some(later) = of_home.iter().find(|other| other.first_day > last) {
        let detail = format!("agreement {} follows already, from {}", later.key, later.first_day);
        return Err(AppError::Conflict(detail));
    }
    let next = DateRange::new(old.first_day, last)
        .and_then(term::next_term)
        .ok_or_else(|| AppError::Conflict("the calendar ends before that term".to_owned()))?;
    let last_day = renewal.last_day.unwrap_or(next.last);
    if last_day < next.first {
        let detail = format!("expected a day from {} on", next.first);
        return Err(AppError::field("/last_day", detail));
    }
    let fields = AgreementFields {
        key: renewal.key.clone().unwrap_or_else(|| next_key(&old.key, next.first)),
        site_id: old.site_id,
        first_day: next.first,
        last_day: Some(last_day),
        rules: renewal.rules.clone().unwrap_or_else(|| old.rules.clone()),
    };
    Ok(agreements::insert(conn, branch, &fields, now)?)
}

/// The key without the day that an earlier renewal put behind it, and the new first day.
fn next_key(old: &str, first_day: NaiveDate) -> String {
    let base = match old.rsplit_once('/') {
        Some((base, day)) if day.parse::<NaiveDate>().is_ok() => base,
        _ => old,
    };
    format!("{base}/{first_day}")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_key_does_not_grow_with_each_renewal() {
        let day = |text: &str| text.parse::<NaiveDate>().unwrap();
        assert_eq!(next_key("A-1", day("2026-01-05")), "A-1/2026-01-05");
        assert_eq!(next_key("A-1/2026-01-05", day("2027-01-05")), "A-1/2027-01-05");
        assert_eq!(next_key("north/7", day("2027-01-05")), "north/7/2027-01-05");
    }
}
