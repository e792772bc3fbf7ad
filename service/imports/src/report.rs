//! What an import did, what it assumed, or why it did nothing.

use core::fmt;
use core::str::FromStr;

use hotspell_domain::UnknownWord;
use hotspell_store::StoreError;
use serde::{Deserialize, Serialize};

/// Largest file, in bytes.
pub const MAX_BYTES: u64 = 32 * 1024 * 1024;
/// Most rows in a file.
pub const MAX_ROWS: usize = 500_000;
/// Findings that are listed; the rest is counted.
pub const MAX_FINDINGS: usize = 1_000;
/// Keys that are listed with an assumption; the rest is counted.
pub const MAX_LISTED: usize = 100;

/// Which records a file holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(rename_all = "kebab-case")]
pub enum ImportKind {
    /// People who visit.
    Technicians,
    /// Homes with their contact.
    Sites,
    /// What is owed to them.
    Agreements,
    /// Machines.
    Units,
    /// Parts, with those that ended.
    Components,
    /// Ends of stored parts and their successors.
    Replacements,
    /// What was measured.
    Readings,
}

impl ImportKind {
    /// Every kind, in the order in which files are to be imported.
    pub const ALL: &'static [Self] = &[
        Self::Technicians,
        Self::Sites,
        Self::Agreements,
        Self::Units,
        Self::Components,
        Self::Replacements,
        Self::Readings,
    ];

    /// The kinds whose keys its rows name, which so are to be right first.
    #[must_use]
    pub const fn builds_on(self) -> &'static [Self] {
        match self {
            Self::Technicians | Self::Sites => &[],
            Self::Agreements | Self::Units => &[Self::Sites],
            Self::Components => &[Self::Agreements, Self::Units],
            Self::Replacements => &[Self::Components],
            Self::Readings => &[Self::Technicians, Self::Components, Self::Replacements],
        }
    }

    /// The one spelling.
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Technicians => "technicians",
            Self::Sites => "sites",
            Self::Agreements => "agreements",
            Self::Units => "units",
            Self::Components => "components",
            Self::Replacements => "replacements",
            Self::Readings => "readings",
        }
    }
}

impl fmt::Display for ImportKind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.as_str())
    }
}

impl FromStr for ImportKind {
    type Err = UnknownWord;

    fn from_str(word: &str) -> Result<Self, UnknownWord> {
        Self::ALL.iter().copied().find(|kind| kind.as_str() == word).ok_or_else(|| UnknownWord {
            what: "import kind",
            word: word.to_owned(),
            expected: Self::ALL.iter().map(|kind| kind.as_str()).collect::<Vec<_>>().join(", "),
        })
    }
}

/// Something that a file did not say, and what follows from it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct Assumption {
    /// What is missing and what is assumed in its place.
    pub what: String,
    /// How many rows.
    pub count: usize,
    /// Their keys, the first hundred.
    pub keys: Vec<String>,
}

/// What an import did, or would do.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct ImportReport {
    /// Which records.
    pub kind: ImportKind,
    /// Whether nothing was kept.
    pub dry_run: bool,
    /// Rows in the file, without the header.
    pub rows: usize,
    /// Records that were new.
    pub inserted: usize,
    /// Records that differed from the file.
    pub changed: usize,
    /// Records that were the same.
    pub unchanged: usize,
    /// What the file did not say.
    pub assumptions: Vec<Assumption>,
}

/// One thing wrong with one row.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct Finding {
    /// Number of the row as a spreadsheet counts: the header is row 1.
    pub row: usize,
    /// Number of the line of the file on which the row begins; greater than the row when a field
    /// holds a line break.
    pub line: u64,
    /// The column; nothing when the whole row is meant.
    pub column: Option<String>,
    /// What is there, cut after 80 characters.
    pub value: String,
    /// What was expected.
    pub expected: String,
}

impl fmt::Display for Finding {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "row {}", self.row)?;
        if let Some(column) = &self.column {
            write!(f, ", column {column}")?;
        }
        write!(f, ": «{}»; expected {}", self.value, self.expected)
    }
}

/// Why a file was refused. Nothing was changed.
#[derive(Debug, thiserror::Error)]
pub enum ImportRefusal {
    /// The file could not be read.
    #[error("the file cannot be read: {0}")]
    Read(#[from] std::io::Error),
    /// More bytes than are taken at once.
    #[error("the file is larger than {MAX_BYTES} bytes; cut it into several")]
    TooLarge,
    /// More rows than are taken at once.
    #[error("the file has more than {MAX_ROWS} rows; cut it into several")]
    TooManyRows,
    /// Another encoding, or no text.
    #[error("the file is not UTF-8: byte {byte_offset} (counted from 0); save it as UTF-8")]
    NotUtf8 {
        /// Where it shows.
        byte_offset: usize,
    },
    /// No header. A header without rows is a file of nothing, as an export of nothing writes it.
    #[error("the file is empty: it has no header")]
    Empty,
    /// The end is missing, or a quote is left open.
    #[error(
        "the row that begins on line {line} holds a quote that is never closed: the file is \
         cut off there, or a quote inside a field is not written twice"
    )]
    OpenQuote {
        /// Line of the file.
        line: u64,
    },
    /// The columns are not those of the kind.
    #[error("{}", describe_headers(.missing, .unknown, .twice))]
    Headers {
        /// Required ones that are not there.
        missing: Vec<String>,
        /// Ones that the kind does not have.
        unknown: Vec<String>,
        /// Ones that are there more than once.
        twice: Vec<String>,
    },
    /// Bad rows.
    #[error("{}, none of the rows was taken; {}", count(*total), first(.findings))]
    Rows {
        /// The first thousand.
        findings: Vec<Finding>,
        /// All of them.
        total: usize,
        /// Rows that have some.
        rows: usize,
    },
    /// The caller wanted it to stop.
    #[error("stopped before its end; nothing of the file was kept")]
    Stopped,
    /// The database refused or failed.
    #[error(transparent)]
    Store(#[from] StoreError),
}

fn describe_headers(missing: &[String], unknown: &[String], twice: &[String]) -> String {
    let part = |what: &str, names: &[String]| {
        (!names.is_empty()).then(|| format!("{what}: {}", names.join(", ")))
    };
    [
        part("required columns are missing", missing),
        part("unknown columns", unknown),
        part("columns that are there more than once", twice),
    ]
    .into_iter()
    .flatten()
    .collect::<Vec<_>>()
    .join("; ")
}

fn count(total: usize) -> String {
    if total == 1 { "one bad value".to_owned() } else { format!("{total} bad values") }
}

fn first(findings: &[Finding]) -> String {
    findings.first().map_or_else(String::new, |finding| {
        format!("{}{finding}", if findings.len() > 1 { "the first: " } else { "" })
    })
}

/// What became of the records, before it is known of which file.
#[derive(Debug, Default)]
pub(crate) struct Outcome {
    pub(crate) inserted: usize,
    pub(crate) changed: usize,
    pub(crate) unchanged: usize,
    pub(crate) assumptions: Vec<Assumption>,
}

impl Outcome {
    /// States that the rows of these keys say nothing about something.
    pub(crate) fn assume(&mut self, what: &str, mut keys: Vec<String>) {
        if keys.is_empty() {
            return;
        }
        let count = keys.len();
        keys.truncate(MAX_LISTED);
        self.assumptions.push(Assumption { what: what.to_owned(), count, keys });
    }

    pub(crate) fn into_report(self, kind: ImportKind, rows: usize) -> ImportReport {
        ImportReport {
            kind,
            dry_run: false,
            rows,
            inserted: self.inserted,
            changed: self.changed,
            unchanged: self.unchanged,
            assumptions: self.assumptions,
        }
    }
}
