//! The audit: who changed what, when, for a reader outside.

use std::collections::HashMap;
use std::io::Write;

use chrono::SecondsFormat;
use hotspell_domain::{AccountId, BranchId};
use hotspell_store::accounts::{self, AccountFilter};
use hotspell_store::audit::{self, AuditFilter, AuditRecord};
use hotspell_store::{AnyConnection, Page, StoreError};

use super::{ExportError, Sheet, cells, paged};

/// The names of the API, and whose account it was.
const COLUMNS: [&str; 9] = [
    "id",
    "at",
    "account_id",
    "account_name",
    "action",
    "subject_kind",
    "subject_id",
    "before",
    "after",
];

/// Writes the entries of the audit that fit as a CSV file (RFC 4180, UTF-8, lines ended by CRLF),
/// oldest first, and says how many there were. Records before and after a change stand as JSON
/// (RFC 8259), instants in UTC (RFC 3339). Call it inside `Store::read`.
///
/// # Errors
/// [`ExportError`]: what was written until then is no whole file.
pub fn export_audit(
    conn: &mut AnyConnection,
    branch: BranchId,
    filter: &AuditFilter,
    writer: impl Write,
) -> Result<usize, ExportError> {
    let mut sheet = Sheet::new(writer, COLUMNS.to_vec())?;
    let names = names(conn, branch)?;
    paged(
        conn,
        |conn, page| audit::list(conn, branch, filter, page),
        |entry: &AuditRecord| entry.id,
        |_, entries| {
            for entry in &entries {
                let name = entry.row.account_id.and_then(|account| names.get(&account));
                sheet.row(&row(entry, name))?;
            }
            Ok(())
        },
    )?;
    sheet.finish()
}

/// An office has some dozens of accounts; those that are closed are among them.
fn names(
    conn: &mut AnyConnection,
    branch: BranchId,
) -> Result<HashMap<AccountId, String>, StoreError> {
    let all = accounts::list(conn, branch, &AccountFilter::default(), Page::everything())?;
    Ok(all.into_iter().map(|account| (account.id, account.name.clone())).collect())
}

fn row(entry: &AuditRecord, name: Option<&String>) -> Vec<(&'static str, String)> {
    let change = &entry.row;
    vec![
        ("id", entry.id.to_string()),
        ("at", change.at.to_rfc3339_opts(SecondsFormat::AutoSi, true)),
        ("account_id", cells::plain(change.account_id.map(|account| account.0))),
        ("account_name", cells::note(name)),
        ("action", cells::text(&change.action)),
        ("subject_kind", cells::text(&change.subject_kind)),
        ("subject_id", cells::plain(change.subject_id)),
        ("before", cells::note(change.before_json.as_ref().map(ToString::to_string).as_ref())),
        ("after", cells::note(change.after_json.as_ref().map(ToString::to_string).as_ref())),
    ]
}
