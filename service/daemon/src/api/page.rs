//! Lists in an order that the client names, in pages with an opaque cursor (RFC 8288 links).

use actix_web::HttpResponse;
use actix_web::http::header;
use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use hotspell_store::{Order, Place, SortKey, SortedPage};
use serde::de::Error as _;
use serde::{Deserialize, Deserializer, Serialize};
use utoipa::ToSchema;
use utoipa::openapi::schema::{Object, ObjectBuilder, Type};

use super::error::ApiError;

/// Most rows of one page.
pub const LIMIT_MAX: u32 = 500;
const LIMIT_DEFAULT: u32 = 50;

/// What a list is asked to be sorted by: a name of [`SortKey`], after a `-` from high to low.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Sorting<K>(pub(crate) Order<K>);

/// As it stands in a query.
fn name_of<K: SortKey>(order: Order<K>) -> String {
    let sign = if order.falling { "-" } else { "" };
    format!("{sign}{}", order.key.name())
}

/// Every name of a key, each way.
fn names<K: SortKey>() -> Vec<String> {
    let both = |key: &K| [false, true].map(|falling| name_of(Order { key: *key, falling }));
    K::ALL.iter().flat_map(both).collect()
}

impl<'de, K: SortKey> Deserialize<'de> for Sorting<K> {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let text = String::deserialize(deserializer)?;
        let (name, falling) = match text.strip_prefix('-') {
            Some(name) => (name, true),
            None => (text.as_str(), false),
        };
        let key = K::ALL.iter().find(|key| key.name() == name);
        key.map(|key| Self(Order { key: *key, falling })).ok_or_else(|| {
            let known = names::<K>().join(", ");
            D::Error::custom(format!("sort `{text}` is none of {known}"))
        })
    }
}

/// What may stand there, for the document.
pub(crate) fn sort_schema<K: SortKey>() -> Object {
    ObjectBuilder::new().schema_type(Type::String).enum_values(Some(names::<K>())).build()
}

/// The number of rows that is asked for.
///
/// # Errors
/// 422 when it is out of range.
pub(crate) fn rows(limit: Option<u32>) -> Result<i64, ApiError> {
    let limit = limit.unwrap_or(LIMIT_DEFAULT);
    if (1..=LIMIT_MAX).contains(&limit) {
        Ok(i64::from(limit))
    } else {
        Err(ApiError::field("limit", format!("{limit} is outside 1 to {LIMIT_MAX}")))
    }
}

/// The part of a list that a query asks for.
///
/// # Errors
/// 422 when the cursor is none of this list in this order, or the limit is out of range.
pub(crate) fn resolve<K: SortKey>(
    order: Option<Order<K>>,
    cursor: Option<&str>,
    limit: Option<u32>,
) -> Result<SortedPage<K>, ApiError> {
    let limit = rows(limit)?;
    let after = cursor.map(|text| decode(text, order)).transpose()?;
    Ok(SortedPage { order, after, limit })
}

/// A query that asks for a page.
pub(crate) trait Paged {
    /// What the list can be sorted by.
    type Key: SortKey;

    /// The part of the list that is asked for.
    fn page(&self) -> Result<SortedPage<Self::Key>, ApiError>;
}

/// Declares the query of a list: its filters, and order and page as every list takes them.
macro_rules! list_query {
    (
        $(#[$doc:meta])*
        $name:ident sorted by $sort:ty { $($(#[$meta:meta])* $field:ident : $ty:ty),* $(,)? }
    ) => {
        $(#[$doc])*
        #[derive(Debug, Clone, serde::Deserialize, utoipa::IntoParams)]
        #[serde(deny_unknown_fields)]
        #[into_params(parameter_in = Query)]
        pub(crate) struct $name {
            $($(#[$meta])* #[param(required = false, nullable = false)] $field: Option<$ty>,)*
            // Described where the document is put together: a schema of its own takes no text.
            #[param(
                required = false,
                nullable = false,
                schema_with = $crate::api::page::sort_schema::<$sort>
            )]
            sort: Option<$crate::api::page::Sorting<$sort>>,
            /// The `next` value of the page before, with the same `sort`; absent for the first page.
            #[param(required = false, nullable = false, example = "eyJhZnRlciI6eyJudW1iZXIiOjQyfX0")]
            cursor: Option<String>,
            /// Rows in the page, 1 to 500; 50 if absent.
            #[param(required = false, nullable = false, minimum = 1, maximum = 500, example = 50)]
            limit: Option<u32>,
        }

        impl $crate::api::page::Paged for $name {
            type Key = $sort;

            fn page(
                &self,
            ) -> Result<hotspell_store::SortedPage<$sort>, $crate::api::error::ApiError> {
                let order = self.sort.map(|sorting| sorting.0);
                $crate::api::page::resolve(order, self.cursor.as_deref(), self.limit)
            }
        }
    };
}
pub(crate) use list_query;

/// What a cursor holds: a place, and the order in which it is one.
#[derive(Serialize, Deserialize)]
struct Cursor {
    #[serde(skip_serializing_if = "Option::is_none")]
    sort: Option<String>,
    after: Place,
}

/// The cursor of the rows after a place.
pub(crate) fn encode<K: SortKey>(order: Option<Order<K>>, after: Place) -> String {
    let cursor = Cursor { sort: order.map(name_of), after };
    // Words and numbers alone, so nothing can fail.
    URL_SAFE_NO_PAD.encode(serde_json::to_vec(&cursor).unwrap_or_default())
}

/// The place that a cursor tells.
///
/// # Errors
/// 422 when it is none of a list in this order.
pub(crate) fn decode<K: SortKey>(text: &str, order: Option<Order<K>>) -> Result<Place, ApiError> {
    let read = || {
        let bytes = URL_SAFE_NO_PAD.decode(text).ok()?;
        serde_json::from_slice::<Cursor>(&bytes).ok()
    };
    let wrong = |expected: String| ApiError::field("cursor", expected);
    let cursor =
        read().ok_or_else(|| wrong("expected the `next` value of an earlier page".to_owned()))?;
    if cursor.sort != order.map(name_of) {
        return Err(wrong(match &cursor.sort {
            Some(sort) => format!("is of the list with sort={sort}; expected that, or no cursor"),
            None => "is of the list without sort; expected that, or no cursor".to_owned(),
        }));
    }
    let fits = match (&cursor.after.value, order) {
        (None, _) => true,
        (Some(value), Some(order)) => order.key.takes(value),
        (Some(_), None) => false,
    };
    if fits {
        Ok(cursor.after)
    } else {
        Err(wrong("expected the `next` value as it was".to_owned()))
    }
}

/// One page of a list.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct PageView<T> {
    /// The rows, in the order that was asked for, else in that of their ids.
    pub items: Vec<T>,
    /// Cursor of the next page; absent on the last one.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(required = false, nullable = false, example = "eyJhZnRlciI6eyJudW1iZXIiOjQyfX0")]
    pub next: Option<String>,
}

impl<T: Serialize> PageView<T> {
    /// A page from rows and their places, fetched with one row more than asked for.
    #[must_use]
    pub(crate) fn of_placed<K: SortKey>(
        mut rows: Vec<(Place, T)>,
        order: Option<Order<K>>,
        limit: i64,
    ) -> Self {
        let limit = usize::try_from(limit).unwrap_or(usize::MAX);
        let more = rows.len() > limit;
        rows.truncate(limit);
        let last = rows.last().filter(|_| more);
        let next = last.map(|(place, _)| encode(order, place.clone()));
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
    use hotspell_store::SortValue;
    use hotspell_store::sites::SiteSort;

    use super::*;

    const BY_NAME: Option<Order<SiteSort>> = Some(Order { key: SiteSort::Name, falling: true });

    fn at(number: i64) -> Place {
        Place { value: None, number }
    }

    fn named(name: &str, number: i64) -> Place {
        Place { value: Some(SortValue::Text(name.to_owned())), number }
    }

    fn placed(numbers: &[i64]) -> Vec<(Place, i64)> {
        numbers.iter().map(|number| (at(*number), *number)).collect()
    }

    fn by_number(rows: &[i64], limit: i64) -> PageView<i64> {
        PageView::of_placed::<SiteSort>(placed(rows), None, limit)
    }

    #[test]
    fn a_cursor_reads_back_and_a_forged_one_is_refused() {
        let none = None::<Order<SiteSort>>;
        assert_eq!(decode(&encode(none, at(42)), none).unwrap(), at(42));
        let peña = named("Peña", 7);
        assert_eq!(decode(&encode(BY_NAME, peña.clone()), BY_NAME).unwrap(), peña);
        for forged in ["", "42", "djI6NDI", "!!", &encode(none, peña)] {
            assert!(decode(forged, none).is_err(), "{forged}");
        }
        let number = Place { value: Some(SortValue::Whole(1)), number: 1 };
        assert!(decode(&encode(BY_NAME, number), BY_NAME).is_err());
    }

    #[test]
    fn a_cursor_of_another_order_says_which_it_belongs_to() {
        let other = Some(Order { key: SiteSort::City, falling: false });
        let refusal = decode(&encode(BY_NAME, named("Peña", 7)), other).unwrap_err();
        assert!(format!("{refusal:?}").contains("sort=-name"), "{refusal:?}");
    }

    #[test]
    fn a_name_that_is_not_sorted_by_is_answered_with_those_that_are() {
        let read = serde_urlencoded::from_str::<Vec<(String, Sorting<SiteSort>)>>;
        assert_eq!(read("sort=-name").unwrap(), [("sort".to_owned(), Sorting(BY_NAME.unwrap()))]);
        let refusal = read("sort=colour").unwrap_err().to_string();
        assert!(refusal.contains("`colour`") && refusal.contains("id, -id, key"), "{refusal}");
    }

    #[test]
    fn the_last_page_has_no_next() {
        assert!(by_number(&[1, 2], 2).next.is_none());
        let page = by_number(&[1, 2, 3], 2);
        assert_eq!((page.items.len(), page.next), (2, Some(encode::<SiteSort>(None, at(2)))));
    }

    #[test]
    fn the_link_to_the_next_page_keeps_the_filters() {
        let page = by_number(&[1, 2, 3], 2);
        let answer = page.answer("/api/v1/sites", "cursor=abc&branch=1&limit=2");
        let link = answer.headers().get(header::LINK).unwrap().to_str().unwrap();
        assert!(link.contains("&branch=1&limit=2") && !link.contains("abc"), "{link}");
    }
}
