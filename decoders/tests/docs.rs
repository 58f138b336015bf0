//! Every configuration in `docs/decoders/` builds its decoder, and what a page
//! shows is what the decoder makes of it.
#![allow(clippy::disallowed_methods, reason = "a test reads its files; the decoders do not")]
#![allow(clippy::unwrap_used, reason = "a test fails by it")]

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;

use ampledger_decoders::{DecoderConfig, Driver, Input, Output, builtin};
use serde::Deserialize;

/// What of the file this crate knows; `serial` is the daemon's.
#[derive(Deserialize)]
struct File {
    sources: BTreeMap<String, Source>,
}

#[derive(Deserialize)]
struct Source {
    decoder: String,
    #[serde(flatten)]
    config: DecoderConfig,
}

fn page(decoder: &str) -> String {
    let page = format!("../docs/decoders/{decoder}.md");
    fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join(page)).unwrap()
}

fn blocks<'a>(page: &'a str, kind: &str) -> Vec<&'a str> {
    let opening = format!("```{kind}\n");
    let blocks = page.split(opening.as_str()).skip(1);
    blocks.map(|block| block.split("```").next().unwrap()).collect()
}

fn drivers(page: &str) -> Vec<Driver> {
    let mut drivers = Vec::new();
    for block in blocks(page, "toml") {
        let file: File = toml_edit::de::from_str(block).unwrap();
        for (name, source) in file.sources {
            let descriptor = builtin::find(&source.decoder).unwrap();
            let decoder = (descriptor.build)(&source.config);
            drivers.push(Driver::new(decoder.unwrap_or_else(|e| panic!("{name}: {e}"))));
        }
    }
    drivers
}

#[test]
fn every_decoder_has_a_page_whose_examples_build() {
    for descriptor in builtin::BUILTIN {
        assert!(!drivers(&page(descriptor.name)).is_empty(), "{}", descriptor.name);
    }
}

#[test]
fn the_lines_on_a_page_are_read_without_a_complaint() {
    let expected: [(&str, &[&[f64]]); 2] = [
        ("text-lines", &[&[26.412, -12.1], &[26.409, -12.095]]),
        ("json-lines", &[&[3.301, -12.1, 26.412]]),
    ];
    for (decoder, expected) in expected {
        let page = page(decoder);
        let mut driver = drivers(&page).swap_remove(0);
        driver.give(0, Input::Opened { record: true }).1.for_each(drop);
        let bytes = blocks(&page, "text")[0].as_bytes();
        let said = driver.give(0, Input::Received { endpoint: 0, bytes }).1;
        let values: Vec<Vec<f64>> = said
            .map(|output| match output {
                Output::Sample(sample) => sample.values,
                other => panic!("{decoder}: {other:?}"),
            })
            .collect();
        assert_eq!(values, expected, "{decoder}");
    }
}

/// A line of hexadecimal, with its endpoint ahead if it is not 0.
fn notification(line: &str) -> (u16, Vec<u8>) {
    let (endpoint, hex) = line.split_once(':').unwrap_or(("0", line));
    let bytes = hex.split_whitespace().map(|byte| u8::from_str_radix(byte, 16).unwrap());
    (endpoint.parse().unwrap(), bytes.collect())
}

#[test]
fn the_bytes_on_a_page_are_read_without_a_complaint() {
    let expected: [(&str, &[&[f64]]); 2] = [
        ("frames", &[&[26.41, -12.1, 23.0], &[1.23]]),
        ("gatt", &[&[13.25], &[12.1], &[25.06], &[-12.1]]),
    ];
    for (decoder, expected) in expected {
        let page = page(decoder);
        let mut driver = drivers(&page).swap_remove(0);
        driver.give(0, Input::Opened { record: true }).1.for_each(drop);
        let mut values: Vec<Vec<f64>> = Vec::new();
        for line in blocks(&page, "hex")[0].lines() {
            let (endpoint, bytes) = notification(line);
            let said = driver.give(0, Input::Received { endpoint, bytes: &bytes }).1;
            values.extend(said.map(|output| match output {
                Output::Sample(sample) => sample.values,
                other => panic!("{decoder}: {other:?}"),
            }));
        }
        assert_eq!(values, expected, "{decoder}");
    }
}

#[test]
fn the_walk_to_ones_own_instrument_ends_with_what_it_promises() {
    let page = page("your-own");
    let mut drivers = drivers(&page);
    assert_eq!(drivers.len(), 3, "raw, the guess, and the layout");
    let bytes = notification(blocks(&page, "hex")[0].trim()).1;
    let mut read = |driver: usize| -> Vec<Vec<f64>> {
        drivers[driver].give(0, Input::Opened { record: true }).1.for_each(drop);
        let said = drivers[driver].give(0, Input::Received { endpoint: 0, bytes: &bytes }).1;
        said.map(|output| match output {
            Output::Sample(sample) => sample.values,
            other => panic!("{other:?}"),
        })
        .collect()
    };
    assert_eq!(read(0), Vec::<Vec<f64>>::new());
    assert_eq!(read(1), [[12_100.0]]);
    assert_eq!(read(2), [[26.41, -12.1]]);
}

#[test]
fn every_page_says_how_to_try_it() {
    for descriptor in builtin::BUILTIN {
        let page = page(descriptor.name);
        for word in ["ampledger capture", "your-own.md"] {
            assert!(page.contains(word), "{} does not name {word}", descriptor.name);
        }
    }
}

#[test]
fn every_option_is_on_its_page() {
    for descriptor in builtin::BUILTIN {
        let mut config = DecoderConfig::default();
        config.options.insert("no_such_option".into(), serde_json::Value::Null);
        let problem = (descriptor.build)(&config).err().unwrap().what;
        let page = page(descriptor.name);
        let options: Vec<&str> = problem.split('`').skip(3).step_by(2).collect();
        assert!(!options.is_empty(), "{problem}");
        for option in options.iter().filter(|option| **option != "no_such_option") {
            assert!(page.contains(&format!("| `{option}` |")), "{}: {option}", descriptor.name);
        }
    }
}
