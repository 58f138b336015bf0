//! A small model of a refurbished lithium iron phosphate pack: open-circuit
//! voltage, resistance, slow polarisation. For the demo only; it is no claim
//! about any real cell, and nothing that computes a result uses it.

/// Cells in series.
const CELLS: f64 = 8.0;
/// What the pack really holds, Ah.
const CAPACITY_AH: f64 = 57.9;
/// Resistance that acts at once, ohm.
const RESISTANCE_OHM: f64 = 0.024;
/// Time constant of the slow part, s.
const POLARISATION_SECOND: f64 = 400.0;
/// Share of the charge that goes in and comes out again.
const EFFICIENCY: f64 = 0.995;

/// Rested voltage of a cell at a state of charge. The plateau is that of
/// rested packs (common practice, no source); the knees are ours.
const OPEN_CIRCUIT: [(f64, f64); 14] = [
    (-0.02, 1.50),
    (0.00, 2.45),
    (0.01, 2.66),
    (0.03, 2.86),
    (0.06, 3.00),
    (0.10, 3.12),
    (0.20, 3.215),
    (0.40, 3.260),
    (0.60, 3.285),
    (0.80, 3.325),
    (0.95, 3.340),
    (0.99, 3.365),
    (1.00, 3.420),
    (1.02, 3.600),
];

/// The pack at one moment.
#[derive(Clone, Debug)]
pub struct PackModel {
    held_ah: f64,
    polarisation_volt: f64,
}

impl PackModel {
    /// A pack that has rested at this state of charge, 0 to 1.
    pub fn rested(state_of_charge: f64) -> Self {
        PackModel { held_ah: state_of_charge * CAPACITY_AH, polarisation_volt: 0.0 }
    }

    /// Voltage at its terminals with this current, V.
    pub fn voltage(&self, current_ampere: f64) -> f64 {
        self.standing_volt() + current_ampere * RESISTANCE_OHM
    }

    /// The current that a charger drives which holds `volt` and gives at most
    /// `limit_ampere`.
    pub fn charger_current(&self, volt: f64, limit_ampere: f64) -> f64 {
        ((volt - self.standing_volt()) / RESISTANCE_OHM).clamp(0.0, limit_ampere)
    }

    /// The current that a load of constant power draws: negative.
    pub fn load_current(&self, watt: f64) -> f64 {
        // U = E − I·R and P = U·I: the smaller root.
        let e = self.standing_volt();
        let root = (e * e - 4.0 * RESISTANCE_OHM * watt).max(0.0).sqrt();
        -(e - root) / (2.0 * RESISTANCE_OHM)
    }

    /// Lets the current flow for a second or so.
    pub fn step(&mut self, current_ampere: f64, second: f64) {
        let taken = if current_ampere > 0.0 { EFFICIENCY } else { 1.0 };
        self.held_ah += current_ampere * taken * second / 3600.0;
        let settled = current_ampere * self.slow_resistance_ohm(current_ampere);
        self.polarisation_volt += (settled - self.polarisation_volt) * second / POLARISATION_SECOND;
    }

    fn state_of_charge(&self) -> f64 {
        self.held_ah / CAPACITY_AH
    }

    fn standing_volt(&self) -> f64 {
        CELLS * open_circuit(self.state_of_charge()) + self.polarisation_volt
    }

    /// Grows towards full on charge, so that a charge ends in a taper of half
    /// an hour; a discharge begins with its usual small step.
    fn slow_resistance_ohm(&self, current_ampere: f64) -> f64 {
        let towards_full = match current_ampere > 0.0 {
            true => ((self.state_of_charge() - 0.94) / 0.06).max(0.0),
            false => 0.0,
        };
        0.03 + 0.75 * towards_full * towards_full
    }
}

fn open_circuit(state_of_charge: f64) -> f64 {
    let (first, last) = (OPEN_CIRCUIT[0], OPEN_CIRCUIT[OPEN_CIRCUIT.len() - 1]);
    let x = state_of_charge.clamp(first.0, last.0);
    let above = OPEN_CIRCUIT.partition_point(|point| point.0 < x).max(1);
    let ((x0, y0), (x1, y1)) = (OPEN_CIRCUIT[above - 1], OPEN_CIRCUIT[above]);
    y0 + (y1 - y0) * (x - x0) / (x1 - x0)
}

/// Noise that is the same in every demo.
#[derive(Clone, Debug)]
pub struct Noise(u64);

impl Noise {
    /// Begins at a fixed seed.
    pub fn new() -> Self {
        Noise(0x6761_6c2d_3037)
    }

    /// About normal, with this standard deviation: a sum of uniform numbers.
    pub fn next(&mut self, deviation: f64) -> f64 {
        let sum: f64 = (0..12).map(|_| self.uniform()).sum();
        (sum - 6.0) * deviation
    }

    fn uniform(&mut self) -> f64 {
        // SplitMix64 (Steele, Lea, Flood 2014).
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        ((z ^ (z >> 31)) >> 11) as f64 / (1u64 << 53) as f64
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_load_of_constant_power_draws_that_power() {
        let pack = PackModel::rested(0.5);
        let current = pack.load_current(310.0);
        assert!(current < 0.0);
        assert!((pack.voltage(current) * -current - 310.0).abs() < 1e-6);
    }

    #[test]
    fn a_charger_never_exceeds_its_voltage_or_its_current() {
        let pack = PackModel::rested(0.98);
        let current = pack.charger_current(29.2, 20.0);
        assert!((0.0..=20.0).contains(&current));
        assert!(pack.voltage(current) <= 29.2 + 1e-9);
    }

    #[test]
    fn the_voltage_only_falls_while_a_steady_load_empties_it() {
        let mut pack = PackModel::rested(0.99);
        let mut before = f64::INFINITY;
        for _ in 0..3000 {
            let now = pack.voltage(-12.0);
            assert!(now <= before + 1e-9, "{now} after {before}");
            before = now;
            pack.step(-12.0, 5.0);
        }
    }

    #[test]
    fn noise_is_the_same_every_time_and_has_no_drift() {
        let (mut a, mut b) = (Noise::new(), Noise::new());
        let values: Vec<f64> = (0..10_000).map(|_| a.next(1.0)).collect();
        assert_eq!(values[0], b.next(1.0));
        let mean = values.iter().sum::<f64>() / 1e4;
        let square = values.iter().map(|v| v * v).sum::<f64>() / 1e4;
        assert!(mean.abs() < 0.05 && (square - 1.0).abs() < 0.1, "{mean} {square}");
    }
}
