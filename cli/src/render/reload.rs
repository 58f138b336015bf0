//! What reading the configuration again came to.

use ampledger_types::api::ReloadResponse;

use super::style;

/// A line for each kind of change, then what is wrong.
pub fn done(done: &ReloadResponse) -> String {
    let mut lines = Vec::new();
    for (what, names) in [
        ("Begun", &done.begun),
        ("Configured otherwise, begun again", &done.changed),
        ("Goes on, instrument described otherwise since the daemon began", &done.described),
        ("Ended", &done.ended),
        ("Limits set anew, none is armed", &done.limits),
    ] {
        if !names.is_empty() {
            lines.push(format!("{what}: {}", names.join(", ")));
        }
    }
    if lines.is_empty() {
        lines.push("Nothing changed.".to_owned());
    }
    if !done.untouched.is_empty() {
        lines.push(style::faint(&format!("Untouched: {}", done.untouched.join(", "))));
    }
    if !done.kept.is_empty() {
        let text = format!("Goes on as it was, the file is wrong: {}", done.kept.join(", "));
        lines.push(style::open(&text));
    }
    if !done.after_restart.is_empty() {
        let sections = done.after_restart.join("], [");
        let text = format!("[{sections}] counts from the next start: systemctl restart ampledgerd");
        lines.push(style::open(&text));
    }
    lines.extend(done.problems.iter().map(|problem| style::bad(problem)));
    lines.join("\n")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_changed_and_what_is_wrong_is_said() {
        let names = |names: &[&str]| names.iter().map(|n| (*n).to_owned()).collect();
        let done = done(&ReloadResponse {
            changed: names(&["clamp"]),
            untouched: names(&["bench-shunt"]),
            kept: names(&["load"]),
            after_restart: names(&["store"]),
            problems: names(&["a.toml:3: `sources.load.serial.buad`: unknown field"]),
            ..ReloadResponse::default()
        });
        for said in ["begun again: clamp", "Untouched: bench-shunt", "as it was", "[store]", "buad"]
        {
            assert!(done.contains(said), "{said} in {done}");
        }
        assert!(!done.contains("Ended"));
    }
}
