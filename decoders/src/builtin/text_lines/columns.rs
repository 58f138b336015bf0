//! What the columns of a line are: from a heading line, a row of units under
//! it, or the configuration's column numbers.

use std::sync::Arc;

use ampledger_types::{Channel, Group};
use serde::{Deserialize, Serialize};

use super::cells::Delimiter;
use crate::config::ConfigProblem;
use crate::instrument_time::TimeReader;
use crate::mapping::heading::{self, Role};
use crate::mapping::{Field, Groups, Mapping};

/// A heading line as it was read.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Header {
    /// Its cells.
    pub cells: Vec<String>,
    /// The row of units under it.
    pub units: Option<Vec<String>>,
    /// What parts it; `None` where each line may differ.
    pub delimiter: Option<Delimiter>,
}

/// The columns that are used.
#[derive(Debug)]
pub struct Columns {
    /// Place, name and field of each value.
    pub fields: Vec<(usize, String, Field)>,
    /// Place and unit of the instrument's time.
    pub time: Option<(usize, Option<String>)>,
    /// What the values are.
    pub group: Arc<Group>,
    /// What contradicts itself.
    pub problems: Vec<ConfigProblem>,
}

struct Found {
    place: usize,
    name: String,
    field: Field,
    configured: bool,
}

impl Columns {
    /// The columns under a header.
    pub fn under(
        header: &Header,
        mapping: &Mapping,
        time: &TimeReader,
        groups: &mut Groups,
    ) -> Self {
        let mut found = Vec::new();
        let mut problems = Vec::new();
        for (place, text) in header.cells.iter().enumerate() {
            match field(place, text, header, mapping) {
                Ok(Some((field, configured))) => {
                    found.push(Found { place, name: text.clone(), field, configured });
                }
                Ok(None) => {}
                Err(problem) => problems.push(problem),
            }
        }
        let time = time_column(header, mapping, time);
        Columns::new(found, time, problems, groups)
    }

    /// The columns that the configuration names by number, from 1.
    pub fn numbered(mapping: &Mapping, time: &TimeReader, groups: &mut Groups) -> Self {
        let mut found = Vec::new();
        let mut problems = Vec::new();
        for name in mapping.names() {
            let Some(place) = number(name) else { continue };
            match mapping.field(name) {
                Ok(Some(field)) => {
                    found.push(Found { place, name: name.to_owned(), field, configured: true });
                }
                Ok(None) => {}
                Err(problem) => problems.push(problem),
            }
        }
        let time = time.column.as_deref().and_then(number).map(|place| (place, None));
        Columns::new(found, time, problems, groups)
    }

    /// Of two columns for one channel a configured one wins, else the first.
    fn new(
        mut found: Vec<Found>,
        time: Option<(usize, Option<String>)>,
        problems: Vec<ConfigProblem>,
        groups: &mut Groups,
    ) -> Self {
        found.sort_by_key(|f| (!f.configured, f.place));
        let mut kept: Vec<Found> = Vec::new();
        for one in found {
            if !kept.iter().any(|k| k.field.channel == one.field.channel) {
                kept.push(one);
            }
        }
        kept.sort_by_key(|f| f.place);
        let channels: Vec<Channel> = kept.iter().map(|f| f.field.channel.clone()).collect();
        let fields = kept.into_iter().map(|f| (f.place, f.name, f.field)).collect();
        Columns { fields, time, group: groups.of(channels), problems }
    }
}

/// A column number as a place from 0.
pub fn number(name: &str) -> Option<usize> {
    name.parse::<usize>().ok()?.checked_sub(1)
}

fn field(
    place: usize,
    text: &str,
    header: &Header,
    mapping: &Mapping,
) -> Result<Option<(Field, bool)>, ConfigProblem> {
    let by_number = (place + 1).to_string();
    let configured_by_number = mapping.is_configured(&by_number);
    let name = if configured_by_number { &by_number } else { text };
    let Some(mut field) = mapping.field(name)? else { return Ok(None) };
    let from_heading = heading::part(text).filter(|p| configured_by_number && p.is_certain());
    let unit_row = header.units.as_ref().and_then(|units| units.get(place));
    let unit_row = unit_row.map(String::as_str).filter(|unit| !unit.is_empty());
    for unit in [from_heading.map(|p| p.unit), unit_row].into_iter().flatten() {
        field = field
            .written_in(unit)
            .map_err(|what| ConfigProblem::new(format!("fields.{name}.unit"), what))?;
    }
    Ok(Some((field, mapping.is_configured(name))))
}

fn time_column(
    header: &Header,
    mapping: &Mapping,
    time: &TimeReader,
) -> Option<(usize, Option<String>)> {
    let at = |place: usize| {
        let text = header.cells.get(place)?;
        let in_heading = heading::part(text).map(|p| p.unit);
        let unit_row = header.units.as_ref().and_then(|u| u.get(place)).map(String::as_str);
        Some((place, unit_row.or(in_heading).map(str::to_owned)))
    };
    if let Some(wanted) = &time.column {
        let is_wanted =
            |text: &String| text == wanted || heading::part(text).is_some_and(|p| p.name == wanted);
        return number(wanted).or_else(|| header.cells.iter().position(is_wanted)).and_then(at);
    }
    let has_role = |role: Role| {
        header.cells.iter().position(|text| {
            !mapping.is_configured(text) && heading::recognise(text).is_some_and(|r| r.0 == role)
        })
    };
    [Role::TestTime, Role::UnixTime, Role::Date].into_iter().find_map(has_role).and_then(at)
}
