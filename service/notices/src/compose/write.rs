//! Text and HTML from the blocks of a message.

use askama::Template;
use hotspell_domain::Language;

use super::ComposeError;
use super::markdown::{Block, Document, Inline, Section, Tone, plain};

#[derive(Template)]
#[template(path = "mail.html")]
struct Html<'a> {
    language: Language,
    document: &'a Document,
}

/// The HTML part: one column, inline styles, no remote content.
pub(super) fn html(document: &Document, language: Language) -> Result<String, ComposeError> {
    Ok(Html { language, document }.render()?)
}

/// The text part. Paragraphs are not wrapped: every reader wraps to its own width.
pub(super) fn text(document: &Document) -> String {
    let mut out = String::new();
    for section in &document.sections {
        match section.tone {
            Tone::Plain => {}
            Tone::Care => out.push_str("* * *\n\n"),
            // Not the signature delimiter «-- »: readers fold away what follows it, and the footer
            // must be seen.
            Tone::Quiet => out.push_str("---\n\n"),
        }
        for block in &section.blocks {
            write_block(&mut out, block, section);
        }
        if section.tone == Tone::Care {
            out.push_str("* * *\n\n");
        }
    }
    out.truncate(out.trim_end().len());
    out.push('\n');
    out
}

fn write_block(out: &mut String, block: &Block, section: &Section) {
    match block {
        Block::Heading(line) => {
            let heading = plain(line);
            let underline = "-".repeat(heading.chars().count());
            out.push_str(&format!("{heading}\n{underline}\n\n"));
        }
        Block::Paragraph(line) => out.push_str(&format!("{}\n\n", plain(line))),
        Block::List(items) => {
            for item in items {
                out.push_str(&format!("- {}\n", plain(item).replace('\n', "\n  ")));
            }
            out.push('\n');
        }
        Block::Action { label, url } if section.tone == Tone::Quiet => {
            out.push_str(&format!("{label}: {url}\n\n"));
        }
        Block::Action { label, url } => out.push_str(&format!("{label}:\n{url}\n\n")),
    }
}
