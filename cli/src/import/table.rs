//! Rows of a file in columns, as the store takes them: those of one group that
//! were read and are not on their way yet. The last of them is held back.

use std::sync::Arc;

use ampledger_store::Block;
use ampledger_types::Group;

/// The rows.
#[derive(Debug, Default)]
pub struct Table {
    /// Their values and the file's times; numbers and the run's times are for
    /// whoever sends them on.
    block: Option<Block>,
    /// The lines they stand in, from 1.
    pub lines: Vec<u64>,
    /// The date of one of them, by its place, where test time is the axis and a
    /// date stands beside it, µs since 1970-01-01 UTC.
    pub date: Option<(usize, i64)>,
    /// What was sent on and can be filled again.
    spare: Vec<Block>,
}

impl Table {
    /// How many there are.
    pub fn len(&self) -> usize {
        self.lines.len()
    }

    /// Whether rows of this group go on here.
    pub fn is_of(&self, group: &Arc<Group>) -> bool {
        self.block.as_ref().is_some_and(|block| Arc::ptr_eq(&block.group, group))
    }

    /// Begins anew, with rows of another kind: `new` is an empty block for them.
    pub fn begin(&mut self, group: &Arc<Group>, new: impl FnOnce() -> Block) {
        let fits = |block: &Block| Arc::ptr_eq(&block.group, group);
        let spare = self.spare.iter().position(fits);
        self.block = Some(spare.map_or_else(new, |at| self.spare.swap_remove(at)));
    }

    /// Adds a row with a value for each channel.
    pub fn push(&mut self, t_us: i64, line: u64, values: &[f64]) {
        let Some(block) = &mut self.block else { return };
        block.instrument_t_us.push(Some(t_us));
        self.lines.push(line);
        for (column, value) in block.values.iter_mut().zip(values) {
            column.push(*value);
        }
    }

    /// Takes the last row away.
    pub fn pop(&mut self) {
        let Some(block) = &mut self.block else { return };
        block.instrument_t_us.pop();
        for column in &mut block.values {
            column.pop();
        }
        self.lines.pop();
        self.date = self.date.filter(|(place, _)| *place < self.lines.len());
    }

    /// The file's time of a row, µs.
    pub fn t_us(&self, place: usize) -> Option<i64> {
        *self.block.as_ref()?.instrument_t_us.get(place)?
    }

    /// The line of the last row.
    pub fn last_line(&self) -> Option<u64> {
        self.lines.last().copied()
    }

    /// Takes all rows away.
    pub fn take(&mut self) -> Option<Block> {
        self.block.take()
    }

    /// Takes back blocks that are not needed any more.
    pub fn keep(&mut self, blocks: impl Iterator<Item = Block>) {
        for block in blocks {
            self.spare.truncate(SPARE - 1);
            self.spare.insert(0, emptied(block));
        }
    }
}

/// Blocks that are kept to be filled again.
const SPARE: usize = 2;

fn emptied(mut block: Block) -> Block {
    block.seqs.clear();
    block.t_us.clear();
    block.instrument_t_us.clear();
    block.values.iter_mut().for_each(Vec::clear);
    block
}
