//! What is answered where no handler is.

use actix_web::{HttpRequest, HttpResponse, web};

use super::error::ApiError;
use super::operations::Operations;
use super::problem::ProblemKind;

/// Answers where no handler is.
///
/// # Errors
/// Always: the refusal.
pub(crate) async fn nothing_here(request: HttpRequest) -> Result<HttpResponse, ApiError> {
    Err(refusal(&request))
}

/// 405 with Allow when the path exists under other methods (RFC 9110, section 15.5.6), else 404.
pub(crate) fn refusal(request: &HttpRequest) -> ApiError {
    let operations = request.app_data::<web::Data<Operations>>();
    match operations.and_then(|operations| operations.find(request.path())) {
        Some(route) if route.operation(request.method()).is_none() => ApiError::new(
            ProblemKind::MethodNotAllowed,
            format!("{} is not supported here; {} is", request.method(), route.allow()),
        )
        .with_allow(route.allow()),
        _ => ApiError::new(ProblemKind::NotFound, "There is nothing under this path"),
    }
}
