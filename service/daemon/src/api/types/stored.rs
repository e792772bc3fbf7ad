//! What every stored record shows beside its own members.

/// Declares the answer for a stored record: what was sent, its number, version and times.
macro_rules! stored_view {
    ($(#[$doc:meta])* $view:ident, $input:ident, $record:ty, $id:ty) => {
        $(#[$doc])*
        #[derive(Debug, Clone, serde::Serialize, utoipa::ToSchema)]
        pub struct $view {
            /// Its number.
            #[schema(value_type = i64, example = 1)]
            pub id: $id,
            /// Raised by one with each change; also the ETag.
            #[schema(example = 1)]
            pub version: i64,
            /// When it came in.
            pub created_at: chrono::DateTime<chrono::Utc>,
            /// When it was last changed.
            pub updated_at: chrono::DateTime<chrono::Utc>,
            /// What can be changed.
            #[serde(flatten)]
            pub fields: $input,
        }

        impl $view {
            pub(crate) fn of(record: &$record, fields: $input) -> Self {
                Self {
                    id: record.id,
                    version: record.version,
                    created_at: record.created_at,
                    updated_at: record.updated_at,
                    fields,
                }
            }
        }
    };
}
pub(crate) use stored_view;
