//! A branch's own lines in its mail to households: one after the greeting, one before the foot.
//!
//! A line is plain text. Words in braces stand for values that every mail to a household has; nothing
//! else in braces may stand in it, so that no mail goes out with a brace that nobody filled.

use core::fmt;
use core::str::FromStr;

use super::markdown::{Block, Document, Inline, Tone};
use super::{Branch, Household};

/// A line has at most so many characters.
pub const MOST_CHARACTERS: usize = 300;

hotspell_domain::text_enum!(
    /// What a branch's own line may have filled in.
    Placeholder, "placeholder" {
        /// How the person is addressed.
        Name => "name",
        /// Street address of the home.
        Address => "address",
        /// Name of the branch.
        Branch => "branch",
    }
);

/// Why a text is no line for a mail.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum OwnLineError {
    /// There is nothing in it.
    #[error("there is no text in it")]
    Empty,
    /// Too much.
    #[error("it has {0} characters; at most {MOST_CHARACTERS} fit")]
    TooLong(usize),
    /// A line break or another character that is not seen.
    #[error("it must be one line, without tabs or other control characters")]
    SeveralLines,
    /// Braces around what no mail has.
    #[error("«{{{0}}}» cannot be filled in; {possible}", possible = possible())]
    Unknown(String),
    /// A brace without its other half.
    #[error("a brace stands alone; {possible}", possible = possible())]
    LoneBrace,
}

fn possible() -> String {
    let names: Vec<String> = Placeholder::ALL.iter().map(|name| format!("{{{name}}}")).collect();
    format!("possible are {}", names.join(", "))
}

#[derive(Debug, Clone, PartialEq, Eq)]
enum Piece {
    Text(String),
    Value(Placeholder),
}

/// One line, checked.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct OwnLine(Vec<Piece>);

impl FromStr for OwnLine {
    type Err = OwnLineError;

    fn from_str(text: &str) -> Result<Self, OwnLineError> {
        let length = text.chars().count();
        if text.trim().is_empty() {
            return Err(OwnLineError::Empty);
        }
        if length > MOST_CHARACTERS {
            return Err(OwnLineError::TooLong(length));
        }
        // U+2028 and U+2029 break lines without being control characters.
        if text.chars().any(|c| c.is_control() || matches!(c, '\u{2028}' | '\u{2029}')) {
            return Err(OwnLineError::SeveralLines);
        }
        let mut pieces = Vec::new();
        let mut rest = text.trim();
        while let Some(at) = rest.find(['{', '}']) {
            let (before, from) = rest.split_at(at);
            let inside = from.strip_prefix('{').ok_or(OwnLineError::LoneBrace)?;
            let (name, after) = inside.split_once('}').ok_or(OwnLineError::LoneBrace)?;
            if name.contains('{') {
                return Err(OwnLineError::LoneBrace);
            }
            let value = name.parse().map_err(|_| OwnLineError::Unknown(name.to_owned()))?;
            if !before.is_empty() {
                pieces.push(Piece::Text(before.to_owned()));
            }
            pieces.push(Piece::Value(value));
            rest = after;
        }
        if !rest.is_empty() {
            pieces.push(Piece::Text(rest.to_owned()));
        }
        Ok(Self(pieces))
    }
}

/// As it was written.
impl fmt::Display for OwnLine {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.iter().try_for_each(|piece| match piece {
            Piece::Text(text) => f.write_str(text),
            Piece::Value(value) => write!(f, "{{{value}}}"),
        })
    }
}

impl OwnLine {
    /// The line as a household reads it.
    fn filled(&self, branch: &Branch, household: &Household) -> String {
        self.0
            .iter()
            .map(|piece| match piece {
                Piece::Text(text) => text.as_str(),
                Piece::Value(Placeholder::Name) => &household.name,
                Piece::Value(Placeholder::Address) => &household.site_address,
                Piece::Value(Placeholder::Branch) => &branch.name,
            })
            .flat_map(str::chars)
            // As everywhere in a mail: no value breaks a line.
            .map(|character| if character.is_control() { ' ' } else { character })
            .collect()
    }
}

/// The own lines of one kind of notice in one language; by default none.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct OwnLines {
    /// After the greeting.
    pub opening: Option<OwnLine>,
    /// Before the foot.
    pub closing: Option<OwnLine>,
}

/// Puts a branch's lines into a mail to a household. Every such template begins with the greeting in a
/// paragraph of its own.
pub(super) fn insert(document: &mut Document, branch: &Branch, household: &Household) {
    let paragraph =
        |line: &OwnLine| Block::Paragraph(vec![Inline::Text(line.filled(branch, household))]);
    let plain = |section: &&mut super::markdown::Section| section.tone == Tone::Plain;
    if let Some(line) = &branch.own_lines.opening
        && let Some(first) = document.sections.iter_mut().find(plain)
    {
        first.blocks.insert(first.blocks.len().min(1), paragraph(line));
    }
    if let Some(line) = &branch.own_lines.closing
        && let Some(last) = document.sections.iter_mut().rev().find(plain)
    {
        last.blocks.push(paragraph(line));
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn only_values_that_every_mail_has_can_be_filled_in() {
        assert!("Hello {name} at {address}, from {branch}.".parse::<OwnLine>().is_ok());
        let refused = |text: &str| text.parse::<OwnLine>().unwrap_err();
        assert_eq!(refused("Call {phone}."), OwnLineError::Unknown("phone".to_owned()));
        assert_eq!(refused("Dear { name}"), OwnLineError::Unknown(" name".to_owned()));
        for lone in ["{name", "name}", "{{name}}", "a { b", "}{"] {
            assert_eq!(refused(lone), OwnLineError::LoneBrace, "{lone}");
        }
        assert_eq!(
            refused("Call {phone}.").to_string(),
            "«{phone}» cannot be filled in; possible are {name}, {address}, {branch}"
        );
    }

    #[test]
    fn a_line_is_one_line_of_limited_length() {
        let refused = |text: &str| text.parse::<OwnLine>().unwrap_err();
        assert_eq!(refused("  "), OwnLineError::Empty);
        for several in ["a\nb", "a\tb", "a\u{2028}b"] {
            assert_eq!(refused(several), OwnLineError::SeveralLines, "{several:?}");
        }
        let most = "ñ".repeat(MOST_CHARACTERS);
        assert!(most.parse::<OwnLine>().is_ok());
        assert_eq!(refused(&format!("{most}.")), OwnLineError::TooLong(MOST_CHARACTERS + 1));
    }

    proptest! {
        #[test]
        fn a_line_reads_back_as_it_was_written(
            pieces in prop::collection::vec(
                prop_oneof!["[a-z<*&_ \u{e1}]{1,12}", Just("{name}".to_owned()), Just("{branch}".to_owned())],
                1..8,
            )
        ) {
            let text = pieces.concat();
            prop_assume!(!text.trim().is_empty());
            let line: OwnLine = text.parse().unwrap();
            prop_assert_eq!(line.to_string(), text.trim());
        }
    }
}
