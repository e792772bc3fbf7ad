//! How urgent a home without cooling is.

/// What is known of a call.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Circumstances {
    /// Somebody at home bears heat badly, as the household said.
    pub vulnerable: bool,
    /// Highest temperature of today, degrees Celsius, if known.
    pub today_celsius: Option<f64>,
    /// Highest temperature of the next days, degrees Celsius, if known.
    pub to_come_celsius: Option<f64>,
}

/// What every call has before anything else is known, of 100.
const BASE: f64 = 30.0;
/// What a vulnerable person adds.
const VULNERABLE: f64 = 40.0;
/// What heat adds at most: nothing up to the first temperature, all of it from the second on.
const HEAT: f64 = 30.0;
const MILD_CELSIUS: f64 = 27.0;
const DANGEROUS_CELSIUS: f64 = 41.0;

/// The priority of a call from 0 to 100: a vulnerable person at home counts more than any heat, then the
/// greater of the heat of today and of the next days, in a straight line from 27 to 41 °C. Heat that is not
/// known counts as half. Our choice, no source (41 °C is where the heat index chart of the U.S. National
/// Weather Service turns to danger; from memory).
#[must_use]
pub fn priority(call: &Circumstances) -> i32 {
    let hottest = call.today_celsius.into_iter().chain(call.to_come_celsius).reduce(f64::max);
    let share = hottest.map_or(0.5, |celsius| {
        ((celsius - MILD_CELSIUS) / (DANGEROUS_CELSIUS - MILD_CELSIUS)).clamp(0.0, 1.0)
    });
    let person = if call.vulnerable { VULNERABLE } else { 0.0 };
    #[expect(clippy::cast_possible_truncation, reason = "between 0 and 100")]
    let whole = (BASE + person + HEAT * share).round() as i32;
    whole
}

/// What a day of waiting costs a home without cooling, seconds of a technician's time, by its priority:
/// four hours at 50, in proportion; a call without a priority counts as one of which nothing else is known
/// ([`priority`]). So the most urgent call breaks an agreed time of another household rather than wait
/// until tomorrow, and the least urgent one an announced time at most. Our choice, no source.
#[must_use]
pub fn waiting_s_per_day(priority: i32) -> i64 {
    #[expect(clippy::cast_possible_truncation, reason = "a small whole number")]
    let least = BASE as i64;
    i64::from(priority).clamp(least, 100) * 288
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stability::{Stability, Standing};

    #[test]
    fn a_vulnerable_person_on_a_mild_day_comes_before_anybody_else_in_the_worst_heat() {
        let mild =
            Circumstances { vulnerable: true, today_celsius: Some(20.0), ..Default::default() };
        let hot = Circumstances { today_celsius: Some(48.0), ..Default::default() };
        assert_eq!((priority(&mild), priority(&hot)), (70, 60));
    }

    #[test]
    fn only_the_urgent_rather_break_an_agreed_time_of_today_than_wait_a_day() {
        let agreed = Stability::default().promise(Standing::Agreed, (0, 0), None, 0);
        assert!(waiting_s_per_day(100) > agreed.time_change_cost_s);
        assert!(waiting_s_per_day(45) < agreed.time_change_cost_s);
        let told = Stability::default().promise(Standing::Announced, (0, 0), None, 0);
        assert!(waiting_s_per_day(30) > told.time_change_cost_s);
        assert_eq!(waiting_s_per_day(0), waiting_s_per_day(30));
    }

    #[test]
    fn the_heat_to_come_counts_as_the_heat_of_today() {
        let call = |today, to_come| {
            priority(&Circumstances {
                vulnerable: false,
                today_celsius: today,
                to_come_celsius: to_come,
            })
        };
        assert_eq!(call(Some(30.0), Some(41.0)), call(Some(41.0), Some(30.0)));
        assert_eq!(call(Some(34.0), None), 45);
        assert_eq!(call(None, None), 45, "unknown heat counts as half");
        let all =
            Circumstances { vulnerable: true, today_celsius: Some(50.0), to_come_celsius: None };
        assert_eq!(priority(&all), 100);
    }
}
