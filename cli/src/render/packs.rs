//! Packs: what each is rated at.

use ampledger_report::numbers::given;
use ampledger_report::sentences::{cells, rating};
use ampledger_report::{dates, numbers, sentences};
use ampledger_types::pack_view::{PackSession, PackView};
use ampledger_types::result::Status;
use ampledger_types::{Pack, Unit};
use jiff::tz::TimeZone;

use super::style;
use super::table::{Side, table};

/// All packs, one a line.
pub fn packs(packs: &[Pack]) -> String {
    if packs.is_empty() {
        return "No pack is known yet. Make one known with `ampledger packs set LABEL`.".to_owned();
    }
    let head = [
        ("pack", Side::Left),
        ("rated", Side::Left),
        ("cells", Side::Left),
        ("charged to", Side::Right),
        ("cut-off", Side::Right),
        ("", Side::Left),
    ];
    let rows: Vec<Vec<String>> = packs.iter().map(row).collect();
    table(&head, &rows)
}

fn row(pack: &Pack) -> Vec<String> {
    let volt = |value: Option<f64>| value.map_or("-".to_owned(), |v| given(v, Unit::Volt));
    let note = if pack.is_unsafe { "MARKED UNSAFE" } else { "" };
    vec![
        pack.label.clone(),
        rating(pack).unwrap_or_else(|| "no rating".to_owned()),
        cells(pack).unwrap_or_else(|| "-".to_owned()),
        volt(pack.charge_voltage_volt),
        volt(pack.cutoff_voltage_volt),
        note.to_owned(),
    ]
}

/// What its sessions say together.
pub fn view(view: &PackView, zone: &TimeZone) -> String {
    if view.sessions.is_empty() {
        return format!("No ended session of {} has a discharge yet.", view.pack);
    }
    let head = [
        ("session", Side::Right),
        ("began", Side::Left),
        ("capacity", Side::Right),
        ("mean A", Side::Right),
        ("", Side::Left),
    ];
    let rows: Vec<Vec<String>> = view.sessions.iter().map(|s| session(s, zone)).collect();
    let mut parts = vec![table(&head, &rows).trim_end().to_owned()];
    parts.extend(view.peukert.as_ref().map(sentences::peukert));
    parts.extend(view.self_discharge.iter().map(sentences::stand));
    parts.join("\n\n")
}

fn session(session: &PackSession, zone: &TimeZone) -> Vec<String> {
    let began = session.start_unix_time_second;
    let ah = match session.expanded_ah.filter(|u| *u > 0.0) {
        Some(u) => numbers::uncertain(session.capacity_ah, u, Unit::AmpereHour),
        None => numbers::value(session.capacity_ah, Unit::AmpereHour),
    };
    let status = match session.status {
        Status::Proven => "proven",
        Status::Provisional => "provisional",
        Status::Undetermined => "undetermined",
    };
    let short = if session.is_to_cutoff { "" } else { ", not to the cut-off" };
    vec![
        session.session.to_string(),
        began.map_or("-".to_owned(), |second| dates::local(dates::unix_us(second), zone)),
        ah,
        numbers::bare(session.mean_current_ampere, Unit::Ampere),
        format!("{status}{short}"),
    ]
}

/// One pack in a sentence or two.
pub fn one(pack: &Pack) -> String {
    let rating = rating(pack).unwrap_or_else(|| "no rating".to_owned());
    let cells = cells(pack).map_or(String::new(), |cells| format!(", {cells}"));
    let mut text = format!("{}: {rating}{cells}.", style::strong(&pack.label));
    if pack.is_unsafe {
        text.push_str(&format!(" {}", style::bad("It is marked unsafe.")));
    }
    text
}

#[cfg(test)]
mod tests {
    use ampledger_types::{Chemistry, Rating};

    use super::*;

    #[test]
    fn a_pack_is_shown_with_its_rating_and_its_warning() {
        let pack = Pack {
            label: "TUG-3".to_owned(),
            rating: Some(Rating { capacity_ah: 80.0, ..Rating::default() }),
            chemistry: Some(Chemistry::LeadAcid),
            cells_in_series: Some(6),
            is_unsafe: true,
            ..Pack::default()
        };
        let text = packs(&[pack]);
        for part in ["80 Ah", "6 × lead-acid", "MARKED UNSAFE"] {
            assert!(text.contains(part), "{part} in {text}");
        }
    }

    #[test]
    fn what_is_not_known_is_not_made_up() {
        let text = packs(&[Pack { label: "GAL-12".to_owned(), ..Pack::default() }]);
        assert!(text.contains("no rating"), "{text}");
        let text = one(&Pack { label: "GAL-12".to_owned(), ..Pack::default() });
        assert!(text.ends_with(": no rating."), "{text}");
    }
}
