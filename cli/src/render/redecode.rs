//! What decoding again changes, channel by channel.

use ampledger_report::numbers;
use ampledger_types::DecodeSet;
use ampledger_types::Unit;
use ampledger_types::api::{ChannelChange, ChannelTotal, RedecodedSource};

use super::style;
use super::table::{Side, table};

/// All sources, one after the other.
pub fn sources(sources: &[RedecodedSource]) -> String {
    sources.iter().map(source).collect::<Vec<String>>().join("\n")
}

fn source(source: &RedecodedSource) -> String {
    let mut lines = vec![style::strong(&source.source)];
    lines.push(format!("  so far  {}", sets(&source.before)));
    lines.push(format!("  now     {}", sets(&source.after)));
    lines.push(channels(&source.channels));
    if source.samples_left > 0 {
        lines.push(style::open(&format!(
            "  {} of its samples stay as they are: the frames they came from are not kept, or \
             cannot be read by this configuration.",
            source.samples_left
        )));
    }
    for (kind, count) in &source.complaints {
        lines.push(style::open(&format!("  not understood: {count} ({})", kind.replace('_', " "))));
    }
    if let Some(first) = &source.first_complaint {
        lines.push(style::open(&format!("  the first of them: {first}")));
    }
    lines.join("\n")
}

/// `text-lines 1, configuration 1a2b3c4d5e6f`
fn sets(sets: &[DecodeSet]) -> String {
    let one = |set: &DecodeSet| {
        let digest = set.config_digest.get(..12).unwrap_or(&set.config_digest);
        format!("{} {}, configuration {digest}", set.decoder, set.decoder_version)
    };
    let mut all: Vec<String> = sets.iter().map(one).collect();
    all.dedup();
    match all.is_empty() {
        true => "nothing".to_owned(),
        false => all.join("; "),
    }
}

fn channels(channels: &[ChannelChange]) -> String {
    let head = [
        ("", Side::Left),
        ("channel", Side::Left),
        ("readings", Side::Right),
        ("now", Side::Right),
        ("mean", Side::Right),
        ("now", Side::Right),
        ("shift of the mean", Side::Right),
    ];
    let row = |change: &ChannelChange| {
        let unit = change.quantity.unit();
        let count =
            |total: Option<ChannelTotal>| total.map_or("-".to_owned(), |t| t.count.to_string());
        let mean = |total: Option<ChannelTotal>| shown(total.map(|t| t.mean), unit);
        vec![
            String::new(),
            change.channel.clone(),
            count(change.before),
            count(change.after),
            mean(change.before),
            mean(change.after),
            shift(change.mean_shift, unit),
        ]
    };
    table(&head, &channels.iter().map(row).collect::<Vec<_>>()).trim_end().to_owned()
}

fn shown(value: Option<f64>, unit: Unit) -> String {
    value.map_or("-".to_owned(), |value| numbers::value(value, unit))
}

fn shift(value: Option<f64>, unit: Unit) -> String {
    match value {
        Some(0.0) => "none".to_owned(),
        Some(up) if up > 0.0 => format!("+{}", numbers::value(up, unit)),
        value => shown(value, unit),
    }
}
