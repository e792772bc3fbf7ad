//! What the demo prints.

use std::fmt::{self, Write as _};
use std::path::Path;

use chrono::NaiveDate;
use hotspell_domain::{ComponentId, SiteId};
use hotspell_reliability::backtest::Verdict;
use hotspell_reliability::reason::class_words;
use hotspell_store::agreements::{self, AgreementFilter};
use hotspell_store::{AnyConnection, Page, components, sites, units};
use hotspell_weather::season::DateDistribution;

use super::DemoRun;
use crate::app::calendar::time_of_day;
use crate::app::day::{self, Day, DayPart};
use crate::app::rehearsal::Rehearsed;
use crate::app::{AppError, letters, scores};
use crate::state::AppState;

/// Components listed.
const AT_RISK: usize = 10;
/// Reasons listed for each.
const REASONS: usize = 3;

/// The printed text.
#[derive(Debug)]
pub struct Printed(String);

impl fmt::Display for Printed {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

impl Printed {
    /// Lays the run out for a terminal.
    ///
    /// # Errors
    /// Those of the store.
    pub fn of(state: &AppState, run: &DemoRun, outbox: &Path) -> Result<Self, AppError> {
        let mut out = String::new();
        let written = season(&mut out, run)
            .and_then(|()| plan(&mut out, run))
            .and_then(|()| rehearsal(&mut out, &run.rehearsed))
            .map_err(|error| AppError::internal("printing", error));
        written?;
        at_risk(&mut out, state, run)?;
        proof(&mut out, run).map_err(|error| AppError::internal("printing", error))?;
        if let Some((technician, on)) = run.shown
            && let Some(day) =
                state.store.read(|conn| day::load(conn, run.branch.id, technician, on))?
        {
            route(&mut out, &day).map_err(|error| AppError::internal("printing", error))?;
        }
        notices(&mut out, run, outbox).map_err(|error| AppError::internal("printing", error))?;
        Ok(Self(out))
    }
}

fn heading(out: &mut String, title: &str) -> fmt::Result {
    writeln!(out, "\n{title}\n{}", "-".repeat(title.chars().count()))
}

fn date(day: Option<NaiveDate>) -> String {
    day.map_or_else(|| "not this year".to_owned(), |day| day.format("%a %d %b").to_string())
}

fn line(out: &mut String, name: &str, dates: &DateDistribution) -> fmt::Result {
    writeln!(
        out,
        "  {name:<18} {:<12} early {:<12} late {}",
        date(dates.p50),
        date(dates.p10),
        date(dates.p90)
    )
}

fn season(out: &mut String, run: &DemoRun) -> fmt::Result {
    let outlook = &run.season.outlook;
    heading(out, &format!("The season {} at {}", outlook.year, outlook.station))?;
    writeln!(
        out,
        "  today is {}; {} past years replayed; median, one in ten earlier, one in ten later",
        run.today.format("%A %d %B %Y"),
        outlook.source_years
    )?;
    line(out, "heat begins", &outlook.heat_begins)?;
    line(out, "first hot spell", &outlook.first_hot_spell)?;
    line(out, "peak week from", &outlook.peak_week)?;
    if let Some(heat) = &outlook.heat_so_far {
        writeln!(
            out,
            "  heat so far        {:.0} degree days (base 65 degF); normal {:.0}",
            heat.degree_days, heat.normal
        )?;
    }
    Ok(())
}

fn at_risk(out: &mut String, state: &AppState, run: &DemoRun) -> Result<(), AppError> {
    let title = format!(
        "The ten parts most at risk before {} ({} scored, {:.0} failures to be expected)",
        run.scoring.season_end.format("%d %B"),
        run.scoring.components,
        run.scoring.expected_failures
    );
    let printing = |error: fmt::Error| AppError::internal("printing", error);
    heading(out, &title).map_err(printing)?;
    state.store.read(|conn| {
        let latest = scores::latest(conn, run.branch.id)?;
        let mut chances: Vec<(ComponentId, f64)> = latest.season_chances.into_iter().collect();
        chances.sort_by(|a, b| b.1.total_cmp(&a.1).then(a.0.cmp(&b.0)));
        let mut shown = 0;
        for (part, chance) in chances {
            let component = components::find(conn, run.branch.id, part)?;
            let unit = units::find(conn, run.branch.id, component.unit_id)?;
            let site = sites::find(conn, run.branch.id, unit.site_id)?;
            if !under_agreement(conn, run, site.id)? {
                continue;
            }
            shown += 1;
            if shown > AT_RISK {
                break;
            }
            writeln!(
                out,
                "  {:>3.0} %  {} {} - {} ({}, {})",
                100.0 * chance,
                class_words(component.class),
                component.rating.as_deref().unwrap_or("of unknown rating"),
                site.name,
                site.key,
                unit.label.as_deref().unwrap_or(&unit.key)
            )
            .map_err(printing)?;
            for row in scores::of_parts(conn, run.branch.id, vec![part])?.values() {
                for reason in scores::reasons(row)?.iter().take(REASONS) {
                    writeln!(out, "         {}", reason.sentence).map_err(printing)?;
                }
            }
        }
        Ok(())
    })
}

/// What the model said of past seasons, and what came.
fn proof(out: &mut String, run: &DemoRun) -> fmt::Result {
    let backtest = &run.proof.backtest;
    heading(out, "The life model, fitted before each past season, against what came of it")?;
    for season in &backtest.seasons {
        writeln!(
            out,
            "  {}  expected {:>5.1} failures, seen {:>3}",
            season.label, season.total.expected, season.total.observed
        )?;
    }
    if let Some(gains) = backtest.pooled.gains {
        writeln!(
            out,
            "  the tenth of the parts called riskiest held {:.0} % of the failures; by \
             calendar age {:.0} %; any tenth 10 %",
            100.0 * gains.model,
            100.0 * gains.calendar_age.unwrap_or(0.1)
        )?;
    }
    let said = match &backtest.verdict {
        Verdict::Release => "it passes its test and is used".to_owned(),
        Verdict::Refuse { reasons } => format!("it does not pass its test: {}", reasons.join("; ")),
        Verdict::TooLittleData { failures, needed } => {
            format!("too little to judge by: {failures} failures of {needed} needed")
        }
    };
    writeln!(out, "  {said}")
}

/// Whether the home is under an agreement today.
fn under_agreement(
    conn: &mut AnyConnection,
    run: &DemoRun,
    site: SiteId,
) -> Result<bool, AppError> {
    let filter = AgreementFilter { site: Some(site), ..AgreementFilter::default() };
    let all = agreements::list(conn, run.branch.id, &filter, Page::everything())?;
    Ok(all.iter().any(|agreement| {
        agreement.first_day <= run.today && agreement.last_day.is_none_or(|last| run.today <= last)
    }))
}

fn plan(out: &mut String, run: &DemoRun) -> fmt::Result {
    let figures = &run.plan.figures;
    heading(out, "The season plan")?;
    writeln!(
        out,
        "  visits owed {}, placed {}, without a place {}",
        figures.owed, figures.placed, figures.unplaced
    )?;
    writeln!(
        out,
        "  placed before the first hot spell: {} before its early date ({}), {} before its median ({})",
        figures.placed_before_early,
        date(figures.first_hot_spell_early),
        figures.placed_before_median,
        date(figures.first_hot_spell_median)
    )?;
    writeln!(
        out,
        "  failures to be expected before the visit: {:.1}; in agreement order {:.1}",
        figures.expected_failures, figures.expected_failures_agreement_order
    )?;
    writeln!(
        out,
        "  driving {} h {:02} min in all; {} search iterations",
        figures.travel_minutes / 60,
        figures.travel_minutes % 60,
        figures.iterations
    )?;
    let fullest = figures.loads.iter().map(|load| load.fullest_day_work_minutes);
    let (Some(least), Some(most)) = (fullest.clone().min(), fullest.max()) else { return Ok(()) };
    writeln!(
        out,
        "  work at homes on the fullest day: {} h {:02} min to {} h {:02} min, by technician",
        least / 60,
        least % 60,
        most / 60,
        most % 60
    )
}

fn rehearsal(out: &mut String, rehearsed: &Rehearsed) -> fmt::Result {
    heading(out, "The season rehearsed")?;
    writeln!(
        out,
        "  {} seasons drawn over {} past years' weather, to {}; median, nine of ten between",
        rehearsed.rehearsal.replicates,
        rehearsed.weather_paths,
        rehearsed.last_day.format("%d %B")
    )?;
    for plan in &rehearsed.rehearsal.plans {
        writeln!(
            out,
            "  {:<17} {:.0} no-cool calls ({:.0} to {:.0}); days with more than can be served: {:.0}",
            plan.name,
            plan.calls.median,
            plan.calls.low,
            plan.calls.high,
            plan.days_over_capacity.median
        )?;
    }
    if let Some((_, spared)) = rehearsed.as_placed() {
        let avoided = &spared.calls_avoided;
        writeln!(
            out,
            "  the visits keep {:.1} calls away in the mean ({:.0} to {:.0})",
            avoided.mean, avoided.low, avoided.high
        )?;
    }
    Ok(())
}

fn clock(seconds: i32) -> String {
    time_of_day(seconds).format("%H:%M").to_string()
}

fn route(out: &mut String, day: &Day) -> fmt::Result {
    heading(out, &format!("{} on {}", day.technician.name, day.route.day.format("%A %d %B")))?;
    for stop in &day.stops {
        writeln!(
            out,
            "  {}-{}  {}, {} ({})",
            clock(stop.stop.arrival_seconds),
            clock(stop.stop.leave_seconds),
            stop.site.name,
            letters::address_of(&stop.site),
            letters::visit_words(stop.visit.kind)
        )?;
        for unit in &stop.units {
            let label = unit.unit.label.as_deref().unwrap_or(&unit.unit.key);
            for part in unit.parts.iter().filter(|part| part.is_due()) {
                writeln!(out, "               {label}: {} is due", named(part))?;
            }
            if let Some(part) = unit.parts.iter().find(|part| !part.is_due())
                && let Some(p) = part.p_season
            {
                writeln!(
                    out,
                    "               {label}: look first at the {} ({:.0} % this season)",
                    named(part),
                    100.0 * p
                )?;
            }
        }
    }
    let Some((list, lines)) = &day.load else { return Ok(()) };
    writeln!(
        out,
        "  load list (chance of missing a part {:.1} %, bound {:.0} %):",
        100.0 * list.chance_short,
        100.0 * list.chance_bound
    )?;
    for line in lines {
        writeln!(
            out,
            "    {} x {} {} - {}",
            line.quantity,
            class_words(line.class),
            line.rating,
            line.why
        )?;
    }
    Ok(())
}

fn named(part: &DayPart) -> String {
    let rating = part.component.rating.as_deref().unwrap_or("of unknown rating");
    format!("{} {rating}", class_words(part.component.class))
}

fn notices(out: &mut String, run: &DemoRun, outbox: &Path) -> fmt::Result {
    heading(out, "Notices")?;
    writeln!(
        out,
        "  {} reminders to households, {} routes to technicians, {} {} to the office;",
        run.written.reminders,
        run.route_mails,
        run.written.digests,
        if run.written.digests == 1 { "digest" } else { "digests" }
    )?;
    writeln!(
        out,
        "  {} households cannot be reached by mail and are in the digest to be called;",
        run.written.by_phone
    )?;
    writeln!(
        out,
        "  {} mails written as .eml files into {}",
        run.delivered.delivered,
        outbox.display()
    )
}
