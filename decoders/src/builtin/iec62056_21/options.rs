//! `[sources.NAME.options]` of `iec62056-21`.

use serde::Deserialize;

use crate::config::ConfigProblem;

/// The options; none is needed for a meter that pushes.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Options {
    /// What asks for a readout, e.g. `"/?!\r\n"`; none for a meter that sends
    /// by itself.
    #[serde(default)]
    pub request: Option<String>,
    /// How often it is asked for, ms.
    #[serde(default)]
    every_ms: Option<u32>,
    /// Silence that ends a readout that is not whole, ms.
    #[serde(default = "timeout")]
    timeout_ms: u32,
    /// Answer the identification, for a meter that waits for it (mode C).
    #[serde(default)]
    pub acknowledge: bool,
}

fn timeout() -> u32 {
    3000
}

const USUAL_EVERY_MS: u32 = 60_000;

impl Options {
    /// Checks them.
    pub fn check(&self) -> Result<(), ConfigProblem> {
        let problem =
            |key: &str, what: &str| Err(ConfigProblem::new(format!("options.{key}"), what));
        if let Some(request) = &self.request {
            let is_printable = |b: u8| matches!(b, b'\r' | b'\n') || (b' '..=b'~').contains(&b);
            if !(1..=64).contains(&request.len()) || !request.bytes().all(is_printable) {
                return problem("request", r#"must be 1 to 64 characters, as in "/?!\r\n""#);
            }
        }
        if self.request.is_none() && self.every_ms.is_some() {
            return problem("every_ms", "needs `request`; without it the meter sends by itself");
        }
        if self.request.is_none() && self.acknowledge {
            return problem("acknowledge", "needs `request`; without it the meter sends by itself");
        }
        if !(100..=86_400_000).contains(&self.every_ms.unwrap_or(USUAL_EVERY_MS)) {
            return problem("every_ms", "must lie between 100 and 86400000");
        }
        if !(100..=120_000).contains(&self.timeout_ms) {
            return problem("timeout_ms", "must lie between 100 and 120000");
        }
        Ok(())
    }

    /// How often a readout is asked for, microseconds.
    pub fn every_us(&self) -> i64 {
        i64::from(self.every_ms.unwrap_or(USUAL_EVERY_MS)) * 1000
    }

    /// Silence that ends a readout that is not whole, microseconds.
    pub fn timeout_us(&self) -> i64 {
        i64::from(self.timeout_ms) * 1000
    }
}
