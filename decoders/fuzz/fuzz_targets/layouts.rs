//! The layout language: up to the first zero a configuration of `frames` in JSON,
//! behind it what arrives.
#![no_main]

use ampledger_decoders::{DecoderConfig, Driver, Input, builtin};
use libfuzzer_sys::fuzz_target;

fuzz_target!(|data: &[u8]| {
    let end = data.iter().position(|byte| *byte == 0).unwrap_or(data.len());
    let (text, bytes) = data.split_at(end);
    let Ok(config) = serde_json::from_slice::<DecoderConfig>(text) else { return };
    let Ok(decoder) = (builtin::frames::DESCRIPTOR.build)(&config) else { return };
    let mut driver = Driver::new(decoder);
    driver.give(0, Input::Opened { record: true }).1.for_each(drop);
    for bytes in bytes.chunks(7) {
        driver.give(1, Input::Received { endpoint: 0, bytes }).1.for_each(drop);
    }
});
