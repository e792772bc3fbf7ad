//! Which records a file holds, by its headers and its name.

use std::collections::BTreeSet;

use crate::columns;
use crate::report::ImportKind;

/// Which records a file most likely holds; nothing when neither its headers nor its name say it.
///
/// Headers that fit one kind decide. If they fit none (one is missing or misspelt), the name does
/// (`sites.csv`, `2026-sites.csv`), else the kind that most of the headers belong to: reading the file
/// as that kind then says what is wrong.
#[must_use]
pub fn recognise(name: &str, content: &[u8]) -> Option<ImportKind> {
    let header = header(content);
    let known = |kind: ImportKind| {
        columns(kind).iter().filter(|column| header.contains(column.name)).count()
    };
    let fits = |kind: &ImportKind| {
        let required = columns(*kind).iter().filter(|column| column.required);
        known(*kind) == header.len() && required.clone().all(|it| header.contains(it.name))
    };
    let exact: Vec<ImportKind> = ImportKind::ALL.iter().copied().filter(fits).collect();
    if let [kind] = exact[..] {
        return Some(kind);
    }
    let name = name.to_lowercase();
    let named = |kind: &ImportKind| name.contains(kind.as_str());
    let named: Vec<ImportKind> = ImportKind::ALL.iter().copied().filter(named).collect();
    if let [kind] = named[..] {
        return Some(kind);
    }
    let most = ImportKind::ALL.iter().copied().max_by_key(|kind| known(*kind))?;
    (2 * known(most) > header.len()).then_some(most)
}

/// The names in the first row.
fn header(content: &[u8]) -> BTreeSet<String> {
    let content = content.strip_prefix("\u{feff}".as_bytes()).unwrap_or(content);
    let mut reader = csv::ReaderBuilder::new()
        .has_headers(false)
        .flexible(true)
        .trim(csv::Trim::All)
        .from_reader(content);
    let mut record = csv::ByteRecord::new();
    match reader.read_byte_record(&mut record) {
        Ok(true) => record.iter().map(|it| String::from_utf8_lossy(it).into_owned()).collect(),
        Ok(false) | Err(_) => BTreeSet::new(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_kind_is_known_by_its_required_headers_and_by_all_of_them() {
        for kind in ImportKind::ALL {
            let required: Vec<&str> =
                columns(*kind).iter().filter(|it| it.required).map(|it| it.name).collect();
            let all: Vec<&str> = columns(*kind).iter().map(|it| it.name).collect();
            for names in [required, all] {
                let file = format!("\u{feff}{}\r\n1\r\n", names.join(","));
                assert_eq!(recognise("upload.csv", file.as_bytes()), Some(*kind), "{names:?}");
            }
        }
    }

    #[test]
    fn a_misspelt_header_leaves_the_name_or_the_other_headers_to_tell() {
        let file = b"site,nmae,address_1,city,region,postal_code\n";
        assert_eq!(recognise("2026-sites.csv", file), Some(ImportKind::Sites));
        assert_eq!(recognise("upload.csv", file), Some(ImportKind::Sites));
        assert_eq!(recognise("upload.csv", b"colour,shape\nred,round\n"), None);
        assert_eq!(recognise("upload.csv", b""), None);
        assert_eq!(recognise("upload.csv", &[0xff, 0xfe, 0, 1]), None);
    }
}
