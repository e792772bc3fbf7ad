//! What a preview says, in words.

use chrono::{DateTime, Utc};
use chrono_tz::Tz;
use hotspell_imports::{Finding, ImportKind};

use super::PATH;
use crate::app::background::Standing;
use crate::app::import_preview::{Attempt, FileOutcome, Preview, Previewed, Stage};
use crate::app::unfinished_imports::UnfinishedImport;
use crate::pages::words;

/// Bad rows that the page shows, over all files: it stays below 100 kB.
const SHOWN: usize = 100;
/// Keys that the page shows with each thing that a file does not say.
const KEYS_SHOWN: usize = 8;

/// A preview for its reader.
pub(super) struct PreviewView {
    /// The page's heading.
    pub(super) heading: &'static str,
    /// What happened just now, good or bad.
    pub(super) said: Option<(&'static str, String)>,
    /// Files that cannot be imported, each with the place on the page that says why.
    pub(super) wrong: Vec<(String, String)>,
    /// The files, in the order in which they are imported.
    pub(super) files: Vec<FileView>,
    /// How far the import is, while it goes on.
    pub(super) running: Option<RunningView>,
    /// What the button says; nothing when there is none.
    pub(super) confirm: Option<String>,
    /// Whether the files are kept and may be left.
    pub(super) may_leave: bool,
    /// The preview's address.
    pub(super) action: String,
    /// Until when the files are kept.
    pub(super) kept_until: Option<String>,
    /// Where every bad row is, when there are any.
    pub(super) all_findings: Option<String>,
    /// Number of bad values that the page does not show.
    pub(super) not_shown: usize,
}

/// An import that goes on.
pub(super) struct RunningView {
    pub(super) said: &'static str,
    pub(super) percent: String,
}

/// Files that were looked at and not finished.
pub(super) struct WaitingRow {
    pub(super) href: String,
    pub(super) files: String,
    pub(super) about: String,
}

impl From<&UnfinishedImport> for WaitingRow {
    fn from(waiting: &UnfinishedImport) -> Self {
        let names: Vec<&str> = waiting.files.iter().map(|file| file.name.as_str()).collect();
        let state = match (waiting.is_refused, waiting.rows_in_error) {
            (false, _) => "not confirmed yet".to_owned(),
            (true, 0) => "cannot be read as it is".to_owned(),
            (true, rows) => words::count(rows, "row is wrong", "rows are wrong"),
        };
        Self {
            href: format!("{PATH}/{}", waiting.preview),
            files: names.join(", "),
            about: format!("{state}, looked at on {}", words::date(waiting.day)),
        }
    }
}

/// A file for its reader.
pub(super) struct FileView {
    /// Its place on the page.
    pub(super) id: String,
    /// Its name.
    pub(super) name: String,
    /// Its table, in a word.
    pub(super) kind: &'static str,
    /// New, changed, as they were, all rows; nothing if it cannot be imported.
    pub(super) counts: Option<[String; 4]>,
    /// Why it cannot.
    pub(super) why: Option<String>,
    /// What it does not say and what is assumed.
    pub(super) assumptions: Vec<String>,
    /// Its bad rows, the first of them.
    pub(super) findings: Vec<FindingRow>,
    /// Of how many.
    pub(super) total: usize,
}

/// A bad value.
pub(super) struct FindingRow {
    /// Its number, and the line of the file where that is another.
    pub(super) row: String,
    pub(super) column: String,
    pub(super) value: String,
    pub(super) expected: String,
}

impl From<&Finding> for FindingRow {
    fn from(finding: &Finding) -> Self {
        Self {
            row: if u64::try_from(finding.row) == Ok(finding.line) {
                finding.row.to_string()
            } else {
                format!("{} (line {})", finding.row, finding.line)
            },
            column: finding.column.clone().unwrap_or_else(|| "whole row".to_owned()),
            value: if finding.value.is_empty() {
                "empty".to_owned()
            } else {
                finding.value.clone()
            },
            expected: finding.expected.clone(),
        }
    }
}

impl PreviewView {
    /// The page of a preview.
    pub(super) fn of(preview: &Preview, digest: &str, zone: Tz) -> Self {
        let refused = preview.files.iter().filter(|file| total(file) > 0).count();
        let each = SHOWN / refused.max(1);
        let files: Vec<FileView> = (1..)
            .zip(&preview.files)
            .map(|(number, file)| FileView::of(number, file, each))
            .collect();
        let wrong: Vec<(String, String)> = files
            .iter()
            .filter_map(|file| {
                Some((format!("#{}", file.id), format!("{}: {}", file.name, file.why.as_ref()?)))
            })
            .collect();
        let found: usize = files.iter().map(|file| file.total).sum();
        let shown: usize = files.iter().map(|file| file.findings.len()).sum();
        let running = preview.attempt.as_ref().and_then(running);
        let (heading, kept_until) = match preview.stage {
            Stage::Imported(_) => ("Imported", None),
            _ if running.is_some() => ("Import", None),
            Stage::Open(until) | Stage::Expired(until) => {
                ("What these files would do", Some(clock(until, zone)))
            }
        };
        let is_kept = kept_until.is_some();
        Self {
            heading,
            said: said(preview, zone),
            wrong,
            files,
            running,
            confirm: (is_kept && preview.is_importable()).then(|| button(preview)),
            may_leave: is_kept,
            action: format!("{PATH}/{digest}"),
            kept_until,
            all_findings: (found > 0).then(|| format!("{PATH}/{digest}/errors.csv")),
            not_shown: found - shown,
        }
    }
}

fn running(attempt: &Attempt) -> Option<RunningView> {
    let said = match attempt.standing {
        Standing::Running => "The files are being imported.",
        Standing::Stopping => "The import is stopping.",
        Standing::Ended(_) | Standing::Lost => return None,
    };
    Some(RunningView { said, percent: format!("{:.0}", 100.0 * attempt.progress) })
}

fn said(preview: &Preview, zone: Tz) -> Option<(&'static str, String)> {
    if let Stage::Imported(at) = preview.stage {
        return Some(("good", format!("Everything below was imported on {}.", clock(at, zone))));
    }
    let failed = preview.attempt.as_ref().and_then(|attempt| match attempt.standing {
        Standing::Ended(_) => attempt.reason.clone(),
        Standing::Lost => Some("the service ended before the files were in".to_owned()),
        Standing::Running | Standing::Stopping => None,
    });
    match failed {
        Some(why) => Some(("bad", sentence(&format!("Nothing was imported: {why}")))),
        None if preview.fits() && !preview.is_importable() => Some((
            "good",
            "Nothing would change: everything in these files is stored as it is.".to_owned(),
        )),
        None => None,
    }
}

/// What the button does, in numbers.
fn button(preview: &Preview) -> String {
    let sum = |pick: fn(&hotspell_imports::ImportReport) -> usize| -> usize {
        preview.files.iter().filter_map(Previewed::report).map(pick).sum()
    };
    let (new, changed) = (sum(|it| it.inserted), sum(|it| it.changed));
    format!("Import: {} new, {} changed", grouped(new), grouped(changed))
}

fn clock(at: DateTime<Utc>, zone: Tz) -> String {
    let local = at.with_timezone(&zone).naive_local();
    format!("{}, {}", words::date(local.date()), words::time(local.time()))
}

/// A number with its thousands apart.
fn grouped(number: usize) -> String {
    let digits = number.to_string();
    let mut text = String::new();
    for (place, digit) in digits.chars().enumerate() {
        if place > 0 && (digits.len() - place).is_multiple_of(3) {
            text.push(',');
        }
        text.push(digit);
    }
    text
}

/// Number of bad values of a file.
const fn total(file: &Previewed) -> usize {
    match &file.outcome {
        FileOutcome::Refused { total, .. } => *total,
        FileOutcome::Fits { .. } | FileOutcome::Waits { .. } | FileOutcome::Unknown => 0,
    }
}

impl FileView {
    fn of(number: usize, file: &Previewed, shown: usize) -> Self {
        let (mut assumptions, mut findings) = (Vec::new(), Vec::new());
        let (mut counts, mut why) = (None, None);
        match &file.outcome {
            FileOutcome::Fits { report } => {
                let figures = [report.inserted, report.changed, report.unchanged, report.rows];
                counts = Some(figures.map(grouped));
                assumptions = report.assumptions.iter().map(assumed).collect();
            }
            FileOutcome::Refused { why: refusal, findings: found, total, .. } => {
                findings = found.iter().take(shown).map(FindingRow::from).collect();
                why = Some(match total {
                    0 => sentence(refusal),
                    1 => "one value is wrong.".to_owned(),
                    total => format!("{} values are wrong.", grouped(*total)),
                });
            }
            FileOutcome::Waits { kinds } => {
                let kinds: Vec<&str> = kinds.iter().map(|kind| kind.as_str()).collect();
                why = Some(format!(
                    "not looked at yet, since it names keys of {}, which must be right first.",
                    kinds.join(" and ")
                ));
            }
            FileOutcome::Unknown => {
                why = Some(
                    "neither its headers nor its name say which records it holds; the headers of \
                     each table stand on the page where files are chosen."
                        .to_owned(),
                );
            }
        }
        Self {
            id: format!("file-{number}"),
            name: file.name.clone(),
            kind: file.kind.map_or("not known", ImportKind::as_str),
            counts,
            why,
            assumptions,
            findings,
            total: total(file),
        }
    }
}

fn sentence(refusal: &str) -> String {
    format!("{}.", refusal.trim_end_matches('.'))
}

fn assumed(assumption: &hotspell_imports::Assumption) -> String {
    let keys: Vec<&str> = assumption.keys.iter().take(KEYS_SHOWN).map(String::as_str).collect();
    let more = if assumption.count > keys.len() { ", …" } else { "" };
    format!("{}: {} ({}{more})", grouped(assumption.count), assumption.what, keys.join(", "))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn thousands_stand_apart() {
        let shown = [0, 7, 999, 1_000, 50_000, 1_234_567].map(grouped);
        assert_eq!(shown, ["0", "7", "999", "1,000", "50,000", "1,234,567"]);
    }
}
