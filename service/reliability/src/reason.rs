//! Why a component's risk is what it is, in contributions that add up.
//!
//! The scale is the logarithm of cumulative risk `-ln(1 - P)` up to the date of the reasons. It
//! starts from a reference part (same class, typical heat age of the branch, by the trade's life
//! range alone, same weather) and every reason adds its weight; the sum is the component's own
//! log cumulative risk. A weight of 0.69 doubles the risk, -0.69 halves it.

use hotspell_domain::{ComponentClass, Condition};
use serde::{Deserialize, Serialize};

/// What moved the risk, with the values behind it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "kind")]
pub enum ReasonKind {
    /// The branch's own records against the trade's life range.
    BranchRecords {
        /// Failures of this class on record.
        failures: usize,
        /// Scale by the records, equivalent hours.
        scale_hours: f64,
        /// Scale by the trade's range, equivalent hours.
        trade_scale_hours: f64,
    },
    /// The part's heat age against the typical part.
    HeatAge {
        /// Its heat age, equivalent hours.
        hours: f64,
        /// Heat age of the reference part.
        reference_hours: f64,
    },
    /// It gathers heat faster or slower than a part at rated voltage in the shade.
    HeatRate {
        /// Factor.
        rate: f64,
    },
    /// A covariate of the fit.
    Covariate {
        /// Its name.
        name: String,
        /// Its value; 0 is the reference.
        value: f64,
    },
    /// Parts of the same site failed.
    SiteFailures {
        /// How many.
        failures: u32,
    },
    /// Parts of the same site, this one included, have lasted.
    SiteSurvival {
        /// How many parts the site's history knows.
        parts: u32,
        /// Failures that an average site would have had by now.
        expected_failures: f64,
    },
    /// What meters said of this part over time.
    Drift {
        /// Number of readings.
        readings: usize,
        /// The last one, percent from rated.
        last_percent: f64,
        /// Drift judged from readings and branch, percent per 1000 equivalent hours.
        percent_per_kilohour: f64,
        /// The out limit, percent.
        limit_percent: f64,
    },
    /// The weather and the site's frailty are uncertain; averaging over them moves the risk a
    /// little.
    Uncertainty,
    /// The last reading lies below the out limit: the part has failed.
    ReadBelowLimit {
        /// The reading, percent from rated.
        percent: f64,
        /// The out limit, percent.
        limit_percent: f64,
    },
    /// Seen by a technician.
    Seen {
        /// What.
        condition: Condition,
    },
}

/// One contribution.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Reason {
    /// What and with which values.
    pub what: ReasonKind,
    /// Added to the log cumulative risk; infinite when the part has failed already, then stored
    /// as none.
    pub weight: Option<f64>,
}

impl Reason {
    /// A sentence that an office scheduler understands.
    #[must_use]
    pub fn sentence(&self) -> String {
        let effect = self.effect();
        match &self.what {
            ReasonKind::BranchRecords { failures: 0, .. } => {
                format!("None has failed on your own records so far: {effect}.")
            }
            ReasonKind::BranchRecords { failures, .. } => {
                format!("Your own records ({failures} failures of this kind of part): {effect}.")
            }
            ReasonKind::HeatAge { hours, reference_hours } => format!(
                "It has gathered {hours:.0} h of heat age, a typical part here {reference_hours:.0} h: {effect}."
            ),
            ReasonKind::HeatRate { rate } => {
                let pace = if *rate >= 1.0 { "faster" } else { "slower" };
                format!("Voltage and place make it age {pace} ({rate:.2} h per hour): {effect}.")
            }
            ReasonKind::Covariate { name, value } => {
                format!("{} ({value:.2}): {effect}.", capitalised(name))
            }
            ReasonKind::SiteFailures { failures: 1 } => {
                format!("Another part failed at this home: {effect}.")
            }
            ReasonKind::SiteFailures { failures } => {
                format!("{failures} other parts failed at this home: {effect}.")
            }
            ReasonKind::SiteSurvival { parts, expected_failures } => format!(
                "The parts at this home ({parts}) have lasted through heat in which {expected_failures:.1} failures were to be expected: {effect}."
            ),
            ReasonKind::Drift { readings, last_percent, limit_percent, .. } => {
                let times = if *readings == 1 { "once" } else { "more than once" };
                format!(
                    "Measured {times}, last at {last_percent:+.1} % of rated (out at {limit_percent:+.0} %): {effect}."
                )
            }
            ReasonKind::Uncertainty => {
                format!("The weather and the home are not known exactly: {effect}.")
            }
            ReasonKind::ReadBelowLimit { percent, limit_percent } => format!(
                "The last reading, {percent:+.1} % of rated, is below the limit of {limit_percent:+.0} %: the part is out."
            ),
            ReasonKind::Seen { condition: Condition::Hot } => {
                "It was found hotter than normal: a suspicion, not proof; measure it.".to_owned()
            }
            ReasonKind::Seen { condition } => {
                format!("It was found {condition}: the part has failed.")
            }
        }
    }

    fn effect(&self) -> String {
        let factor = self.weight.map_or(f64::INFINITY, f64::exp);
        if (0.97..=1.03).contains(&factor) {
            "hardly any change in risk".to_owned()
        } else if factor > 1.0 {
            format!("risk {factor:.1} times as high")
        } else {
            format!("risk down to {:.0} %", 100.0 * factor)
        }
    }
}

fn capitalised(name: &str) -> String {
    let mut letters = name.chars();
    letters.next().map_or_else(String::new, |first| {
        first.to_uppercase().chain(letters).map(|c| if c == '-' { ' ' } else { c }).collect()
    })
}

/// Sorts by size of the weight, failures first; ties keep their order.
pub(crate) fn sort(reasons: &mut [Reason]) {
    let size = |reason: &Reason| reason.weight.map_or(f64::INFINITY, f64::abs);
    reasons.sort_by(|a, b| size(b).total_cmp(&size(a)));
}

/// A short name of the class for headings.
#[must_use]
pub fn class_words(class: ComponentClass) -> &'static str {
    match class {
        ComponentClass::RunCapacitorSingle => "run capacitor",
        ComponentClass::RunCapacitorDual => "dual run capacitor",
        ComponentClass::Contactor => "contactor",
        ComponentClass::FanMotor => "fan motor",
        ComponentClass::BlowerMotor => "blower motor",
        ComponentClass::Compressor => "compressor",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_twins_failure_reads_like_a_sentence() {
        let reason = Reason { what: ReasonKind::SiteFailures { failures: 1 }, weight: Some(0.405) };
        assert_eq!(reason.sentence(), "Another part failed at this home: risk 1.5 times as high.");
    }

    #[test]
    fn a_bulged_part_is_said_to_have_failed() {
        let reason =
            Reason { what: ReasonKind::Seen { condition: Condition::Bulged }, weight: None };
        assert_eq!(reason.sentence(), "It was found bulged: the part has failed.");
    }
}
