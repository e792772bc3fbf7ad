//! What is answered where no handler is.

use actix_web::{HttpRequest, HttpResponse, web};

use super::error::ApiError;
use super::operations::Operations;
use super::problem::ProblemKind;

/// 405 with Allow when the path exists under other methods (RFC 9110, section 15.5.6), else 404.
///
/// # Errors
/// Always.
pub(crate) async fn nothing_here(
    request: HttpRequest,
    operations: web::Data<Operations>,
) -> Result<HttpResponse, ApiError> {
    Err(match operations.find(request.path()) {
        Some(route) => ApiError::new(
            ProblemKind::MethodNotAllowed,
            format!("{} is not supported here; {} is", request.method(), route.allow()),
        )
        .with_allow(route.allow()),
        None => ApiError::new(ProblemKind::NotFound, "There is nothing under this path"),
    })
}
