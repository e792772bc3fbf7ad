//! Passwords: Argon2id with its own salt (OWASP Password Storage: m = 19 MiB, t = 2, p = 1,
//! which are the library's defaults).

use argon2::Argon2;
use argon2::password_hash::phc::PasswordHash;
use argon2::password_hash::{PasswordHasher as _, PasswordVerifier as _};

/// Fewest characters (ASVS 5.0, 6.2.1).
pub const LENGTH_MIN: usize = 8;
/// Most characters; longer than anybody types, short enough to hash.
pub const LENGTH_MAX: usize = 256;

/// Passwords that everybody tries first. Words of eight letters and more only: shorter ones are
/// refused anyway.
const TOO_COMMON: &[&str] = &[
    "password",
    "password1",
    "password12",
    "password123",
    "passw0rd",
    "12345678",
    "123456789",
    "1234567890",
    "qwertyui",
    "qwerty123",
    "qwertyuiop",
    "1q2w3e4r",
    "1qaz2wsx",
    "iloveyou",
    "sunshine",
    "princess",
    "football",
    "baseball",
    "superman",
    "trustno1",
    "letmein1",
    "welcome1",
    "welcome123",
    "admin123",
    "administrator",
    "abcd1234",
    "abc12345",
    "11111111",
    "00000000",
    "88888888",
    "87654321",
    "asdfghjk",
    "zaq12wsx",
    "starwars",
    "computer",
    "whatever",
    "changeme",
    "default1",
    "hotspell",
    "aircondition",
    "airconditioner",
    "heatpump",
];

/// Why a password cannot be taken or hashed.
#[derive(Debug, thiserror::Error)]
pub enum PasswordError {
    /// Too short or too long.
    #[error("expected {LENGTH_MIN} to {LENGTH_MAX} characters; 15 or more are advised")]
    Length,
    /// Everybody's first guess.
    #[error("this password is among the first that anybody would try; choose another")]
    TooCommon,
    /// The hash failed.
    #[error("the password could not be hashed: {0}")]
    Hash(String),
}

/// The hash to store, with its salt and costs (PHC string).
///
/// # Errors
/// [`PasswordError`] says what was expected.
pub fn hash(password: &str) -> Result<String, PasswordError> {
    if !(LENGTH_MIN..=LENGTH_MAX).contains(&password.chars().count()) {
        return Err(PasswordError::Length);
    }
    if TOO_COMMON.contains(&password.to_lowercase().as_str()) {
        return Err(PasswordError::TooCommon);
    }
    let failed = |error: argon2::password_hash::Error| PasswordError::Hash(error.to_string());
    Ok(Argon2::default().hash_password(password.as_bytes()).map_err(failed)?.to_string())
}

/// Whether the password is the one that was hashed. A stored text that is no hash fits nothing.
#[must_use]
pub fn fits(password: &str, stored: &str) -> bool {
    PasswordHash::new(stored)
        .is_ok_and(|hash| Argon2::default().verify_password(password.as_bytes(), &hash).is_ok())
}

/// Takes as long as [`fits`] and answers nothing.
pub fn spend(password: &str) {
    drop(Argon2::default().hash_password(password.as_bytes()));
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_same_password_is_never_stored_alike_and_always_fits() {
        let (one, other) = (hash("correct horse").unwrap(), hash("correct horse").unwrap());
        assert_ne!(one, other);
        assert!(one.starts_with("$argon2id$v=19$m=19456,t=2,p=1$"), "{one}");
        assert!(fits("correct horse", &one) && fits("correct horse", &other));
        assert!(!fits("correct house", &one));
        assert!(!fits("correct horse", "no hash"));
    }

    #[test]
    fn short_and_common_passwords_are_refused() {
        assert!(matches!(hash("seven77"), Err(PasswordError::Length)));
        assert!(matches!(hash("Password123"), Err(PasswordError::TooCommon)));
        // Characters count, not bytes.
        assert!(hash("ñandú-ñá").is_ok());
    }
}
