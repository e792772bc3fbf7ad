//! Closed sets of words that are stored, imported and shown under one spelling.

/// A word outside the closed set, with the words that would have been accepted.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("«{word}» is no {what}; expected one of: {expected}")]
pub struct UnknownWord {
    /// What the set is called, such as `visit kind`.
    pub what: &'static str,
    /// The word that was given.
    pub word: String,
    /// The accepted words, separated by commas.
    pub expected: String,
}

/// Declares an enum whose variants each have one lower-case, hyphenated spelling used in the
/// database, in CSV files and in the API alike.
// `tt`, not `literal`: a captured literal comes wrapped, and the schema's macro then overlooks the
// rename and would publish the variants' Rust names.
#[macro_export]
macro_rules! text_enum {
    ($(#[$doc:meta])* $name:ident, $what:literal { $($(#[$vdoc:meta])* $variant:ident => $text:tt),+ $(,)? }) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, serde::Serialize, serde::Deserialize)]
        #[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
        pub enum $name { $($(#[$vdoc])* #[serde(rename = $text)] $variant),+ }

        impl $name {
            /// Every value, in declaration order.
            pub const ALL: &'static [Self] = &[$(Self::$variant),+];

            /// The one spelling.
            #[must_use]
            pub const fn as_str(self) -> &'static str {
                match self { $(Self::$variant => $text),+ }
            }
        }

        impl core::fmt::Display for $name {
            fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
                f.write_str(self.as_str())
            }
        }

        impl core::str::FromStr for $name {
            type Err = $crate::text_enum::UnknownWord;

            fn from_str(word: &str) -> Result<Self, Self::Err> {
                Self::ALL.iter().copied().find(|value| value.as_str() == word).ok_or_else(|| {
                    $crate::text_enum::UnknownWord {
                        what: $what,
                        word: word.to_owned(),
                        expected: Self::ALL.iter().map(|value| value.as_str()).collect::<Vec<_>>().join(", "),
                    }
                })
            }
        }
    };
}
