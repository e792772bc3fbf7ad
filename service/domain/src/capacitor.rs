//! Ratings of run capacitors, what may replace what, and when a reading is due or out.
//!
//! The rules are common practice and have no published source; the manufacturer's instructions
//! and local codes come first.

use core::fmt;
use core::str::FromStr;

use serde::{Deserialize, Serialize};

use crate::quantity::Microfarads;

/// The voltage printed on the can.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum VoltageRating {
    /// 370 V alone.
    V370,
    /// 440 V alone.
    V440,
    /// 370/440 V.
    V370Or440,
}

impl VoltageRating {
    /// Every voltage, lowest first.
    pub const ALL: [Self; 3] = [Self::V370, Self::V440, Self::V370Or440];

    /// As printed.
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::V370 => "370",
            Self::V440 => "440",
            Self::V370Or440 => "370/440",
        }
    }

    /// The voltage that the part stands continuously, in volts.
    #[must_use]
    pub const fn volts(self) -> f64 {
        match self {
            Self::V370 => 370.0,
            Self::V440 | Self::V370Or440 => 440.0,
        }
    }

    /// Whether a part of this rating may stand in for one rated `old`.
    #[must_use]
    pub const fn may_replace(self, old: Self) -> bool {
        match old {
            // A 370/440 V can may have sat in a 440 V circuit, so it asks for 440 V.
            Self::V440 | Self::V370Or440 => !matches!(self, Self::V370),
            Self::V370 => true,
        }
    }
}

/// Rating of a run capacitor, written `45+5 uF 370/440 V` (compressor section first) or
/// `7.5 uF 440 V`.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub struct CapacitorRating {
    /// Compressor section (HERM) of a dual part, or the only section.
    pub main: Microfarads,
    /// Fan section of a dual part.
    pub fan: Option<Microfarads>,
    /// Voltage.
    pub voltage: VoltageRating,
}

/// A text that is no capacitor rating.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("«{0}» is no capacitor rating; expected such as «45+5 uF 370/440 V» or «7.5 uF 440 V»")]
pub struct RatingError(pub String);

/// Why a part may not replace another.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum ReplacementRefusal {
    /// Another capacitance.
    #[error("the old part is {old}, the new one {new}: the microfarads must be the same")]
    Capacitance {
        /// The part that goes out.
        old: CapacitorRating,
        /// The part that was to go in.
        new: CapacitorRating,
    },
    /// Too low a voltage.
    #[error("a {} V part may not be replaced by a {} V part", old.as_str(), new.as_str())]
    Voltage {
        /// The part that goes out.
        old: VoltageRating,
        /// The part that was to go in.
        new: VoltageRating,
    },
}

impl CapacitorRating {
    /// Checks whether `new` may go where `self` was: same microfarads in every section, and for
    /// 370 V a part of 370, 440 or 370/440 V, for 440 V one of 440 or 370/440 V.
    ///
    /// # Errors
    /// [`ReplacementRefusal`] names the two values that do not fit.
    pub fn check_replacement(&self, new: &Self) -> Result<(), ReplacementRefusal> {
        if self.main != new.main || self.fan != new.fan {
            return Err(ReplacementRefusal::Capacitance { old: *self, new: *new });
        }
        if !new.voltage.may_replace(self.voltage) {
            return Err(ReplacementRefusal::Voltage { old: self.voltage, new: new.voltage });
        }
        Ok(())
    }

    /// Every rating that [`Self::check_replacement`] lets go where `self` was, lowest voltage first.
    pub fn replacements(self) -> impl Iterator<Item = Self> {
        let all = VoltageRating::ALL.into_iter().map(move |voltage| Self { voltage, ..self });
        all.filter(move |new| self.check_replacement(new).is_ok())
    }
}

impl FromStr for CapacitorRating {
    type Err = RatingError;

    fn from_str(text: &str) -> Result<Self, RatingError> {
        let refuse = || RatingError(text.to_owned());
        let mut words = text.split_whitespace();
        let (Some(farads), Some("uF"), Some(volts), Some("V"), None) =
            (words.next(), words.next(), words.next(), words.next(), words.next())
        else {
            return Err(refuse());
        };
        let section = |number: &str| {
            let value: f64 = number.parse().ok().ok_or_else(refuse)?;
            if value <= 0.0 {
                return Err(refuse());
            }
            Microfarads::new(value).ok().ok_or_else(refuse)
        };
        let (main, fan) = match farads.split_once('+') {
            Some((main, fan)) => (section(main)?, Some(section(fan)?)),
            None => (section(farads)?, None),
        };
        let voltage = match volts {
            "370" => VoltageRating::V370,
            "440" => VoltageRating::V440,
            "370/440" => VoltageRating::V370Or440,
            _ => return Err(refuse()),
        };
        Ok(Self { main, fan, voltage })
    }
}

impl fmt::Display for CapacitorRating {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", self.main.get())?;
        if let Some(fan) = self.fan {
            write!(f, "+{}", fan.get())?;
        }
        write!(f, " uF {} V", self.voltage.as_str())
    }
}

impl TryFrom<String> for CapacitorRating {
    type Error = RatingError;
    fn try_from(text: String) -> Result<Self, RatingError> {
        text.parse()
    }
}

impl From<CapacitorRating> for String {
    fn from(value: CapacitorRating) -> Self {
        value.to_string()
    }
}

/// What a reading of a section says.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Verdict {
    /// Inside the limits.
    WithinTolerance,
    /// Below the first limit: plan the replacement.
    Due,
    /// Below the second limit: out.
    Out,
}

impl Verdict {
    /// Every verdict, best first.
    pub const ALL: [Self; 3] = [Self::WithinTolerance, Self::Due, Self::Out];
}

/// How far below its rating a section may read.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct ReadingLimits {
    /// Due below rated minus this share.
    pub due_share: f64,
    /// Out below rated minus this share.
    pub out_share: f64,
}

impl Default for ReadingLimits {
    /// 6 % and 10 % below rated (common practice, no source).
    fn default() -> Self {
        Self { due_share: 0.06, out_share: 0.10 }
    }
}

impl ReadingLimits {
    /// Judges a measured section against its rating.
    #[must_use]
    pub fn judge(&self, rated: Microfarads, measured: Microfarads) -> Verdict {
        if measured.get() < self.out_below_microfarads(rated) {
            Verdict::Out
        } else if measured.get() < self.due_below_microfarads(rated) {
            Verdict::Due
        } else {
            Verdict::WithinTolerance
        }
    }

    /// A reading below this is due, microfarads.
    #[must_use]
    pub fn due_below_microfarads(&self, rated: Microfarads) -> f64 {
        rated.get() * (1.0 - self.due_share)
    }

    /// A reading below this is out, microfarads.
    #[must_use]
    pub fn out_below_microfarads(&self, rated: Microfarads) -> f64 {
        rated.get() * (1.0 - self.out_share)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn rating(text: &str) -> CapacitorRating {
        text.parse().unwrap()
    }

    // The replacement rule: common practice, no source.
    #[test]
    fn a_370_volt_part_takes_any_voltage_of_the_same_capacitance() {
        let old = rating("45+5 uF 370 V");
        for volts in ["370", "440", "370/440"] {
            old.check_replacement(&rating(&format!("45+5 uF {volts} V"))).unwrap();
        }
    }

    #[test]
    fn a_440_volt_part_refuses_370_volts() {
        let refusal = rating("7.5 uF 440 V").check_replacement(&rating("7.5 uF 370 V"));
        assert_eq!(
            refusal.unwrap_err().to_string(),
            "a 440 V part may not be replaced by a 370 V part"
        );
        rating("7.5 uF 440 V").check_replacement(&rating("7.5 uF 370/440 V")).unwrap();
    }

    #[test]
    fn the_ratings_that_fit_are_named_whole() {
        let named = |old| -> Vec<String> {
            rating(old).replacements().map(|new| new.to_string()).collect()
        };
        assert_eq!(named("7.5 uF 440 V"), ["7.5 uF 440 V", "7.5 uF 370/440 V"]);
        assert_eq!(named("45+5 uF 370 V").len(), 3);
    }

    #[test]
    fn other_microfarads_never_fit() {
        let old = rating("45+5 uF 440 V");
        assert!(old.check_replacement(&rating("40+5 uF 440 V")).is_err());
        assert!(old.check_replacement(&rating("45 uF 440 V")).is_err());
        assert!(old.check_replacement(&rating("5+45 uF 440 V")).is_err());
    }

    #[test]
    fn ratings_read_back_as_printed() {
        for text in ["45+5 uF 370/440 V", "7.5 uF 440 V", "35 uF 370 V"] {
            assert_eq!(rating(text).to_string(), text);
        }
    }

    #[test]
    fn a_rating_without_a_unit_is_refused() {
        for text in ["45+5", "45 370", "0 uF 440 V", "45 uF 380 V", "-5 uF 440 V", "45 uF 440 V x"]
        {
            assert!(text.parse::<CapacitorRating>().is_err(), "{text}");
        }
    }

    // The limits: common practice, no source.
    #[test]
    fn a_45_microfarad_section_is_due_below_42_3_and_out_below_40_5() {
        let limits = ReadingLimits::default();
        let judge =
            |value| limits.judge(Microfarads::new(45.0).unwrap(), Microfarads::new(value).unwrap());
        assert_eq!(judge(42.4), Verdict::WithinTolerance);
        assert_eq!(judge(42.2), Verdict::Due);
        assert_eq!(judge(40.4), Verdict::Out);
    }
}
