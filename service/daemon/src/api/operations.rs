//! Which operations there are: the published document, asked by method and path.
//!
//! One matching serves the role table, the answer to a wrong method and the log's route names.

use actix_web::http::Method;
use utoipa::openapi::{OpenApi, PathItem};

/// Every path of the document with its operations.
#[derive(Debug, Clone)]
pub struct Operations(Vec<Route>);

/// One path of the document.
#[derive(Debug, Clone)]
pub struct Route {
    template: String,
    operations: Vec<(Method, String)>,
}

impl Operations {
    /// Reads the paths of a document.
    #[must_use]
    pub fn of(document: &OpenApi) -> Self {
        let mut routes: Vec<Route> = document
            .paths
            .paths
            .iter()
            .map(|(template, item)| Route {
                template: template.clone(),
                operations: operations(item),
            })
            .collect();
        // A fixed segment wins over a parameter: fewest parameters first.
        routes.sort_by_key(|route| (route.template.matches('{').count(), route.template.clone()));
        Self(routes)
    }

    /// The path that a request means, whatever its method.
    #[must_use]
    pub fn find(&self, path: &str) -> Option<&Route> {
        self.0.iter().find(|route| route.matches(path))
    }

    /// Every operation: method, path template, operation id.
    pub fn all(&self) -> impl Iterator<Item = (&Method, &str, &str)> {
        self.0.iter().flat_map(|route| {
            let template = route.template.as_str();
            route.operations.iter().map(move |(method, id)| (method, template, id.as_str()))
        })
    }
}

impl Route {
    fn matches(&self, path: &str) -> bool {
        let (mut wanted, mut given) = (self.template.split('/'), path.split('/'));
        loop {
            match (wanted.next(), given.next()) {
                (None, None) => return true,
                (Some(wanted), Some(given)) => {
                    let fits =
                        if wanted.starts_with('{') { !given.is_empty() } else { wanted == given };
                    if !fits {
                        return false;
                    }
                }
                _ => return false,
            }
        }
    }

    /// The path as the document writes it.
    #[must_use]
    pub fn template(&self) -> &str {
        &self.template
    }

    /// The operation under a method.
    #[must_use]
    pub fn operation(&self, method: &Method) -> Option<&str> {
        self.operations.iter().find(|(m, _)| m == method).map(|(_, id)| id.as_str())
    }

    /// The methods that the path supports, as the Allow header lists them.
    #[must_use]
    pub fn allow(&self) -> String {
        self.operations.iter().map(|(method, _)| method.as_str()).collect::<Vec<_>>().join(", ")
    }
}

fn operations(item: &PathItem) -> Vec<(Method, String)> {
    [
        (Method::GET, &item.get),
        (Method::PUT, &item.put),
        (Method::POST, &item.post),
        (Method::DELETE, &item.delete),
        (Method::PATCH, &item.patch),
    ]
    .into_iter()
    .filter_map(|(method, operation)| {
        let id = operation.as_ref()?.operation_id.clone().unwrap_or_default();
        Some((method, id))
    })
    .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn route(template: &str) -> Route {
        Route { template: template.to_owned(), operations: Vec::new() }
    }

    #[test]
    fn a_parameter_takes_one_segment_and_no_empty_one() {
        let route = route("/api/v1/sites/{site_id}");
        assert!(route.matches("/api/v1/sites/7"));
        for path in ["/api/v1/sites/", "/api/v1/sites", "/api/v1/sites/7/units", "/api/v1/units/7"]
        {
            assert!(!route.matches(path), "{path}");
        }
    }

    #[test]
    fn every_operation_of_the_document_has_an_id_of_its_own() {
        let operations = Operations::of(&crate::api::openapi::document());
        let mut ids: Vec<_> = operations.all().map(|(_, _, id)| id).collect();
        let count = ids.len();
        ids.sort_unstable();
        ids.dedup();
        assert_eq!(ids.len(), count);
        assert!(!ids.contains(&""));
    }
}
