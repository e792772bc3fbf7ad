//! Lists of records that meet some conditions, in an order that is asked for.

/// Declares a filter of optional conditions and the function that lists the records which meet
/// all of them: by number, or also by what is named after `sorted by`.
macro_rules! listing {
    (
        $table:ident, $record:ident, $list:ident,
        $(#[$doc:meta])* $filter:ident { $($conditions:tt)* }
    ) => {
        $crate::listing::listing! {
            @list $table, $record, $list, $(#[$doc])* $filter { $($conditions)* }
            $crate::sorting::ByNumber {}
        }
    };
    (
        $table:ident, $record:ident, $list:ident,
        $(#[$doc:meta])* $filter:ident { $($conditions:tt)* }
        sorted by $sort:ident {
            $($key:ident $name:literal: $kind:ident $column:ident),* $(,)?
        }
    ) => {
        $crate::sorting::sort_keys! {
            #[doc = concat!("What [`", stringify!($list), "`] can be sorted by.")]
            $sort of $record, numbered by "id" id { $($key $name: $kind $column),* }
        }
        $crate::listing::listing! {
            @list $table, $record, $list, $(#[$doc])* $filter { $($conditions)* }
            $sort { $($key: $kind $column),* }
        }
    };
    (
        @list $table:ident, $record:ident, $list:ident,
        $(#[$doc:meta])* $filter:ident {
            $($(#[$fdoc:meta])* $field:ident : $ty:ty => |$value:ident| $condition:expr),* $(,)?
        }
        $sort:ty { $($key:ident: $kind:ident $column:ident),* }
    ) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Default)]
        pub struct $filter {
            $($(#[$fdoc])* pub $field: Option<$ty>,)*
        }

        /// The records that meet every condition of the filter, in the order of the page: that of
        /// their numbers unless it names another.
        ///
        /// # Errors
        /// Those of the database.
        pub fn $list(
            conn: &mut $crate::AnyConnection,
            branch: hotspell_domain::BranchId,
            filter: &$filter,
            page: impl Into<$crate::SortedPage<$sort>>,
        ) -> Result<Vec<$record>, $crate::StoreError> {
            use diesel::{ExpressionMethods, QueryDsl, RunQueryDsl, SelectableHelper};
            use $crate::schema::$table::dsl;
            let mut query = dsl::$table
                .filter(dsl::branch_id.eq(branch.0))
                .select($record::as_select())
                .into_boxed();
            $(if let Some($value) = &filter.$field {
                query = query.filter($condition);
            })*
            let query = $crate::sorting::in_order!(query, page.into(), dsl::id, $sort {
                $($key: $kind dsl::$column),*
            });
            Ok(query.load(conn)?)
        }
    };
}
pub(crate) use listing;
