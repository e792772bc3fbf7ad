//! What households read, in their language.

use chrono::{Datelike, NaiveDate, NaiveTime, Timelike};
use hotspell_domain::{Language, VisitKind};

use super::page::Said;

/// Every text of the household's pages.
pub(super) struct Words {
    language: Language,
    weekdays: [&'static str; 7],
    months: [&'static str; 12],
    tune_up: &'static str,
    capacitor_check: &'static str,
    no_cool_call: &'static str,
    return_visit: &'static str,
    pub(super) who: &'static str,
    pub(super) place: &'static str,
    pub(super) why: &'static str,
    pub(super) why_before_the_heat: &'static str,
    pub(super) why_called: &'static str,
    pub(super) why_follow_up: &'static str,
    pub(super) no_day: &'static str,
    pub(super) prepare: &'static str,
    pub(super) ask: &'static str,
    pub(super) yes: &'static str,
    pub(super) still_yes: &'static str,
    pub(super) other: &'static str,
    pub(super) other_hint: &'static str,
    pub(super) call: &'static str,
    pub(super) ask_without: &'static str,
    pub(super) at_present: &'static str,
    pub(super) slots_ask: &'static str,
    /// After the slot that the office would choose.
    pub(super) best_slot: &'static str,
    pub(super) no_slots: &'static str,
    pub(super) none_of_these: &'static str,
    pub(super) wrong_slot_gone: &'static str,
    said_slot: &'static str,
    pub(super) send: &'static str,
    pub(super) questions: &'static str,
    said_yes: &'static str,
    said_other: &'static str,
    said_call: &'static str,
    pub(super) agreed: &'static str,
    pub(super) change: &'static str,
    pub(super) closed_done: &'static str,
    pub(super) closed_missed: &'static str,
    pub(super) closed_other: &'static str,
    pub(super) please_look: &'static str,
    pub(super) wrong_nothing: &'static str,
    pub(super) wrong_day_moved: &'static str,
    pub(super) wrong_not_open: &'static str,
    pub(super) renewal_title: &'static str,
    pub(super) renewal_nothing: &'static str,
    pub(super) renewal_ask: &'static str,
    pub(super) renewal_go_on: &'static str,
    pub(super) renewal_hint: &'static str,
    pub(super) renewal_said_go_on: &'static str,
    pub(super) renewal_said_call: &'static str,
    pub(super) stop_title: &'static str,
    pub(super) stop_ask: &'static str,
    pub(super) stop_button: &'static str,
    pub(super) stopped_title: &'static str,
    pub(super) stopped: &'static str,
    pub(super) bad_title: &'static str,
    pub(super) bad_link: &'static str,
}

impl Words {
    pub(super) const fn of(language: Language) -> &'static Self {
        match language {
            Language::English => &ENGLISH,
            Language::Spanish => &SPANISH,
        }
    }

    pub(super) const fn visit(&self, kind: VisitKind) -> &'static str {
        match kind {
            VisitKind::TuneUp => self.tune_up,
            VisitKind::CapacitorCheck => self.capacitor_check,
            VisitKind::NoCoolCall => self.no_cool_call,
            VisitKind::ReturnVisit => self.return_visit,
        }
    }

    pub(super) const fn said(&self, said: Said) -> &'static str {
        match said {
            Said::Yes => self.said_yes,
            Said::Other => self.said_other,
            Said::Slot => self.said_slot,
            Said::Call => self.said_call,
        }
    }

    pub(super) fn day(&self, day: NaiveDate) -> String {
        let weekday = self.weekdays.get(day.weekday().num_days_from_monday() as usize);
        let month = self.months.get(day.month0() as usize);
        let (weekday, month) = (weekday.unwrap_or(&""), month.unwrap_or(&""));
        match self.language {
            Language::English => format!("{weekday}, {month} {}", day.day()),
            Language::Spanish => format!("{weekday} {} de {month}", day.day()),
        }
    }

    pub(super) fn full_date(&self, day: NaiveDate) -> String {
        let month = self.months.get(day.month0() as usize).unwrap_or(&"");
        match self.language {
            Language::English => format!("{month} {}, {}", day.day(), day.year()),
            Language::Spanish => format!("{} de {month} de {}", day.day(), day.year()),
        }
    }

    pub(super) fn kept_for(&self, minutes: u32) -> String {
        match self.language {
            Language::English => format!("We keep them for you for {minutes} minutes."),
            Language::Spanish => format!("Se las guardamos durante {minutes} minutos."),
        }
    }

    fn time(&self, time: NaiveTime) -> String {
        let (afternoon, hour) = time.hour12();
        let minute = time.minute();
        match self.language {
            Language::English => {
                format!("{hour}:{minute:02} {}", if afternoon { "PM" } else { "AM" })
            }
            Language::Spanish => {
                let article = if hour == 1 { "la" } else { "las" };
                format!(
                    "{article} {hour}:{minute:02} {}",
                    if afternoon { "p. m." } else { "a. m." }
                )
            }
        }
    }

    pub(super) fn window(&self, from: NaiveTime, to: NaiveTime) -> String {
        let (from, to) = (self.time(from), self.time(to));
        match self.language {
            Language::English => format!("between {from} and {to}"),
            Language::Spanish => format!("entre {from} y {to}"),
        }
    }
}

static ENGLISH: Words = Words {
    language: Language::English,
    weekdays: ["Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday"],
    months: [
        "January",
        "February",
        "March",
        "April",
        "May",
        "June",
        "July",
        "August",
        "September",
        "October",
        "November",
        "December",
    ],
    tune_up: "Your cooling tune-up",
    capacitor_check: "Your short cooling check",
    no_cool_call: "Your repair visit",
    return_visit: "Your return visit",
    who: "Who comes",
    place: "Where",
    why: "Why now",
    why_before_the_heat: "We like to check your cooling before the hot weeks begin.",
    why_called: "You told us that your home is not cooling well.",
    why_follow_up: "We want to finish what we left open at our last visit.",
    no_day: "We will tell you the day soon.",
    prepare: "You do not need to prepare anything. It helps if we can reach the outdoor unit and if pets are inside.",
    ask: "Does this time suit you?",
    yes: "Yes, this time is fine",
    still_yes: "Yes, it stays as it is",
    other: "Another time would be better",
    other_hint: "When would be better? For example: any weekday after 3 PM.",
    call: "Please call me",
    ask_without: "What would you like?",
    at_present: "Your time at present:",
    slots_ask: "Which of these times suits you?",
    best_slot: ", our suggestion",
    no_slots: "At the moment we find no other free time by ourselves. Tell us what suits you.",
    none_of_these: "None of these; another time would be better",
    wrong_slot_gone: "This time is no longer free. These are free now.",
    said_slot: "Thank you. The visit is moved and agreed. We are sending you a mail with the new time.",
    send: "Send my answer",
    questions: "Questions? Call us:",
    said_yes: "Thank you. The visit is agreed.",
    said_other: "Thank you. We have your wish and will come back to you with another time.",
    said_call: "Thank you. We will call you.",
    agreed: "You said yes to this time.",
    change: "Has something changed? You can still tell us.",
    closed_done: "This visit is done. Thank you.",
    closed_missed: "This visit did not take place. We will be in touch about a new time.",
    closed_other: "This visit has no time at present. We will be in touch.",
    please_look: "Please look again.",
    wrong_nothing: "Choose one of the answers.",
    wrong_day_moved: "The time has changed since you opened this page. This is how it stands now.",
    wrong_not_open: "This visit cannot be answered now.",
    renewal_title: "Your maintenance agreement ends",
    renewal_nothing: "If you do nothing, it simply ends on that day.",
    renewal_ask: "Would you like us to go on?",
    renewal_go_on: "Yes, please go on",
    renewal_hint: "What would you like to ask? You may leave this empty.",
    renewal_said_go_on: "Thank you. We will send you the new agreement.",
    renewal_said_call: "Thank you. We will call you.",
    stop_title: "Stop these mails?",
    stop_ask: "We would no longer write to you about your visits. You can always reach us by telephone.",
    stop_button: "Stop these mails",
    stopped_title: "The mails are stopped",
    stopped: "We will not write to you any more. Visits that are already agreed stay as they are.",
    bad_title: "This link is no longer good",
    bad_link: "It may be too old, or a piece of it is missing. Please open it again from our newest mail, or call us.",
};

static SPANISH: Words = Words {
    language: Language::Spanish,
    weekdays: ["lunes", "martes", "miércoles", "jueves", "viernes", "sábado", "domingo"],
    months: [
        "enero",
        "febrero",
        "marzo",
        "abril",
        "mayo",
        "junio",
        "julio",
        "agosto",
        "septiembre",
        "octubre",
        "noviembre",
        "diciembre",
    ],
    tune_up: "Su visita de mantenimiento",
    capacitor_check: "Su visita breve de revisión",
    no_cool_call: "Su visita de reparación",
    return_visit: "Su visita de seguimiento",
    who: "Quién va",
    place: "Dónde",
    why: "Por qué ahora",
    why_before_the_heat: "Preferimos revisar su aire acondicionado antes de que empiecen las semanas de calor.",
    why_called: "Usted nos avisó que su casa no se está enfriando bien.",
    why_follow_up: "Queremos terminar lo que quedó pendiente en nuestra última visita.",
    no_day: "Pronto le diremos el día.",
    prepare: "No tiene que preparar nada. Nos ayuda poder llegar al equipo exterior y que las mascotas estén adentro.",
    ask: "¿Le conviene esta hora?",
    yes: "Sí, esta hora me conviene",
    still_yes: "Sí, se queda como está",
    other: "Prefiero otra hora",
    other_hint: "¿Cuándo le conviene? Por ejemplo: entre semana, después de las 3 p. m.",
    call: "Llámenme, por favor",
    ask_without: "¿Qué prefiere?",
    at_present: "Su hora por ahora:",
    slots_ask: "¿Cuál de estas horas le conviene?",
    best_slot: ", nuestra sugerencia",
    no_slots: "Por el momento no encontramos otra hora libre. Díganos cuándo le conviene.",
    none_of_these: "Ninguna de estas; prefiero otra hora",
    wrong_slot_gone: "Esta hora ya no está libre. Estas son las que hay ahora.",
    said_slot: "Gracias. La visita queda cambiada y confirmada. Le enviamos un correo con la nueva hora.",
    send: "Enviar mi respuesta",
    questions: "¿Tiene preguntas? Llámenos:",
    said_yes: "Gracias. La visita queda confirmada.",
    said_other: "Gracias. Recibimos su preferencia y le propondremos otra hora.",
    said_call: "Gracias. Le llamaremos.",
    agreed: "Usted aceptó esta hora.",
    change: "¿Cambió algo? Todavía puede avisarnos.",
    closed_done: "Esta visita ya se hizo. Gracias.",
    closed_missed: "Esta visita no se hizo. Le propondremos una nueva hora.",
    closed_other: "Esta visita no tiene hora por el momento. Nos pondremos en contacto.",
    please_look: "Por favor, revise.",
    wrong_nothing: "Elija una de las respuestas.",
    wrong_day_moved: "La hora cambió desde que abrió esta página. Así está ahora.",
    wrong_not_open: "Esta visita no se puede contestar ahora.",
    renewal_title: "Su contrato de mantenimiento termina",
    renewal_nothing: "Si no hace nada, el contrato termina ese día.",
    renewal_ask: "¿Quiere que sigamos?",
    renewal_go_on: "Sí, sigan por favor",
    renewal_hint: "¿Qué le gustaría preguntar? Puede dejarlo en blanco.",
    renewal_said_go_on: "Gracias. Le enviaremos el nuevo contrato.",
    renewal_said_call: "Gracias. Le llamaremos.",
    stop_title: "¿Dejar de recibir estos correos?",
    stop_ask: "Ya no le escribiríamos sobre sus visitas. Siempre puede llamarnos por teléfono.",
    stop_button: "No recibir más correos",
    stopped_title: "Ya no recibirá correos",
    stopped: "No le escribiremos más. Las visitas ya confirmadas se quedan como están.",
    bad_title: "Este enlace ya no sirve",
    bad_link: "Puede ser muy viejo o estar incompleto. Ábralo otra vez desde nuestro último correo o llámenos.",
};

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn days_and_times_read_as_each_language_writes_them() {
        let day: NaiveDate = "2025-04-02".parse().unwrap();
        let at = |hour| NaiveTime::from_hms_opt(hour, 30, 0).unwrap();
        let english = Words::of(Language::English);
        assert_eq!(english.day(day), "Wednesday, April 2");
        assert_eq!(english.window(at(11), at(13)), "between 11:30 AM and 1:30 PM");
        let spanish = Words::of(Language::Spanish);
        assert_eq!(spanish.day(day), "miércoles 2 de abril");
        assert_eq!(spanish.window(at(11), at(13)), "entre las 11:30 a. m. y la 1:30 p. m.");
    }
}
