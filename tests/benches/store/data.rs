//! What the bench records: five quantities at 10 Hz in discharges of 5 h, one
//! every 6 h, in four profiles of noise. Values are decimals, as meters send.

use std::sync::Arc;

use ampledger_store::NumberedSample;
use ampledger_types::{Channel, DecodeSet, Group, Quantity, RunId, Sample, Seq};

/// Samples of one discharge.
pub const DISCHARGE: usize = 180_000;
/// Channels of a sample.
pub const CHANNELS: usize = 5;

/// How a meter resolves what it measures.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Profile {
    /// 1 mV and 1 mA steps with noise of a few of them.
    Fine,
    /// 10 mV and 10 mA steps.
    Coarse,
    /// As fine, with the power as it falls out of the multiplication.
    Raw,
    /// A pack on the shelf.
    Rest,
}

impl Profile {
    /// In a word.
    pub fn name(self) -> &'static str {
        match self {
            Profile::Fine => "fine",
            Profile::Coarse => "coarse",
            Profile::Raw => "raw product",
            Profile::Rest => "rest",
        }
    }
}

/// Makes samples, one discharge after the other, the same in each run.
pub struct Source {
    profile: Profile,
    state: u64,
    set: Arc<DecodeSet>,
    group: Arc<Group>,
    made: usize,
}

impl Source {
    pub fn new(profile: Profile, name: &str) -> Source {
        use Quantity::{Current, DischargingCapacity, Power, Temperature, Voltage};
        let quantities = [Voltage, Current, Temperature(1), Power, DischargingCapacity];
        Source {
            profile,
            state: 1,
            set: Arc::new(DecodeSet {
                source: name.to_owned(),
                decoder: "text-lines".to_owned(),
                decoder_version: "1".to_owned(),
                config_digest: String::new(),
                identity: None,
            }),
            group: Arc::new(Group {
                name: String::new(),
                channels: quantities.map(Channel::of).into(),
            }),
            made: 0,
        }
    }

    /// The next sample, as the store takes it.
    pub fn next(&mut self, run: RunId, seq: Seq) -> NumberedSample {
        let (of, i) = (self.made / DISCHARGE, self.made % DISCHARGE);
        self.made += 1;
        let stall = if self.uniform() < 0.001 { self.uniform() * 20_000.0 } else { 0.0 };
        let jitter = (1200.0 * self.normal()).round() + stall.round();
        let t_us = (of as i64) * 21_600_000_000 + i as i64 * 100_000 + jitter as i64;
        let values = self.values(i as f64 / DISCHARGE as f64);
        let sample = Sample {
            group: self.group.clone(),
            t_us,
            instrument_t_us: None,
            values: values.into(),
        };
        NumberedSample { seq, run, decode_set: self.set.clone(), sample }
    }

    /// The readings when this part of the discharge is over.
    fn values(&mut self, part: f64) -> [f64; CHANNELS] {
        let knee = 1.4 * ((part - 1.0) * 25.0).exp();
        let (v, i) = (13.2 - 0.6 * part - knee, -10.0);
        let ah = 50.0 * part;
        let celsius = 22.0 + 5.0 * part;
        let round = |value: f64, per: f64| (value * per).round() / per;
        match self.profile {
            Profile::Fine | Profile::Raw => {
                let v = round(v + 0.002 * self.normal(), 1000.0);
                let i = round(i + 0.004 * self.normal(), 1000.0);
                let watt = if self.profile == Profile::Raw { v * i } else { round(v * i, 1000.0) };
                [v, i, round(celsius + 0.05 * self.normal(), 10.0), watt, round(ah, 1000.0)]
            }
            Profile::Coarse => {
                let v = round(v + 0.004 * self.normal(), 100.0);
                let i = round(i + 0.01 * self.normal(), 100.0);
                [v, i, round(celsius, 10.0), round(v * i, 10.0), round(ah, 100.0)]
            }
            Profile::Rest => {
                let v = round(13.3 + 0.0003 * self.normal(), 1000.0);
                [v, 0.0, round(22.0 + 0.02 * self.normal(), 10.0), 0.0, 0.0]
            }
        }
    }

    fn uniform(&mut self) -> f64 {
        // A linear congruential generator (Knuth, The Art of Computer
        // Programming, volume 2, 3.3.4, table 1, line 26).
        self.state = self
            .state
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        (self.state >> 11) as f64 / (1u64 << 53) as f64
    }

    /// Box and Muller's way from uniform numbers to normal ones.
    fn normal(&mut self) -> f64 {
        let (a, b) = (1.0 - self.uniform(), self.uniform());
        (-2.0 * a.ln()).sqrt() * (std::f64::consts::TAU * b).cos()
    }
}
