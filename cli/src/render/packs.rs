//! Packs: what each is rated at.

use ampledger_report::numbers::given;
use ampledger_types::{Pack, RatingBasis, Unit};

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

/// `8 × lithium iron phosphate`
fn cells(pack: &Pack) -> Option<String> {
    match (pack.cells_in_series, pack.chemistry) {
        (Some(count), Some(chemistry)) => Some(format!("{count} × {}", chemistry.words())),
        (Some(count), None) => Some(format!("{count} cells in series")),
        (None, chemistry) => chemistry.map(|chemistry| chemistry.words().to_owned()),
    }
}

/// `60 Ah at 12 A to 20.0 V`
pub fn rating(pack: &Pack) -> Option<String> {
    let rating = pack.rating.as_ref()?;
    let mut text = given(rating.capacity_ah, Unit::AmpereHour);
    match rating.basis {
        Some(RatingBasis::HourRate(hours)) => text.push_str(&format!(" in {hours} h")),
        Some(RatingBasis::CurrentAmpere(current)) => {
            text.push_str(&format!(" at {}", given(current, Unit::Ampere)));
        }
        None => {}
    }
    if let Some(celsius) = rating.temperature_celsius {
        text.push_str(&format!(", {}", given(celsius, Unit::Celsius)));
    }
    if let Some(volt) = rating.end_voltage_volt {
        text.push_str(&format!(" to {}", given(volt, Unit::Volt)));
    }
    Some(text)
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
    fn a_rating_is_shown_with_its_basis() {
        let pack = Pack {
            label: "TUG-3".to_owned(),
            rating: Some(Rating {
                capacity_ah: 80.0,
                basis: Some(RatingBasis::HourRate(20.0)),
                temperature_celsius: Some(25.0),
                end_voltage_volt: Some(10.5),
            }),
            chemistry: Some(Chemistry::LeadAcid),
            cells_in_series: Some(6),
            is_unsafe: true,
            ..Pack::default()
        };
        assert_eq!(rating(&pack).unwrap(), "80 Ah in 20 h, 25 °C to 10.5 V");
        let text = packs(&[pack]);
        assert!(text.contains("6 × lead-acid") && text.contains("MARKED UNSAFE"), "{text}");
    }

    #[test]
    fn what_is_not_known_is_not_made_up() {
        let text = packs(&[Pack { label: "GAL-12".to_owned(), ..Pack::default() }]);
        assert!(text.contains("no rating"), "{text}");
        let text = one(&Pack { label: "GAL-12".to_owned(), ..Pack::default() });
        assert!(text.ends_with(": no rating."), "{text}");
    }
}
