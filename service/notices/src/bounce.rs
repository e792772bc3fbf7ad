//! What comes back: delivery status notifications (RFC 3464).

use mail_parser::{Message, MessageParser, MessagePart, MimeHeaders as _, PartType};

/// What a reporting server did about one recipient (RFC 3464, section 2.3.3).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Action {
    /// It gave up.
    Failed,
    /// It is still trying.
    Delayed,
    /// It was delivered, relayed or expanded.
    Delivered,
}

/// An enhanced status code (RFC 3463) such as 5.1.1.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct StatusCode {
    /// 2 success, 4 may pass, 5 will not pass.
    pub class: u8,
    /// Such as 1 (address), 2 (mailbox), 7 (policy).
    pub subject: u16,
    /// The rest.
    pub detail: u16,
}

impl core::fmt::Display for StatusCode {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        write!(f, "{}.{}.{}", self.class, self.subject, self.detail)
    }
}

/// One recipient of a report.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RecipientStatus {
    /// The address that the mail was meant for: the original one if the report gives it, else
    /// the one finally tried.
    pub address: String,
    /// What was done.
    pub action: Action,
    /// Why, as a code.
    pub status: StatusCode,
    /// Why, in the remote server's words.
    pub diagnostic: Option<String>,
}

impl RecipientStatus {
    /// Whether mail to this address will not get through: the server gave up, and the code says
    /// that it was not for a passing reason.
    #[must_use]
    pub const fn is_permanent(&self) -> bool {
        matches!(self.action, Action::Failed) && self.status.class == 5
    }
}

/// A delivery status notification.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Bounce {
    /// Recipient by recipient.
    pub recipients: Vec<RecipientStatus>,
    /// Message-ID of the mail that the report is about, without angle brackets, if the report
    /// returns the mail or its headers. [`crate::message::notice_of`] gives the notice.
    pub original_message_id: Option<String>,
}

/// Why a mail is no delivery status notification that can be used.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum BounceError {
    /// Not a mail at all.
    #[error("this is no mail")]
    NotAMail,
    /// A mail of another kind, such as an answer by a person.
    #[error("this is no delivery report (no message/delivery-status part)")]
    NotAReport,
    /// A report without a recipient.
    #[error("the delivery report names no recipient")]
    NoRecipient,
}

/// Reads a mail that came back.
///
/// # Errors
/// [`BounceError`] says what it is instead.
pub fn parse(mail: &[u8]) -> Result<Bounce, BounceError> {
    let message = MessageParser::default().parse(mail).ok_or(BounceError::NotAMail)?;
    let report = message
        .parts
        .iter()
        .find(|part| is_type(part, "message", "delivery-status"))
        .ok_or(BounceError::NotAReport)?;
    let recipients: Vec<RecipientStatus> =
        groups(&content(&message, report)).iter().filter_map(|group| recipient(group)).collect();
    if recipients.is_empty() {
        return Err(BounceError::NoRecipient);
    }
    Ok(Bounce { recipients, original_message_id: original_message_id(&message) })
}

fn is_type(part: &MessagePart<'_>, kind: &str, subtype: &str) -> bool {
    part.content_type().is_some_and(|found| {
        found.ctype().eq_ignore_ascii_case(kind)
            && found.subtype().is_some_and(|sub| sub.eq_ignore_ascii_case(subtype))
    })
}

/// The part's text. The parser may take a group of fields for a nested message, so that case is
/// read from the raw bytes.
fn content(message: &Message<'_>, part: &MessagePart<'_>) -> String {
    let bytes = match &part.body {
        PartType::Message(_) | PartType::Multipart(_) => {
            let range = usize::try_from(part.offset_body).unwrap_or(usize::MAX)
                ..usize::try_from(part.offset_end).unwrap_or(usize::MAX);
            message.raw_message.get(range).unwrap_or_default()
        }
        _ => part.contents(),
    };
    String::from_utf8_lossy(bytes).replace("\r\n", "\n")
}

/// Groups of fields, separated by blank lines; the first is about the report as such.
fn groups(text: &str) -> Vec<String> {
    text.split("\n\n")
        .map(|group| format!("{}\n\n", group.trim_matches('\n')))
        .filter(|group| !group.trim().is_empty())
        .collect()
}

fn recipient(group: &str) -> Option<RecipientStatus> {
    let fields = MessageParser::default().parse_headers(group.as_bytes())?;
    let field = |name: &str| fields.header_raw(name).map(unfold);
    let final_recipient = typed_value(&field("Final-Recipient")?);
    let action = match field("Action")?.to_ascii_lowercase().as_str() {
        "failed" => Action::Failed,
        "delayed" => Action::Delayed,
        _ => Action::Delivered,
    };
    Some(RecipientStatus {
        address: field("Original-Recipient").map_or(final_recipient, |text| typed_value(&text)),
        action,
        status: status(&field("Status")?)?,
        diagnostic: field("Diagnostic-Code").map(|text| typed_value(&text)),
    })
}

fn unfold(value: &str) -> String {
    value.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// The value after `rfc822;` or `smtp;`, without angle brackets.
fn typed_value(text: &str) -> String {
    let value = text.split_once(';').map_or(text, |(_, value)| value).trim();
    value.strip_prefix('<').and_then(|rest| rest.strip_suffix('>')).unwrap_or(value).to_owned()
}

/// The code; a comment may follow it (RFC 3464, section 2.3.4).
fn status(text: &str) -> Option<StatusCode> {
    let code = text.split_whitespace().next()?;
    let mut numbers = code.split('.');
    let status = StatusCode {
        class: numbers.next()?.parse().ok()?,
        subject: numbers.next()?.parse().ok()?,
        detail: numbers.next()?.parse().ok()?,
    };
    (numbers.next().is_none() && matches!(status.class, 2 | 4 | 5)).then_some(status)
}

fn original_message_id(message: &Message<'_>) -> Option<String> {
    message.parts.iter().find_map(|part| match &part.body {
        PartType::Message(original) if is_type(part, "message", "rfc822") => {
            original.message_id().map(str::to_owned)
        }
        _ if is_type(part, "text", "rfc822-headers") => {
            let text = format!("{}\n\n", content(message, part).trim_end());
            let headers = MessageParser::default().parse_headers(text.as_bytes())?;
            headers.message_id().map(str::to_owned)
        }
        _ => None,
    })
}
