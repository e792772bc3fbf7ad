//! What the check said.
//!
//! What the reader must decide: am I done here? So it says of each reading what it means and what
//! follows, and whether the sister unit's part is still to be checked.

use actix_web::http::StatusCode;
use actix_web::{HttpRequest, HttpResponse, web};
use askama::Template;

use super::check::{Home, about};
use super::photo::{self, PhotoView};
use super::visit_id;
use crate::api::caller::Caller;
use crate::api::visibility;
use crate::pages::parts as view;
use crate::pages::refusal::{PageError, blocking};
use crate::pages::shell::{self, Shell};
use crate::pages::visitor::Crew;
use crate::pages::words::{self, Mark};
use crate::state::AppState;

#[derive(Template)]
#[template(path = "result.html")]
struct ResultPage {
    shell: Shell,
    household: String,
    about: String,
    back: String,
    again: String,
    done: bool,
    checked: Vec<Said>,
    replaced: Vec<String>,
    unchecked: Vec<String>,
    photos: Vec<PhotoView>,
}

/// What one part's readings said.
struct Said {
    name: String,
    mark: Mark,
    reading: String,
    follows: &'static str,
    chance: Option<String>,
}

/// What the check said: read from the record, so that the page may be loaded again.
pub(super) async fn show(
    state: web::Data<AppState>,
    request: HttpRequest,
    crew: Crew,
    visit: web::Path<String>,
) -> Result<HttpResponse, PageError> {
    let (caller, id) = (crew.0, visit_id(&visit)?);
    let home = blocking(move || Home::load(&state, &caller, id)).await?;
    let shell = Shell::signed_in(&request, &caller, "Result", &home.branch.name, None);
    shell::show(StatusCode::OK, &result_page(shell, &caller, &home))
}

fn result_page(shell: Shell, caller: &Caller, home: &Home) -> ResultPage {
    let newest = home.parts().filter_map(|part| Some(part.readings.first()?.taken_on)).max();
    let day = newest.unwrap_or_else(|| home.work_day()).max(home.work_day());
    let mut page = ResultPage {
        shell: Shell { title: format!("Result: {}", home.site.name), ..shell },
        household: home.site.name.clone(),
        about: about(&home.visit),
        back: home.day_address(caller),
        again: format!("/technician/visit/{}", home.visit.id),
        done: !home.visit.state.holds_a_place() || !visibility::may_enter(caller, &home.visit),
        checked: Vec::new(),
        replaced: Vec::new(),
        unchecked: Vec::new(),
        photos: photo::views(home),
    };
    for unit in &home.units {
        for part in &unit.parts {
            let name = format!("{}: {}", view::label(&unit.unit), view::name(&part.component));
            let today = part.readings.first().is_some_and(|reading| reading.taken_on == day);
            let shown = view::part_view(part, home.branch.mains_hertz);
            if part.component.installed_earliest == Some(day) {
                page.replaced.push(match &shown.rating {
                    Some(rating) => format!("{name}, now {rating}"),
                    None => name,
                });
            } else if let Some(verdict) = part.verdict.filter(|_| today) {
                page.checked.push(Said {
                    name,
                    mark: words::verdict(verdict),
                    reading: shown.last,
                    follows: view::follows(verdict),
                    chance: shown.chance,
                });
            } else if part.component.class.is_run_capacitor() {
                page.unchecked.push(name);
            }
        }
    }
    page
}
