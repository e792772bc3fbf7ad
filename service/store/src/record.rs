//! What every editable record has in common, written once: the row, its version, and the
//! functions that insert, find and change it.

use std::collections::HashMap;

use chrono::{DateTime, Utc};
use hotspell_domain::BranchId;

use crate::{AnyConnection, StoreError};

/// Declares an editable record of a table with `branch_id`, `version`, `created_at` and
/// `updated_at`: a struct of its editable fields, a record of them with id and version, and the
/// functions `insert`, `insert_many`, `find`, `update`, `touch`. With `keyed` also `find_by_key`,
/// `by_key` and `upsert_by_key`.
macro_rules! editable {
    (
        $(#[$doc:meta])*
        $table:ident, $resource:ident, $record:ident, $fields:ident, $id:ty {
            $($(#[$fdoc:meta])* $field:ident : $ty:ty $(as $raw:ty)?),+ $(,)?
        }
    ) => {
        $(#[$doc])*
        #[derive(Debug, Clone, PartialEq, diesel::Queryable, diesel::Selectable,
            diesel::Insertable, diesel::AsChangeset)]
        #[diesel(table_name = $crate::schema::$table)]
        #[diesel(treat_none_as_null = true, treat_none_as_default_value = false)]
        pub struct $fields {
            $($(#[$fdoc])* $(#[diesel(deserialize_as = $raw, serialize_as = $raw)])? pub $field: $ty,)+
        }

        /// The stored record: its fields (reachable directly through `Deref`) and where it stands.
        #[derive(Debug, Clone, PartialEq, diesel::Queryable, diesel::Selectable)]
        #[diesel(table_name = $crate::schema::$table)]
        pub struct $record {
            /// Its number.
            #[diesel(deserialize_as = $crate::columns::RawId)]
            pub id: $id,
            /// The office it belongs to.
            #[diesel(deserialize_as = $crate::columns::RawId)]
            pub branch_id: hotspell_domain::BranchId,
            /// Raised by one with each change.
            pub version: i64,
            /// When it came in.
            #[diesel(deserialize_as = $crate::columns::RawInstant)]
            pub created_at: chrono::DateTime<chrono::Utc>,
            /// When it was last changed.
            #[diesel(deserialize_as = $crate::columns::RawInstant)]
            pub updated_at: chrono::DateTime<chrono::Utc>,
            /// What can be edited.
            #[diesel(embed)]
            pub fields: $fields,
        }

        impl core::ops::Deref for $record {
            type Target = $fields;
            fn deref(&self) -> &$fields {
                &self.fields
            }
        }

        /// Columns of one inserted row, for the limit on bound values.
        const COLUMNS: usize = [$(stringify!($field)),+].len() + 4;

        /// Stores a new record.
        ///
        /// # Errors
        /// [`StoreError::Conflict`](crate::StoreError::Conflict) when a unique value is taken,
        /// `ForeignKey` and `Check` when the row breaks a rule.
        pub fn insert(
            conn: &mut $crate::AnyConnection,
            branch: hotspell_domain::BranchId,
            fields: &$fields,
            now: chrono::DateTime<chrono::Utc>,
        ) -> Result<$record, $crate::StoreError> {
            use diesel::{ExpressionMethods, RunQueryDsl, SelectableHelper};
            use $crate::schema::$table::dsl;
            let at = $crate::columns::naive(now);
            let record: $record = $crate::connection::each!(conn, c => {
                diesel::insert_into(dsl::$table)
                    .values((
                        dsl::branch_id.eq(branch.0),
                        dsl::version.eq(1_i64),
                        dsl::created_at.eq(at),
                        dsl::updated_at.eq(at),
                        fields.clone(),
                    ))
                    .returning($record::as_returning())
                    .get_result(c)
            })?;
            let kind = $crate::words::Resource::$resource;
            $crate::changes::record(conn, branch, kind, &[(record.id.0, 1)], now)?;
            Ok(record)
        }

        /// Stores many new records, in chunks that both databases take; ids in the same order.
        ///
        /// # Errors
        /// As [`insert`].
        pub fn insert_many(
            conn: &mut $crate::AnyConnection,
            branch: hotspell_domain::BranchId,
            rows: &[$fields],
            now: chrono::DateTime<chrono::Utc>,
        ) -> Result<Vec<$id>, $crate::StoreError> {
            use diesel::{ExpressionMethods, RunQueryDsl};
            use $crate::schema::$table::dsl;
            let at = $crate::columns::naive(now);
            let mut ids = Vec::with_capacity(rows.len());
            for chunk in rows.chunks($crate::record::BOUND_VALUES / COLUMNS) {
                let values: Vec<_> = chunk
                    .iter()
                    .map(|fields| (
                        dsl::branch_id.eq(branch.0),
                        dsl::version.eq(1_i64),
                        dsl::created_at.eq(at),
                        dsl::updated_at.eq(at),
                        fields.clone(),
                    ))
                    .collect();
                let mut numbers: Vec<i64> = $crate::connection::each!(conn, c => {
                    diesel::insert_into(dsl::$table).values(values).returning(dsl::id).get_results(c)
                })?;
                // Both databases number the rows of one statement in their order, but do not
                // promise to give the numbers back in it.
                numbers.sort_unstable();
                let changes: Vec<(i64, i64)> = numbers.iter().map(|id| (*id, 1)).collect();
                let kind = $crate::words::Resource::$resource;
                $crate::changes::record(conn, branch, kind, &changes, now)?;
                ids.extend(numbers.into_iter().map(<$id>::from));
            }
            Ok(ids)
        }

        /// The record with this number.
        ///
        /// # Errors
        /// [`StoreError::NotFound`](crate::StoreError::NotFound) when the branch has none.
        pub fn find(
            conn: &mut $crate::AnyConnection,
            branch: hotspell_domain::BranchId,
            id: $id,
        ) -> Result<$record, $crate::StoreError> {
            use diesel::{ExpressionMethods, OptionalExtension, QueryDsl, RunQueryDsl, SelectableHelper};
            use $crate::schema::$table::dsl;
            dsl::$table
                .filter(dsl::id.eq(id.0))
                .filter(dsl::branch_id.eq(branch.0))
                .select($record::as_select())
                .first(conn)
                .optional()?
                .ok_or($crate::StoreError::NotFound($crate::words::Resource::$resource.as_str()))
        }

        /// Replaces every field, if nobody changed the record since the expected version.
        ///
        /// # Errors
        /// [`StoreError::StaleVersion`](crate::StoreError::StaleVersion) when somebody did,
        /// `NotFound`, `Conflict`, `ForeignKey`, `Check`.
        pub fn update(
            conn: &mut $crate::AnyConnection,
            branch: hotspell_domain::BranchId,
            id: $id,
            expected_version: i64,
            fields: &$fields,
            now: chrono::DateTime<chrono::Utc>,
        ) -> Result<$record, $crate::StoreError> {
            use diesel::{ExpressionMethods, OptionalExtension, QueryDsl, RunQueryDsl, SelectableHelper};
            use $crate::schema::$table::dsl;
            let kind = $crate::words::Resource::$resource;
            let changed: Option<$record> = $crate::connection::each!(conn, c => {
                diesel::update(
                    dsl::$table
                        .filter(dsl::id.eq(id.0))
                        .filter(dsl::branch_id.eq(branch.0))
                        .filter(dsl::version.eq(expected_version)),
                )
                .set((
                    fields.clone(),
                    dsl::version.eq(dsl::version + 1),
                    dsl::updated_at.eq($crate::columns::naive(now)),
                ))
                .returning($record::as_returning())
                .get_result(c)
                .optional()
            })?;
            let Some(record) = changed else {
                let found = find(conn, branch, id)?.version;
                return Err($crate::StoreError::StaleVersion {
                    what: kind.as_str(),
                    expected: expected_version,
                    found,
                });
            };
            $crate::changes::record(conn, branch, kind, &[(id.0, record.version)], now)?;
            Ok(record)
        }

        /// Raises the version after a change beside the row, such as in a list that belongs to it.
        ///
        /// # Errors
        /// [`StoreError::NotFound`](crate::StoreError::NotFound) when the branch has none.
        pub fn touch(
            conn: &mut $crate::AnyConnection,
            branch: hotspell_domain::BranchId,
            id: $id,
            now: chrono::DateTime<chrono::Utc>,
        ) -> Result<i64, $crate::StoreError> {
            use diesel::{ExpressionMethods, OptionalExtension, QueryDsl, RunQueryDsl};
            use $crate::schema::$table::dsl;
            let kind = $crate::words::Resource::$resource;
            let version: i64 = diesel::update(
                dsl::$table.filter(dsl::id.eq(id.0)).filter(dsl::branch_id.eq(branch.0)),
            )
            .set((
                dsl::version.eq(dsl::version + 1),
                dsl::updated_at.eq($crate::columns::naive(now)),
            ))
            .returning(dsl::version)
            .get_result(conn)
            .optional()?
            .ok_or($crate::StoreError::NotFound(kind.as_str()))?;
            $crate::changes::record(conn, branch, kind, &[(id.0, version)], now)?;
            Ok(version)
        }
    };
}
pub(crate) use editable;

/// The functions of an [`editable!`] record that has a key of the user's own.
macro_rules! keyed {
    ($table:ident, $record:ident, $fields:ident, $id:ty, $key:ident) => {
        /// The record with this key.
        ///
        /// # Errors
        /// Those of the database.
        pub fn find_by_key(
            conn: &mut $crate::AnyConnection,
            branch: hotspell_domain::BranchId,
            key: &str,
        ) -> Result<Option<$record>, $crate::StoreError> {
            use diesel::{
                ExpressionMethods, OptionalExtension, QueryDsl, RunQueryDsl, SelectableHelper,
            };
            use $crate::schema::$table::dsl;
            Ok(dsl::$table
                .filter(dsl::branch_id.eq(branch.0))
                .filter(dsl::$key.eq(key))
                .select($record::as_select())
                .first(conn)
                .optional()?)
        }

        /// Every record of the branch by its key.
        ///
        /// # Errors
        /// Those of the database.
        pub fn by_key(
            conn: &mut $crate::AnyConnection,
            branch: hotspell_domain::BranchId,
        ) -> Result<std::collections::HashMap<String, $record>, $crate::StoreError> {
            use diesel::{ExpressionMethods, QueryDsl, RunQueryDsl, SelectableHelper};
            use $crate::schema::$table::dsl;
            let records: Vec<$record> = dsl::$table
                .filter(dsl::branch_id.eq(branch.0))
                .select($record::as_select())
                .load(conn)?;
            Ok(records.into_iter().map(|record| (record.$key.clone(), record)).collect())
        }

        /// The number of every record of the branch by its key.
        ///
        /// # Errors
        /// Those of the database.
        pub fn ids_by_key(
            conn: &mut $crate::AnyConnection,
            branch: hotspell_domain::BranchId,
        ) -> Result<std::collections::HashMap<String, $id>, $crate::StoreError> {
            use diesel::{ExpressionMethods, QueryDsl, RunQueryDsl};
            use $crate::schema::$table::dsl;
            let rows: Vec<(String, i64)> = dsl::$table
                .filter(dsl::branch_id.eq(branch.0))
                .select((dsl::$key, dsl::id))
                .load(conn)?;
            Ok(rows.into_iter().map(|(key, id)| (key, id.into())).collect())
        }

        impl $crate::KeyedRecord for $record {
            type Fields = $fields;
            type Id = $id;

            fn id(&self) -> $id {
                self.id
            }

            fn version(&self) -> i64 {
                self.version
            }

            fn fields(&self) -> &$fields {
                &self.fields
            }

            fn key_of(fields: &$fields) -> &str {
                &fields.$key
            }

            fn by_key(
                conn: &mut $crate::AnyConnection,
                branch: hotspell_domain::BranchId,
            ) -> Result<std::collections::HashMap<String, Self>, $crate::StoreError> {
                by_key(conn, branch)
            }

            fn insert_many(
                conn: &mut $crate::AnyConnection,
                branch: hotspell_domain::BranchId,
                rows: &[$fields],
                now: chrono::DateTime<chrono::Utc>,
            ) -> Result<Vec<$id>, $crate::StoreError> {
                insert_many(conn, branch, rows, now)
            }

            fn update(
                conn: &mut $crate::AnyConnection,
                branch: hotspell_domain::BranchId,
                id: $id,
                expected_version: i64,
                fields: &$fields,
                now: chrono::DateTime<chrono::Utc>,
            ) -> Result<Self, $crate::StoreError> {
                update(conn, branch, id, expected_version, fields, now)
            }
        }

        /// Stores the record under its key: new, changed, or left alone when nothing differs.
        ///
        /// # Errors
        /// As [`insert`] and [`update`].
        pub fn upsert_by_key(
            conn: &mut $crate::AnyConnection,
            branch: hotspell_domain::BranchId,
            fields: &$fields,
            now: chrono::DateTime<chrono::Utc>,
        ) -> Result<$crate::Upserted<$record>, $crate::StoreError> {
            match find_by_key(conn, branch, &fields.$key)? {
                None => insert(conn, branch, fields, now).map($crate::Upserted::Inserted),
                Some(record) if record.fields == *fields => Ok($crate::Upserted::Unchanged(record)),
                Some(record) => update(conn, branch, record.id, record.version, fields, now)
                    .map($crate::Upserted::Changed),
            }
        }
    };
}
pub(crate) use keyed;

/// Declares a row that is written once: a struct of what goes in, a record of it with its number
/// and branch, and the functions `insert` and `insert_many`.
macro_rules! appended {
    (
        $(#[$doc:meta])*
        $table:ident, $record:ident, $new:ident, $insert:ident, $insert_many:ident {
            $($(#[$fdoc:meta])* $field:ident : $ty:ty $(as $raw:ty)?),+ $(,)?
        }
    ) => {
        $(#[$doc])*
        #[derive(Debug, Clone, PartialEq, diesel::Queryable, diesel::Selectable, diesel::Insertable)]
        #[diesel(table_name = $crate::schema::$table, treat_none_as_default_value = false)]
        pub struct $new {
            $($(#[$fdoc])* $(#[diesel(deserialize_as = $raw, serialize_as = $raw)])? pub $field: $ty,)+
        }

        /// The stored row: what went in (reachable directly through `Deref`) and its number.
        #[derive(Debug, Clone, PartialEq, diesel::Queryable, diesel::Selectable)]
        #[diesel(table_name = $crate::schema::$table)]
        pub struct $record {
            /// Its number.
            pub id: i64,
            /// The office it belongs to.
            #[diesel(deserialize_as = $crate::columns::RawId)]
            pub branch_id: hotspell_domain::BranchId,
            /// What went in.
            #[diesel(embed)]
            pub row: $new,
        }

        impl core::ops::Deref for $record {
            type Target = $new;
            fn deref(&self) -> &$new {
                &self.row
            }
        }

        /// Stores one row.
        ///
        /// # Errors
        /// `Conflict`, `ForeignKey` and `Check` when the row breaks a rule.
        pub fn $insert(
            conn: &mut $crate::AnyConnection,
            branch: hotspell_domain::BranchId,
            row: $new,
        ) -> Result<$record, $crate::StoreError> {
            use diesel::{ExpressionMethods, RunQueryDsl, SelectableHelper};
            use $crate::schema::$table::dsl;
            Ok($crate::connection::each!(conn, c => {
                diesel::insert_into(dsl::$table)
                    .values((dsl::branch_id.eq(branch.0), row))
                    .returning($record::as_returning())
                    .get_result(c)
            })?)
        }

        /// Stores many rows, in chunks that both databases take.
        ///
        /// # Errors
        /// `Conflict`, `ForeignKey` and `Check` when a row breaks a rule.
        pub fn $insert_many(
            conn: &mut $crate::AnyConnection,
            branch: hotspell_domain::BranchId,
            rows: &[$new],
        ) -> Result<(), $crate::StoreError> {
            use diesel::{ExpressionMethods, RunQueryDsl};
            use $crate::schema::$table::dsl;
            const COLUMNS: usize = [$(stringify!($field)),+].len() + 1;
            for chunk in rows.chunks($crate::record::BOUND_VALUES / COLUMNS) {
                let values: Vec<_> =
                    chunk.iter().map(|row| (dsl::branch_id.eq(branch.0), row.clone())).collect();
                $crate::connection::each!(conn, c => {
                    diesel::insert_into(dsl::$table).values(values).execute(c)
                })?;
            }
            Ok(())
        }
    };
}
pub(crate) use appended;

/// Values that one statement may bind, such as the numbers of many records: SQLite takes 32,766,
/// PostgreSQL 65,535.
pub const BOUND_VALUES: usize = 32_000;

/// A record with a key of the user's own, for code that treats all of them alike. Its functions
/// are those of the record's module.
#[expect(missing_docs, reason = "each function is documented in the record's module")]
#[expect(clippy::missing_errors_doc, reason = "each function is documented in the record's module")]
pub trait KeyedRecord: Sized {
    type Fields: Clone + PartialEq;
    type Id: Copy;

    fn id(&self) -> Self::Id;
    fn version(&self) -> i64;
    fn fields(&self) -> &Self::Fields;
    fn key_of(fields: &Self::Fields) -> &str;
    fn by_key(
        conn: &mut AnyConnection,
        branch: BranchId,
    ) -> Result<HashMap<String, Self>, StoreError>;
    fn insert_many(
        conn: &mut AnyConnection,
        branch: BranchId,
        rows: &[Self::Fields],
        now: DateTime<Utc>,
    ) -> Result<Vec<Self::Id>, StoreError>;
    fn update(
        conn: &mut AnyConnection,
        branch: BranchId,
        id: Self::Id,
        expected_version: i64,
        fields: &Self::Fields,
        now: DateTime<Utc>,
    ) -> Result<Self, StoreError>;
}

/// What became of a record that was stored under its key.
#[derive(Debug, Clone, PartialEq)]
pub enum Upserted<T> {
    /// It was new.
    Inserted(T),
    /// It was there and differed.
    Changed(T),
    /// It was there and was the same; its version stays.
    Unchanged(T),
}

impl<T> Upserted<T> {
    /// The record as it is stored now.
    pub fn into_record(self) -> T {
        match self {
            Self::Inserted(record) | Self::Changed(record) | Self::Unchanged(record) => record,
        }
    }
}
