//! Which rows of a file lie on its axis of time. A row whose time is out of
//! order is left out, never moved: its values would count for another moment.

use ampledger_types::Sample;

/// A sample on its way into the record.
#[derive(Clone, Debug)]
pub struct Row {
    /// What was read; its own time is the axis.
    pub sample: Sample,
    /// The file's time of it, µs.
    pub t_us: i64,
    /// The line it stands in, from 1.
    pub line: u64,
    /// Its date, where test time is the axis and a date stands beside it, µs
    /// since 1970-01-01 UTC.
    pub unix_us: Option<i64>,
}

/// Holds one row back until the next shows whether its time can be right: one
/// that lies ahead of all that follow would make them all look late.
#[derive(Debug, Default)]
pub struct Order {
    held: Option<Row>,
    given_us: Option<i64>,
}

impl Order {
    /// Takes the next row. Gives the one whose time is settled by it, and the
    /// line of one that is out of order.
    pub fn take(&mut self, row: Row) -> (Option<Row>, Option<u64>) {
        let Some(held_us) = self.held.as_ref().map(|held| held.t_us) else {
            self.held = Some(row);
            return (None, None);
        };
        if row.t_us >= held_us {
            self.given_us = Some(held_us);
            return (self.held.replace(row), None);
        }
        let fits_without_it = self.given_us.is_none_or(|given| row.t_us > given);
        let odd = if fits_without_it { self.held.replace(row) } else { Some(row) };
        (None, odd.map(|odd| odd.line))
    }

    /// The row held back, at the end.
    pub fn end(&mut self) -> Option<Row> {
        self.held.take()
    }

    /// The row held back.
    pub fn held(&mut self) -> Option<&mut Row> {
        self.held.as_mut()
    }
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;

    use ampledger_types::Group;

    use super::*;

    /// Which times were taken, and which lines (from 1) were not.
    fn ordered(times: &[i64]) -> (Vec<i64>, Vec<u64>) {
        let group = Arc::new(Group { name: String::new(), channels: Vec::new() });
        let (mut order, mut taken, mut odd) = (Order::default(), Vec::new(), Vec::new());
        for (t_us, line) in times.iter().zip(1..) {
            let (group, t_us) = (group.clone(), *t_us);
            let sample = Sample { group, t_us: 0, instrument_t_us: Some(t_us), values: Vec::new() };
            let (row, out) = order.take(Row { sample, t_us, line, unix_us: None });
            taken.extend(row.map(|row| row.t_us));
            odd.extend(out);
        }
        taken.extend(order.end().map(|row| row.t_us));
        (taken, odd)
    }

    #[test]
    fn a_row_that_steps_back_is_left_out() {
        assert_eq!(ordered(&[1, 2, 3, 1, 4]), (vec![1, 2, 3, 4], vec![4]));
        assert_eq!(ordered(&[1, 2, 3, 1, 2, 3, 4]), (vec![1, 2, 3, 3, 4], vec![4, 5]));
    }

    #[test]
    fn a_row_far_ahead_costs_itself_and_not_the_rest() {
        assert_eq!(ordered(&[1, 2, 99, 3, 4]), (vec![1, 2, 3, 4], vec![3]));
        assert_eq!(ordered(&[99, 1, 2]), (vec![1, 2], vec![1]));
    }

    proptest::proptest! {
        #[test]
        fn time_never_decreases_and_no_row_is_lost_uncounted(
            times in proptest::collection::vec(0_i64..50, 0..40)
        ) {
            let (taken, odd) = ordered(&times);
            proptest::prop_assert!(taken.is_sorted());
            proptest::prop_assert_eq!(taken.len() + odd.len(), times.len());
        }
    }
}
