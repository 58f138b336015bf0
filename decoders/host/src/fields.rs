//! From a plugin's fields to channels, by the source's own mapping: a plugin
//! cannot name a channel, nor choose a unit or a sign.

use std::collections::HashMap;
use std::sync::Arc;

use ampledger_decoders::decoder::excerpt;
use ampledger_decoders::mapping::{Field, Groups, Mapping};
use ampledger_decoders::{Complaint, ComplaintKind, ConfigProblem, DecoderConfig, Output};
use ampledger_types::{Group, Sample};

/// Field names that are remembered; past that it starts again.
const MOST_NAMES: usize = 1024;

/// What is known of a plugin's fields.
#[derive(Debug)]
pub(crate) struct Fields {
    mapping: Mapping,
    known: HashMap<String, Known>,
    fields: Vec<Field>,
    groups: Groups,
    /// The fields of the last reading, and their group: readings are alike.
    last: (Vec<usize>, Option<Arc<Group>>),
    used: Vec<usize>,
}

#[derive(Clone, Debug)]
enum Known {
    /// Its place in `fields`.
    Field(usize),
    /// It is not configured, and its name does not say what it is.
    Unused,
    /// Its name and its configuration contradict each other.
    Wrong(String),
}

impl Fields {
    pub(crate) fn new(config: &DecoderConfig) -> Result<Self, ConfigProblem> {
        Ok(Fields {
            mapping: Mapping::new(config)?,
            known: HashMap::new(),
            fields: Vec::new(),
            groups: Groups::default(),
            last: (Vec::new(), None),
            used: Vec::new(),
        })
    }

    /// Turns one reading into a sample, a complaint, or both.
    pub(crate) fn reading<'t>(
        &mut self,
        t_us: i64,
        instrument_t_us: Option<i64>,
        read: impl Iterator<Item = (&'t str, f64)>,
        out: &mut Vec<Output>,
    ) {
        let mut values = Vec::new();
        let mut trouble: Option<String> = None;
        let mut unused: Option<String> = None;
        self.used.clear();
        for (name, number) in read {
            let at = match self.known(name) {
                Known::Field(at) => *at,
                Known::Unused => {
                    unused.get_or_insert_with(|| excerpt(name));
                    continue;
                }
                Known::Wrong(why) => {
                    let why = why.clone();
                    trouble.get_or_insert(why);
                    continue;
                }
            };
            if self.used.contains(&at) {
                trouble.get_or_insert_with(|| format!("{} stands twice", excerpt(name)));
                continue;
            }
            let value = match number.is_nan() {
                true => f64::NAN,
                false => self.fields[at].read(number, None).unwrap_or_else(|why| {
                    trouble.get_or_insert_with(|| format!("{}: {why}", excerpt(name)));
                    f64::NAN
                }),
            };
            self.used.push(at);
            values.push(value);
        }
        if values.iter().all(|v| v.is_nan()) {
            let what = trouble.or(unused.map(|name| format!("the field {name} is not configured")));
            let what = what.unwrap_or_else(|| "a reading without a value".to_owned());
            out.push(implausible(what));
            return;
        }
        out.extend(trouble.map(implausible));
        let group = self.group();
        out.push(Output::Sample(Sample { group, t_us, instrument_t_us, values }));
    }

    fn known(&mut self, name: &str) -> &Known {
        if self.known.len() >= MOST_NAMES && !self.known.contains_key(name) {
            self.known.clear();
            self.fields.clear();
            self.used.clear();
            self.last = (Vec::new(), None);
        }
        if !self.known.contains_key(name) {
            let known = match self.mapping.field(name) {
                Ok(Some(field)) => {
                    self.fields.push(field);
                    Known::Field(self.fields.len() - 1)
                }
                Ok(None) => Known::Unused,
                Err(problem) => Known::Wrong(problem.to_string()),
            };
            self.known.insert(name.to_owned(), known);
        }
        &self.known[name]
    }

    fn group(&mut self) -> Arc<Group> {
        if let (used, Some(group)) = &self.last
            && *used == self.used
        {
            return group.clone();
        }
        let channels = self.used.iter().map(|at| self.fields[*at].channel.clone()).collect();
        let group = self.groups.of(channels);
        self.last = (self.used.clone(), Some(group.clone()));
        group
    }
}

fn implausible(what: String) -> Output {
    Output::Complaint(Complaint::new(ComplaintKind::Implausible, 0, what))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn fields() -> Fields {
        let fields = serde_json::json!({
            "U": { "quantity": "voltage_volt" },
            "I": { "quantity": "current_ampere", "unit": "mA", "sign": "discharging-positive" },
        });
        let fields = serde_json::from_value(fields).unwrap();
        Fields::new(&DecoderConfig { fields, ..DecoderConfig::default() }).unwrap()
    }

    fn read(fields: &mut Fields, values: &[(&str, f64)]) -> Vec<Output> {
        let mut out = Vec::new();
        fields.reading(7, None, values.iter().copied(), &mut out);
        out
    }

    #[test]
    fn the_configuration_says_unit_and_sign_and_not_the_plugin() {
        let out = read(&mut fields(), &[("U", 26.4), ("I", 12_100.0), ("mood", 1.0)]);
        let [Output::Sample(sample)] = &out[..] else { panic!("{out:?}") };
        assert_eq!((sample.t_us, &sample.values[..]), (7, &[26.4, -12.1][..]));
        assert_eq!(sample.group.channels[1].name, "current_ampere");
    }

    #[test]
    fn no_number_that_is_none_becomes_a_value() {
        let mut fields = fields();
        for nonsense in [f64::INFINITY, f64::NEG_INFINITY] {
            let out = read(&mut fields, &[("U", nonsense), ("I", 100.0)]);
            let [Output::Complaint(_), Output::Sample(sample)] = &out[..] else {
                panic!("{out:?}")
            };
            assert!(sample.values[0].is_nan() && sample.values[1] == -0.1);
        }
        for values in [&[("U", f64::NAN)][..], &[("mood", 1.0)], &[], &[("U", f64::INFINITY)]] {
            let out = read(&mut fields, values);
            assert!(matches!(out[..], [Output::Complaint(_)]), "{values:?}: {out:?}");
        }
    }

    #[test]
    fn names_without_end_are_not_kept() {
        let mut fields = fields();
        for n in 0..5000 {
            let (voltage, name) = (format!("U{n}"), format!("n{n}"));
            read(&mut fields, &[("U", 1.0), (&voltage, 1.0), (&name, 2.0)]);
        }
        assert!(fields.known.len() <= MOST_NAMES);
    }
}
