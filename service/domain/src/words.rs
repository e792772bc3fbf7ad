//! The closed sets of the trade and of the year's conversation.

use crate::text_enum;

text_enum!(
    /// What a machine is.
    UnitKind, "unit kind" {
        /// Outdoor condenser with an indoor coil.
        SplitAirConditioner => "split-air-conditioner",
        /// Outdoor unit that also heats.
        HeatPump => "heat-pump",
        /// Everything in one outdoor cabinet.
        PackagedUnit => "packaged-unit",
        /// Indoor blower and coil.
        AirHandler => "air-handler",
        /// Indoor heater whose blower also moves cooled air.
        Furnace => "furnace",
    }
);

text_enum!(
    /// How much sun the outdoor cabinet gets.
    Exposure, "exposure" {
        /// Full sun for most of the day.
        Sun => "sun",
        /// Sun for part of the day.
        PartSun => "part-sun",
        /// Shaded.
        Shade => "shade",
    }
);

text_enum!(
    /// What a component is.
    ComponentClass, "component class" {
        /// Run capacitor with one section.
        RunCapacitorSingle => "run-capacitor-single",
        /// Run capacitor with a compressor and a fan section under one lid (C, FAN, HERM).
        RunCapacitorDual => "run-capacitor-dual",
        /// The relay that connects line voltage to compressor and fan.
        Contactor => "contactor",
        /// Outdoor fan motor.
        FanMotor => "fan-motor",
        /// Indoor blower motor.
        BlowerMotor => "blower-motor",
        /// Compressor.
        Compressor => "compressor",
    }
);

impl ComponentClass {
    /// Whether the part is a run capacitor, single or dual.
    #[must_use]
    pub const fn is_run_capacitor(self) -> bool {
        matches!(self, Self::RunCapacitorSingle | Self::RunCapacitorDual)
    }
}

text_enum!(
    /// How a component's time in its position ended.
    ComponentEnd, "component end" {
        /// It failed.
        Failed => "failed",
        /// It was replaced while it still worked.
        ReplacedBeforeFailing => "replaced-before-failing",
        /// It left together with its unit.
        WentWithUnit => "went-with-unit",
    }
);

text_enum!(
    /// What a technician can see or feel on a part.
    Condition, "condition" {
        /// The top is bulged: failed.
        Bulged => "bulged",
        /// Fluid has leaked: failed.
        Leaking => "leaking",
        /// Hotter than normal: a suspicion, not proof.
        Hot => "hot",
    }
);

impl Condition {
    /// Whether the condition alone means that the part has failed (common practice, no source).
    #[must_use]
    pub const fn means_failed(self) -> bool {
        matches!(self, Self::Bulged | Self::Leaking)
    }
}

text_enum!(
    /// What a visit is for.
    VisitKind, "visit kind" {
        /// The yearly or half-yearly maintenance visit.
        TuneUp => "tune-up",
        /// A short visit for the capacitors alone.
        CapacitorCheck => "capacitor-check",
        /// Nothing cools: somebody called.
        NoCoolCall => "no-cool-call",
        /// Back to finish what an earlier visit left open.
        ReturnVisit => "return-visit",
    }
);

text_enum!(
    /// Where a visit stands.
    VisitState, "visit state" {
        /// Owed by the agreement; no day yet.
        Owed => "owed",
        /// Has a day, a technician and a window by an adopted plan.
        Placed => "placed",
        /// The household has been told.
        Announced => "announced",
        /// The household said yes.
        Agreed => "agreed",
        /// Carried out.
        Done => "done",
        /// The day passed without it.
        Missed => "missed",
        /// Taken off, with a reason.
        Dropped => "dropped",
    }
);

impl VisitState {
    /// The states that this one may change into.
    ///
    /// A placed, announced or agreed visit may be placed again on another day; a missed one is
    /// owed again or placed at once; done and dropped are final.
    #[must_use]
    pub const fn next_states(self) -> &'static [Self] {
        match self {
            Self::Owed => &[Self::Placed, Self::Dropped],
            Self::Placed => &[
                Self::Placed,
                Self::Announced,
                Self::Agreed,
                Self::Owed,
                Self::Done,
                Self::Missed,
                Self::Dropped,
            ],
            Self::Announced => {
                &[Self::Placed, Self::Agreed, Self::Owed, Self::Done, Self::Missed, Self::Dropped]
            }
            Self::Agreed => &[Self::Placed, Self::Owed, Self::Done, Self::Missed, Self::Dropped],
            Self::Missed => &[Self::Owed, Self::Placed, Self::Dropped],
            Self::Done | Self::Dropped => &[],
        }
    }

    /// Those in which a visit holds a place on somebody's day.
    pub const HOLDING_A_PLACE: [Self; 3] = [Self::Placed, Self::Announced, Self::Agreed];

    /// Whether the visit holds a place on somebody's day.
    #[must_use]
    pub fn holds_a_place(self) -> bool {
        Self::HOLDING_A_PLACE.contains(&self)
    }

    /// Those in which a visit holds a place, and these others.
    #[must_use]
    pub fn holding_a_place_or(others: &[Self]) -> Vec<Self> {
        [&Self::HOLDING_A_PLACE, others].concat()
    }
}

text_enum!(
    /// Who at a home bears heat badly, as the household says.
    Vulnerability, "vulnerability" {
        /// A small child.
        Infant => "infant",
        /// Somebody old.
        OlderPerson => "older-person",
        /// Somebody ill, or who depends on a medicine or device that heat harms.
        Illness => "illness",
        /// Somebody who is pregnant.
        Pregnancy => "pregnancy",
        /// Somebody who cannot leave the home without help.
        Disability => "disability",
    }
);

text_enum!(
    /// What a technician is trained for, and what a unit asks for.
    Skill, "skill" {
        /// Ordinary cooling equipment.
        Standard => "standard",
        /// Heat pumps.
        HeatPump => "heat-pump",
        /// Large or packaged equipment.
        Large => "large",
    }
);

impl UnitKind {
    /// The skill that work on this machine asks for.
    #[must_use]
    pub const fn skill(self) -> Skill {
        match self {
            Self::HeatPump => Skill::HeatPump,
            Self::PackagedUnit => Skill::Large,
            Self::SplitAirConditioner | Self::AirHandler | Self::Furnace => Skill::Standard,
        }
    }
}

text_enum!(
    /// What a message is about.
    NoticeKind, "notice kind" {
        /// First word to a household about its visit.
        Reminder => "reminder",
        /// Second word when no answer came.
        SecondReminder => "second-reminder",
        /// The day before the visit.
        DayBefore => "day-before",
        /// The visit has another day, time or technician.
        SlotChanged => "slot-changed",
        /// The technician is late today.
        TechnicianDelayed => "technician-delayed",
        /// What was found and done.
        VisitReport => "visit-report",
        /// The agreement ends soon.
        RenewalDue => "renewal-due",
        /// Tomorrow's route and load list, to the technician.
        TechnicianRoute => "technician-route",
        /// What changed and what needs a person, to the office.
        OfficeDigest => "office-digest",
        /// A sample of one of the others with invented values, to whom asked for it.
        Sample => "sample",
    }
);

text_enum!(
    /// What an account may do.
    Role, "role" {
        /// Everything in its branch.
        Office => "office",
        /// Own days' sites and their history.
        Technician => "technician",
        /// Own visit alone.
        Homeowner => "homeowner",
    }
);

text_enum!(
    /// The unit in which a branch reads temperatures and degree days.
    TemperatureUnit, "temperature unit" {
        /// Degrees Celsius.
        DegC => "degC",
        /// Degrees Fahrenheit.
        DegF => "degF",
    }
);

text_enum!(
    /// A household's language (ISO 639-1).
    Language, "language" {
        /// English.
        English => "en",
        /// Spanish.
        Spanish => "es",
    }
);

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_word_reads_back_as_itself() {
        for kind in VisitKind::ALL {
            assert_eq!(kind.as_str().parse::<VisitKind>().unwrap(), *kind);
        }
    }

    #[test]
    fn an_unknown_word_is_refused_with_the_accepted_ones() {
        let error = "sunny".parse::<Exposure>().unwrap_err();
        assert_eq!(
            error.to_string(),
            "«sunny» is no exposure; expected one of: sun, part-sun, shade"
        );
    }

    #[test]
    fn done_and_dropped_visits_stay_so() {
        assert!(VisitState::Done.next_states().is_empty());
        assert!(VisitState::Dropped.next_states().is_empty());
    }
}
