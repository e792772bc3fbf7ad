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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_vulnerable_person_on_a_mild_day_comes_before_anybody_else_in_the_worst_heat() {
        let mild =
            Circumstances { vulnerable: true, today_celsius: Some(20.0), ..Default::default() };
        let hot = Circumstances { today_celsius: Some(48.0), ..Default::default() };
        assert_eq!((priority(&mild), priority(&hot)), (70, 60));
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
