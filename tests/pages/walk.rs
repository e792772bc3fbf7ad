//! Every kind of page that links lead to: the pages are found by following them, so that a new one is
//! looked at without being listed here, and one that lost its last link is missed.

use std::collections::{BTreeSet, VecDeque};

use harness::browser::Browser;
use serde_json::Value;

use crate::look::Look;

/// Where the page that is shown leads without changing anything: its links and the forms that ask; whole
/// addresses. Files to keep are no pages.
async fn links(browser: &Browser) -> Vec<String> {
    let script = "return [...document.querySelectorAll('a[href]')].map(link => link.href)\
        .concat([...document.querySelectorAll('form[method=get]')].map(form => form.action))\
        .filter(address => !address.endsWith('.csv'))";
    let found = browser.window.execute(script, Vec::new()).await.unwrap();
    let found = found.as_array().expect("a list of links");
    found.iter().filter_map(Value::as_str).map(str::to_owned).collect()
}

/// What kind of page a path is: `/office/plans/7/days/2025-03-01` is `/office/plans/*/days/*`. What
/// follows `notices` names a mail and a language.
fn kind(path: &str) -> String {
    let mut is_of_mail = false;
    let mut segments = Vec::new();
    for segment in path.split('/') {
        let is_number = segment.chars().any(|letter| letter.is_ascii_digit());
        segments.push(if is_number || is_of_mail { "*" } else { segment });
        is_of_mail |= segment == "notices";
    }
    segments.join("/")
}

/// `/office/plans/*/days/*` gives pictures named `office-plans-1-days-1`.
fn picture_name(kind: &str) -> String {
    kind.trim_start_matches('/').replace('/', "-").replace('*', "1")
}

/// Looks at one page of each kind that can be reached from a page within the same folder of the site
/// (`/office/`, `/technician/`), with pictures whose names begin as `pictures` says, and notes which of
/// the `wanted` kinds nothing leads to.
pub(crate) async fn every_kind_of_page(
    browser: &Browser,
    start: &str,
    pictures: &str,
    wanted: &[&str],
    look: &mut Look,
) {
    let (base, path) = split(start);
    let folder = format!("/{}/", path.split('/').nth(1).expect("a page in a folder"));
    let mut seen = BTreeSet::from([kind(path)]);
    let mut waiting = VecDeque::from([start.to_owned()]);
    while let Some(url) = waiting.pop_front() {
        let name = format!("{pictures}{}", picture_name(&kind(split(&url).1)));
        look.at(browser, &url, &name).await;
        for link in links(browser).await {
            let (service, path) = split(&link);
            if service == base && path.starts_with(&folder) && seen.insert(kind(path)) {
                waiting.push_back(link.clone());
            }
        }
    }
    for page in wanted.iter().filter(|page| !seen.contains(**page)) {
        look.say(page, "nothing leads there");
    }
}

/// Scheme, host and port; and the path without question and place.
fn split(url: &str) -> (&str, &str) {
    let host = url.find("://").map_or(0, |at| at + 3);
    let path = url[host..].find('/').map_or(url.len(), |at| host + at);
    (&url[..path], url[path..].split(['?', '#']).next().unwrap_or_default())
}
