//! The order of a list: what it is sorted by, which way, and the place in it where a page begins.
//!
//! A page begins after a row that was seen, told by what it was sorted by and its number. So rows
//! that come, go or change while somebody pages make no other row appear twice or be left out. Rows
//! without a value come last either way; rows with the same value come by their numbers.

use chrono::{DateTime, NaiveDate, NaiveDateTime, Utc};
use serde::{Deserialize, Serialize};

use crate::columns::naive;
use crate::page::Page;

/// What the rows of a list can be sorted by.
pub trait SortKey: Copy + Eq + Send + 'static {
    /// All of them.
    const ALL: &'static [Self];

    /// Its name, that of the member in the API.
    fn name(self) -> &'static str;

    /// Whether it sorts by values of this kind.
    fn takes(self, value: &SortValue) -> bool;
}

/// The only key of lists that nobody sorts.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ByNumber {
    /// By number.
    Id,
}

/// What a list is sorted by, and which way.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Order<K> {
    /// By what.
    pub key: K,
    /// From high to low.
    pub falling: bool,
}

/// What a row is sorted by.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum SortValue {
    /// In the order of the database: by code points when embedded, by its locale in PostgreSQL.
    Text(String),
    /// A calendar day.
    Day(NaiveDate),
    /// An instant, UTC.
    Instant(NaiveDateTime),
    /// A number of a row or of things.
    Whole(i64),
    /// A small number of things.
    Count(i32),
    /// A quantity, as the bits of its number, so that it reads back as it was.
    #[serde(with = "bits")]
    Real(f64),
}

mod bits {
    use serde::{Deserialize, Deserializer, Serializer};

    pub(super) fn serialize<S: Serializer>(value: &f64, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_u64(value.to_bits())
    }

    pub(super) fn deserialize<'de, D: Deserializer<'de>>(deserializer: D) -> Result<f64, D::Error> {
        Ok(f64::from_bits(u64::deserialize(deserializer)?))
    }
}

/// A row's place in a list.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Place {
    /// What it is sorted by; nothing in a list by number, or when the row has none.
    pub value: Option<SortValue>,
    /// Its number.
    pub number: i64,
}

/// Which part of a list in which order; by number when none is named.
#[derive(Debug, Clone, PartialEq)]
pub struct SortedPage<K> {
    /// By what.
    pub order: Option<Order<K>>,
    /// The place after which it begins.
    pub after: Option<Place>,
    /// At most so many rows.
    pub limit: i64,
}

impl<K> From<Page> for SortedPage<K> {
    fn from(page: Page) -> Self {
        let after = Place { value: None, number: page.after_id };
        Self { order: None, after: Some(after), limit: page.limit }
    }
}

/// A row that can be sorted so.
pub trait Placed<K> {
    /// Its number.
    fn number(&self) -> i64;

    /// What it is sorted by.
    fn sort_value(&self, key: K) -> Option<SortValue>;

    /// Its place in a list.
    fn place(&self, order: Option<Order<K>>) -> Place {
        Place { value: order.and_then(|order| self.sort_value(order.key)), number: self.number() }
    }
}

/// A member that rows can be sorted by.
pub(crate) trait Sortable {
    fn sort_value(&self) -> Option<SortValue>;
}

impl<T: Sortable> Sortable for Option<T> {
    fn sort_value(&self) -> Option<SortValue> {
        self.as_ref().and_then(T::sort_value)
    }
}

macro_rules! sortable {
    ($($type:ty: |$value:ident| $sorted:expr;)+) => {$(
        impl Sortable for $type {
            fn sort_value(&self) -> Option<SortValue> {
                let $value = self;
                Some($sorted)
            }
        }
    )+};
}

sortable! {
    String: |text| SortValue::Text(text.clone());
    NaiveDate: |day| SortValue::Day(*day);
    DateTime<Utc>: |at| SortValue::Instant(naive(*at));
    i64: |number| SortValue::Whole(*number);
    i32: |count| SortValue::Count(*count);
    f64: |quantity| SortValue::Real(*quantity);
}

/// Declares what the rows of a list can be sorted by: their number, and each named member with the
/// kind of its values.
macro_rules! sort_keys {
    (
        $(#[$doc:meta])*
        $sort:ident of $record:ty, numbered by $number:literal $($id:ident).+ {
            $($key:ident $name:literal: $kind:ident $($path:ident).+),* $(,)?
        }
    ) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, Eq)]
        pub enum $sort {
            #[doc = concat!("By `", $number, "`.")]
            Id,
            $(#[doc = concat!("By `", $name, "`.")] $key,)*
        }

        impl $crate::sorting::SortKey for $sort {
            const ALL: &'static [Self] = &[Self::Id, $(Self::$key),*];

            fn name(self) -> &'static str {
                match self {
                    Self::Id => $number,
                    $(Self::$key => $name,)*
                }
            }

            fn takes(self, value: &$crate::sorting::SortValue) -> bool {
                match self {
                    Self::Id => matches!(value, $crate::sorting::SortValue::Whole(_)),
                    $(Self::$key => matches!(value, $crate::sorting::SortValue::$kind(_)),)*
                }
            }
        }

        impl $crate::sorting::Placed<$sort> for $record {
            fn number(&self) -> i64 {
                self.$($id).+.into()
            }

            fn sort_value(&self, key: $sort) -> Option<$crate::sorting::SortValue> {
                match key {
                    $sort::Id => Some($crate::sorting::SortValue::Whole(
                        $crate::sorting::Placed::<$sort>::number(self),
                    )),
                    $($sort::$key => {
                        $crate::sorting::Sortable::sort_value(&self.$($path).+)
                    })*
                }
            }
        }
    };
}
pub(crate) use sort_keys;

/// The rows of a boxed query that a page asks for, in its order.
macro_rules! in_order {
    (
        $query:expr, $page:expr, $id:expr,
        $sort:ty { $($key:ident: $kind:ident $column:expr),* $(,)? }
    ) => {{
        let page: $crate::sorting::SortedPage<$sort> = $page;
        let query = $query.limit(page.limit);
        let number = page.after.as_ref().map(|place| place.number);
        match page.order.map(|order| (order.key, order.falling)) {
            None | Some((<$sort>::Id, false)) => {
                query.filter($id.gt(number.unwrap_or(0))).order($id)
            }
            Some((<$sort>::Id, true)) => {
                query.filter($id.lt(number.unwrap_or(i64::MAX))).order($id.desc())
            }
            $(Some((<$sort>::$key, falling)) => {
                let query = if falling {
                    query.order(($column.is_null(), $column.desc(), $id.asc()))
                } else {
                    query.order(($column.is_null(), $column.asc(), $id.asc()))
                };
                match page.after {
                    None => query,
                    Some($crate::sorting::Place { value: None, number }) => {
                        query.filter(diesel::BoolExpressionMethods::and(
                            $column.is_null(),
                            $id.gt(number),
                        ))
                    }
                    Some($crate::sorting::Place {
                        value: Some($crate::sorting::SortValue::$kind(value)),
                        number,
                    }) => {
                        let level = diesel::BoolExpressionMethods::and(
                            $column.eq(value.clone()),
                            $id.gt(number),
                        );
                        let level_or_none =
                            diesel::BoolExpressionMethods::or(level, $column.is_null());
                        if falling {
                            let beyond = $column.lt(value);
                            query.filter(diesel::BoolExpressionMethods::or(level_or_none, beyond))
                        } else {
                            let beyond = $column.gt(value);
                            query.filter(diesel::BoolExpressionMethods::or(level_or_none, beyond))
                        }
                    }
                    Some(place) => {
                        return Err($crate::StoreError::Unexpected(format!(
                            "{:?} is no place in a list by {}",
                            place.value,
                            $crate::sorting::SortKey::name(<$sort>::$key),
                        )));
                    }
                }
            })*
        }
    }};
}
pub(crate) use in_order;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_place_reads_back_as_it_was() {
        for value in [
            SortValue::Text("Peña".to_owned()),
            SortValue::Real(0.1 + 0.2),
            SortValue::Instant(NaiveDateTime::MIN),
        ] {
            let place = Place { value: Some(value), number: 7 };
            let text = serde_json::to_string(&place).unwrap();
            assert_eq!(serde_json::from_str::<Place>(&text).unwrap(), place, "{text}");
        }
    }
}
