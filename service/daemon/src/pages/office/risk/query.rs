//! What the risk list is asked for: which parts, in which order, from which one on.

use chrono::{Months, NaiveDate};
use hotspell_domain::{ComponentClass, TechnicianId};
use hotspell_store::scores::{Coming, RankingFilter, ScoreSort};
use hotspell_store::technicians::TechnicianRecord;
use hotspell_store::{Order, SortedPage};
use serde::Deserialize;

use crate::api::page;
use crate::pages::shell::RISK;

/// The word for homes to which nobody comes.
const NOBODY: &str = "nobody";
/// No machine lasts longer.
const YEARS_MAX: u32 = 99;

/// An order as it stands in the address, what it is, and how a person says it.
type Sort = (&'static str, Order<ScoreSort>, &'static str);

const fn falling(key: ScoreSort) -> Order<ScoreSort> {
    Order { key, falling: true }
}

const fn rising(key: ScoreSort) -> Order<ScoreSort> {
    Order { key, falling: false }
}

/// The first is the one without a choice.
const SORTS: [Sort; 5] = [
    ("chance", falling(ScoreSort::PSeason), "most likely to fail"),
    ("heat-age", falling(ScoreSort::HeatAge), "most heat behind it"),
    ("heat-left", falling(ScoreSort::ExpectedHeatLeft), "most heat to come"),
    ("service", rising(ScoreSort::InstalledEarliest), "longest in service"),
    ("household", rising(ScoreSort::SiteName), "household"),
];

/// What may stand behind the address.
#[derive(Debug, Clone, Default, Deserialize)]
pub(in crate::pages::office) struct Query {
    class: Option<String>,
    place: Option<String>,
    least: Option<String>,
    years: Option<String>,
    who: Option<String>,
    sort: Option<String>,
    after: Option<String>,
}

/// What was asked for, read.
#[derive(Debug, Clone)]
pub(super) struct Asked {
    /// Which parts.
    pub(super) filter: RankingFilter,
    /// A town, a postal code or a piece of a name, in small letters.
    pub(super) place: Option<String>,
    /// From which on in which order.
    pub(super) page: SortedPage<ScoreSort>,
}

/// One of several that can be chosen.
pub(super) struct Choice {
    pub(super) value: String,
    pub(super) name: String,
    pub(super) chosen: bool,
}

fn given(text: Option<&String>) -> Option<&str> {
    text.map(|text| text.trim()).filter(|text| !text.is_empty())
}

impl Query {
    /// What it means on a day; a sentence for the reader when something in it means nothing.
    ///
    /// # Errors
    /// The sentence.
    pub(super) fn read(&self, today: NaiveDate, limit: i64) -> Result<Asked, String> {
        let order = self.order()?;
        let after = given(self.after.as_ref())
            .map(|cursor| page::decode(cursor, Some(order)))
            .transpose()
            .map_err(|_| "This list was continued from a place it does not have. Show it anew.")?;
        Ok(Asked {
            filter: RankingFilter {
                class: self.class()?,
                p_season_from: self.least()?,
                installed_by: self.installed_by(today)?,
                coming: self.coming()?,
                ..RankingFilter::default()
            },
            place: given(self.place.as_ref()).map(str::to_lowercase),
            page: SortedPage { order: Some(order), after, limit },
        })
    }

    fn order(&self) -> Result<Order<ScoreSort>, String> {
        let word = given(self.sort.as_ref()).unwrap_or(SORTS[0].0);
        let known = SORTS.iter().find(|sort| sort.0 == word);
        known
            .map(|sort| sort.1)
            .ok_or_else(|| format!("«{word}» is no order of this list. Choose one of those below."))
    }

    fn class(&self) -> Result<Option<ComponentClass>, String> {
        let read = |word: &str| {
            word.parse()
                .map_err(|_| format!("«{word}» is no kind of part. Choose one of those below."))
        };
        given(self.class.as_ref()).map(read).transpose()
    }

    /// Least chance, from percent.
    fn least(&self) -> Result<Option<f64>, String> {
        let read =
            |text: &str| match text.trim_end_matches('%').trim_end().replace(',', ".").parse() {
                Ok(percent) if (0.0..=100.0).contains(&percent) => Ok(percent / 100.0),
                _ => {
                    Err(format!("«{text}» is no chance in percent. Write a number from 0 to 100."))
                }
            };
        given(self.least.as_ref()).map(read).transpose()
    }

    /// The last day of going into service, from whole years.
    fn installed_by(&self, today: NaiveDate) -> Result<Option<NaiveDate>, String> {
        let read = |text: &str| {
            let years: Option<u32> = text.parse().ok().filter(|years| *years <= YEARS_MAX);
            years.and_then(|years| today.checked_sub_months(Months::new(12 * years))).ok_or_else(
                || format!("«{text}» is no number of years. Write a whole one, 0 to {YEARS_MAX}."),
            )
        };
        given(self.years.as_ref()).map(read).transpose()
    }

    fn coming(&self) -> Result<Option<Coming>, String> {
        let read = |word: &str| match word {
            NOBODY => Ok(Coming::Nobody),
            number => number.parse().map(|number| Coming::By(TechnicianId(number))).map_err(|_| {
                format!("«{word}» is nobody who can come. Choose one of those below.")
            }),
        };
        given(self.who.as_ref()).map(read).transpose()
    }

    /// What was written for the place.
    pub(super) fn place(&self) -> String {
        given(self.place.as_ref()).unwrap_or_default().to_owned()
    }

    /// What was written for the least chance.
    pub(super) fn least_written(&self) -> String {
        self.least.clone().unwrap_or_default()
    }

    /// What was written for the years in service.
    pub(super) fn years_written(&self) -> String {
        self.years.clone().unwrap_or_default()
    }

    /// The kinds of part to choose from.
    pub(super) fn classes(&self, name: impl Fn(ComponentClass) -> &'static str) -> Vec<Choice> {
        let all = ComponentClass::ALL.iter();
        all.map(|class| choice(class.as_str(), name(*class), self.class.as_ref())).collect()
    }

    /// Who may come next, to choose from.
    pub(super) fn coming_choices(&self, technicians: &[TechnicianRecord]) -> Vec<Choice> {
        let nobody = choice(NOBODY, "nobody yet", self.who.as_ref());
        let people = technicians
            .iter()
            .map(|person| choice(&person.id.to_string(), &person.name, self.who.as_ref()));
        std::iter::once(nobody).chain(people).collect()
    }

    /// The orders to choose from.
    pub(super) fn sorts(&self) -> Vec<Choice> {
        SORTS.iter().map(|(word, _, name)| choice(word, name, self.sort.as_ref())).collect()
    }

    /// The address of the rows after a place.
    pub(super) fn address_after(&self, cursor: String) -> String {
        let text = |value: &Option<String>| value.clone().unwrap_or_default();
        let pairs = [
            ("class", text(&self.class)),
            ("place", text(&self.place)),
            ("least", text(&self.least)),
            ("years", text(&self.years)),
            ("who", text(&self.who)),
            ("sort", text(&self.sort)),
            ("after", cursor),
        ];
        serde_urlencoded::to_string(pairs)
            .map_or_else(|_| RISK.path.to_owned(), |query| format!("{}?{query}", RISK.path))
    }
}

fn choice(value: &str, name: &str, chosen: Option<&String>) -> Choice {
    Choice {
        value: value.to_owned(),
        name: name.to_owned(),
        chosen: chosen.is_some_and(|chosen| chosen == value),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn asked(query: &str) -> Result<Asked, String> {
        let query: Query = serde_urlencoded::from_str(query).unwrap();
        query.read(NaiveDate::from_ymd_opt(2025, 2, 17).unwrap(), 51)
    }

    #[test]
    fn nothing_chosen_is_everything_by_chance() {
        let asked = asked("class=&place=&least=&years=&who=&sort=").unwrap();
        assert_eq!(asked.page.order, Some(falling(ScoreSort::PSeason)));
        assert!(asked.filter.class.is_none() && asked.filter.coming.is_none());
    }

    #[test]
    fn years_in_service_count_back_from_today() {
        let day = NaiveDate::from_ymd_opt(2013, 2, 17);
        assert_eq!(asked("years=12").unwrap().filter.installed_by, day);
    }

    #[test]
    fn what_means_nothing_is_answered_with_what_would() {
        for (query, said) in [
            ("least=often", "from 0 to 100"),
            ("least=101", "from 0 to 100"),
            ("years=2.5", "a whole one"),
            ("years=4000000000", "a whole one"),
            ("who=Ana", "those below"),
            ("class=magnet", "those below"),
            ("sort=colour", "those below"),
            ("after=12", "anew"),
        ] {
            let refusal = asked(query).unwrap_err();
            assert!(refusal.contains(said), "{query}: {refusal}");
        }
    }
}
