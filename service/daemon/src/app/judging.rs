//! One reading against its part's rating: what it says, or what is wrong with it.

use hotspell_domain::capacitor::Verdict;
use hotspell_domain::quantity::microfarads_under_load;
use hotspell_domain::{Amperes, Microfarads, ReadingLimits, Volts};
use hotspell_store::components::ComponentRecord;
use hotspell_store::readings::ReadingRecord;

use super::results::{ResultReading, rated};

/// The capacitance that a stored reading says, from the meter or from volts and amperes.
#[must_use]
pub fn measured(reading: &ReadingRecord, mains_hertz: f64) -> Option<Microfarads> {
    match (reading.microfarads, reading.volts, reading.amperes) {
        (Some(metered), _, _) => Microfarads::new(metered).ok(),
        (None, Some(volts), Some(amperes)) => {
            let (volts, amperes) = (Volts::new(volts).ok()?, Amperes::new(amperes).ok()?);
            microfarads_under_load(volts, amperes, mains_hertz).ok()
        }
        _ => None,
    }
}

/// What a stored reading says of its part; nothing when nothing was measured or seen.
#[must_use]
pub fn judged(
    part: &ComponentRecord,
    reading: &ReadingRecord,
    mains_hertz: f64,
) -> Option<Verdict> {
    if reading.conditions.iter().any(|condition| condition.means_failed()) {
        return Some(Verdict::Out);
    }
    let measured = measured(reading, mains_hertz)?;
    Some(ReadingLimits::default().judge(rated(part, reading.section)?, measured))
}

/// Field and sentence of what is wrong.
type Wrong = (&'static str, String);

/// What the reading says of the part; nothing when nothing was measured against a known rating.
///
/// # Errors
/// The field that is wrong, as a JSON pointer below the reading, and what was expected.
pub fn measured_section(
    part: &ComponentRecord,
    reading: &ResultReading,
    mains_hertz: f64,
) -> Result<Option<Verdict>, Wrong> {
    if reading.volts.is_some() != reading.amperes.is_some() {
        return Err(("/volts", "give volts and amperes together".to_owned()));
    }
    let metered = reading
        .microfarads
        .map(Microfarads::new)
        .transpose()
        .map_err(|error| ("/microfarads", error.to_string()))?;
    let loaded = match (reading.volts, reading.amperes) {
        (Some(volts), Some(amperes)) => {
            let volts = Volts::new(volts).map_err(|error| ("/volts", error.to_string()))?;
            let amperes = Amperes::new(amperes).map_err(|error| ("/amperes", error.to_string()))?;
            let value = microfarads_under_load(volts, amperes, mains_hertz)
                .map_err(|error| ("/volts", error.to_string()))?;
            Some(value)
        }
        _ => None,
    };
    let nothing = metered.is_none()
        && loaded.is_none()
        && reading.conditions.is_empty()
        && reading.note.is_none();
    if nothing {
        return Err(("", "expected a measurement, a condition or a note".to_owned()));
    }
    if reading.conditions.iter().any(|condition| condition.means_failed()) {
        return Ok(Some(Verdict::Out));
    }
    let judged = metered.or(loaded).zip(rated(part, reading.section));
    Ok(judged.map(|(measured, rated)| ReadingLimits::default().judge(rated, measured)))
}
