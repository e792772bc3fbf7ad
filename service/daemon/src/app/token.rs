//! Access tokens: random, shown once, kept as a digest.

use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;

use super::record;

/// So that a leaked token is recognised by whoever finds it.
const PREFIX: &str = "hs_";

/// The machine gave no random bytes.
#[derive(Debug, thiserror::Error)]
#[error("the machine gives no random bytes: {0}")]
pub struct NoRandomness(getrandom::Error);

/// A new token: 256 random bits. It is shown to its owner and then forgotten.
///
/// # Errors
/// [`NoRandomness`] when the machine's generator fails.
pub fn generate() -> Result<String, NoRandomness> {
    Ok(format!("{PREFIX}{}", URL_SAFE_NO_PAD.encode(random()?)))
}

/// 256 bits of the machine's generator.
pub(super) fn random() -> Result<[u8; 32], NoRandomness> {
    let mut bytes = [0_u8; 32];
    getrandom::fill(&mut bytes).map_err(NoRandomness)?;
    Ok(bytes)
}

/// What is stored of a token: SHA-256 in lower-case hexadecimal. A random token of 256 bits
/// needs no slow hash; the look-up by digest compares no secret byte by byte.
#[must_use]
pub fn digest(token: &str) -> String {
    record::digest(token.as_bytes())
}

#[cfg(test)]
mod tests {
    use super::*;

    // FIPS 180-4, the one-block example message «abc».
    #[test]
    fn the_digest_is_sha_256_in_hexadecimal() {
        assert_eq!(
            digest("abc"),
            "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
        );
    }

    #[test]
    fn no_two_tokens_are_the_same() {
        let (one, other) = (generate().unwrap(), generate().unwrap());
        assert_ne!(one, other);
        assert!(one.len() > 43 && one.starts_with(PREFIX));
    }
}
