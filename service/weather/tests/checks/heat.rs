//! Heat index, excess heat factor and hot spells.

use chrono::Datelike;
use hotspell_weather::heat_index::heat_index_fahrenheit;
use hotspell_weather::hot_spells::{
    ExcessHeatBase, ExcessHeatVariant, SpellDefinition, excess_heat_days,
};

use crate::support::{assert_close, assert_within, by_id, phoenix, table};

/// Source: NWS Weather Prediction Center, "The Heat Index Equation"; points on both sides of each
/// of its switches, evaluated apart.
#[test]
fn the_heat_index_switches_where_the_weather_service_does() {
    for row in table("weather_heat_index_points.csv") {
        let got = heat_index_fahrenheit(row.value("t_F"), row.value("rh"));
        assert_close(got, row.value("heat_index_F"), row.text("t_F"));
    }
}

/// Source: the NWS heat index chart (135 cells). Three cells of the humid corner lack the chart's
/// high-humidity term.
#[test]
fn the_heat_index_chart_is_reproduced_to_one_degree() {
    let rows = table("weather_heat_index_table.csv");
    for row in &rows {
        let (t, r) = (row.value("t_F"), row.value("rh"));
        let got = heat_index_fahrenheit(t, r);
        assert_within(got, row.value("computed"), 5e-9 * got, row.text("t_F"));
        let corner = [("80", "95"), ("80", "100"), ("82", "100")];
        if !corner.contains(&(row.text("t_F"), row.text("rh"))) {
            assert_within(got, row.value("published"), 1.0, &format!("{t} {r}"));
        }
    }
    assert_eq!(rows.len(), 135);
}

fn phoenix_base(variant: ExcessHeatVariant) -> ExcessHeatBase {
    ExcessHeatBase::of_series(phoenix(), 1991..=2020, variant).unwrap()
}

/// Source: definition of Nairn & Fawcett, IJERPH 12 (2015) 227-253; values computed apart.
#[test]
fn excess_heat_of_the_summer_of_2023_agrees() {
    let base = phoenix_base(ExcessHeatVariant::FORWARD_SAME_DAY);
    let summary = table("weather_ehf_summary.csv");
    assert_close(base.t95_celsius, summary[0].value("t95_C"), "T95");
    assert_close(base.ehf85.unwrap(), summary[0].value("ehf85"), "EHF85");
    assert_eq!(base.positive_days.to_string(), summary[0].text("positive_days_in_base"));
    let days = excess_heat_days(&phoenix().days, &base);
    for row in table("weather_ehf_phoenix_2023.csv") {
        let day = days.iter().find(|day| day.date == row.date("date")).unwrap();
        let what = row.text("date");
        assert_close(day.significance, row.value("ehi_sig"), what);
        assert_close(day.acclimatisation, row.value("ehi_accl"), what);
        assert_close(day.factor, row.value("ehf"), what);
        assert_close(base.severity(day.factor).unwrap(), row.value("severity"), what);
    }
}

/// The record holds 122 °F on 26 June 1990; the factor's highest day is the one before.
#[test]
fn the_ten_worst_days_of_phoenix_are_found_in_order() {
    let base = phoenix_base(ExcessHeatVariant::FORWARD_SAME_DAY);
    let mut days = excess_heat_days(&phoenix().days, &base);
    days.sort_by(|a, b| b.factor.total_cmp(&a.factor));
    for (day, row) in days.iter().zip(table("weather_ehf_top10.csv")) {
        assert_eq!(day.date, row.date("date"));
        assert_close(day.factor, row.value("ehf"), row.text("date"));
    }
}

#[test]
fn the_variants_of_the_factor_differ_as_they_should() {
    for row in table("weather_ehf_variants.csv") {
        let variant = match row.text("variant") {
            "forward_sameday" => ExcessHeatVariant::FORWARD_SAME_DAY,
            "backward_sameday" => ExcessHeatVariant::BACKWARD_SAME_DAY,
            "forward_nextnight" => ExcessHeatVariant::FORWARD_NEXT_NIGHT,
            other => panic!("variant {other}"),
        };
        let base = phoenix_base(variant);
        let what = row.text("variant");
        assert_close(base.t95_celsius, row.value("t95_C"), what);
        assert_close(base.ehf85.unwrap(), row.value("ehf85"), what);
        assert_eq!(base.positive_days.to_string(), row.text("positive_days_in_base"), "{what}");
        let days = excess_heat_days(&phoenix().days, &base);
        let worst = days.iter().max_by(|a, b| a.factor.total_cmp(&b.factor)).unwrap();
        assert_eq!(worst.date, row.date("day_of_max"), "{what}");
        assert_close(worst.factor, row.value("max_ehf"), what);
    }
}

#[test]
fn hot_spells_of_phoenix_agree_day_by_day() {
    let rows = table("weather_hot_spells.csv");
    for (name, definition) in [
        (
            "mean_p95",
            SpellDefinition::MeanAbovePercentile { percentile: 95.0, consecutive_days: 3 },
        ),
        (
            "tmax_p95",
            SpellDefinition::MaximumAbovePercentile { percentile: 95.0, consecutive_days: 3 },
        ),
    ] {
        let rule = definition.resolve(by_id("USW00023183"), 1991..=2020).unwrap();
        let spells: Vec<_> = rule
            .spells(&phoenix().days)
            .into_iter()
            .filter(|spell| (2018..=2024).contains(&spell.first_day.year()))
            .collect();
        let expected: Vec<_> = rows.iter().filter(|row| row.text("definition") == name).collect();
        assert_eq!(spells.len(), expected.len(), "{name}");
        for (spell, row) in spells.iter().zip(expected) {
            assert_close(rule.threshold_celsius().unwrap(), row.value("threshold_C"), name);
            assert_eq!(spell.first_day, row.date("first_day"), "{name}");
            assert_eq!(spell.last_day, row.date("last_day"), "{name}");
            assert_eq!(spell.days.to_string(), row.text("days"), "{name}");
            assert_close(spell.highest_celsius, row.value("max_C"), name);
        }
        for year in 1961..=2024 {
            let days = phoenix().days_within(hotspell_weather::series::year_range(year).unwrap());
            let first = rule.spells(days).first().map(|spell| spell.first_day);
            assert_eq!(rule.first_spell(days), first, "{name} {year}");
        }
    }
}
