//! The step from a filled template to a message: Markdown in, blocks out.
//!
//! Every kind of notice has one template per language, in a small part of `CommonMark`. The text
//! and the HTML of a mail are both written from the blocks read here, so they cannot drift apart.
//!
//! | in the template | in the mail |
//! |---|---|
//! | the heading of level 1 | subject, and heading of the HTML |
//! | the first block quote, if it comes right after | the short form: inbox preview and text message |
//! | any other block quote | a box for cautions |
//! | a link alone in its paragraph | a button |
//! | what follows the thematic break (`---`) | the footer |

use core::fmt;

use pulldown_cmark::{Event, HeadingLevel, Options, Parser, Tag, TagEnd};

use super::ComposeError;

/// The escaper of the templates (named in `askama.toml`): a value stands in the mail as written.
///
/// A backslash before ASCII punctuation makes it a plain character (`CommonMark` 0.31, section
/// 2.4), so that no name, note or address can become a link, a heading or HTML. Control
/// characters, line breaks among them, become spaces.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct EscapeMarkdown;

impl askama::filters::Escaper for EscapeMarkdown {
    fn write_escaped_str<W: fmt::Write>(&self, mut dest: W, string: &str) -> fmt::Result {
        for character in string.chars() {
            if character.is_ascii_punctuation() {
                dest.write_char('\\')?;
            }
            dest.write_char(if character.is_control() { ' ' } else { character })?;
        }
        Ok(())
    }
}

/// A piece of a line.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum Inline {
    /// Ordinary text.
    Text(String),
    /// Text to be seen first.
    Strong(String),
    /// A new line inside the paragraph.
    Break,
    /// A link among other text.
    Link {
        /// What is read.
        label: String,
        /// Where it leads.
        url: String,
    },
}

/// A piece of a message.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum Block {
    /// A heading below the title.
    Heading(Vec<Inline>),
    /// A paragraph.
    Paragraph(Vec<Inline>),
    /// A list without order.
    List(Vec<Vec<Inline>>),
    /// A link that stands alone: a button in the HTML.
    Action {
        /// What is read.
        label: String,
        /// Where it leads.
        url: String,
    },
}

/// How a section is to look.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Tone {
    /// The message itself.
    Plain,
    /// Cautions.
    Care,
    /// The footer.
    Quiet,
}

/// Blocks of one tone.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Section {
    pub(crate) tone: Tone,
    pub(crate) blocks: Vec<Block>,
}

/// A whole message.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Document {
    pub(crate) title: String,
    pub(crate) short: String,
    pub(crate) sections: Vec<Section>,
}

impl Document {
    /// Reads a filled template.
    ///
    /// # Errors
    /// [`ComposeError::NoTitle`] when the template gave no heading of level 1, and
    /// [`ComposeError::Markup`] when it used Markdown that mail does not need.
    pub(crate) fn read(markdown: &str) -> Result<Self, ComposeError> {
        let mut reader = Reader::default();
        for event in Parser::new_ext(markdown, Options::empty()) {
            reader.take(event)?;
        }
        reader.sections.retain(|section| !section.blocks.is_empty());
        if reader.title.is_empty() {
            return Err(ComposeError::NoTitle);
        }
        Ok(Self { title: reader.title, short: reader.short, sections: reader.sections })
    }

    /// The first button, where a message that has room for one link only may lead.
    pub(crate) fn first_action(&self) -> Option<&str> {
        self.sections.iter().filter(|section| section.tone != Tone::Quiet).find_map(|section| {
            section.blocks.iter().find_map(|block| match block {
                Block::Action { url, .. } => Some(url.as_str()),
                Block::Heading(_) | Block::Paragraph(_) | Block::List(_) => None,
            })
        })
    }
}

#[derive(Default)]
struct Reader {
    title: String,
    short: String,
    sections: Vec<Section>,
    line: Vec<Inline>,
    strong: bool,
    link: Option<(String, String)>,
    items: Vec<Vec<Inline>>,
    in_short: bool,
    in_list: bool,
}

impl Reader {
    fn take(&mut self, event: Event<'_>) -> Result<(), ComposeError> {
        match event {
            Event::Start(tag) => return self.start(tag),
            Event::End(tag) => self.end(tag),
            Event::Text(text) => self.text(&text),
            Event::SoftBreak => self.text(" "),
            Event::HardBreak => self.line.push(Inline::Break),
            Event::Rule => self.open(Tone::Quiet),
            Event::Code(_)
            | Event::InlineMath(_)
            | Event::DisplayMath(_)
            | Event::Html(_)
            | Event::InlineHtml(_)
            | Event::FootnoteReference(_)
            | Event::TaskListMarker(_) => {
                return Err(ComposeError::Markup(format!("{event:?}")));
            }
        }
        Ok(())
    }

    fn start(&mut self, tag: Tag<'_>) -> Result<(), ComposeError> {
        match tag {
            Tag::Heading { .. } | Tag::Item => self.line.clear(),
            Tag::Paragraph => {
                if !self.in_list {
                    self.line.clear();
                }
            }
            Tag::BlockQuote(_) => {
                let first = self.short.is_empty() && self.sections.is_empty();
                if first {
                    self.in_short = true;
                } else {
                    self.open(Tone::Care);
                }
            }
            Tag::List(None) => {
                self.in_list = true;
                self.items.clear();
            }
            Tag::Strong => self.strong = true,
            Tag::Link { dest_url, .. } => self.link = Some((String::new(), dest_url.into_string())),
            other => return Err(ComposeError::Markup(format!("{other:?}"))),
        }
        Ok(())
    }

    fn end(&mut self, tag: TagEnd) {
        match tag {
            TagEnd::Heading(HeadingLevel::H1) => {
                self.title = plain(&core::mem::take(&mut self.line));
            }
            TagEnd::Heading(_) => {
                let line = core::mem::take(&mut self.line);
                self.push(Block::Heading(line));
            }
            TagEnd::Paragraph if self.in_list => {}
            TagEnd::Paragraph => {
                let line = core::mem::take(&mut self.line);
                if self.in_short {
                    self.short = plain(&line);
                } else {
                    self.push(paragraph(line));
                }
            }
            TagEnd::Item => self.items.push(core::mem::take(&mut self.line)),
            TagEnd::List(_) => {
                self.in_list = false;
                let items = core::mem::take(&mut self.items);
                self.push(Block::List(items));
            }
            TagEnd::BlockQuote(_) if self.in_short => self.in_short = false,
            TagEnd::BlockQuote(_) => self.open(Tone::Plain),
            TagEnd::Strong => self.strong = false,
            TagEnd::Link => {
                if let Some((label, url)) = self.link.take() {
                    self.line.push(Inline::Link { label, url });
                }
            }
            // `start` refused everything else.
            _ => {}
        }
    }

    fn text(&mut self, text: &str) {
        if let Some((label, _)) = &mut self.link {
            label.push_str(text);
            return;
        }
        // The parser splits at every escape; joined again, a line is few pieces.
        match (self.line.last_mut(), self.strong) {
            (Some(Inline::Strong(last)), true) | (Some(Inline::Text(last)), false) => {
                last.push_str(text);
            }
            (_, true) => self.line.push(Inline::Strong(text.to_owned())),
            (_, false) => self.line.push(Inline::Text(text.to_owned())),
        }
    }

    fn open(&mut self, tone: Tone) {
        self.sections.push(Section { tone, blocks: Vec::new() });
    }

    fn push(&mut self, block: Block) {
        if self.sections.is_empty() {
            self.open(Tone::Plain);
        }
        if let Some(section) = self.sections.last_mut() {
            section.blocks.push(block);
        }
    }
}

fn paragraph(mut line: Vec<Inline>) -> Block {
    match line.pop() {
        Some(Inline::Link { label, url }) if line.is_empty() => Block::Action { label, url },
        Some(last) => {
            line.push(last);
            Block::Paragraph(line)
        }
        None => Block::Paragraph(line),
    }
}

/// A line without any markup, and with ordinary spaces for those that must not break: a plain
/// text, a subject or a text message is broken elsewhere anyway.
pub(crate) fn plain(line: &[Inline]) -> String {
    let text: String = line
        .iter()
        .map(|inline| match inline {
            Inline::Text(text) | Inline::Strong(text) => text.clone(),
            Inline::Break => "\n".to_owned(),
            Inline::Link { label, url } if label == url || url.starts_with("tel:") => label.clone(),
            Inline::Link { label, url } => format!("{label}: {url}"),
        })
        .collect();
    text.replace('\u{a0}', " ")
}

#[cfg(test)]
mod tests {
    use super::*;
    use askama::filters::Escaper as _;
    use proptest::prelude::*;

    fn escaped(value: &str) -> String {
        let mut text = String::new();
        EscapeMarkdown.write_escaped_str(&mut text, value).unwrap();
        text
    }

    #[test]
    fn a_link_alone_is_a_button_and_a_rule_begins_the_footer() {
        let document = Document::read(
            "# Hi\n\n> Short.\n\nText **now**.\n\n[Go](<https://a.example>)\n\n---\n\nBye",
        )
        .unwrap();
        assert_eq!((document.title.as_str(), document.short.as_str()), ("Hi", "Short."));
        assert_eq!(document.first_action(), Some("https://a.example"));
        let tones: Vec<Tone> = document.sections.iter().map(|section| section.tone).collect();
        assert_eq!(tones, [Tone::Plain, Tone::Quiet]);
    }

    #[test]
    fn a_template_without_a_title_is_refused() {
        assert!(matches!(Document::read("only text"), Err(ComposeError::NoTitle)));
    }

    #[test]
    fn markup_that_mail_does_not_need_is_refused() {
        assert!(matches!(Document::read("# T\n\n<b>x</b>"), Err(ComposeError::Markup(_))));
        assert!(matches!(Document::read("# T\n\n1. x"), Err(ComposeError::Markup(_))));
    }

    proptest! {
        #[test]
        fn no_value_becomes_markup(value in "[ -~\u{e1}\u{f1}\u{2026}]{1,60}") {
            let markdown = format!("# Title\n\nBefore {} after.\n\n- Item {} end", escaped(&value), escaped(&value));
            let document = Document::read(&markdown).unwrap();
            let Block::Paragraph(line) = &document.sections[0].blocks[0] else { panic!("{document:?}") };
            prop_assert_eq!(plain(line), format!("Before {value} after."));
            prop_assert_eq!(line.len(), 1);
        }

        #[test]
        fn a_value_with_any_characters_stays_in_its_paragraph(value in "\\PC*|[\\s\\S]{0,40}") {
            let document = Document::read(&format!("# Title\n\nBefore {} after.", escaped(&value))).unwrap();
            prop_assert_eq!(document.sections.len(), 1);
            prop_assert_eq!(document.sections[0].blocks.len(), 1);
        }
    }
}
