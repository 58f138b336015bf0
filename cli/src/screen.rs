//! Puts text where a person or a program reads it. Styles are dropped where
//! the output is no terminal, or with NO_COLOR. Never decides what to say.

use std::io::{self, Write as _};

use ampledger_types::api::ErrorResponse;
use serde::Serialize;

use crate::exit::Failure;
use crate::render::style;

/// A text, with a line end, on standard output.
pub fn say(text: &str) -> Result<(), Failure> {
    let mut out = anstream::stdout().lock();
    writeln!(out, "{}", text.trim_end_matches('\n'))?;
    Ok(out.flush()?)
}

/// A value as JSON on standard output.
pub fn json(value: &impl Serialize) -> Result<(), Failure> {
    let text = serde_json::to_string_pretty(value).map_err(io::Error::from)?;
    say(&text)
}

/// A failure on standard error. There is nobody left to tell if that fails.
pub fn complain(response: &ErrorResponse, json: bool) {
    let text = match json {
        true => serde_json::to_string(response).unwrap_or_else(|_| response.message.clone()),
        false => format!("{} {}", style::bad("ampledger:"), response.message),
    };
    let _ = writeln!(anstream::stderr(), "{text}");
}

/// Something beside the answer, for people, on standard error.
pub fn remark(text: &str) {
    let _ = writeln!(anstream::stderr(), "{text}");
}
