//! What can be said about a pack on the command line, and how it changes what
//! is known about it.

use ampledger_types::result::Limit;
use ampledger_types::{Chemistry, CutoffRule, Pack, Rating, RatingBasis};
use clap::{Args, ValueEnum};

/// Fields of a pack. What is not given stays as it is.
#[derive(Args, Clone, Debug, Default, PartialEq)]
#[command(next_help_heading = "About the pack")]
pub struct PackFields {
    /// Rated capacity, Ah
    #[arg(long, value_name = "AH", value_parser = positive)]
    pub rated_ah: Option<f64>,
    /// The rating holds when emptied in this many hours
    #[arg(long, value_name = "HOURS", value_parser = positive, conflicts_with = "rated_current")]
    pub rated_hours: Option<f64>,
    /// The rating holds when emptied with this current, A
    #[arg(long, value_name = "A", value_parser = positive)]
    pub rated_current: Option<f64>,
    /// The rating holds at this temperature, °C
    #[arg(long, value_name = "CELSIUS", allow_negative_numbers = true)]
    pub rated_temperature: Option<f64>,
    /// The rating holds down to this end voltage, V
    #[arg(long, value_name = "V", value_parser = positive)]
    pub rated_to_voltage: Option<f64>,
    /// What the cells are made of
    #[arg(long, value_enum)]
    pub chemistry: Option<ChemistryName>,
    /// Cells in series
    #[arg(long, value_name = "COUNT", value_parser = clap::value_parser!(u32).range(1..=400))]
    pub cells: Option<u32>,
    /// The voltage it is charged to, V
    #[arg(long, value_name = "V", value_parser = positive)]
    pub charge_voltage: Option<f64>,
    /// The highest current it may carry, A
    #[arg(long, value_name = "A", value_parser = positive)]
    pub maximum_current: Option<f64>,
    /// What its capacity is held against: `new` (100 % of the rating), `used`
    /// (80 %), or percent of the rating
    #[arg(long, value_name = "LIMIT")]
    pub limit: Option<Limit>,
    /// Maker, as on the label
    #[arg(long)]
    pub maker: Option<String>,
    /// Model, as on the label
    #[arg(long)]
    pub model: Option<String>,
    /// Serial number, as on the label
    #[arg(long)]
    pub serial_number: Option<String>,
    /// Date code, as on the label
    #[arg(long)]
    pub date_code: Option<String>,
    /// The owner's own reference
    #[arg(long)]
    pub owner_reference: Option<String>,
    /// What was seen when it came in: swelling, leak, damage, terminals
    #[arg(long, value_name = "TEXT")]
    pub findings: Option<String>,
}

/// Which moment counts as reaching the cut-off voltage.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, ValueEnum)]
pub enum CutoffRuleName {
    /// The first row at or below it
    FirstBelow,
    /// Where the straight line between two rows crosses it, once it stayed
    /// below for 3 s
    #[default]
    Interpolated,
    /// The last row above it
    LastAbove,
}

impl From<CutoffRuleName> for CutoffRule {
    fn from(name: CutoffRuleName) -> CutoffRule {
        match name {
            CutoffRuleName::FirstBelow => CutoffRule::FirstBelow,
            CutoffRuleName::Interpolated => CutoffRule::Interpolated,
            CutoffRuleName::LastAbove => CutoffRule::LastAbove,
        }
    }
}

/// Chemistries by name.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum ChemistryName {
    /// Lithium iron phosphate, about 3.65 V a cell when charged
    #[value(alias = "lfp")]
    LithiumIronPhosphate,
    /// Lithium types charged to about 4.2 V a cell
    LithiumIon,
    /// Lead-acid of any build
    LeadAcid,
    /// Anything else
    Other,
}

impl From<ChemistryName> for Chemistry {
    fn from(name: ChemistryName) -> Chemistry {
        match name {
            ChemistryName::LithiumIronPhosphate => Chemistry::LithiumIronPhosphate,
            ChemistryName::LithiumIon => Chemistry::LithiumIon,
            ChemistryName::LeadAcid => Chemistry::LeadAcid,
            ChemistryName::Other => Chemistry::Other,
        }
    }
}

/// A number above zero.
pub fn positive(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(value) if value > 0.0 && value.is_finite() => Ok(value),
        _ => Err("write a number above 0, as in 20.5".to_owned()),
    }
}

impl PackFields {
    /// Whether nothing was said.
    pub fn is_empty(&self) -> bool {
        *self == PackFields::default()
    }

    /// `pack` with what was said about it. A basis without any rated capacity
    /// is refused: it would be a rating of 0 Ah.
    pub fn apply(&self, mut pack: Pack) -> Result<Pack, String> {
        let about_rating = self.rated_ah.is_some() || self.says_basis();
        if about_rating {
            pack.rating = Some(self.rating(pack.rating)?);
        }
        replace(&mut pack.chemistry, self.chemistry.map(Chemistry::from));
        replace(&mut pack.cells_in_series, self.cells);
        replace(&mut pack.charge_voltage_volt, self.charge_voltage);
        replace(&mut pack.maximum_current_ampere, self.maximum_current);
        replace(&mut pack.limit, self.limit);
        replace(&mut pack.maker, self.maker.clone());
        replace(&mut pack.model, self.model.clone());
        replace(&mut pack.serial_number, self.serial_number.clone());
        replace(&mut pack.date_code, self.date_code.clone());
        replace(&mut pack.owner_reference, self.owner_reference.clone());
        replace(&mut pack.visual_findings, self.findings.clone());
        Ok(pack)
    }

    fn says_basis(&self) -> bool {
        self.rated_hours.is_some()
            || self.rated_current.is_some()
            || self.rated_temperature.is_some()
            || self.rated_to_voltage.is_some()
    }

    fn rating(&self, known: Option<Rating>) -> Result<Rating, String> {
        let mut rating = match (known, self.rated_ah) {
            (Some(known), None) => known,
            (Some(known), Some(capacity_ah)) => Rating { capacity_ah, ..known },
            (None, Some(capacity_ah)) => Rating { capacity_ah, ..Rating::default() },
            (None, None) => {
                return Err("a rating's basis needs a rating: give --rated-ah too".to_owned());
            }
        };
        let hours = self.rated_hours.map(RatingBasis::HourRate);
        let current = self.rated_current.map(RatingBasis::CurrentAmpere);
        replace(&mut rating.basis, hours.or(current));
        replace(&mut rating.temperature_celsius, self.rated_temperature);
        replace(&mut rating.end_voltage_volt, self.rated_to_voltage);
        Ok(rating)
    }
}

/// Takes the new value over the old where there is one.
pub fn replace<T>(old: &mut Option<T>, new: Option<T>) {
    if new.is_some() {
        *old = new;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_not_said_stays() {
        let known = Pack {
            label: "GAL-07".to_owned(),
            rating: Some(Rating { capacity_ah: 60.0, ..Rating::default() }),
            chemistry: Some(Chemistry::LithiumIronPhosphate),
            ..Pack::default()
        };
        assert_eq!(PackFields::default().apply(known.clone()), Ok(known.clone()));
        let said = PackFields { cells: Some(8), rated_hours: Some(5.0), ..PackFields::default() };
        let after = said.apply(known).unwrap();
        assert_eq!(after.cells_in_series, Some(8));
        assert_eq!(after.chemistry, Some(Chemistry::LithiumIronPhosphate));
        let rating = after.rating.unwrap();
        assert_eq!((rating.capacity_ah, rating.basis), (60.0, Some(RatingBasis::HourRate(5.0))));
    }

    #[test]
    fn a_basis_alone_is_no_rating() {
        let said = PackFields { rated_hours: Some(5.0), ..PackFields::default() };
        assert!(said.apply(Pack::default()).unwrap_err().contains("--rated-ah"));
    }

    #[test]
    fn only_numbers_above_zero_are_taken() {
        for text in ["0", "-1", "NaN", "inf", "", "20V"] {
            assert!(positive(text).is_err(), "{text}");
        }
        assert_eq!(positive("20.5"), Ok(20.5));
    }
}
