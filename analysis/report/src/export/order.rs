//! Puts rows of several groups in order of time with bounded memory. Rows of
//! one group that step back in time are left out and counted, never moved.

use std::collections::VecDeque;

use ampledger_types::Seq;

/// How far rows of different groups may have arrived out of order, µs. They
/// are stamped on arrival, so it is a matter of queues: common practice, no
/// source.
const WINDOW_US: i64 = 2_000_000;

/// Rows held at most.
const ROWS: usize = 4096;

/// Rows waiting for their turn.
#[derive(Debug, Default)]
pub(super) struct Order<T> {
    /// In order of time and number.
    waiting: VecDeque<((i64, Seq), T)>,
    /// By the group's number.
    latest_of_group: Vec<i64>,
    latest_us: i64,
    given_us: i64,
    /// Rows left out because their time had passed.
    pub left_out: u64,
}

impl<T> Order<T> {
    pub(super) fn new() -> Order<T> {
        Order {
            waiting: VecDeque::new(),
            latest_of_group: Vec::new(),
            latest_us: i64::MIN,
            given_us: i64::MIN,
            left_out: 0,
        }
    }

    /// Takes a row of a group, unless its time has passed.
    pub(super) fn put(&mut self, t_us: i64, seq: Seq, group: usize, row: T) {
        if self.latest_of_group.len() <= group {
            self.latest_of_group.resize(group + 1, i64::MIN);
        }
        let latest = &mut self.latest_of_group[group];
        if t_us < *latest || t_us < self.given_us {
            self.left_out += 1;
            return;
        }
        *latest = t_us;
        self.latest_us = self.latest_us.max(t_us);
        // Nearly always the last.
        let key = (t_us, seq);
        match self.waiting.back() {
            Some((last, _)) if *last > key => {
                let at = self.waiting.partition_point(|(known, _)| *known < key);
                self.waiting.insert(at, (key, row));
            }
            _ => self.waiting.push_back((key, row)),
        }
    }

    /// Whether a row may follow those before it at once, none being held: where
    /// all are of one group and come in order of number. Else it is left out.
    pub(super) fn is_next(&mut self, t_us: i64) -> bool {
        let is_next = t_us >= self.latest_us;
        match is_next {
            true => self.latest_us = t_us,
            false => self.left_out += 1,
        }
        is_next
    }

    /// The next row whose turn it is; at the end, of all that wait.
    pub(super) fn next(&mut self, at_end: bool) -> Option<T> {
        let t_us = self.waiting.front()?.0.0;
        let due = t_us <= self.latest_us.saturating_sub(WINDOW_US);
        if !(at_end || due || self.waiting.len() > ROWS) {
            return None;
        }
        self.given_us = t_us;
        self.waiting.pop_front().map(|(_, row)| row)
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn ordered(rows: &[(i64, usize)]) -> (Vec<i64>, u64) {
        let mut order = Order::new();
        let mut out = Vec::new();
        for (seq, (t_us, group)) in rows.iter().enumerate() {
            order.put(*t_us, seq as Seq, *group, *t_us);
            while let Some(row) = order.next(false) {
                out.push(row);
            }
        }
        while let Some(row) = order.next(true) {
            out.push(row);
        }
        (out, order.left_out)
    }

    #[test]
    fn groups_are_merged_by_time_and_a_step_back_in_one_group_is_left_out() {
        assert_eq!(ordered(&[(10, 0), (9, 1), (12, 0), (11, 1)]), (vec![9, 10, 11, 12], 0));
        assert_eq!(ordered(&[(10, 0), (9, 0), (12, 0)]), (vec![10, 12], 1));
    }

    #[test]
    fn a_row_later_than_the_window_is_left_out() {
        let rows = [(0, 0), (5_000_000, 0), (9_000_000, 0), (1_000_000, 1)];
        assert_eq!(ordered(&rows), (vec![0, 5_000_000, 9_000_000], 1));
    }

    proptest! {
        #[test]
        fn time_never_decreases_and_no_row_is_lost_uncounted(
            rows in prop::collection::vec((0_i64..20_000_000, 0_usize..3), 0..60)
        ) {
            let (out, left_out) = ordered(&rows);
            prop_assert!(out.is_sorted());
            prop_assert_eq!(out.len() as u64 + left_out, rows.len() as u64);
        }
    }
}
