//! `hotspell export`: everything that can be imported, as the CSV files that an import reads.

use std::io::BufWriter;
use std::path::{Path, PathBuf};

use clap::Args;
use hotspell_domain::BranchId;
use hotspell_imports::{ExportError, ImportKind, export};
use hotspell_store::{AnyConnection, Store, StoreError};
use tempfile::NamedTempFile;

use super::CommandError;
use super::account::chosen_branch;
use super::serve::{ConfigArg, open_store};

/// From where to where.
#[derive(Debug, Args)]
pub(crate) struct ExportArgs {
    #[command(flatten)]
    config: ConfigArg,
    /// Key of the branch; may be left out while there is only one.
    #[arg(long)]
    branch: Option<String>,
    /// Write over files of the same names.
    #[arg(long)]
    overwrite: bool,
    /// The folder for the files, KIND.csv for each kind; it is made if it is not there.
    folder: PathBuf,
}

/// A file that is written but does not yet have its name.
struct Written {
    kind: ImportKind,
    rows: usize,
    file: NamedTempFile,
}

/// Writes one file for each kind, in the order in which they are imported, and says how many rows each
/// has. All are of one moment; a file gets its name when all of them are written.
pub(crate) fn run(args: &ExportArgs) -> Result<(), CommandError> {
    let config = args.config.load()?;
    let folder = args.folder.as_path();
    if !args.overwrite {
        refuse_existing(folder)?;
    }
    std::fs::create_dir_all(folder).map_err(|error| unwritable(folder, &error))?;
    let store = open_store(&config)?;
    let branch = store.read(|conn| chosen_branch(conn, args.branch.as_deref()))?;
    for written in write_all(&store, branch.id, folder)? {
        let path = place(folder, written.kind);
        let kept = if args.overwrite {
            written.file.persist(&path)
        } else {
            // Somebody may have put one there meanwhile.
            written.file.persist_noclobber(&path)
        };
        kept.map_err(|error| unwritable(&path, &error.error))?;
        println!("{}: {} rows in {}", written.kind, written.rows, path.display());
    }
    Ok(())
}

fn place(folder: &Path, kind: ImportKind) -> PathBuf {
    folder.join(format!("{kind}.csv"))
}

fn refuse_existing(folder: &Path) -> Result<(), CommandError> {
    let there: Vec<String> = ImportKind::ALL
        .iter()
        .map(|kind| place(folder, *kind))
        .filter(|path| path.symlink_metadata().is_ok())
        .map(|path| path.display().to_string())
        .collect();
    if there.is_empty() {
        return Ok(());
    }
    Err(CommandError::Input(format!(
        "already there: {}; nothing was written. Name another folder, or say --overwrite",
        there.join(", ")
    )))
}

fn unwritable(path: &Path, error: &std::io::Error) -> CommandError {
    CommandError::Input(format!("cannot write {}: {error}", path.display()))
}

/// Why the files could not be written.
enum Failed {
    Store(StoreError),
    Write(ImportKind, std::io::Error),
}

impl From<StoreError> for Failed {
    fn from(error: StoreError) -> Self {
        Self::Store(error)
    }
}

fn write_all(store: &Store, branch: BranchId, folder: &Path) -> Result<Vec<Written>, CommandError> {
    let written: Result<Vec<Written>, Failed> = store.read(|conn| {
        ImportKind::ALL.iter().map(|kind| write(conn, branch, *kind, folder)).collect()
    });
    written.map_err(|error| match error {
        Failed::Store(error) => error.into(),
        Failed::Write(kind, error) => unwritable(&place(folder, kind), &error),
    })
}

fn write(
    conn: &mut AnyConnection,
    branch: BranchId,
    kind: ImportKind,
    folder: &Path,
) -> Result<Written, Failed> {
    let file = NamedTempFile::new_in(folder).map_err(|error| Failed::Write(kind, error))?;
    let rows =
        export(conn, branch, kind, BufWriter::new(file.as_file())).map_err(
            |error| match error {
                ExportError::Store(error) => Failed::Store(error),
                ExportError::Write(error) => Failed::Write(kind, error),
            },
        )?;
    Ok(Written { kind, rows, file })
}
