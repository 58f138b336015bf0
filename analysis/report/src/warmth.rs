//! How warm it was, by probe: on the pack, in the air, anywhere else.

use std::collections::BTreeMap;

use ampledger_methods::Rules;
use ampledger_methods::temperature_record::TemperatureRecord;
use ampledger_types::result::{Probe, Warmth};
use ampledger_types::{Channel, Group, Quantity, Sample};

/// What counts as the beginning of a stretch, µs.
const MINUTE_US: i64 = 60_000_000;

/// The temperatures of a session, in bounded memory.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Temperatures {
    probes: BTreeMap<Probe, TemperatureRecord>,
}

impl Temperatures {
    /// Looks for temperatures in a sample.
    pub(crate) fn note(&mut self, sample: &Sample, t_us: i64) {
        for (channel, value) in sample.group.channels.iter().zip(&sample.values) {
            if let Some(probe) = probe(channel) {
                self.take(probe, t_us, *value);
            }
        }
    }

    /// Which channels of a group are temperatures, by place.
    pub(crate) fn probes(group: &Group) -> Vec<(usize, Probe)> {
        let channels = group.channels.iter().enumerate();
        channels.filter_map(|(place, channel)| Some((place, probe(channel)?))).collect()
    }

    /// Takes a reading: test time in µs, °C.
    pub(crate) fn take(&mut self, probe: Probe, t_us: i64, celsius: f64) {
        self.probes.entry(probe).or_default().push(t_us, celsius);
    }

    /// Near the meter, between two moments of test time: the lowest and the
    /// highest of the air, or of a probe that is not on the pack, °C.
    pub(crate) fn near_meter(&self, from_us: i64, to_us: i64) -> Option<(f64, f64)> {
        let probes = [Probe::Air, Probe::Other].into_iter();
        probes.filter_map(|probe| self.probes.get(&probe)?.between(from_us, to_us)).next()
    }

    /// Between two moments of test time, µs.
    pub(crate) fn between(&self, from_us: i64, to_us: i64, rules: &Rules) -> Vec<Warmth> {
        let known = self.probes.iter().filter_map(|(probe, record)| {
            let (low_celsius, high_celsius) = record.between(from_us, to_us)?;
            let begin = record.between(from_us.saturating_sub(MINUTE_US), from_us);
            let begin_celsius = begin.map(|(low, high)| (low + high) / 2.0);
            let moved_kelvin = record.moved_kelvin(from_us, rules);
            Some(Warmth { probe: *probe, low_celsius, high_celsius, begin_celsius, moved_kelvin })
        });
        known.collect()
    }
}

fn probe(channel: &Channel) -> Option<Probe> {
    match channel.quantity {
        Quantity::SurfaceTemperature => Some(Probe::Pack),
        Quantity::AmbientTemperature => Some(Probe::Air),
        Quantity::Temperature(_) => Some(Probe::Other),
        _ => None,
    }
}
