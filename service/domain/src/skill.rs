//! What somebody must be trained for to work on a home's machines.

use std::collections::BTreeSet;

use crate::words::{Skill, UnitKind};

/// Cooling capacity above which a machine asks for the skill of large equipment, watts (5 tons).
const LARGE_WATTS: f64 = 17_600.0;

/// The skills that a visit to these machines asks for, each with its cooling capacity in watts if that
/// is known. Whoever comes has all of them.
#[must_use]
pub fn skills_needed(
    machines: impl IntoIterator<Item = (UnitKind, Option<f64>)>,
) -> BTreeSet<Skill> {
    let mut needed = BTreeSet::new();
    for (kind, capacity_watts) in machines {
        needed.insert(kind.skill());
        if capacity_watts.is_some_and(|watts| watts > LARGE_WATTS) {
            needed.insert(Skill::Large);
        }
    }
    needed
}

#[cfg(test)]
mod tests {
    use super::*;

    // A ton of refrigeration is 12,000 Btu/h, 3,516.85 W; so five tons are 17,584 W.
    #[test]
    fn a_home_asks_for_the_skills_of_all_its_machines() {
        let tons = |tons: f64| Some(3_516.85 * tons);
        let needed = |machines: &[(UnitKind, Option<f64>)]| -> Vec<Skill> {
            skills_needed(machines.iter().copied()).into_iter().collect()
        };
        assert_eq!(needed(&[]), []);
        assert_eq!(needed(&[(UnitKind::SplitAirConditioner, None)]), [Skill::Standard]);
        assert_eq!(
            needed(&[(UnitKind::HeatPump, tons(5.0)), (UnitKind::Furnace, None)]),
            [Skill::Standard, Skill::HeatPump]
        );
        assert_eq!(
            needed(&[(UnitKind::HeatPump, tons(7.5)), (UnitKind::HeatPump, tons(3.0))]),
            [Skill::HeatPump, Skill::Large]
        );
        assert_eq!(needed(&[(UnitKind::PackagedUnit, tons(3.0))]), [Skill::Large]);
    }
}
