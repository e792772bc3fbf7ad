//! The mail of a notice: the same bytes at each attempt.

use std::time::{Duration, SystemTime};

use chrono::{DateTime, Utc};
use hotspell_domain::{NoticeId, NoticeKind};
use lettre::Message;
use lettre::address::{AddressError, Envelope};
use lettre::message::dkim::{
    DkimCanonicalization, DkimCanonicalizationType, DkimConfig, DkimSigningAlgorithm,
    DkimSigningKey, DkimSigningKeyError,
};
use lettre::message::header::{ContentType, HeaderName, HeaderValue};
use lettre::message::{Mailbox, MultiPart, MultiPartKind, SinglePart};
use sha2::{Digest as _, Sha256};

use crate::calendar::Method;
use crate::compose::ComposedNotice;

/// Who a notice is for. Channels use what they need of it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Recipient {
    /// Name.
    pub name: String,
    /// Mail address.
    pub email: Option<String>,
    /// Telephone (E.164).
    pub phone: Option<String>,
}

/// Who a notice is from.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Sender {
    /// Name.
    pub name: String,
    /// Mail address; the part after the at-sign also ends the Message-ID.
    pub email: String,
    /// Where answers go.
    pub reply_to: String,
    /// Where bounces go (the envelope's sender); none for `email`.
    pub bounce_to: Option<String>,
}

/// How a household stops its mail (RFC 2369, section 3.2; RFC 8058).
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct StopLinks {
    /// Takes the POST of a mail client. It names person and list unguessably. Only with `https`
    /// the one-click header is set, since RFC 8058, section 3.1, demands it.
    pub web_url: String,
    /// A `mailto:` URL for clients that stop by mail.
    pub mailto_url: String,
}

/// A composed notice with everything that its way out needs.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct OutgoingNotice {
    /// Its row; the Message-ID is made of it.
    pub id: NoticeId,
    /// What it is about.
    pub kind: NoticeKind,
    /// When it was composed: Date of the mail, and part of the Message-ID, so that a database
    /// that starts again at one does not repeat the ids of an earlier one.
    pub composed_at: DateTime<Utc>,
    /// For whom.
    pub recipient: Recipient,
    /// From whom.
    pub sender: Sender,
    /// How to stop; required for mail to households.
    pub stop: Option<StopLinks>,
    /// What it says.
    pub content: ComposedNotice,
}

impl OutgoingNotice {
    /// The Message-ID without its angle brackets, the same at each attempt: a receiver that
    /// accepted a message whose answer was lost sees a duplicate, not a second message.
    #[must_use]
    pub fn message_id(&self) -> String {
        message_id(self.id, self.composed_at, &self.sender.email)
    }
}

/// The Message-ID of a notice (RFC 5322, section 3.6.4) without its angle brackets.
#[must_use]
pub fn message_id(id: NoticeId, composed_at: DateTime<Utc>, sender_email: &str) -> String {
    let domain = sender_email.rsplit_once('@').map_or("", |(_, domain)| domain);
    format!("notice-{id}.{}@{domain}", composed_at.format("%Y%m%dT%H%M%SZ"))
}

/// The notice that a Message-ID of ours belongs to, with or without angle brackets.
#[must_use]
pub fn notice_of(message_id: &str) -> Option<NoticeId> {
    let rest = message_id.trim().trim_start_matches('<').strip_prefix("notice-")?;
    let (id, rest) = rest.split_once('.')?;
    rest.contains('@').then(|| id.parse().ok().map(NoticeId))?
}

/// Whether the notice goes to a household, which must be able to stop it.
#[must_use]
pub const fn is_for_household(kind: NoticeKind) -> bool {
    match kind {
        NoticeKind::Reminder
        | NoticeKind::SecondReminder
        | NoticeKind::DayBefore
        | NoticeKind::SlotChanged
        | NoticeKind::TechnicianDelayed
        | NoticeKind::VisitReport
        | NoticeKind::RenewalDue => true,
        NoticeKind::TechnicianRoute | NoticeKind::OfficeDigest | NoticeKind::Sample => false,
    }
}

/// Why no mail can be made of a notice. None of these mends itself by trying again.
#[derive(Debug, thiserror::Error)]
pub enum MessageError {
    /// The recipient has no mail address.
    #[error("there is no mail address for {0}")]
    NoAddress(String),
    /// An address is none.
    #[error("«{address}» is no mail address")]
    Address {
        /// What was given.
        address: String,
        /// Why not.
        source: AddressError,
    },
    /// Mail to a household without a way to stop it.
    #[error("a {0} goes to a household and needs a link that stops the mail")]
    NoStopLink(NoticeKind),
    /// A stop link that cannot stand in a header.
    #[error(
        "«{0}» cannot stand in a List-Unsubscribe header: expected a web and a mailto URL without spaces, commas or angle brackets"
    )]
    StopLink(String),
    /// The mail library refused.
    #[error("the mail could not be put together")]
    Build(#[from] lettre::error::Error),
}

/// A key that signs mail (DKIM, RFC 6376).
#[derive(Debug)]
pub struct DkimSigner(DkimConfig);

/// The kinds of keys.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum DkimAlgorithm {
    /// RSA key as PKCS#1 PEM.
    Rsa,
    /// Ed25519 seed as base64 (RFC 8463).
    Ed25519,
}

impl DkimSigner {
    /// Reads the key.
    ///
    /// # Errors
    /// When the text is no such key.
    pub fn new(
        selector: &str,
        domain: &str,
        algorithm: DkimAlgorithm,
        key: &str,
    ) -> Result<Self, DkimSigningKeyError> {
        let algorithm = match algorithm {
            DkimAlgorithm::Rsa => DkimSigningAlgorithm::Rsa,
            DkimAlgorithm::Ed25519 => DkimSigningAlgorithm::Ed25519,
        };
        let key = DkimSigningKey::new(key, algorithm)?;
        let relaxed = DkimCanonicalizationType::Relaxed;
        Ok(Self(DkimConfig::new(
            selector.to_owned(),
            domain.to_owned(),
            key,
            SIGNED_HEADERS.map(HeaderName::new_from_ascii_str).to_vec(),
            DkimCanonicalization { header: relaxed, body: relaxed },
        )))
    }
}

/// RFC 6376, section 5.4.1, names most of them; RFC 8058, section 3.1, the last two. A header
/// that a mail lacks signs that it is lacking.
///
/// Content-Type is not among them: the library keeps that of a multipart mail with the body, out
/// of reach of its signature, and a signature that names it would not verify.
const SIGNED_HEADERS: [&str; 9] = [
    "From",
    "To",
    "Reply-To",
    "Subject",
    "Date",
    "Message-ID",
    "MIME-Version",
    "List-Unsubscribe",
    "List-Unsubscribe-Post",
];

/// The mail of a notice.
///
/// # Errors
/// [`MessageError`]; the notice can never become a mail as it stands.
pub fn build(notice: &OutgoingNotice, dkim: Option<&DkimSigner>) -> Result<Message, MessageError> {
    let email = notice
        .recipient
        .email
        .as_deref()
        .ok_or_else(|| MessageError::NoAddress(notice.recipient.name.clone()))?;
    let to = mailbox(&notice.recipient.name, email)?;
    let from = mailbox(&notice.sender.name, &notice.sender.email)?;
    let reply_to = mailbox(&notice.sender.name, &notice.sender.reply_to)?;
    let bounce_to = match &notice.sender.bounce_to {
        Some(address) => mailbox("", address)?.email,
        None => from.email.clone(),
    };
    let envelope = Envelope::new(Some(bounce_to), vec![to.email.clone()])?;

    let mut builder = Message::builder()
        .from(from)
        .to(to)
        .reply_to(reply_to)
        .subject(one_line(&notice.content.subject))
        .date(system_time(notice.composed_at))
        .message_id(Some(format!("<{}>", notice.message_id())))
        // RFC 3834, section 5: no automatic answer is asked for.
        .raw_header(header("Auto-Submitted", "auto-generated".to_owned()))
        .envelope(envelope);
    for (name, value) in stop_headers(notice)? {
        builder = builder.raw_header(header(name, value));
    }
    let mut message = builder.multipart(parts(notice)?)?;
    if let Some(DkimSigner(config)) = dkim {
        message.sign(config);
    }
    Ok(message)
}

fn parts(notice: &OutgoingNotice) -> Result<MultiPart, MessageError> {
    let content = &notice.content;
    let mut parts = MultiPart::builder()
        .kind(MultiPartKind::Alternative)
        .boundary(boundary(notice))
        .singlepart(SinglePart::plain(content.text.clone()))
        .singlepart(SinglePart::html(content.html.clone()));
    if let Some(calendar) = &content.calendar {
        let cancels = calendar.contains("\r\nMETHOD:CANCEL\r\n");
        let method = if cancels { Method::Cancel } else { Method::Request };
        let content_type = calendar_type(method)?;
        parts = parts.singlepart(SinglePart::builder().header(content_type).body(calendar.clone()));
    }
    Ok(parts)
}

fn calendar_type(method: Method) -> Result<ContentType, MessageError> {
    ContentType::parse(&format!("text/calendar; charset=utf-8; method={}", method.as_str()))
        .map_err(|_invalid| MessageError::Build(lettre::error::Error::NonAsciiChars))
}

/// A boundary that is the same at each attempt. It holds a hash of the whole content, so no
/// content can contain it.
fn boundary(notice: &OutgoingNotice) -> String {
    let mut hash = Sha256::new();
    for part in [&notice.content.text, &notice.content.html] {
        hash.update(part.as_bytes());
        hash.update([0]);
    }
    hash.update(notice.content.calendar.as_deref().unwrap_or_default().as_bytes());
    let hex: String = hash.finalize().iter().take(16).map(|byte| format!("{byte:02x}")).collect();
    format!("=_notice_{hex}")
}

fn stop_headers(notice: &OutgoingNotice) -> Result<Vec<(&'static str, String)>, MessageError> {
    let Some(stop) = &notice.stop else {
        return if is_for_household(notice.kind) {
            Err(MessageError::NoStopLink(notice.kind))
        } else {
            Ok(Vec::new())
        };
    };
    let secure = stop.web_url.starts_with("https://");
    if !secure && !stop.web_url.starts_with("http://") {
        return Err(MessageError::StopLink(stop.web_url.clone()));
    }
    if !stop.mailto_url.starts_with("mailto:") {
        return Err(MessageError::StopLink(stop.mailto_url.clone()));
    }
    for url in [&stop.web_url, &stop.mailto_url] {
        if url.chars().any(|c| !c.is_ascii_graphic() || matches!(c, '<' | '>' | ',')) {
            return Err(MessageError::StopLink(url.clone()));
        }
    }
    let mut headers =
        vec![("List-Unsubscribe", format!("<{}>, <{}>", stop.web_url, stop.mailto_url))];
    if secure {
        headers.push(("List-Unsubscribe-Post", "List-Unsubscribe=One-Click".to_owned()));
    }
    Ok(headers)
}

fn mailbox(name: &str, address: &str) -> Result<Mailbox, MessageError> {
    let email = address
        .parse()
        .map_err(|source| MessageError::Address { address: address.to_owned(), source })?;
    let name = one_line(name);
    Ok(Mailbox::new((!name.is_empty()).then_some(name), email))
}

/// A header's text: no control characters, so that no value begins a header of its own.
fn one_line(text: &str) -> String {
    text.chars().map(|c| if c.is_control() { ' ' } else { c }).collect::<String>().trim().to_owned()
}

fn header(name: &'static str, value: String) -> HeaderValue {
    HeaderValue::new(HeaderName::new_from_ascii_str(name), value)
}

fn system_time(moment: DateTime<Utc>) -> SystemTime {
    let seconds = u64::try_from(moment.timestamp()).unwrap_or(0);
    SystemTime::UNIX_EPOCH + Duration::from_secs(seconds)
}
