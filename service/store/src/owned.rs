//! Short lists that belong to one record (skills, shifts, absences): read for many owners at once,
//! replaced as a whole when they differ.

/// Declares the functions that read and replace such a list. `$row` is the diesel row of the
/// list without owner, ordered as `$order`.
macro_rules! owned_list {
    (
        $(#[$doc:meta])*
        $table:ident, $owner:ident: $owner_id:ty, $item:ident, $read:ident, $replace:ident,
        order $order:ident {
            $($(#[$fdoc:meta])* $field:ident : $ty:ty $(as $raw:ty)?),+ $(,)?
        }
    ) => {
        $(#[$doc])*
        #[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord,
            diesel::Queryable, diesel::Selectable, diesel::Insertable)]
        #[diesel(table_name = $crate::schema::$table, treat_none_as_default_value = false)]
        pub struct $item {
            $($(#[$fdoc])* $(#[diesel(deserialize_as = $raw, serialize_as = $raw)])? pub $field: $ty,)+
        }

        /// The lists of every owner in the branch that has one.
        ///
        /// # Errors
        /// Those of the database.
        pub fn $read(
            conn: &mut $crate::AnyConnection,
            branch: hotspell_domain::BranchId,
            only: Option<$owner_id>,
        ) -> Result<std::collections::BTreeMap<$owner_id, Vec<$item>>, $crate::StoreError> {
            use diesel::{ExpressionMethods, QueryDsl, RunQueryDsl, SelectableHelper};
            use $crate::schema::$table::dsl;
            let mut query = dsl::$table
                .filter(dsl::branch_id.eq(branch.0))
                .order((dsl::$owner, dsl::$order))
                .select((dsl::$owner, $item::as_select()))
                .into_boxed();
            if let Some(owner) = only {
                query = query.filter(dsl::$owner.eq(owner.0));
            }
            let rows: Vec<(i64, $item)> = query.load(conn)?;
            let mut lists = std::collections::BTreeMap::<$owner_id, Vec<$item>>::new();
            for (owner, item) in rows {
                lists.entry(owner.into()).or_default().push(item);
            }
            for list in lists.values_mut() {
                list.sort();
            }
            Ok(lists)
        }

        /// Makes this the owner's list; says whether it differed. The caller raises the owner's
        /// version with `touch`.
        ///
        /// # Errors
        /// `Conflict` when an item is there twice, `ForeignKey`, `Check`.
        pub fn $replace(
            conn: &mut $crate::AnyConnection,
            branch: hotspell_domain::BranchId,
            owner: $owner_id,
            items: &[$item],
        ) -> Result<bool, $crate::StoreError> {
            use diesel::{ExpressionMethods, QueryDsl, RunQueryDsl};
            use $crate::schema::$table::dsl;
            let mut wanted = items.to_vec();
            wanted.sort();
            let stored = $read(conn, branch, Some(owner))?.remove(&owner).unwrap_or_default();
            if stored == wanted {
                return Ok(false);
            }
            diesel::delete(
                dsl::$table.filter(dsl::branch_id.eq(branch.0)).filter(dsl::$owner.eq(owner.0)),
            )
            .execute(conn)?;
            for item in wanted {
                $crate::connection::each!(conn, c => {
                    diesel::insert_into(dsl::$table)
                        .values((dsl::branch_id.eq(branch.0), dsl::$owner.eq(owner.0), item))
                        .execute(c)
                })?;
            }
            Ok(true)
        }
    };
}
pub(crate) use owned_list;
