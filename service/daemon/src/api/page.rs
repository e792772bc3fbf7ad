//! Lists in pages with an opaque cursor (RFC 8288 links).

use actix_web::HttpResponse;
use actix_web::http::header;
use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};

use super::error::ApiError;

/// Most rows of one page.
pub const LIMIT_MAX: u32 = 500;
const LIMIT_DEFAULT: u32 = 50;

/// Which part of a list is asked for.
#[derive(Debug, Clone, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct PageQuery {
    /// The `next` value of the page before; absent for the first page.
    #[param(required = false, nullable = false, example = "djE6NDI")]
    pub cursor: Option<String>,
    /// Rows in the page, 1 to 500; 50 if absent.
    #[param(required = false, nullable = false, minimum = 1, maximum = 500, example = 50)]
    pub limit: Option<u32>,
}

impl PageQuery {
    /// The number of rows.
    ///
    /// # Errors
    /// 422 when it is out of range.
    pub fn rows(&self) -> Result<i64, ApiError> {
        let limit = self.limit.unwrap_or(LIMIT_DEFAULT);
        if !(1..=LIMIT_MAX).contains(&limit) {
            return Err(ApiError::field("limit", format!("{limit} is outside 1 to {LIMIT_MAX}")));
        }
        Ok(i64::from(limit))
    }

    /// The id after which the page begins and the number of rows.
    ///
    /// # Errors
    /// 422 when the cursor is not one of ours or the limit is out of range.
    pub fn resolve(&self) -> Result<(i64, i64), ApiError> {
        let limit = self.rows()?;
        let after = match &self.cursor {
            None => 0,
            Some(text) => decode(text).ok_or_else(|| {
                ApiError::field("cursor", "expected the `next` value of an earlier page")
            })?,
        };
        Ok((after, limit))
    }
}

/// A query that asks for a page.
pub(crate) trait Paged {
    /// Its members that say which page.
    fn page_query(&self) -> PageQuery;

    /// The id after which the page begins and the number of rows.
    fn page(&self) -> Result<(i64, i64), ApiError> {
        self.page_query().resolve()
    }
}

/// Declares the query of a list: its filters, and the page as every list takes it.
macro_rules! list_query {
    ($(#[$doc:meta])* $name:ident { $($(#[$meta:meta])* $field:ident : $ty:ty),* $(,)? }) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Default, serde::Deserialize, utoipa::IntoParams)]
        #[serde(deny_unknown_fields)]
        #[into_params(parameter_in = Query)]
        pub(crate) struct $name {
            $($(#[$meta])* #[param(required = false, nullable = false)] $field: Option<$ty>,)*
            /// The `next` value of the page before; absent for the first page.
            #[param(required = false, nullable = false, example = "djE6MA")]
            cursor: Option<String>,
            /// Rows in the page, 1 to 500; 50 if absent.
            #[param(required = false, nullable = false, minimum = 1, maximum = 500, example = 50)]
            limit: Option<u32>,
        }

        impl $crate::api::page::Paged for $name {
            fn page_query(&self) -> $crate::api::page::PageQuery {
                $crate::api::page::PageQuery { cursor: self.cursor.clone(), limit: self.limit }
            }
        }
    };
}
pub(crate) use list_query;

fn encode(id: i64) -> String {
    URL_SAFE_NO_PAD.encode(format!("v1:{id}"))
}

fn decode(text: &str) -> Option<i64> {
    let bytes = URL_SAFE_NO_PAD.decode(text).ok()?;
    let id: i64 = std::str::from_utf8(&bytes).ok()?.strip_prefix("v1:")?.parse().ok()?;
    (id >= 0).then_some(id)
}

/// The cursor of a list in falling order of a probability: the last one and its id.
#[must_use]
pub(crate) fn encode_rank(probability: f64, id: i64) -> String {
    URL_SAFE_NO_PAD.encode(format!("p1:{}:{id}", probability.to_bits()))
}

/// Reads such a cursor.
///
/// # Errors
/// 422 when it is not one of ours.
pub(crate) fn decode_rank(text: &str) -> Result<(f64, i64), ApiError> {
    let read = || {
        let bytes = URL_SAFE_NO_PAD.decode(text).ok()?;
        let (bits, id) = std::str::from_utf8(&bytes).ok()?.strip_prefix("p1:")?.split_once(':')?;
        let probability = f64::from_bits(bits.parse().ok()?);
        (0.0..=1.0).contains(&probability).then_some((probability, id.parse().ok()?))
    };
    read().ok_or_else(|| ApiError::field("cursor", "expected the `next` value of an earlier page"))
}

/// One page of a list.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct PageView<T> {
    /// The rows, in the order of their ids.
    pub items: Vec<T>,
    /// Cursor of the next page; absent on the last one.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(required = false, nullable = false, example = "djE6NDI")]
    pub next: Option<String>,
}

impl<T: Serialize> PageView<T> {
    /// A page from rows fetched with one row more than asked for.
    pub fn new(items: Vec<T>, limit: i64, id: impl Fn(&T) -> i64) -> Self {
        Self::of_numbered(items.into_iter().map(|item| (id(&item), item)).collect(), limit)
    }

    /// A page from numbered rows fetched with one row more than asked for.
    #[must_use]
    pub fn of_numbered(mut rows: Vec<(i64, T)>, limit: i64) -> Self {
        let limit = usize::try_from(limit).unwrap_or(usize::MAX);
        let more = rows.len() > limit;
        rows.truncate(limit);
        let next = if more { rows.last().map(|row| encode(row.0)) } else { None };
        Self { items: rows.into_iter().map(|row| row.1).collect(), next }
    }

    /// The answer, with the `Link` to the next page beside the body's cursor.
    pub fn answer(self, path: &str, query: &str) -> HttpResponse {
        let mut answer = HttpResponse::Ok();
        if let Some(next) = &self.next {
            let kept: Vec<&str> = query
                .split('&')
                .filter(|pair| !pair.is_empty() && !pair.starts_with("cursor="))
                .collect();
            let mut target = format!("{path}?cursor={next}");
            for pair in kept {
                target.push('&');
                target.push_str(pair);
            }
            answer.insert_header((header::LINK, format!("<{target}>; rel=\"next\"")));
        }
        answer.json(self)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_cursor_reads_back_and_a_forged_one_is_refused() {
        assert_eq!(decode(&encode(42)), Some(42));
        for forged in ["", "42", "djI6NDI", "!!"] {
            assert_eq!(decode(forged), None, "{forged}");
        }
    }

    #[test]
    fn a_cursor_of_the_risk_list_reads_back() {
        let (probability, id) = decode_rank(&encode_rank(0.1 + 0.2, 7)).unwrap();
        assert_eq!((probability.to_bits(), id), ((0.1_f64 + 0.2).to_bits(), 7));
        assert!(decode_rank(&encode_rank(2.0, 7)).is_err());
        assert!(decode_rank(&encode(7)).is_err());
    }

    #[test]
    fn the_last_page_has_no_next() {
        assert!(PageView::new(vec![1i64, 2], 2, |id| *id).next.is_none());
        let page = PageView::new(vec![1i64, 2, 3], 2, |id| *id);
        assert_eq!((page.items.len(), page.next), (2, Some(encode(2))));
    }

    #[test]
    fn the_link_to_the_next_page_keeps_the_filters() {
        let page = PageView::new(vec![1i64, 2, 3], 2, |id| *id);
        let answer = page.answer("/api/v1/sites", "cursor=abc&branch=1&limit=2");
        let link = answer.headers().get(header::LINK).unwrap().to_str().unwrap();
        assert!(link.contains("&branch=1&limit=2") && !link.contains("abc"), "{link}");
    }
}
