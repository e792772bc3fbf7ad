//! Which slots still have a gap for a length of work, as bits: a scan over all technician-days then
//! touches only the few that can take a visit (of 270 candidates of a visit at 3,600 visits, 2 on average).

use super::model::Model;

/// One row of bits for each class of lengths of work (see [`Model::class`]), one bit a slot.
#[derive(Debug)]
pub(crate) struct Gaps {
    words: usize,
    rows: Vec<u64>,
    /// Classes that fit into each slot: those below.
    fitting: Vec<u8>,
    empty: Vec<u64>,
}

impl Gaps {
    /// No slot has a gap yet.
    pub(crate) fn new(model: &Model) -> Self {
        let words = model.words();
        Self {
            words,
            rows: vec![0; words * model.shortest.len()],
            fitting: vec![0; model.slots.len()],
            empty: vec![0; words],
        }
    }

    /// Notes the longest gap of a slot (negative = takes nothing) and whether it is empty.
    pub(crate) fn set(&mut self, model: &Model, slot: usize, gap: i32, empty: bool) {
        let fit = model.shortest.partition_point(|&shortest| shortest <= gap);
        let (word, bit) = (slot / 64, 1_u64 << (slot % 64));
        let before = usize::from(self.fitting[slot]);
        for class in before..fit {
            self.rows[class * self.words + word] |= bit;
        }
        for class in fit..before {
            self.rows[class * self.words + word] &= !bit;
        }
        self.fitting[slot] = fit as u8;
        if empty {
            self.empty[word] |= bit;
        } else {
            self.empty[word] &= !bit;
        }
    }

    /// Slots 64 `word`.. that may take work of a class.
    #[inline]
    pub(crate) fn open(&self, class: u8, word: usize) -> u64 {
        self.rows[usize::from(class) * self.words + word]
    }

    /// Slots 64 `word`.. that have no stop.
    #[inline]
    pub(crate) fn empty(&self, word: usize) -> u64 {
        self.empty[word]
    }
}
