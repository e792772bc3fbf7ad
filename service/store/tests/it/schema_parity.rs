//! Both sets of migrations make the same schema, as far as types allow.

use std::collections::{BTreeMap, BTreeSet};

use diesel::sql_types::{BigInt, Bool, Text};
use diesel::{QueryableByName, RunQueryDsl, sql_query};
use hotspell_store::{DatabaseKind, Store, StoreError};
use hotspell_test_support::TestDatabase;

#[derive(QueryableByName, Debug, PartialEq, Eq, PartialOrd, Ord)]
struct Column {
    #[diesel(sql_type = Text)]
    table_name: String,
    #[diesel(sql_type = Text)]
    column_name: String,
    #[diesel(sql_type = Text)]
    type_name: String,
    #[diesel(sql_type = Bool)]
    required: bool,
}

#[derive(QueryableByName, Debug, PartialEq, Eq, PartialOrd, Ord)]
struct Index {
    #[diesel(sql_type = Text)]
    table_name: String,
    #[diesel(sql_type = Text)]
    columns: String,
    #[diesel(sql_type = Bool)]
    is_unique: bool,
    #[diesel(sql_type = Bool)]
    is_partial: bool,
}

#[derive(QueryableByName, Debug, PartialEq, Eq, PartialOrd, Ord)]
struct ForeignKey {
    #[diesel(sql_type = Text)]
    table_name: String,
    #[diesel(sql_type = Text)]
    column_name: String,
    #[diesel(sql_type = Text)]
    target: String,
}

#[derive(QueryableByName)]
struct Checks {
    #[diesel(sql_type = Text)]
    table_name: String,
    #[diesel(sql_type = BigInt)]
    number: i64,
}

#[derive(Debug, PartialEq)]
struct Schema {
    columns: BTreeSet<Column>,
    indexes: BTreeSet<Index>,
    foreign_keys: BTreeSet<ForeignKey>,
    checks: BTreeMap<String, i64>,
}

const POSTGRES: [&str; 4] = [
    "SELECT table_name::text, column_name::text,
            CASE data_type WHEN 'timestamp without time zone' THEN 'timestamp'
                           WHEN 'time without time zone' THEN 'time'
                           WHEN 'bytea' THEN 'blob' ELSE data_type END::text AS type_name,
            is_nullable = 'NO' AS required
     FROM information_schema.columns
     WHERE table_schema = 'public' AND table_name NOT LIKE '\\_\\_%'",
    "SELECT c.relname::text AS table_name,
            (SELECT string_agg(a.attname, ',' ORDER BY k.place)
             FROM unnest(i.indkey) WITH ORDINALITY AS k(number, place)
             JOIN pg_attribute a ON a.attrelid = i.indrelid AND a.attnum = k.number)::text AS columns,
            i.indisunique AS is_unique, i.indpred IS NOT NULL AS is_partial
     FROM pg_index i JOIN pg_class c ON c.oid = i.indrelid
     JOIN pg_namespace n ON n.oid = c.relnamespace
     WHERE n.nspname = 'public' AND NOT i.indisprimary AND c.relname NOT LIKE '\\_\\_%'",
    "SELECT c.relname::text AS table_name, a.attname::text AS column_name, t.relname::text AS target
     FROM pg_constraint k JOIN pg_class c ON c.oid = k.conrelid JOIN pg_class t ON t.oid = k.confrelid
     JOIN pg_attribute a ON a.attrelid = k.conrelid AND a.attnum = k.conkey[1]
     WHERE k.contype = 'f'",
    "SELECT c.relname::text AS table_name, count(*) AS number
     FROM pg_constraint k JOIN pg_class c ON c.oid = k.conrelid
     JOIN pg_namespace n ON n.oid = c.relnamespace
     WHERE k.contype = 'c' AND n.nspname = 'public' GROUP BY c.relname",
];

const SQLITE: [&str; 4] = [
    "SELECT m.name AS table_name, p.name AS column_name,
            CASE WHEN p.pk > 0 THEN 'bigint' ELSE lower(p.type) END AS type_name,
            p.\"notnull\" OR p.pk > 0 AS required
     FROM sqlite_master m JOIN pragma_table_info(m.name) p
     WHERE m.type = 'table' AND m.name NOT LIKE 'sqlite%' AND m.name NOT LIKE '!_!_%' ESCAPE '!'",
    "SELECT m.name AS table_name,
            (SELECT group_concat(i.name, ',') FROM pragma_index_info(l.name) i ORDER BY i.seqno) AS columns,
            l.\"unique\" AS is_unique, l.partial AS is_partial
     FROM sqlite_master m JOIN pragma_index_list(m.name) l
     WHERE m.type = 'table' AND m.name NOT LIKE 'sqlite%' AND m.name NOT LIKE '!_!_%' ESCAPE '!'",
    "SELECT m.name AS table_name, f.\"from\" AS column_name, f.\"table\" AS target
     FROM sqlite_master m JOIN pragma_foreign_key_list(m.name) f WHERE m.type = 'table'",
    "SELECT name AS table_name,
            (length(sql) - length(replace(sql, 'CHECK (', ''))) / length('CHECK (') AS number
     FROM sqlite_master
     WHERE type = 'table' AND name NOT LIKE 'sqlite%' AND sql LIKE '%CHECK (%'",
];

fn schema(store: &Store) -> Schema {
    let [columns, indexes, keys, checks] =
        if store.kind() == DatabaseKind::Postgres { POSTGRES } else { SQLITE };
    store
        .read(|c| -> Result<Schema, StoreError> {
            let checks: Vec<Checks> = sql_query(checks).load(c)?;
            Ok(Schema {
                columns: sql_query(columns).load(c)?.into_iter().collect(),
                indexes: sql_query(indexes).load(c)?.into_iter().collect(),
                foreign_keys: sql_query(keys).load(c)?.into_iter().collect(),
                checks: checks.into_iter().map(|row| (row.table_name, row.number)).collect(),
            })
        })
        .unwrap()
}

#[test]
fn both_databases_have_the_same_schema() {
    let [sqlite, postgres] = TestDatabase::KINDS.map(TestDatabase::new);
    let (sqlite, postgres) = (schema(&sqlite.store()), schema(&postgres.store()));
    assert!(sqlite.columns.len() > 300, "the query finds the columns");
    assert!(sqlite.checks.len() > 15, "the query finds the rules");
    assert_eq!(sqlite.columns, postgres.columns);
    assert_eq!(sqlite.indexes, postgres.indexes);
    assert_eq!(sqlite.foreign_keys, postgres.foreign_keys);
    assert_eq!(sqlite.checks, postgres.checks);
}

#[test]
fn every_reference_has_an_index_that_begins_with_it() {
    let database = TestDatabase::new(DatabaseKind::Postgres);
    let schema = schema(&database.store());
    let indexed: BTreeSet<(&str, &str)> = schema
        .indexes
        .iter()
        .filter_map(|index| Some((index.table_name.as_str(), index.columns.split(',').next()?)))
        .collect();
    let missing: Vec<&ForeignKey> = schema
        .foreign_keys
        .iter()
        .filter(|key| !indexed.contains(&(key.table_name.as_str(), key.column_name.as_str())))
        .collect();
    assert!(schema.foreign_keys.len() > 60, "the query finds the references");
    assert!(missing.is_empty(), "{missing:?}");
}

#[test]
fn every_row_but_public_weather_belongs_to_a_branch() {
    let database = TestDatabase::new(DatabaseKind::Sqlite);
    let schema = schema(&database.store());
    let tables: BTreeSet<&str> =
        schema.columns.iter().map(|column| column.table_name.as_str()).collect();
    let without: Vec<&str> = tables
        .into_iter()
        .filter(|table| {
            !schema.columns.iter().any(|column| {
                column.table_name == *table && column.column_name == "branch_id" && column.required
            })
        })
        .collect();
    assert_eq!(
        without,
        [
            "branches",
            "weather_day_corrections",
            "weather_days",
            "weather_findings",
            "weather_forecast_days",
            "weather_sources",
            "weather_stations"
        ]
    );
}
