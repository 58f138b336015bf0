//! Bytes as a person writes them in a configuration: `A5 5A`, `0xA5,0x5A`.

use serde::{Deserialize, Deserializer};

/// Bytes written in hexadecimal.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[cfg_attr(test, schemars(transparent))]
pub struct Hex(#[cfg_attr(test, schemars(with = "String"))] pub Vec<u8>);

impl<'de> Deserialize<'de> for Hex {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let text = String::deserialize(deserializer)?;
        read(&text).map(Hex).map_err(serde::de::Error::custom)
    }
}

/// Reads bytes; blanks, commas and `0x` in between do not matter.
pub fn read(text: &str) -> Result<Vec<u8>, String> {
    let wrong = || format!("`{text}` is no hexadecimal; write two digits a byte, as in \"A5 5A\"");
    let mut bytes = Vec::new();
    for word in text.split([' ', ',', ':', '-', '\t', '\n']).filter(|word| !word.is_empty()) {
        let digits = word.strip_prefix("0x").or(word.strip_prefix("0X")).unwrap_or(word);
        if digits.is_empty()
            || digits.len() % 2 == 1
            || !digits.bytes().all(|b| b.is_ascii_hexdigit())
        {
            return Err(wrong());
        }
        for at in (0..digits.len()).step_by(2) {
            bytes.push(u8::from_str_radix(&digits[at..at + 2], 16).map_err(|_| wrong())?);
        }
    }
    Ok(bytes)
}

#[cfg(test)]
mod tests {
    use super::read;

    #[test]
    fn bytes_are_read_in_every_usual_spelling() {
        for text in ["A55A", "a5 5a", "0xA5, 0x5A", "A5:5A", "0xA55A"] {
            assert_eq!(read(text), Ok(vec![0xA5, 0x5A]), "{text}");
        }
        assert_eq!(read(""), Ok(vec![]));
        for text in ["A", "A5 5", "GG", "0x", "é5"] {
            assert!(read(text).is_err(), "{text}");
        }
    }
}
