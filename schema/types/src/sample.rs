//! Samples: one time with the values of one group of channels.

use std::sync::Arc;

use serde::{Deserialize, Serialize};

use crate::quantity::Quantity;
use crate::time::RunId;

/// Number of a sample in its store, from 1, growing in order of arrival.
pub type Seq = u64;

/// A named quantity of an instrument.
#[derive(Clone, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct Channel {
    /// The instrument on the source's line; empty where there is only one.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub instrument: String,
    /// Name, by default that of the quantity.
    pub name: String,
    /// What it measures.
    pub quantity: Quantity,
}

impl Channel {
    /// A channel of a source's only instrument, named after its quantity.
    pub fn of(quantity: Quantity) -> Self {
        Channel { instrument: String::new(), name: quantity.name(), quantity }
    }
}

/// Channels that arrive together and share one time axis.
#[derive(Clone, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct Group {
    /// Name, unique within the source; may be empty for a source with one.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub name: String,
    /// The channels, in the order of a sample's values.
    pub channels: Vec<Channel>,
}

impl Group {
    /// Place of the first channel that measures `quantity`.
    pub fn position(&self, quantity: Quantity) -> Option<usize> {
        self.channels.iter().position(|c| c.quantity == quantity)
    }
}

/// From where in a file imported samples came: sample `seq` of a run came from
/// `line`, the next from the line after, until another mark says otherwise.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct LineMark {
    /// The run that holds the file.
    pub run: RunId,
    /// Number of the sample.
    pub seq: Seq,
    /// Line of the file, from 1.
    pub line: u64,
}

/// One time with the values of one group.
#[derive(Clone, Debug, PartialEq)]
pub struct Sample {
    /// What the values are.
    pub group: Arc<Group>,
    /// Boot clock of the run it came in, microseconds.
    pub t_us: i64,
    /// The instrument's own time, where it sends one, microseconds.
    pub instrument_t_us: Option<i64>,
    /// One value per channel, in its unit. NaN stands for 'no value': no
    /// decoder lets a NaN through as a reading.
    pub values: Vec<f64>,
}

impl Sample {
    /// The value of the first channel that measures `quantity`, if it has one.
    pub fn value(&self, quantity: Quantity) -> Option<f64> {
        let value = *self.values.get(self.group.position(quantity)?)?;
        (!value.is_nan()).then_some(value)
    }
}
