//! Charge and energy of one interval between two readings, split by the
//! direction of the current, and sums that lose nothing over millions of rows.
//! Knows no phases and no gaps.
//!
//! Both current and voltage are taken as straight lines between readings. The
//! charge is then the trapezoid, and the energy the integral of the product of
//! two lines,
//!
//! `Δt/6 · (2·U1·I1 + U1·I2 + U2·I1 + 2·U2·I2)`.
//!
//! The trapezoid of the products `U·I` would differ by `ΔU·ΔI·Δt/6`. We take
//! the exact product, because then charge and energy rest on the same picture:
//! a reading added on the line changes neither, and cutting an interval where
//! the current changes its direction loses nothing.

use crate::budget::Exposure;
use crate::uncertainty::Shape;

/// A sum with compensation (Neumaier 1974), so that ten million small terms
/// come out as exact as ten.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Sum {
    sum: f64,
    lost: f64,
}

impl Sum {
    /// Adds one term.
    pub fn add(&mut self, term: f64) {
        let sum = self.sum + term;
        self.lost += if self.sum.abs() >= term.abs() {
            (self.sum - sum) + term
        } else {
            (term - sum) + self.sum
        };
        self.sum = sum;
    }

    /// Adds what another sum holds.
    pub fn absorb(&mut self, other: &Sum) {
        self.add(other.sum);
        self.add(other.lost);
    }

    /// The sum.
    pub fn value(&self) -> f64 {
        self.sum + self.lost
    }
}

/// What was read at one moment.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Reading {
    /// Current, A; negative on discharge.
    pub current_ampere: f64,
    /// Voltage, V.
    pub voltage_volt: Option<f64>,
}

impl Reading {
    /// The reading on the straight line to `other`, at a share of the way.
    pub fn towards(&self, other: &Reading, share: f64) -> Reading {
        let line = |a: f64, b: f64| a + (b - a) * share;
        Reading {
            current_ampere: line(self.current_ampere, other.current_ampere),
            voltage_volt: self.voltage_volt.zip(other.voltage_volt).map(|(a, b)| line(a, b)),
        }
    }
}

/// What flowed in one direction, magnitudes.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Flow {
    charge_ampere_second: Sum,
    energy_watt_second: Sum,
    energy_lacks: bool,
}

impl Flow {
    fn add(&mut self, charge_ampere_second: f64, energy_watt_second: Option<f64>) {
        self.charge_ampere_second.add(charge_ampere_second);
        match energy_watt_second {
            Some(energy) => self.energy_watt_second.add(energy),
            None => self.energy_lacks |= charge_ampere_second != 0.0,
        }
    }

    fn absorb(&mut self, other: &Flow) {
        self.charge_ampere_second.absorb(&other.charge_ampere_second);
        self.energy_watt_second.absorb(&other.energy_watt_second);
        self.energy_lacks |= other.energy_lacks;
    }

    /// The charge, Ah.
    pub fn charge_ah(&self) -> f64 {
        self.charge_ampere_second.value() / 3600.0
    }

    /// The energy, Wh; `None` where some of the charge had no voltage to it.
    pub fn energy_wh(&self) -> Option<f64> {
        (!self.energy_lacks).then(|| self.energy_watt_second.value() / 3600.0)
    }
}

/// What flowed in both directions, and over how long it was counted.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Flows {
    /// Out of the pack.
    pub discharged: Flow,
    /// Into the pack.
    pub charged: Flow,
    seconds: Sum,
    spread: Spread,
}

/// What the uncertainty of flows rests on.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
struct Spread {
    volt_second: f64,
    /// Squares of half a step of current (of power) times the interval it lies
    /// in: the step may have come at any moment of it.
    charge_square: f64,
    energy_square: f64,
}

impl Spread {
    fn add(&mut self, seconds: f64, from: &Reading, to: &Reading) {
        let step = (to.current_ampere - from.current_ampere) / 2.0 * seconds;
        self.charge_square += step * step;
        if let (Some(u1), Some(u2)) = (from.voltage_volt, to.voltage_volt) {
            self.volt_second += (u1 + u2) / 2.0 * seconds;
            let step = (u2 * to.current_ampere - u1 * from.current_ampere) / 2.0 * seconds;
            self.energy_square += step * step;
        }
    }

    fn absorb(&mut self, other: &Spread) {
        self.volt_second += other.volt_second;
        self.charge_square += other.charge_square;
        self.energy_square += other.energy_square;
    }
}

impl Flows {
    /// Adds the interval between two readings. Where the current changes its
    /// direction, the interval is cut at the zero crossing of its line.
    pub fn add(&mut self, seconds: f64, from: &Reading, to: &Reading) {
        self.seconds.add(seconds);
        self.spread.add(seconds, from, to);
        self.add_sums(seconds, from, to);
    }

    /// The same for the sums alone, where nobody asks how certain they are.
    pub(crate) fn add_sums(&mut self, seconds: f64, from: &Reading, to: &Reading) {
        let (a, b) = (from.current_ampere, to.current_ampere);
        if (a < 0.0 && b > 0.0) || (a > 0.0 && b < 0.0) {
            let share = a / (a - b);
            let zero = Reading { current_ampere: 0.0, ..from.towards(to, share) };
            self.add_one_way(seconds * share, from, &zero);
            self.add_one_way(seconds * (1.0 - share), &zero, to);
        } else {
            self.add_one_way(seconds, from, to);
        }
    }

    fn add_one_way(&mut self, seconds: f64, from: &Reading, to: &Reading) {
        let charge = charge_ampere_second(seconds, from, to);
        let energy = energy_watt_second(seconds, from, to);
        if charge < 0.0 {
            self.discharged.add(-charge, energy.map(|e| -e));
        } else {
            self.charged.add(charge, energy);
        }
    }

    /// Adds what other flows hold.
    pub fn absorb(&mut self, other: &Flows) {
        self.discharged.absorb(&other.discharged);
        self.charged.absorb(&other.charged);
        self.seconds.absorb(&other.seconds);
        self.spread.absorb(&other.spread);
    }

    /// What the charge and energy given (or taken) were exposed to.
    pub fn exposure(&self, of: &Flow) -> Exposure {
        let standard = |square: f64| Shape::Rectangular.standard(square.sqrt()) / 3600.0;
        Exposure {
            charge_ah: of.charge_ah(),
            energy_wh: of.energy_wh(),
            hour: self.seconds.value() / 3600.0,
            volt_hour: self.spread.volt_second / 3600.0,
            sampling_ah: standard(self.spread.charge_square),
            sampling_wh: standard(self.spread.energy_square),
            ..Exposure::default()
        }
    }

    /// Net charge, Ah; negative out of the pack.
    pub fn net_ah(&self) -> f64 {
        self.charged.charge_ah() - self.discharged.charge_ah()
    }

    /// Net energy, Wh; negative out of the pack.
    pub fn net_wh(&self) -> Option<f64> {
        Some(self.charged.energy_wh()? - self.discharged.energy_wh()?)
    }

    /// Net charge over the time counted, A.
    pub fn mean_current_ampere(&self) -> Option<f64> {
        let seconds = self.seconds.value();
        (seconds > 0.0).then(|| self.net_ah() * 3600.0 / seconds)
    }

    /// The time counted, s.
    pub fn seconds(&self) -> f64 {
        self.seconds.value()
    }
}

/// Net charge between two readings by trapezoid, A·s.
pub fn charge_ampere_second(seconds: f64, from: &Reading, to: &Reading) -> f64 {
    (from.current_ampere + to.current_ampere) * 0.5 * seconds
}

/// Net energy between two readings as the product of two lines, W·s.
pub fn energy_watt_second(seconds: f64, from: &Reading, to: &Reading) -> Option<f64> {
    let (i1, i2) = (from.current_ampere, to.current_ampere);
    let (u1, u2) = (from.voltage_volt?, to.voltage_volt?);
    Some(seconds / 6.0 * (2.0 * u1 * i1 + u1 * i2 + u2 * i1 + 2.0 * u2 * i2))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn reading(current_ampere: f64, voltage_volt: f64) -> Reading {
        Reading { current_ampere, voltage_volt: Some(voltage_volt) }
    }

    #[test]
    fn ten_million_small_terms_lose_nothing() {
        // Vector 'long sum: 0.1 A for 10,000,000 rows of 1 s'; closed form.
        let mut sum = Sum::default();
        (0..10_000_000).for_each(|_| sum.add(0.1));
        assert!((sum.value() / 3600.0 - 277.777_777_777_777_8).abs() < 277.8e-15 * 4.0);
    }

    #[test]
    fn each_direction_is_booked_on_its_own_up_to_the_zero_crossing() {
        // Worked example of docs/methods.md: −12 A to +4 A in 8 s at 26 V.
        let mut flows = Flows::default();
        flows.add(8.0, &reading(-12.0, 26.0), &reading(4.0, 26.0));
        assert!((flows.discharged.charge_ah() - 36.0 / 3600.0).abs() < 1e-15);
        assert!((flows.charged.charge_ah() - 4.0 / 3600.0).abs() < 1e-15);
        assert!((flows.net_ah() + 32.0 / 3600.0).abs() < 1e-15);
        assert!((flows.discharged.energy_wh().unwrap() - 0.26).abs() < 1e-12);
    }

    #[test]
    fn a_charge_without_voltage_leaves_the_energy_unknown_in_that_direction_only() {
        let mut flows = Flows::default();
        let blind = |i| Reading { current_ampere: i, voltage_volt: None };
        flows.add(1.0, &blind(-1.0), &blind(-1.0));
        flows.add(1.0, &blind(0.0), &blind(0.0));
        assert_eq!(flows.discharged.energy_wh(), None);
        assert_eq!(flows.charged.energy_wh(), Some(0.0));
    }

    proptest! {
        #[test]
        fn a_reading_added_on_the_line_changes_nothing(
            i1 in -200.0..200.0, i2 in -200.0..200.0, u1 in 0.0..72.0, u2 in 0.0..72.0,
            seconds in 0.001..100.0, share in 0.0..1.0,
        ) {
            let (from, to) = (reading(i1, u1), reading(i2, u2));
            let middle = from.towards(&to, share);
            let (mut whole, mut halves) = (Flows::default(), Flows::default());
            whole.add(seconds, &from, &to);
            halves.add(seconds * share, &from, &middle);
            halves.add(seconds * (1.0 - share), &middle, &to);
            let scale = 200.0 * 72.0 * seconds / 3600.0;
            let near = |a: f64, b: f64| (a - b).abs() <= 1e-12 * scale;
            prop_assert!(near(whole.discharged.charge_ah(), halves.discharged.charge_ah()));
            prop_assert!(near(whole.charged.charge_ah(), halves.charged.charge_ah()));
            prop_assert!(near(
                whole.discharged.energy_wh().unwrap(), halves.discharged.energy_wh().unwrap()));
            prop_assert!(near(
                whole.charged.energy_wh().unwrap(), halves.charged.energy_wh().unwrap()));
        }
    }
}
