//! Bringing stored records to what a file says, with as few statements as possible.

use std::collections::HashMap;

use hotspell_store::{AnyConnection, KeyedRecord};

use crate::context::{Context, KEEPING, STEP};
use crate::report::ImportRefusal;

/// What became of one record.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Fate {
    Inserted,
    Changed,
    Unchanged,
}

/// Records by key: their number and what became of them.
pub(crate) struct Synced<Id> {
    pub(crate) records: HashMap<String, (Id, Fate)>,
}

impl<Id: Copy> Synced<Id> {
    /// Number of records of one fate.
    pub(crate) fn count(&self, fate: Fate) -> usize {
        self.records.values().filter(|(_, found)| *found == fate).count()
    }

    /// Notes that something beside the row was changed; says whether the row itself was not, so
    /// that its version is still to be raised.
    pub(crate) fn also_changed(&mut self, key: &str) -> bool {
        let Some((_, fate)) = self.records.get_mut(key) else { return false };
        let raise = *fate == Fate::Unchanged;
        if raise {
            *fate = Fate::Changed;
        }
        raise
    }
}

/// Inserts the new records in batches and updates those that differ.
pub(crate) fn sync<R: KeyedRecord>(
    conn: &mut AnyConnection,
    context: &Context<'_>,
    stored: &HashMap<String, R>,
    wanted: Vec<R::Fields>,
) -> Result<Synced<R::Id>, ImportRefusal> {
    let (branch, now, all) = (context.branch, context.now, wanted.len());
    let mut records = HashMap::with_capacity(wanted.len());
    let mut new = Vec::new();
    for fields in wanted {
        context.step(KEEPING, records.len(), all)?;
        match stored.get(R::key_of(&fields)) {
            None => new.push(fields),
            Some(record) if *record.fields() == fields => {
                records.insert(R::key_of(&fields).to_owned(), (record.id(), Fate::Unchanged));
            }
            Some(record) => {
                R::update(conn, branch, record.id(), record.version(), &fields, now)?;
                records.insert(R::key_of(&fields).to_owned(), (record.id(), Fate::Changed));
            }
        }
    }
    for step in new.chunks(STEP) {
        context.step(KEEPING, records.len(), all)?;
        let ids = R::insert_many(conn, branch, step, now)?;
        let keys = step.iter().map(|fields| R::key_of(fields).to_owned());
        records.extend(keys.zip(ids.into_iter().map(|id| (id, Fate::Inserted))));
    }
    Ok(Synced { records })
}
