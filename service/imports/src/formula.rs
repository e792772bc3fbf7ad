//! Cells that a spreadsheet would take for formulas.
//!
//! Text that begins with `=`, `+`, `-` or `@` runs as a formula when a spreadsheet opens the file,
//! so that a household's name could read other cells or call a link. An export puts an apostrophe
//! before such text, which spreadsheets take for «this is text»; an import takes one away. Text that
//! begins with apostrophes and then such a sign gets one more, so that every text comes back as it
//! was. Numbers, days and phone numbers are checked for what they are and go as they are.

fn is_sign(c: char) -> bool {
    matches!(c, '=' | '+' | '-' | '@')
}

fn hides_a_sign(text: &str) -> bool {
    text.trim_start_matches('\'').starts_with(is_sign)
}

/// The text as an export writes it.
pub(crate) fn guarded(text: &str) -> String {
    if hides_a_sign(text) { format!("'{text}") } else { text.to_owned() }
}

/// The text of a cell as it was before [`guarded`].
pub(crate) fn bare(cell: &str) -> &str {
    match cell.strip_prefix('\'') {
        Some(text) if hides_a_sign(text) => text,
        _ => cell,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn text_that_looks_like_a_formula_is_guarded() {
        for text in ["=1+1", "+1", "-2", "@name", "=HYPERLINK(\"https://example.com\")"] {
            assert_eq!(guarded(text), format!("'{text}"));
        }
        assert_eq!(guarded("'=already"), "''=already");
        for text in ["O'Neil", "'tis", "12 Example St", "", "'"] {
            assert_eq!(guarded(text), text);
        }
    }

    proptest! {
        #[test]
        fn every_text_comes_back(text in "['=+@a-]{0,6}.{0,6}") {
            let cell = guarded(&text);
            prop_assert!(!cell.starts_with(is_sign));
            prop_assert_eq!(bare(&cell), text);
        }
    }
}
