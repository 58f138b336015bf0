//! What a pack is rated at and made of, in a few words.

use ampledger_types::{Pack, RatingBasis, Unit};

use crate::numbers::given;

/// `60 Ah at 12 A to 20.0 V`; `None` where it has no rating.
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

/// `8 × lithium iron phosphate`; `None` where neither is known.
pub fn cells(pack: &Pack) -> Option<String> {
    match (pack.cells_in_series, pack.chemistry) {
        (Some(count), Some(chemistry)) => Some(format!("{count} × {}", chemistry.words())),
        (Some(count), None) => Some(format!("{count} cells in series")),
        (None, chemistry) => chemistry.map(|chemistry| chemistry.words().to_owned()),
    }
}

#[cfg(test)]
mod tests {
    use ampledger_types::{Chemistry, Rating};

    use super::*;

    #[test]
    fn a_rating_is_said_with_its_basis() {
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
            ..Pack::default()
        };
        assert_eq!(rating(&pack).unwrap(), "80 Ah in 20 h, 25 °C to 10.5 V");
        assert_eq!(cells(&pack).unwrap(), "6 × lead-acid");
        assert_eq!((rating(&Pack::default()), cells(&Pack::default())), (None, None));
    }
}
