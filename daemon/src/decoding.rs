//! Where a source's decoder runs: here, or in a process of its own. Both take
//! inputs in one way; from here outputs come at once, from there when they do.

use std::sync::Arc;

use ampledger_boundary::FaultKind;
use ampledger_decoders::driver::Numbering;
use ampledger_decoders::{Driver, Input, Output};

use crate::plugin::{Event, Plugin};
use crate::source::{Maker, Source};

/// A source's decoder.
pub enum Decoding {
    /// In this process.
    Here(Driver),
    /// In its own.
    There(Plugin, Numbering),
    /// Nowhere: its plugin is set aside. What arrives is still kept.
    Nowhere(Numbering),
}

impl Decoding {
    /// A fresh decoder for a source. An error may pass: it is tried again.
    pub async fn begin(source: &Arc<Source>) -> Result<Self, String> {
        let config = match source.maker() {
            Maker::BuiltIn(_) => {
                let driver = Driver::numbered_from(source.next_frame(), source.decoder()?);
                return Ok(Decoding::Here(driver));
            }
            Maker::Plugin(config) => config,
        };
        let record = source.plugin_failures();
        if let Some(reason) = record.set_aside() {
            source.plugin_is_set_aside(&reason);
            return Ok(Decoding::Nowhere(Numbering::from(source.next_frame())));
        }
        let decoder = source.config.decoder_config();
        match Plugin::start(config, decoder, record.clone()).await {
            Ok((plugin, described)) => {
                source.plugin_works(&described);
                Ok(Decoding::There(plugin, Numbering::from(source.next_frame())))
            }
            // It can be repaired while we run, and then it is taken.
            Err(fault) if fault.kind == FaultKind::Refused => Err(fault.text),
            Err(fault) => match record.failed(&fault.text, false, std::time::Instant::now()) {
                Some(_) => Err(fault.text),
                None => {
                    source.plugin_is_set_aside(&record.set_aside().unwrap_or(fault.text));
                    Ok(Decoding::Nowhere(Numbering::from(source.next_frame())))
                }
            },
        }
    }

    /// Gives one input, and its frame to the log. Returns what is said at once.
    pub fn give(&mut self, now_us: i64, input: Input<'_>, source: &Source) -> Vec<Output> {
        match self {
            Decoding::Here(driver) => {
                source.log(|log| {
                    if log.wants_state() {
                        log.put_state(driver.snapshot());
                    }
                });
                let (frame, outputs) = driver.give(now_us, input);
                let outputs = outputs.collect();
                source.framed(frame);
                outputs
            }
            Decoding::There(plugin, numbering) => {
                let frame = numbering.frame(now_us, &input);
                if source.log(|log| log.wants_state()) == Some(true) {
                    plugin.save_before(frame.number);
                }
                source.framed(frame.clone());
                if !plugin.give(frame) {
                    source.plugin_is_slow();
                }
                Vec::new()
            }
            Decoding::Nowhere(numbering) => {
                source.framed(numbering.frame(now_us, &input));
                Vec::new()
            }
        }
    }

    /// What comes from elsewhere; never, for a decoder that runs here.
    /// Dropping the future loses nothing.
    pub async fn next(&mut self) -> Event {
        if let Decoding::There(plugin, _) = self
            && let Some(event) = plugin.next().await
        {
            return event;
        }
        std::future::pending().await
    }

    /// Whether a file may be read on.
    pub fn has_room(&self) -> bool {
        match self {
            Decoding::There(plugin, _) => plugin.has_room(),
            Decoding::Here(_) | Decoding::Nowhere(_) => true,
        }
    }

    /// The plugin is not used any more.
    pub fn set_aside(&mut self) {
        if let Decoding::There(_, numbering) = self {
            *self = Decoding::Nowhere(numbering.clone());
        }
    }
}
