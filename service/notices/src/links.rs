//! Signed links for people without an account: answer, see the report, stop the mail.
//!
//! A token says what it is for, for which visit and person, and until when, followed by an
//! HMAC-SHA256 (RFC 2104, FIPS 180-4) over exactly that. It is a capability: whoever holds it may
//! do that one thing. It can be revoked for a person as a whole, by raising the generation that
//! the caller keeps beside the contact.

use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use chrono::{DateTime, Utc};
use hmac::{Hmac, KeyInit as _, Mac as _};
use hotspell_domain::{ContactId, VisitId, text_enum};
use sha2::Sha256;

text_enum!(
    /// The one thing that a link lets its holder do.
    LinkPurpose, "link purpose" {
        /// Say yes, pick another slot, ask for a call.
        AnswerVisit => "answer-visit",
        /// Read the report of a visit.
        ReadReport => "read-report",
        /// Answer about the agreement.
        AnswerRenewal => "answer-renewal",
        /// Stop the mail.
        StopMail => "stop-mail",
    }
);

impl LinkPurpose {
    const fn code(self) -> u8 {
        match self {
            Self::AnswerVisit => 1,
            Self::ReadReport => 2,
            Self::AnswerRenewal => 3,
            Self::StopMail => 4,
        }
    }

    fn from_code(code: u8) -> Option<Self> {
        Self::ALL.iter().copied().find(|purpose| purpose.code() == code)
    }
}

/// What a token says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct LinkClaims {
    /// What it is for.
    pub purpose: LinkPurpose,
    /// About which visit, if about one.
    pub visit: Option<VisitId>,
    /// For whom.
    pub contact: ContactId,
    /// The contact's generation of links when the token was made. The caller compares it with the
    /// present one and refuses an older token.
    pub generation: u32,
    /// The token counts before this instant, kept to the second.
    pub expires_at: DateTime<Utc>,
}

/// Why a token does not count.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum LinkError {
    /// Cut, changed, made with another key, or no token at all.
    #[error("the link is incomplete or was changed")]
    Tampered,
    /// Genuine, but too late.
    #[error("the link was good until {0}")]
    Expired(DateTime<Utc>),
    /// Genuine, but made for something else.
    #[error("the link was made for «{0}»")]
    WrongPurpose(LinkPurpose),
}

/// The secret that signs links.
#[derive(Clone)]
pub struct LinkKey(Vec<u8>);

impl core::fmt::Debug for LinkKey {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        f.write_str("LinkKey(***)")
    }
}

/// A key that is too short to sign with.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("the key has {0} bytes; at least {min} random bytes are needed", min = LinkKey::MIN_BYTES)]
pub struct KeyTooShort(pub usize);

impl LinkKey {
    /// As many bytes as the hash gives (RFC 2104, section 3).
    pub const MIN_BYTES: usize = 32;

    /// Takes random bytes as the key.
    ///
    /// # Errors
    /// [`KeyTooShort`] below [`Self::MIN_BYTES`].
    pub fn new(bytes: &[u8]) -> Result<Self, KeyTooShort> {
        if bytes.len() < Self::MIN_BYTES {
            return Err(KeyTooShort(bytes.len()));
        }
        Ok(Self(bytes.to_vec()))
    }

    /// A key for one use, derived from this one, so that one secret in the configuration serves
    /// several uses without one signature passing for another.
    #[must_use]
    pub fn derived(&self, usage: &str) -> Self {
        Self(mac(&self.0, usage.as_bytes()).finalize().into_bytes().to_vec())
    }

    /// The token that says `claims`: 83 characters of URL-safe base64 (RFC 4648, section 5).
    #[must_use]
    pub fn sign(&self, claims: &LinkClaims) -> String {
        let mut bytes = payload(claims).to_vec();
        let signature = mac(&self.0, &bytes).finalize().into_bytes();
        bytes.extend_from_slice(&signature);
        URL_SAFE_NO_PAD.encode(bytes)
    }

    /// What a token says, if it is genuine, made for `purpose` and not expired at `now`.
    ///
    /// The signature is compared in constant time, and nothing of the token is believed before.
    ///
    /// # Errors
    /// [`LinkError`] says which of the three failed. Only a genuine token is told that it expired.
    pub fn verify(
        &self,
        token: &str,
        purpose: LinkPurpose,
        now: DateTime<Utc>,
    ) -> Result<LinkClaims, LinkError> {
        let bytes = URL_SAFE_NO_PAD.decode(token).map_err(|_not_base64| LinkError::Tampered)?;
        let (said, signature) =
            bytes.split_first_chunk::<PAYLOAD_BYTES>().ok_or(LinkError::Tampered)?;
        mac(&self.0, said).verify_slice(signature).map_err(|_differs| LinkError::Tampered)?;
        let claims = claims_of(said).ok_or(LinkError::Tampered)?;
        if claims.purpose != purpose {
            return Err(LinkError::WrongPurpose(claims.purpose));
        }
        if now >= claims.expires_at {
            return Err(LinkError::Expired(claims.expires_at));
        }
        Ok(claims)
    }
}

const VERSION: u8 = 1;
/// Version, purpose, visit (zero for none), contact, generation, expiry in seconds since 1970.
const PAYLOAD_BYTES: usize = 1 + 1 + 8 + 8 + 4 + 8;

fn payload(claims: &LinkClaims) -> [u8; PAYLOAD_BYTES] {
    let mut bytes = [0; PAYLOAD_BYTES];
    bytes[0] = VERSION;
    bytes[1] = claims.purpose.code();
    bytes[2..10].copy_from_slice(&claims.visit.map_or(0, |visit| visit.0).to_be_bytes());
    bytes[10..18].copy_from_slice(&claims.contact.0.to_be_bytes());
    bytes[18..22].copy_from_slice(&claims.generation.to_be_bytes());
    bytes[22..30].copy_from_slice(&claims.expires_at.timestamp().to_be_bytes());
    bytes
}

fn claims_of(bytes: &[u8; PAYLOAD_BYTES]) -> Option<LinkClaims> {
    if bytes[0] != VERSION {
        return None;
    }
    let visit = i64::from_be_bytes(bytes[2..10].try_into().ok()?);
    Some(LinkClaims {
        purpose: LinkPurpose::from_code(bytes[1])?,
        visit: (visit != 0).then_some(VisitId(visit)),
        contact: ContactId(i64::from_be_bytes(bytes[10..18].try_into().ok()?)),
        generation: u32::from_be_bytes(bytes[18..22].try_into().ok()?),
        expires_at: DateTime::from_timestamp(
            i64::from_be_bytes(bytes[22..30].try_into().ok()?),
            0,
        )?,
    })
}

#[expect(clippy::expect_used, reason = "HMAC takes a key of any length (RFC 2104, section 2)")]
fn mac(key: &[u8], message: &[u8]) -> Hmac<Sha256> {
    let mut mac = Hmac::<Sha256>::new_from_slice(key).expect("HMAC takes a key of any length");
    mac.update(message);
    mac
}

/// HMAC-SHA256 of a message, for the channels that sign what they send.
pub(crate) fn hmac_sha256(key: &[u8], message: &[u8]) -> Vec<u8> {
    mac(key, message).finalize().into_bytes().to_vec()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn at(text: &str) -> DateTime<Utc> {
        text.parse().unwrap()
    }

    fn key() -> LinkKey {
        LinkKey::new(&[7; 32]).unwrap()
    }

    fn claims() -> LinkClaims {
        LinkClaims {
            purpose: LinkPurpose::AnswerVisit,
            visit: Some(VisitId(41)),
            contact: ContactId(7),
            generation: 2,
            expires_at: at("2026-03-10T15:00:00Z"),
        }
    }

    // RFC 4231, test case 2 (from memory; the same digits as Python's hmac gives).
    #[test]
    fn the_mac_is_hmac_sha256() {
        let hex: String = hmac_sha256(b"Jefe", b"what do ya want for nothing?")
            .iter()
            .map(|byte| format!("{byte:02x}"))
            .collect();
        assert_eq!(hex, "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843");
    }

    #[test]
    fn a_genuine_token_says_what_was_signed() {
        let token = key().sign(&claims());
        assert_eq!(token.len(), 83);
        let said = key().verify(&token, LinkPurpose::AnswerVisit, at("2026-03-10T14:59:59Z"));
        assert_eq!(said, Ok(claims()));
    }

    #[test]
    fn a_token_does_not_count_from_its_last_second_on() {
        let token = key().sign(&claims());
        let said = key().verify(&token, LinkPurpose::AnswerVisit, at("2026-03-10T15:00:00Z"));
        assert_eq!(said, Err(LinkError::Expired(at("2026-03-10T15:00:00Z"))));
    }

    #[test]
    fn a_token_for_an_answer_does_not_stop_the_mail() {
        let token = key().sign(&claims());
        let said = key().verify(&token, LinkPurpose::StopMail, at("2026-03-01T00:00:00Z"));
        assert_eq!(said, Err(LinkError::WrongPurpose(LinkPurpose::AnswerVisit)));
    }

    #[test]
    fn another_key_or_a_derived_one_does_not_verify() {
        let token = key().sign(&claims());
        let now = at("2026-03-01T00:00:00Z");
        for other in [LinkKey::new(&[8; 32]).unwrap(), key().derived("links")] {
            let said = other.verify(&token, LinkPurpose::AnswerVisit, now);
            assert_eq!(said, Err(LinkError::Tampered));
        }
    }

    #[test]
    fn a_short_key_is_refused_and_a_key_is_never_printed() {
        assert_eq!(LinkKey::new(&[1; 31]).unwrap_err(), KeyTooShort(31));
        assert_eq!(format!("{:?}", key()), "LinkKey(***)");
    }

    proptest! {
        #[test]
        fn any_change_to_a_token_is_noticed(position in 0usize..83, replacement in "[A-Za-z0-9_=. -]") {
            let token = key().sign(&claims());
            let mut changed: Vec<char> = token.chars().collect();
            changed[position] = replacement.chars().next().unwrap();
            let changed: String = changed.into_iter().collect();
            prop_assume!(changed != token);
            let said = key().verify(&changed, LinkPurpose::AnswerVisit, at("2026-03-01T00:00:00Z"));
            prop_assert_eq!(said, Err(LinkError::Tampered));
        }

        #[test]
        fn any_text_is_refused_without_panic(text in "\\PC*") {
            let said = key().verify(&text, LinkPurpose::AnswerVisit, at("2026-03-01T00:00:00Z"));
            prop_assert_eq!(said, Err(LinkError::Tampered));
        }
    }
}
