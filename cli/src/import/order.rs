//! Which rows of a file lie on its axis of time. A row whose time is out of
//! order is left out, never moved: its values would count for another moment.

/// Holds one row back until the next shows whether its time can be right: one
/// that lies ahead of all that follow would make them all look late.
#[derive(Debug, Default)]
pub struct Order {
    held_us: Option<i64>,
    given_us: Option<i64>,
}

/// Where a row belongs.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Place {
    /// After the row held back, whose time is settled by it.
    After,
    /// In place of the row held back, which is out of order.
    Instead,
    /// Nowhere: it is out of order itself.
    Nowhere,
}

impl Order {
    /// Takes the file's time of the next row, µs; it is the one held back
    /// from now on, unless it belongs nowhere.
    pub fn take(&mut self, t_us: i64) -> Place {
        let Some(held_us) = self.held_us else {
            self.held_us = Some(t_us);
            return Place::After;
        };
        if t_us >= held_us {
            self.given_us = Some(held_us);
            self.held_us = Some(t_us);
            return Place::After;
        }
        let fits_without_it = self.given_us.is_none_or(|given| t_us > given);
        if !fits_without_it {
            return Place::Nowhere;
        }
        self.held_us = Some(t_us);
        Place::Instead
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Which times were taken, and which lines (from 1) were not.
    fn ordered(times: &[i64]) -> (Vec<i64>, Vec<u64>) {
        let (mut order, mut taken, mut odd) = (Order::default(), Vec::new(), Vec::new());
        for (t_us, line) in times.iter().zip(1..) {
            match order.take(*t_us) {
                Place::After => taken.push((*t_us, line)),
                Place::Instead => {
                    let held = taken.last_mut().unwrap();
                    odd.push(std::mem::replace(held, (*t_us, line)).1);
                }
                Place::Nowhere => odd.push(line),
            }
        }
        (taken.into_iter().map(|(t_us, _)| t_us).collect(), odd)
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
