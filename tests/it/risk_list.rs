//! The office looks at the risk list in its own way: by chance, heat, years and household, narrowed by
//! part, place, years and who comes.

use hotspell_test_support::{DatabaseKind, TestDatabase};
use serde_json::json;

use crate::own_words::Session;
use crate::season_loop::{HOMES, Season, plan_and_adopt, score};

/// The households of a page, in its order.
fn households(page: &str) -> Vec<String> {
    let rows = page.split("<summary>").skip(1);
    rows.map(|row| between(row, "<strong>", "</strong>")).collect()
}

/// The years in which the parts of a page went into service, in its order.
fn years(page: &str) -> Vec<String> {
    let rows = page.split("in service since ").skip(1);
    rows.map(|row| row.split(['.', '<']).next().unwrap().rsplit(' ').next().unwrap().to_owned())
        .collect()
}

fn between(text: &str, begin: &str, end: &str) -> String {
    text.split(begin).nth(1).unwrap().split(end).next().unwrap().to_owned()
}

#[tokio::test]
async fn the_list_is_sorted_by_what_the_office_asks_for() {
    for kind in TestDatabase::KINDS {
        let season = Season::begin(kind).await;
        let (daemon, office) = season.start().await;
        score(&office).await;
        let session = Session::begin(&daemon, &season.office_token).await;
        let by_chance = session.page("/office/risk").await;
        let said = households(&by_chance);
        assert_eq!(said.len(), 2 * HOMES, "{kind:?}");
        let scores = office.all("/api/v1/scores?limit=500").await;
        let likely: Vec<&str> =
            scores.iter().map(|row| row["site_name"].as_str().unwrap()).collect();
        assert_eq!(said, likely, "{kind:?}: as the API ranks them");
        let by_name = households(&session.page("/office/risk?sort=household").await);
        assert!(by_name.is_sorted() && by_name[0] == "Home 0", "{kind:?}: {by_name:?}");
        let by_years = years(&session.page("/office/risk?sort=service").await);
        assert!(by_years.is_sorted() && by_years[0] == "2008", "{kind:?}: {by_years:?}");
        for sort in ["heat-age", "heat-left"] {
            let page = session.page(&format!("/office/risk?sort={sort}")).await;
            assert_eq!(households(&page).len(), 2 * HOMES, "{kind:?} {sort}");
            let chosen = format!("<option value=\"{sort}\" selected>");
            assert!(page.contains(&chosen), "{kind:?}: the choice stays chosen");
        }
        assert!(daemon.stop().await);
    }
}

#[tokio::test]
async fn the_list_is_narrowed_by_years_in_service_and_by_who_comes_next() {
    for kind in TestDatabase::KINDS {
        let season = Season::begin(kind).await;
        let (daemon, office) = season.start().await;
        score(&office).await;
        let session = Session::begin(&daemon, &season.office_token).await;
        // It is 17 February 2025; parts of 2 April 2012 and before are twelve years old.
        let old = session.page("/office/risk?years=12").await;
        assert!(years(&old).iter().all(|year| year.as_str() <= "2012"), "{kind:?}");
        let api = office.all("/api/v1/scores?installed_by=2013-02-17&limit=500").await;
        assert_eq!(households(&old).len(), api.len(), "{kind:?}: the API counts as many");
        assert!(!api.is_empty() && api.len() < 2 * HOMES, "{kind:?}: {}", api.len());

        let nobody = "/office/risk?who=nobody";
        assert_eq!(households(&session.page(nobody).await).len(), 2 * HOMES, "{kind:?}");
        plan_and_adopt(&office).await;
        let placed = office.all("/api/v1/visits?state=placed&limit=500").await;
        let unvisited = households(&session.page(nobody).await);
        assert_eq!(unvisited.len(), 2 * (HOMES - placed.len()), "{kind:?}");
        for who in [1_i64, 2] {
            let listed = households(&session.page(&format!("/office/risk?who={who}")).await);
            let own = placed.iter().filter(|visit| visit["technician_id"] == json!(who)).count();
            assert_eq!(
                listed.len(),
                2 * own,
                "{kind:?}: two parts at each home of technician {who}"
            );
            let api = office.all(&format!("/api/v1/scores?technician_id={who}&limit=500")).await;
            assert_eq!(api.len(), listed.len(), "{kind:?}");
        }
        assert!(daemon.stop().await);
    }
}

#[tokio::test]
async fn a_choice_that_means_nothing_is_said_in_words_and_what_was_typed_stays() {
    let season = Season::begin(DatabaseKind::Sqlite).await;
    let (daemon, office) = season.start().await;
    score(&office).await;
    let session = Session::begin(&daemon, &season.office_token).await;
    let page = session.page("/office/risk?years=old&place=Phoenix").await;
    assert!(page.contains("«old» is no number of years. Write a whole one, 0 to 99."), "{page}");
    assert!(page.contains("value=\"old\"") && page.contains("value=\"Phoenix\""), "{page}");
    assert!(households(&page).is_empty(), "{page}");
    let page = session.page("/office/risk?years=12&place=phoenix&least=0,1").await;
    assert!(!households(&page).is_empty(), "{page}");
    assert!(daemon.stop().await);
}

#[tokio::test]
async fn a_piece_of_a_household_a_town_or_a_postal_code_narrows_the_list() {
    for kind in TestDatabase::KINDS {
        let season = Season::begin(kind).await;
        let (daemon, office) = season.start().await;
        score(&office).await;
        let session = Session::begin(&daemon, &season.office_token).await;
        let all = households(&session.page("/office/risk").await).len();
        assert_eq!(all, 2 * HOMES);
        for (place, parts) in [("oenix", all), ("8500", all), ("HOME+7", 2), ("Home+1", 22)] {
            let page = session.page(&format!("/office/risk?place={place}")).await;
            assert_eq!(households(&page).len(), parts, "{kind:?} {place}");
        }
        let page = session.page("/office/risk?place=nowhere").await;
        assert!(page.contains("No part fits this choice."), "{page}");
        assert!(daemon.stop().await);
    }
}
