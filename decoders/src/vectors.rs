//! The worked examples in `captures/DECODER/vectors.json`, for the tests: each
//! names the standard it comes from and how it was verified.

use serde::Deserialize;
use serde_json::Value;

const FILES: [(&str, &str); 5] = [
    ("bthome", include_str!("../captures/bthome/vectors.json")),
    ("frames", include_str!("../captures/frames/vectors.json")),
    ("gatt", include_str!("../captures/gatt/vectors.json")),
    ("iec62056-21", include_str!("../captures/iec62056-21/vectors.json")),
    ("modbus-rtu", include_str!("../captures/modbus-rtu/vectors.json")),
];

/// One example.
#[derive(Debug, Deserialize)]
pub struct Vector {
    pub standard: String,
    pub case: String,
    #[serde(default)]
    input_hex: Option<String>,
    #[serde(default)]
    input_text: Option<String>,
    #[serde(default)]
    pub context: Value,
    pub expected: Value,
}

impl Vector {
    /// Whether it is bytes and no text.
    pub fn has_hex(&self) -> bool {
        self.input_hex.is_some()
    }

    pub fn input(&self) -> Vec<u8> {
        bytes(self.input_hex.as_deref().unwrap())
    }

    pub fn input_text(&self) -> &str {
        self.input_text.as_deref().unwrap()
    }

    pub fn outcome(&self) -> &str {
        self.expected["outcome"].as_str().unwrap()
    }

    pub fn is_ok(&self) -> bool {
        self.outcome() == "ok"
    }

    pub fn error(&self) -> String {
        self.expected["error"].as_str().unwrap().to_owned()
    }

    /// The expected value of that name; null if there is none.
    pub fn value(&self, name: &str) -> Value {
        self.expected["values"][name]["value"].clone()
    }
}

/// All examples of a standard in a decoder's file.
pub fn of(decoder: &str, standard: &str) -> Vec<Vector> {
    let file = FILES.iter().find(|(name, _)| *name == decoder).unwrap().1;
    let vectors: Vec<Vector> = serde_json::from_str(file).unwrap();
    vectors.into_iter().filter(|vector| vector.standard == standard).collect()
}

/// Bytes written in hexadecimal.
pub fn bytes(hex: &str) -> Vec<u8> {
    let digits = hex.trim().as_bytes().chunks(2);
    digits.map(|two| u8::from_str_radix(std::str::from_utf8(two).unwrap(), 16).unwrap()).collect()
}
