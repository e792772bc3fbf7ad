//! Reads expected values and data, compares, and notices what was left out.

use std::cell::RefCell;
use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use serde_json::Value;

fn data(name: &str) -> String {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data").join(name);
    std::fs::read_to_string(&path).unwrap_or_else(|e| panic!("{}: {e}", path.display()))
}

/// A table by column.
pub(crate) struct Table {
    columns: BTreeMap<String, Vec<Option<f64>>>,
    pub(crate) rows: usize,
}

impl Table {
    /// Cells that are empty or no number are `None`.
    pub(crate) fn read(name: &str) -> Self {
        let text = data(name);
        let mut lines = text.lines();
        let names: Vec<&str> = lines.next().unwrap().split(',').collect();
        let mut columns: BTreeMap<String, Vec<Option<f64>>> =
            names.iter().map(|n| ((*n).to_owned(), Vec::new())).collect();
        let mut rows = 0;
        for line in lines.filter(|line| !line.is_empty()) {
            rows += 1;
            for (name, cell) in names.iter().zip(line.split(',')) {
                columns.get_mut(*name).unwrap().push(cell.trim().parse().ok());
            }
        }
        Self { columns, rows }
    }

    pub(crate) fn optional(&self, column: &str) -> &[Option<f64>] {
        self.columns.get(column).unwrap_or_else(|| panic!("no column {column}"))
    }

    pub(crate) fn column(&self, column: &str) -> Vec<f64> {
        self.optional(column).iter().map(|cell| cell.unwrap()).collect()
    }
}

/// One case of `expected.json`.
pub(crate) struct Case {
    id: String,
    expected: BTreeMap<String, Value>,
    seen: RefCell<BTreeSet<String>>,
}

impl Case {
    pub(crate) fn open(id: &str) -> Self {
        let all: Value = serde_json::from_str(&data("expected.json")).unwrap();
        let case = all["cases"].as_array().unwrap().iter().find(|case| case["id"] == id);
        let expected = case.unwrap_or_else(|| panic!("no case {id}"))["expected"].clone();
        let expected = expected.as_object().unwrap().clone().into_iter().collect();
        Self { id: id.to_owned(), expected, seen: RefCell::new(BTreeSet::new()) }
    }

    pub(crate) fn names(&self) -> Vec<String> {
        self.expected.keys().cloned().collect()
    }

    /// Compares one value.
    pub(crate) fn check(&self, name: &str, got: f64) {
        self.check_list(name, &[got]);
    }

    /// Compares a list, element by element.
    pub(crate) fn check_list(&self, name: &str, got: &[f64]) {
        let entry =
            self.expected.get(name).unwrap_or_else(|| panic!("{} has no «{name}»", self.id));
        self.seen.borrow_mut().insert(name.to_owned());
        let absolute = entry["tol_abs"].as_f64().unwrap_or(0.0);
        let relative = entry["tol_rel"].as_f64().unwrap_or(0.0);
        let wanted: Vec<f64> = match &entry["value"] {
            Value::Array(list) => list.iter().map(|v| v.as_f64().unwrap()).collect(),
            value => vec![value.as_f64().unwrap_or_else(|| panic!("{} {name}: no value", self.id))],
        };
        assert_eq!(wanted.len(), got.len(), "{} {name}", self.id);
        for (want, have) in wanted.iter().zip(got) {
            // 1e-13: the expected values are printed with fourteen digits.
            let allowed = absolute + (relative + 1e-13) * want.abs();
            assert!(
                (want - have).abs() <= allowed,
                "{} {name}: got {have}, expected {want} within {allowed:e}",
                self.id
            );
        }
    }

    /// A value that must lie within the range that the case gives.
    pub(crate) fn check_range(&self, name: &str, got: f64) {
        let range = self.expected[name]["range"].as_array().unwrap();
        let (low, high) = (range[0].as_f64().unwrap(), range[1].as_f64().unwrap());
        self.seen.borrow_mut().insert(name.to_owned());
        assert!(
            (low..=high).contains(&got),
            "{} {name}: got {got}, expected {low} to {high}",
            self.id
        );
    }

    /// For a value without a finite answer: the engine must say that there is none.
    pub(crate) fn check_none(&self, name: &str, got: Option<[f64; 2]>) {
        assert!(self.expected[name]["value"].is_null(), "{} {name} has a value", self.id);
        self.seen.borrow_mut().insert(name.to_owned());
        assert_eq!(got, None, "{} {name}", self.id);
    }

    pub(crate) fn has_value(&self, name: &str) -> bool {
        !self.expected[name]["value"].is_null()
    }

    /// Every value must have been looked at.
    pub(crate) fn close(&self) {
        let seen = self.seen.borrow();
        let left: Vec<&String> = self.expected.keys().filter(|k| !seen.contains(*k)).collect();
        assert!(left.is_empty(), "{}: not looked at: {left:?}", self.id);
    }
}

/// Every `name=value` of a text.
pub(crate) fn numbers(text: &str) -> BTreeMap<String, f64> {
    text.split([' ', ':', ','])
        .filter_map(|word| word.split_once('='))
        .filter_map(|(name, value)| Some((name.to_owned(), value.parse().ok()?)))
        .collect()
}

/// The number after `before` in a text.
pub(crate) fn number_after(text: &str, before: &str) -> f64 {
    let rest = &text[text.find(before).unwrap() + before.len()..];
    let digits: String =
        rest.trim_start().chars().take_while(|c| c.is_ascii_digit() || *c == '.').collect();
    digits.parse().unwrap_or_else(|_| panic!("no number after «{before}» in «{text}»"))
}
