//! The limits, and how their actions came out when they were tried.

use ampledger_types::alarm::{ActionStatus, LimitStanding, LimitStatus, Tried};

use super::style;

/// Every limit with its state and its actions.
pub fn limits(all: &[LimitStatus]) -> String {
    if all.is_empty() {
        return "No limit is set. They are set in the daemon's configuration, under \
                [limits.NAME]."
            .to_owned();
    }
    let mut lines: Vec<String> = all.iter().map(one).collect();
    lines.push(style::faint("This is no safety device: hardware protection comes first."));
    lines.join("\n")
}

fn one(limit: &LimitStatus) -> String {
    let mut lines = vec![head(limit)];
    if let Some(armed) = limit.armed {
        let text = match armed {
            true => "  armed: it may switch off",
            false => "  not armed: it switches nothing (ampledger limits arm)",
        };
        lines.push(text.to_owned());
    }
    lines.extend(limit.actions.iter().map(action));
    lines.join("\n")
}

fn head(limit: &LimitStatus) -> String {
    let name = &limit.name;
    let about = about(limit);
    match limit.standing {
        LimitStanding::Refused => style::bad(&limit.sentence),
        LimitStanding::Passed => style::bad(&format!("PASSED  {}", limit.sentence)),
        LimitStanding::Beyond => style::open(&format!("beyond  {name}: {about}, not for long yet")),
        LimitStanding::Waiting => format!("waiting {name}: {about}, nothing to look at yet"),
        LimitStanding::Within => format!("{}  {name}: {about}", style::good("within")),
    }
}

/// `under-voltage on bench-shunt, limit 20 V, now 25.4 V`
fn about(limit: &LimitStatus) -> String {
    let kind = limit.kind.map_or("limit", |kind| kind.word());
    let source = limit.source.as_ref().map_or(String::new(), |source| format!(" on {source}"));
    let amount = |value: f64| format!("{} {}", (value * 1000.0).round() / 1000.0, limit.unit);
    let bound = limit.bound.map_or(String::new(), |bound| format!(", limit {}", amount(bound)));
    let shown = limit.value.filter(|_| limit.bound.is_some());
    let value = shown.map_or(String::new(), |value| format!(", now {}", amount(value)));
    format!("{kind}{source}{bound}{value}")
}

fn action(action: &ActionStatus) -> String {
    let mut text = format!("  {} ({}): done {}", action.name, action.kind, action.done);
    if action.left_out > 0 {
        text.push_str(&format!(", {} left out for being too soon", action.left_out));
    }
    if action.failed > 0 {
        let why = action.last_failure.as_deref().unwrap_or_default();
        text.push_str(&style::bad(&format!(", failed {}: {why}", action.failed)));
    }
    text
}

/// How the actions came out.
pub fn tried(tried: &[Tried]) -> String {
    if tried.is_empty() {
        return "This limit has no action to try; it is marked and logged.".to_owned();
    }
    let line = |one: &Tried| match &one.why {
        None => format!("{}  {} ({})", style::good("done"), one.action, one.kind),
        Some(why) => format!("{}  {} ({}): {why}", style::bad("NOT DONE"), one.action, one.kind),
    };
    tried.iter().map(line).collect::<Vec<String>>().join("\n")
}

#[cfg(test)]
mod tests {
    use ampledger_types::alarm::LimitKind;

    use super::*;

    fn status(standing: LimitStanding) -> LimitStatus {
        LimitStatus {
            name: "pack-low".to_owned(),
            kind: Some(LimitKind::UnderVoltage),
            source: Some("bench-shunt".to_owned()),
            bound: Some(20.0),
            unit: "V".to_owned(),
            standing,
            value: Some(25.41234),
            sentence: "pack-low: 19.9 V on bench-shunt, at or below 20.0 V for 3 s.".to_owned(),
            armed: Some(false),
            actions: vec![ActionStatus {
                name: "yard".to_owned(),
                kind: "webhook".to_owned(),
                done: 2,
                failed: 1,
                left_out: 0,
                last_failure: Some("no connection".to_owned()),
            }],
        }
    }

    fn plain(all: &[LimitStatus]) -> String {
        anstream::adapter::strip_str(&limits(all)).to_string()
    }

    #[test]
    fn a_limit_says_how_it_stands_and_what_its_actions_came_to() {
        let text = plain(&[status(LimitStanding::Within)]);
        let head = "within  pack-low: under-voltage on bench-shunt, limit 20 V, now 25.412 V";
        assert!(text.starts_with(head), "{text}");
        assert!(text.contains("not armed"), "{text}");
        assert!(text.contains("yard (webhook): done 2, failed 1: no connection"), "{text}");
        assert!(text.contains("no safety device"), "{text}");
        let text = plain(&[status(LimitStanding::Passed)]);
        assert!(text.starts_with("PASSED  pack-low: 19.9 V on bench-shunt"), "{text}");
    }
}
