//! What `ampledger plugin check` found, for people.

use ampledger_decoders::Integrity;
use ampledger_report::numbers;

use super::style;
use super::table::{Side, table};
use crate::commands::plugin_check::{ChannelSeen, Checked};

/// All of it.
pub fn checked(checked: &Checked) -> String {
    let mut lines = Vec::new();
    if let Some(plugin) = &checked.plugin {
        lines.push(style::strong(&format!("{} {}", plugin.name, plugin.version)));
        lines.push(format!("  {}", plugin.summary));
        lines.push(format!("  its frames are protected by {}", protection(plugin.integrity)));
        lines.push(format!("  held back by: {}", plugin.fences.join(", ")));
    }
    if !checked.channels.is_empty() {
        lines.push(channels(&checked.channels));
    }
    if checked.plugin.is_some() {
        lines.push(format!(
            "{} samples of {} inputs; median {:.1} us an input, longest {:.1} us; {} requests",
            checked.samples,
            checked.inputs,
            checked.median_us,
            checked.longest_us,
            checked.requests
        ));
    }
    for (kind, count) in &checked.complaints {
        lines.push(style::open(&format!("not understood: {count} ({})", kind.replace('_', " "))));
    }
    if let Some(first) = &checked.first_complaint {
        lines.push(style::open(&format!("the first of them: {first}")));
    }
    lines.extend(same("byte by byte", checked.same_byte_by_byte));
    lines.extend(same("with its state saved in the middle", checked.same_with_saved_state));
    match &checked.failure {
        Some(failure) => lines.push(style::bad(failure)),
        None => lines.push(style::good("It can be used.")),
    }
    lines.join("\n")
}

fn protection(integrity: Integrity) -> &'static str {
    match integrity {
        Integrity::None => "nothing: a flipped bit can pass as another number",
        Integrity::Sum => "a sum",
        Integrity::Crc => "a cyclic redundancy check",
    }
}

fn same(how: &str, same: Option<bool>) -> Option<String> {
    Some(match same? {
        true => format!("given {how}, it reads the same"),
        false => style::bad(&format!("given {how}, it reads something else")),
    })
}

fn channels(channels: &[ChannelSeen]) -> String {
    let head = [
        ("", Side::Left),
        ("channel", Side::Left),
        ("readings", Side::Right),
        ("first", Side::Right),
        ("lowest", Side::Right),
        ("highest", Side::Right),
    ];
    let row = |seen: &ChannelSeen| {
        let shown = |value| numbers::value(value, seen.quantity.unit());
        vec![
            String::new(),
            seen.channel.clone(),
            seen.readings.to_string(),
            shown(seen.first),
            shown(seen.lowest),
            shown(seen.highest),
        ]
    };
    table(&head, &channels.iter().map(row).collect::<Vec<_>>()).trim_end().to_owned()
}
