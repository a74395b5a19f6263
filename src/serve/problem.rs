//! Errors as RFC 9457 problem details.

use axum::Json;
use axum::http::{HeaderName, HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use serde_json::json;

use super::desk::Busy;

/// An answer that says what went wrong. The detail is lower case, without a full stop.
#[derive(Debug, Clone)]
pub(super) struct Problem {
    status: StatusCode,
    detail: String,
    header: Option<(HeaderName, HeaderValue)>,
}

impl Problem {
    pub(super) fn new(status: StatusCode, detail: impl Into<String>) -> Self {
        Self { status, detail: detail.into(), header: None }
    }

    /// What was asked for is not there.
    pub(super) fn not_found(detail: impl Into<String>) -> Self {
        Self::new(StatusCode::NOT_FOUND, detail)
    }

    /// The request cannot be understood.
    pub(super) fn bad(detail: impl Into<String>) -> Self {
        Self::new(StatusCode::BAD_REQUEST, detail)
    }

    /// The request is understood and cannot be followed.
    pub(super) fn refused(detail: impl Into<String>) -> Self {
        Self::new(StatusCode::UNPROCESSABLE_ENTITY, detail)
    }

    /// Not now.
    pub(super) fn busy(detail: impl Into<String>) -> Self {
        Self::new(StatusCode::SERVICE_UNAVAILABLE, detail)
            .with(header::RETRY_AFTER, HeaderValue::from_static("1"))
    }

    /// With a header beside it.
    pub(super) fn with(mut self, name: HeaderName, value: HeaderValue) -> Self {
        self.header = Some((name, value));
        self
    }
}

impl From<Busy> for Problem {
    fn from(busy: Busy) -> Self {
        match busy {
            Busy::Full => Self::busy(busy.to_string()),
            Busy::Ended => Self::new(StatusCode::SERVICE_UNAVAILABLE, busy.to_string()),
        }
    }
}

impl IntoResponse for Problem {
    fn into_response(self) -> Response {
        let body = json!({
            "type": "about:blank",
            "title": self.status.canonical_reason().unwrap_or_default(),
            "status": self.status.as_u16(),
            "detail": self.detail,
        });
        let mut response = (self.status, Json(body)).into_response();
        let headers = response.headers_mut();
        headers.insert(header::CONTENT_TYPE, HeaderValue::from_static("application/problem+json"));
        if let Some((name, value)) = self.header {
            headers.insert(name, value);
        }
        response
    }
}
