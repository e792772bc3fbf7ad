//! Mail by SMTP (RFC 5321) to one relay.
//!
//! The steps are taken one by one, not through the library's pooled transport: only so it is
//! known whether the message was under way when something failed, and no connection is used again
//! after a time-out left it in the middle of a message. One connection carries one message.

use std::time::Duration;

use async_trait::async_trait;
use chrono::{DateTime, Utc};
use lettre::transport::smtp::Error;
use lettre::transport::smtp::authentication::{Credentials as SmtpCredentials, Mechanism};
use lettre::transport::smtp::client::{AsyncSmtpConnection, Certificate, TlsParameters};
use lettre::transport::smtp::commands::{Data, Mail, Rcpt};
use lettre::transport::smtp::extension::{ClientId, Extension, MailParameter};
use lettre::{Address, Message};
use tokio::time::timeout;

use super::{Channel, DeliveryOutcome, chain};
use crate::message::{DkimSigner, OutgoingNotice, build};

/// How the connection is protected.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Encryption {
    /// Not at all; for a relay on the same machine only.
    None,
    /// Plain at first, then TLS (RFC 3207); refused when the relay does not offer it.
    StartTls,
    /// TLS from the first byte (RFC 8314).
    Implicit,
}

/// What the relay wants to know.
#[derive(Clone)]
pub struct Credentials {
    /// User.
    pub user: String,
    /// Password.
    pub password: String,
}

impl core::fmt::Debug for Credentials {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        f.debug_struct("Credentials").field("user", &self.user).field("password", &"***").finish()
    }
}

/// The relay and how to speak to it.
#[derive(Debug, Clone)]
pub struct SmtpSettings {
    /// Host name; also the name that its certificate must have.
    pub host: String,
    /// Port, usually 465 (implicit TLS) or 587 (STARTTLS).
    pub port: u16,
    /// Protection.
    pub encryption: Encryption,
    /// User and password, if it asks for them.
    pub credentials: Option<Credentials>,
    /// Name that the service greets with (EHLO); none for the machine's own.
    pub hello_name: Option<String>,
    /// A further certificate authority as PEM, beside the public ones.
    pub authority_pem: Option<Vec<u8>>,
    /// Longest time until the relay is ready for the message (connection, TLS, sign-in, envelope).
    pub ready_within: Duration,
    /// Longest time for the message and its answer. RFC 5321, section 4.5.3.2.6, asks for ten
    /// minutes after the final dot.
    pub answer_within: Duration,
}

impl SmtpSettings {
    /// A relay with implicit TLS on port 465 and the usual times.
    #[must_use]
    pub fn new(host: &str) -> Self {
        Self {
            host: host.to_owned(),
            port: 465,
            encryption: Encryption::Implicit,
            credentials: None,
            hello_name: None,
            authority_pem: None,
            ready_within: Duration::from_secs(60),
            answer_within: Duration::from_secs(600),
        }
    }
}

/// Settings that no connection can be made with.
#[derive(Debug, thiserror::Error)]
pub enum SmtpSettingsError {
    /// Certificates or the host name.
    #[error("the TLS settings for the mail relay do not fit")]
    Tls(#[source] Error),
    /// A password that would travel in the clear.
    #[error("a password for the mail relay needs encryption: choose STARTTLS or implicit TLS")]
    PasswordInTheClear,
}

/// Delivers by SMTP.
pub struct SmtpChannel {
    settings: SmtpSettings,
    hello: ClientId,
    tls: Option<TlsParameters>,
    dkim: Option<DkimSigner>,
}

impl core::fmt::Debug for SmtpChannel {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        f.debug_struct("SmtpChannel").field("settings", &self.settings).finish_non_exhaustive()
    }
}

/// A failure before the message itself was under way, or the relay's answer to it.
enum Stop {
    /// The relay's word about this message.
    Answer(Error),
    /// Trouble with the relay as such, whatever the message.
    Relay(String),
}

impl SmtpChannel {
    /// A channel to a relay. Nothing is connected yet.
    ///
    /// # Errors
    /// [`SmtpSettingsError`].
    pub fn new(
        settings: SmtpSettings,
        dkim: Option<DkimSigner>,
    ) -> Result<Self, SmtpSettingsError> {
        let tls = match settings.encryption {
            Encryption::None if settings.credentials.is_some() && !is_loopback(&settings.host) => {
                return Err(SmtpSettingsError::PasswordInTheClear);
            }
            Encryption::None => None,
            Encryption::StartTls | Encryption::Implicit => {
                let mut builder = TlsParameters::builder(settings.host.clone());
                if let Some(pem) = &settings.authority_pem {
                    let authority = Certificate::from_pem(pem).map_err(SmtpSettingsError::Tls)?;
                    builder = builder.add_root_certificate(authority);
                }
                Some(builder.build_rustls().map_err(SmtpSettingsError::Tls)?)
            }
        };
        let hello = settings.hello_name.clone().map_or_else(ClientId::default, ClientId::Domain);
        Ok(Self { settings, hello, tls, dkim })
    }

    /// Connects, protects the connection and signs in. No failure here is the message's fault: a
    /// wrong password must not make the service give up mail.
    async fn connect(&self) -> Result<AsyncSmtpConnection, Stop> {
        let relay = |error: Error| Stop::Relay(chain(&error));
        let implicit = match self.settings.encryption {
            Encryption::Implicit => self.tls.clone(),
            Encryption::None | Encryption::StartTls => None,
        };
        let address = (self.settings.host.as_str(), self.settings.port);
        let mut connection = AsyncSmtpConnection::connect_tokio1(
            address,
            Some(self.settings.ready_within),
            &self.hello,
            implicit,
            None,
        )
        .await
        .map_err(relay)?;
        if let (Encryption::StartTls, Some(tls)) = (self.settings.encryption, &self.tls) {
            connection.starttls(tls.clone(), &self.hello).await.map_err(relay)?;
        }
        if let Some(Credentials { user, password }) = &self.settings.credentials {
            let credentials = SmtpCredentials::new(user.clone(), password.clone());
            connection
                .auth(&[Mechanism::Plain, Mechanism::Login], &credentials)
                .await
                .map_err(relay)?;
        }
        Ok(connection)
    }

    /// Everything up to the relay's «go ahead» (354).
    async fn prepare(&self, message: &Message) -> Result<AsyncSmtpConnection, Stop> {
        let mut connection = self.connect().await?;
        let envelope = message.envelope();
        let mut parameters = Vec::new();
        let beyond_ascii = |address: &Address| !AsRef::<str>::as_ref(address).is_ascii();
        if envelope.from().is_some_and(beyond_ascii) || envelope.to().iter().any(beyond_ascii) {
            if !connection.server_info().supports_feature(Extension::SmtpUtfEight) {
                return Err(Stop::Relay(
                    "the relay takes no address with letters beyond ASCII (SMTPUTF8)".to_owned(),
                ));
            }
            parameters.push(MailParameter::SmtpUtfEight);
        }
        connection
            .command(Mail::new(envelope.from().cloned(), parameters))
            .await
            .map_err(Stop::Answer)?;
        for recipient in envelope.to() {
            connection
                .command(Rcpt::new(recipient.clone(), Vec::new()))
                .await
                .map_err(Stop::Answer)?;
        }
        connection.command(Data).await.map_err(Stop::Answer)?;
        Ok(connection)
    }

    async fn send(&self, message: &Message) -> DeliveryOutcome {
        let mut connection = match timeout(self.settings.ready_within, self.prepare(message)).await
        {
            Ok(Ok(connection)) => connection,
            Ok(Err(Stop::Answer(error))) => return before_data(&error),
            Ok(Err(Stop::Relay(reason))) => return DeliveryOutcome::TryAgain { reason },
            Err(_elapsed) => {
                let seconds = self.settings.ready_within.as_secs();
                let reason = format!("the relay was not ready within {seconds} s");
                return DeliveryOutcome::TryAgain { reason };
            }
        };
        match timeout(self.settings.answer_within, connection.message(&message.formatted())).await {
            Ok(Ok(response)) => {
                let answer = response.message().collect::<Vec<_>>().join(" ");
                // The message is delivered, whatever becomes of the farewell.
                drop(timeout(Duration::from_secs(2), connection.quit()).await);
                DeliveryOutcome::Delivered { answer }
            }
            Ok(Err(error)) => after_data(&error),
            Err(_elapsed) => DeliveryOutcome::Unknown {
                reason: format!(
                    "no answer to the message within {} s",
                    self.settings.answer_within.as_secs()
                ),
            },
        }
    }
}

fn is_loopback(host: &str) -> bool {
    host == "localhost" || host.parse::<core::net::IpAddr>().is_ok_and(|ip| ip.is_loopback())
}

/// The relay spoke, or fell silent, before the message was under way.
fn before_data(error: &Error) -> DeliveryOutcome {
    let reason = chain(error);
    // 530, 534, 535 and 538 are about signing in (RFC 4954, section 6), not about the message.
    let about_sign_in =
        error.status().is_some_and(|code| matches!(u16::from(code), 530 | 534 | 535 | 538));
    if error.is_permanent() && !about_sign_in {
        DeliveryOutcome::Refused { reason }
    } else {
        DeliveryOutcome::TryAgain { reason }
    }
}

/// The relay spoke, or fell silent, when the message was under way.
fn after_data(error: &Error) -> DeliveryOutcome {
    let reason = chain(error);
    if error.is_permanent() {
        DeliveryOutcome::Refused { reason }
    } else if error.is_transient() {
        DeliveryOutcome::TryAgain { reason }
    } else {
        DeliveryOutcome::Unknown { reason }
    }
}

#[async_trait]
impl Channel for SmtpChannel {
    fn name(&self) -> &'static str {
        "smtp"
    }

    async fn deliver(&self, notice: &OutgoingNotice, _now: DateTime<Utc>) -> DeliveryOutcome {
        match build(notice, self.dkim.as_ref()) {
            Ok(message) => self.send(&message).await,
            Err(error) => DeliveryOutcome::Refused { reason: chain(&error) },
        }
    }
}
