//! The published document: made from the handlers, so that it cannot say something else.
//!
//! The handlers say what is theirs; what all of them have in common (the token, the problems, the
//! headers) is added here to the finished document.

use std::collections::BTreeMap;

use utoipa::OpenApi as _;
use utoipa::openapi::content::ContentBuilder;
use utoipa::openapi::header::HeaderBuilder;
use utoipa::openapi::link::LinkBuilder;
use utoipa::openapi::path::{Operation, Parameter, ParameterBuilder, ParameterIn};
use utoipa::openapi::schema::{AllOf, ArrayItems, Object, ObjectBuilder, Ref, Schema, Type};
use utoipa::openapi::security::{HttpAuthScheme, HttpBuilder, SecurityRequirement, SecurityScheme};
use utoipa::openapi::{OpenApi, RefOr, Required, Response, ResponseBuilder};
use utoipa_actix_web::AppExt as _;

use super::access;
use super::problem::{Problem, ProblemKind};

/// The document's head.
#[derive(utoipa::OpenApi)]
#[openapi(
    info(
        title = "Hotspell",
        version = "1.0.0",
        description = "Memory and foresight for a cooling contractor's maintenance agreements: \
            equipment, heat age, risk of failure, season plans, routes, load lists and notices.\n\n\
            Instants are RFC 3339 in UTC, days are `YYYY-MM-DD` in the branch's time zone, times \
            of day are of the branch's clock, numbers carry their unit in name or description. \
            Changes need `If-Match`; lists are sorted by `sort`, paged by `cursor` and hold what \
            belongs to the token's branch; refusals are `application/problem+json` (RFC 9457). Requests that \
            create or act may carry an `Idempotency-Key`. An account may send a limited number of \
            requests a minute, told in `RateLimit` and `RateLimit-Policy`.",
        license(name = "MIT OR Apache-2.0", identifier = "MIT OR Apache-2.0"),
        contact(name = "Hotspell", email = "founders@hotspell.example.com"),
    ),
    servers((url = "/", description = "This service")),
    components(schemas(Problem)),
)]
#[derive(Debug)]
struct Head;

/// What is computed when it is read, and refused with 409 while something needed first is missing.
const COMPUTED: &[&str] =
    &["find_decision", "list_visit_offers", "explain_visit", "find_season", "draw_season_curve"];
const SORT: &str = "The member that the rows are sorted by, from low to high; after a `-` from high \
    to low. Rows without a value come last, rows with the same value by their numbers.";
const TOKEN: &str = "token";
const PROBLEM_JSON: &str = "application/problem+json";

/// The whole document.
#[must_use]
pub fn document() -> OpenApi {
    let (_, mut document) = actix_web::App::new()
        .into_utoipa_app()
        .openapi(Head::openapi())
        .configure(super::handlers::routes)
        .split_for_parts();
    let components = document.components.get_or_insert_with(Default::default);
    components.add_security_scheme(
        TOKEN,
        SecurityScheme::Http(
            HttpBuilder::new()
                .scheme(HttpAuthScheme::Bearer)
                .description(Some("An access token (RFC 6750), sent in the Authorization header."))
                .build(),
        ),
    );
    for kind in ProblemKind::ALL {
        components.responses.insert(kind.slug().to_owned(), RefOr::T(problem(*kind)));
    }
    close(&mut components.schemas);
    document.tags = Some(super::handlers::tags());
    for (path, item) in &mut document.paths.paths {
        let methods = [
            ("GET", &mut item.get),
            ("PUT", &mut item.put),
            ("POST", &mut item.post),
            ("PATCH", &mut item.patch),
            ("DELETE", &mut item.delete),
        ];
        for (method, operation) in methods {
            if let Some(operation) = operation {
                complete(method, path, operation);
            }
        }
    }
    link(&mut document);
    document
}

/// From what was created to where it is read, for clients that follow links.
fn link(document: &mut OpenApi) {
    let paths = &mut document.paths.paths;
    let readers: BTreeMap<String, (String, String)> = paths
        .iter()
        .filter_map(|(path, item)| {
            let (list, parameter) = path.rsplit_once('/')?;
            let parameter = parameter.strip_prefix('{')?.strip_suffix('}')?;
            let id = item.get.as_ref()?.operation_id.clone()?;
            Some((list.to_owned(), (id, parameter.to_owned())))
        })
        .collect();
    for (path, item) in paths {
        let Some((id, parameter)) = readers.get(path) else { continue };
        // What is made with a token of its own is read with that one.
        if id == "find_branch" {
            continue;
        }
        let created = item.post.as_mut().and_then(|post| post.responses.responses.get_mut("201"));
        if let Some(RefOr::T(response)) = created {
            let link = LinkBuilder::new()
                .operation_id(id)
                .parameter(parameter, "$response.body#/id")
                .description("Where it is read.")
                .build();
            response.links.insert("read".to_owned(), RefOr::T(link));
        }
    }
}

type Schemas = BTreeMap<String, RefOr<Schema>>;

/// A stored record is its input with a few members more, and both are closed, which `allOf` cannot
/// say: each becomes one object. A page's rows are made inline and are named instead.
fn close(schemas: &mut Schemas) {
    let parts = schemas.clone();
    for (name, schema) in schemas {
        match schema {
            RefOr::T(Schema::AllOf(all)) => {
                if let Some(merged) = merge(all, &parts) {
                    *schema = RefOr::T(Schema::Object(merged));
                }
            }
            RefOr::T(Schema::Object(page)) => {
                let Some(row) = name.strip_prefix("PageView_") else { continue };
                if let Some(RefOr::T(Schema::Array(items))) = page.properties.get_mut("items") {
                    items.items =
                        ArrayItems::RefOrSchema(Box::new(Ref::from_schema_name(row).into()));
                }
            }
            _ => {}
        }
    }
}

/// One object of the members of all.
fn merge(all: &AllOf, parts: &Schemas) -> Option<Object> {
    let mut merged = ObjectBuilder::new().build();
    merged.description.clone_from(&all.description);
    for item in &all.items {
        let part = match item {
            RefOr::Ref(reference) => match parts.get(reference.ref_location.rsplit('/').next()?)? {
                RefOr::T(Schema::Object(part)) => part.clone(),
                RefOr::T(Schema::AllOf(inner)) => merge(inner, parts)?,
                _ => return None,
            },
            RefOr::T(Schema::Object(part)) => part.clone(),
            RefOr::T(_) => return None,
        };
        merged.properties.extend(part.properties);
        merged.required.extend(part.required);
    }
    Some(merged)
}

/// Adds what every operation of its kind has.
fn complete(method: &str, path: &str, operation: &mut Operation) {
    let id = operation.operation_id.clone().unwrap_or_default();
    if !path.starts_with("/api/") {
        operation.security = Some(Vec::new());
        return;
    }
    operation.security = Some(vec![SecurityRequirement::new(TOKEN, [] as [&str; 0])]);
    let roles: Vec<&str> = access::roles(&id).iter().map(|role| role.as_str()).collect();
    let description = operation.description.take().unwrap_or_default();
    operation.description = Some(format!("{description}\n\nRoles: {}.", roles.join(", ")));
    let changes = needs_version(method, &id);
    let mut kinds = vec![
        ProblemKind::MalformedRequest,
        ProblemKind::Unauthenticated,
        ProblemKind::Forbidden,
        ProblemKind::TooManyRequests,
        ProblemKind::Internal,
        ProblemKind::Unavailable,
    ];
    if path.contains('{') || id == "find_backtest" {
        kinds.push(ProblemKind::NotFound);
    }
    if method != "GET" || COMPUTED.contains(&id.as_str()) {
        kinds.push(ProblemKind::Conflict);
    }
    if operation.request_body.is_some() {
        kinds.extend([ProblemKind::PayloadTooLarge, ProblemKind::UnsupportedMediaType]);
    }
    if operation.request_body.is_some() || has_query(operation) || method == "POST" {
        kinds.push(ProblemKind::InvalidInput);
    }
    if let Some(RefOr::T(body)) = &mut operation.request_body {
        for content in body.content.values_mut() {
            // A file: text of at least one character.
            if let RefOr::T(content) = content
                && let Some(RefOr::T(Schema::Object(file))) = &mut content.schema
            {
                file.min_length = Some(1);
            }
        }
    }
    let parameters = operation.parameters.get_or_insert_with(Vec::new);
    describe_sort(parameters);
    if changes {
        kinds.extend([ProblemKind::StaleVersion, ProblemKind::PreconditionRequired]);
        parameters.push(RefOr::T(if_match()));
    }
    if method == "POST" {
        parameters.push(RefOr::T(idempotency_key()));
    }
    for kind in kinds {
        let code = kind.status().as_u16().to_string();
        operation
            .responses
            .responses
            .entry(code)
            .or_insert_with(|| RefOr::Ref(Ref::from_response_name(kind.slug())));
    }
    headers(method, operation);
}

/// Says of a list's order what is so in every list; its names are its own.
fn describe_sort(parameters: &mut [RefOr<Parameter>]) {
    for parameter in parameters {
        if let RefOr::T(parameter) = parameter
            && parameter.name == "sort"
        {
            parameter.description = Some(SORT.to_owned());
        }
    }
}

/// Whether the operation changes or removes a record that has a version.
fn needs_version(method: &str, id: &str) -> bool {
    matches!(method, "PUT" | "PATCH" | "DELETE") && !access::WITHOUT_VERSION.contains(&id)
}

fn has_query(operation: &Operation) -> bool {
    operation
        .parameters
        .iter()
        .flatten()
        .any(|parameter| matches!(parameter, RefOr::T(p) if p.parameter_in == ParameterIn::Query))
}

fn text() -> Object {
    ObjectBuilder::new().schema_type(Type::String).build()
}

fn if_match() -> Parameter {
    ParameterBuilder::new()
        .name("If-Match")
        .parameter_in(ParameterIn::Header)
        .required(Required::True)
        .description(Some(
            "The ETag of the version that the change is based on (RFC 9110, section 13.1.1).",
        ))
        .schema(Some(
            ObjectBuilder::new().schema_type(Type::String).pattern(Some(r#"^(\*|"[0-9]{1,18}")$"#)),
        ))
        .example(Some("\"3\"".into()))
        .build()
}

fn idempotency_key() -> Parameter {
    ParameterBuilder::new()
        .name("Idempotency-Key")
        .parameter_in(ParameterIn::Header)
        .required(Required::False)
        .description(Some(
            "A quoted string made by the client, such as a UUID: a repeated request with the same \
             key and payload gets the stored answer and acts once; another payload is refused \
             with 422; while the first one still runs, 409 \
             (draft-ietf-httpapi-idempotency-key-header). Keys are kept for a day.",
        ))
        .schema(Some(
            ObjectBuilder::new()
                .schema_type(Type::String)
                .min_length(Some(3))
                .max_length(Some(202))
                .pattern(Some(r#"^"[!#-\[\]-~]{1,200}"$"#)),
        ))
        .example(Some("\"7f0c2a4e-3b1d-4a8e-9d55-0c7a3b8e21f4\"".into()))
        .build()
}

fn problem(kind: ProblemKind) -> Response {
    ResponseBuilder::new()
        .description(format!("{} (`/problems/{}`)", kind.title(), kind.slug()))
        .content(
            PROBLEM_JSON,
            ContentBuilder::new().schema(Some(Ref::from_schema_name("Problem"))).build(),
        )
        .build()
}

/// The headers of successful answers.
fn headers(method: &str, operation: &mut Operation) {
    let header = |description: &str| {
        HeaderBuilder::new().schema(Some(text())).description(Some(description)).build()
    };
    let has_list = operation.operation_id.as_deref().is_some_and(|id| id.starts_with("list_"));
    for (code, response) in &mut operation.responses.responses {
        let RefOr::T(response) = response else { continue };
        if code == "201" {
            response
                .headers
                .insert("Location".to_owned(), RefOr::T(header("Path of what was created.")));
        }
        if code == "200" && method == "GET" && has_list {
            let next = "Link to the next page, `rel=\"next\"` (RFC 8288); absent on the last one.";
            response.headers.insert("Link".to_owned(), RefOr::T(header(next)));
        }
    }
}
