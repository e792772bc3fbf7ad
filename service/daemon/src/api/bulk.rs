//! Many rows in one request: all of them or none, and every row that is wrong is named.

use std::collections::HashMap;
use std::hash::Hash;

use actix_web::http::StatusCode;
use hotspell_store::{AnyConnection, attempt};

use super::error::ApiError;
use super::problem::{FieldError, ProblemKind};

/// Refuses what has no row or more than a request may have.
///
/// # Errors
/// 422.
pub(crate) fn check_number(rows: usize, most: usize) -> Result<(), ApiError> {
    if (1..=most).contains(&rows) {
        return Ok(());
    }
    Err(ApiError::field("/items", format!("{rows} rows; expected 1 to {most}")))
}

/// Refuses rows that name what an earlier row named already; `member` is where.
///
/// # Errors
/// 422 with a pointer to each.
pub(crate) fn check_once<K: Eq + Hash>(
    rows: impl IntoIterator<Item = K>,
    member: &str,
) -> Result<(), ApiError> {
    let mut first: HashMap<K, usize> = HashMap::new();
    let mut twice = Vec::new();
    for (row, key) in rows.into_iter().enumerate() {
        if let Some(earlier) = first.get(&key) {
            twice.push(FieldError {
                pointer: format!("/items/{row}/{member}"),
                detail: format!("it is in row {earlier} already; expected each once"),
            });
        } else {
            first.insert(key, row);
        }
    }
    if twice.is_empty() { Ok(()) } else { Err(ApiError::fields(twice)) }
}

/// Where in its row a refusal belongs that names no member itself.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Places {
    /// Member that names the record, for one that is not there.
    pub(crate) record: &'static str,
    /// Member with the version, for one that is not the present.
    pub(crate) version: &'static str,
    /// Member that holds what is done with the record; empty when the row itself does.
    pub(crate) body: &'static str,
}

/// Does the same with every row, in the caller's transaction, which is taken back when any is refused.
///
/// A refused row is taken back by itself before the next one is tried, so that the answer names all
/// that are wrong.
///
/// # Errors
/// 422 with JSON pointers (RFC 6901) to the rows and their members; the first fault of the service.
pub(crate) fn each<R, T>(
    conn: &mut AnyConnection,
    rows: &[R],
    places: Places,
    mut work: impl FnMut(&mut AnyConnection, &R) -> Result<T, ApiError>,
) -> Result<Vec<T>, ApiError> {
    let (mut done, mut wrong, mut refused) = (Vec::with_capacity(rows.len()), Vec::new(), 0);
    for (number, row) in rows.iter().enumerate() {
        match attempt(conn, |conn| work(conn, row)) {
            Ok(value) => done.push(value),
            Err(error) if is_of_the_service(&error) => return Err(error),
            Err(error) => {
                refused += 1;
                wrong.extend(blamed(number, places, &error));
            }
        }
    }
    if refused == 0 {
        return Ok(done);
    }
    let detail = format!("{refused} of {} rows are refused; none was kept", rows.len());
    Err(ApiError::fields(wrong).with_detail(detail))
}

fn is_of_the_service(error: &ApiError) -> bool {
    let status: StatusCode = error.kind().status();
    status.is_server_error()
}

/// A row's refusal with pointers into the request.
fn blamed(row: usize, places: Places, error: &ApiError) -> Vec<FieldError> {
    let fields = error.field_errors();
    let within = |member: &str| {
        if member.is_empty() { format!("/items/{row}") } else { format!("/items/{row}/{member}") }
    };
    if fields.is_empty() {
        let member = match error.kind() {
            ProblemKind::NotFound => places.record,
            ProblemKind::StaleVersion => places.version,
            _ => places.body,
        };
        return vec![FieldError { pointer: within(member), detail: error.detail().to_owned() }];
    }
    let body = within(places.body);
    fields
        .iter()
        .map(|field| FieldError {
            pointer: format!("{body}{}", field.pointer),
            detail: field.detail.clone(),
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    const PLACES: Places = Places { record: "visit_id", version: "version", body: "change" };

    #[test]
    fn a_refusal_points_to_its_row_and_member() {
        let pointers = |error: ApiError| -> Vec<String> {
            blamed(7, PLACES, &error).into_iter().map(|field| field.pointer).collect()
        };
        assert_eq!(pointers(ApiError::field("/day", "no")), ["/items/7/change/day"]);
        assert_eq!(pointers(ApiError::not_found("visit", 3)), ["/items/7/visit_id"]);
        let stale = ApiError::new(ProblemKind::StaleVersion, "old");
        assert_eq!(pointers(stale), ["/items/7/version"]);
        let taken = ApiError::new(ProblemKind::Conflict, "taken");
        assert_eq!(pointers(taken), ["/items/7/change"]);
        let whole = Places { record: "component_id", version: "", body: "" };
        let taken = ApiError::new(ProblemKind::Conflict, "taken");
        assert_eq!(blamed(0, whole, &taken)[0].pointer, "/items/0");
        assert_eq!(blamed(0, whole, &ApiError::field("", "no"))[0].pointer, "/items/0");
    }

    #[test]
    fn the_same_twice_names_the_second_and_an_empty_request_is_refused() {
        check_once([1, 2, 3], "visit_id").unwrap();
        let error = check_once([1, 2, 1], "visit_id").unwrap_err();
        assert_eq!(error.field_errors()[0].pointer, "/items/2/visit_id");
        assert!(error.field_errors()[0].detail.contains("row 0"));
        check_number(200, 200).unwrap();
        for rows in [0, 201] {
            assert_eq!(check_number(rows, 200).unwrap_err().field_errors()[0].pointer, "/items");
        }
    }
}
