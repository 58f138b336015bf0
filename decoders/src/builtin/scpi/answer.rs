//! Answers as IEEE 488.2 and SCPI-1999 form them: numbers, strings, blocks.
//! Takes nothing for a number that is not NR1, NR2 or NR3.

use crate::number::split_number;

/// A numeric answer.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Number {
    /// A finite number.
    Value(f64),
    /// 9.9E37: overload by convention (SCPI-1999 Volume 1, 7.2.1.4).
    PositiveInfinity,
    /// -9.9E37 (SCPI-1999 Volume 1, 7.2.1.4).
    NegativeInfinity,
    /// 9.91E37 (SCPI-1999 Volume 1, 7.2.1.5).
    NotANumber,
}

/// Why an answer is not what it should be.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum BadAnswer {
    /// Nothing between the line ends, or between the commas.
    #[error("empty response")]
    Empty,
    /// IEEE 488.2, 8.7.
    #[error("not NR1, NR2 or NR3")]
    NotNumeric,
    /// IEEE 488.2, 8.7.9.
    #[error("truncated block: {announced} octets announced")]
    TruncatedBlock {
        /// As its head says.
        announced: usize,
    },
    /// Neither a string nor a block where one should be.
    #[error("neither a string nor a block")]
    NeitherStringNorBlock,
    /// No `number,"text"`.
    #[error("not an entry of the error queue")]
    NotAnError,
}

/// Reads NR1, NR2 or NR3 (IEEE 488.2, 8.7.2 to 8.7.4), and nothing else.
pub fn number(text: &str) -> Result<Number, BadAnswer> {
    let text = text.trim();
    if text.is_empty() {
        return Err(BadAnswer::Empty);
    }
    let is_plain = text.bytes().all(|b| b.is_ascii_digit() || b"+-.eE".contains(&b));
    match split_number(text, '.') {
        Some((value, "")) if is_plain => Ok(special(value)),
        _ => Err(BadAnswer::NotNumeric),
    }
}

/// The special values are compared as numbers: their spelling varies. The
/// tolerance keeps 9.90 and 9.91 apart.
fn special(value: f64) -> Number {
    let is = |code: f64| (value / code - 1.0).abs() < 1e-4;
    match value {
        _ if is(9.9e37) => Number::PositiveInfinity,
        _ if is(-9.9e37) => Number::NegativeInfinity,
        _ if is(9.91e37) => Number::NotANumber,
        value => Number::Value(value),
    }
}

/// Parts at `separator`, outside quotes: `;` between answers, `,` between
/// values (IEEE 488.2, 8.4.1 and 8.4.2).
pub fn part(text: &str, separator: char) -> Vec<&str> {
    let mut in_quotes = false;
    text.split(|c| {
        in_quotes ^= c == '"';
        c == separator && !in_quotes
    })
    .map(str::trim)
    .collect()
}

/// Reads a string in quotes, doubled inside (IEEE 488.2, 8.7.8).
pub fn string(text: &str) -> Result<String, BadAnswer> {
    let inner = text.trim().strip_prefix('"').and_then(|t| t.strip_suffix('"'));
    let inner = inner.ok_or(BadAnswer::NeitherStringNorBlock)?;
    match inner.replace("\"\"", "").contains('"') {
        true => Err(BadAnswer::NeitherStringNorBlock),
        false => Ok(inner.replace("\"\"", "\"")),
    }
}

/// Reads a block of definite length, `#` digits length octets (IEEE 488.2,
/// 8.7.9).
pub fn block(bytes: &[u8]) -> Result<&[u8], BadAnswer> {
    let head = || {
        let rest = bytes.strip_prefix(b"#")?;
        let (count, rest) = rest.split_first()?;
        let (digits, rest) = rest.split_at_checked(usize::from(count.checked_sub(b'0')?))?;
        let length: usize = std::str::from_utf8(digits).ok()?.parse().ok()?;
        Some((length, rest))
    };
    let (announced, rest) = head().ok_or(BadAnswer::NeitherStringNorBlock)?;
    rest.get(..announced).ok_or(BadAnswer::TruncatedBlock { announced })
}

/// An entry of the error queue: number, text, and what the device adds after
/// a semicolon (SCPI-1999 Volume 2, 21.8).
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ErrorEntry {
    /// 0 where the queue is empty.
    pub code: i32,
    /// What the standard calls it.
    pub text: String,
    /// What the device adds.
    pub detail: Option<String>,
}

/// Reads an answer to `SYST:ERR?`.
pub fn error_entry(answer: &str) -> Result<ErrorEntry, BadAnswer> {
    let (code, text) = answer.split_once(',').ok_or(BadAnswer::NotAnError)?;
    let code = code.trim().parse().map_err(|_| BadAnswer::NotAnError)?;
    let text = string(text)?;
    let (text, detail) = match text.split_once(';') {
        Some((text, detail)) => (text.to_owned(), Some(detail.to_owned())),
        None => (text, None),
    };
    Ok(ErrorEntry { code, text, detail })
}

/// The four fields of an answer to `*IDN?` (IEEE 488.2, 10.14); `0` stands for
/// one that is not available.
pub fn identification(answer: &str) -> Option<[Option<String>; 4]> {
    let fields = part(answer, ',');
    let fields: [&str; 4] = fields.try_into().ok()?;
    Some(fields.map(|field| (field != "0" && !field.is_empty()).then(|| field.to_owned())))
}

/// Whether this can be an identification: IEEE 488.2 has four fields in it,
/// but not every instrument keeps to that.
pub fn is_a_name(answer: &str) -> bool {
    let is_number = |part: &str| number(part).is_ok();
    let are_numbers = part(answer, ';').into_iter().all(is_number);
    !answer.is_empty() && !are_numbers && error_entry(answer).is_err()
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use serde_json::{Value, json};

    use super::*;

    /// The vectors for SCPI: each names its source and how it was verified.
    const VECTORS: &str = include_str!("../../../captures/scpi/vectors.json");

    fn numbers(line: &str) -> Result<Vec<Number>, BadAnswer> {
        part(line, ',').into_iter().map(number).collect()
    }

    fn shown(number: Number) -> Value {
        match number {
            Number::Value(value) => json!({ "value": value, "unit": "1" }),
            Number::PositiveInfinity => missing("positive_infinity"),
            Number::NegativeInfinity => missing("negative_infinity"),
            Number::NotANumber => missing("not_a_number"),
        }
    }

    fn missing(status: &str) -> Value {
        json!({ "value": null, "unit": "1", "status": status })
    }

    fn word(value: impl Into<Value>) -> Value {
        json!({ "value": value.into(), "unit": null })
    }

    /// What this module makes of a vector's line, in the vector's own form.
    fn read(line: &str, wanted: &Value) -> Result<Value, BadAnswer> {
        let wants = |key: &str| wanted.get(key).is_some();
        Ok(match () {
            () if wants("readings") => {
                let values: Vec<f64> = numbers(line)?
                    .into_iter()
                    .map(|n| if let Number::Value(v) = n { v } else { f64::NAN })
                    .collect();
                json!({ "readings": { "value": values, "unit": "1" } })
            }
            () if wants("responses") => json!({ "responses": word(part(line, ';')) }),
            () if wants("manufacturer") => {
                let named = ["manufacturer", "model", "serial", "firmware"];
                let fields = identification(line).ok_or(BadAnswer::NotAnError)?;
                let each = named.into_iter().zip(fields).map(|(name, field)| {
                    let absent = json!({ "value": null, "unit": null, "status": "not_available" });
                    (name.to_owned(), field.map_or(absent, word))
                });
                Value::Object(each.collect())
            }
            () if wants("operation_complete") => {
                json!({ "operation_complete": word(number(line)? == Number::Value(1.0)) })
            }
            () if wants("code") => {
                let entry = error_entry(line)?;
                let mut shown = json!({ "code": word(entry.code), "text": word(entry.text) });
                if let Some(detail) = entry.detail {
                    shown["detail"] = word(detail);
                }
                shown
            }
            () if wants("version") => {
                number(line)?;
                json!({ "version": word(line) })
            }
            () if wants("text") => json!({ "text": word(string(line)?) }),
            () if wants("block_octets") => {
                let octets = block(line.as_bytes())?;
                json!({ "block_octets": word(String::from_utf8_lossy(octets).into_owned()) })
            }
            () if line.starts_with('#') => json!({ "block": block(line.as_bytes())?.len() }),
            () => json!({ "number": shown(number(line)?) }),
        })
    }

    fn alike(a: &Value, b: &Value) -> bool {
        match (a, b) {
            (Value::Number(a), Value::Number(b)) => a.as_f64() == b.as_f64(),
            (Value::Array(a), Value::Array(b)) => {
                a.len() == b.len() && a.iter().zip(b).all(|(a, b)| alike(a, b))
            }
            (Value::Object(a), Value::Object(b)) => {
                a.len() == b.len() && a.iter().all(|(k, a)| b.get(k).is_some_and(|b| alike(a, b)))
            }
            (a, b) => a == b,
        }
    }

    #[test]
    fn every_vector_comes_out_as_its_source_says() {
        let vectors: Vec<Value> = serde_json::from_str(VECTORS).unwrap();
        assert_eq!(vectors.len(), 19);
        for vector in vectors {
            let mut lines = Vec::new();
            let text = vector["input_text"].as_str().unwrap();
            crate::framing::Lines::default().push(text.as_bytes(), |line| match line {
                crate::framing::Line::Whole(line) => {
                    lines.push(String::from_utf8_lossy(line).into_owned());
                }
                other => panic!("{other:?}"),
            });
            let [line] = &lines[..] else { panic!("{lines:?}") };
            let (case, source) = (&vector["case"], &vector["source"]);
            let expected = &vector["expected"];
            match read(line, &expected["values"]) {
                Ok(found) => {
                    assert!(alike(&found, &expected["values"]), "{case} ({source}): {found}");
                }
                Err(error) => assert_eq!(json!(error.to_string()), expected["error"], "{case}"),
            }
        }
    }

    proptest! {
        #[test]
        fn no_answer_breaks_it(text in "\\PC{0,40}", octets in proptest::collection::vec(any::<u8>(), 0..40)) {
            let _ = (number(&text), string(&text), error_entry(&text), identification(&text));
            let _ = block(&octets);
            let plain = text.replace('"', "");
            let parts: Vec<&str> = plain.split(',').map(str::trim).collect();
            prop_assert_eq!(part(&plain, ','), parts);
        }
    }
}
