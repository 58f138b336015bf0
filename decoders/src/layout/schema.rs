//! The schema that gives an editor completion for a configuration with `frames`:
//! made from the option types, so that it cannot drift. It is written anew with
//! `AMPLEDGER_REWRITE_CAPTURES=1`; that run still fails.
#![allow(clippy::disallowed_methods, reason = "a test writes its file; the decoders do not")]

use ampledger_types::Quantity;
use schemars::generate::SchemaSettings;
use serde_json::{Value, json};

use super::options::Options;
use crate::config::FieldConfig;
use crate::framing::checksum;

const FILE: &str = "../docs/decoders/frames.schema.json";
const WRITTEN: &str = include_str!("../../../docs/decoders/frames.schema.json");

/// Known words to choose from, without refusing others.
fn one_of(schema: &mut Value, words: Vec<String>) {
    if let Some(object) = schema.as_object_mut() {
        object.remove("type");
        object.insert("anyOf".to_owned(), json!([{ "enum": words }, { "type": "string" }]));
    }
}

fn schema() -> Value {
    let mut generator = SchemaSettings::draft07().into_generator();
    generator.subschema_for::<Options>();
    generator.subschema_for::<FieldConfig>();
    let mut definitions = Value::Object(generator.take_definitions(true));
    let names: Vec<String> = checksum::names().collect();
    for owner in ["ChecksumOptions", "AppendOptions"] {
        one_of(&mut definitions[owner]["properties"]["algorithm"], names.clone());
    }
    let mut quantities: Vec<String> = Quantity::ALL.iter().map(|q| q.name()).collect();
    quantities.extend((2..=16).map(|n| Quantity::CellVoltage(n).name()));
    one_of(&mut definitions["FieldConfig"]["properties"]["quantity"], quantities);
    json!({
        "$schema": "http://json-schema.org/draft-07/schema#",
        "title": "Ampledger configuration with the decoder `frames`",
        "description": "Other decoders' sources are left as they are.",
        "type": "object",
        "properties": { "sources": { "type": "object", "additionalProperties": {
            "if": { "properties": { "decoder": { "const": "frames" } }, "required": ["decoder"] },
            "then": { "required": ["options"], "properties": {
                "options": { "$ref": "#/definitions/Options" },
                "fields": { "type": "object",
                            "additionalProperties": { "$ref": "#/definitions/FieldConfig" } },
            }},
        }}},
        "definitions": definitions,
    })
}

#[test]
fn the_schema_is_that_of_the_options() {
    let schema = schema();
    // As values: the order of keys is not everywhere the same.
    if serde_json::from_str::<Value>(WRITTEN).ok().as_ref() != Some(&schema) {
        if std::env::var_os("AMPLEDGER_REWRITE_CAPTURES").is_some() {
            let file = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join(FILE);
            std::fs::write(file, format!("{schema:#}\n")).unwrap();
        }
        panic!("docs/decoders/frames.schema.json is not that of the options");
    }
}
