//! What happens on the bench in the demo, as the lines that the sensor prints:
//! GAL-07 is charged, rests, is emptied until its protection trips and the
//! sensor goes dark with it, and is charged again. All made up, none random.

use super::model::{Noise, PackModel};

/// The charger holds this voltage, V.
pub const CHARGE_VOLTAGE: f64 = 29.2;
/// The charger gives at most this, A.
const CHARGER_AMPERE: f64 = 20.0;
/// The charger stops below this: C/32 of 60 Ah, A.
const CHARGED_AMPERE: f64 = 60.0 / 32.0;
/// What the inverter draws, W.
const INVERTER_WATT: f64 = 308.0;
/// The protection trips below this, V.
const TRIP_VOLT: f64 = 20.3;
/// The sensor prints a line this often, s.
pub const INTERVAL_SECOND: u32 = 10;

/// A line of the sensor, or its falling silent.
#[derive(Clone, Debug, PartialEq)]
pub struct Line {
    /// When it is printed, seconds since the demo's beginning.
    pub at_second: u32,
    /// The line with its end; empty where the sensor falls silent.
    pub text: String,
    /// What is happening, in words.
    pub stage: &'static str,
}

/// All lines in order.
pub fn lines() -> Vec<Line> {
    let mut bench = Bench::new();
    bench.rest("GAL-07 is on the bench", 5 * 60);
    bench.charge("the charger is on: to 29.2 V, then the current tapers");
    bench.rest("the pack rests for an hour", 61 * 60);
    bench.discharge("the inverter is on: about 12 A");
    bench.dark("the protection trips, and the sensor goes dark with the pack", 10 * 60);
    bench.charge("the charger is on and brings the sensor back");
    bench.rest("the pack is full again", 10 * 60);
    bench.lines
}

struct Bench {
    pack: PackModel,
    noise: Noise,
    at_second: u32,
    lines: Vec<Line>,
}

impl Bench {
    fn new() -> Self {
        let (pack, noise) = (PackModel::rested(0.55), Noise::new());
        Bench { pack, noise, at_second: 0, lines: Vec::new() }
    }

    fn rest(&mut self, stage: &'static str, second: u32) {
        let until = self.at_second + second;
        while self.at_second < until {
            self.print(stage, 0.0);
            self.pass(|_| 0.0);
        }
    }

    fn charge(&mut self, stage: &'static str) {
        loop {
            let current = charger(&self.pack);
            if current < CHARGED_AMPERE {
                return;
            }
            self.print(stage, current);
            self.pass(charger);
        }
    }

    fn discharge(&mut self, stage: &'static str) {
        let inverter = |pack: &PackModel| pack.load_current(INVERTER_WATT);
        loop {
            let current = inverter(&self.pack);
            if self.pack.voltage(current) < TRIP_VOLT {
                return;
            }
            self.print(stage, current);
            self.pass(inverter);
        }
    }

    /// Nothing flows and nothing is printed: the pack powers the sensor.
    fn dark(&mut self, stage: &'static str, second: u32) {
        self.lines.push(Line { at_second: self.at_second, text: String::new(), stage });
        for _ in 0..second / INTERVAL_SECOND {
            self.pass(|_| 0.0);
        }
    }

    /// Until the next line is due.
    fn pass(&mut self, current: impl Fn(&PackModel) -> f64) {
        for _ in 0..INTERVAL_SECOND {
            self.pack.step(current(&self.pack), 1.0);
        }
        self.at_second += INTERVAL_SECOND;
    }

    fn print(&mut self, stage: &'static str, current: f64) {
        let t = self.at_second;
        let voltage = self.pack.voltage(current) + self.noise.next(0.002);
        let current = current + self.noise.next(0.006);
        let text = format!("t={t}.0 U={voltage:.3} I={current:.3}\r\n");
        self.lines.push(Line { at_second: t, text, stage });
    }
}

fn charger(pack: &PackModel) -> f64 {
    pack.charger_current(CHARGE_VOLTAGE, CHARGER_AMPERE)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Time, voltage, current of every line.
    fn rows() -> Vec<[f64; 3]> {
        let printed = lines().into_iter().filter(|line| !line.text.is_empty());
        printed
            .map(|line| {
                let mut values =
                    line.text.split_whitespace().map(|part| part[2..].parse().unwrap());
                [values.next().unwrap(), values.next().unwrap(), values.next().unwrap()]
            })
            .collect()
    }

    fn amp_hours(rows: &[[f64; 3]], which: impl Fn(f64) -> bool) -> f64 {
        let hours = f64::from(INTERVAL_SECOND) / 3600.0;
        rows.iter().filter(|row| which(row[2])).map(|row| row[2] * hours).sum()
    }

    #[test]
    fn the_lines_tell_the_story_of_the_boat_yard() {
        let rows = rows();
        let delivered = -amp_hours(&rows, |current| current < -1.0);
        assert!((57.0..58.0).contains(&delivered), "{delivered}");
        let dark = rows.windows(2).position(|pair| pair[1][0] - pair[0][0] > 60.0).unwrap();
        let [_, volt, ampere] = rows[dark];
        assert!((20.25..20.6).contains(&volt) && ampere < -14.0, "{volt} {ampere}");
        let hours = rows.last().unwrap()[0] / 3600.0;
        assert!((9.0..13.0).contains(&hours), "{hours}");
    }

    #[test]
    fn each_charge_ends_in_a_taper_that_proves_it() {
        let rows = rows();
        // At the charge voltage and at most C/20 for five minutes, twice.
        let held = |row: &&[f64; 3]| row[1] > 29.1 && (1.8..3.0).contains(&row[2]);
        let seconds = rows.iter().filter(held).count() as u32 * INTERVAL_SECOND;
        assert!(seconds > 2 * 300, "{seconds}");
        // Rested an hour, a cell stands between 3.32 and 3.60 V.
        let load = rows.windows(2).position(|pair| pair[1][2] < -10.0).unwrap();
        let rested = rows[load][1] / 8.0;
        assert!((3.33..3.55).contains(&rested), "{rested}");
    }
}
